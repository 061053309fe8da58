//! The study: tables, figures, archive; what they must say and what they must never give away.

use serde_json::Value;

use coilway::derived::study::Layers;
use coilway::derived::study::TABLES;
use coilway::domain::encounter::EncounterDetails;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::ids::AreaId;
use coilway::domain::notice::NoticeDraft;
use coilway::domain::revision::Revision;
use coilway::store::Choice;
use coilway::store::DecisionDraft;
use coilway::store::Writer;
use coilway::web::study::archive::Files;
use coilway::web::study::archive::unpack;
use coilway::web::study::check::compare;
use coilway::web::study::figures;

use crate::support::NOW_S;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;
use jiff::civil::date;

/// Where nobody else is, to more places than any trail's end is likely to share.
const FAR: (f64, f64) = (-1234.5, 777.25);

/// Tables that the complete park has no facts for: nothing was decided, and no report says how near people came.
const LACKING: [&str; 4] = ["closures", "contacts-bites", "decisions", "season-temperature"];

/// Figures of the complete park, in reading order.
const DRAWN: [&str; 26] = [
    "risk-map",
    "rates",
    "rate-pattern",
    "density-report",
    "relative-density",
    "clusters",
    "season",
    "season-weeks",
    "hours",
    "hours-of-the-rate",
    "hours-of-reports",
    "watch",
    "reactions-located",
    "first-reactions-located",
    "latency-located-passed",
    "latency-located-beside",
    "latency-located-over",
    "latency-located-underfoot",
    "walking",
    "counts",
    "counts-months-1",
    "counts-months-2",
    "counts-hours-1",
    "counts-hours-2",
    "sign-map",
    "warned-share",
];

/// Figures that it has no facts for: on surveys nobody wrote down what the snakes did. Others than reports are not mapped, and
/// contours in the plane lead to positions.
const NOT_DRAWN: [&str; 6] = [
    "density-survey",
    "density-located",
    "density-chance",
    "density-plane",
    "reactions-survey",
    "first-reactions-survey",
];

/// Name and title of the figures, and whether each is drawn.
async fn figures_of(test: &TestApp) -> Vec<(String, String, bool)> {
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    figures::all(&layers).into_iter().map(|it| (it.name, it.title, it.drawn.is_ok())).collect()
}

async fn with_a_named_observer() -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let draft = EncounterDraft {
        details: EncounterDetails {
            recorded_by: "Zenobia Quillfeather".to_owned(),
            identified_by: "Zenobia Quillfeather".to_owned(),
            occurrence_remarks: "under the third ledge".to_owned(),
            ..EncounterDetails::default()
        },
        ..report("X-1", at(FAR.0, FAR.1), date(2024, 5, 6), 9)
    };
    test.write(async |writer| {
        writer.put_encounters(&target, &rows([draft])).await.unwrap();
    })
    .await;
    test
}

async fn study(test: &TestApp) -> Files {
    unpack(&test.bytes("/study.zip").await).unwrap()
}

#[tokio::test]
async fn the_page_has_every_table_and_figure() {
    let test = TestApp::complete_park().await;
    let page = test.get("/study").await.expect(200);
    for entry in TABLES {
        page.says(entry.title);
        let is_missing = LACKING.contains(&entry.name);
        assert_eq!(page.body.contains(&format!("/study/{}.csv", entry.name)), !is_missing, "{}", entry.name);
    }
    let figures = figures_of(&test).await;
    let drawn: Vec<&str> = figures.iter().filter(|it| it.2).map(|it| it.0.as_str()).collect();
    assert_eq!(drawn, DRAWN);
    for (name, title, is_drawn) in &figures {
        page.says(title);
        assert_eq!(page.body.contains(&format!("/study/{name}.svg")), *is_drawn, "{name}");
        assert!(*is_drawn || NOT_DRAWN.contains(&name.as_str()), "{name}");
    }
    page.says("approaches of survey encounters has its reactions on record.");
    for words in
        ["coilway study --check study.zip", "Garwood", "seed 1", "95 % limit", "60 draws", "/study.zip"]
    {
        page.says(words);
    }
    test.get("/analysis").await.says("href=\"/study\"");
}

