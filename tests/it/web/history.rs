//! The history: put back, taken out, brought back, from pages, by whom, and what figures say afterwards.

use serde_json::Value;

use coilway::domain::batch::Content;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::ids::EncounterId;
use coilway::store::BatchDraft;
use coilway::store::Encounter;
use coilway::store::FileDraft;
use coilway::store::FileFormat;
use coilway::store::Target;

use crate::support::Answer;
use crate::support::TestApp;
use crate::support::form;

/// The layers that rest on encounters, without the revision; where there is none, why.
async fn layers(test: &TestApp) -> Vec<Value> {
    let mut all = Vec::new();
    for layer in ["stretches", "segments", "encounters", "density", "trails"] {
        let answer = test.get(&format!("/layers/{layer}.geojson")).await;
        let json: Value = serde_json::from_str(&answer.body).unwrap();
        all.push(json.get("features").unwrap_or(&json["detail"]).clone());
    }
    all
}

async fn encounter(test: &TestApp, id: i64) -> Encounter {
    test.app.store().snapshot().await.unwrap().encounter(EncounterId(id)).await.unwrap().unwrap()
}

async fn rename(test: &TestApp, id: i64, species: &str) {
    let mut draft = encounter(test, id).await.given;
    species.clone_into(&mut draft.scientific_name);
    // Off the trails, so that rates and density notice.
    draft.position = None;
    test.write(async |writer| writer.change_encounter(EncounterId(id), &draft).await.unwrap()).await;
}

/// What the form of a page carries about the state it shows.
fn seen(page: &Answer) -> String {
    let rest = page.body.split("name=\"seen\" value=\"").nth(1).unwrap();
    rest.split('"').next().unwrap().to_owned()
}

async fn post(test: &TestApp, address: &str, to: &str, seen: &str) -> Answer {
    let fields = [("to", to), ("seen", seen), ("who", "A. Warden"), ("reason", "the photo shows it")];
    test.post(address, &form(&fields), &[]).await
}

#[tokio::test]
async fn an_encounter_put_back_to_its_first_state_gives_the_same_layers() {
    let test = TestApp::park().await;
    let (before, first) = (layers(&test).await, encounter(&test, 1).await.given);
    rename(&test, 1, "Crotalus cerastes").await;
    rename(&test, 1, "Crotalus atrox").await;
    assert_ne!(layers(&test).await, before);
    let revision = test.app.store().snapshot().await.unwrap().revision();

    let page = test.get("/history/encounter/1").await.expect(200);
    for words in ["Crotalus cerastes", "Crotalus atrox", "Compare this state with now"] {
        page.says(words);
    }
    let came_in = encounter(&test, 1).await.changes[0].id.to_string();
    let chosen = test.get(&format!("/history/encounter/1?to={came_in}")).await.expect(200);
    chosen.says("Putting it back would change");
    chosen.says(&first.scientific_name);
    post(&test, "/history/encounter/1/put-back", &came_in, &seen(&chosen)).await.expect(303);

    assert_eq!(encounter(&test, 1).await.given, first);
    assert_eq!(layers(&test).await, before);
    assert_eq!(test.app.store().snapshot().await.unwrap().revision(), revision.next());
    test.get("/history/encounter/1").await.expect(200).says("the photo shows it");
    test.get("/history?who=A.+Warden").await.expect(200).says("the photo shows it");
    test.get("/history?who=nobody").await.expect(200).says("No change fits");
}

#[tokio::test]
async fn an_edit_made_meanwhile_is_noticed() {
    let test = TestApp::park().await;
    rename(&test, 1, "Crotalus cerastes").await;
    let came_in = encounter(&test, 1).await.changes[0].id.to_string();
    let chosen = test.get(&format!("/history/encounter/1?to={came_in}")).await.expect(200);
    rename(&test, 1, "Crotalus atrox").await;
    let refused = post(&test, "/history/encounter/1/put-back", &came_in, &seen(&chosen)).await;
    refused.expect(409).says("Somebody changed this record since you opened the page");
    post(&test, "/history/encounter/1/withdraw", "", &seen(&chosen)).await.expect(409);
    assert_eq!(encounter(&test, 1).await.given.scientific_name, "Crotalus atrox");
}

