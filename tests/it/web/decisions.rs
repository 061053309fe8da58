//! The register: what waits, what was decided on which figure, what changed since, and its files.

use std::collections::HashMap;

use coilway::derived::study::Layers;
use coilway::derived::study::Value;
use coilway::derived::study::make;

use crate::support::Answer;
use crate::support::TestApp;
use crate::support::form;

/// The park with a threshold that some of its stretches are above.
async fn park() -> TestApp {
    let test = TestApp::park().await;
    let area = test.by_hand().await.area;
    test.write(async |writer| {
        writer.set_setting(area, "exceedance-multiple", "1").await.unwrap();
        writer.set_setting(area, "call-level", "0.5").await.unwrap();
    })
    .await;
    test
}

/// The hidden fields of the first form after a word on a page.
fn fields_after(page: &Answer, word: &str) -> (String, String) {
    let rest = &page.body[page.body.find(word).unwrap()..];
    let value = |name: &str| {
        let rest = &rest[rest.find(&format!("name=\"{name}\" value=\"")).unwrap()..];
        rest.split('"').nth(3).unwrap().to_owned()
    };
    (value("segments"), value("shown"))
}

async fn decide(test: &TestApp, (segments, shown): &(String, String), rest: &[(&str, &str)]) -> Answer {
    let mut fields = vec![("segments", segments.as_str()), ("shown", shown.as_str())];
    fields.extend_from_slice(rest);
    test.post("/decisions", &form(&fields), &[]).await
}

const ACT: [(&str, &str); 4] =
    [("choice", "act"), ("reason", "signs at both ends"), ("who", "A. Warden"), ("date", "2024-07-01")];

fn n_waiting(page: &Answer) -> usize {
    let (_, rest) = page.body.split_once("Waiting for a decision (").unwrap();
    rest.split(')').next().unwrap().parse().unwrap()
}

async fn table(test: &TestApp) -> Vec<HashMap<String, String>> {
    let answer = test.get("/decisions.csv").await.expect(200);
    assert_eq!(answer.header("content-type"), "text/csv; charset=utf-8");
    let mut reader = csv::Reader::from_reader(answer.body.as_bytes());
    let headers = reader.headers().unwrap().clone();
    let row = |record: csv::StringRecord| {
        headers.iter().map(str::to_owned).zip(record.iter().map(str::to_owned)).collect()
    };
    reader.records().map(|record| row(record.unwrap())).collect()
}

#[tokio::test]
async fn a_called_stretch_waits_until_it_is_decided() {
    let test = park().await;
    let page = test.get("/decisions").await.expect(200);
    let n = n_waiting(&page);
    assert!(n > 0, "{}", page.body);
    page.says("is above 1 times that of all trails whose walking is known is above 50 %");
    page.says("are expected to be false calls");
    page.says("95 % interval");
    let answer = decide(&test, &fields_after(&page, "Waiting for"), &ACT).await.expect(303);
    let decided = answer.header("location").to_owned();
    assert_eq!(decided, "/decisions#d1");
    let page = test.get("/decisions").await.expect(200);
    assert_eq!(n_waiting(&page), n - 1);
    for words in
        ["signs at both ends", "by A. Warden on 2024-07-01", "Decided (1)", "Then", "Now", "sign-off"]
    {
        page.says(words);
    }
    page.never_says("Changed since");
    let rows = table(&test).await;
    assert_eq!(rows.len(), n);
    assert_eq!((rows[0]["choice"].as_str(), rows[0]["standing"].as_str()), ("act", "in force"));
    assert!(rows[1..].iter().all(|row| row["standing"] == "waiting"));
    let limits =
        ["rateLower", "ratePer1000km", "rateUpper"].map(|name| rows[0][name].parse::<f64>().unwrap());
    assert!(limits.is_sorted(), "{limits:?}");
}

/// A decision and a notice are kept under a revision of their own, and no figure is worked out anew for them.
#[tokio::test]
async fn deciding_moves_no_figure() {
    let test = park().await;
    let deriver = test.app.deriver();
    let facts = deriver.facts().await.unwrap();
    let before = deriver.rates(&facts).await.unwrap();
    let page = test.get("/decisions").await.expect(200);
    decide(&test, &fields_after(&page, "Waiting for"), &ACT).await.expect(303);
    let notice = [
        ("trail", "Ledge Walk"),
        ("wording", "take-care"),
        ("start", "2024-07-01"),
        ("expiry", "2024-07-20"),
        ("reason", "more reports than usual"),
        ("name", "A. Warden"),
    ];
    test.post("/notices", &form(&notice), &[]).await.expect(303);
    let facts = deriver.facts().await.unwrap();
    assert_eq!(facts.revision.0, before.revision.0 + 2);
    assert_eq!(facts.value.basis, before.revision);
    let after = deriver.rates(&facts).await.unwrap();
    assert!(std::sync::Arc::ptr_eq(&before.value, &after.value));
    assert_eq!(after.revision, facts.revision);
    // A fact does.
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "call-level", "0.6").await.unwrap()).await;
    let facts = deriver.facts().await.unwrap();
    assert_eq!(facts.value.basis, facts.revision);
    assert!(!std::sync::Arc::ptr_eq(&before.value, &deriver.rates(&facts).await.unwrap().value));
}

