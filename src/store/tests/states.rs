//! Records taken out, brought back and put back, and who did it.

use jiff::civil::date;

use crate::domain::batch::Content;
use crate::domain::encounter::EncounterDraft;
use crate::domain::ids::EncounterId;
use crate::domain::trail::TrailDraft;
use crate::domain::weather::DailyWeather;
use crate::store::ChangeFilter;
use crate::store::Edited;
use crate::store::Effect;
use crate::store::RecordEdit;
use crate::store::RecordKind;
use crate::store::StateKey;
use crate::store::difference;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::full_encounter;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

fn named(species: &str) -> EncounterDraft {
    EncounterDraft { scientific_name: species.to_owned(), ..plain_encounter("a") }
}

/// The mark of a record as it is now.
async fn mark(test: &TestStore, kind: RecordKind, id: i64) -> String {
    test.store.snapshot().await.unwrap().record_state(kind, id).await.unwrap().unwrap().mark
}

async fn put_back(test: &TestStore, kind: RecordKind, id: i64, key: StateKey, seen: &str) -> Edited {
    let mut writer = test.write().await;
    let edit = RecordEdit { area: test.area, kind, id, seen };
    let edited = writer.put_back_record(&edit, key).await.unwrap();
    writer.commit().await.unwrap();
    edited
}

async fn withdraw(test: &TestStore, kind: RecordKind, id: i64, seen: &str) -> Edited {
    let mut writer = test.write().await;
    let edit = RecordEdit { area: test.area, kind, id, seen };
    let edited = writer.withdraw_record(&edit).await.unwrap();
    writer.commit().await.unwrap();
    edited
}

#[tokio::test]
async fn an_encounter_changed_twice_goes_back_to_what_it_was() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Encounters, "a").await;
    writer.put_encounters(&target, &rows([named("Crotalus atrox")])).await.unwrap();
    writer.commit().await.unwrap();
    for species in ["Crotalus viridis", "Crotalus cerastes"] {
        let mut writer = test.write().await;
        writer.change_encounter(EncounterId(1), &named(species)).await.unwrap();
        writer.commit().await.unwrap();
    }
    let kind = RecordKind::Encounter;
    let stale = mark(&test, kind, 1).await;
    let before = test.store.snapshot().await.unwrap().revision();
    assert_eq!(put_back(&test, kind, 1, StateKey::First, &stale).await, Edited::Done);
    let mut snapshot = test.store.snapshot().await.unwrap();
    let encounter = snapshot.encounter(EncounterId(1)).await.unwrap().unwrap();
    assert_eq!((encounter.given, snapshot.revision()), (named("Crotalus atrox"), before.next()));
    // It is again a row of its file.
    assert!(encounter.origin.is_some());
    assert_eq!(encounter.changes.len(), 3);
    drop(snapshot);
    // A form opened before that is not taken, and the same again changes nothing.
    assert_eq!(put_back(&test, kind, 1, StateKey::First, &stale).await, Edited::ChangedMeanwhile);
    let now = mark(&test, kind, 1).await;
    assert_eq!(put_back(&test, kind, 1, StateKey::First, &now).await, Edited::Unchanged);
    // The change before it can be had again as well.
    let second = encounter.changes[1].id;
    assert_eq!(put_back(&test, kind, 1, StateKey::After(second), &now).await, Edited::Done);
    let encounter = test.store.snapshot().await.unwrap().encounter(EncounterId(1)).await.unwrap().unwrap();
    assert_eq!(encounter.given, named("Crotalus cerastes"));
}

#[tokio::test]
async fn a_record_taken_out_can_be_brought_back() {
    let test = TestStore::new().await;
    let trail = TrailDraft {
        name: "Rim".to_owned(),
        habitat: String::new(),
        parts: vec![vec![at(1.0, 2.0), at(1.5, 2.5)]],
        elevations_m: Vec::new(),
    };
    let mut writer = test.write().await;
    writer.put_trails(&test.by_hand(), &[(1, trail.clone())]).await.unwrap();
    writer.commit().await.unwrap();
    let kind = RecordKind::Trail;
    let shown = mark(&test, kind, 1).await;
    assert_eq!(withdraw(&test, kind, 1, "another").await, Edited::ChangedMeanwhile);
    assert_eq!(withdraw(&test, kind, 1, &shown).await, Edited::Done);
    assert_eq!(withdraw(&test, kind, 1, &shown).await, Edited::Unchanged);
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert!(snapshot.trails(test.area).await.unwrap().is_empty());
    let gone = snapshot.record_state(kind, 1).await.unwrap().unwrap();
    let changes = snapshot.changes(kind, 1).await.unwrap();
    assert!(!gone.is_present && gone.fields.iter().any(|(name, value)| name == "name" && value == "Rim"));
    assert_eq!(
        changes.iter().map(|change| change.effect).collect::<Vec<_>>(),
        [Effect::CameIn, Effect::TakenOut]
    );
    let came_in = snapshot.earlier_state(kind, 1, StateKey::After(changes[0].id)).await.unwrap().unwrap();
    assert_eq!(difference(&gone, &came_in), []);
    // There is nothing before a record that was entered by hand.
    assert_eq!(snapshot.earlier_state(kind, 1, StateKey::First).await.unwrap(), None);
    drop(snapshot);
    let key = StateKey::After(changes[0].id);
    // Another one with the name stands in its way.
    let mut writer = test.write().await;
    writer.put_trails(&test.by_hand(), &[(1, trail.clone())]).await.unwrap();
    writer.commit().await.unwrap();
    assert!(matches!(put_back(&test, kind, 1, key, &gone.mark).await, Edited::Refused(_)));
    let other = mark(&test, kind, 2).await;
    assert_eq!(withdraw(&test, kind, 2, &other).await, Edited::Done);
    assert_eq!(put_back(&test, kind, 1, key, &gone.mark).await, Edited::Done);
    assert_eq!(test.store.snapshot().await.unwrap().trails(test.area).await.unwrap().len(), 1);
}

