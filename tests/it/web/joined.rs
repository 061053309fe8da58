//! Surveys and reports joined, with planted truth: of two species unlike shares are reported, and signs make people report more.

use coilway::analysis::random::Stream;
use coilway::analysis::random::stream;
use coilway::analysis::rates::ExposureDraws;
use coilway::analysis::rates::Interval;
use coilway::analysis::rates::ReportingRatio;
use coilway::derived::effect::Known;
use coilway::derived::effect::SignState;
use coilway::derived::effect::SpeciesGroups;
use coilway::derived::effect::reporting_by_state;
use coilway::derived::survey::JoinRatio;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::time::EventDate;
use coilway::domain::time::EventTime;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use jiff::civil::date;
use rand::RngExt;
use rand_distr::Distribution;
use rand_distr::Poisson;

use crate::support::TestApp;
use crate::support::paths::DAY_S;
use crate::support::paths::FIRST_S;
use crate::support::paths::HOURS;
use crate::support::paths::N_DAYS;
use crate::support::paths::N_PATHS;
use crate::support::paths::SIGN_DAY;
use crate::support::paths::has_sign;
use crate::support::paths::on_path;
use crate::support::paths::sign_spot;
use crate::support::report;
use crate::support::rows;

const SPECIES: [&str; 3] = ["Crotalus viridis", "Crotalus lutosus", "Crotalus cerberus"];
/// Encounters a km that surveys meet of both species together.
const RATE: f64 = 0.6;
/// Share of what surveys would meet that is reported, by species.
const REPORTED: [f64; 2] = [0.02, 0.2];
/// Reports a km of the third species, which no survey ever met: people take others for it.
const MISTAKEN: f64 = 0.02;
/// Signs make people report so many times as much.
const SIGN_MAKES: f64 = 2.0;

/// Share of the first species: on the upper half of the paths mostly the one, on the others mostly the other.
fn shares(path: usize) -> [f64; 2] {
    let first = if path < N_PATHS / 2 { 0.85 } else { 0.15 };
    [first, 1.0 - first]
}

fn some(mean: f64, rng: &mut Stream) -> u64 {
    Poisson::new(mean.max(1e-9)).unwrap().sample(rng) as u64
}

/// A record at a place on a day and in an hour.
fn met(id: String, species: usize, at: LonLat, (day, hour): (i64, i64)) -> EncounterDraft {
    let day = date(2024, 4, 1).checked_add(jiff::Span::new().days(day)).unwrap();
    EncounterDraft {
        scientific_name: SPECIES[species].to_owned(),
        ..report(&id, at, day, u16::try_from(hour).unwrap())
    }
}

fn walk(path: usize, day: i64) -> WalkDraft {
    WalkDraft {
        event_id: format!("W-{path}-{day}"),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: "A".to_owned(),
        start_s: FIRST_S + day * DAY_S + 10 * 3600,
        end_s: None,
        sampling_protocol: String::new(),
        track: (0..=30).map(|step| on_path(path, f64::from(step) * 50.0)).collect(),
        track_times_s: Vec::new(),
    }
}

/// The paths with surveys and reports, and how many reports of all species each path has; what people walk is what the exposure
/// says without them.
async fn planted() -> (TestApp, [f64; N_PATHS]) {
    let test = TestApp::sixteen_paths().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let network = test.app.deriver().network(&facts).await.unwrap();
    let exposure = test.app.deriver().exposure(&facts).await.unwrap();
    let mut rng = stream(23, 0);
    let (mut walks, mut all) = (Vec::new(), Vec::new());
    for path in 0..N_PATHS {
        for day in (0..N_DAYS).step_by(2) {
            walks.push(walk(path, day));
            for (species, share) in shares(path).into_iter().enumerate() {
                for idx in 0..some(RATE * share * 1.5, &mut rng) {
                    let at = on_path(path, 1490.0 * rng.random::<f64>() + 5.0);
                    let found = met(format!("S-{path}-{day}-{species}-{idx}"), species, at, (day, 10));
                    let event_id = format!("W-{path}-{day}");
                    all.push(EncounterDraft { effort_kind: EffortKind::Survey, event_id, ..found });
                }
            }
        }
    }
    let mut n_reports = [0.0; N_PATHS];
    let segments = network.network.segments.iter().zip(&exposure.mean_km).enumerate();
    for (segment, (line, km)) in segments {
        let path: usize = network.trail_name(segment).trim_start_matches("Path ").parse().unwrap();
        let at = line.geometry[0].lat().midpoint(line.geometry[line.geometry.len() - 1].lat());
        let at = LonLat::wrapped(line.geometry[0].lon(), at);
        let [first, second] = shares(path);
        let reported = [RATE * first * REPORTED[0], RATE * second * REPORTED[1], MISTAKEN];
        for (species, per_km) in reported.into_iter().enumerate() {
            for after in [false, true] {
                let factor = if after && has_sign(path) { SIGN_MAKES } else { 1.0 };
                let days = if after { SIGN_DAY..N_DAYS } else { 0..SIGN_DAY };
                let days_share = (days.end - days.start) as f64 / N_DAYS as f64;
                let mean = per_km * factor * km * days_share;
                for idx in 0..some(mean, &mut rng) {
                    let time = (rng.random_range(days.clone()), rng.random_range(HOURS));
                    let found = met(format!("R-{segment}-{species}-{after}-{idx}"), species, at, time);
                    n_reports[path] += 1.0;
                    // Some give no time of day, some the month alone; the signs went up on the first day of one.
                    let month = if after { 5 } else { 4 };
                    let date = match rng.random_range(0..10) {
                        0..7 => {
                            all.push(found);
                            continue;
                        }
                        7..9 => found.time.date,
                        _ => EventDate::Month { year: 2024, month },
                    };
                    let time = EventTime { date, minute_of_day: None, instant_s: None };
                    all.push(EncounterDraft { time, ..found });
                }
            }
        }
    }
    let target = test.by_hand().await;
    test.write(async |writer| {
        assert_eq!(writer.put_walks(&target, &rows(walks)).await.unwrap().problems, []);
        assert_eq!(writer.put_encounters(&target, &rows(all)).await.unwrap().problems, []);
    })
    .await;
    (test, n_reports)
}

