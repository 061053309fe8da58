//! Signs that come back each season, signs that others are put beside, and signs by lot whose losers get theirs later: planted,
//! with what a naive comparison makes of them.

use jiff::civil::Date;
use jiff::civil::date;

use coilway::analysis::before_after::Change;
use coilway::analysis::before_after::Effectiveness;
use coilway::analysis::before_after::Index;
use coilway::analysis::before_after::Period;
use coilway::analysis::before_after::Role;
use coilway::analysis::before_after::control::Cells;
use coilway::analysis::before_after::control::before_after_control;
use coilway::analysis::before_after::empirical_bayes::CompareParams;
use coilway::analysis::before_after::lottery::PairCounts;
use coilway::analysis::before_after::lottery::lottery;
use coilway::derived::effect::Campaign;
use coilway::derived::effect::EffectLayer;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::ids::SignPlanId;
use coilway::domain::revision::Revision;
use coilway::domain::sign_watch::SignWatchDraft;
use coilway::domain::sign_watch::WatchCounts;
use coilway::domain::sign_watch::Watcher;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::store::PlanSite;
use coilway::store::SignInPlaceDraft;
use coilway::store::SignPlanDraft;

use crate::support::TestApp;
use crate::support::paths::DAY_S;
use crate::support::paths::FIRST_S;
use crate::support::paths::N_PATHS;
use crate::support::paths::has_sign;
use crate::support::paths::on_path;
use crate::support::paths::sign_spot;
use crate::support::report;
use crate::support::rows;

/// Planned walks on each path in a summer, each of which meets a snake where nothing was done.
const A_SUMMER: i64 = 24;

/// Days since 1 April 2024, where days of other years are meant.
fn day_of(when: Date) -> i64 {
    i64::from((when - date(2024, 4, 1)).get_days())
}

fn up_s(when: Date) -> i64 {
    FIRST_S + day_of(when) * DAY_S
}

/// Every eighth day of the summers from 20 April on: 24 a year, 9 of them before July.
fn days(years: impl Iterator<Item = i16>) -> Vec<Date> {
    let of_year = |year: i16| {
        let day = move |idx: i64| date(year, 4, 20).checked_add(jiff::Span::new().days(8 * idx)).unwrap();
        (0..A_SUMMER).map(day)
    };
    years.flat_map(of_year).collect()
}

/// Whether the walk of a day meets a snake, by its number.
fn meets(idx: usize, is_warned: bool) -> bool {
    !is_warned || idx.is_multiple_of(2)
}

/// Surveys of all paths on these days, each of which meets a snake 700 m up the path, but for every second where `is_warned`.
async fn put_surveys(test: &TestApp, days: &[Date], is_warned: impl Fn(usize, Date) -> bool) {
    put_surveys_of(test, days, is_warned, |_| 1).await;
}

/// The same, of so many snakes in a year at each meeting.
async fn put_surveys_of(
    test: &TestApp,
    days: &[Date],
    is_warned: impl Fn(usize, Date) -> bool,
    n_snakes: impl Fn(i16) -> u64,
) {
    let (mut walks, mut met) = (Vec::new(), Vec::new());
    for (idx, day) in days.iter().enumerate() {
        for path in 0..N_PATHS {
            let event_id = format!("W-{path}-{day}");
            walks.push(WalkDraft {
                event_id: event_id.clone(),
                parent_event_id: String::new(),
                purpose: Purpose::Planned,
                observers: "A".to_owned(),
                start_s: up_s(*day) + 10 * 3600,
                end_s: None,
                sampling_protocol: String::new(),
                track: (0..=30).map(|step| on_path(path, f64::from(step) * 50.0)).collect(),
                track_times_s: Vec::new(),
            });
            let n_met = if meets(idx, is_warned(path, *day)) { n_snakes(day.year()) } else { 0 };
            for number in 0..n_met {
                let found = report(&format!("S-{path}-{day}-{number}"), on_path(path, 700.0), *day, 10);
                let event_id = event_id.clone();
                met.push(EncounterDraft { effort_kind: EffortKind::Survey, event_id, ..found });
            }
        }
    }
    let target = test.by_hand().await;
    test.write(async |writer| {
        assert_eq!(writer.put_walks(&target, &rows(walks)).await.unwrap().problems, []);
        assert_eq!(writer.put_encounters(&target, &rows(met)).await.unwrap().problems, []);
    })
    .await;
}

