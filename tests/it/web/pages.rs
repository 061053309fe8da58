//! Pages: readable without scripts, intervals beside every rate, filters, hostile names, and what an empty database says.

use axum::http::StatusCode;
use serde_json::Value;

use coilway::domain::batch::Content;
use coilway::domain::batch::RowError;
use coilway::domain::ids::EncounterId;
use coilway::store::BatchDraft;
use coilway::store::FileDraft;
use coilway::store::FileFormat;
use coilway::web::views::charts::format_rate;

use crate::support::LEDGE;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::put_area;

const PAGES: &[&str] = &[
    "/",
    "/?month=5",
    "/?month=5&part=early&stretch=0",
    "/?stretch=0",
    "/trails",
    "/stretch/0",
    "/encounters",
    "/encounters?effort=located&month=5",
    "/encounters/1",
    "/decisions",
    "/analysis",
    "/clusters",
    "/rates",
    "/exposure",
    "/exposure?trail=0",
    "/season",
    "/density",
    "/density?show=trails&rule=discontinuous&kernel=gaussian",
    "/density?show=plane&bandwidth=likelihood",
    "/density?effort=located",
    "/observers",
    "/effect",
    "/reactions",
    "/reactions?effort=located&count=any",
    "/reactions/latency",
    "/reactions/latency?effort=located&until=reaction",
    "/reactions/parts",
    "/route",
    "/route?from=0&km=1.2&parties=50",
    "/watch",
    "/study",
    "/signs",
    "/walks",
    "/signs?signs=2&reach=600&spacing=200",
    "/about",
    "/data",
    "/data/rows",
    "/data/settings",
    "/data/ambiguous",
    "/history",
    "/history/encounter/1",
    "/history/trail/1",
    "/data/ambiguous?show=by-hand",
];

#[tokio::test]
async fn every_page_can_be_read_without_scripts() {
    let test = TestApp::park().await;
    for address in PAGES.iter().copied() {
        let page = test.get(address).await.expect(200);
        assert!(page.header("content-type").starts_with("text/html"), "{address}");
        page.says("<main");
        page.says("Local emergency services, local codes and licensed practitioners come first");
        page.says("Example Basin");
        for word in ["NaN", ">inf", "inf<", " inf ", "-inf", "&lt;svg"] {
            page.never_says(word);
        }
        // The content policy would stop both.
        page.never_says(" style=");
        page.never_says("javascript:");
        assert_eq!(
            page.body.matches("<script").count(),
            page.body.matches("<script type=\"module\" src=").count()
        );
        for outside in ["src=\"http", "href=\"http", "@import", "url(http"] {
            page.never_says(outside);
        }
    }
}

#[tokio::test]
async fn figures_stand_with_intervals_counts_revision_and_parameters() {
    let test = TestApp::park().await;
    let revision = test.app.store().revision().await.unwrap();
    for address in ["/?stretch=0", "/trails", "/stretch/0", "/season", "/signs"] {
        let page = test.get(address).await.expect(200);
        page.says("95 %");
        page.says(&format!("Data revision {revision}"));
        page.says("60 draws, seed 1");
        page.says("reports");
    }
    // Of what day the data are stands on every sheet that is printed.
    for address in ["/", "/signs", "/signs/sheets"] {
        let page = test.get(address).await.expect(200);
        page.says(&format!("data revision {revision} of 1 July 2024"));
    }
    // Counts beside the rate of a month are of all months.
    let month = test.get("/?stretch=0&month=5").await.expect(200);
    let of_all = "), in all months and hours";
    assert!(month.body.matches(of_all).count() > 1, "{}", month.body);
    test.get("/?stretch=0").await.never_says(of_all);
    let map = test.get("/?stretch=0").await;
    for words in [
        "per 1,000 km walked",
        "95 % interval",
        "km walked (",
        "narrow",
        "wide",
        "too wide",
        "not a safe trail",
    ] {
        map.says(words);
    }
}

