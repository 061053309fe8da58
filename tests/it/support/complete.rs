//! The small park with everything that a study tells of: a former season, surveys and watches before and after signs, two
//! observers, notices.

use coilway::domain::approach::Approach;
use coilway::domain::approach::Contact;
use coilway::domain::double_observer::DoubleObservationDraft;
use coilway::domain::double_observer::NoticedBy;
use coilway::domain::double_observer::NoticedDraft;
use coilway::domain::double_observer::ObserverKind;
use coilway::domain::double_observer::ObserverProtocol;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::exposure::CounterDraft;
use coilway::domain::exposure::ReadingDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::notice::NoticeDraft;
use coilway::domain::revision::Revision;
use coilway::domain::sign_watch::SignWatchDraft;
use coilway::domain::sign_watch::WatchCounts;
use coilway::domain::sign_watch::Watcher;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::store::SignInPlaceDraft;
use coilway::store::Target;
use coilway::store::Writer;
use jiff::civil::Date;
use jiff::civil::date;

use crate::support::LEDGE;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

const DAY_S: i64 = 86_400;
/// 2023-04-01T07:00:00Z, midnight in the park: a year before the readings of the small park.
const FORMER_S: i64 = 1_680_332_400;
/// 2024-04-01T07:00:00Z.
const FIRST_S: i64 = 1_711_954_800;
/// The signs go up on 16 May 2024.
const SIGN_DAY: i64 = 45;
/// Surveys walk every other day.
const SURVEYED: std::ops::Range<i64> = 0..45;
/// Who is named nowhere in a study.
pub(crate) const OBSERVER: &str = "Zenobia Quillfeather";

impl TestApp {
    /// The small park with everything that a study tells of.
    pub(crate) async fn complete_park() -> Self {
        let test = Self::park().await;
        let target = test.by_hand().await;
        test.write(async |writer| complete(writer, &target).await).await;
        test
    }
}

/// Adds to the small park what it lacks.
pub(crate) async fn complete(writer: &mut Writer, target: &Target) {
    // Of those who walk the west of so small a park, many come home from the sign.
    writer.set_setting(target.area, "effect-passed-share", "0.3").await.unwrap();
    put_former_season(writer, target).await;
    put_surveys(writer, target).await;
    let sign = |name: &str, east_m: f64| SignInPlaceDraft {
        name: name.to_owned(),
        position: at(east_m, -30.0),
        kind: "trail sign".to_owned(),
        plan: None,
        up_s: FIRST_S + SIGN_DAY * DAY_S,
        down_s: None,
    };
    let signs = [sign("East sign", 1100.0), sign("End sign", 1350.0)];
    let tally = writer.put_signs_in_place(target, &rows(signs)).await.unwrap();
    assert_eq!(tally.problems, []);
    let tally = writer.put_sign_watches(target, &rows(watches())).await.unwrap();
    assert_eq!(tally.problems, []);
    for (trail, start) in [(LEDGE, date(2024, 6, 20)), ("Swale Path", date(2024, 4, 1))] {
        let notice = NoticeDraft {
            trail: trail.to_owned(),
            wording_key: "take-care".to_owned(),
            start,
            expiry: start.checked_add(jiff::Span::new().days(21)).unwrap(),
            reason: "seen by A. Wanderer".to_owned(),
            made_by: OBSERVER.to_owned(),
            based_on: Revision(1),
            settings: "default settings, 60 draws, seed 1".to_owned(),
        };
        writer.add_notice(target.area, &notice).await.unwrap().unwrap();
    }
}

/// Watches at both signs and at places in the west, where hardly anybody has passed one: 20 parties each, before the signs
/// and while they stand; at the signs 8 and 15 of them do as asked, elsewhere 9 and 10. One more by somebody who is seen.
fn watches() -> Vec<SignWatchDraft> {
    let places = [
        ("East sign", 1100.0, -30.0, true),
        ("End sign", 1350.0, -30.0, true),
        ("West bend", -1000.0, 0.0, false),
        ("West end", -1300.0, 0.0, false),
    ];
    let watch = |(name, east_m, north_m, has_sign): (&str, f64, f64, bool), day: i64, watcher| {
        let stands = day > SIGN_DAY;
        let did = match (has_sign, stands) {
            (true, false) => 8,
            (true, true) => 15,
            (false, false) => 9,
            (false, true) => 10,
        };
        SignWatchDraft {
            event_id: format!("{name} {day} {watcher}"),
            locality: name.to_owned(),
            position: at(east_m, north_m),
            start_s: FIRST_S + day * DAY_S + 10 * 3600,
            length_s: 5400,
            counts: WatchCounts::new(20, (has_sign && stands).then_some(7), did).unwrap(),
            asked: "Keeps to the middle".to_owned(),
            watcher,
            recorded_by: OBSERVER.to_owned(),
            remarks: String::new(),
        }
    };
    let unseen = places.iter().flat_map(|place| [10, 60].map(|day| watch(*place, day, Watcher::Unseen)));
    unseen.chain([watch(places[0], 70, Watcher::Seen)]).collect()
}

