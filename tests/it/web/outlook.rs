//! What to expect on a walk, this season against expectation, and temporary notices.

use axum::http::StatusCode;
use jiff::civil::Date;
use jiff::civil::date;

use coilway::domain::exposure::ReadingDraft;
use coilway::domain::place::SensitivePlace;
use coilway::domain::units::Length;

use crate::support::Answer;
use crate::support::LEDGE;
use crate::support::NOW_S;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

/// Words that would promise something.
const PROMISES: [&str; 5] = ["harmless", "risk-free", "no danger", "is safe", "are safe"];

#[tokio::test]
async fn a_walk_has_its_figures_bounds_and_cautions() {
    let test = TestApp::park().await;
    let bare = test.get("/route").await.expect(200);
    bare.says("From a start to an end");
    bare.says("West Gate");
    bare.says("junction of Ledge Walk and Swale Path");
    // The list of stops stands in the page once, however many fields choose from it.
    for name in ["West Gate", "junction of Ledge Walk and Swale Path"] {
        assert_eq!(bare.body.matches(&format!("<option value=\"{name}\">")).count(), 1, "{name}");
    }
    assert_eq!(bare.body.matches("list=\"stops\"").count(), 4);
    let (gate, end) = ("West%20Gate", "junction%20of%20Ledge%20Walk%20and%20swale%20path");
    let one_way = test.get(&format!("/route?from={gate}&to={end}&month=5&part=early")).await.expect(200);
    for words in [
        "West Gate to junction of Ledge Walk and Swale Path",
        "1.5 km walked",
        "parties report a snake on this walk",
        "more snakes are met than are reported",
        "What share is reported is not known: no survey walk lies on the trails",
        "95 % interval",
        "A low figure does not make a trail safe",
        "call 911 at once",
        "The same question for each trail",
        "Swale Path",
        "For staff: contacts underfoot and bites",
    ] {
        one_way.says(words);
    }
    // The whole area: as many parties as on an average day, or as many as were asked for.
    for words in [
        "The whole area",
        "parties report a snake on the average of all walks",
        "as many as on an average day then",
        "parties of the period",
        "in 95 of 100 such months",
    ] {
        one_way.says(words);
    }
    bare.says("in 95 of 100 years");
    bare.says("Nothing was counted in 9 of the months");
    let back = test.get(&format!("/route?from={gate}&to={end}&back=1&parties=300")).await.expect(200);
    assert_eq!(back.body.matches("Of 300 parties together").count(), 2);
    back.never_says("as many as on an average day then");
    back.says("3.0 km walked");
    back.says("whether the same snake is met again on the way back");
    back.says("Of 300 parties together");
    let far = test.get(&format!("/route?from={gate}&km=1.2&trail=0")).await.expect(200);
    far.says("2.4 km walked");
    far.says("value=\"West Gate\"");
    // The map's links name points by number, and most of those have no name of their own.
    let number = |page: &Answer| -> usize {
        let ends = page.body.split("&amp;to=").skip(1);
        ends.filter_map(|after| after.split(['"', '&', '#']).next()?.parse().ok()).last().unwrap()
    };
    let picked = test.get(&format!("/route?from={gate}&to={}", number(&one_way))).await.expect(200);
    picked.says("picked on the map: ");
    picked.says(", km ");
    picked.says("km walked");
    // What stands behind each trail's figures stands beside them.
    for words in
        ["Reports expected, a party", "km walked by parties", "km that parties walked on these stretches"]
    {
        one_way.says(words);
    }
    // Before a start is chosen they choose one.
    assert!(!bare.body.contains("/route?to=") && bare.body.contains("/route?from="));
    for page in [bare, one_way, back, far] {
        PROMISES.iter().for_each(|word| page.never_says(word));
    }
}

/// The addresses of the question that a page's map links to.
fn map_links(page: &Answer) -> Vec<String> {
    let found = page.body.match_indices("href=\"/route?").map(|(at, _)| {
        let address = page.body[at + 6..].split('"').next().unwrap();
        address.replace("&amp;", "&")
    });
    found.filter(|address| address.ends_with("#map")).collect()
}