#[tokio::test]
async fn the_map_says_the_same_as_its_layer() {
    let test = TestApp::park().await;
    for period in ["", "month=6", "part=early"] {
        let layer = test.get(&format!("/layers/stretches.geojson?{period}")).await.json();
        let mut named = 0;
        for feature in layer["features"].as_array().unwrap() {
            let page = test.get(&format!("/?{period}&stretch={}", feature["id"])).await.expect(200);
            let number = |name: &str| feature["properties"][name].as_f64();
            page.says(feature["properties"]["name"].as_str().unwrap());
            if let (Some(rate), Some(lower), Some(upper)) =
                (number("rate_per_1000_km"), number("rate_lower"), number("rate_upper"))
            {
                // The layer rounds to four places, which may fall on either side of what pages round to.
                let says = |off: f64| {
                    let figure = format!("<span class=\"figure\">{}</span>", format_rate(rate + off));
                    page.body.contains(&figure)
                };
                assert!([0.0, 1e-4, -1e-4].into_iter().any(says), "{rate}");
                let around = |value: f64| [value, value + 1e-4, value - 1e-4].map(format_rate);
                let limits = around(lower)
                    .into_iter()
                    .flat_map(|low| around(upper).map(|high| format!("95 % interval {low} to {high}")));
                assert!(limits.into_iter().any(|words| page.body.contains(&words)), "{lower} {upper}");
                named += 1;
            }
            let href = feature["properties"]["href"].as_str().unwrap();
            test.get(href).await.expect(200).says("Why this figure");
        }
        assert!(named > 0);
    }
}

#[tokio::test]
async fn a_period_says_which_figures_are_not_its_own() {
    let test = TestApp::park().await;
    test.get("/?month=5&stretch=0").await.says("are those of all months and hours");
    test.get("/?stretch=0").await.never_says("are those of all months and hours");
    let nobody = test.get("/?month=1").await;
    assert_eq!(nobody.status, StatusCode::UNPROCESSABLE_ENTITY);
    nobody.says("Nobody walks here in that month");
}

#[tokio::test]
async fn a_stretch_says_why() {
    let test = TestApp::park().await;
    let layer = test.get("/layers/stretches.geojson").await.json();
    let encounters =
        |feature: &&Value| (feature["properties"]["encounters"].as_f64().unwrap() * 100.0) as i64;
    let busiest = layer["features"].as_array().unwrap().iter().max_by_key(encounters).unwrap();
    let page = test.get(&format!("/stretch/{}", busiest["id"])).await.expect(200);
    for words in [
        "Why this figure",
        "Drawn towards",
        "of the weight",
        "exact 95 % limits",
        "On surveys",
        "Not in any rate",
        "walkers from West Gate: fitted",
        "walkers from South Gate: not identified alone: the stated prior, updated by the counts",
        "Counter C1: ",
        "from 3 sessions in which a person counted beside it",
        "0 missing, 0 in outages",
        "Probability that it was here",
        "bins used there",
    ] {
        page.says(words);
    }
    // The page of all walking has the same figure for the same parameter.
    let walking = test.get("/exposure").await.expect(200);
    let row = walking.body.split("<th scope=\"row\">walkers from West Gate</th>").nth(1).unwrap();
    let mean = row.split("data-label=\"Mean\">").nth(1).unwrap().split('<').next().unwrap();
    page.says(&format!("walkers from West Gate: fitted, mean {mean} ("));
}

