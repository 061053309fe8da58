//! Did it help: planning before there are signs, the forms, and what planted walks give.

use jiff::civil::Date;
use jiff::civil::date;

use coilway::analysis::before_after::Change;
use coilway::analysis::before_after::Effectiveness;
use coilway::analysis::before_after::Period;
use coilway::analysis::before_after::WhyNot;
use coilway::analysis::before_after::control::Cells;
use coilway::analysis::before_after::control::before_after_control;
use coilway::analysis::counts::RatioLimits;
use coilway::derived::effect::ReportsAnswer;
use coilway::derived::walks::Fate;
use coilway::domain::approach::Approach;
use coilway::domain::approach::Contact;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::place::SensitivePlace;
use coilway::domain::revision::Revision;
use coilway::domain::units::Length;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::store::SignInPlaceDraft;
use coilway::store::SignPlanDraft;

use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

/// 2024-04-01T07:00:00Z, midnight in the park.
const FIRST_S: i64 = 1_711_954_800;
const DAY_S: i64 = 86_400;
/// Surveys walk once a day.
const N_DAYS: i64 = 90;
/// The sign goes up on 16 May.
const SIGN_DAY: i64 = 45;
const SIGN: (f64, f64) = (1100.0, -30.0);

fn walk(day: i64) -> WalkDraft {
    let track: Vec<LonLat> = (-15..=15).map(|step| at(f64::from(step) * 100.0, 0.0)).collect();
    WalkDraft {
        event_id: format!("E-{day}"),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: "A".to_owned(),
        start_s: FIRST_S + day * DAY_S + 8 * 3600,
        end_s: None,
        sampling_protocol: String::new(),
        track,
        track_times_s: Vec::new(),
    }
}

/// One snake a day in the west; in the east, beyond the sign, one a day before it and one every third day after.
fn met(day: i64) -> Vec<EncounterDraft> {
    let date: Date = date(2024, 4, 1).checked_add(jiff::Span::new().days(day)).unwrap();
    let contact = if day % 4 == 0 { Contact::Over } else { Contact::Passed };
    let meeting = |id: String, east: f64| EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: format!("E-{day}"),
        approaches: vec![Approach {
            contact,
            closest_distance: None,
            agent: String::new(),
            applied_load: None,
            duration: None,
            trial: None,
            end_of_watch: None,
            reactions: Vec::new(),
        }],
        ..report(&id, at(east, 0.0), date, 9)
    };
    let mut all = vec![meeting(format!("W-{day}"), -1100.0 + (day % 5) as f64 * 100.0)];
    if day < SIGN_DAY || day % 3 == 0 {
        all.push(meeting(format!("F-{day}"), 1250.0));
    }
    all
}

