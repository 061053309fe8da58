//! Incremental reading: what is remembered equals what is read afresh, and little is read.

use std::sync::Arc;

use crate::domain::batch::Content;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::VerificationStatus;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::ReadingDraft;
use crate::domain::time::EventDate;
use crate::domain::time::EventTime;
use crate::store::EncounterCache;
use crate::store::Encounters;
use crate::store::ReadingCache;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::full_encounter;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

async fn look(test: &TestStore, cache: &mut EncounterCache) -> Arc<Encounters> {
    test.store.snapshot().await.unwrap().encounters(test.area, cache).await.unwrap()
}

fn species(encounters: &Encounters) -> Vec<(i64, &str)> {
    encounters.rows.iter().map(|row| (row.id.0, encounters.species[row.species as usize].as_str())).collect()
}

#[tokio::test]
async fn a_change_of_one_row_reads_one_row() {
    let test = TestStore::new().await;
    let mut cache = EncounterCache::default();
    let drafts: Vec<EncounterDraft> = (0..5_000).map(|n| plain_encounter(&n.to_string())).collect();
    let mut writer = test.write().await;
    writer.put_encounters(&test.by_hand(), &rows(drafts)).await.unwrap();
    writer.commit().await.unwrap();
    let first = look(&test, &mut cache).await;
    assert_eq!((first.rows.len(), cache.n_rows_read()), (5_000, 5_000));
    let draft = plain_encounter("0");
    assert_eq!((first.rows[0].position, first.rows[0].time), (draft.position, draft.time));
    assert_eq!(first.rows[0].individual_count, Some(1));

    let same = look(&test, &mut cache).await;
    assert!(Arc::ptr_eq(&first, &same));
    assert_eq!(cache.n_rows_read(), 0);

    let id = first.rows[1_234].id;
    let mut changed = plain_encounter("1234");
    changed.verification_status = VerificationStatus::Rejected;
    changed.scientific_name = "Crotalus cerberus, or not".to_owned();
    let mut writer = test.write().await;
    writer.change_encounter(id, &changed).await.unwrap();
    writer.commit().await.unwrap();
    let second = look(&test, &mut cache).await;
    assert_eq!(cache.n_rows_read(), 1);
    assert_eq!(second.rows[1_234].verification_status, VerificationStatus::Rejected);
    assert_eq!(second.species[second.rows[1_234].species as usize], "Crotalus cerberus, or not");
    // Who holds the older rows keeps them.
    assert_eq!(first.rows[1_234].verification_status, VerificationStatus::Unverified);
    assert_eq!(*second, *look(&test, &mut EncounterCache::default()).await);
}

#[tokio::test]
async fn narrow_rows_say_what_was_recorded() {
    let test = TestStore::new().await;
    let mut vague = plain_encounter("vague");
    vague.position = None;
    vague.time = EventTime::UNKNOWN;
    vague.individual_count = None;
    vague.scientific_name = String::new();
    let mut year = full_encounter("year");
    year.time.date = EventDate::Year(1987);
    year.position.as_mut().unwrap().is_generalised = true;
    let drafts = [vague, year, full_encounter("full")];
    let mut writer = test.write().await;
    writer.put_encounters(&test.by_hand(), &rows(drafts.clone())).await.unwrap();
    writer.commit().await.unwrap();
    let encounters = look(&test, &mut EncounterCache::default()).await;
    let organisms = test.store.snapshot().await.unwrap().organisms(test.area).await.unwrap();
    for (row, draft) in encounters.rows.iter().zip(&drafts) {
        assert_eq!(
            (row.effort_kind, row.time, row.position),
            (draft.effort_kind, draft.time, draft.position)
        );
        assert_eq!(row.verification_status, draft.verification_status);
        assert_eq!(row.individual_count, draft.individual_count);
        assert_eq!(encounters.species[row.species as usize], draft.scientific_name);
        assert_eq!(row.organism_id, (!draft.organism_id.is_empty()).then_some(organisms[0].id));
    }
}

