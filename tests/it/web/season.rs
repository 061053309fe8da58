//! Seasons by habitat and elevation band, warm days, and what the map makes of them.

use jiff::Span;
use jiff::civil::Date;
use jiff::civil::date;
use jiff::tz::TimeZone;

use coilway::app::BringIn;
use coilway::app::Trust;
use coilway::derived::rates;
use coilway::derived::season;
use coilway::derived::season::PeriodChoice;
use coilway::domain::batch::Content;
use coilway::domain::exposure::ReadingDraft;
use coilway::domain::weather::DailyWeather;

use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

const FIRST_DAY: Date = date(2024, 1, 1);
const N_DAYS: i64 = 365;

fn day(idx: i64) -> Date {
    FIRST_DAY.checked_add(Span::new().days(idx)).unwrap()
}

/// The park with a year of even walking and no records yet.
async fn walked_all_year() -> TestApp {
    let test = TestApp::with(&Park { has_encounters: false, ..Park::default() }).await;
    let target = test.by_hand().await;
    let zone = TimeZone::get("America/Phoenix").unwrap();
    let start_s = zone.to_timestamp(FIRST_DAY.at(0, 0, 0, 0)).unwrap().as_second();
    let reading = |hour: i64| ReadingDraft {
        counter: "C1".to_owned(),
        start_s: start_s + hour * 3600,
        length_s: 3600,
        count_in: if (6..18).contains(&(hour % 24)) { 10 } else { 0 },
        count_out: None,
    };
    test.write(async |writer| {
        writer.put_readings(&target, &rows((0..N_DAYS * 24).map(reading))).await.unwrap();
    })
    .await;
    test
}

/// Swing of the planted rate by month: highest in the month given, e^1 above the mean's log.
fn swing(month: usize, peak: usize) -> f64 {
    ((month as f64 - peak as f64) / 12.0 * std::f64::consts::TAU).cos().exp()
}

/// Reports on the ledge mostly in July, in the wash mostly in January, where all walk alike.
async fn opposite_seasons() -> TestApp {
    let test = walked_all_year().await;
    let target = test.by_hand().await;
    let mut all = Vec::new();
    for month in 0..12 {
        for (trail, peak) in [("ledge", 6), ("wash", 0)] {
            for idx in 0..(8.0 * swing(month, peak)).round() as i32 {
                let along = f64::from(idx * 61 % 23) * 100.0 - 1150.0;
                let position = if trail == "ledge" { at(along, 10.0) } else { at(5.0, along) };
                let id = format!("{trail}-{month}-{idx}");
                all.push(report(
                    &id,
                    position,
                    date(2024, month as i8 + 1, 1 + (idx % 28) as i8),
                    6 + (idx % 12) as u16,
                ));
            }
        }
    }
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &rows(all)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
    test
}

#[tokio::test]
async fn maps_follow_the_season_of_each_habitat() {
    let test = opposite_seasons().await;
    let deriver = test.app.deriver();
    let facts = deriver.facts().await.unwrap();
    let (layer, known) = (deriver.rates(&facts).await.unwrap(), deriver.season(&facts).await.unwrap());
    assert!(known.levels.own().is_some(), "{:?}", known.levels.habitats);
    let all = rates::in_period(&layer.trails, &layer.bounds, &known, PeriodChoice::default()).unwrap();
    let july = PeriodChoice { month: Some(7), part: None };
    let in_july = rates::in_period(&layer.trails, &layer.bounds, &known, july).unwrap();
    let mean: f64 = (0..12).map(|month| swing(month, 6)).sum::<f64>() / 12.0;
    let common = season::factors(known.fit.as_ref().unwrap().curve(0), july).unwrap();
    let common = common.iter().sum::<f64>() / common.len() as f64;
    for (trail, peak) in [("Ledge Walk", 6), ("Swale Path", 0)] {
        let unit = layer.trails.names.iter().position(|name| name == trail).unwrap();
        let (whole, july) = (all.per_1000_km[unit].unwrap(), in_july.per_1000_km[unit].unwrap());
        let (got, truth) = (july.value / whole.value, swing(6, peak) / mean);
        assert!((got / truth - 1.0).abs() < 0.35, "{trail}: {got} for {truth}");
        assert!(july.lower <= whole.value * truth && whole.value * truth <= july.upper, "{trail}");
        // The naive way: one curve for all is flat here, and wrong by a factor of more than one and a half on both trails.
        assert!((common / truth).ln().abs() > 1.5_f64.ln(), "{trail}: {common} for {truth}");
    }
    let page = test.get("/season").await.expect(200);
    page.says("habitats have curves of their own, and maps, routes, forecasts and the watch follow them");
    page.says("No trail has elevations, so elevation bands cannot be compared.");
}

#[tokio::test]
async fn habitats_alike_share_one_curve() {
    let test = TestApp::park().await;
    let deriver = test.app.deriver();
    let facts = deriver.facts().await.unwrap();
    let known = deriver.season(&facts).await.unwrap();
    assert!(known.levels.own().is_none());
    assert!(known.shares(&[vec![0, 1]]).is_empty());
}

async fn bring_in(test: &TestApp, content: Content, name: &str, text: &str) -> (u64, u64) {
    let bytes = text.as_bytes().to_vec();
    let open = move || -> std::io::Result<Box<dyn std::io::Read + Send>> {
        Ok(Box::new(std::io::Cursor::new(bytes.clone())))
    };
    let request = BringIn {
        trust: Trust::FULL,
        content,
        file_name: name.to_owned(),
        actor: "tester".to_owned(),
        open: std::sync::Arc::new(open),
    };
    let area = test.by_hand().await.area;
    let done = test.app.bring_in(area, request, |_| {}).await.unwrap();
    (done.n_accepted, done.n_refused)
}