async fn with_surveys() -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    test.write(async |writer| {
        // Of those who walk the west of so small a park, many come home from the sign.
        writer.set_setting(target.area, "effect-passed-share", "0.3").await.unwrap();
        writer.put_walks(&target, &rows((0..N_DAYS).map(walk))).await.unwrap();
        let tally = writer.put_encounters(&target, &rows((0..N_DAYS).flat_map(met))).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    test
}

#[tokio::test]
async fn without_signs_the_page_says_what_could_be_found_out() {
    let test = with_surveys().await;
    let page = test.get("/effect").await.expect(200);
    for words in [
        "No sign has been put up yet, so there is nothing to compare.",
        "So far 90 planned survey walks over 1 year met 150 snakes",
        "too few signs",
        "or more",
        "80 % probability",
        "None yet.",
    ] {
        page.says(words);
    }
    let rare = test.get("/effect?per_sign=0.1&all=5&before=1").await.expect(200);
    rare.says("not even all");
    rare.says("value=\"0.1\"");
    // Ten signs of three a year leave nothing of thirty.
    test.get("/effect?per_sign=3&all=30&before=2").await.expect(200).says("nothing left to compare with");
    let wrong = test.get("/effect?per_sign=many").await.expect(400);
    wrong.says("<span class=\"field-error\" id=\"wrong-per_sign\">give a number from 0 to 100,000");
    wrong.says("value=\"many\"");
    // Said at the top as well, where the reader is then, with a way to the field.
    let (top, _) = wrong.body.split_once("<section").unwrap();
    for words in [
        "role=\"alert\" tabindex=\"-1\" autofocus",
        "Nothing was worked out. Mend what is marked below:",
        "<a href=\"#wrong-per_sign\">Survey encounters a year where one sign warns: give a number",
    ] {
        assert!(top.contains(words), "{words}: {top}");
    }
    assert!(!top.contains("Nothing was kept") && !top.contains("#wrong-all"), "{top}");
    test.get("/effect?colour=red").await.expect(400);
}

#[tokio::test]
async fn a_sign_is_recorded_inspected_and_taken_down() {
    let test = with_surveys().await;
    let fields = [
        ("name", "East sign"),
        ("latitude", "37.5995"),
        ("longitude", "-109.38754"),
        ("kind", "trail sign"),
        ("day", "2024-05-16"),
        ("by", "A. Ranger"),
    ];
    let changed = |name: &str, value: &'static str| -> Vec<(&'static str, &'static str)> {
        fields.iter().map(|field| if field.0 == name { (field.0, value) } else { *field }).collect()
    };
    let wrong = test.post_fields("/effect/signs", &changed("latitude", "north")).await.expect(422);
    wrong.says("<span class=\"field-error\" id=\"wrong-latitude\">give degrees");
    wrong.says("<a href=\"#wrong-latitude\">Latitude, degrees: give degrees");
    wrong.says("value=\"East sign\"");
    test.post_fields("/effect/signs", &changed("day", "2030-01-01")).await.expect(422).says("still to come");
    test.post_fields("/effect/signs", &changed("by", " ")).await.expect(422).says("enter it");
    assert_eq!(test.get("/effect").await.status, 200);
    test.get("/effect").await.never_says("East sign");

    let done = test.post_fields("/effect/signs", &fields).await.expect(303);
    assert_eq!(done.header("location"), "/effect");
    let page = test.get("/effect").await.expect(200);
    page.says("East sign");
    page.says("since 16 May 2024");
    page.says("One sign cannot show whether signs help");
    page.says("<s class=\"struck\">");
    page.says("Fewer than six signs can never stand out");
    let id = page.body.split("/effect/signs/").nth(1).unwrap().split('/').next().unwrap().to_owned();
    let id = if id.chars().all(|digit| digit.is_ascii_digit()) { id } else { "1".to_owned() };

    let inspection = format!("/effect/signs/{id}/inspection");
    let fields = [("day", "2024-06-03"), ("condition", "damaged"), ("by", "B. Ranger"), ("remarks", "shot")];
    test.post_fields(&inspection, &fields).await.expect(303);
    test.get("/effect").await.says("damaged, 3 June 2024, by B. Ranger (1 in all)");
    let early = [("day", "2024-05-01"), ("condition", "good"), ("by", "B. Ranger")];
    test.post_fields(&inspection, &early).await.expect(422).says("no sign of that name was up by then");
    let unknown = [("day", "2024-06-04"), ("condition", "fine"), ("by", "B. Ranger")];
    test.post_fields(&inspection, &unknown).await.expect(422).says("is not one of the conditions of a sign");

    let down = format!("/effect/signs/{id}/down");
    test.post_fields(&down, &[("day", "2024-05-01"), ("by", "B")])
        .await
        .expect(422)
        .says("came down before it was up");
    test.post_fields(&down, &[("day", "2024-06-20"), ("by", "B")]).await.expect(303);
    test.get("/effect").await.says("16 May 2024 to 20 June 2024");
    test.post_fields("/effect/signs/99/down", &[("day", "2024-06-20"), ("by", "B")]).await.expect(404);
    test.post_fields("/effect/signs/x/down", &[("day", "2024-06-20"), ("by", "B")]).await.expect(404);
}

#[tokio::test]
async fn a_planted_drop_is_counted_where_the_sign_warns() {
    let test = with_surveys().await;
    let target = test.by_hand().await;
    test.write(async |writer| {
        let sign = SignInPlaceDraft {
            name: "East sign".to_owned(),
            position: at(SIGN.0, SIGN.1),
            kind: "trail sign".to_owned(),
            plan: None,
            up_s: FIRST_S + SIGN_DAY * DAY_S,
            down_s: None,
        };
        writer.put_signs_in_place(&target, &rows([sign])).await.unwrap();
    })
    .await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaign = &layer.campaigns.as_ref().unwrap()[0];
    // One a day before, one every third day after.
    assert_eq!((campaign.signed.0.count, campaign.signed.1.count), (45, 15));
    assert!(campaign.control.0.count > 0 && campaign.control.1.count > 0, "{campaign:?}");
    assert!(campaign.later.is_none(), "no plan says what chose the place");
    let page = test.get("/effect").await.expect(200);
    for words in [
        "km of Ledge Walk",
        "No kept plan says which records chose the places",
        "15 counted",
        "Too few signs to say: six at least",
        "Share of survey encounters: over",
        "those may have done so by close contacts, and are never before",
        "are refused: a sign changes what people report",
        "Watched at the signs",
        "Controls (",
    ] {
        page.says(words);
    }
}

