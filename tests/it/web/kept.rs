//! Drawn answers that are kept: never another reader's, never older than what was done to them.

use std::time::Duration;

use axum::http::Method;
use jiff::civil::date;

use coilway::app::Progress;
use coilway::app::keep_warm;
use coilway::domain::batch::Content;
use coilway::domain::place::SensitivePlace;
use coilway::domain::revision::Revision;
use coilway::domain::units::Length;
use coilway::store::BatchDraft;

use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;
use crate::web::accounts::Asker;
use crate::web::accounts::Signed;

const WAITING: &str = "Newer records have come in";

/// Follows the revision until its layers are there, and no further.
async fn warmed(test: &TestApp) -> Revision {
    let warming = tokio::spawn(keep_warm(test.app.clone()));
    let revision = test.app.store().revision().await.unwrap();
    while test.app.progress() != Progress::Ready(revision) {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    warming.abort();
    revision
}

/// Brings in one more report as a batch.
async fn bring_in(test: &TestApp, id: &str) -> Revision {
    let target = test.by_hand().await;
    let report = report(id, at(300.0, -30.0), date(2024, 5, 3), 9);
    test.write(async |writer| {
        let draft = BatchDraft { area: target.area, content: Content::Encounters };
        writer.begin_batch(&draft).await.unwrap();
        let tally = writer.put_encounters(&target, &rows([report])).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await
}

fn footer(revision: Revision) -> String {
    format!("Data revision {revision}")
}

#[tokio::test]
async fn nobody_is_given_an_answer_drawn_for_other_rights() {
    let signed = Signed::new(TestApp::park().await).await;
    let askers = [Asker::Manager, Asker::Visitor, Asker::ObserverWithExact, Asker::Visitor, Asker::Manager];
    for asker in askers {
        for address in ["/", "/layers/trails.geojson", "/trails", "/encounters"] {
            let headers = [("cookie", signed.cookie(asker)), ("accept", "application/json")];
            let answer = signed.test.ask(Method::GET, address, &headers).await;
            match (asker, address) {
                (Asker::Visitor, "/trails" | "/encounters") => assert_eq!(answer.status.as_u16(), 401),
                (Asker::Visitor, "/layers/trails.geojson") => {
                    answer.expect(200).says("encounters_about");
                }
                (Asker::Visitor, _) => answer.expect(200).never_says("Data revision"),
                (_, "/layers/trails.geojson") => answer.expect(200).never_says("encounters_about"),
                _ => answer.expect(200).says("Data revision"),
            }
        }
    }
}

#[tokio::test]
async fn an_answer_of_before_stands_in_while_records_are_worked_in_and_says_so() {
    let test = TestApp::park().await;
    let former = warmed(&test).await;
    for _ in 0..2 {
        let page = test.get("/trails").await.expect(200);
        page.says(&footer(former));
        page.never_says(WAITING);
    }
    let tag = test.get("/trails").await.header("etag").to_owned();
    let newer = bring_in(&test, "K-1").await;
    let page = test.get("/trails").await.expect(200);
    page.says(WAITING);
    page.says(&footer(former));
    assert_ne!(page.header("etag"), tag, "the same tag would hide the notice");
    // What was never drawn is drawn of what is there now.
    let drawn = test.get("/trails?trail=1").await.expect(200);
    drawn.says(&footer(newer));
    drawn.never_says(WAITING);
    // Once the layers are there, so is the page.
    warmed(&test).await;
    let page = test.get("/trails").await.expect(200);
    page.says(&footer(newer));
    page.never_says(WAITING);
}

#[tokio::test]
async fn nothing_stands_in_for_what_somebody_changed_or_made_secret() {
    let test = TestApp::park().await;
    warmed(&test).await;
    test.get("/trails").await.expect(200);
    bring_in(&test, "K-1").await;
    test.get("/trails").await.says(WAITING);
    let fields =
        [("call-level", "0.9"), ("was:call-level", "0.8"), ("who", "A. Warden"), ("reason", "a count")];
    test.post_fields("/data/settings", &fields).await.expect(303);
    let page = test.get("/trails").await.expect(200);
    page.says("call level 0.9 probability");
    page.never_says(WAITING);

    let test = TestApp::park().await;
    warmed(&test).await;
    test.get("/trails").await.expect(200);
    let target = test.by_hand().await;
    let den = SensitivePlace {
        name: "north den".to_owned(),
        position: at(-700.0, 230.0),
        buffer: Length::metres(300.0).unwrap(),
        reason: "overwintering".to_owned(),
        review_date: String::new(),
    };
    let newer = test
        .write(async |writer| {
            let draft = BatchDraft { area: target.area, content: Content::SensitivePlaces };
            writer.begin_batch(&draft).await.unwrap();
            writer.put_sensitive_places(&target, &rows([den])).await.unwrap();
        })
        .await;
    let page = test.get("/trails").await.expect(200);
    page.says(&footer(newer));
    page.never_says(WAITING);
}

#[tokio::test]
async fn every_encoding_carries_the_same_page() {
    use std::io::Read;
    let test = TestApp::park().await;
    let plain = test.get("/trails").await.expect(200);
    for _ in 0..2 {
        let packed = test.packed("/trails", "gzip").await;
        let mut page = String::new();
        flate2::read::GzDecoder::new(packed.as_slice()).read_to_string(&mut page).unwrap();
        assert_eq!(page, plain.body);
    }
}

/// A browser keeps a page and asks whether it is still the right one: for somebody with other rights it never is.
#[tokio::test]
async fn no_tag_is_right_for_other_rights() {
    let signed = Signed::new(TestApp::park().await).await;
    let ask = async |asker: Asker, address: &str, tag: &str| {
        let headers = [("cookie", signed.cookie(asker)), ("accept", "text/html"), ("if-none-match", tag)];
        signed.test.ask(Method::GET, address, &headers).await
    };
    let mut n_tags = 0;
    for address in
        ["/", "/encounters", "/encounters/1", "/decisions", "/effect", "/trails", "/season", "/about"]
    {
        let answer = ask(Asker::Manager, address, "").await.expect(200);
        assert!(answer.header("vary").contains("Cookie"), "{address}: {}", answer.header("vary"));
        let tag = answer.header("etag").to_owned();
        if tag.is_empty() {
            continue;
        }
        n_tags += 1;
        ask(Asker::Manager, address, &tag).await.expect(304);
        for other in [Asker::ObserverWithExact, Asker::Administrator] {
            ask(other, address, &tag).await.expect(200);
        }
    }
    assert!(n_tags >= 4, "{n_tags} pages have tags");
}