#[tokio::test]
async fn rows_taken_out_and_put_back_are_followed() {
    let test = TestStore::new().await;
    let mut cache = EncounterCache::default();
    assert_eq!(look(&test, &mut cache).await.rows, []);
    let mut batches = Vec::new();
    for (bytes, n) in [("1", 1), ("2", 2), ("3", 3)] {
        let mut writer = test.write().await;
        let target = test.batch(&mut writer, Content::Encounters, bytes).await;
        let drafts = (0..4).map(|of| EncounterDraft {
            individual_count: Some(n),
            scientific_name: format!("species {n}"),
            ..plain_encounter(&(of * n).to_string())
        });
        writer.put_encounters(&target, &rows(drafts)).await.unwrap();
        writer.commit().await.unwrap();
        batches.push(target.source.unwrap().0);
        look(&test, &mut cache).await;
    }
    for batch in [batches[2], batches[0], batches[1]] {
        let mut writer = test.write().await;
        writer.undo_batch(batch).await.unwrap();
        writer.commit().await.unwrap();
        let remembered = look(&test, &mut cache).await;
        let fresh = look(&test, &mut EncounterCache::default()).await;
        assert_eq!(species(&remembered), species(&fresh));
    }
    assert_eq!(look(&test, &mut cache).await.rows, []);
}

#[tokio::test]
async fn a_cache_does_not_mix_areas() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    let other = writer.put_area(&crate::store::testing::area("Other park")).await.unwrap();
    writer.put_encounters(&test.by_hand(), &[(1, plain_encounter("a"))]).await.unwrap();
    writer.commit().await.unwrap();
    let mut cache = EncounterCache::default();
    assert_eq!(look(&test, &mut cache).await.rows.len(), 1);
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.encounters(other, &mut cache).await.unwrap().rows, []);
    assert_eq!(snapshot.encounters(test.area, &mut cache).await.unwrap().rows.len(), 1);
}

#[tokio::test]
async fn readings_are_read_once() {
    let test = TestStore::new().await;
    let counter = CounterDraft {
        name: "C1".to_owned(),
        device: String::new(),
        position: at(0.0, 0.0),
        from_s: None,
        until_s: None,
    };
    let reading = |start_s, count_in| ReadingDraft {
        counter: "C1".to_owned(),
        start_s,
        length_s: 900,
        count_in,
        count_out: Some(1),
    };
    let mut writer = test.write().await;
    writer.put_counters(&test.by_hand(), &[(1, counter)]).await.unwrap();
    let bins: Vec<ReadingDraft> = (0..9_000).map(|n| reading(n * 900, n as u32)).collect();
    let tally = writer.put_readings(&test.by_hand(), &rows(bins.clone())).await.unwrap();
    assert_eq!(tally.n_inserted, 9_000);
    let tally = writer.put_readings(&test.by_hand(), &rows(bins)).await.unwrap();
    assert_eq!(tally.n_unchanged, 9_000);
    writer.commit().await.unwrap();
    let mut cache = ReadingCache::default();
    let mut snapshot = test.store.snapshot().await.unwrap();
    assert_eq!(snapshot.readings(test.area, &mut cache).await.unwrap().rows.len(), 9_000);
    drop(snapshot);

    let mut writer = test.write().await;
    let mut unknown = reading(0, 0);
    unknown.counter = "C2".to_owned();
    let mut empty = reading(90_000_000, 0);
    empty.length_s = 0;
    let changes =
        [(2, reading(900, 77)), (3, unknown), (4, empty), (5, reading(-900, 5)), (6, reading(-900, 5))];
    let tally = writer.put_readings(&test.by_hand(), &changes).await.unwrap();
    assert_eq!((tally.n_inserted, tally.n_updated, tally.n_unchanged), (1, 1, 1));
    let problems: Vec<_> = tally.problems.iter().map(|p| (p.row_number, p.field.as_str())).collect();
    assert_eq!(problems, [(3, "counter"), (4, "length")]);
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let readings = snapshot.readings(test.area, &mut cache).await.unwrap();
    assert_eq!((readings.rows.len(), cache.n_rows_read()), (9_001, 2));
    assert_eq!(readings.rows[1].count_in, 77);
    assert_eq!(*readings, *snapshot.readings(test.area, &mut ReadingCache::default()).await.unwrap());
}