fn sign(
    path: usize,
    metres: f64,
    (up, down): (Date, Option<Date>),
    plan: Option<SignPlanId>,
) -> SignInPlaceDraft {
    SignInPlaceDraft {
        name: format!("Sign {path} at {metres}"),
        position: on_path(path, metres),
        kind: "trail sign".to_owned(),
        plan,
        up_s: up_s(up),
        down_s: down.map(up_s),
    }
}

async fn put_signs(test: &TestApp, signs: Vec<SignInPlaceDraft>) {
    let target = test.by_hand().await;
    test.write(async |writer| {
        assert_eq!(writer.put_signs_in_place(&target, &rows(signs)).await.unwrap().problems, []);
    })
    .await;
}

async fn effect(test: &TestApp) -> std::sync::Arc<EffectLayer> {
    let facts = test.app.deriver().facts().await.unwrap();
    test.app.deriver().effect(&facts).await.unwrap().value
}

fn estimated(found: &Effectiveness) -> &Index {
    match found {
        Effectiveness::Estimated(index) => index,
        Effectiveness::NotEstimable(why) => panic!("{why:?}"),
    }
}

fn counts(campaign: &Campaign) -> (u64, u64) {
    (campaign.signed.0.count, campaign.signed.1.count)
}

/// What is planted: half as many. Limits hold it and leave out that nothing changed.
fn is_half(index: &Index) {
    let estimate = index.change.estimate().unwrap();
    assert!((0.42..0.58).contains(&estimate), "{index:?}");
    let upper = index.limits.upper.unwrap();
    assert!(index.limits.lower < 0.5 && 0.5 < upper && upper < 1.0, "{index:?}");
}

/// After over before with signs over the same without, from snakes and summers.
fn naive(signed_before: (u64, f64), signed_after: (u64, f64)) -> f64 {
    let period = |(count, summers): (u64, f64)| Period { count, km: summers };
    let control = |summers: f64| Period { count: 8 * 24 * summers as u64, km: summers };
    let cells = Cells {
        signed_before: period(signed_before),
        signed_after: period(signed_after),
        control_before: control(signed_before.1),
        control_after: control(signed_after.1),
    };
    match before_after_control(&cells, 0.95).unwrap().change {
        Change::Estimate(ratio) => ratio,
        Change::ZeroCell => panic!("{cells:?}"),
    }
}

#[tokio::test]
async fn signs_that_come_back_each_season_are_one_campaign() {
    let test = TestApp::sixteen_bare_paths().await;
    put_surveys(&test, &days(2023..=2026), |path, day| has_sign(path) && day.year() > 2023).await;
    let season = |year: i16| (date(year, 4, 1), Some(date(year, 11, 1)));
    let signed = || (0..N_PATHS).filter(|path| has_sign(*path));
    let signs =
        (2024..=2026).flat_map(|year| signed().map(move |path| sign(path, 400.0, season(year), None)));
    put_signs(&test, signs.collect()).await;
    let layer = effect(&test).await;
    let [campaign] = &layer.campaigns.as_ref().unwrap()[..] else { panic!("{:?}", layer.campaigns) };
    assert_eq!((campaign.by_sign.len(), campaign.signs.len()), (8, 24));
    assert_eq!(campaign.times.first_up_s, up_s(date(2024, 4, 1)));
    let seasons = (2024..=2026).map(|year| (up_s(date(year, 4, 1)), up_s(date(year, 11, 1))));
    assert_eq!(campaign.times.after, seasons.collect::<Vec<_>>());
    assert_eq!(counts(campaign), (8 * 24, 3 * 8 * 12));
    is_half(estimated(&campaign.bayes));
    // Each row by itself, the last season has two with signs in its before.
    let ratio = naive((8 * (24 + 12 + 12), 3.0), (8 * 12, 1.0));
    assert!((ratio - 0.75).abs() < 1e-12, "{ratio}");
    // Every row of a sign that came back warns where the first did.
    let first = &layer.signs[0];
    assert!(first.warns_km > 0.3, "{first:?}");
    assert!(
        layer
            .signs
            .iter()
            .filter(|it| it.sign.given.name == first.sign.given.name)
            .all(|it| it.warns_km == first.warns_km)
    );
    let page = test.get("/effect").await.expect(200);
    page.says(
        "from 1 April 2024 until 1 November 2024, from 1 April 2025 until 1 November 2025, from 1 April 2026",
    );
}

