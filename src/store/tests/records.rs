//! The smaller kinds of records: in, again, changed, and out.

use crate::domain::area::Species;
use crate::domain::batch::Content;
use crate::domain::exposure::CalibrationDraft;
use crate::domain::exposure::ClockCorrection;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::PartiesOf;
use crate::domain::exposure::PartySizeDraft;
use crate::domain::place::PlaceDraft;
use crate::domain::place::PlaceKind;
use crate::domain::place::SensitivePlace;
use crate::domain::revision::Revision;
use crate::domain::sign::SignLocationDraft;
use crate::domain::sign::Standing;
use crate::domain::trail::TrailDraft;
use crate::domain::trail::TrailheadDraft;
use crate::domain::units::Length;
use crate::store::Choice;
use crate::store::DecisionDraft;
use crate::store::Edited;
use crate::store::HandSnapDraft;
use crate::store::PlanSite;
use crate::store::RecordEdit;
use crate::store::RecordKind;
use crate::store::SignInPlaceDraft;
use crate::store::SignPlanDraft;
use crate::store::SnapTarget;
use crate::store::StateKey;
use crate::store::Tally;
use crate::store::Target;
use crate::store::Undone;
use crate::store::kept::Kept;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

fn counts(tally: &Tally) -> (u64, u64, u64, usize) {
    (tally.n_inserted, tally.n_unchanged, tally.n_updated, tally.problems.len())
}

fn metres(metres: f64) -> Length {
    Length::metres(metres).unwrap()
}

fn trailhead(name: &str, relative_volume: f64) -> TrailheadDraft {
    TrailheadDraft { name: name.to_owned(), position: at(10.1, 45.2), relative_volume }
}

fn trail(name: &str, lon: f64) -> TrailDraft {
    TrailDraft {
        name: name.to_owned(),
        habitat: String::new(),
        parts: vec![vec![at(lon, 2.0), at(lon + 0.1, 2.5)]],
        elevations_m: Vec::new(),
    }
}

fn counter(from_s: Option<i64>, until_s: Option<i64>) -> CounterDraft {
    CounterDraft {
        name: "C1".to_owned(),
        device: "beam".to_owned(),
        position: at(10.0, 45.0),
        from_s,
        until_s,
    }
}

#[tokio::test]
async fn a_trail_is_replaced_when_its_line_changes() {
    let test = TestStore::new().await;
    let trail = |parts: Vec<Vec<_>>| TrailDraft {
        name: "Rim".to_owned(),
        habitat: "scree".to_owned(),
        elevations_m: Vec::new(),
        parts,
    };
    let two_parts = trail(vec![vec![at(1.0, 2.0), at(1.5, 2.5)], vec![at(-179.9, 2.0), at(179.9, 2.0)]]);
    let one_part = trail(vec![vec![at(1.0, 2.0), at(1.5, 2.500_000_1)]]);
    let mut writer = test.write().await;
    let target = test.by_hand();
    let first =
        writer.put_trails(&target, &[(1, two_parts.clone()), (2, trail(vec![vec![]]))]).await.unwrap();
    assert_eq!(counts(&first), (1, 0, 0, 1));
    assert_eq!((first.problems[0].row_number, first.problems[0].field.as_str()), (2, "geometry"));
    assert_eq!(counts(&writer.put_trails(&target, &[(1, two_parts)]).await.unwrap()), (0, 1, 0, 0));
    assert_eq!(counts(&writer.put_trails(&target, &[(1, one_part.clone())]).await.unwrap()), (0, 0, 1, 0));
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let trails = snapshot.trails(test.area).await.unwrap();
    assert_eq!(trails.len(), 1);
    assert_eq!((&trails[0].parts, trails[0].habitat.as_str()), (&one_part.parts, "scree"));
    let changes = snapshot.changes(RecordKind::Trail, trails[0].id.0).await.unwrap();
    assert_eq!(changes[1].fields[0].field, "parts");
}