#[tokio::test]
async fn a_click_on_the_map_changes_one_answer_and_keeps_the_others() {
    let test = TestApp::park().await;
    let far = test.get("/route?from=West+Gate&km=1.2&month=5&part=early&parties=20").await.expect(200);
    far.says("Pick a square and the walk begins at that trailhead or place");
    let links = map_links(&far);
    let kept = |link: &&String| {
        ["km=1.2", "month=5", "part=early", "parties=20"].iter().all(|pair| link.contains(pair))
    };
    assert!(!links.is_empty() && links.iter().all(|link| kept(&link) && !link.contains("to=")), "{links:?}");
    // Stretches choose the trail, the mark of the trailhead the start.
    assert!(links.iter().any(|link| link.contains("from=West%20Gate") && link.contains("trail=1")));
    let along = test.get("/route?from=West+Gate&km=1.2&trail=1").await.expect(200);
    assert!(
        map_links(&along).iter().any(|link| link.contains("from=West%20Gate") && link.contains("trail=1"))
    );
    for link in map_links(&along) {
        test.get(link.trim_end_matches("#map")).await.expect(200);
    }
    // The mark is reached by keyboard and named.
    assert!(along.body.contains("aria-label=\"Start from West Gate\""));
    let mark = along.body.split("aria-label=\"Start from West Gate\"").next().unwrap();
    assert!(!mark.rsplit("<a ").next().unwrap().contains("tabindex"));
    // From a start to an end, stretches choose the end and marks another start.
    let end = test.get("/route?from=12&back=1").await.expect(200);
    end.says("Pick a stretch of trail and the walk ends there");
    let links = map_links(&end);
    assert!(links.iter().all(|link| link.contains("back=1") && !link.contains("trail=")));
    assert!(links.iter().any(|link| link.contains("from=12&to=")));
    assert!(links.iter().any(|link| link.contains("from=West%20Gate") && !link.contains("to=")));
}

/// In the park hardly anybody walks after five in the afternoon: the product of the two curves would have a figure there.
#[tokio::test]
async fn where_hardly_anybody_walks_there_is_a_limit_and_no_figure() {
    let test = TestApp::park().await;
    let words = "Too little walking is known in this month and part of the day to say";
    let page = test.get("/route?from=0&km=5&month=5&part=evening").await.expect(200);
    page.says(words);
    page.says("exact upper 95 % limit");
    page.says("That is a limit, no estimate");
    page.never_says("parties report a snake on this walk");
    page.never_says("Snakes stepped on");
    let map = test.get("/?month=5&part=evening&stretch=0").await.expect(200);
    map.says(words);
    map.says("So no stretch has a figure for it");
    map.says("too little known");
    map.never_says("span class=\"figure\">0");
    let layer = test.get("/layers/stretches.geojson?month=5&part=evening").await.expect(200);
    layer.says(words);
    layer.never_says("\"interval_width\":\"narrow\"");
    let layer: serde_json::Value = serde_json::from_str(&layer.body).unwrap();
    for stretch in layer["features"].as_array().unwrap() {
        for figure in ["rate_per_1000_km", "rate_lower", "rate_upper", "rate_class", "exceedance"] {
            assert!(stretch["properties"][figure].is_null(), "{figure} of {stretch}");
        }
    }
    for address in ["/route?from=0&km=5&month=5", "/?month=5", "/", "/layers/stretches.geojson?month=5"] {
        test.get(address).await.expect(200).never_says(words);
    }
}

#[tokio::test]
async fn a_walk_on_assumed_walking_says_so() {
    let test = TestApp::park().await;
    let page = test.get("/route?from=0&km=5").await.expect(200);
    page.says("rest on assumed walking: no counter tells");
}