/// A stretch has one rate: that of the register is that of the layer and of the study, for every stretch.
#[tokio::test]
async fn decisions_layer_and_study_say_the_same_of_every_stretch() {
    let test = park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "stretches").unwrap().unwrap();
    let layer = test.get("/layers/stretches.geojson").await.expect(200).json();
    let features = layer["features"].as_array().unwrap();
    assert_eq!((features.len(), table.rows.len()), (layers.register.now.len(), layers.register.now.len()));
    let json = test.get("/decisions.json").await.expect(200).json();
    let waiting = json["waiting"].as_array().unwrap();
    let (mut n_rates, mut n_waiting) = (0, 0);
    for (unit, now) in layers.register.now.iter().enumerate() {
        let feature = features.iter().find(|feature| feature["id"] == unit).unwrap();
        let wire = waiting.iter().find(|it| it["stretch"] == now.name.as_str());
        n_waiting += usize::from(wire.is_some());
        let Some(rate) = now.rate else {
            assert!(feature["properties"]["rate_per_1000_km"].is_null(), "{}", now.name);
            continue;
        };
        for (value, name, column, field) in [
            (rate.value, "rate_per_1000_km", "rate_per_1000_km", "rate_per_1000_km"),
            (rate.lower, "rate_lower", "rate_per_1000_km_lower", "rate_lower"),
            (rate.upper, "rate_upper", "rate_per_1000_km_upper", "rate_upper"),
        ] {
            // The layer has four decimals.
            let drawn = feature["properties"][name].as_f64().unwrap();
            assert!((drawn - value).abs() < 5.1e-5, "{}: {drawn} {value}", now.name);
            let at = table.columns.iter().position(|it| it.name == column).unwrap();
            let Value::Number(listed) = table.rows[unit][at] else { panic!("{table:?}") };
            assert!((listed - value).abs() <= 1e-12 * value, "{}: {listed} {value}", now.name);
            if let Some(wire) = wire {
                let written = wire[field].as_f64().unwrap();
                assert!((written - value).abs() <= 1e-12 * value, "{}: {written} {value}", now.name);
            }
            n_rates += 1;
        }
    }
    assert!(n_rates > 0 && n_waiting == waiting.len() && n_waiting > 0);
}

#[tokio::test]
async fn the_figure_stays_as_it_was_and_what_changed_is_said() {
    let test = park().await;
    let page = test.get("/decisions").await;
    let fields = fields_after(&page, "Waiting for");
    decide(&test, &fields, &ACT).await.expect(303);
    let before = test.get("/decisions.json").await.expect(200).json()["decisions"][0].clone();
    assert_eq!(before["figure_then"], before["figures_now"][0]);
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "exceedance-multiple", "5").await.unwrap()).await;
    let after = test.get("/decisions.json").await.expect(200).json()["decisions"][0].clone();
    assert_eq!(after["figure_then"], before["figure_then"]);
    assert_eq!(after["based_on_revision"], before["based_on_revision"]);
    assert_eq!(after["figures_now"][0]["exceedance_multiple"], 5.0);
    assert_eq!(after["changed_since"][0], "no longer above the threshold");
    let page = test.get("/decisions").await;
    page.says("Changed since");
    page.says("other settings");
}

#[tokio::test]
async fn a_later_decision_supersedes_and_nothing_is_deleted() {
    let test = park().await;
    let page = test.get("/decisions").await;
    let fields = fields_after(&page, "Waiting for");
    decide(&test, &fields, &ACT).await.expect(303);
    let later =
        [("choice", "no action"), ("reason", "trail closed"), ("who", "B. Warden"), ("date", "2024-07-01")];
    decide(&test, &fields, &later).await.expect(303);
    let page = test.get("/decisions").await;
    page.says("Superseded (1)");
    page.says("superseded by <a href=\"#d2\">decision 2</a>");
    page.says("signs at both ends");
    let standings: Vec<String> = table(&test)
        .await
        .iter()
        .take(2)
        .map(|row| format!("{} {}", row["decision"], row["standing"]))
        .collect();
    assert_eq!(standings, ["2 in force", "1 superseded by 2"]);
    // A day before does not take the place of what was decided later.
    let earlier =
        [("choice", "wait"), ("reason", "told afterwards"), ("who", "C. Warden"), ("date", "2024-06-20")];
    decide(&test, &fields, &earlier).await.expect(303);
    let rows = table(&test).await;
    assert_eq!((rows[0]["decision"].as_str(), rows[0]["standing"].as_str()), ("2", "in force"));
    assert!(rows.iter().any(|row| row["decision"] == "3"
        && row["decidedOn"] == "2024-06-20"
        && row["standing"] == "superseded by 2"));
}

