//! Clusters: what the page and the layer must say, and what they must never show.

use coilway::derived::cluster_periods::PeriodCut;
use coilway::derived::cluster_periods::PeriodFinding;
use coilway::derived::clusters::Variant;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::time::EventDate;
use coilway::domain::time::EventTime;
use coilway::web::views;
use jiff::civil::date;

use crate::support::LEDGE;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

/// A park where twenty-five parties reported snakes at one spot of the western ledge; `snake` is the same for all, or empty.
async fn gathered(snake: &str) -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let reports: Vec<EncounterDraft> = (0..25)
        .map(|idx| {
            let day = jiff::civil::date(2024, 5, 1 + (idx % 28) as i8);
            let near = at(-740.0 + f64::from(idx % 5) * 45.0, 33.0);
            EncounterDraft { organism_id: snake.to_owned(), ..report(&format!("K-{idx}"), near, day, 9) }
        })
        .collect();
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &rows(reports)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
    test
}

#[test]
fn samples_look_as_before() {
    for (idx, page) in views::clusters::samples().iter().enumerate() {
        let drawn = views::clusters::body(page).into_string().replace("><", ">\n<");
        for word in ["NaN", "inf ", "-inf", "undefined"] {
            assert!(!drawn.contains(word), "{idx} says {word}");
        }
        insta::assert_snapshot!(format!("clusters_{idx}"), drawn);
    }
}

#[tokio::test]
async fn the_page_says_what_was_compared_and_what_was_left_out() {
    let test = TestApp::park().await;
    let page = test.get("/clusters").await.expect(200);
    for words in [
        "What stands out",
        "Every report counted",
        "Every known snake counted once",
        "What takes no part",
        "whose walking is only assumed",
        "too vague for a segment",
        "Raw rates are never compared",
        "not a safe trail",
        "999 replicates",
        "Dispersion",
        "Local emergency services, local codes and licensed practitioners come first",
        "60 draws, seed 1",
    ] {
        page.says(words);
    }
    for word in ["NaN", ">inf", "inf<", " style=", "javascript:"] {
        page.never_says(word);
    }
    test.get("/analysis").await.says("href=\"/clusters\"");
}

#[tokio::test]
async fn a_gathering_is_outlined_and_in_the_layer() {
    let test = gathered("").await;
    let page = test.get("/clusters").await.expect(200);
    page.says("stands out");
    page.says("class=\"cluster\"");
    page.says("times as many");
    page.says("No known snake was reported more than once");
    let layer = test.get("/layers/clusters.geojson").await.expect(200);
    layer.features();
    let json = layer.json();
    let features = json["features"].as_array().unwrap();
    let scan = features.iter().find(|it| it["properties"]["method"] == "scan").expect("a window");
    let properties = &scan["properties"];
    assert_eq!((&properties["side"], &properties["counting"]), (&"more".into(), &"every report".into()));
    assert!(properties["name"].as_str().unwrap().contains(LEDGE));
    let number = |name: &str| properties[name].as_f64().unwrap();
    assert!(number("encounters") > number("expected") && number("p") <= 0.05);
    assert!(number("ratio_lower") < number("ratio") && number("ratio") < number("ratio_upper"));
    page.says(properties["name"].as_str().unwrap());
}

#[tokio::test]
async fn one_snake_that_many_parties_met_counts_once_beside_them() {
    let test = gathered("old-one").await;
    test.get("/clusters").await.expect(200).says("One known snake was reported more than once");
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().clusters(&facts).await.unwrap();
    let answer = layer.answer.as_ref().unwrap();
    let once = answer.once.as_ref().unwrap();
    // One report of twenty-five is left, whatever segment it lies on.
    assert!((answer.all.n_reports - once.n_reports - 24.0).abs() < 1.0);
    let strongest = |of: &Variant| of.standing_out().map(|it| it.ratio.value).fold(0.0, f64::max);
    assert!(strongest(&answer.all) > 1.3 * strongest(once));
}