#[tokio::test]
async fn places_know_their_trailhead() {
    let test = TestStore::new().await;
    let place = |name: &str, trailhead: &str| PlaceDraft {
        name: name.to_owned(),
        kind: PlaceKind::CarPark,
        position: at(10.0, 45.0),
        radius: metres(40.0),
        ring: Some(vec![at(10.0, 45.0), at(10.1, 45.0), at(10.0, 45.1), at(10.0, 45.0)]),
        trailhead: trailhead.to_owned(),
        visits_per_day: Some(12.5),
    };
    let mut flat = place("Flat", "");
    flat.radius = Length::ZERO;
    let mut writer = test.write().await;
    let target = test.by_hand();
    writer.put_trailheads(&target, &[(1, trailhead("North", 30.0))]).await.unwrap();
    let given = [(1, place("Lot", "North")), (2, place("Hut", "South")), (3, flat), (4, place("Camp", ""))];
    let tally = writer.put_places(&target, &given).await.unwrap();
    assert_eq!(counts(&tally), (2, 0, 0, 2));
    assert_eq!((tally.problems[0].field.as_str(), tally.problems[0].value.as_str()), ("trailhead", "South"));
    assert_eq!(tally.problems[1].field, "radius");
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let (places, trailheads) =
        (snapshot.places(test.area).await.unwrap(), snapshot.trailheads(test.area).await.unwrap());
    assert_eq!(places.iter().map(|place| &place.given).collect::<Vec<_>>(), [&given[0].1, &given[3].1]);
    assert_eq!(places[0].trailhead_id, Some(trailheads[0].id));
    assert_eq!(places[1].trailhead_id, None);
}

#[tokio::test]
async fn rows_that_break_a_rule_say_which_field() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.by_hand();
    let volumes = [(1, trailhead("A", 0.0)), (2, trailhead("B", f64::NAN)), (3, trailhead("C", 1.0))];
    let tally = writer.put_trailheads(&target, &volumes).await.unwrap();
    assert_eq!(counts(&tally), (1, 0, 0, 2));
    assert!(tally.problems.iter().all(|problem| problem.field == "relativeVolume"), "{:?}", tally.problems);
    let tally = writer.put_counters(&target, &[(1, counter(Some(10), Some(10)))]).await.unwrap();
    assert_eq!(tally.problems[0].field, "until");
    // The counter itself did not stay behind either.
    let calibration = CalibrationDraft {
        counter: "C1".to_owned(),
        start_s: 0,
        length_s: 3_600,
        manual_count: 20,
        device_count: 17,
    };
    let tally = writer.put_calibrations(&target, &[(1, calibration)]).await.unwrap();
    assert_eq!(tally.problems[0].field, "counter");
}

#[tokio::test]
async fn a_counter_may_move_and_be_replaced() {
    let test = TestStore::new().await;
    let mut moved = counter(Some(500), None);
    moved.position = at(11.0, 46.0);
    moved.device = "camera".to_owned();
    let mut writer = test.write().await;
    let target = test.by_hand();
    let given = [(1, moved), (2, counter(None, Some(500)))];
    assert_eq!(counts(&writer.put_counters(&target, &given).await.unwrap()), (2, 0, 0, 0));
    assert_eq!(counts(&writer.put_counters(&target, &given).await.unwrap()), (0, 2, 0, 0));
    let calibration = CalibrationDraft {
        counter: "C1".to_owned(),
        start_s: 0,
        length_s: 3_600,
        manual_count: 20,
        device_count: 17,
    };
    let calibrated = [(1, calibration.clone()), (2, calibration)];
    assert_eq!(counts(&writer.put_calibrations(&target, &calibrated).await.unwrap()), (1, 1, 0, 0));
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let counters = snapshot.counters(test.area).await.unwrap();
    assert_eq!(counters.len(), 1);
    assert_eq!(counters[0].device, "camera");
    let since: Vec<_> = counters[0].locations.iter().map(|location| location.from_s).collect();
    assert_eq!(since, [None, Some(500)]);
    let calibrations = snapshot.calibrations(test.area).await.unwrap();
    assert_eq!(calibrations.len(), 1);
    assert_eq!((calibrations[0].counter_id, calibrations[0].manual_count), (counters[0].id, 20));
    drop(snapshot);

    let mut writer = test.write().await;
    let correction = ClockCorrection { from_s: 0, until_s: 100, offset_s: -3_600 };
    writer.set_clock_correction(counters[0].id, &correction, "clock change").await.unwrap();
    let bad = ClockCorrection { from_s: 5, until_s: 5, offset_s: 0 };
    assert!(writer.set_clock_correction(counters[0].id, &bad, "").await.is_err());
    writer.commit().await.unwrap();
    let counters = test.store.snapshot().await.unwrap().counters(test.area).await.unwrap();
    assert_eq!(counters[0].clock_corrections, [correction]);
}