#[tokio::test]
async fn walks_made_where_snakes_were_expected_are_no_before() {
    let test = with_surveys().await;
    let target = test.by_hand().await;
    test.write(async |writer| {
        let sign = SignInPlaceDraft {
            name: "East sign".to_owned(),
            position: at(SIGN.0, SIGN.1),
            kind: "trail sign".to_owned(),
            plan: None,
            up_s: FIRST_S + SIGN_DAY * DAY_S,
            down_s: None,
        };
        writer.put_signs_in_place(&target, &rows([sign])).await.unwrap();
        // Before the sign somebody went out every day to where a snake was known to lie.
        let targeted = |day: i64| WalkDraft {
            event_id: format!("T-{day}"),
            purpose: Purpose::Targeted,
            start_s: FIRST_S + day * DAY_S + 10 * 3600,
            ..walk(day)
        };
        writer.put_walks(&target, &rows((0..SIGN_DAY).map(targeted))).await.unwrap();
        let met = |day: i64| EncounterDraft {
            effort_kind: EffortKind::Survey,
            event_id: format!("T-{day}"),
            ..report(
                &format!("TE-{day}"),
                at(1250.0, 0.0),
                date(2024, 4, 1) + jiff::Span::new().days(day),
                10,
            )
        };
        let tally = writer.put_encounters(&target, &rows((0..SIGN_DAY).map(met))).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaign = &layer.campaigns.as_ref().unwrap()[0];
    assert_eq!((campaign.signed.0.count, campaign.signed.1.count), (45, 15));
    assert_eq!((layer.planning.n_walks, layer.planning.encounters), (90, 150));
    test.get("/effect").await.expect(200).says("Planned survey walks only");
}

#[tokio::test]
async fn kilometres_count_by_how_frequent_encounters_are_when_they_are_walked() {
    // All walks alike, 45 before the sign and 45 after; visitors meet seven snakes a day in April and one later.
    let test = TestApp::with(&Park { has_encounters: false, ..Park::default() }).await;
    let target = test.by_hand().await;
    let day = |day: i64| date(2024, 4, 1) + jiff::Span::new().days(day);
    test.write(async |writer| {
        writer.set_setting(target.area, "effect-passed-share", "0.3").await.unwrap();
        writer.put_walks(&target, &rows((0..N_DAYS).map(walk))).await.unwrap();
        let reports = (0..N_DAYS).flat_map(|on| {
            let of_day = move |idx: i64| {
                let hour = 8 + ((on + idx) % 8) as u16;
                report(&format!("R-{on}-{idx}"), at(-1200.0 + 300.0 * idx as f64, 0.0), day(on), hour)
            };
            (0..if on < 30 { 7 } else { 1 }).map(of_day)
        });
        let tally = writer.put_encounters(&target, &rows(reports)).await.unwrap();
        assert_eq!(tally.problems, []);
        let sign = SignInPlaceDraft {
            name: "East sign".to_owned(),
            position: at(SIGN.0, SIGN.1),
            kind: "trail sign".to_owned(),
            plan: None,
            up_s: FIRST_S + SIGN_DAY * DAY_S,
            down_s: None,
        };
        writer.put_signs_in_place(&target, &rows([sign])).await.unwrap();
    })
    .await;
    let facts = test.app.deriver().facts().await.unwrap();
    let season = test.app.deriver().season(&facts).await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaign = &layer.campaigns.as_ref().unwrap()[0];
    let curves = season.curves();
    // Walks begin at eight: 30 of April and 15 of May before, 16 of May and 29 of June after.
    let at_eight = |month: usize| curves[0].estimate[(month - 1) * 24 + 8];
    let expected = (30.0 * at_eight(4) + 15.0 * at_eight(5)) / (16.0 * at_eight(5) + 29.0 * at_eight(6));
    let found = campaign.signed.0.km / campaign.signed.1.km;
    assert!(expected > 2.0, "a season was planted: {expected}");
    assert_eq!(curves.len(), 1);
    assert!((found / expected - 1.0).abs() < 1e-9, "{found} and {expected}");
}

#[tokio::test]
async fn a_kept_plan_gives_a_later_baseline() {
    let test = with_surveys().await;
    let target = test.by_hand().await;
    test.write(async |writer| {
        let draft = SignPlanDraft {
            name: "Plan of spring".to_owned(),
            parameters_json: "{}".to_owned(),
            result_json: "{}".to_owned(),
            based_on: Revision(1),
            sites: Vec::new(),
        };
        let plan = writer.add_sign_plan(target.area, &draft).await.unwrap();
        let sign = SignInPlaceDraft {
            name: "East sign".to_owned(),
            position: at(SIGN.0, SIGN.1),
            kind: "trail sign".to_owned(),
            plan: Some(plan),
            // The plan is kept at the clock of the tests, 1 July: a sign of an earlier day was not chosen by it.
            up_s: FIRST_S + SIGN_DAY * DAY_S,
            down_s: None,
        };
        let later = SignInPlaceDraft {
            name: "Late sign".to_owned(),
            position: at(1400.0, -10.0),
            up_s: FIRST_S + 200 * DAY_S,
            ..sign.clone()
        };
        writer.put_signs_in_place(&target, &rows([sign, later])).await.unwrap();
    })
    .await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaigns = layer.campaigns.as_ref().unwrap();
    assert_eq!(campaigns.len(), 2, "signs that went up five months apart are compared apart");
    assert!(campaigns[0].later.is_none() && campaigns[0].times.chosen_s.is_none());
    assert!(campaigns[1].later.is_some() && campaigns[1].times.chosen_s.is_some());
    // All walks are older than the plan: they may have chosen the places, and are before of no share.
    assert!(campaigns[0].shares.iter().all(|share| share.since_plan.is_none()));
    for share in &campaigns[1].shares {
        let compared = share.since_plan.as_ref().unwrap();
        assert_eq!(
            (compared.cells.signed_before, compared.cells.control_before),
            (Period::NONE, Period::NONE)
        );
        assert_eq!(compared.found, Effectiveness::NotEstimable(WhyNot::SignsNotWalked));
    }
    test.get("/effect").await.expect(200).says("Plan of spring");
}

/// Reports before and after a sign in the east: so many a day there, and one a day in the west at all times.
async fn with_reports(before: i64, after: i64, met_after: i64) -> TestApp {
    let test = TestApp::with(&Park { has_encounters: false, ..Park::default() }).await;
    let target = test.by_hand().await;
    let day = |day: i64| date(2024, 4, 1).checked_add(jiff::Span::new().days(day)).unwrap();
    let surveyed = |on: i64| -> Vec<EncounterDraft> {
        // One a day in the west; in the east two a day before the sign, and on `met_after` of three days after it.
        let mut all = vec![("W", -1200.0 + (on % 3) as f64 * 100.0)];
        if on < SIGN_DAY || on % 3 < met_after {
            all.extend([("F", 1250.0), ("G", 1310.0)]);
        }
        let meeting = |(letter, east): (&str, f64)| EncounterDraft {
            effort_kind: EffortKind::Survey,
            event_id: format!("E-{on}"),
            ..report(&format!("{letter}-{on}"), at(east, 0.0), day(on), 9)
        };
        all.into_iter().map(meeting).collect()
    };
    let reported = |on: i64| -> Vec<EncounterDraft> {
        let n_east = if on < SIGN_DAY { before } else { after };
        let east = (0..n_east).map(|idx| (format!("RE-{on}-{idx}"), 1240.0 + (on % 3) as f64 * 40.0));
        let west = (0..2).map(|idx| (format!("RW-{on}-{idx}"), -1250.0 + (on % 4) as f64 * 60.0));
        let one = |(id, metres): (String, f64)| report(&id, at(metres, 0.0), day(on), 9 + (on % 5) as u16);
        east.chain(west).map(one).collect()
    };
    test.write(async |writer| {
        writer.set_setting(target.area, "effect-passed-share", "0.3").await.unwrap();
        writer.put_walks(&target, &rows((0..N_DAYS).map(walk))).await.unwrap();
        let met = (0..N_DAYS).flat_map(|on| surveyed(on).into_iter().chain(reported(on)));
        let tally = writer.put_encounters(&target, &rows(met)).await.unwrap();
        assert_eq!(tally.problems, []);
        let sign = SignInPlaceDraft {
            name: "East sign".to_owned(),
            position: at(SIGN.0, SIGN.1),
            kind: "trail sign".to_owned(),
            plan: None,
            up_s: FIRST_S + SIGN_DAY * DAY_S,
            down_s: None,
        };
        writer.put_signs_in_place(&target, &rows([sign])).await.unwrap();
    })
    .await;
    test
}

/// What reports say when nothing is known of how much people report, and what the comparison says: estimate and limits.
async fn naive_and_ours(test: &TestApp) -> ((f64, f64, f64), (f64, f64, f64)) {
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaign = &layer.campaigns.as_ref().unwrap()[0];
    let ReportsAnswer::Estimated { change, limits, cells } = &campaign.reports else {
        panic!("{:?}", campaign.reports)
    };
    let [signed_before, signed_after, control_before, control_after] = *cells;
    let cells = Cells { signed_before, signed_after, control_before, control_after };
    let naive = before_after_control(&cells, 0.95).unwrap();
    let words = |change: &Change, limits: &RatioLimits| {
        (change.estimate().unwrap(), limits.lower, limits.upper.unwrap())
    };
    (words(&naive.change, &naive.limits), words(change, limits))
}

#[tokio::test]
async fn a_sign_that_makes_people_report_is_no_effect() {
    // Three times as many reports after the sign, as many snakes met by surveys as before.
    let test = with_reports(2, 6, 3).await;
    let (naive, ours) = naive_and_ours(&test).await;
    assert!(naive.1 > 1.5, "reports by themselves claim that the sign brings snakes: {naive:?}");
    assert!(ours.1 < 1.0 && 1.0 < ours.2, "{ours:?}");
    assert!((ours.0 - 1.0).abs() < 0.35, "{ours:?}");
}

#[tokio::test]
async fn a_sign_that_makes_people_report_does_not_hide_what_it_does() {
    // As many reports as before, a third of the snakes: people report three times as much of what they meet.
    let test = with_reports(6, 6, 1).await;
    let (naive, ours) = naive_and_ours(&test).await;
    assert!(naive.1 < 1.0 && 1.0 < naive.2, "reports by themselves see nothing: {naive:?}");
    assert!(ours.2 < 1.0, "{ours:?}");
    assert!((0.15..0.6).contains(&ours.0), "{ours:?}");
}

#[tokio::test]
async fn reporting_with_and_without_signs_is_told_or_refused() {
    let test = with_reports(2, 6, 3).await;
    let page = test.get("/survey").await.expect(200);
    page.says("With and without signs");
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let found = layer.reporting.as_ref().unwrap();
    // What walks in the east of the park is assumed from priors, so no ratio stands on it.
    assert_eq!(found.signed.n_cells == 0, found.factor.is_none(), "{found:?}");
    page.says(if found.factor.is_some() {
        "times as much"
    } else {
        "cannot be told: too few survey encounters"
    });
    let none = with_surveys().await;
    none.get("/survey").await.expect(200).never_says("With and without signs");
}

#[tokio::test]
async fn the_comparison_counts_what_the_walks_page_counts() {
    let test = with_surveys().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let walks = test.app.deriver().walks(&facts).await.unwrap();
    let basis = test.app.deriver().effect(&facts).await.unwrap().planning;
    let km: f64 = walks.walks.iter().map(|walk| walk.matched.walked_m() / 1000.0).sum();
    assert!((basis.survey_km - km).abs() < 1e-6, "{} and {km} km", basis.survey_km);
    // Ninety straight walks of 3 km; where the ledge lies 60 m beside them, nothing is matched.
    assert!((220.0..270.0).contains(&km), "{km}");
    let n_tied = walks.n_with(|fate| matches!(fate, Fate::OnWalk(_)));
    assert_eq!((basis.n_walks, basis.encounters), (90, n_tied as u64));
}

#[tokio::test]
async fn lots_are_drawn_once_kept_and_read_by_the_comparison() {
    let test = with_surveys().await;
    test.get("/signs?signs=4").await.expect(200).says("/signs/draw?signs=4");
    let form = test.get("/signs/draw?signs=4&spacing=200").await.expect(200);
    form.says("cannot be taken back");
    form.says("name=\"signs\" value=\"4\"");
    let fields = [
        ("name", "Plan by lot"),
        ("signs", "4"),
        ("reach", "500"),
        ("spacing", "200"),
        ("who", "R. Example"),
    ];
    let with = |more: &[(&'static str, &'static str)]| -> Vec<(&'static str, &'static str)> {
        fields.iter().copied().chain(more.iter().copied()).collect()
    };
    test.post_fields("/signs/draw", &with(&[("seed", "chance")]))
        .await
        .expect(422)
        .says("Give a whole number");
    test.post_fields("/signs/draw", &with(&[])).await.expect(422).says("Give a whole number");
    test.post_fields("/signs/draw", &with(&[("seed", "7"), ("signs", "1")]))
        .await
        .expect(422)
        .says("at least two new sites");
    let done = test.post_fields("/signs/draw", &with(&[("seed", "7")])).await.expect(303);
    let address = done.header("location").to_owned();
    let page = test.get(&address).await.expect(200);
    for words in
        ["Plan by lot", "seed 7", "now (first of pair 1)", "next season (second of pair 2)", "by R. Example"]
    {
        page.says(words);
    }
    page.never_says("Drawn again");
    test.get("/signs").await.says(&address);
    // The same seed and plan draw the same lots.
    let facts = test.app.deriver().facts().await.unwrap();
    let plans = test.app.deriver().sign_plans(&facts).await.unwrap();
    let (pairs, parameters) = (plans[0].lottery_pairs(), plans[0].parameters().unwrap());
    assert_eq!((pairs.len(), plans[0].given.sites.len(), parameters.seed), (2, 4, Some(7)));
    for (idx, (won, lost)) in pairs.iter().enumerate() {
        let mut pair = [*won, *lost];
        pair.sort_unstable();
        assert_eq!(pair, [2 * idx, 2 * idx + 1], "neighbours in rank are a pair");
    }
    let history = test.get("/history").await.expect(200);
    history.says("sign plan");
    history.says("lots drawn for the signs of Plan by lot, seed 7");

    // Not a second time without saying so.
    let again = test.post_fields("/signs/draw", &with(&[("seed", "8")])).await.expect(422);
    again.says("lots were drawn for these places before, in Plan by lot");
    again.says("name=\"again\"");
    assert_eq!(test.app.deriver().sign_plans(&facts).await.unwrap().len(), 1);
    let done = test
        .post_fields("/signs/draw", &with(&[("seed", "8"), ("again", "the bank has slid")]))
        .await
        .expect(303);
    let second = test.get(done.header("location")).await.expect(200);
    second.says("Drawn again.");
    second.says("in Plan by lot. Reason given: the bank has slid");

    // A sign that goes up for the plan is compared with the place that waits.
    let plan = &plans[0];
    let won = plan.given.sites[pairs[0].0].position;
    let (lat, lon) = (won.lat().to_string(), won.lon().to_string());
    let id = plan.id.to_string();
    let sign = [
        ("name", "First by lot"),
        ("latitude", lat.as_str()),
        ("longitude", lon.as_str()),
        ("kind", "trail sign"),
        ("day", "2024-05-16"),
        ("by", "R. Example"),
    ];
    let put_up = |plan: &str| -> Vec<(String, String)> {
        let fields = sign.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
        fields.chain([("plan".to_owned(), plan.to_owned())]).collect()
    };
    let wrong = put_up("99");
    let wrong: Vec<(&str, &str)> =
        wrong.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
    test.post_fields("/effect/signs", &wrong).await.expect(422).says("choose one of the plans");
    let good = put_up(&id);
    let good: Vec<(&str, &str)> = good.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
    test.post_fields("/effect/signs", &good).await.expect(303);
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaign = &layer.campaigns.as_ref().unwrap()[0];
    assert_eq!(campaign.name, "Plan by lot");
    assert!(campaign.lottery.is_some(), "the draw is not compared: {campaign:?}");
    test.get("/effect").await.expect(200).says("places that lost the draw");
}

#[tokio::test]
async fn a_plan_is_kept_as_it_is_and_its_signs_go_up_with_one_step() {
    let test = with_surveys().await;
    test.get("/signs?signs=3").await.expect(200).says("/signs/keep?signs=3");
    test.get("/signs/keep?signs=3").await.expect(200).says("name=\"signs\" value=\"3\"");
    let fields = [("name", "Spring"), ("signs", "3"), ("spacing", "200"), ("who", "R. Example")];
    test.post_fields("/signs/keep", &fields[1..]).await.expect(422).says("Give the plan a name");
    test.post_fields("/signs/keep", &[("name", "Spring"), ("signs", "many"), ("who", "R. Example")])
        .await
        .expect(422);
    let address = test.post_fields("/signs/keep", &fields).await.expect(303).header("location").to_owned();
    let page = test.get(&address).await.expect(200);
    for words in ["Spring", "by R. Example", "not yet", "Signs that were put up"] {
        page.says(words);
    }
    page.never_says("Lots were drawn");
    test.get("/signs").await.says(&address);
    test.get("/history").await.expect(200).says("sign plan Spring kept");
    let facts = test.app.deriver().facts().await.unwrap();
    let plan = test.app.deriver().sign_plans(&facts).await.unwrap()[0].clone();
    assert_eq!((plan.given.sites.len(), plan.lottery_pairs().len()), (3, 0));

    let up = format!("{address}/up");
    let put_up = |more: &[(&'static str, &'static str)]| {
        let fields: Vec<(&str, &str)> =
            [("who", "R. Example")].into_iter().chain(more.iter().copied()).collect();
        fields
    };
    test.post_fields(&up, &put_up(&[("day", "2024-05-16")])).await.expect(422).says("Tick the signs");
    test.post_fields(&up, &put_up(&[("day", "2999-01-01"), ("site", "1")]))
        .await
        .expect(422)
        .says("still to come");
    test.post_fields(&up, &put_up(&[("day", "2024-05-16"), ("site", "1"), ("site", "3"), ("site", "9")]))
        .await
        .expect(303);
    let facts = test.app.deriver().facts().await.unwrap();
    let mut standing: Vec<(String, bool)> = facts
        .signs_in_place
        .iter()
        .filter(|sign| sign.given.plan == Some(plan.id))
        .map(|sign| {
            (sign.given.name.clone(), plan.given.sites.iter().any(|it| it.position == sign.given.position))
        })
        .collect();
    standing.sort();
    assert_eq!(standing, [("Spring, no. 1".to_owned(), true), ("Spring, no. 3".to_owned(), true)]);
    // What stands does not go up again.
    test.post_fields(&up, &put_up(&[("day", "2024-05-17"), ("site", "1")])).await.expect(422);
    let page = test.get(&address).await.expect(200);
    page.says("since 16 May 2024");
    page.says("value=\"2\"");
    page.never_says("name=\"site\" value=\"1\"");
    // The comparison knows which records chose the places.
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let campaign = &layer.campaigns.as_ref().unwrap()[0];
    assert_eq!(campaign.name, "Spring");
    test.get("/signs/plans/99").await.expect(404);
    test.post_fields("/signs/plans/99/up", &put_up(&[])).await.expect(404);
}

#[tokio::test]
async fn a_sign_that_gives_a_sensitive_place_away_is_told() {
    let test = TestApp::complete_park().await;
    let away = "It stands within the buffer of a sensitive place";
    let between = "Two signs or more stand near one sensitive place";
    let page = test.get("/effect").await.expect(200);
    page.never_says(away);
    page.never_says(between);
    // The signs stand 1,100 and 1,350 m east.
    let target = test.by_hand().await;
    let den = async |east_m: f64| {
        let den = SensitivePlace {
            name: "The slabs".to_owned(),
            position: at(east_m, -30.0),
            buffer: Length::metres(60.0).unwrap(),
            reason: "den".to_owned(),
            review_date: String::new(),
        };
        test.write(async |writer| {
            assert_eq!(writer.put_sensitive_places(&target, &rows([den])).await.unwrap().problems, []);
        })
        .await;
        test.get("/effect").await.expect(200)
    };
    let page = den(1220.0).await;
    page.never_says(away);
    page.says(between);
    assert_eq!(page.body.matches(between).count(), 2);
    page.never_says("The slabs");
    let page = den(1130.0).await;
    assert_eq!((page.body.matches(away).count(), page.body.matches(between).count()), (1, 1));
}