#[tokio::test]
async fn changes_can_be_picked_out() {
    let test = TestStore::new().await;
    for actor in ["Ash", "Birch"] {
        let mut writer = test.store.write(actor, "said so", 100).await.unwrap();
        writer.set_setting(test.area, "draws", if actor == "Ash" { "300" } else { "400" }).await.unwrap();
        writer.put_encounters(&test.by_hand(), &rows([plain_encounter(actor)])).await.unwrap();
        writer.commit().await.unwrap();
    }
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.actors().await.unwrap(), ["Ash", "Birch"]);
    let all = snapshot.list_changes(&ChangeFilter::default(), 10).await.unwrap();
    assert_eq!(all.len(), 4);
    assert!(all.windows(2).all(|pair| pair[0].id > pair[1].id));
    let of = |filter: ChangeFilter| filter;
    let by_ash = of(ChangeFilter { actor: Some("Ash".to_owned()), ..ChangeFilter::default() });
    let settings = of(ChangeFilter { kind: Some(RecordKind::Setting), ..by_ash.clone() });
    assert_eq!(snapshot.list_changes(&by_ash, 10).await.unwrap().len(), 2);
    let listed = snapshot.list_changes(&settings, 10).await.unwrap();
    assert_eq!((listed.len(), listed[0].fields[0].after.as_str()), (1, "300"));
    let late = ChangeFilter { from_s: Some(101), ..ChangeFilter::default() };
    assert!(snapshot.list_changes(&late, 10).await.unwrap().is_empty());
    let earlier = ChangeFilter { before: Some(all[1].id), ..ChangeFilter::default() };
    assert_eq!(snapshot.list_changes(&earlier, 10).await.unwrap().len(), 2);
}

#[tokio::test]
async fn a_row_that_went_with_its_batch_is_known_and_can_be_brought_back() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::Encounters, "1").await;
    let draft = full_encounter("a");
    writer.put_encounters(&target, &rows(vec![draft.clone()])).await.unwrap();
    writer.commit().await.unwrap();
    let batch = target.source.unwrap().0;
    let before =
        test.store.snapshot().await.unwrap().record_state(RecordKind::Encounter, 1).await.unwrap().unwrap();
    let mut writer = test.write().await;
    writer.undo_batch(batch).await.unwrap();
    writer.commit().await.unwrap();

    let mut snapshot = test.store.snapshot().await.unwrap();
    let gone = snapshot.record_state(RecordKind::Encounter, 1).await.unwrap().unwrap();
    assert!(!gone.is_present);
    assert_eq!(gone.fields, before.fields);
    let story = snapshot.batch_story(batch).await.unwrap().unwrap();
    assert!(story.taken_back.is_some_and(|step| step.revision > story.came_in.revision));
    drop(snapshot);

    assert_eq!(put_back(&test, RecordKind::Encounter, 1, StateKey::First, &gone.mark).await, Edited::Done);
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.encounter(EncounterId(1)).await.unwrap().unwrap().given, draft);
}

#[tokio::test]
async fn a_day_of_weather_can_be_taken_out_and_brought_back() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let target = test.batch(&mut writer, Content::DailyWeather, "1").await;
    let day = DailyWeather { date: date(2024, 5, 1), max_temperature_c: 27.4 };
    writer.put_daily_weather(&target, &[(1, day)]).await.unwrap();
    writer.commit().await.unwrap();
    let seen = mark(&test, RecordKind::DailyWeather, 1).await;
    assert_eq!(withdraw(&test, RecordKind::DailyWeather, 1, &seen).await, Edited::Done);
    let seen = mark(&test, RecordKind::DailyWeather, 1).await;
    assert_eq!(put_back(&test, RecordKind::DailyWeather, 1, StateKey::First, &seen).await, Edited::Done);
}