#[tokio::test]
async fn party_sizes_are_known_by_trailhead_and_period() {
    let test = TestStore::new().await;
    let size = |trailhead: &str, from_date: &str, mean_walkers| PartySizeDraft {
        trailhead: trailhead.to_owned(),
        trail: String::new(),
        from_date: from_date.to_owned(),
        until_date: String::new(),
        mean_walkers,
        standard_error: 0.1,
        n_parties: Some(40),
    };
    let mut writer = test.write().await;
    let target = test.by_hand();
    writer.put_trailheads(&target, &[(1, trailhead("North", 1.0))]).await.unwrap();
    let given = [
        (1, size("", "", 2.5)),
        (2, size("North", "", 1.9)),
        (3, size("", "2024-01-01", 3.0)),
        (4, size("", "x", 0.5)),
    ];
    assert_eq!(counts(&writer.put_party_sizes(&target, &given).await.unwrap()), (3, 0, 0, 1));
    let again = [(1, size("", "", 2.5)), (2, size("North", "", 2.0))];
    assert_eq!(counts(&writer.put_party_sizes(&target, &again).await.unwrap()), (0, 1, 1, 0));
    writer.commit().await.unwrap();
    let sizes = test.store.snapshot().await.unwrap().party_sizes(test.area).await.unwrap();
    assert_eq!(sizes.iter().map(|size| size.mean_walkers).collect::<Vec<_>>(), [2.5, 2.0, 3.0]);
    assert!(matches!(sizes[1].of, PartiesOf::Trailhead(_)) && sizes[0].of == PartiesOf::Area);
}