#[tokio::test]
async fn a_segment_is_found_by_its_lasting_number() {
    let test = TestApp::park().await;
    let layer = test.get("/layers/segments.geojson").await.json();
    let segment = &layer["features"][0];
    let href = segment["properties"]["href"].as_str().unwrap();
    let digits = href.strip_prefix("/segment/").unwrap();
    assert!(digits.len() == 16 && digits.chars().all(|digit| digit.is_ascii_hexdigit()), "{href}");
    let page = test.get(href).await.expect(200);
    page.says(segment["properties"]["name"].as_str().unwrap());
    page.says("part of <a href=\"/stretch/");
    // The number rests on the geometry: it stays when facts elsewhere change.
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "exceedance-multiple", "2").await.unwrap()).await;
    test.get(href).await.expect(200).says("above 2 times");
}

#[tokio::test]
async fn trails_and_places_have_their_counts() {
    let test = TestApp::park().await;
    let page = test.get("/trails").await.expect(200);
    for words in [LEDGE, "Swale Path", "Gate car park", "Cottonwood camp", "counted", "assumed from priors"] {
        page.says(words);
    }
    let row = &page.body[page.body.find("Gate car park").unwrap()..];
    let row = &row[..row.find("</tr>").unwrap()];
    assert!(row.contains("data-label=\"Reports\">4<"), "{row}");
    assert!(row.contains("Reports per 1,000 visits"), "{row}");
    // 12 visits a day on 91 days, and no report.
    let camp = &page.body[page.body.find("Cottonwood camp").unwrap()..];
    assert!(camp[..camp.find("</tr>").unwrap()].contains("1,092"), "{camp}");
}

#[tokio::test]
async fn encounters_can_be_paged_through() {
    let test = TestApp::park().await;
    let mut next = Some("/encounters?effort=report".to_owned());
    let mut found = Vec::new();
    let mut n_pages = 0;
    while let Some(address) = next {
        let page = test.get(&address).await.expect(200);
        let links = page.body.split("href=\"").skip(1).map(|rest| rest.split('"').next().unwrap());
        found.extend(
            links.clone().filter(|link| link.strip_prefix("/encounters/").is_some()).map(str::to_owned),
        );
        let before = page.body.split("Next page").next().unwrap();
        next = page.body.contains("Next page").then(|| {
            let link = before.rsplit("href=\"").next().unwrap().split('"').next().unwrap();
            link.replace("&amp;", "&")
        });
        n_pages += 1;
    }
    let n_reports = found.len();
    found.sort();
    found.dedup();
    assert_eq!((found.len(), n_pages), (n_reports, 2));
    let layer = test.get("/layers/encounters.geojson?effort=report").await.json();
    assert_eq!(layer["numberMatched"], n_reports);
}

#[tokio::test]
async fn a_wrong_filter_comes_back_with_the_message_at_its_field() {
    let test = TestApp::park().await;
    let check = async |query: &str, words: &str, given: &str| {
        let page = test.get(&format!("/encounters?{query}")).await.expect(400);
        page.says(&format!("<span class=\"field-error\">{words}"));
        page.says(given);
        page.says("aria-invalid=\"true\"");
    };
    check("from_year=last", "&quot;last&quot; is not a year", "value=\"last\"").await;
    check("from_year=2024&until_year=2020", "2020 is before 2024", "value=\"2020\"").await;
    check("batch=x", "&quot;x&quot; is not the number of a batch", "value=\"x\"").await;
    check("month=13", "&quot;13&quot; is not a month", "value=\"13\" selected").await;
    check("part=noon", "&quot;noon&quot; is not a part", "value=\"noon\" selected").await;
    check("effort=all", "&quot;all&quot; is not one of", "value=\"all\" selected").await;
    check("status=maybe", "&quot;maybe&quot; is not one of", "value=\"maybe\" selected").await;
}

