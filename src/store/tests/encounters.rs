//! Encounters: in, again, changed, and out whole.

use crate::domain::approach::Reaction;
use crate::domain::batch::Content;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::VerificationStatus;
use crate::domain::revision::Revision;
use crate::domain::time::EventDate;
use crate::domain::units::Length;
use crate::domain::walk::Purpose;
use crate::domain::walk::WalkDraft;
use crate::store::Encounter;
use crate::store::Tally;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::full_encounter;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

async fn put(test: &TestStore, bytes: &str, drafts: Vec<EncounterDraft>) -> (Tally, Revision) {
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Encounters, bytes).await;
    let tally = writer.put_encounters(&target, &rows(drafts)).await.unwrap();
    (tally, writer.commit().await.unwrap())
}

async fn get(test: &TestStore, occurrence_id: &str) -> Encounter {
    let mut snapshot = test.store.snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(test.area, occurrence_id).await.unwrap().unwrap();
    snapshot.encounter(id).await.unwrap().unwrap()
}

fn counts(tally: &Tally) -> (u64, u64, u64, usize) {
    (tally.n_inserted, tally.n_unchanged, tally.n_updated, tally.problems.len())
}

#[tokio::test]
async fn an_encounter_comes_back_as_it_went_in() {
    let test = TestStore::new().await;
    let mut vague = plain_encounter("vague");
    vague.position = None;
    vague.time.date = EventDate::Month { year: 1998, month: 7 };
    vague.time.minute_of_day = None;
    vague.time.instant_s = None;
    let drafts = vec![full_encounter("full"), plain_encounter("plain"), vague];
    let (tally, _) = put(&test, "1", drafts.clone()).await;
    assert_eq!(counts(&tally), (3, 0, 0, 0));
    for (row_number, draft) in rows(drafts) {
        let encounter = get(&test, &draft.occurrence_id).await;
        assert_eq!(encounter.given, draft);
        assert_eq!(encounter.origin.unwrap().row_number, row_number);
        assert_eq!(encounter.changes, []);
    }
    let organisms = test.store.snapshot().await.unwrap().organisms(test.area).await.unwrap();
    assert_eq!(organisms.len(), 1);
    assert_eq!(get(&test, "full").await.organism_id, Some(organisms[0].id));
}

#[tokio::test]
async fn the_same_file_again_changes_nothing() {
    let test = TestStore::new().await;
    let drafts = vec![full_encounter("a"), plain_encounter("b")];
    let (_, first) = put(&test, "1", drafts.clone()).await;
    let (tally, second) = put(&test, "1", drafts).await;
    assert_eq!(counts(&tally), (0, 2, 0, 0));
    assert_eq!(first, second);
}

#[tokio::test]
async fn another_file_changes_the_record_and_the_history_has_both() {
    let test = TestStore::new().await;
    put(&test, "1", vec![full_encounter("a")]).await;
    let mut other = full_encounter("a");
    other.individual_count = Some(3);
    other.approaches.remove(0);
    other.details.cover = "grass".to_owned();
    other.outcome = None;
    let (tally, revision) = put(&test, "2", vec![other.clone()]).await;
    assert_eq!(counts(&tally), (0, 0, 1, 0));
    let encounter = get(&test, "a").await;
    assert_eq!((&encounter.given, encounter.revision), (&other, revision));
    assert_eq!(encounter.changes.len(), 1);
    let fields: Vec<&str> = encounter.changes[0].fields.iter().map(|change| change.field.as_str()).collect();
    assert_eq!(fields, ["approaches", "details.cover", "individual_count", "outcome"]);
    // The first file again does not undo what came later.
    let (tally, _) = put(&test, "1", vec![full_encounter("a")]).await;
    assert_eq!(counts(&tally), (0, 1, 0, 0));
    assert_eq!(get(&test, "a").await.given, other);
}