#[tokio::test]
async fn party_sizes_may_be_those_of_a_trail() {
    let test = TestStore::new().await;
    let size = |trailhead: &str, trail: &str, mean_walkers| PartySizeDraft {
        trailhead: trailhead.to_owned(),
        trail: trail.to_owned(),
        from_date: String::new(),
        until_date: String::new(),
        mean_walkers,
        standard_error: 0.1,
        n_parties: Some(40),
    };
    let mut writer = test.write().await;
    let by_hand = test.by_hand();
    // The first trail and the first trailhead have the same number among their kind.
    writer.put_trails(&by_hand, &[(1, trail("Rim", 1.0)), (2, trail("Wash", 2.0))]).await.unwrap();
    writer.put_trailheads(&by_hand, &[(1, trailhead("North", 1.0))]).await.unwrap();
    let given = rows([
        size("", "", 2.5),
        size("North", "", 1.9),
        size("", "Rim", 3.5),
        size("", "Wash", 4.5),
        size("", "Nowhere", 3.0),
        size("North", "Rim", 3.0),
    ]);
    let first = test.batch(&mut writer, Content::PartySizes, "1").await;
    let tally = writer.put_party_sizes(&first, &given).await.unwrap();
    assert_eq!(counts(&tally), (4, 0, 0, 2));
    let problems: Vec<_> = tally.problems.iter().map(|it| (it.field.as_str(), it.value.as_str())).collect();
    assert_eq!(problems, [("trail", "Nowhere"), ("trail", "")]);
    assert!(tally.problems[0].reason.contains("no trail of this name"));
    assert!(tally.problems[1].reason.contains("names a trailhead too"), "{}", tally.problems[1].reason);
    assert_eq!(counts(&writer.put_party_sizes(&first, &given[..4]).await.unwrap()), (0, 4, 0, 0));
    writer.commit().await.unwrap();
    let stored = async || test.store.snapshot().await.unwrap().party_sizes(test.area).await.unwrap();
    let trails = test.store.snapshot().await.unwrap().trails(test.area).await.unwrap();
    let means = async || -> Vec<(PartiesOf, f64)> {
        stored().await.iter().map(|size| (size.of, size.mean_walkers)).collect()
    };
    let (rim, wash) = (PartiesOf::Trail(trails[0].id), PartiesOf::Trail(trails[1].id));
    assert_eq!(means().await[2..], [(rim, 3.5), (wash, 4.5)]);

    // A later batch changes the one and adds nothing; undone, it is what it was.
    let mut writer = test.write().await;
    let second = test.batch(&mut writer, Content::PartySizes, "2").await;
    let changed = rows([size("", "Rim", 6.0)]);
    assert_eq!(counts(&writer.put_party_sizes(&second, &changed).await.unwrap()), (0, 0, 1, 0));
    writer.commit().await.unwrap();
    assert_eq!(means().await[2..], [(rim, 6.0), (wash, 4.5)]);
    let undo = async |target: &Target| {
        let mut writer = test.write().await;
        let undone = writer.undo_batch(target.source.unwrap().0).await.unwrap();
        writer.commit().await.unwrap();
        undone
    };
    assert_eq!(undo(&second).await, Undone { n_removed: 0, n_restored: 1, n_kept: 0 });
    assert_eq!(means().await[2..], [(rim, 3.5), (wash, 4.5)]);

    // Without its trail a size is left out, and is not taken for one of the whole area; it cannot be put back without.
    let mut writer = test.write().await;
    let of_trail = |fields: &[(String, String)]| fields.contains(&("trail".to_owned(), "Rim".to_owned()));
    let mut snapshot = test.store.snapshot().await.unwrap();
    let state = snapshot.record_state(RecordKind::Trail, trails[0].id.0).await.unwrap().unwrap();
    drop(snapshot);
    let edit = |kind, id, seen| RecordEdit { area: test.area, kind, id, seen };
    let edited = writer.withdraw_record(&edit(RecordKind::Trail, trails[0].id.0, &state.mark)).await.unwrap();
    assert_eq!(edited, Edited::Done);
    writer.commit().await.unwrap();
    assert_eq!(stored().await.len(), 3);
    let mut snapshot = test.store.snapshot().await.unwrap();
    let of_rim = snapshot.record_state(RecordKind::PartySize, 3).await.unwrap().unwrap();
    assert!(of_trail(&of_rim.fields), "{:?}", of_rim.fields);
    drop(snapshot);
    let mut writer = test.write().await;
    let size_edit = edit(RecordKind::PartySize, 3, &of_rim.mark);
    assert_eq!(writer.withdraw_record(&size_edit).await.unwrap(), Edited::Done);
    writer.commit().await.unwrap();
    let gone =
        test.store.snapshot().await.unwrap().record_state(RecordKind::PartySize, 3).await.unwrap().unwrap();
    let mut writer = test.write().await;
    let back =
        writer.put_back_record(&edit(RecordKind::PartySize, 3, &gone.mark), StateKey::First).await.unwrap();
    assert_eq!(back, Edited::Refused("there is no trail of this name".to_owned()));
    drop(writer);
    assert_eq!(undo(&first).await.n_removed, 3);
    assert_eq!(stored().await, []);
}