fn limits(ratio: &ReportingRatio) -> Interval {
    match ratio {
        ReportingRatio::Estimated(known) => known.ratio,
        ReportingRatio::NotEstimable { .. } => panic!("{ratio:?}"),
    }
}

#[tokio::test]
async fn planted_rates_come_back_from_species_and_signs_that_are_reported_unlike() {
    let (test, n_reports) = planted().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().survey(&facts).await.unwrap();
    let holds = |limits: Interval, planted: f64| (limits.lower..=limits.upper).contains(&planted);
    // Each species in each state, the ratio planted for it.
    let find = |species: usize, state: SignState| -> &JoinRatio {
        let of = |it: &&JoinRatio| it.group == SPECIES[species] && it.state == Some(state);
        layer.joined_by.iter().find(of).unwrap_or_else(|| panic!("{:?}", layer.joined_by))
    };
    for (species, reported) in REPORTED.into_iter().enumerate() {
        let unsigned = find(species, SignState::Unsigned);
        assert!(holds(limits(&unsigned.ratio), reported), "{unsigned:?}");
        let signed = find(species, SignState::Signed);
        assert!(holds(limits(&signed.ratio), reported * SIGN_MAKES), "{signed:?}");
    }
    // What no survey met has no ratio, and is counted by surveys alone.
    let alone = layer.joined_by.iter().find(|it| it.group == "All other species").unwrap();
    assert!(alone.ratio.draws().is_none() && alone.basis.contains("surveys alone"), "{alone:?}");
    // The one ratio of all lies between, and belongs to no path.
    let all = limits(&layer.ratios[0].ratio);
    assert!(all.lower > REPORTED[0] * 2.0 && all.upper < REPORTED[1] * SIGN_MAKES, "{all:?}");
    let joint = layer.trails.joint.as_ref().unwrap();
    let exposure = test.app.deriver().exposure(&facts).await.unwrap();
    let (mut n_held, mut over) = (0, [0.0; 2]);
    for (unit, members) in layer.trails.members.iter().enumerate() {
        let path: usize = layer.trails.names[unit].trim_start_matches("Path ").parse().unwrap();
        let estimate = joint.units[unit].estimate().unwrap().per_km;
        n_held += usize::from(holds(estimate, RATE));
        // The naive way: everything that was met over survey-km and visitors' km by the ratio of all.
        let walked: f64 = members.iter().map(|segment| exposure.mean_km[*segment]).sum();
        let [planned, ..] = layer.trails.effort[unit];
        let naive = (planned.count + n_reports[path]) / (planned.km + all.mean * walked);
        over[usize::from(path < N_PATHS / 2)] += naive / RATE / (N_PATHS / 2) as f64;
    }
    assert!(n_held >= 14, "{n_held} of {N_PATHS}");
    assert!(over[1] < 0.75 && over[0] > 1.25, "{over:?}");
    let page = test.get("/survey").await.expect(200);
    for words in [
        "How reports are joined to surveys",
        "Crotalus lutosus: most walkers in reach of a sign, while it stands",
        "of such stretches",
    ] {
        page.says(words);
    }
}

#[tokio::test]
async fn walking_is_shared_among_states_and_none_is_lost() {
    let test = TestApp::sixteen_paths().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let deriver = test.app.deriver();
    let (network, exposure) =
        (deriver.network(&facts).await.unwrap(), deriver.exposure(&facts).await.unwrap());
    let (snaps, walks) = (deriver.snaps(&facts).await.unwrap(), deriver.walks(&facts).await.unwrap());
    let known = Known { exposure: Some(&exposure), snaps: &snaps, walks: &walks, season: None };
    let groups = SpeciesGroups { ratios: &[], group_of: &|_| 0 };
    let found = reporting_by_state(&facts, &network, &exposure, known, &groups).unwrap().unwrap();
    let mean = |km: &ExposureDraws, segment: usize| {
        let draws = km.party_km.iter().skip(segment).step_by(km.n_units);
        draws.sum::<f64>() / km.n_draws as f64
    };
    for segment in 0..exposure.mean_km.len() {
        let km: Vec<f64> = found.visitor_km.iter().map(|km| mean(km, segment)).collect();
        let whole = exposure.mean_km[segment];
        assert!((km.iter().sum::<f64>() - whole).abs() < 1e-9 * whole.max(1.0), "{km:?} of {whole}");
        let path: usize = network.trail_name(segment).trim_start_matches("Path ").parse().unwrap();
        let is_beyond = network.network.segments[segment].geometry[0].lat() > sign_spot(path).lat();
        match has_sign(path) {
            false => assert!(km[0] > 0.999 * whole, "no sign on path {path}: {km:?}"),
            // Half of the days have a sign, and people walk alike on all.
            true if is_beyond && km[1] > 0.0 => assert!((km[1] / whole - 0.5).abs() < 0.02, "{km:?}"),
            true => assert!(km[0] > 0.4 * whole, "{km:?}"),
        }
    }
    let signed: f64 = (0..exposure.mean_km.len()).map(|segment| mean(&found.visitor_km[1], segment)).sum();
    assert!(signed > 0.05 * exposure.mean_km.iter().sum::<f64>(), "{signed}");
}
