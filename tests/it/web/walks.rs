//! Survey walks: GPX tracks on the trails, walks without encounters, survey rates, the reporting ratio and its refusal.

use std::io::Read;
use std::sync::Arc;

use coilway::analysis::exposure::Provenance;
use coilway::analysis::rates::ReportingRatio;
use coilway::analysis::track_match::Reason;
use coilway::app::BringIn;
use coilway::app::Trust;
use coilway::derived::walks::Fate;
use coilway::domain::batch::Content;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::trail::TrailDraft;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::web::views;
use jiff::civil::date;

use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;
use crate::web::samples::check;

/// 2024-05-10, 8:00 in Arizona.
const START_S: i64 = 1_715_353_200;
/// The western half of the ledge and the whole of it, as the park draws them: 1,501 and 3,005 m.
const WEST: [(f64, f64); 3] = [(-1500.0, 0.0), (-600.0, 40.0), (0.0, 0.0)];
const LEDGE: [(f64, f64); 5] = [(-1500.0, 0.0), (-600.0, 40.0), (0.0, 0.0), (700.0, -60.0), (1500.0, 0.0)];

/// A position every ten seconds on a way.
fn track(way: &[(f64, f64)], m_per_s: f64, start_s: i64) -> Vec<(LonLat, i64)> {
    let mut track = Vec::new();
    let (mut ahead_m, mut time_s) = (0.0, start_s);
    for pair in way.windows(2) {
        let (east, north) = (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1);
        let length_m = f64::hypot(east, north);
        while ahead_m <= length_m {
            let share = ahead_m / length_m;
            track.push((at(pair[0].0 + share * east, pair[0].1 + share * north), time_s));
            ahead_m += 10.0 * m_per_s;
            time_s += 10;
        }
        ahead_m -= length_m;
    }
    track
}

fn walk(event_id: &str, purpose: Purpose, track: Vec<(LonLat, i64)>) -> WalkDraft {
    WalkDraft {
        event_id: event_id.to_owned(),
        parent_event_id: String::new(),
        purpose,
        observers: "Team <b>2</b>".to_owned(),
        start_s: START_S,
        end_s: None,
        sampling_protocol: "walked transect".to_owned(),
        track_times_s: track.iter().map(|(_, time_s)| *time_s).collect(),
        track: track.into_iter().map(|(position, _)| position).collect(),
    }
}

fn survey(id: &str, event_id: &str, east_m: f64, north_m: f64) -> EncounterDraft {
    EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: event_id.to_owned(),
        ..report(id, at(east_m, north_m), date(2024, 5, 10), 8)
    }
}