#[tokio::test]
async fn a_sign_put_beside_an_older_one_takes_neither_its_stretches_nor_its_effect() {
    let test = TestApp::sixteen_bare_paths().await;
    put_surveys(&test, &days(2023..=2025), |path, day| has_sign(path) && day.year() > 2023).await;
    let signed = || (0..N_PATHS).filter(|path| has_sign(*path));
    let older = signed().map(|path| sign(path, 400.0, (date(2024, 4, 1), None), None));
    // It does nothing more.
    let newer = signed().map(|path| sign(path, 600.0, (date(2025, 4, 1), None), None));
    put_signs(&test, older.chain(newer).collect()).await;
    let layer = effect(&test).await;
    let [older, newer] = &layer.campaigns.as_ref().unwrap()[..] else { panic!("{:?}", layer.campaigns) };
    assert_eq!(counts(older), (8 * 24, 2 * 8 * 12));
    is_half(estimated(&older.bayes));
    // Where both warn, only the summer without any sign is before.
    assert_eq!(counts(newer), (8 * 24, 8 * 12));
    is_half(estimated(&newer.bayes));
    let summers = [(newer.signed.0, newer.signed.1), (newer.control.0, newer.control.1)];
    for (before, after) in summers {
        assert!((before.km / after.km - 1.0).abs() < 1e-9, "one summer and one: {before:?} {after:?}");
    }
    test.get("/effect").await.says("but for 1 April 2024 until 1 April 2025, when other signs warned there");
    let ratio = naive((8 * (24 + 12), 2.0), (8 * 12, 1.0));
    assert!((ratio - 2.0 / 3.0).abs() < 1e-12, "{ratio}");
}