/// Both trails of the park with elevations: the ledge at 1,900 m, the wash rising from 1,200 m.
fn trails_with_elevations() -> String {
    let line = |name: &str, habitat: &str, points: &[(f64, f64, f64)]| {
        let positions: Vec<String> = points
            .iter()
            .map(|(east, north, up)| {
                format!("[{},{},{up}]", at(*east, *north).lon(), at(*east, *north).lat())
            })
            .collect();
        format!(
            r#"{{"type":"Feature","properties":{{"name":"{name}","habitat":"{habitat}"}},"geometry":{{"type":"LineString","coordinates":[{}]}}}}"#,
            positions.join(",")
        )
    };
    let ledge = [
        (-1500.0, 0.0, 1900.0),
        (-600.0, 40.0, 1900.0),
        (0.0, 0.0, 1900.0),
        (700.0, -60.0, 1900.0),
        (1500.0, 0.0, 1900.0),
    ];
    let swale = [
        (0.0, -1400.0, 1200.0),
        (30.0, -500.0, 1300.0),
        (0.0, 0.0, 1350.0),
        (-50.0, 800.0, 1400.0),
        (0.0, 1300.0, 1450.0),
    ];
    format!(
        r#"{{"type":"FeatureCollection","features":[{},{}]}}"#,
        line("Ledge Walk", "scrub", &ledge),
        line("Swale Path", "scrub", &swale)
    )
}

#[tokio::test]
async fn elevation_bands_come_from_the_third_coordinate() {
    let test = opposite_seasons().await;
    let file = trails_with_elevations();
    assert_eq!(bring_in(&test, Content::Trails, "trails.geojson", &file).await, (2, 0));
    let facts = test.app.deriver().facts().await.unwrap();
    let ledge = facts.trails.iter().find(|trail| trail.name == "Ledge Walk").unwrap();
    assert_eq!(ledge.elevations_m, [[1900.0; 5]]);
    let page = test.get("/season").await.expect(200);
    page.says("All trails are in one habitat");
    page.says(
        "elevation bands have curves of their own, and maps, routes, forecasts and the watch follow them",
    );
    // Bands are 300 m high from sea level; the wash crosses from one into the next where it reaches 1,500 m: it does not.
    page.says("1200 to 1500 m");
    page.says("1800 to 2100 m");
}

#[tokio::test]
async fn temperatures_come_from_a_file_with_its_errors_named() {
    let test = TestApp::park().await;
    let page = test.get("/season").await.expect(200);
    page.says("No daily temperatures were brought in");
    let file = "date,maxTemperatureInCelsius\n2024-04-01,21.5\n2024-04-02,\n31.4.2024,20\n2024-04-04,140\n2024-04-05,19\n";
    assert_eq!(bring_in(&test, Content::DailyWeather, "weather.csv", file).await, (2, 3));
    let refused = test.get("/data/rows").await.expect(200);
    refused.says("maxTemperatureInCelsius");
    refused.says("eventDate");
    refused.says("no day on earth has had such a temperature");
    // Two days are no answer, and the page says how many there are.
    test.get("/season").await.expect(200).says("2 of 91 days counted have a temperature");
    // The same day again with another figure replaces it.
    assert_eq!(
        bring_in(&test, Content::DailyWeather, "again.csv", "date,tmax\n2024-04-01,23\n").await,
        (1, 0)
    );
    let facts = test.app.deriver().facts().await.unwrap();
    assert_eq!(facts.daily_weather.len(), 2);
    assert_eq!(facts.daily_weather[0].max_temperature_c, 23.0);
}

#[tokio::test]
async fn warm_days_bring_more_encounters_where_they_do() {
    let test = walked_all_year().await;
    let target = test.by_hand().await;
    // Every other day is 12 degrees warmer and has three reports for one; 15 days have no temperature.
    let is_warm = |idx: i64| idx % 2 == 0;
    let temperature = |idx: i64| DailyWeather {
        date: day(idx),
        max_temperature_c: 20.0 + if is_warm(idx) { 12.0 } else { 0.0 } + (idx % 5) as f64 / 10.0,
    };
    let reports = (0..N_DAYS).flat_map(|idx| {
        let n = if is_warm(idx) { 3 } else { 1 };
        (0..n).map(move |k| {
            let position = at((idx * 37 % 23) as f64 * 100.0 - 1150.0, 10.0);
            report(&format!("W-{idx}-{k}"), position, day(idx), 6 + ((idx * 7 + k) % 12) as u16)
        })
    });
    test.write(async |writer| {
        writer.put_daily_weather(&target, &rows((15..N_DAYS).map(temperature))).await.unwrap();
        let tally = writer.put_encounters(&target, &rows(reports)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
    let facts = test.app.deriver().facts().await.unwrap();
    let details = test.app.deriver().season_details(&facts).await.unwrap();
    let found = details.temperature.as_ref().unwrap();
    // Three for one over twelve degrees is 3^(10/12) = 2.50 over ten.
    let truth = 3.0_f64.powf(10.0 / 12.0);
    assert!(found.effect.is_chosen());
    assert!(found.effect.lower < truth && truth < found.effect.upper, "{found:?}");
    assert_eq!((found.n_days_without, found.effect.n_periods), (15, 350));
    let page = test.get("/season").await.expect(200);
    page.says("On a day 10 °C warmer at its highest");
    page.says("15 days without one");
}