#[tokio::test]
async fn what_staff_changed_outlives_the_same_file() {
    let test = TestStore::new().await;
    put(&test, "1", vec![plain_encounter("a"), plain_encounter("b")]).await;
    let mut verified = plain_encounter("a");
    verified.verification_status = VerificationStatus::Verified;
    let id = get(&test, "a").await.id;
    let mut writer = test.write().await;
    writer.change_encounter(id, &verified).await.unwrap();
    writer.change_encounter(id, &verified).await.unwrap();
    writer.commit().await.unwrap();
    let (tally, _) = put(&test, "1", vec![plain_encounter("a"), plain_encounter("b")]).await;
    assert_eq!(counts(&tally), (0, 2, 0, 0));
    let encounter = get(&test, "a").await;
    assert_eq!(encounter.given, verified);
    assert_eq!(encounter.origin.unwrap().row_number, 2);
    assert_eq!(encounter.changes.len(), 1);
    // Staff may also go back.
    let mut writer = test.write().await;
    writer.change_encounter(id, &plain_encounter("a")).await.unwrap();
    writer.commit().await.unwrap();
    assert_eq!(get(&test, "a").await.given, plain_encounter("a"));
}

#[tokio::test]
async fn bad_rows_stay_out_and_say_why() {
    let test = TestStore::new().await;
    let mut no_accuracy = plain_encounter("zero");
    no_accuracy.position.as_mut().unwrap().coordinate_uncertainty = Some(Length::ZERO);
    let mut late = plain_encounter("late");
    late.time.minute_of_day = Some(1440);
    let mut month = plain_encounter("month");
    month.time.date = EventDate::Month { year: 2020, month: 13 };
    let mut odd = full_encounter("odd");
    odd.approaches[0].reactions.push(Reaction { term: "danced".to_owned(), latency: None });
    let mut contradiction = plain_encounter("good");
    contradiction.individual_count = Some(9);
    let drafts = vec![
        plain_encounter("good"),
        no_accuracy,
        late,
        month,
        odd,
        plain_encounter(""),
        contradiction,
        plain_encounter("good"),
        full_encounter("also good"),
    ];
    let (tally, _) = put(&test, "1", drafts).await;
    assert_eq!((tally.n_inserted, tally.n_unchanged), (2, 1));
    let problems: Vec<(u64, &str)> =
        tally.problems.iter().map(|problem| (problem.row_number, problem.field.as_str())).collect();
    let expected = [
        (3, "coordinateUncertaintyInMeters"),
        (4, "eventDate"),
        (5, "eventDate"),
        (6, "reaction"),
        (7, "occurrenceID"),
        (8, "occurrenceID"),
    ];
    assert_eq!(problems, expected);
    assert_eq!(tally.problems[3].value, "danced");
    assert!(tally.problems[5].reason.contains("row 2"), "{:?}", tally.problems[5]);
    assert!(tally.problems.iter().all(|problem| !problem.reason.is_empty() && !problem.hint.is_empty()));
    assert_eq!(get(&test, "also good").await.given, full_encounter("also good"));
}

#[tokio::test]
async fn a_contradiction_across_chunks_of_one_file_stays_out() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Encounters, "1").await;
    writer.put_encounters(&target, &[(2, plain_encounter("a"))]).await.unwrap();
    let mut other = plain_encounter("a");
    other.individual_count = None;
    let tally = writer.put_encounters(&target, &[(3, other), (4, plain_encounter("a"))]).await.unwrap();
    assert_eq!(counts(&tally), (0, 1, 0, 1));
    assert!(tally.problems[0].reason.contains("row 2"));
}

#[tokio::test]
async fn an_area_may_have_reactions_of_its_own() {
    let test = TestStore::new().await;
    let mut draft = full_encounter("a");
    draft.approaches[0].reactions.push(Reaction { term: "played dead".to_owned(), latency: None });
    let mut writer = test.write().await;
    let refused = writer.put_encounters(&test.by_hand(), &[(1, draft.clone())]).await.unwrap();
    assert_eq!(refused.problems.len(), 1);
    writer.add_reaction_term(test.area, "played dead", false).await.unwrap();
    writer.add_reaction_term(test.area, "hissed", true).await.unwrap();
    let accepted = writer.put_encounters(&test.by_hand(), &[(1, draft.clone())]).await.unwrap();
    assert_eq!(counts(&accepted), (1, 0, 0, 0));
    writer.commit().await.unwrap();
    assert_eq!(get(&test, "a").await.given, draft);
    let terms = test.store.snapshot().await.unwrap().reaction_terms(test.area).await.unwrap();
    assert_eq!(terms.len(), 17);
    assert!(terms.contains(&("hissed".to_owned(), false)));
}