/// Trails and trailheads whose batches were undone and that came again are other rows: sizes and places hold for them by name.
#[tokio::test]
async fn sizes_and_places_find_what_came_again() {
    let test = TestStore::new().await;
    let size = |trailhead: &str, trail: &str, mean_walkers| PartySizeDraft {
        trailhead: trailhead.to_owned(),
        trail: trail.to_owned(),
        from_date: String::new(),
        until_date: String::new(),
        mean_walkers,
        standard_error: 0.1,
        n_parties: Some(40),
    };
    let sizes = rows([size("North", "", 1.9), size("", "Rim", 3.5)]);
    let place = PlaceDraft {
        name: "Barn".to_owned(),
        kind: PlaceKind::Building,
        position: at(1.0, 2.0),
        radius: Length::metres(30.0).unwrap(),
        ring: None,
        trailhead: "North".to_owned(),
        visits_per_day: None,
    };
    let bring = async |number: &str| {
        let mut writer = test.write().await;
        let trails = test.batch(&mut writer, Content::Trails, number).await;
        writer.put_trails(&trails, &[(1, trail("Rim", 1.0))]).await.unwrap();
        let heads = test.batch(&mut writer, Content::Trailheads, number).await;
        writer.put_trailheads(&heads, &[(1, trailhead("North", 1.0))]).await.unwrap();
        writer.commit().await.unwrap();
        [trails.source.unwrap().0, heads.source.unwrap().0]
    };
    let first = bring("1").await;
    let mut writer = test.write().await;
    writer.put_party_sizes(&test.by_hand(), &sizes).await.unwrap();
    writer.put_places(&test.by_hand(), &[(1, place)]).await.unwrap();
    writer.commit().await.unwrap();
    let held = async || {
        let mut snapshot = test.store.snapshot().await.unwrap();
        let sizes = snapshot.party_sizes(test.area).await.unwrap();
        let places = snapshot.places(test.area).await.unwrap();
        let apart = snapshot.party_sizes_apart(test.area).await.unwrap();
        assert_eq!(apart, if sizes.is_empty() { vec!["North", "Rim"] } else { vec![] });
        (sizes.iter().map(|size| size.mean_walkers).collect::<Vec<f64>>(), places[0].trailhead_id)
    };
    let before = held().await;
    assert_eq!(before.0, [1.9, 3.5]);
    assert!(before.1.is_some());
    for batch in first {
        let mut writer = test.write().await;
        writer.undo_batch(batch).await.unwrap();
        writer.commit().await.unwrap();
    }
    assert_eq!(held().await, (vec![], None));
    bring("2").await;
    let after = held().await;
    assert_eq!(after.0, before.0);
    assert!(after.1.is_some() && after.1 != before.1, "another row of the same name");
    let mut writer = test.write().await;
    assert_eq!(counts(&writer.put_party_sizes(&test.by_hand(), &sizes).await.unwrap()), (0, 2, 0, 0));
}

/// What the history kept before sizes had trails is the same record as now, so that a file that came before somebody mended it
/// changes nothing when it comes again.
#[test]
fn a_size_without_a_trail_is_written_as_before() {
    let draft = PartySizeDraft {
        trailhead: "North".to_owned(),
        trail: String::new(),
        from_date: String::new(),
        until_date: String::new(),
        mean_walkers: 2.0,
        standard_error: 0.1,
        n_parties: None,
    };
    let written = serde_json::to_value(draft.to_wire()).unwrap();
    assert!(written.get("trail").is_none(), "{written}");
    assert_eq!(PartySizeDraft::from_wire(serde_json::from_value(written).unwrap()).unwrap(), draft);
    let on_trail = PartySizeDraft { trailhead: String::new(), trail: "Rim".to_owned(), ..draft };
    let written = serde_json::to_value(on_trail.to_wire()).unwrap();
    assert_eq!(PartySizeDraft::from_wire(serde_json::from_value(written).unwrap()).unwrap(), on_trail);
}

#[tokio::test]
async fn species_and_sensitive_places() {
    let test = TestStore::new().await;
    let species = |sensitivity_category| Species {
        scientific_name: "Crotalus atrox".to_owned(),
        vernacular_name: "diamondback".to_owned(),
        is_venomous: true,
        sensitivity_category,
        sensitivity_reason: String::new(),
        review_date: String::new(),
    };
    let den = SensitivePlace {
        name: "Den 1".to_owned(),
        position: at(10.0, 45.0),
        buffer: metres(300.0),
        reason: "hibernation".to_owned(),
        review_date: "2027-01-01".to_owned(),
    };
    let mut writer = test.write().await;
    let rows = [(1, species(None)), (2, species(None)), (3, species(Some(3))), (4, species(Some(5)))];
    let tally = writer.put_species(&test.by_hand(), &rows).await.unwrap();
    assert_eq!(counts(&tally), (1, 1, 1, 1));
    assert_eq!(tally.problems[0].field, "sensitivityCategory");
    let target = test.by_hand();
    assert_eq!(
        counts(&writer.put_sensitive_places(&target, &[(1, den.clone())]).await.unwrap()),
        (1, 0, 0, 0)
    );
    assert_eq!(
        counts(&writer.put_sensitive_places(&target, &[(1, den.clone())]).await.unwrap()),
        (0, 1, 0, 0)
    );
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.species(test.area).await.unwrap(), [species(Some(3))]);
    assert_eq!(snapshot.sensitive_places(test.area).await.unwrap(), [den]);
}