#[tokio::test]
async fn every_table_says_unit_and_meaning_of_every_column() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    for entry in TABLES {
        let table = match (entry.make)(&layers) {
            Ok(table) => table,
            Err(why) => {
                assert!(LACKING.contains(&entry.name), "{}: {why}", entry.name);
                continue;
            }
        };
        let mut names: Vec<&String> = table.columns.iter().map(|column| &column.name).collect();
        assert!(table.columns.iter().all(|column| !column.meaning.is_empty()), "{}", entry.name);
        assert!(table.rows.iter().all(|row| row.len() == names.len()), "{}", entry.name);
        let n_columns = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), n_columns, "{}: a column stands twice", entry.name);
    }
}

#[tokio::test]
async fn a_table_is_the_same_as_the_layer_on_the_map() {
    let test = TestApp::park().await;
    let csv = test.get("/study/stretches.csv").await.expect(200);
    assert_eq!(csv.header("content-type"), "text/csv; charset=utf-8");
    let mut reader = csv::Reader::from_reader(csv.body.as_bytes());
    let headers = reader.headers().unwrap().clone();
    let column = |name: &str| headers.iter().position(|header| header == name).unwrap();
    let layer = test.get("/layers/stretches.geojson").await.json();
    let features = layer["features"].as_array().unwrap();
    let mut n_rates = 0;
    let all: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(all.len(), features.len());
    for row in &all {
        let feature = features.iter().find(|it| it["properties"]["name"] == row[column("name")]).unwrap();
        let number = |name: &str| feature["properties"][name].as_f64();
        for (ours, theirs) in [
            ("rate_per_1000_km", "rate_per_1000_km"),
            ("rate_per_1000_km_lower", "rate_lower"),
            ("rate_per_1000_km_upper", "rate_upper"),
        ] {
            match number(theirs) {
                Some(value) => {
                    let written: f64 = row[column(ours)].parse().unwrap();
                    assert!((written - value).abs() <= 0.01 * value.abs() + 0.01, "{ours} {written} {value}");
                    n_rates += 1;
                }
                None => assert_eq!(&row[column(ours)], ""),
            }
        }
    }
    assert!(n_rates > 0);
}

#[tokio::test]
async fn reactions_have_counts_snakes_and_limits() {
    let test = TestApp::park().await;
    let csv = test.get("/study/reactions.csv").await.expect(200);
    csv.says("effort_kind,counted,contact,reaction,shown,approaches,snakes,unrecorded,share,exact_lower,exact_upper");
    csv.says("any strike or bite");
    csv.says("located,any,");
    test.get("/study/reaction-sub-tables.csv").await.expect(200).says("located,season,March to May,12,");
    test.get("/study/contact-tests.csv").await.expect(200).says("located,");
}

#[tokio::test]
async fn figures_stand_alone() {
    let test = TestApp::complete_park().await;
    for (name, title, _) in figures_of(&test).await.into_iter().filter(|it| it.2) {
        let svg = test.get(&format!("/study/{name}.svg")).await.expect(200);
        assert_eq!(svg.header("content-type"), "image/svg+xml");
        assert_eq!(svg.header("content-security-policy"), "default-src 'none'; style-src 'unsafe-inline'");
        for words in ["<svg xmlns", &title, "data revision", "Example Basin"] {
            svg.says(words);
        }
        for words in ["NaN", "var(", "href", "<script"] {
            svg.never_says(words);
        }
        // Without a rule of its own a line is filled black.
        let (rules, drawing) = svg.body.split_once("</style>").unwrap();
        let ends = |rest: &str| !rest.starts_with(|letter: char| letter.is_alphanumeric() || letter == '-');
        for classes in drawing.split("class=\"").skip(1) {
            for class in classes.split('"').next().unwrap().split_whitespace() {
                let rule = format!(".{class}");
                let has_rule = rules.match_indices(&rule).any(|(at, _)| ends(&rules[at + rule.len()..]));
                assert!(has_rule, "{name}: no rule for the class {class}");
            }
        }
        let mut reader = quick_xml::Reader::from_str(&svg.body);
        loop {
            match reader.read_event().unwrap_or_else(|error| panic!("{name}: {error}")) {
                quick_xml::events::Event::Eof => break,
                _ => continue,
            }
        }
    }
}

/// The lines below a figure, as one.
fn notes(svg: &str) -> String {
    let lines = svg.split("class=\"figure-note\"").skip(1);
    let lines: Vec<&str> = lines.map(|it| it.split(['>', '<']).nth(1).unwrap()).collect();
    lines.join(" ")
}