#[tokio::test]
async fn an_encounter_is_shown_whole_but_for_health() {
    let test = TestApp::park().await;
    let layer = test.get("/layers/encounters.geojson?limit=1000").await.json();
    let find = |id: &str| -> String {
        let all = layer["features"].as_array().unwrap();
        let found = all.iter().find(|feature| feature["properties"]["occurrenceID"] == id).unwrap();
        found["properties"]["href"].as_str().unwrap().to_owned()
    };
    let trial = test.get(&find("T-3")).await.expect(200);
    for words in ["artificial foot", "Do not test this", "protocol P1", "located: never in a rate", "snake-3"]
    {
        trial.says(words);
    }
    let bite = test.get(&find("O-hurt")).await.expect(200);
    bite.says("Reported: bite reported.");
    bite.says("In an emergency call");
    trial.never_says("What it did to people");
    test.get(&find("O-nowhere")).await.says("no position");
    test.get(&find("G-0")).await.says("Gate car park");
    let changed = EncounterId(find("O-hurt").rsplit('/').next().unwrap().parse().unwrap());
    let mut draft =
        test.app.store().snapshot().await.unwrap().encounter(changed).await.unwrap().unwrap().given;
    draft.outcome = None;
    draft.scientific_name = "Crotalus cerberus".to_owned();
    test.write(async |writer| writer.change_encounter(changed, &draft).await.unwrap()).await;
    let history = test.get(&find("O-hurt")).await.expect(200);
    history.says("Crotalus cerberus");
    history.says("outcome from &quot;bite reported&quot; to &quot;&quot;");
    history.never_says("What it did to people");
}

#[tokio::test]
async fn reactions_are_never_pooled_over_effort_kinds() {
    let test = TestApp::park().await;
    let located = test.get("/reactions?effort=located").await.expect(200);
    located.says("12 approaches of located encounters, 4 recognised snakes");
    located.says("Do not test this.");
    located.says("Exact 95 % limits");
    let any = test.get("/reactions?effort=located&count=any").await.expect(200);
    any.says("any strike or bite");
    test.get("/reactions?effort=report").await.expect(200).says("No approaches of this effort kind");
}

#[tokio::test]
async fn a_plan_is_asked_for_and_corrected_in_place() {
    let test = TestApp::park().await;
    let page = test.get("/signs?signs=2&reach=600&spacing=200").await.expect(200);
    for words in [
        "value=\"2\"",
        "value=\"600\"",
        "value=\"200\"",
        "Warned is not prevented",
        "read by walkers heading",
    ] {
        page.says(words);
    }
    let wrong = test.get("/signs?signs=six&reach=600").await.expect(400);
    wrong.says("value=\"six\"");
    wrong.says("value=\"600\"");
    wrong.says("<span class=\"field-error\">give a whole number from 1 to 100");
}

#[tokio::test]
async fn hostile_names_stay_words() {
    let name = "<script>alert('x')</script>\" onload=\"&";
    let test = TestApp::with(&Park { ledge_name: name.to_owned(), ..Park::default() }).await;
    for address in PAGES.iter().copied() {
        let page = test.get(address).await.expect(200);
        page.never_says("<script>alert");
        page.never_says("\" onload=");
    }
    test.get("/trails").await.says("&lt;script&gt;alert");
    let layer = test.get("/layers/trails.geojson").await.expect(200);
    layer.features();
    assert_eq!(layer.json()["features"][0]["properties"]["name"], name);
    let search = test.get("/encounters?species=%3Cscript%3Ealert(1)%3C/script%3E").await.expect(200);
    search.never_says("<script>alert(1)");
}

#[tokio::test]
async fn an_empty_database_says_what_comes_first() {
    let test = TestApp::empty().await;
    test.get("/").await.expect(200).says("Bring in the trails first");
    test.get("/about").await.expect(200).says("Local emergency services");
    for address in
        ["/trails", "/season", "/signs", "/reactions", "/encounters", "/data", "/data/rows", "/stretch/0"]
    {
        test.get(address).await.expect(422).says("There is no area yet");
    }
    let layer = test.get("/layers/stretches.geojson").await.expect(422);
    assert_eq!(layer.header("content-type"), "application/problem+json");
}

