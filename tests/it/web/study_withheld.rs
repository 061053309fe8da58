//! What a study withholds near a sensitive place: every row and line finer than a trail, and no gap that leads there.

use std::collections::BTreeSet;

use coilway::derived::study::Layers;
use coilway::derived::study::Table;
use coilway::derived::study::Value;
use coilway::derived::study::make;
use coilway::domain::place::SensitivePlace;
use coilway::domain::units::Length;
use coilway::web::study::archive::files;
use coilway::web::study::figures;

use crate::support::TestApp;
use crate::support::at;
use crate::support::rows;

const BUFFER_M: f64 = 100.0;
/// Beside the western ledge, and elsewhere in the same cell of the grid of 0.01 degree.
const DENS: [(f64, f64); 2] = [(-1000.0, 60.0), (-500.0, -400.0)];
/// Tables that tell of less than whole trails, with the column of names.
const FINER: [(&str, &str); 6] = [
    ("segments", "name"),
    ("stretches", "name"),
    ("cluster-segments", "name"),
    ("rate-pattern-stretches", "name"),
    ("survey-rates-stretches", "stretch"),
    ("watch-weeks-stretches", "stretch"),
];

async fn with_den(den: (f64, f64)) -> TestApp {
    let test = TestApp::complete_park().await;
    let target = test.by_hand().await;
    let place = SensitivePlace {
        name: "north den".to_owned(),
        position: at(den.0, den.1),
        buffer: Length::metres(BUFFER_M).unwrap(),
        reason: "overwintering".to_owned(),
        review_date: String::new(),
    };
    test.write(async |writer| {
        writer.put_sensitive_places(&target, &rows([place])).await.unwrap();
    })
    .await;
    test
}

fn column(table: &Table, name: &str) -> Vec<String> {
    let idx = table.columns.iter().position(|column| column.name == name).unwrap();
    table.rows.iter().map(|row| row[idx].to_string()).collect()
}

/// Metres east and north of the crossing.
fn metres(longitude: f64, latitude: f64) -> (f64, f64) {
    ((longitude + 109.4) * 88_290.0, (latitude - 37.6) * 111_000.0)
}

/// Names of the segments within the buffer, and of the stretches that they belong to.
fn near(layers: &Layers) -> (BTreeSet<String>, BTreeSet<String>) {
    let (network, rates) = (layers.network.as_ref().unwrap(), layers.rates.as_ref().unwrap());
    let is_near = |segment: usize| {
        network.network.segments[segment].geometry.iter().any(|position| {
            let (east, north) = metres(position.lon(), position.lat());
            (east - DENS[0].0).hypot(north - DENS[0].1) <= BUFFER_M
        })
    };
    let names = |names: &[String], members: &[Vec<usize>]| {
        let units = names.iter().zip(members);
        let near = units.filter(|(_, members)| members.iter().any(|segment| is_near(*segment)));
        near.map(|(name, _)| name.clone()).collect()
    };
    (
        names(&rates.segments.names, &rates.segments.members),
        names(&rates.stretches.names, &rates.stretches.members),
    )
}

#[tokio::test]
async fn nothing_finer_than_a_trail_is_told_within_the_buffer() {
    let open = TestApp::complete_park().await;
    let all = Layers::read(open.app.deriver()).await.unwrap();
    let test = with_den(DENS[0]).await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let (segments, stretches) = near(&layers);
    assert!(!segments.is_empty() && !stretches.is_empty());
    for (name, names) in FINER {
        let (before, table) = (make(&all, name).unwrap().unwrap(), make(&layers, name).unwrap().unwrap());
        assert_eq!(before.n_withheld, 0, "{name}");
        assert!(table.n_withheld > 0 && table.n_rows > 0, "{name}");
        assert_eq!(table.n_withheld + table.n_rows, before.n_rows, "{name}");
        for told in column(&table, names) {
            assert!(!segments.contains(&told) && !stretches.contains(&told), "{name}: {told}");
        }
    }
    // The gap is that of the grid cell and not that of the buffer.
    let table = make(&layers, "segments").unwrap().unwrap();
    assert!(table.n_withheld > 2 * segments.len(), "{} of {}", table.n_withheld, segments.len());
    let ends =
        ["from_longitude", "from_latitude", "to_longitude", "to_latitude"].map(|name| column(&table, name));
    let numbers = ends.map(|column| column.iter().map(|it| it.parse::<f64>().unwrap()).collect::<Vec<_>>());
    let [from_lon, from_lat, to_lon, to_lat] = &numbers;
    let positions = from_lon.iter().zip(from_lat).chain(to_lon.iter().zip(to_lat));
    for (lon, lat) in positions {
        let (east, north) = metres(*lon, *lat);
        let distance_m = (east - DENS[0].0).hypot(north - DENS[0].1);
        assert!(distance_m > BUFFER_M, "an end {distance_m} m away");
    }
    let trails = |layers: &Layers| column(&make(layers, "trails").unwrap().unwrap(), "name");
    assert_eq!(trails(&layers), trails(&all));
    for (name, is_map) in
        [("risk-map", true), ("density-report", true), ("relative-density", true), ("rates", false)]
    {
        let figure = figures::named(&layers, name).unwrap();
        let svg = figures::picture(&layers, figure).unwrap().svg;
        assert_eq!(svg.contains("class=\"withheld\""), is_map, "{name}");
        // Notes are cut into lines.
        let lines = svg.split("class=\"figure-note\"").skip(1);
        let lines: Vec<&str> = lines.map(|it| it.split(['>', '<']).nth(1).unwrap()).collect();
        assert!(lines.join(" ").contains("withheld near a sensitive place"), "{name}: {lines:?}");
        assert!(is_map || stretches.iter().all(|stretch| !svg.contains(stretch.as_str())), "{name}");
    }
}

#[tokio::test]
async fn how_much_is_withheld_is_said() {
    let test = with_den(DENS[0]).await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let n_withheld = make(&layers, "segments").unwrap().unwrap().n_withheld;
    let files = files(&layers).unwrap();
    let text = |name: &str| String::from_utf8(files[name].clone()).unwrap();
    let words = format!("{n_withheld} of ");
    let manifest: serde_json::Value = serde_json::from_slice(&files["manifest.json"]).unwrap();
    let said = manifest["withheld"]["tables/segments"].as_str().unwrap();
    assert!(said.starts_with(&words) && said.contains("0.01 degree grid cell"), "{said}");
    assert!(manifest["withheld"]["tables/trails"].is_null());
    assert!(text("methods.md").contains(&format!("tables/segments: {said}")));
    test.get("/study").await.expect(200).says(said);
}

/// Wherever in its cell a place lies, the same rows and lines are missing.
#[tokio::test]
async fn the_gap_does_not_lead_to_the_place() {
    let mut found = Vec::new();
    for den in DENS {
        let test = with_den(den).await;
        let layers = Layers::read(test.app.deriver()).await.unwrap();
        let tables: Vec<Table> = FINER.map(|(name, _)| make(&layers, name).unwrap().unwrap()).into();
        let map = figures::picture(&layers, figures::named(&layers, "risk-map").unwrap()).unwrap().svg;
        assert!(tables.iter().flat_map(|table| &table.rows).flatten().any(|it| *it != Value::Missing));
        found.push((tables, map));
    }
    assert!(found[0] == found[1]);
}