#[tokio::test]
async fn a_stretch_shows_its_decisions_and_takes_new_ones() {
    let test = park().await;
    let stretch = test.get("/stretch/0").await.expect(200);
    stretch.says("Nothing was decided about this stretch yet");
    decide(&test, &fields_after(&stretch, "id=\"decide\""), &ACT).await.expect(303);
    test.get("/stretch/0").await.expect(200).says("signs at both ends");
    test.get("/stretch/1").await.expect(200).never_says("signs at both ends");
    // A segment is no unit of decision.
    let layer = test.get("/layers/segments.geojson").await.json();
    test.get(layer["features"][0]["properties"]["href"].as_str().unwrap())
        .await
        .expect(200)
        .never_says("id=\"decide\"");
}

#[tokio::test]
async fn what_is_wrong_is_said_and_nothing_is_kept() {
    let test = park().await;
    let page = test.get("/decisions").await;
    let fields = fields_after(&page, "Waiting for");
    for (name, value, words) in [
        ("choice", "perhaps", "Choose one of the three"),
        ("reason", "", "Say why"),
        ("who", "", "Give your name"),
        ("date", "2024-07-02", "still to come"),
        ("date", "first of July", "Give the day as"),
    ] {
        let given: Vec<(&str, &str)> =
            ACT.iter().map(|(known, old)| (*known, if *known == name { value } else { *old })).collect();
        let page = decide(&test, &fields, &given).await.expect(422);
        page.says(words);
        if name != "reason" {
            page.says("signs at both ends");
        }
    }
    // Somebody has changed the data since the form was shown.
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "exceedance-multiple", "2").await.unwrap()).await;
    let stale = decide(&test, &fields, &ACT).await.expect(422);
    stale.says("The figure has changed since you opened the page");
    // What came back carries the figure of now.
    let fresh = fields_after(&stale, "<form");
    assert_ne!(fresh.1, fields.1);
    test.get("/decisions").await.says("Decided (0)");
    decide(&test, &fresh, &ACT).await.expect(303);
    let gone = ("00000000000000ff".to_owned(), fields.1.clone());
    decide(&test, &gone, &ACT).await.expect(422).says("divided differently");
    decide(&test, &("x".to_owned(), String::new()), &ACT).await.expect(400);
}

#[tokio::test]
async fn decisions_are_there_when_nothing_can_be_judged() {
    let test = TestApp::with(&crate::support::Park {
        has_walking: false,
        has_encounters: false,
        ..Default::default()
    })
    .await;
    let page = test.get("/decisions").await.expect(200);
    page.says("No stretch can be judged now");
    assert_eq!(n_waiting(&page), 0);
    assert!(table(&test).await.is_empty());
}

/// What the ticks of the stretches that wait send.
fn ticks(page: &Answer) -> Vec<String> {
    let parts = page.body.split("name=\"stretch\" value=\"").skip(1);
    parts.map(|rest| rest.split('"').next().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn several_stretches_are_decided_about_at_once_or_none_is() {
    let test = park().await;
    let page = test.get("/decisions").await.expect(200);
    let ticked = ticks(&page);
    assert!(ticked.len() > 1, "{}", page.body);
    let send = async |stretches: &[String], rest: &[(&str, &str)]| {
        let mut fields: Vec<(&str, &str)> =
            stretches.iter().map(|stretch| ("stretch", stretch.as_str())).collect();
        fields.extend_from_slice(rest);
        test.post("/decisions/several", &form(&fields), &[]).await
    };
    send(&[], &ACT).await.expect(400).says("0 were ticked");
    // Without a reason, and with a figure that is another by now: the form comes back with all stretches, and none is decided.
    let came_back =
        send(&ticked, &[("choice", "act"), ("who", "A. Warden"), ("date", "2024-07-01")]).await.expect(422);
    came_back.says("Say why");
    assert_eq!(ticks(&came_back), ticked);
    let mut changed = ticked.clone();
    changed[1].push('0');
    send(&changed, &ACT).await.expect(422).says("The figure has changed");
    assert_eq!(n_waiting(&test.get("/decisions").await), ticked.len());
    // The same stretch twice is one decision.
    let twice: Vec<String> = ticked.iter().chain(&ticked[..1]).cloned().collect();
    let answer = send(&twice, &ACT).await.expect(303);
    assert_eq!(answer.header("location"), "/decisions#d1");
    let page = test.get("/decisions").await.expect(200);
    assert_eq!(n_waiting(&page), 0);
    page.says(&format!("Decided ({})", ticked.len()));
    let rows = table(&test).await;
    let names: std::collections::HashSet<&str> = rows.iter().map(|row| row["subject"].as_str()).collect();
    assert_eq!(names.len(), ticked.len(), "each has its own figure");
}