#[tokio::test]
async fn signs_plans_and_decisions() {
    let test = TestStore::new().await;
    let location = SignLocationDraft {
        name: "S1".to_owned(),
        position: at(10.0, 45.0),
        standing: Standing::Forbidden,
        permit_needed: true,
        on_rock: false,
        heritage: true,
        reason: "shrine".to_owned(),
    };
    let plan = SignPlanDraft {
        name: "Spring".to_owned(),
        parameters_json: "{\"p\":2}".to_owned(),
        result_json: "{}".to_owned(),
        based_on: Revision(1),
        sites: vec![PlanSite {
            position: at(10.0, 45.0),
            kind: "post".to_owned(),
            facing_deg: Some(270.0),
            wording_key: "warning".to_owned(),
            up_date: Some("2024-04-01".to_owned()),
            down_date: None,
            letter_height: Some(Length::millimetres(25.0).unwrap()),
            reason: "most walkers".to_owned(),
        }],
    };
    let mut writer = test.write().await;
    let target = test.by_hand();
    writer.put_sign_locations(&target, &[(1, location.clone())]).await.unwrap();
    let plan_id = writer.add_sign_plan(test.area, &plan).await.unwrap();
    writer.post_sign_plan(plan_id).await.unwrap();
    writer.post_sign_plan(plan_id).await.unwrap();
    let sign = SignInPlaceDraft {
        name: "S1".to_owned(),
        position: at(10.0, 45.0),
        kind: "post".to_owned(),
        plan: Some(plan_id),
        up_s: NOW_S,
        down_s: None,
    };
    writer.put_signs_in_place(&target, &[(1, sign.clone())]).await.unwrap();
    let taken_down = SignInPlaceDraft { down_s: Some(NOW_S + 9), ..sign };
    assert_eq!(writer.put_signs_in_place(&target, &[(1, taken_down.clone())]).await.unwrap().n_updated, 1);
    let decision = DecisionDraft {
        subject: "Rim trail in May".to_owned(),
        segment_ids: vec![4, 5],
        choice: Choice::NoAction,
        reason: "few walkers".to_owned(),
        decided_by: "Warden".to_owned(),
        decided_at_s: NOW_S,
        based_on: Revision(1),
        figure_json: "{\"rate\":1.2}".to_owned(),
    };
    writer.add_decision(test.area, &decision).await.unwrap();
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.sign_locations(test.area).await.unwrap()[0].given, location);
    assert_eq!(snapshot.signs_in_place(test.area).await.unwrap()[0].given, taken_down);
    let plans = snapshot.sign_plans(test.area).await.unwrap();
    assert_eq!((&plans[0].given, plans[0].posted_at_s), (&plan, Some(NOW_S)));
    assert_eq!(snapshot.decisions(test.area).await.unwrap()[0].given, decision);
}

#[tokio::test]
async fn a_snap_set_by_hand_can_be_changed_and_cleared() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    writer.put_encounters(&test.by_hand(), &[(1, plain_encounter("a"))]).await.unwrap();
    writer.commit().await.unwrap();
    let id =
        test.store.snapshot().await.unwrap().encounter_by_occurrence(test.area, "a").await.unwrap().unwrap();
    let snap = |target| HandSnapDraft { encounter_id: id, target, reason: "photo".to_owned() };
    let mut writer = test.write().await;
    writer.set_hand_snap(&snap(SnapTarget::Segment(77))).await.unwrap();
    writer.set_hand_snap(&snap(SnapTarget::OffTrail)).await.unwrap();
    writer.set_hand_snap(&snap(SnapTarget::OffTrail)).await.unwrap();
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let snaps = snapshot.hand_snaps(test.area).await.unwrap();
    assert_eq!((&snaps[0].given, snaps[0].actor.as_str()), (&snap(SnapTarget::OffTrail), "tester"));
    assert_eq!(snapshot.changes(RecordKind::HandSnap, id.0).await.unwrap().len(), 2);
    drop(snapshot);
    let mut writer = test.write().await;
    writer.clear_hand_snap(id).await.unwrap();
    writer.clear_hand_snap(id).await.unwrap();
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.hand_snaps(test.area).await.unwrap(), []);
    assert_eq!(snapshot.changes(RecordKind::HandSnap, id.0).await.unwrap().len(), 3);
}