#[tokio::test]
async fn the_fixed_terms_are_those_of_the_domain() {
    let test = TestStore::new().await;
    let stored = test.store.snapshot().await.unwrap().reaction_terms(test.area).await.unwrap();
    let known: Vec<(String, bool)> = crate::domain::approach::CoreReaction::ALL
        .iter()
        .map(|reaction| (reaction.term().to_owned(), reaction.is_strike()))
        .collect();
    assert_eq!(stored, known);
}

#[tokio::test]
async fn an_encounter_that_was_removed_is_gone_and_can_come_again() {
    let test = TestStore::new().await;
    put(&test, "1", vec![plain_encounter("a")]).await;
    let id = get(&test, "a").await.id;
    let mut writer = test.write().await;
    writer.remove_encounter(id).await.unwrap();
    assert!(writer.remove_encounter(id).await.is_err());
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.encounter(id).await.unwrap(), None);
    drop(snapshot);
    let (tally, _) = put(&test, "2", vec![plain_encounter("a")]).await;
    assert_eq!(counts(&tally), (1, 0, 0, 0));
    assert_ne!(get(&test, "a").await.id, id);
}

fn walk() -> WalkDraft {
    WalkDraft {
        event_id: "walk-1".to_owned(),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: "A. Observer".to_owned(),
        start_s: 1_000,
        end_s: Some(5_000),
        sampling_protocol: "visual".to_owned(),
        track: vec![at(-111.0, 34.0), at(-111.1, 34.1)],
        track_times_s: vec![1_000, 4_000],
    }
}

#[tokio::test]
async fn walk_and_encounter_find_each_other_in_either_order() {
    for is_walk_first in [true, false] {
        let test = TestStore::new().await;
        let mut writer = test.write().await;
        let target = test.by_hand();
        if is_walk_first {
            writer.put_walks(&target, &[(1, walk())]).await.unwrap();
        }
        writer.put_encounters(&target, &[(1, full_encounter("a")), (2, plain_encounter("b"))]).await.unwrap();
        if !is_walk_first {
            writer.put_walks(&target, &[(1, walk())]).await.unwrap();
        }
        writer.commit().await.unwrap();
        let walks = test.store.snapshot().await.unwrap().walks(test.area).await.unwrap();
        assert_eq!(walks[0].given, walk());
        assert_eq!(get(&test, "a").await.walk_id, Some(walks[0].id));
        assert_eq!(get(&test, "b").await.walk_id, None);
    }
}

#[tokio::test]
async fn approaches_come_with_their_encounter() {
    let test = TestStore::new().await;
    put(&test, "1", vec![plain_encounter("none"), full_encounter("a"), full_encounter("b")]).await;
    let mut snapshot = test.store.snapshot().await.unwrap();
    let approaches = snapshot.approaches(test.area).await.unwrap();
    assert_eq!(approaches.len(), 4);
    let draft = full_encounter("a");
    for (record, approach) in approaches.iter().zip(draft.approaches.iter().cycle()) {
        assert_eq!((record.contact, &record.reactions), (approach.contact, &approach.reactions));
        assert_eq!(record.is_trial, approach.trial.is_some());
        assert_eq!(record.end_of_watch, approach.end_of_watch);
        assert_eq!((record.effort_kind, record.time), (draft.effort_kind, draft.time));
        assert_eq!(record.life_stage, "adult");
        assert_eq!(record.air_temperature, draft.details.air_temperature);
    }
    assert_eq!(approaches[0].organism_id, approaches[3].organism_id);
    assert_eq!(approaches.iter().map(|record| record.ordinal).collect::<Vec<_>>(), [1, 2, 1, 2]);
}