#[tokio::test]
async fn a_sign_of_long_ago_at_the_same_spot_is_in_no_before() {
    let test = TestApp::sixteen_bare_paths().await;
    // There were twice as many snakes everywhere in the year of the first signs.
    let is_warned = |path, day: Date| has_sign(path) && [2021, 2024].contains(&day.year());
    put_surveys_of(&test, &days(2021..=2024), is_warned, |year| if year == 2021 { 2 } else { 1 }).await;
    let signed = || (0..N_PATHS).filter(|path| has_sign(*path));
    let once = signed().map(|path| sign(path, 400.0, (date(2021, 4, 1), Some(date(2021, 11, 1))), None));
    let again = signed().map(|path| sign(path, 400.0, (date(2024, 4, 1), None), None));
    put_signs(&test, once.chain(again).collect()).await;
    let watch = |(path, year): (usize, i16)| SignWatchDraft {
        event_id: format!("{path} {year}"),
        locality: format!("Bend {path}"),
        position: on_path(path, 700.0),
        start_s: up_s(date(year, 6, 1)) + 10 * 3600,
        length_s: 3600,
        counts: WatchCounts::new(20, None, 8).unwrap(),
        asked: "keeps to the middle".to_owned(),
        watcher: Watcher::Unseen,
        recorded_by: String::new(),
        remarks: String::new(),
    };
    let watches = [2021, 2023, 2024].into_iter().flat_map(|year| (0..N_PATHS).map(move |path| (path, year)));
    let target = test.by_hand().await;
    test.write(async |writer| {
        let tally = writer.put_sign_watches(&target, &rows(watches.map(watch))).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    let layer = effect(&test).await;
    let [once, again] = &layer.campaigns.as_ref().unwrap()[..] else { panic!("{:?}", layer.campaigns) };
    assert_eq!(counts(once), (0, 2 * 8 * 12));
    assert_eq!(counts(again), (2 * 8 * 24, 8 * 12));
    // On controls the same years are before: with 2021 among them, two thirds as many would be expected.
    assert_eq!((again.control.0.count, again.control.1.count), (2 * 8 * 24, 8 * 24));
    is_half(estimated(&again.bayes));
    // Nor is what was watched where it warned.
    let watched = layer.watching.compared.iter().find(|it| it.campaign == 1).unwrap();
    let signed: Vec<_> = watched.places.iter().filter(|place| place.role == Role::Signed).collect();
    assert_eq!(signed.len(), 8);
    assert!(signed.iter().all(|place| place.n_watches == (1, 1)), "{signed:?}");
}

/// A plan that drew lots: of paths 0 and 1, 2 and 3, and so on, the first ones won.
async fn put_plan(test: &TestApp) -> SignPlanId {
    let site = |path: usize| PlanSite {
        position: sign_spot(path),
        kind: "trail sign".to_owned(),
        facing_deg: None,
        wording_key: "trail_sign".to_owned(),
        up_date: None,
        down_date: None,
        letter_height: None,
        reason: format!("Path {path}"),
    };
    let pairs: Vec<String> =
        (0..N_PATHS / 2).map(|pair| format!("[{},{}]", 2 * pair + 1, 2 * pair + 2)).collect();
    let draft = SignPlanDraft {
        name: "By lot".to_owned(),
        parameters_json: format!("{{\"lottery_pairs\":[{}]}}", pairs.join(",")),
        result_json: "{}".to_owned(),
        based_on: Revision(1),
        sites: (0..N_PATHS).map(site).collect(),
    };
    let target = test.by_hand().await;
    let mut kept = None;
    test.write(async |writer| kept = Some(writer.add_sign_plan(target.area, &draft).await.unwrap())).await;
    kept.unwrap()
}

/// What lots say of these days, the first of which has this number: places that won against places that lost.
fn naive_lots(days: &[Date], first: usize, is_warned: impl Fn(usize, Date) -> bool) -> f64 {
    let place = |path: usize| {
        let met = days.iter().enumerate().filter(|(idx, day)| meets(idx + first, is_warned(path, **day)));
        Period { count: met.count() as u64, km: days.len() as f64 }
    };
    let pair = |pair: usize| PairCounts { signed: place(2 * pair), unsigned: place(2 * pair + 1) };
    let pairs: Vec<PairCounts> = (0..N_PATHS / 2).map(pair).collect();
    estimated(&lottery(&pairs, &CompareParams::default()).unwrap()).change.estimate().unwrap()
}

#[tokio::test]
async fn lots_speak_of_the_time_until_the_losers_get_their_signs() {
    let test = TestApp::sixteen_bare_paths().await;
    let lost_up = date(2025, 4, 1);
    let is_warned = |path, day| day >= if has_sign(path) { date(2024, 4, 1) } else { lost_up };
    put_surveys(&test, &days(2023..=2025), is_warned).await;
    let plan = Some(put_plan(&test).await);
    let up = |path: usize| (if has_sign(path) { date(2024, 4, 1) } else { lost_up }, None);
    // Nobody put up the sign of the last pair yet: its places are no pair of a place with and one without.
    put_signs(&test, (0..N_PATHS - 2).map(|path| sign(path, 400.0, up(path), plan)).collect()).await;
    let layer = effect(&test).await;
    let [won, lost] = &layer.campaigns.as_ref().unwrap()[..] else { panic!("{:?}", layer.campaigns) };
    let drawn = estimated(won.lottery.as_ref().unwrap());
    assert_eq!((drawn.n_signs, drawn.observed), (7, 7 * 12), "the summer of 2024 alone");
    is_half(drawn);
    assert_eq!(lost.lottery, None, "signed places were held against signed places");
    assert_eq!(naive_lots(&days(2025..=2025), 0, is_warned), 1.0);
    assert_eq!(naive_lots(&days(2024..=2024), 0, is_warned), 0.5);
}

#[tokio::test]
async fn losers_that_get_their_signs_soon_end_what_lots_speak_of() {
    let test = TestApp::sixteen_bare_paths().await;
    let lost_up = date(2024, 7, 1);
    let is_warned = |path, day| day >= if has_sign(path) { date(2024, 4, 1) } else { lost_up };
    put_surveys(&test, &days(2023..=2024), is_warned).await;
    let plan = Some(put_plan(&test).await);
    let up = |path: usize| (if has_sign(path) { date(2024, 4, 1) } else { lost_up }, None);
    put_signs(&test, (0..N_PATHS).map(|path| sign(path, 400.0, up(path), plan)).collect()).await;
    let layer = effect(&test).await;
    let [campaign] = &layer.campaigns.as_ref().unwrap()[..] else { panic!("{:?}", layer.campaigns) };
    let drawn = estimated(campaign.lottery.as_ref().unwrap());
    // Nine walks on each path before July, of which every second from the first on meets a snake where a sign stands.
    assert_eq!((drawn.n_signs, drawn.observed), (8, 8 * 5));
    // Nearly as many kilometres at either place of a pair.
    assert!((drawn.expected / 72.0 - 1.0).abs() < 0.05, "{drawn:?}");
    let estimate = drawn.change.estimate().unwrap();
    assert!((estimate / (5.0 / 9.0) - 1.0).abs() < 0.05, "{drawn:?}");
    assert!(drawn.limits.upper.unwrap() < 1.0, "{drawn:?}");
    // After all signs were up, there were as many at either place of a pair.
    assert_eq!(naive_lots(&days(2024..=2024)[9..], 9, is_warned), 1.0);
}