#[tokio::test]
async fn the_same_facts_give_the_same_clusters() {
    let (one, other) = (gathered("").await, gathered("").await);
    let (one, other) = (
        one.get("/layers/clusters.geojson").await.json(),
        other.get("/layers/clusters.geojson").await.json(),
    );
    assert_eq!(one["features"], other["features"]);
}

#[tokio::test]
async fn without_reports_or_walking_the_page_says_so() {
    let quiet = TestApp::with(&Park { has_encounters: false, ..Park::default() }).await;
    let page = quiet.get("/clusters").await.expect(200);
    page.says("No report lies on a trail");
    page.never_says("class=\"cluster\"");
    assert!(quiet.get("/layers/clusters.geojson").await.json()["features"].as_array().unwrap().is_empty());
    let nobody = TestApp::with(&Park { has_walking: false, has_encounters: false, ..Park::default() }).await;
    nobody.get("/clusters").await.expect(422).says("Nothing says when people walked");
    TestApp::empty().await.get("/clusters").await.expect(422).says("There is no area yet");
}

#[tokio::test]
async fn a_changed_level_is_printed() {
    let test = TestApp::park().await;
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "cluster-level", "0.01").await.unwrap()).await;
    test.get("/clusters").await.expect(200).says("level of clusters 0.01");
}

#[tokio::test]
async fn periods_are_looked_at_together() {
    let test = gathered("").await;
    let page = test.get("/clusters").await.expect(200);
    page.says("Period by period");
    page.says("were tested together, and q is Benjamini and Hochberg's over all of them");
    page.says("too few reports on segments whose walking is known");
    let facts = test.app.deriver().facts().await.unwrap();
    let deriver = test.app.deriver();
    let found = deriver.cluster_periods(&facts, PeriodCut::Months).await.unwrap();
    assert_eq!(found.periods.len(), 12);
    let may = &found.periods[4];
    assert!(may.groups.as_ref().unwrap().iter().any(|group| group.name.starts_with(LEDGE)), "{may:?}");
    // As many q-values take part as there are segments looked at in the three months with reports.
    let layer = deriver.clusters(&facts).await.unwrap();
    let n_looked_at = layer.is_looked_at.iter().filter(|looked_at| **looked_at).count();
    assert!(found.n_tested > n_looked_at && found.n_tested <= 3 * n_looked_at, "{}", found.n_tested);
    let layer = test.get("/layers/clusters.geojson?periods=months").await.expect(200).json();
    let features = layer["features"].as_array().unwrap();
    assert!(features.iter().any(|feature| feature["properties"]["period"] == "May"), "{layer}");
    assert!(features.iter().all(|feature| feature["properties"]["q"].as_f64().unwrap() <= 0.05));
    let whole = test.get("/layers/clusters.geojson").await.expect(200).json();
    assert!(
        whole["features"].as_array().unwrap().iter().all(|feature| feature["properties"]["period"] == "all")
    );
    assert!(found.once.is_none());
    page.says("No known snake was reported more than once in a period");
    test.get("/clusters?periods=parts").await.expect(200).says("by part of the day");
    test.get("/clusters?periods=weeks").await.expect(400);
}

/// What one snake that many met makes of a month goes when it is counted once.
#[tokio::test]
async fn a_snake_that_many_met_stands_out_in_no_month_when_counted_once() {
    let test = gathered("old-one").await;
    let facts = test.app.deriver().facts().await.unwrap();
    let found = test.app.deriver().cluster_periods(&facts, PeriodCut::Months).await.unwrap();
    let of_may = |periods: &[PeriodFinding]| periods[4].groups.clone().unwrap_or_default();
    assert!(of_may(&found.periods).iter().any(|group| group.name.starts_with(LEDGE)), "{found:?}");
    assert_eq!(found.n_repeated, 1);
    let once = found.once.as_ref().unwrap();
    // The ledge keeps what others reported there; of the 25 reports of the one snake one is left.
    let standing_out =
        |periods: &[PeriodFinding]| of_may(periods).iter().map(|group| group.count).sum::<f64>();
    assert!(standing_out(&found.periods) - standing_out(once) > 20.0, "{once:?}");
    assert!(once[4].n_reports < found.periods[4].n_reports);
    let page = test.get("/clusters").await.expect(200);
    page.says("Every known snake counted once in each period");
    page.says("One known snake was reported more than once in a period");
    let table = test.get("/study/cluster-periods.csv").await.expect(200).body;
    for counted in ["months,every report,May,", "months,each known snake once,May,"] {
        assert!(table.contains(counted), "{counted}");
    }
}