/// Counts and reports of the year before, at the counter of the small park and at a second one.
async fn put_former_season(writer: &mut Writer, target: &Target) {
    let counter = CounterDraft {
        name: "C2".to_owned(),
        device: "infrared".to_owned(),
        position: at(2.0, -1350.0),
        from_s: None,
        until_s: None,
    };
    writer.put_counters(target, &rows([counter])).await.unwrap();
    let reading = |counter: &'static str, start_s: i64, hour: i64| ReadingDraft {
        counter: counter.to_owned(),
        start_s: start_s + hour * 3600,
        length_s: 3600,
        count_in: match hour % 24 {
            7..=17 => 4 + ((hour * 5) % 7) as u32,
            _ => 0,
        } / if counter == "C2" { 3 } else { 1 },
        count_out: None,
    };
    let former = (0..366 * 24).map(|hour| reading("C1", FORMER_S, hour));
    let second = (0..457 * 24).map(|hour| reading("C2", FORMER_S, hour));
    writer.put_readings(target, &rows(former.chain(second))).await.unwrap();
    let met = (0..60).map(|idx: i32| {
        let step = f64::from(idx);
        let position =
            if idx % 3 == 0 { at(10.0, -1200.0 + step * 35.0) } else { at(-1350.0 + step * 40.0, 15.0) };
        let day = date(2023, 4, 3).checked_add(jiff::Span::new().days(i64::from(idx) * 5)).unwrap();
        report(&format!("Y-{idx}"), position, day, 7 + (idx * 7 % 11) as u16)
    });
    let tally = writer.put_encounters(target, &rows(met)).await.unwrap();
    assert_eq!(tally.problems, []);
}

/// Planned walks over both trails, and targeted ones; two observers on every third.
async fn put_surveys(writer: &mut Writer, target: &Target) {
    let walks = SURVEYED.flat_map(|idx| {
        let planned = walk(idx, Purpose::Planned);
        (idx % 9 == 0).then(|| walk(idx, Purpose::Targeted)).into_iter().chain([planned])
    });
    writer.put_walks(target, &rows(walks)).await.unwrap();
    let tally = writer.put_encounters(target, &rows(SURVEYED.flat_map(met))).await.unwrap();
    assert_eq!(tally.problems, []);
    let observed = SURVEYED.filter(|idx| idx % 3 == 0).map(|idx| DoubleObservationDraft {
        event_id: format!("P-{idx}"),
        protocol: ObserverProtocol::Independent,
        first_observer: OBSERVER.to_owned(),
        second_observer: "B".to_owned(),
        first_kind: Some(ObserverKind::Surveyor),
        second_kind: Some(ObserverKind::Surveyor),
        noticed: Some(NoticedDraft {
            occurrence_id: format!("W-{idx}"),
            by: [NoticedBy::Both, NoticedBy::First, NoticedBy::Both, NoticedBy::Second]
                [(idx / 3) as usize % 4],
        }),
    });
    let tally = writer.put_double_observations(target, &rows(observed)).await.unwrap();
    assert_eq!(tally.problems, []);
}

fn day_of(idx: i64) -> Date {
    date(2024, 4, 1).checked_add(jiff::Span::new().days(idx * 2)).unwrap()
}

fn walk(idx: i64, purpose: Purpose) -> WalkDraft {
    let track: Vec<LonLat> = match purpose {
        Purpose::Planned => (-15..=15).map(|step| at(f64::from(step) * 100.0, 0.0)).collect(),
        _ => (-14..=12).map(|step| at(0.0, f64::from(step) * 100.0)).collect(),
    };
    let letter = if purpose == Purpose::Planned { 'P' } else { 'T' };
    let start_s = FIRST_S + idx * 2 * DAY_S + 8 * 3600;
    let n_points = track.len() as i64;
    WalkDraft {
        event_id: format!("{letter}-{idx}"),
        parent_event_id: String::new(),
        purpose,
        observers: OBSERVER.to_owned(),
        start_s,
        end_s: None,
        sampling_protocol: String::new(),
        track,
        track_times_s: (0..n_points).map(|point| start_s + point * 90).collect(),
    }
}

/// One snake a walk in the west; in the east, beyond the signs, one a walk before them and one on every third after.
fn met(idx: i64) -> Vec<EncounterDraft> {
    let contact = if idx % 4 == 0 { Contact::Over } else { Contact::Passed };
    let meeting = |id: String, east_m: f64| EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: format!("P-{idx}"),
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
        ..report(&id, at(east_m, 0.0), day_of(idx), 9)
    };
    let mut all = vec![meeting(format!("W-{idx}"), -1100.0 + (idx % 5) as f64 * 100.0)];
    if idx * 2 < SIGN_DAY || idx % 3 == 0 {
        all.push(meeting(format!("F-{idx}"), 1250.0));
    }
    all
}