#[tokio::test]
async fn an_area_without_trails_says_so() {
    let test = TestApp::empty().await;
    test.write(async |writer| assert!(put_area(writer, "Bare Ridge").await.0 > 0)).await;
    let map = test.get("/").await.expect(200);
    map.says("Bring in the trails first");
    map.says("Bare Ridge");
    for address in ["/trails", "/season", "/stretch/0"] {
        test.get(address).await.expect(422).says("There are no trails yet");
    }
    test.get("/signs").await.expect(200).says("There are no trails yet");
    for address in ["/data", "/encounters", "/reactions", "/data/rows", "/about"] {
        test.get(address).await.expect(200);
    }
}

#[tokio::test]
async fn trails_without_walking_say_what_is_missing() {
    let test = TestApp::with(&Park { has_walking: false, has_encounters: false, ..Park::default() }).await;
    let map = test.get("/").await.expect(200);
    map.says("Nothing to show yet");
    map.says("Nothing says when people walked");
    test.get("/trails").await.expect(422).says("Nothing says when people walked");
}

#[tokio::test]
async fn no_encounters_are_no_rate_of_zero() {
    let test = TestApp::with(&Park { has_encounters: false, ..Park::default() }).await;
    let layer = test.get("/layers/segments.geojson").await.expect(200).json();
    let uppers = layer["features"].as_array().unwrap().iter().map(|it| &it["properties"]["rate_upper"]);
    for upper in uppers {
        assert!(
            upper.as_f64().is_some_and(|upper| upper > 0.0),
            "nothing seen is not nothing there: {upper}"
        );
    }
    test.get("/season").await.expect(200).says("No season can be estimated");
    test.get("/").await.expect(200);
}

#[tokio::test]
async fn batches_and_rows_that_wait_are_listed() {
    let test = TestApp::park().await;
    let area = test.by_hand().await.area;
    let file = |idx: usize, name: &str| FileDraft {
        name: name.to_owned(),
        format: FileFormat::Csv,
        encoding: "utf-8".to_owned(),
        n_bytes: 10,
        blake3: format!("{idx:064x}"),
        mapping: vec![("Lat".to_owned(), "decimalLatitude".to_owned())],
    };
    let error = RowError {
        row_number: 9,
        field: "decimalLatitude".to_owned(),
        value: "<95>".to_owned(),
        reason: "latitude 95 is outside -90 to 90 degrees".to_owned(),
        hint: "check the sign and the order".to_owned(),
        raw: vec![("Lat".to_owned(), "<95>".to_owned())],
    };
    test.write(async |writer| {
        for (idx, name) in ["first.csv", "second.csv"].into_iter().enumerate() {
            let batch = writer.begin_batch(&BatchDraft { area, content: Content::Encounters }).await.unwrap();
            let file = writer.add_file(batch, &file(idx, name)).await.unwrap();
            writer.add_row_errors(file, std::slice::from_ref(&error)).await.unwrap();
        }
    })
    .await;
    let data = test.get("/data").await.expect(200);
    let (first, second) = (data.body.find("first.csv").unwrap(), data.body.find("second.csv").unwrap());
    assert!(second < first, "newest first");
    data.says("2 rows wait to be mended");
    for address in ["/data/rows", "/data/batches/1"] {
        let page = test.get(address).await.expect(200);
        for words in
            ["first.csv, row 9", "decimalLatitude", "&lt;95&gt;", "outside -90 to 90", "check the sign"]
        {
            page.says(words);
        }
    }
}

#[tokio::test]
async fn the_same_facts_give_the_same_answers() {
    let (one, other) = (TestApp::park().await, TestApp::park().await);
    for address in [
        "/layers/stretches.geojson",
        "/layers/signs.geojson",
        "/layers/notices.geojson",
        "/layers/density.geojson",
    ] {
        let (one, other): (Value, Value) = (one.get(address).await.json(), other.get(address).await.json());
        assert_eq!(one["features"], other["features"], "{address}");
    }
}
