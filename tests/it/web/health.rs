//! What a snake did to people: told to those alone who may see it, and to them.

use axum::http::Method;

use coilway::domain::encounter::Outcome;
use coilway::domain::ids::RowErrorId;

use crate::support::Answer;
use crate::support::TestApp;
use crate::web::accounts::Asker;
use crate::web::accounts::Signed;

#[tokio::test]
async fn bites_are_told_to_those_only_who_may_see_them() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    // A row that waits, and an encounter with a history, both of a bite.
    let csv = "occurrenceID,effortKind,eventDate,decimalLatitude,decimalLongitude,contact,reactions,outcome,\
               notes,behaviour,first aid\n\
               W-1,report,2024-05-01,97.61,-109.38,beside,still; bit skin,bite treated,ankle swollen,caught her,by helicopter\n\
               W-2,report,2024-05-02,37.61,-109.38,beside,still; bit skin@2,bite treated,ankle swollen,caught her,by helicopter\n\
               W-3,report,2024-05-03,37.61,-109.38,beside,still,bite feared,ankle swollen,caught her,by helicopter\n\
               W-4,report,2024-05-04,37.61,-109.38,beside,still,,a quiet day,lay there,none\n\
               W-5,report,2024-05-04,37.61,-109.38,beside,fastened on a finger,,,,\n";
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"encounters"), ("file", Some("w.csv"), csv.as_bytes())];
    let batch =
        test.send_files("/data/import", &parts, &manager).await.expect(303).header("location").to_owned();
    let area = test.by_hand().await.area;
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(area, "W-2").await.unwrap().unwrap();
    let mut draft = snapshot.encounter(id).await.unwrap().unwrap().given;
    let waiting = snapshot.open_row_errors(area, RowErrorId(0), 1000).await.unwrap();
    drop(snapshot);
    draft.approaches[0].reactions.remove(0);
    draft.details.occurrence_remarks = "ankle swollen, mended".to_owned();
    test.write(async |writer| writer.change_encounter(id, &draft).await.unwrap()).await;

    // The hint of an unknown outcome names those that are known, so "bite treated" may stand in lists.
    let bites =
        ["bit skin", "bite feared", "ankle swollen", "caught her", "by helicopter", "fastened on a finger"];
    let row = |name: &str| {
        let is_it = |(_, value): &(String, String)| value == name;
        let found = waiting.iter().find(|row| row.error.raw.iter().any(is_it)).unwrap();
        format!("/data/rows/{}", found.id)
    };
    let pages = [
        batch,
        "/data/rows".to_owned(),
        row("W-1"),
        row("W-3"),
        row("W-5"),
        format!("/encounters/{id}"),
        format!("/history/encounter/{id}"),
    ];
    for page in &pages {
        let page = test.ask(Method::GET, page, &manager).await.expect(200);
        bites.iter().for_each(|bite| page.never_says(bite));
    }
    for page in [&pages[2], &pages[5], &pages[6]] {
        test.ask(Method::GET, page, &manager).await.expect(200).never_says("bite treated");
    }
    test.ask(Method::GET, "/history", &manager).await.expect(200).never_says("bit skin");
    test.ask(Method::GET, &row("W-1"), &manager).await.says("withheld; leave empty to keep");
    let page = test.ask(Method::GET, &pages[5], &manager).await;
    page.says("a bite, of what is withheld after 2 s");
    page.never_says("What it did to people");
    test.ask(Method::GET, &pages[6], &manager).await.says("a bite, of what is withheld");
    // What is said of a quiet day is the same: that words are withheld tells nothing.
    let withheld = "withheld: free words are for those who may see reported bites";
    let n_withheld = |page: &Answer| page.body.matches(withheld).count();
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    let quiet = snapshot.encounter_by_occurrence(area, "W-4").await.unwrap().unwrap();
    drop(snapshot);
    let quiet = test.ask(Method::GET, &format!("/encounters/{quiet}"), &manager).await.expect(200);
    quiet.never_says("a quiet day");
    assert_eq!((n_withheld(&quiet), n_withheld(&page)), (3, 3), "{}", page.body);

    // Who may see them sees them, at the same addresses.
    let (account, _) = test.app.store().account_to_sign_in("Manager").await.unwrap().unwrap();
    let administrator = [("cookie", signed.cookie(Asker::Administrator))];
    let grant = format!("/accounts/{}", account.id);
    test.post(&grant, "role=manager&health=yes", &administrator).await.expect(303);
    for (page, bite) in pages[1..].iter().zip([
        "bite feared",
        "bite treated",
        "bite feared",
        "finger",
        "bit skin",
        "bit skin",
    ]) {
        test.ask(Method::GET, page, &manager).await.expect(200).says(bite);
    }
    let page = test.ask(Method::GET, &pages[5], &manager).await;
    for words in [
        "Reported: bite treated.",
        "In an emergency call 911.",
        "ankle swollen",
        "caught her",
        "by helicopter",
    ] {
        page.says(words);
    }
    test.post(&grant, "role=manager", &administrator).await.expect(303);

    // Mended without a word about it, it is what it was.
    let wrong = test.post(&row("W-1"), "decimalLatitude=98&outcome=&reactions=", &manager).await.expect(422);
    wrong.says("withheld; leave empty to keep");
    ["bit skin", "bite treated"].iter().for_each(|bite| wrong.never_says(bite));
    let form = "decimalLatitude=37.61&outcome=&reactions=&coilway-action=retry";
    test.post(&row("W-1"), form, &manager).await.expect(303);
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(area, "W-1").await.unwrap().unwrap();
    let mended = snapshot.encounter(id).await.unwrap().unwrap().given;
    assert_eq!(mended.outcome, Some(Outcome::BiteTreated));
    assert_eq!(mended.approaches[0].reactions[1].term, "bit skin");
}
