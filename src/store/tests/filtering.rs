//! Every filter against going through all encounters one by one.

use jiff::civil::Date;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::domain::batch::Content;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::encounter::VerificationStatus;
use crate::domain::geography::BoundingBox;
use crate::domain::ids::BatchId;
use crate::domain::time::EventDate;
use crate::domain::time::PartOfDay;
use crate::store::EncounterFilter;
use crate::store::Paging;
use crate::store::filter::Order;
use crate::store::testing::TestStore;
use crate::store::testing::at;
use crate::store::testing::full_encounter;
use crate::store::testing::plain_encounter;
use crate::store::testing::rows;

fn one_of<T: Copy>(random: &mut ChaCha8Rng, all: &[T]) -> T {
    all[random.random_range(0..all.len())]
}

fn draft(random: &mut ChaCha8Rng, n: usize) -> EncounterDraft {
    let year = random.random_range(2019..=2023);
    let month = random.random_range(1..=12);
    let date = match random.random_range(0..5) {
        0 => EventDate::Unknown,
        1 => EventDate::Year(year),
        2 => EventDate::Month { year, month },
        _ => EventDate::Day(Date::constant(year, month, random.random_range(1..=28))),
    };
    let recorded = RecordedPosition {
        position: at(random.random_range(-180.0..=180.0), random.random_range(-90.0..=90.0)),
        coordinate_uncertainty: None,
        meaning: UncertaintyMeaning::Radius95,
        is_generalised: random.random_bool(0.5),
    };
    let base = if random.random_bool(0.1) { full_encounter } else { plain_encounter };
    let mut draft = base(&n.to_string());
    draft.effort_kind = one_of(random, EffortKind::ALL);
    draft.verification_status = one_of(random, VerificationStatus::ALL);
    draft.scientific_name = one_of(random, &["", "Vipera aspis", "Vipera berus"]).to_owned();
    draft.time.date = date;
    draft.time.minute_of_day = random.random_bool(0.7).then(|| random.random_range(0..1440));
    draft.position = random.random_bool(0.9).then_some(recorded);
    draft
}

/// Whether the filter lets the encounter through, by its definition.
fn passes(filter: &EncounterFilter, draft: &EncounterDraft, batch: BatchId) -> bool {
    fn is_any<T: PartialEq>(list: &[T], value: Option<T>) -> bool {
        list.is_empty() || value.is_some_and(|value| list.contains(&value))
    }
    let time = &draft.time;
    let day = match time.date {
        EventDate::Day(date) => Some(date),
        _ => None,
    };
    is_any(&filter.effort_kinds, Some(draft.effort_kind))
        && is_any(&filter.verification_statuses, Some(draft.verification_status))
        && is_any(&filter.months, time.month().map(|month| month as u8))
        && is_any(&filter.parts_of_day, time.hour().map(PartOfDay::of_hour))
        && filter.scientific_name.as_ref().is_none_or(|name| *name == draft.scientific_name)
        && filter.years.as_ref().is_none_or(|years| time.year().is_some_and(|year| years.contains(&year)))
        && filter.dates.as_ref().is_none_or(|dates| day.is_some_and(|day| dates.contains(&day)))
        && filter.bounding_box.is_none_or(|area| draft.position.is_some_and(|at| area.contains(at.position)))
        && filter.batch.is_none_or(|wanted| wanted == batch)
}