/// By the data, and not by the clock of whoever prints it, nor by what was decided since.
#[tokio::test]
async fn figures_bear_the_day_of_the_revision_that_they_rest_on() {
    const DAY_S: i64 = 86_400;
    let test = TestApp::park().await.at(NOW_S + 40 * DAY_S).await;
    let basis = test.app.store().snapshot().await.unwrap().revision();
    let dated = format!("data revision {basis} of 1 July 2024");
    let before = test.bytes("/study/risk-map.svg").await;
    let said = notes(&String::from_utf8(before.clone()).unwrap());
    for words in [dated.as_str(), "60 draws, seed 1"] {
        assert!(said.contains(words), "{said}");
    }
    let area = test.by_hand().await.area;
    let mut writer = test.app.store().write("tester", "test", NOW_S + 30 * DAY_S).await.unwrap();
    decide_and_warn(&mut writer, area).await;
    let decided = writer.commit().await.unwrap();
    assert_eq!(test.bytes("/study/risk-map.svg").await, before);
    let files = study(&test).await;
    let text = |name: &str| String::from_utf8(files[name].clone()).unwrap();
    assert!(text("methods.md").contains(&format!("How to cite: Example Basin: encounters with venomous snakes on trails. Study of data revision {basis} of 1 July 2024")));
    let said = text("manifest.json");
    for words in [format!("{dated} (basis)"), format!("revision {decided} of 31 July 2024")] {
        assert!(said.contains(&words), "{words}");
    }
    for (name, bytes) in files.iter().filter(|(name, _)| name.ends_with(".svg")) {
        let notes = notes(&String::from_utf8_lossy(bytes));
        assert!(notes.contains(&dated), "{name}: {notes}");
    }
    let printed = test.get("/study").await.expect(200);
    printed.says("of 31 July 2024");
    printed.never_says("August");
    // What changes a figure bears its own day.
    let mut writer = test.app.store().write("tester", "test", NOW_S + 31 * DAY_S).await.unwrap();
    writer.set_setting(area, "seed", "2").await.unwrap();
    let changed = writer.commit().await.unwrap();
    let svg = test.get("/study/risk-map.svg").await.expect(200);
    assert!(notes(&svg.body).contains(&format!("data revision {changed} of 1 August 2024")));
}

#[cfg(feature = "print")]
#[tokio::test]
async fn figures_are_printed() {
    let test = TestApp::park().await;
    let pdf = test.bytes("/study/risk-map.pdf").await;
    assert!(pdf.starts_with(b"%PDF-"));
    assert_eq!(test.bytes("/study/risk-map.pdf").await, pdf);
}

#[tokio::test]
async fn what_is_not_there_is_said() {
    let test = TestApp::park().await;
    for address in [
        "/study/trails.pdf",
        "/study/rates-9.svg",
        "/study/reactions-survey.svg",
        "/study/reactions.svg",
        "/study/trails",
        "/study/nothing.csv",
        "/study/season.zip",
    ] {
        test.get(address).await.expect(404).says("There is no table or figure");
    }
    let bare = TestApp::with(&Park { has_walking: false, has_encounters: false, ..Park::default() }).await;
    bare.get("/study").await.expect(200).says("Nothing says when people walked");
    bare.get("/study/trails.csv").await.expect(422).says("Nothing says when people walked");
    let files = study(&bare).await;
    let manifest: Value = serde_json::from_slice(&files["manifest.json"]).unwrap();
    assert!(manifest["left_out"]["tables/trails"].as_str().unwrap().contains("Nothing says"));
    assert!(files.contains_key("tables/settings.csv") && !files.contains_key("tables/trails.csv"));
}