#[tokio::test]
async fn a_record_taken_out_is_in_no_layer_until_it_is_brought_back() {
    let test = TestApp::park().await;
    let before = layers(&test).await;
    for address in ["/history/encounter/1", "/history/trail/1"] {
        let page = test.get(address).await.expect(200);
        let without_reason = form(&[("seen", &seen(&page)), ("who", "A. Warden")]);
        let refused = test.post(&format!("{address}/withdraw"), &without_reason, &[]).await;
        refused.expect(422).says("Say why");
        post(&test, &format!("{address}/withdraw"), "", &seen(&page)).await.expect(303);
        assert_ne!(layers(&test).await, before, "{address}");
        let page = test.get(address).await.expect(200);
        page.says("This record was taken out");
        let to = page.body.split("name=\"to\" value=\"").nth(1).unwrap().split('"').next().unwrap();
        post(&test, &format!("{address}/put-back"), to, &seen(&page)).await.expect(303);
        assert_eq!(layers(&test).await, before, "{address}");
    }
}

/// Two forms of one page have fields of the same names: what was typed, and what is wrong, belong to the one that was sent.
#[tokio::test]
async fn a_refused_form_is_marked_and_the_other_is_not() {
    let test = TestApp::park().await;
    rename(&test, 1, "Crotalus cerastes").await;
    let address = "/history/encounter/1";
    let came_in = encounter(&test, 1).await.changes[0].id.to_string();
    let page = test.get(&format!("{address}?to={came_in}")).await.expect(200);
    let mark = seen(&page);
    for (sent, other) in [("put-back", "withdraw"), ("withdraw", "put-back")] {
        let fields = [("to", came_in.as_str()), ("seen", &mark), ("who", "A. Warden"), ("reason", " ")];
        let refused = test.post(&format!("{address}/{sent}"), &form(&fields), &[]).await.expect(422);
        assert_eq!(refused.twice(), Vec::<String>::new());
        refused.says("Nothing was kept. Mend what is marked below:");
        refused.says("<a href=\"#wrong-reason\">Reason: Say why");
        let form_of = |ending: &str| {
            let rest = refused.body.split_once(&format!("action=\"{address}/{ending}\""))?.1;
            Some(rest.split("</form>").next().unwrap_or_default().to_owned())
        };
        let marked = form_of(sent).unwrap();
        assert!(marked.contains("id=\"wrong-reason\"") && marked.contains("A. Warden"), "{marked}");
        // Nothing is to be put back where no earlier state was looked at.
        assert_eq!(form_of(other).is_some(), sent == "put-back");
        let other = form_of(other).unwrap_or_default();
        assert!(!other.contains("wrong-") && !other.contains("A. Warden"), "{other}");
    }
    // A form that is gone meanwhile still says what became of it.
    post(&test, &format!("{address}/withdraw"), "", &mark).await.expect(303);
    let late = post(&test, &format!("{address}/withdraw"), "", &mark).await.expect(422);
    late.says("<p class=\"notice\" role=\"alert\">The record is in this state already.");
    late.never_says("#wrong-form");
}

#[tokio::test]
async fn what_there_is_not_is_said() {
    let test = TestApp::park().await;
    for address in [
        "/history/encounter/999999",
        "/history/bird/1",
        "/history/encounter/x",
        "/history/encounter/1?to=999999",
    ] {
        test.get(address).await.expect(404);
    }
    test.get("/history/encounter/1?to=now").await.expect(400);
    test.get("/history?batch=last&until=31.5.2024").await.expect(400).says("not the number of a batch");
    let area = test.by_hand().await.area.0;
    test.get(&format!("/history/area/{area}")).await.expect(404);
}

