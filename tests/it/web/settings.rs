//! Settings: shown with default, reason and range; changed, refused at the field, taken back; the area's own facts.

use coilway::derived::settings::Settings;

use crate::support::TestApp;
use crate::support::form;

const WHO: (&str, &str) = ("who", "A. Warden");
const WHY: (&str, &str) = ("reason", "a local count");

async fn change(test: &TestApp, fields: &[(&str, &str)]) -> crate::support::Answer {
    test.post("/data/settings", &form(fields), &[]).await
}

async fn settings(test: &TestApp) -> Settings {
    test.app.deriver().facts().await.unwrap().settings.clone()
}

#[tokio::test]
async fn every_setting_is_listed_with_all_that_is_known_of_it() {
    let test = TestApp::park().await;
    let page = test.get("/data/settings").await.expect(200);
    for setting in Settings::default().list() {
        page.says(&format!("<code>{}</code>", setting.key));
        page.says(&maud::html! { (setting.why) }.into_string());
        page.says(&format!("{} to {}", setting.range.0, setting.range.1));
    }
    page.says("How people walk, before counters speak");
    page.says("America/Phoenix");
}

#[tokio::test]
async fn a_change_is_used_printed_and_remembered() {
    let test = TestApp::park().await;
    let fields = [
        ("call-level", "0.9"),
        ("was:call-level", "0.8"),
        ("bandwidth", "250"),
        ("was:bandwidth", "250"),
        WHO,
        WHY,
    ];
    let answer = change(&test, &fields).await.expect(303);
    assert_eq!(answer.header("location"), "/data/settings#history");
    assert_eq!(settings(&test).await.call_level, 0.9);
    let page = test.get("/data/settings").await;
    page.says("call-level from the default to 0.9");
    page.says("by A. Warden");
    page.says("a local count");
    page.says("Back to 0.8");
    page.never_says("bandwidth from");
    test.get("/trails").await.says("call level 0.9 probability");

    change(&test, &[("reset", "call-level"), WHO, WHY]).await.expect(303);
    assert_eq!(settings(&test).await.call_level, 0.8);
    let page = test.get("/data/settings").await;
    page.says("call-level from 0.9 to the default");
    page.says("call-level from the default to 0.9");
    test.get("/trails").await.never_says("call level");
}

#[tokio::test]
async fn what_is_wrong_is_said_at_the_field_and_comes_back_filled_in() {
    let test = TestApp::park().await;
    let revision = test.app.store().revision().await.unwrap();
    let refused = [
        (
            vec![("call-level", "9"), ("was:call-level", "0.8"), WHO, WHY],
            "\"9\" is not a number from 0.5 to 0.99",
        ),
        (vec![("draws", "60.5"), ("was:draws", "60"), WHO, WHY], "is not a whole number"),
        (vec![("call-level", "0.9"), ("was:call-level", "0.8"), WHY], "Give your name"),
        (vec![("call-level", "0.9"), ("was:call-level", "0.8"), WHO], "Say why"),
        (vec![("heed-low", "0.9"), ("was:heed-low", "0.2"), WHO, WHY], "must not be above the high heed"),
        // Somebody else has set the draws to 60 since this page was shown.
        (vec![("draws", "100"), ("was:draws", "200"), WHO, WHY], "changed to 60 since you opened the page"),
        (vec![WHO, WHY], "nothing was changed"),
    ];
    for (fields, words) in refused {
        let page = change(&test, &fields).await.expect(422);
        page.says(&maud::html! { (words) }.into_string());
        let (name, value) = fields[0];
        page.says(&format!("name=\"{name}\" value=\"{value}\""));
    }
    change(&test, &[("reset", "colour"), WHO, WHY]).await.expect(400);
    assert_eq!(test.app.store().revision().await.unwrap(), revision);
}

#[tokio::test]
async fn both_heed_probabilities_can_move_past_each_other_at_once() {
    let test = TestApp::park().await;
    let fields = [
        ("heed-low", "0.85"),
        ("was:heed-low", "0.2"),
        ("heed-high", "0.95"),
        ("was:heed-high", "0.8"),
        WHO,
        WHY,
    ];
    change(&test, &fields).await.expect(303);
    assert_eq!((settings(&test).await.heed_low, settings(&test).await.heed_high), (0.85, 0.95));
    change(&test, &[("reset", "heed-high"), WHO, WHY]).await.expect(422).says("must not be above");
}

#[tokio::test]
async fn priors_of_walking_are_part_of_the_exposure() {
    let test = TestApp::park().await;
    let walked = async || {
        let facts = test.app.deriver().facts().await.unwrap();
        test.app.deriver().exposure(&facts).await.unwrap()
    };
    let before = walked().await;
    let fields = [("turning-distance", "800"), ("was:turning-distance", "3500"), WHO, WHY];
    change(&test, &fields).await.expect(303);
    let after = walked().await;
    assert_eq!(after.params.mean_distance_m, 800.0);
    // Parties that turn back sooner reach the far east of the ledge less often.
    let total = |layer: &coilway::derived::exposure::ExposureLayer| layer.mean_km.iter().sum::<f64>();
    assert!(total(&after) < 0.8 * total(&before), "{} {}", total(&after), total(&before));
    assert!(after.parameters.contains("mean turning distance 800 m"), "{}", after.parameters);
}

