//! Temporary notices: in, listed, withdrawn, and refused.

use jiff::civil::date;

use crate::domain::ids::NoticeId;
use crate::domain::notice::InvalidNotice;
use crate::domain::notice::NoticeDraft;
use crate::domain::notice::NoticeState;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;

async fn draft(test: &TestStore) -> NoticeDraft {
    NoticeDraft {
        trail: "Ledge Walk".to_owned(),
        wording_key: "more-than-usual".to_owned(),
        start: date(2024, 7, 1),
        expiry: date(2024, 7, 31),
        reason: "eight where two are expected".to_owned(),
        made_by: "R. Example".to_owned(),
        based_on: test.store.revision().await.unwrap(),
        settings: "draws 60, 60 draws, seed 1".to_owned(),
    }
}

#[tokio::test]
async fn a_notice_is_kept_and_withdrawn_once() {
    let test = TestStore::new().await;
    let draft = draft(&test).await;
    let mut writer = test.store.write("tester", "notice", NOW_S).await.unwrap();
    let id = writer.add_notice(test.area, &draft).await.unwrap().unwrap();
    let revision = writer.commit().await.unwrap();
    assert!(revision > draft.based_on);
    let kept = test.store.snapshot().await.unwrap().notice(id).await.unwrap().unwrap();
    assert_eq!((&kept.given, kept.made_at_s, &kept.withdrawal), (&draft, NOW_S, &None));
    let mut writer = test.store.write("tester", "notice", NOW_S + 9).await.unwrap();
    assert!(writer.withdraw_notice(id, "S. Example").await.unwrap());
    assert!(!writer.withdraw_notice(id, "T. Example").await.unwrap());
    assert!(!writer.withdraw_notice(NoticeId(99), "S. Example").await.unwrap());
    writer.commit().await.unwrap();
    let all = test.store.snapshot().await.unwrap().notices(test.area).await.unwrap();
    assert_eq!(all.len(), 1);
    assert_eq!(all[0].state(date(2024, 7, 2)), NoticeState::Withdrawn);
    let withdrawal = all[0].withdrawal.as_ref().unwrap();
    assert_eq!((withdrawal.by.as_str(), withdrawal.at_s), ("S. Example", NOW_S + 9));
}

#[tokio::test]
async fn a_notice_that_breaks_a_rule_changes_nothing() {
    let test = TestStore::new().await;
    let draft = draft(&test).await;
    let mut writer = test.store.write("tester", "notice", NOW_S).await.unwrap();
    let long = NoticeDraft { expiry: date(2024, 8, 31), ..draft.clone() };
    assert_eq!(writer.add_notice(test.area, &long).await.unwrap(), Err(InvalidNotice::TooLong));
    let nameless = NoticeDraft { made_by: String::new(), ..draft.clone() };
    assert!(matches!(writer.add_notice(test.area, &nameless).await.unwrap(), Err(InvalidNotice::Missing(_))));
    assert_eq!(writer.commit().await.unwrap(), draft.based_on);
    assert!(test.store.snapshot().await.unwrap().notices(test.area).await.unwrap().is_empty());
}

#[tokio::test]
async fn notices_that_end_last_come_first() {
    let test = TestStore::new().await;
    let draft = draft(&test).await;
    let mut writer = test.store.write("tester", "notice", NOW_S).await.unwrap();
    for day in [date(2024, 7, 9), date(2024, 8, 20), date(2024, 7, 30)] {
        let given = NoticeDraft { expiry: day, ..draft.clone() };
        writer.add_notice(test.area, &given).await.unwrap().unwrap();
    }
    writer.commit().await.unwrap();
    let all = test.store.snapshot().await.unwrap().notices(test.area).await.unwrap();
    let days: Vec<_> = all.iter().map(|notice| notice.given.expiry).collect();
    assert_eq!(days, [date(2024, 8, 20), date(2024, 7, 30), date(2024, 7, 9)]);
}

/// A notice of the time before settings were kept says so by an empty text.
#[tokio::test]
async fn an_older_notice_has_no_settings() {
    let test = TestStore::new().await;
    let mut writer = test.store.write("tester", "notice", NOW_S).await.unwrap();
    sqlx::query(
        "INSERT INTO notices (area_id, trail, wording_key, start_date, expiry_date, reason, made_by, made_at_s,
            based_on_revision, revision)
         VALUES (?, 'Ledge Walk', 'take-care', '2024-07-01', '2024-07-20', 'many', 'R. Example', 1, 1, 1)",
    )
    .bind(test.area.0)
    .execute(writer.connection())
    .await
    .unwrap();
    writer.commit().await.unwrap();
    let all = test.store.snapshot().await.unwrap().notices(test.area).await.unwrap();
    assert_eq!((all[0].given.based_on.0, all[0].given.settings.as_str()), (1, ""));
}
