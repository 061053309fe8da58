//! A machine whose clock went back: nothing is lost, overwritten or put in the wrong order.

use crate::support::NOW_S;
use crate::support::TestApp;
use crate::support::form;

const DAY_S: i64 = 86_400;

async fn set(test: &TestApp, level: &str, reason: &str) {
    let fields = [("call-level", level), ("who", "A. Warden"), ("reason", reason)];
    test.post("/data/settings", &form(&fields), &[]).await.expect(303);
}

#[tokio::test]
async fn changes_stand_in_the_order_in_which_they_were_made() {
    let test = TestApp::park().await;
    set(&test, "0.9", "made first").await;
    let before = test.app.store().revision().await.unwrap();
    let tag = test.get("/trails").await.expect(200).header("etag").to_owned();

    let test = test.at(NOW_S - 30 * DAY_S).await;
    set(&test, "0.7", "made second").await;
    assert_eq!(test.app.store().revision().await.unwrap(), before.next());
    let page = test.get("/data/settings").await.expect(200);
    let at = |words: &str| page.body.find(words).unwrap_or_else(|| panic!("{words}: {}", page.body));
    assert!(at("made second") < at("made first"), "the later change stands below");
    page.says("from 0.9 to 0.7");
    let history = test.get("/history?kind=setting").await.expect(200);
    assert!(history.body.find("made second") < history.body.find("made first"));
    // What was computed and kept before is not given for what is now.
    let trails = test.get("/trails").await.expect(200);
    trails.says("call level 0.7");
    assert_ne!(trails.header("etag"), tag);
    let checkup = test.app.store().check().await.unwrap();
    assert!(checkup.is_whole(), "{:?}", checkup.findings);
}

#[tokio::test]
async fn a_decision_and_a_sign_of_the_future_are_shown_and_can_be_ended() {
    let test = TestApp::complete_park().await;
    let pages =
        ["/", "/decisions", "/effect", "/watch", "/season", "/survey", "/study", "/layers/signs.geojson"];
    let test = test.at(NOW_S - 400 * DAY_S).await;
    for page in pages {
        let answer = test.get(page).await;
        assert!(answer.status.as_u16() < 500, "{page}: {}", answer.status);
    }
    let checkup = test.app.store().check().await.unwrap();
    assert!(checkup.is_whole(), "{:?}", checkup.findings);
}