#[tokio::test]
async fn a_bias_of_positions_moves_what_records_are_tied_to() {
    let test = TestApp::park().await;
    let off_trail = async || {
        let facts = test.app.deriver().facts().await.unwrap();
        let snaps = test.app.deriver().snaps(&facts).await.unwrap();
        snaps
            .snaps
            .iter()
            .flatten()
            .filter(|snap| matches!(snap, coilway::analysis::snap::Snap::OffTrail { .. }))
            .count()
    };
    let before = off_trail().await;
    let fields = [("position-bias-north", "90"), ("was:position-bias-north", "0"), WHO, WHY];
    change(&test, &fields).await.expect(303);
    assert!(off_trail().await > before + 20);
}

#[tokio::test]
async fn the_areas_own_facts_can_be_changed() {
    let test = TestApp::park().await;
    let send = async |fields: &[(&str, &str)]| test.post("/data/settings/area", &form(fields), &[]).await;
    let fields = [
        ("area-name", "Example Basin North"),
        ("was:area-name", "Example Basin"),
        ("area-emergency", "112"),
        ("was:area-emergency", "911"),
        ("area-keep", "3"),
        ("was:area-keep", ""),
        WHO,
        WHY,
    ];
    send(&fields).await.expect(303);
    let area = test.app.deriver().facts().await.unwrap().area.clone();
    assert_eq!((area.name.as_str(), area.emergency_number.as_str()), ("Example Basin North", "112"));
    assert_eq!(area.keep_distance.map(|distance| distance.in_metres()), Some(3.0));
    test.get("/data/settings").await.says("emergency_number from 911 to 112");
    test.get("/about").await.says("3 m");

    for (name, was, value, words) in [
        ("area-zone", "America/Phoenix", "Phoenix", "is not an IANA time zone"),
        ("area-keep", "3", "-1", "is not a number of metres"),
        ("area-emergency", "112", "", "Give the local emergency number"),
        ("area-name", "Example Basin", "Another", "changed to Example Basin North since"),
    ] {
        let was_name = format!("was:{name}");
        let page = send(&[(name, value), (&was_name, was), WHO, WHY]).await.expect(422);
        page.says(words);
        page.says(&format!("name=\"{name}\" value=\"{value}\""));
    }
}

#[tokio::test]
async fn a_reaction_of_the_area_is_taken_from_files_once_it_is_added() {
    let test = TestApp::park().await;
    let head = "effortKind,eventDate,decimalLatitude,decimalLongitude,contact,reactions";
    let row = "report,2024-05-01,37.61,-109.38,passed,Played Dead@2; withdrew";
    let import = async |file: String| {
        let parts: [(&str, Option<&str>, &[u8]); 2] =
            [("content", None, b"encounters"), ("file", Some("notes.csv"), file.as_bytes())];
        test.send_files("/data/import", &parts, &[]).await.expect(303)
    };
    let address = "/data/settings/reactions";
    let refused = test.post_fields(address, &[("term", "hissed"), ("who", "A"), ("reason", "b")]).await;
    refused.expect(422).says("has this reaction already");
    import(format!("{head}\n{row}\n")).await;
    test.get("/data/rows").await.expect(200).says("the area has no such reaction");
    let fields =
        [("term", "Played dead"), ("strike", "no"), ("who", "A. Warden"), ("reason", "a colubrid does")];
    test.post_fields(address, &fields).await.expect(303);
    let page = test.get("/data/settings").await.expect(200);
    page.says("Of this area’s own: played dead");
    test.get("/history?kind=reaction").await.expect(200).says("a colubrid does");
    import(format!("{head}\n{row}\n\n")).await;
    test.get("/reactions?effort=report").await.expect(200).says("played dead");
}

/// The field lies far down the page: what is wrong with it is said at the top, with a way there.
#[tokio::test]
async fn what_is_wrong_is_said_at_the_top_with_a_link_to_the_field() {
    let test = TestApp::park().await;
    test.get("/data/settings").await.expect(200).never_says("role=\"alert\"");
    let fields = [("call-level", "9"), ("was:call-level", "0.8"), WHO, ("reason", "")];
    let page = change(&test, &fields).await.expect(422);
    let (top, rest) = page.body.split_once("<h2>The area</h2>").unwrap();
    assert!(top.contains("role=\"alert\"") && top.contains("Nothing was kept."), "{top}");
    for field in ["call-level", "reason"] {
        assert!(top.contains(&format!("<a href=\"#wrong-{field}\">")), "{field}");
        assert_eq!(rest.matches(&format!("id=\"wrong-{field}\"")).count(), 1, "{field}");
    }
    assert!(top.contains("Call level: "), "the setting is named: {top}");
    let area = [("area-zone", "Mars/North"), ("was:area-zone", "America/Phoenix"), WHO, WHY];
    let page = test.post("/data/settings/area", &form(&area), &[]).await.expect(422);
    page.says("<a href=\"#wrong-area-zone\">");
}