#[tokio::test]
async fn the_archive_is_the_same_bytes_and_can_be_checked() {
    let (one, other) = (TestApp::complete_park().await, TestApp::complete_park().await);
    let archive = one.bytes("/study.zip").await;
    assert_eq!(archive, other.bytes("/study.zip").await);
    let files = unpack(&archive).unwrap();
    for name in [
        "manifest.json",
        "methods.md",
        "settings.json",
        "columns.csv",
        "tables/segments.csv",
        "figures/season.svg",
        "figures/relative-density.svg",
        "figures/counts-months-1.svg",
        "figures/counts-hours-2.svg",
        "tables/exposure-periods.csv",
        "tables/relative-density-outside.csv",
    ] {
        assert!(files.contains_key(name), "{name} in {:?}", files.keys());
    }
    let manifest: Value = serde_json::from_slice(&files["manifest.json"]).unwrap();
    assert_eq!((manifest["seed"].as_u64(), manifest["draws"].as_u64()), (Some(1), Some(60)));
    for (name, entry) in manifest["files"].as_object().unwrap() {
        assert_eq!(entry["blake3"], blake3::hash(&files[name]).to_hex().as_str(), "{name}");
    }
    assert_eq!(manifest["files"].as_object().unwrap().len() + 1, files.len());
    assert!(compare(&archive, &files).unwrap().is_same());
    // A decision and a notice change their own tables and nothing else.
    let area = other.by_hand().await.area;
    other.write(async |writer| decide_and_warn(writer, area).await).await;
    let changed = compare(&archive, &study(&other).await).unwrap();
    assert_eq!(changed.different, ["tables/notices.csv"]);
    assert_eq!(changed.new, ["tables/decisions.csv"]);
    assert!(changed.gone.is_empty() && !changed.is_same());
    let said = changed.to_string();
    for words in
        ["archive: data revision ", "database: data revision ", "decisions and notices alone were written"]
    {
        assert!(said.contains(words), "{said}");
    }
    assert!(!said.contains("backup"), "{said}");
    other.get("/study").await.says("since then decisions and notices alone were written");
    // Another seed draws other rates, and the check names the tables that rest on draws.
    other.write(async |writer| writer.set_setting(area, "seed", "2").await.unwrap()).await;
    let changed = compare(&archive, &study(&other).await).unwrap();
    assert!(!changed.is_same());
    let said = changed.to_string();
    let backup = format!("A backup of data revision {} makes the numbers", manifest["revision"]);
    for words in [
        backup.as_str(),
        "seed: 1 in the archive, 2 now",
        "tables/segments.csv: different",
        "tables/settings.csv: different",
        "figures/risk-map.svg: different",
    ] {
        assert!(said.contains(words), "{said}");
    }
    assert!(changed.same.contains(&"tables/references.csv".to_owned()));
}

/// What the register keeps, and no figure rests on.
async fn decide_and_warn(writer: &mut Writer, area: AreaId) {
    let decision = DecisionDraft {
        subject: "Ledge Walk 1".to_owned(),
        segment_ids: Vec::new(),
        choice: Choice::Wait,
        reason: "more surveys first".to_owned(),
        decided_by: "A. Warden".to_owned(),
        decided_at_s: 1_719_800_000,
        based_on: Revision(1),
        figure_json: "{}".to_owned(),
    };
    writer.add_decision(area, &decision).await.unwrap();
    let notice = NoticeDraft {
        trail: "Ledge Walk".to_owned(),
        wording_key: "take-care".to_owned(),
        start: date(2024, 7, 1),
        expiry: date(2024, 7, 20),
        reason: "more reports than usual".to_owned(),
        made_by: "A. Warden".to_owned(),
        based_on: Revision(1),
        settings: "default settings, 60 draws, seed 1".to_owned(),
    };
    writer.add_notice(area, &notice).await.unwrap().unwrap();
}

#[tokio::test]
async fn no_person_no_remark_and_no_position_of_an_encounter_is_in_it() {
    let test = with_a_named_observer().await;
    let files = study(&test).await;
    let position = at(FAR.0, FAR.1);
    let hidden = [
        "Zenobia".to_owned(),
        "third ledge".to_owned(),
        "X-1".to_owned(),
        format!("{:.4}", position.lon()),
        format!("{:.4}", position.lat()),
        "snake-1".to_owned(),
    ];
    for (name, bytes) in &files {
        let text = String::from_utf8_lossy(bytes);
        for word in &hidden {
            assert!(!text.contains(word.as_str()), "{name} says {word}");
        }
    }
}

#[cfg(feature = "print")]
#[tokio::test]
async fn the_fact_sheet_comes_in_both_languages() {
    let test = TestApp::park().await;
    for language in ["en", "es"] {
        let address = format!("/reactions/fact-sheet.pdf?lang={language}");
        let headers = test.headers(&address, &[]).await;
        assert_eq!(headers["content-type"], "application/pdf");
        assert!(test.bytes(&address).await.starts_with(b"%PDF-"));
    }
    test.get("/reactions/fact-sheet.pdf?lang=de").await.expect(400).says("not a language of the sheet");
    test.get("/reactions/fact-sheet.pdf?effort=report")
        .await
        .expect(422)
        .says("No approaches of report encounters");
    test.get("/reactions?effort=located").await.says("/reactions/fact-sheet.pdf?lang=es&amp;effort=located");
}