async fn put(test: &TestApp, walks: Vec<WalkDraft>, encounters: Vec<EncounterDraft>) {
    let target = test.by_hand().await;
    test.write(async |writer| {
        let tally = writer.put_walks(&target, &rows(walks)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
        let tally = writer.put_encounters(&target, &rows(encounters)).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
}

fn gpx(track: &[(LonLat, i64)]) -> String {
    let point = |(position, time_s): &(LonLat, i64)| {
        let time = jiff::Timestamp::from_second(*time_s).unwrap();
        format!("<trkpt lat=\"{}\" lon=\"{}\"><time>{time}</time></trkpt>\n", position.lat(), position.lon())
    };
    let points: String = track.iter().map(point).collect();
    format!(
        "<?xml version=\"1.0\"?><gpx version=\"1.1\" creator=\"test\" xmlns=\"http://www.topografix.com/GPX/1/1\">\
         <trk><name>W-gpx</name><type>planned</type><trkseg>{points}</trkseg></trk></gpx>"
    )
}

async fn bring_in_gpx(test: &TestApp, text: String) {
    assert_eq!(bring_in(test, text).await, (1, 0));
}

/// How many walks went in, and how many did not.
async fn bring_in(test: &TestApp, text: String) -> (u64, u64) {
    let area = test.by_hand().await.area;
    let request = BringIn {
        trust: Trust::FULL,
        content: Content::Walks,
        file_name: "walk.gpx".to_owned(),
        actor: "tester".to_owned(),
        open: Arc::new(move || {
            Ok(Box::new(std::io::Cursor::new(text.clone().into_bytes())) as Box<dyn Read + Send>)
        }),
    };
    let brought_in = test.app.bring_in(area, request, |_| {}).await.unwrap();
    (brought_in.n_accepted, brought_in.n_refused)
}

#[tokio::test]
async fn a_gpx_track_is_matched_and_its_drive_home_left_out() {
    let test = TestApp::park().await;
    let mut way = track(&WEST, 1.2, START_S);
    let back: Vec<(f64, f64)> = WEST.iter().rev().copied().collect();
    way.extend(track(&back, 10.0, way.last().unwrap().1 + 60));
    bring_in_gpx(&test, gpx(&way)).await;

    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().walks(&facts).await.unwrap();
    let matched = &layer.walks[0].matched;
    assert!((matched.walked_m() - 1501.0).abs() < 40.0, "{}", matched.walked_m());
    assert_eq!(matched.left_out.iter().map(|part| part.reason).collect::<Vec<_>>(), [Reason::Vehicle]);
    assert!((layer.exposure.planned_km.iter().sum::<f64>() - 1.501).abs() < 0.04);

    let page = test.get("/walks/1").await.expect(200);
    page.says("1.5 km on the trails and 0 encounters; 1.");
    page.says("faster than walking: a drive");
    page.says("a walk without an encounter counts as much as the others");
    page.says("class=\"matched\"");
    page.says("class=\"track\"");
    test.get("/walks").await.expect(200).says("1 of them met no snake, and count too");
    test.get("/walks/2").await.expect(404);
}

#[tokio::test]
async fn a_track_that_is_mended_keeps_its_times() {
    let test = TestApp::park().await;
    let mut way = track(&WEST, 1.2, START_S);
    let back: Vec<(f64, f64)> = WEST.iter().rev().copied().collect();
    way.extend(track(&back, 10.0, way.last().unwrap().1 + 60));
    let file = gpx(&way).replace("<type>planned</type>", "");
    assert_eq!(bring_in(&test, file).await, (0, 1));
    let page = test.get("/data/rows").await.expect(200);
    let id = page.body.split("/data/rows/").nth(1).unwrap().split('"').next().unwrap().to_owned();
    // The purpose is in no column of the file, and can be given all the same.
    let form = test.get(&format!("/data/rows/{id}")).await.expect(200);
    form.says("name=\"purpose\"");
    test.post_fields(&format!("/data/rows/{id}"), &[("purpose", "planned")]).await.expect(303);
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().walks(&facts).await.unwrap();
    let matched = &layer.walks[0].matched;
    assert!((matched.walked_m() - 1501.0).abs() < 40.0, "{}", matched.walked_m());
    assert_eq!(matched.left_out.iter().map(|part| part.reason).collect::<Vec<_>>(), [Reason::Vehicle]);
}

#[tokio::test]
async fn walks_without_encounters_count_in_the_survey_rate() {
    let test = TestApp::park().await;
    // Two walks over the western ledge: two snakes on the first, none on the second; 2 in 3.0 km.
    let walks = vec![
        walk("W-1", Purpose::Planned, track(&WEST, 1.2, START_S)),
        walk("W-2", Purpose::Planned, track(&WEST, 1.2, START_S)),
    ];
    let met = vec![survey("W1-a", "W-1", -900.0, 27.0), survey("W1-b", "W-1", -300.0, 20.0)];
    put(&test, walks, met).await;
    let page = test.get("/survey").await.expect(200);
    page.says("On planned walks survey teams went 3 km and met 2 snakes");
    page.says("2 in 3.0 km");
    // The six survey encounters of the park name no walk.
    page.says("6 name no walk");
    page.says("no exposure");
    page.never_says("NaN");
    // Too few for a reporting ratio, said in plain words.
    page.says("cannot be told: survey teams met only 2 snakes");
    page.says("Rates from reports are relative only");
    page.says("not estimable: 2 survey encounters lie where visitors walk too, and 20 are needed");
    let list = test.get("/walks").await.expect(200);
    list.says("2 walks, 3.0 km on the trails; 1 of them met no snake");
    list.says("Team &lt;b&gt;2&lt;/b&gt;");
    list.never_says("Team <b>");
    test.get("/walks?purpose=targeted").await.expect(200).says("0 walks");
    test.get("/walks?purpose=secret").await.expect(400);
    test.get("/walks?page=0").await.expect(400);
    // The stretch page gives the survey answer beside the reports.
    let facts = test.app.deriver().facts().await.unwrap();
    let rates = test.app.deriver().rates(&facts).await.unwrap();
    let walked = test.app.deriver().walks(&facts).await.unwrap();
    let km = |unit: &Vec<usize>| unit.iter().map(|segment| walked.exposure.planned_km[*segment]).sum::<f64>();
    let unit = rates.stretches.members.iter().position(|unit| km(unit) > 0.05).unwrap();
    test.get(&format!("/stretch/{unit}")).await.expect(200).says("km of planned survey walks");
}

#[tokio::test]
async fn the_reporting_ratio_is_estimated_from_enough_planned_encounters() {
    let test = TestApp::park().await;
    let walks =
        (0..20).map(|idx| walk(&format!("W-{idx}"), Purpose::Planned, track(&LEDGE, 1.2, START_S))).collect();
    let met = (0..40).map(|idx| {
        let east_m = -1300.0 + f64::from(idx) * 60.0;
        survey(&format!("P-{idx}"), &format!("W-{}", idx % 20), east_m, 0.0)
    });
    put(&test, walks, met.collect()).await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().survey(&facts).await.unwrap();
    let ReportingRatio::Estimated(all) = &layer.ratios[0].ratio else { panic!("{:?}", layer.ratios) };
    // Only segments whose walking the counter identifies are shared: not all of the 40 lie there.
    assert!((20.0..40.0).contains(&all.survey_encounters), "{}", all.survey_encounters);
    // By hand: reports a party-km over survey encounters a survey-km there, within a factor of two, since season and uneven
    // walking enter.
    let exposure = test.app.deriver().exposure(&facts).await.unwrap();
    let walked = test.app.deriver().walks(&facts).await.unwrap();
    let is_known = |provenance: Provenance| matches!(provenance, Provenance::Counted | Provenance::Fitted);
    let survey_km = &walked.exposure.planned_km;
    let is_shared =
        |segment: &usize| survey_km[*segment] > 0.0 && is_known(exposure.field.provenance[*segment]);
    let shared: Vec<usize> = (0..survey_km.len()).filter(is_shared).collect();
    assert_eq!(shared.len(), layer.ratios[0].n_cells);
    let sum = |km: &[f64]| shared.iter().map(|segment| km[*segment]).sum::<f64>();
    let by_hand = (all.reports / sum(&exposure.mean_km)) / (all.survey_encounters / sum(survey_km));
    assert!((0.5..2.0).contains(&(all.ratio.mean / by_hand)), "{} for {by_hand}", all.ratio.mean);
    assert!(all.ratio.lower < all.ratio.mean && all.ratio.mean < all.ratio.upper);
    let joint = layer.trails.joint.as_ref().unwrap();
    assert!(joint.units[0].estimate().is_some());
    let page = test.get("/survey").await.expect(200);
    page.says(
        "Where survey teams would meet 100 snakes, parties out walking the same kilometres report about",
    );
    page.says("95 % interval");
}

#[tokio::test]
async fn targeted_walks_inform_their_own_stretches_only() {
    let test = TestApp::park().await;
    let planned = (0..10).map(|idx| walk(&format!("P-{idx}"), Purpose::Planned, track(&LEDGE, 1.2, START_S)));
    let targeted =
        (0..10).map(|idx| walk(&format!("T-{idx}"), Purpose::Targeted, track(&WEST, 1.2, START_S)));
    let opportunistic = walk("O-0", Purpose::Opportunistic, track(&LEDGE, 1.2, START_S));
    let few = (0..6)
        .map(|idx| survey(&format!("PE-{idx}"), &format!("P-{idx}"), -1200.0 + 450.0 * f64::from(idx), 0.0));
    let many = (0..40).map(|idx| {
        survey(&format!("TE-{idx}"), &format!("T-{}", idx % 10), -1000.0 + 20.0 * f64::from(idx), 25.0)
    });
    put(&test, planned.chain(targeted).chain([opportunistic]).collect(), few.chain(many).collect()).await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().survey(&facts).await.unwrap();
    let set = &layer.stretches;
    let fits = set.fits.as_ref().unwrap();
    let mean = |fit: &coilway::analysis::rates::RateFit, unit: usize| {
        fit.units[unit].estimate().map(|estimate| estimate.per_km.mean)
    };
    let mut n_raised = 0;
    for (unit, [planned, targeted, opportunistic]) in set.effort.iter().enumerate() {
        let (alone, with) = (mean(&fits.planned_only, unit), mean(&fits.with_targeted, unit));
        if targeted.km > 0.0 && targeted.count > 5.0 {
            n_raised += usize::from(with.unwrap() > alone.unwrap());
        } else if targeted.km == 0.0 {
            assert_eq!(alone, with, "{}", set.names[unit]);
        }
        assert!(planned.km > 0.0 || opportunistic.km == 0.0);
    }
    assert!(n_raised >= 1);
    // The 40 encounters of targeted walks are in no reporting ratio.
    let ReportingRatio::NotEstimable { survey_encounters } = layer.ratios[0].ratio else { panic!() };
    assert!(survey_encounters <= 6.0, "{survey_encounters}");
}

#[tokio::test]
async fn an_encounter_away_from_its_walk_is_in_no_rate() {
    let test = TestApp::park().await;
    let walks = vec![
        walk("W-1", Purpose::Planned, track(&WEST, 1.2, START_S)),
        walk("W-bare", Purpose::Planned, Vec::new()),
    ];
    let met = vec![
        survey("near", "W-1", -900.0, 27.0),
        survey("eastern-ledge", "W-1", 900.0, -45.0),
        survey("bare", "W-bare", -900.0, 27.0),
    ];
    put(&test, walks, met).await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().walks(&facts).await.unwrap();
    let n = |asked: Fate| layer.n_with(|fate| fate == asked);
    assert_eq!((n(Fate::OnWalk(0)), n(Fate::Elsewhere), n(Fate::NoTrack), n(Fate::NoWalk)), (1, 1, 1, 6));
    assert_eq!(layer.planned_counts.iter().sum::<f64>().round(), 1.0);
    let page = test.get("/walks/2").await.expect(200);
    page.says("No track was recorded");
    page.says("in no rate, since the walk has no track on the trails");
}

#[tokio::test]
async fn surveys_stand_alone_where_nothing_says_how_far_visitors_walk() {
    let test = TestApp::with(&Park { has_walking: false, has_encounters: false, ..Park::default() }).await;
    put(
        &test,
        vec![walk("W-1", Purpose::Planned, track(&LEDGE, 1.2, START_S))],
        vec![survey("a", "W-1", -900.0, 27.0)],
    )
    .await;
    let page = test.get("/survey").await.expect(200);
    page.says("Nothing says how far visitors walk");
    page.says("1 in 3.0 km");
    page.says("nothing says how far visitors walk, so surveys stand alone");
}

#[tokio::test]
async fn without_walks_the_page_says_what_is_missing() {
    let test = TestApp::park().await;
    let page = test.get("/survey").await;
    page.says("bring in survey walks with their GPS tracks");
    test.get("/walks").await.expect(200).says("No survey walks.");
}

#[test]
fn pages_look_as_before() {
    check("walks", views::walks::list_samples().iter().map(views::walks::list_body));
    check("walk", views::walks::one_samples().iter().map(views::walks::one_body));
    check("survey", views::survey::samples().iter().map(views::survey::body));
}

/// Survey rates share their distribution as the settings say, like those from reports.
#[tokio::test]
async fn survey_strata_follow_the_setting() {
    let test = TestApp::park().await;
    let walks = vec![walk("W-1", Purpose::Planned, track(&WEST, 1.2, START_S))];
    put(&test, walks, vec![survey("W1-a", "W-1", -900.0, 27.0)]).await;
    let target = test.by_hand().await;
    let strata = async || {
        let facts = test.app.deriver().facts().await.unwrap();
        let layer = test.app.deriver().survey(&facts).await.unwrap();
        let fits = layer.stretches.fits.as_ref().unwrap();
        (fits.planned_only.strata.len(), fits.with_targeted.strata.len())
    };
    assert_eq!(strata().await, (2, 2), "each trail by itself");
    let facts = test.app.deriver().facts().await.unwrap();
    let alike: Vec<TrailDraft> = facts
        .trails
        .iter()
        .map(|trail| TrailDraft {
            name: trail.name.clone(),
            habitat: "scrub".to_owned(),
            parts: trail.parts.clone(),
            elevations_m: trail.elevations_m.clone(),
        })
        .collect();
    test.write(async |writer| {
        writer.set_setting(target.area, "strata-by-habitat", "1").await.unwrap();
        assert!(writer.put_trails(&target, &rows(alike)).await.unwrap().problems.is_empty());
    })
    .await;
    assert_eq!(strata().await, (1, 1), "both trails are in one habitat");
}

#[tokio::test]
async fn survey_encounters_are_tied_with_the_settings_of_the_area() {
    let test = TestApp::park().await;
    let met = (0..20).map(|idx| survey(&format!("P-{idx}"), "W-0", -1050.0, 20.0));
    put(&test, vec![walk("W-0", Purpose::Planned, track(&LEDGE, 1.2, START_S))], met.collect()).await;
    // Where they lie on the ledge, metres east of the crossing.
    let east_m = async || {
        let facts = test.app.deriver().facts().await.unwrap();
        let network = test.app.deriver().network(&facts).await.unwrap();
        let walked = test.app.deriver().walks(&facts).await.unwrap();
        let total: f64 = walked.planned_counts.iter().sum();
        let centre = |segment: usize| {
            let line = &network.network.segments[segment].geometry;
            (line[0].lon().midpoint(line[line.len() - 1].lon()) - at(0.0, 0.0).lon()) * 88_290.0
        };
        let counts = walked.planned_counts.iter().enumerate();
        (counts.map(|(segment, n)| n * centre(segment)).sum::<f64>() / total, total)
    };
    let plain = east_m().await;
    assert!((plain.0 + 1050.0).abs() < 60.0 && (plain.1 - 20.0).abs() < 1e-9, "{plain:?}");
    let area = test.by_hand().await.area;
    test.write(async |writer| writer.set_setting(area, "position-bias-east", "90").await.unwrap()).await;
    // Positions are read 90 m too far east, so that the snakes lay west of them.
    let moved = east_m().await;
    assert!(
        (60.0..120.0).contains(&(plain.0 - moved.0)) && (moved.1 - 20.0).abs() < 1e-9,
        "{plain:?} {moved:?}"
    );
}