#[tokio::test]
async fn a_wrong_question_comes_back_with_the_message_at_its_field() {
    let test = TestApp::park().await;
    let check = async |query: &str, words: &str| {
        let page = test.get(&format!("/route?{query}")).await.expect(400);
        page.says(&format!("<span class=\"field-error\">{words}"));
    };
    check("from=0&km=far", "give kilometres from 0.1 to 100").await;
    check("from=0&km=2&trail=9", "there is no such trail").await;
    check("from=x&to=1", "there is no such point").await;
    check("to=1", "choose where the walk begins").await;
    check("km=2", "choose where the walk begins").await;
    check("parties=none", "give a whole number of parties").await;
    test.get("/route?from=0&to=0").await.expect(200).says("there is nothing to walk");
    assert_eq!(test.get("/route?colour=red").await.status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn without_an_earlier_year_there_is_no_expectation() {
    let test = TestApp::park().await;
    test.get("/watch").await.expect(200).says("There is no earlier year to compare this season with");
}

/// The park with a year before it that has a third of the reports.
async fn two_years() -> TestApp {
    let test = TestApp::with(&Park::default()).await;
    let target = test.by_hand().await;
    // 2023-04-01T07:00:00Z is midnight in Phoenix.
    let start_s = 1_680_332_400;
    let reading = |hour: i64| ReadingDraft {
        counter: "C1".to_owned(),
        start_s: start_s + hour * 3600,
        length_s: 3600,
        count_in: if (6..18).contains(&(hour % 24)) { 8 + u32::from(hour % 5 == 0) } else { 0 },
        count_out: None,
    };
    let day = |idx: i64| -> Date { date(2023, 4, 2).checked_add(jiff::Span::new().days(idx * 4)).unwrap() };
    let earlier = (0..20).map(|idx: i64| {
        let east_m = -1300.0 + 45.0 * idx as f64;
        report(&format!("E-{idx}"), at(east_m, 20.0), day(idx), 7 + (idx as u16 * 5) % 10)
    });
    let earlier = rows(earlier);
    test.write(async |writer| {
        writer.put_readings(&target, &rows((0..91 * 24).map(reading))).await.unwrap();
        let tally = writer.put_encounters(&target, &earlier).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
    test
}

#[tokio::test]
async fn a_season_is_watched_with_its_false_alarms_stated() {
    let test = two_years().await;
    let page = test.get("/watch?unit=trail").await.expect(200);
    for words in [
        "If nothing has changed, about",
        "over all 2 trails and the area together",
        "would give many false alarms",
        "however often you look",
        "expectation rests on 20 reports of 2023",
        "Weeks in which nobody walked have none",
        "Week from",
        "stand",
    ] {
        page.says(words);
    }
    PROMISES.iter().for_each(|word| page.never_says(word));
    // The weeks of any stretch or trail can be opened, whether or not anything stands out there.
    page.says("<option value=\"Ledge Walk\">");
    page.never_says("Ledge Walk, week by week");
    let trail = test.get("/watch?unit=trail&of=ledge+walk").await.expect(200);
    trail.says("<h2>Ledge Walk, week by week</h2>");
    trail.says("The whole area, week by week");
    trail.says("A single week with a small probability is no finding");
    let by_stretch = test.get("/watch").await.expect(200);
    let list =
        by_stretch.body.split("<datalist id=\"units\">").nth(1).unwrap().split("</datalist>").next().unwrap();
    let stretches: Vec<&str> =
        list.split("<option value=\"").skip(1).map(|after| after.split('"').next().unwrap()).collect();
    assert!(stretches.len() > 2, "{stretches:?}");
    let csv = test.get("/study/watch-weeks-stretches.csv").await.expect(200);
    let mut reader = csv::Reader::from_reader(csv.body.as_bytes());
    let table: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    for name in &stretches {
        let open = test.get(&format!("/watch?of={}", name.replace(' ', "+"))).await.expect(200);
        open.says(&format!("<h2>{name}, week by week</h2>"));
        // As many weeks as the table has, and as many reports in them.
        let weeks: Vec<u32> =
            table.iter().filter(|row| &row[0] == *name).map(|row| row[3].parse().unwrap()).collect();
        let shown = open.body.split("week by week</h2>").nth(1).unwrap();
        let shown: Vec<u32> = shown
            .split("data-label=\"Observed\">")
            .skip(1)
            .map(|after| after.split('<').next().unwrap().parse().unwrap())
            .collect();
        assert!(!weeks.is_empty() && weeks == shown, "{name}: {weeks:?} {shown:?}");
    }
    let all: u32 =
        table.iter().filter(|row| &row[0] == "all stretches").map(|row| row[3].parse::<u32>().unwrap()).sum();
    let of_stretches: u32 =
        table.iter().filter(|row| &row[0] != "all stretches").map(|row| row[3].parse::<u32>().unwrap()).sum();
    assert!(all > 0 && all == of_stretches, "{all} {of_stretches}");
    let wrong = test.get("/watch?of=Nowhere").await.expect(400);
    wrong.says("there is no stretch of that name");
    let early = test.get("/watch?until=2024-04-20").await.expect(200);
    early.says("What stands out up to 20 April 2024");
    assert_eq!(test.get("/watch?until=soon").await.status, StatusCode::BAD_REQUEST);
    assert_eq!(test.get("/watch?unit=den").await.status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_notice_is_made_printed_and_withdrawn() {
    let test = TestApp::park().await;
    let form = "trail=Ledge+Walk&wording=take-care&start=2024-07-01&expiry=2024-07-31&reason=eight+met&name=R.+Example";
    let made = test.submit("/notices", form).await;
    assert_eq!(made.status, StatusCode::SEE_OTHER);
    let address = made.header("location").to_owned();
    let notice = test.get(&address).await.expect(200);
    for words in [
        "Venomous snakes live along Ledge Walk",
        "This notice stands from 1 July 2024 to 31 July 2024",
        "lang=\"es\"",
        "Este aviso está vigente desde el 1 de julio de 2024 hasta el 31 de julio de 2024",
        "911",
        "emergency services",
    ] {
        notice.says(words);
    }
    // What hangs in the park names no settings; the side for staff does.
    let (sheets, staff) = notice.body.split_once("For staff: keep this side").expect("a side for staff");
    let rests_on = "data revision 1; draws 60, 60 draws, seed 1";
    assert!(staff.contains(&format!("What was found rests on {rests_on}")), "{staff}");
    assert!(staff.contains("Ledge Walk, 1 July 2024 to 31 July 2024"), "{staff}");
    let hung = sheets.split("notice-sheet").skip(1).collect::<String>();
    assert!(hung.contains("data revision") && !hung.contains("draws") && !hung.contains("seed"), "{hung}");
    // The reason is for staff, and nothing on the sheet narrows the trail down.
    for words in ["eight met", "R. Example", "part 1", "segment", "Its first day", "Expired"] {
        notice.never_says(words);
    }
    let list = test.get("/watch").await.expect(200);
    list.says("eight met");
    list.says("active");
    list.says(rests_on);
    assert_eq!(test.submit(&format!("{address}/withdraw"), "name=").await.status, StatusCode::BAD_REQUEST);
    assert_eq!(
        test.submit(&format!("{address}/withdraw"), "name=S.+Example").await.status,
        StatusCode::SEE_OTHER
    );
    assert_eq!(
        test.submit(&format!("{address}/withdraw"), "name=S.+Example").await.status,
        StatusCode::NOT_FOUND
    );
    test.get("/watch").await.says("withdrawn by S. Example");
    test.get(&address).await.says("This notice is withdrawn: do not put it up.");
    assert_eq!(test.get("/notices/77").await.status, StatusCode::NOT_FOUND);
}

/// A notice rests on the figures that were shown with its form, or it is not made.
#[tokio::test]
async fn a_notice_is_not_made_on_figures_that_have_changed() {
    let test = TestApp::park().await;
    let basis = async |test: &TestApp| test.app.deriver().facts().await.unwrap().basis;
    let shown = basis(&test).await;
    test.get("/watch").await.says(&format!("name=\"basis\" value=\"{shown}\""));
    let form = |basis: &str| {
        format!(
            "trail=Ledge+Walk&wording=take-care&start=2024-07-01&expiry=2024-07-31&reason=eight+met&name=R.+Example&basis={basis}"
        )
    };
    // Another notice leaves the figures as they are.
    for _ in 0..2 {
        let made = test.submit("/notices", &form(&shown.to_string())).await;
        assert_eq!(made.status, StatusCode::SEE_OTHER);
    }
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "watch-weeks", "3").await.unwrap()).await;
    let refused = test.submit("/notices", &form(&shown.to_string())).await;
    assert_eq!(refused.status, StatusCode::BAD_REQUEST);
    let anew = basis(&test).await;
    assert_ne!(anew, shown);
    for words in ["changed since this form was shown", &format!("name=\"basis\" value=\"{anew}\"")] {
        refused.says(words);
    }
    // With something else wrong, too: the form comes back with the new figures, which must not pass unseen.
    let wrong = form(&shown.to_string()).replace("2024-07-31", "");
    test.submit("/notices", &wrong).await.says("changed since this form was shown");
    let made = test.submit("/notices", &form(&anew.to_string())).await;
    assert_eq!(made.status, StatusCode::SEE_OTHER);
    // Those made before keep the settings of before.
    let notices = test.app.store().snapshot().await.unwrap().notices(area).await.unwrap();
    let n_of = |words: &str| notices.iter().filter(|it| it.given.settings.contains(words)).count();
    assert_eq!((notices.len(), n_of("seed 1"), n_of("weeks")), (3, 3, 1), "{notices:?}");
}

/// What the map's script reads, and what stands without it.
#[tokio::test]
async fn a_notice_stands_on_the_map_on_its_days_and_no_longer() {
    let test = TestApp::park().await;
    let title = "Venomous snakes live along Ledge Walk";
    let bare = test.get("/").await.expect(200);
    bare.never_says("Notices that stand today");
    bare.never_says("notice-mark");
    let form = "trail=Ledge+Walk&wording=take-care&start=2024-07-02&expiry=2024-07-03&reason=eight+met&name=R.+Example";
    assert_eq!(test.submit("/notices", form).await.status, StatusCode::SEE_OTHER);
    // Its first day is to come: the page is kept, but not beyond today.
    let features = async |test: &TestApp| -> Vec<serde_json::Value> {
        let layer = test.get("/layers/notices.geojson").await.expect(200).json();
        layer["features"].as_array().unwrap().clone()
    };
    test.get("/").await.expect(200).never_says(title);
    assert!(features(&test).await.is_empty());
    let test = test.at(NOW_S + 86_400).await;
    let standing = test.get("/").await.expect(200);
    for words in [title, "until 3 July 2024", "class=\"notice-mark\"", "href=\"/notices/1\""] {
        standing.says(words);
    }
    if standing.body.contains("data-stretches") {
        standing.says("data-notices=\"/layers/notices.geojson\"");
    }
    let tag = standing.header("etag").to_owned();
    // So do the pages of its trail, and a walk along it; no others.
    let (route, list) = (test.get("/route?from=West+Gate&km=1&trail=0").await, test.get("/trails").await);
    for page in [&route, &list, &test.get("/stretch/0").await, &test.get("/trails?trail=0").await] {
        page.says("href=\"/notices/1\"");
        page.says("from 2 July 2024 until 3 July 2024");
    }
    test.get("/route?from=South+Gate&km=0.2&trail=1").await.expect(200).never_says("/notices/1");
    let n = |page: &crate::support::Answer| page.body.matches("href=\"/notices/1\"").count();
    assert_eq!((n(&list), n(&route)), (1, 1));
    let (route_tag, list_tag) = (route.header("etag").to_owned(), list.header("etag").to_owned());
    let found = features(&test).await;
    assert_eq!(found.len(), 1);
    let properties = &found[0]["properties"];
    assert_eq!(properties["trail"], LEDGE);
    assert_eq!(properties["title"], title);
    assert_eq!((&properties["from"], &properties["until"]), (&"2024-07-02".into(), &"2024-07-03".into()));
    assert_eq!(properties["href"], "/notices/1");
    // It is about the whole trail, and says neither why nor who.
    let trails = test.get("/layers/trails.geojson").await.expect(200).json();
    let ledge = trails["features"].as_array().unwrap().iter().find(|it| it["properties"]["name"] == LEDGE);
    assert_eq!(found[0]["geometry"], ledge.unwrap()["geometry"]);
    for page in [&standing, &test.get("/layers/notices.geojson").await] {
        page.never_says("eight met");
        page.never_says("R. Example");
        page.never_says("What was found rests on");
    }
    // The same facts on a later day: the notice has ended, and the kept page with it.
    let test = test.at(NOW_S + 3 * 86_400).await;
    let after = test.get("/").await.expect(200);
    after.never_says(title);
    assert_ne!(after.header("etag"), tag);
    for (address, tag) in [("/route?from=West+Gate&km=1&trail=0", route_tag), ("/trails", list_tag)] {
        let page = test.get(address).await.expect(200);
        page.never_says("/notices/1");
        assert_ne!(page.header("etag"), tag, "{address}");
    }
    assert!(features(&test).await.is_empty());
}

#[tokio::test]
async fn a_notice_always_ends_and_names_no_sensitive_place() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let den = SensitivePlace {
        name: "Gully den".to_owned(),
        position: at(900.0, 10.0),
        buffer: Length::metres(300.0).unwrap(),
        reason: "winter den".to_owned(),
        review_date: "2028-01-01".to_owned(),
    };
    test.write(async |writer| {
        writer.put_sensitive_places(&target, &rows([den])).await.unwrap();
    })
    .await;
    let check = async |changed: &str, value: &str, words: &str| {
        let fields = [
            ("trail", LEDGE),
            ("wording", "take-care"),
            ("start", "2024-07-01"),
            ("expiry", "2024-07-31"),
            ("reason", "many met"),
            ("name", "R. Example"),
        ];
        let given = fields.map(|(name, usual)| {
            format!("{name}={}", if name == changed { value } else { usual }.replace(' ', "+"))
        });
        let page = test.submit("/notices", &given.join("&")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{changed}");
        page.says(&format!("<span class=\"field-error\" id=\"wrong-{changed}\">{words}"));
        page.says(&format!("<a href=\"#wrong-{changed}\">"));
        page.says("value=\"2024-07-01\"");
    };
    check("expiry", "", "give the last day: a notice always ends").await;
    check("expiry", "2024-08-31", "a notice stands at most 60 days").await;
    check("expiry", "2024-06-30", "the last day is before the first").await;
    check("trail", "part 2 of Ledge Walk", "choose one of the trails").await;
    check("wording", "own words", "choose one of the wordings").await;
    check("reason", "", "say why").await;
    check("reason", "many at the gully den", "a sensitive place must not be named").await;
    check("name", "", "say who makes it").await;
    let all = test.app.store().snapshot().await.unwrap().notices(target.area).await.unwrap();
    assert!(all.is_empty());
}