fn filters(random: &mut ChaCha8Rng, batch: BatchId) -> Vec<EncounterFilter> {
    let none = EncounterFilter::default;
    let mut filters = vec![
        none(),
        EncounterFilter { effort_kinds: vec![EffortKind::Survey, EffortKind::Chance], ..none() },
        EncounterFilter { scientific_name: Some("Vipera aspis".to_owned()), ..none() },
        EncounterFilter { scientific_name: Some("' OR 1 = 1 --".to_owned()), ..none() },
        EncounterFilter { months: vec![1, 12], ..none() },
        EncounterFilter { years: Some(2020..=2021), ..none() },
        EncounterFilter { dates: Some(Date::constant(2019, 11, 5)..=Date::constant(2021, 2, 3)), ..none() },
        EncounterFilter { parts_of_day: vec![PartOfDay::Night, PartOfDay::Early], ..none() },
        EncounterFilter { verification_statuses: vec![VerificationStatus::Rejected], ..none() },
        EncounterFilter { batch: Some(batch), ..none() },
        EncounterFilter {
            effort_kinds: vec![EffortKind::Report],
            months: vec![4, 5, 6, 7],
            parts_of_day: vec![PartOfDay::Middle],
            batch: Some(batch),
            ..none()
        },
    ];
    for _ in 0..12 {
        let (a, b) = (random.random_range(-90.0..=90.0), random.random_range(-90.0..=90.0f64));
        // West may lie east of east: such a box crosses the antimeridian.
        let area = BoundingBox {
            west: random.random_range(-180.0..=180.0),
            south: b.min(a),
            east: random.random_range(-180.0..=180.0),
            north: b.max(a),
        };
        filters.push(EncounterFilter { bounding_box: Some(area), ..none() });
    }
    filters.push(EncounterFilter {
        bounding_box: Some(BoundingBox { west: 0.0, south: 10.0, east: 1.0, north: 9.0 }),
        ..none()
    });
    filters
}

async fn listed(test: &TestStore, filter: &EncounterFilter, limit: u32, order: Order) -> (Vec<String>, u64) {
    let mut snapshot = test.store.snapshot().await.unwrap();
    let mut paging = Paging { after: None, limit, order };
    let mut found = Vec::new();
    loop {
        let page = snapshot.list_encounters(test.area, filter, &paging).await.unwrap();
        assert!(page.encounters.len() <= limit as usize);
        found.extend(page.encounters.into_iter().map(|encounter| encounter.occurrence_id));
        match page.next_after {
            Some(after) => paging.after = Some(after),
            None => return (found, page.n_matched),
        }
    }
}

#[tokio::test]
async fn every_filter_finds_what_it_says() {
    let test = TestStore::new().await;
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut all = Vec::new();
    let mut writer = test.write().await;
    for bytes in ["1", "2"] {
        let drafts: Vec<_> = (0..600).map(|n| draft(&mut random, all.len() + n)).collect();
        let target = test.batch(&mut writer, Content::Encounters, bytes).await;
        let tally = writer.put_encounters(&target, &rows(drafts.clone())).await.unwrap();
        assert_eq!(tally.n_inserted, 600);
        all.extend(drafts.into_iter().map(|draft| (draft, target.source.unwrap().0)));
    }
    writer.commit().await.unwrap();
    let batch = all[700].1;
    let mut n_useful = 0;
    for filter in filters(&mut random, batch) {
        let mut expected: Vec<String> = all
            .iter()
            .filter(|(draft, batch)| passes(&filter, draft, *batch))
            .map(|(draft, _)| draft.occurrence_id.clone())
            .collect();
        n_useful += usize::from(!expected.is_empty() && expected.len() < all.len());
        let (found, n_matched) = listed(&test, &filter, 250, Order::OldestFirst).await;
        assert_eq!(found, expected, "{filter:?}");
        assert_eq!(n_matched, expected.len() as u64);
        expected.reverse();
        let (found, _) = listed(&test, &filter, 399, Order::NewestFirst).await;
        assert_eq!(found, expected, "{filter:?}");
    }
    assert!(n_useful >= 18, "{n_useful}");
}

#[tokio::test]
async fn a_summary_says_what_a_list_shows() {
    let test = TestStore::new().await;
    let mut writer = test.write().await;
    writer.put_encounters(&test.by_hand(), &[(1, full_encounter("a"))]).await.unwrap();
    writer.commit().await.unwrap();
    let mut snapshot = test.store.snapshot().await.unwrap();
    let paging = Paging { after: None, limit: 1, order: Order::OldestFirst };
    let page = snapshot.list_encounters(test.area, &EncounterFilter::default(), &paging).await.unwrap();
    let (summary, draft) = (&page.encounters[0], full_encounter("a"));
    assert_eq!((page.n_matched, page.next_after), (1, None));
    assert_eq!((summary.organism_id.as_str(), summary.n_approaches), ("snake-7", 2));
    assert_eq!((summary.time, summary.position), (draft.time, draft.position));
    assert_eq!(
        (summary.effort_kind, summary.verification_status),
        (draft.effort_kind, draft.verification_status)
    );
}