#[tokio::test]
async fn a_record_that_went_with_its_batch_says_so_and_comes_back() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let given = encounter(&test, 1).await.given;
    let given = EncounterDraft { occurrence_id: "from-a-file".to_owned(), ..given };
    let mut batch = None;
    test.write(async |writer| {
        let draft = BatchDraft { area: target.area, content: Content::Encounters };
        let id = writer.begin_batch(&draft).await.unwrap();
        let file = FileDraft {
            name: "notes.csv".to_owned(),
            format: FileFormat::Csv,
            encoding: String::new(),
            n_bytes: 1,
            blake3: "1".to_owned(),
            mapping: Vec::new(),
        };
        let file = writer.add_file(id, &file).await.unwrap();
        let from_file = Target { source: Some((id, file)), ..target };
        writer.put_encounters(&from_file, &[(7, given.clone())]).await.unwrap();
        batch = Some(id);
    })
    .await;
    let id = test
        .app
        .store()
        .snapshot()
        .await
        .unwrap()
        .encounter_by_occurrence(target.area, "from-a-file")
        .await
        .unwrap()
        .unwrap();
    let address = format!("/history/encounter/{id}");
    test.get(&address).await.expect(200).says("came in");
    test.write(async |writer| {
        let undone = writer.undo_batch(batch.unwrap()).await.unwrap();
        assert_eq!(undone.n_removed, 1);
    })
    .await;
    let page = test.get(&address).await.expect(200);
    page.says("the whole batch was taken back");
    page.says("Bring the record back");
    let put_back = format!("{address}/put-back");
    post(&test, &put_back, "first", &seen(&page)).await.expect(303);
    assert_eq!(encounter(&test, id.0).await.given, given);
    test.get(&address).await.expect(200).says("the photo shows it");
}

#[tokio::test]
async fn records_are_reviewed_one_by_one_or_together() {
    let test = TestApp::park().await;
    let status = async |id: i64| encounter(&test, id).await.given.verification_status.term();
    let untouched = status(3).await;
    let back = "/encounters?effort=report";
    let list = test.get(back).await.expect(200);
    list.says("Review the records ticked");
    list.says("type=\"checkbox\" name=\"id\"");
    let before = encounter(&test, 1).await.given;
    let review = async |fields: &[(&str, &str)]| test.post("/encounters/review", &form(fields), &[]).await;

    let look = "needs a second look";
    let fields = [("id", "1"), ("id", "2"), ("status", look), ("who", "A. Warden"), ("back", back)];
    let answer = review(&fields).await.expect(303);
    assert_eq!(answer.header("location"), back);
    assert_eq!([status(1).await, status(2).await, status(3).await], [look, look, untouched]);
    let mut reviewed = encounter(&test, 1).await.given;
    reviewed.verification_status = before.verification_status;
    assert_eq!(reviewed, before, "nothing else changes");
    test.get("/encounters/1").await.expect(200).says("review: 2 records: needs a second look");
    test.get("/history?who=A.+Warden").await.expect(200).says("review: 2 records: needs a second look");

    let one = [("id", "2"), ("status", "rejected"), ("who", "A. Warden"), ("back", "//elsewhere")];
    assert_eq!(review(&one).await.expect(303).header("location"), "/encounters");
    assert_eq!(status(2).await, "rejected");

    // Whatever the list was filtered by leads back to it, as an address.
    let species = encounter(&test, 1).await.given.scientific_name;
    assert!(species.contains(' '));
    let filtered = test.get(&format!("/encounters?species={}", species.replace(' ', "+"))).await.expect(200);
    let back = filtered.body.split("name=\"back\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    let fields = [("id", "2"), ("status", look), ("who", "A. Warden"), ("back", back)];
    let answer = review(&fields).await.expect(303);
    assert_eq!(answer.header("location"), back);
    test.get(answer.header("location")).await.expect(200).says("Review the records ticked");

    // All of them or none.
    let revision = test.app.store().snapshot().await.unwrap().revision();
    review(&[("id", "3"), ("id", "999999"), ("status", look), ("who", "A")]).await.expect(404);
    review(&[("id", "3"), ("status", "fine"), ("who", "A")]).await.expect(400).says("is not one of");
    review(&[("status", look), ("who", "A")]).await.expect(400).says("0 were ticked");
    review(&[("id", "3"), ("status", look)]).await.expect(400).says("Give your name");
    assert_eq!(status(3).await, untouched);
    assert_eq!(test.app.store().snapshot().await.unwrap().revision(), revision);
}