/// Reports of which the year alone is known lie in every period by their share, and the page says how many they are.
#[tokio::test]
async fn reports_without_a_month_are_allotted_and_said_to_be() {
    let test = gathered("").await;
    let target = test.by_hand().await;
    let months = async |test: &TestApp| {
        let facts = test.app.deriver().facts().await.unwrap();
        test.app.deriver().cluster_periods(&facts, PeriodCut::Months).await.unwrap().value
    };
    let before = months(&test).await;
    assert_eq!((before.n_allotted, before.n_untimed), (0, 0));
    test.get("/clusters").await.expect(200).says("Every report on trails tells its month.");
    let untimed: Vec<EncounterDraft> = (0..30)
        .map(|idx| {
            let near = at(-740.0 + f64::from(idx % 5) * 45.0, 33.0);
            let time = EventTime { date: EventDate::Year(2024), minute_of_day: None, instant_s: None };
            EncounterDraft { time, ..report(&format!("U-{idx}"), near, date(2024, 5, 1), 9) }
        })
        .collect();
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &rows(untimed)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
    let found = months(&test).await;
    assert_eq!((found.n_allotted, found.n_untimed), (30, 0));
    let allotted: Vec<f64> = found.periods.iter().map(|period| period.n_allotted).collect();
    assert!((allotted.iter().sum::<f64>() - 30.0).abs() < 1e-6, "{allotted:?}");
    // Nobody is known to walk in January; May has most reports.
    assert!(allotted[0] == 0.0 && allotted[4] > 10.0, "{allotted:?}");
    let page = test.get("/clusters").await.expect(200);
    page.says("30 reports on trails do not tell their month. The curve of season and hours gives them one");
    let table = test.get("/study/cluster-periods.csv").await.expect(200).body;
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let headers = reader.headers().unwrap().clone();
    let column = |name: &str| headers.iter().position(|header| header == name).unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let of_may = rows.iter().find(|row| &row[0] == "months" && &row[column("period")] == "May").unwrap();
    assert_eq!((&of_may[column("cut_allotted")], &of_may[column("cut_left_out")]), ("30", "0"));
    assert!((of_may[column("period_allotted")].parse::<f64>().unwrap() - allotted[4]).abs() < 1e-3);
}

/// A time of day that stands for "no time noted" tells no part of the day; its month it does.
#[tokio::test]
async fn heaped_times_are_allotted_to_parts_of_the_day_alone() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let found = async |test: &TestApp, cut: PeriodCut| {
        let facts = test.app.deriver().facts().await.unwrap();
        test.app.deriver().cluster_periods(&facts, cut).await.unwrap().value
    };
    let n_before = found(&test, PeriodCut::PartsOfDay).await.n_allotted;
    let heaped: Vec<EncounterDraft> = (0..40)
        .map(|idx| {
            let day = date(2024, 5, 1 + idx % 28);
            let near = at(-740.0 + f64::from(idx % 5) * 45.0, 33.0);
            let time = EventTime { date: EventDate::Day(day), minute_of_day: Some(743), instant_s: None };
            EncounterDraft { time, ..report(&format!("N-{idx}"), near, day, 12) }
        })
        .collect();
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &rows(heaped)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
    let parts = found(&test, PeriodCut::PartsOfDay).await;
    assert_eq!((parts.n_allotted - n_before, parts.n_untimed), (40, 0));
    let allotted: f64 = parts.periods.iter().map(|period| period.n_allotted).sum();
    assert!((allotted - parts.n_allotted as f64).abs() < 1e-6, "{allotted}");
    assert_eq!(found(&test, PeriodCut::Months).await.n_allotted, 0);
    test.get("/clusters?periods=parts").await.expect(200).says("do not tell their part of the day");
}
