//! What the page of a batch tells whoever brought it in: a file that came before, what is new and what changed, what records
//! lack, and undoing it.

use axum::http::Method;

use crate::support::Answer;
use crate::support::TestApp;
use crate::support::at;
use crate::web::accounts::Asker;
use crate::web::accounts::Signed;

const HEAD: &str =
    "occurrenceID,effortKind,eventID,eventDate,eventTime,decimalLatitude,decimalLongitude,scientificName\n";

fn row(id: &str, effort: &str, time: &str) -> String {
    let position = at(-800.0, 30.0);
    format!("{id},{effort},,2024-05-04,{time},{:.6},{:.6},Crotalus viridis\n", position.lat(), position.lon())
}

/// Uploads a file of encounters, and the page that the answer leads to.
async fn upload(test: &TestApp, name: &str, rows: &[String]) -> (String, Answer) {
    let text = format!("{HEAD}{}", rows.concat());
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"encounters"), ("file", Some(name), text.as_bytes())];
    let answer = test.send_files("/data/import", &parts, &[]).await.expect(303);
    let address = answer.header("location").to_owned();
    let page = test.get(&address).await.expect(200);
    (address, page)
}

#[tokio::test]
async fn a_file_that_came_before_is_said_to_have_changed_nothing() {
    let test = TestApp::park().await;
    let rows = [row("B-1", "report", "09:10"), row("B-2", "report", "09:20")];
    let (first, page) = upload(&test, "book.csv", &rows).await;
    page.never_says("brought in before");
    page.says("<strong>2</strong> rows went in, <strong>0</strong> were there already");
    let (again, page) = upload(&test, "copy of book.csv", &rows).await;
    assert_eq!(again, format!("{first}?again=yes"));
    let number = first.rsplit('/').next().unwrap();
    page.says(&format!(
        "This file was brought in before, on 2024-07-01 12:00 UTC as batch {number}: nothing changed."
    ));
    test.get(&first).await.expect(200).never_says("brought in before");
    test.get(&format!("{first}?again=perhaps")).await.expect(400);
}

#[tokio::test]
async fn a_changed_file_says_how_many_rows_are_new_and_how_many_changed_a_record() {
    let test = TestApp::park().await;
    let rows = [row("B-1", "report", "09:10"), row("B-2", "report", "09:20"), row("B-3", "report", "09:30")];
    upload(&test, "book.csv", &rows).await;
    let changed = [
        row("B-1", "report", "10:10"),
        row("B-2", "report", "10:20"),
        row("B-3", "report", "09:30"),
        row("B-4", "report", "09:40"),
    ];
    let (address, page) = upload(&test, "book.csv", &changed).await;
    page.says("<strong>3</strong> rows went in (1 new, 2 changed a record that was there), <strong>1</strong> were there already");
    // Undoing asks first, and says what becomes of what.
    page.says("<summary>Undo this batch</summary>");
    page.says("<li>Encounters: 1</li>");
    page.says("Put back to what they were before: 2");
    test.submit(&format!("{address}/undo"), "").await.expect(303);
    let times = test.get("/encounters?batch=1").await;
    times.never_says("10:10");
}

#[tokio::test]
async fn undoing_keeps_a_reason_and_leaves_no_row_to_mend() {
    let test = TestApp::park().await;
    let bad = row("B-2", "report", "09:20").replace("2024-05-04", "2024-15-04");
    let (address, page) = upload(&test, "book.csv", &[row("B-1", "report", "09:10"), bad]).await;
    let mend = "href=\"/data/rows/1\"";
    page.says(mend);
    test.get("/data/rows").await.expect(200).says(mend);
    test.get("/data/rows/1").await.expect(200);
    let long = format!("reason={}", "x".repeat(501));
    test.submit(&format!("{address}/undo"), &long).await.expect(400);
    test.submit(&format!("{address}/undo"), "reason=the+wrong+year").await.expect(303);
    let undone = test.get(&address).await.expect(200);
    undone.says("This batch was undone");
    undone.says("undone: the wrong year");
    undone.says("undone with its batch");
    for page in [&undone, &test.get("/data/rows").await.expect(200)] {
        page.never_says(mend);
        page.never_says("Undo this batch");
    }
    test.get("/data/rows/1").await.expect(422).says("undone");
    test.submit("/data/rows/1", "coilway-action=retry").await.expect(422);
    let revisions = test.app.store().snapshot().await.unwrap().revisions(1).await.unwrap();
    assert!(revisions[0].summary.ends_with("undone: the wrong year"), "{revisions:?}");
}

#[tokio::test]
async fn a_survey_encounter_without_a_walk_is_said_to_be_in_no_rate() {
    let test = TestApp::park().await;
    let (_, page) =
        upload(&test, "notes.csv", &[row("B-1", "survey", "09:10"), row("B-2", "report", "09:20")]).await;
    page.says("1 record that went in has the effort survey and no walk");
    let area = test.by_hand().await.area;
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(area, "B-1").await.unwrap().unwrap();
    drop(snapshot);
    let one = test.get(&format!("/encounters/{id}")).await.expect(200);
    one.says("of no walk that is known");
    one.says("it is in no rate");
    one.never_says("divided by survey walks only");
    one.says("row 2 of notes.csv");
}

/// An eventID that nobody told an observer of: the answer must not say whether there is such a walk.
#[tokio::test]
async fn an_observer_does_not_learn_which_walks_there_are() {
    let signed = Signed::new(TestApp::park().await).await;
    let text = format!("{HEAD}{}", row("B-1", "survey", "09:10"));
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"encounters"), ("file", Some("a.csv"), text.as_bytes())];
    let cookie = [("cookie", signed.cookie(Asker::Observer)), ("accept", "text/html")];
    let answer = signed.test.send_files("/data/import", &parts, &cookie).await.expect(303);
    let page = signed.test.ask(Method::GET, answer.header("location"), &cookie).await.expect(200);
    page.says("rows went in");
    page.never_says("no walk");
}

#[tokio::test]
async fn the_data_page_says_why_fewer_reports_are_in_figures() {
    let test = TestApp::park().await;
    let page = test.get("/data").await.expect(200);
    page.says(
        "1 of species that the area’s list says are not venomous and 1 rejected at review, are in none.",
    );
}
