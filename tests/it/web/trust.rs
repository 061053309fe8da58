//! What an observer who may not see exact places can do with files: add records, and learn nothing from what the server
//! makes of them.

use coilway::domain::batch::Content;
use coilway::domain::encounter::VerificationStatus;
use coilway::domain::geography::LonLat;
use coilway::domain::ids::RowErrorId;
use coilway::domain::place::SensitivePlace;
use coilway::domain::units::Length;

use crate::support::Answer;
use crate::support::TestApp;
use crate::support::at;
use crate::support::rows;
use crate::web::accounts::Asker;
use crate::web::accounts::Signed;
use crate::web::photos::by_name;
use crate::web::photos::taken_at;

const HEAD: &str = "occurrenceID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,scientificName,\
                    identificationVerificationStatus\n";

/// What observers add; everything else is what records are measured by, or what protects places.
const OF_OBSERVERS: [&str; 6] =
    ["encounters", "photos", "walks", "double-observer", "sign-inspections", "sign-watches"];

pub(super) async fn bring_in(
    signed: &Signed,
    asker: Asker,
    content: &str,
    name: &str,
    bytes: &[u8],
) -> Answer {
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, content.as_bytes()), ("file", Some(name), bytes)];
    let headers = [("cookie", signed.cookie(asker)), ("accept", "text/html")];
    signed.test.send_files("/data/import", &parts, &headers).await
}

/// Rows that went in and rows that did not, of the batch that an upload made, as its page says to whom uploaded it.
async fn batch_page(signed: &Signed, asker: Asker, answer: Answer) -> Answer {
    let address = answer.expect(303).header("location").to_owned();
    signed.test.ask(axum::http::Method::GET, &address, &[("cookie", signed.cookie(asker))]).await.expect(200)
}

fn row(id: &str, at: LonLat, status: &str) -> String {
    format!("{id},report,2024-05-04,09:10,{:.6},{:.6},Crotalus viridis,{status}\n", at.lat(), at.lon())
}

/// What anybody sees.
async fn public(signed: &Signed) -> Vec<String> {
    let mut all = Vec::new();
    for address in ["/", "/layers/trails.geojson"] {
        all.push(signed.test.get(address).await.expect(200).body);
    }
    all
}

#[tokio::test]
async fn every_content_is_for_those_who_may_change_it() {
    let signed = Signed::new(TestApp::park().await).await;
    for asker in [Asker::Observer, Asker::ObserverWithExact, Asker::Manager, Asker::Administrator] {
        let headers = [("cookie", signed.cookie(asker))];
        let form = signed.test.ask(axum::http::Method::GET, "/data/import", &headers).await.expect(200);
        for content in Content::ALL.iter().map(|content| content.term()).filter(|term| *term != "form") {
            let is_staff = matches!(asker, Asker::Manager | Asker::Administrator);
            let may = is_staff || OF_OBSERVERS.contains(&content);
            assert_eq!(form.body.contains(&format!("value=\"{content}\"")), may, "{asker:?} {content}");
            let answer = bring_in(&signed, asker, content, "empty.csv", b"a,b\n1,2\n").await;
            assert_eq!(answer.status.as_u16() == 403, !may, "{asker:?} {content}: {}", answer.status);
        }
    }
}

#[tokio::test]
async fn what_protects_dens_cannot_be_moved_by_who_may_not_see_them() {
    let signed = Signed::new(TestApp::park().await).await;
    let before = signed.test.app.store().revision().await.unwrap();
    let moved = b"name,decimalLatitude,decimalLongitude,bufferInMeters,reason,reviewDate\nDen,37.7,-109.2,1,none,2028-03-01\n";
    bring_in(&signed, Asker::Observer, "sensitive-places", "moved.csv", moved).await.expect(403);
    let harmless = b"scientificName,venomous,sensitivityCategory\nCrotalus viridis,no,4\n";
    bring_in(&signed, Asker::Observer, "species", "list.csv", harmless).await.expect(403);
    assert_eq!(signed.test.app.store().revision().await.unwrap(), before);
}

#[tokio::test]
async fn a_record_of_somebody_else_stays_and_nothing_is_told_of_it() {
    let signed = Signed::new(TestApp::park().await).await;
    let theirs = by_name(&signed.test, "R-0").await.given;
    let position = theirs.position.unwrap().position;
    let mut pages = Vec::new();
    // One row says something else, one the same place: the answer does not tell which.
    for (file, position) in [("other.csv", at(900.0, 900.0)), ("same.csv", position)] {
        let text = format!("{HEAD}{}", row("R-0", position, "unverified"));
        let answer = bring_in(&signed, Asker::Observer, "encounters", file, text.as_bytes()).await;
        let page = batch_page(&signed, Asker::Observer, answer).await;
        page.says("somebody else brought in a record of that name");
        pages.push(page.body.matches("<tr").count());
    }
    assert_eq!(pages[0], pages[1]);
    assert_eq!(by_name(&signed.test, "R-0").await.given, theirs);

    // An own record may be changed.
    for (file, species) in [("first.csv", "Crotalus viridis"), ("second.csv", "Pituophis catenifer")] {
        let text = format!("{HEAD}{}", row("MINE", at(100.0, 0.0), "").replace("Crotalus viridis", species));
        let answer = bring_in(&signed, Asker::Observer, "encounters", file, text.as_bytes()).await;
        batch_page(&signed, Asker::Observer, answer).await;
        assert_eq!(by_name(&signed.test, "MINE").await.given.scientific_name, species);
    }
    // And so may, by those who see it, that of somebody else.
    let text = format!("{HEAD}{}", row("MINE", at(100.0, 0.0), "verified"));
    bring_in(&signed, Asker::Manager, "encounters", "third.csv", text.as_bytes()).await.expect(303);
    let given = by_name(&signed.test, "MINE").await.given;
    assert_eq!(given.scientific_name, "Crotalus viridis");
    assert_eq!(given.verification_status, VerificationStatus::Verified);
}

#[tokio::test]
async fn nobody_reviews_own_records() {
    let signed = Signed::new(TestApp::park().await).await;
    let text = format!("{HEAD}{}", row("MINE", at(100.0, 0.0), "verified"));
    for asker in [Asker::Observer, Asker::ObserverWithExact] {
        let name = format!("{asker:?}");
        let text = text.replace("MINE", &name);
        bring_in(&signed, asker, "encounters", "mine.csv", text.as_bytes()).await.expect(303);
        let given = by_name(&signed.test, &name).await.given;
        assert_eq!(given.verification_status, VerificationStatus::Unverified);
        assert!(
            given.details.other.iter().any(|(_, value)| value == "verified"),
            "{:?}",
            given.details.other
        );
    }
}

#[tokio::test]
async fn a_photo_does_not_tell_who_was_met_then_and_there() {
    let signed = Signed::new(TestApp::park().await).await;
    let (one, several) = (by_name(&signed.test, "R-0").await, by_name(&signed.test, "C-0").await);
    for (name, photo) in [("a.jpg", taken_at(&one, 0, 1)), ("b.jpg", taken_at(&several, 0, 2))] {
        let answer = bring_in(&signed, Asker::Observer, "photos", name, &photo).await;
        let page = batch_page(&signed, Asker::Observer, answer).await;
        page.never_says("were met then and there");
        for theirs in ["R-0", "C-0", "C-1"] {
            page.never_says(theirs);
        }
    }
    let mut snapshot = signed.test.app.store().snapshot().await.unwrap();
    assert_eq!(snapshot.photos(one.id).await.unwrap(), []);
    drop(snapshot);
    // Whoever may see the places has the photo put where it belongs.
    let photo = taken_at(&one, 1, 3);
    bring_in(&signed, Asker::Manager, "photos", "c.jpg", &photo).await.expect(303);
}

#[tokio::test]
async fn own_records_cannot_be_followed_into_the_buffer_of_a_den() {
    let signed = Signed::new(TestApp::complete_park().await).await;
    let target = signed.test.by_hand().await;
    let den = SensitivePlace {
        name: "Hidden Ledge".to_owned(),
        position: at(-900.0, 30.0),
        buffer: Length::metres(250.0).unwrap(),
        reason: "den".to_owned(),
        review_date: "2030-01-01".to_owned(),
    };
    signed
        .test
        .write(async |writer| {
            let tally = writer.put_sensitive_places(&target, &rows([den])).await.unwrap();
            assert_eq!(tally.problems, []);
        })
        .await;
    let before = public(&signed).await;
    // The same thirty records in the open, at the den, and in the open again.
    for (round, place) in [at(700.0, -60.0), at(-900.0, 30.0), at(740.0, -60.0)].into_iter().enumerate() {
        let text: String = (0..30).map(|n| row(&format!("PROBE-{n}"), place, "verified")).collect();
        let file = format!("probe-{round}.csv");
        let text = format!("{HEAD}{text}");
        bring_in(&signed, Asker::Observer, "encounters", &file, text.as_bytes()).await.expect(303);
        let found = by_name(&signed.test, "PROBE-7").await.given.position.unwrap().position;
        assert!((found.lon() - place.lon()).abs() < 1e-5, "round {round}: the records did not move");
        assert_eq!(public(&signed).await, before, "round {round}");
    }
    // That they would show once verified is what makes the comparison above mean something.
    let text: String = (0..30).map(|n| row(&format!("PROBE-{n}"), at(780.0, -60.0), "verified")).collect();
    let text = format!("{HEAD}{text}");
    bring_in(&signed, Asker::Manager, "encounters", "verified.csv", text.as_bytes()).await.expect(303);
    assert_ne!(public(&signed).await, before);
}

/// What was reviewed is what the public sees, counted: if its author could change it, and it then counted no more, whether
/// the public count falls would tell what lies in the buffer of a den.
#[tokio::test]
async fn a_reviewed_record_does_not_change_without_whoever_reviews() {
    let signed = Signed::new(TestApp::park().await).await;
    let text = |place: LonLat| -> String {
        let rows = (0..30).map(|n| row(&format!("OWN-{n}"), place, ""));
        format!("{HEAD}{}", rows.collect::<String>())
    };
    bring_in(&signed, Asker::Observer, "encounters", "own.csv", text(at(700.0, -60.0)).as_bytes())
        .await
        .expect(303);
    for n in 0..30 {
        let found = by_name(&signed.test, &format!("OWN-{n}")).await;
        let mut verified = found.given.clone();
        verified.verification_status = VerificationStatus::Verified;
        signed.test.write(async |writer| writer.change_encounter(found.id, &verified).await.unwrap()).await;
    }
    let before = public(&signed).await;
    let moved = text(at(-900.0, 30.0));
    let answer = bring_in(&signed, Asker::Observer, "encounters", "moved.csv", moved.as_bytes()).await;
    let page = batch_page(&signed, Asker::Observer, answer).await;
    page.says("a change of it waits for somebody who reviews");
    assert_eq!(public(&signed).await, before);
    assert_eq!(by_name(&signed.test, "OWN-3").await.given.verification_status, VerificationStatus::Verified);
    // The same again is no change, and whoever reviews may take the row as it waits.
    let same = text(at(700.0, -60.0)).replace("OWN-29", "OWN-30");
    bring_in(&signed, Asker::Observer, "encounters", "same.csv", same.as_bytes()).await.expect(303);
    assert_eq!(public(&signed).await, before);
    let mut snapshot = signed.test.app.store().snapshot().await.unwrap();
    let area = signed.test.by_hand().await.area;
    let waiting = snapshot.open_row_errors(area, RowErrorId(0), 1000).await.unwrap();
    drop(snapshot);
    assert_eq!(waiting.len(), 30);
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    signed.test.post(&format!("/data/rows/{}", waiting[3].id), "", &manager).await.expect(303);
    let found = by_name(&signed.test, "OWN-3").await.given.position.unwrap().position;
    assert!((found.lon() - at(-900.0, 30.0).lon()).abs() < 1e-5);
}

/// Whoever has a file, or guesses what one says, learns nothing by bringing it in: not that somebody else did, nor as which
/// batch, nor who walked where with whom.
#[tokio::test]
async fn files_and_walks_of_somebody_else_are_as_if_there_were_none() {
    let signed = Signed::new(TestApp::complete_park().await).await;
    let theirs = format!(
        "{HEAD}{}{}",
        row("THEIRS", at(200.0, -30.0), ""),
        row("WRONG", at(0.0, 0.0), "no such word")
    );
    let batch =
        bring_in(&signed, Asker::Manager, "encounters", "theirs.csv", theirs.as_bytes()).await.expect(303);
    let again = bring_in(&signed, Asker::Observer, "encounters", "theirs.csv", theirs.as_bytes()).await;
    assert_ne!(again.header("location"), batch.header("location"));
    let page = batch_page(&signed, Asker::Observer, again).await;
    page.says("somebody else brought in a record of that name");
    page.says("no such word");
    // Their own file they know.
    let own = format!("{HEAD}{}", row("MINE", at(200.0, -30.0), ""));
    let first = bring_in(&signed, Asker::Observer, "encounters", "own.csv", own.as_bytes()).await.expect(303);
    let second =
        bring_in(&signed, Asker::Observer, "encounters", "own.csv", own.as_bytes()).await.expect(303);
    assert_eq!(format!("{}?again=yes", first.header("location")), second.header("location"));

    // A walk of two observers that is there, and one that is not, with words of the observer's own.
    let mut snapshot = signed.test.app.store().snapshot().await.unwrap();
    let walks = snapshot.double_observer_walks(signed.test.by_hand().await.area).await.unwrap();
    drop(snapshot);
    let known = walks.iter().find(|walk| !walk.noticed.is_empty()).unwrap();
    let mut pages = Vec::new();
    for (file, walk) in [("known.csv", known.event_id.as_str()), ("unknown.csv", "no-such-walk")] {
        let text = format!("eventID,protocol,firstObserver,secondObserver\n{walk},lead-follow,A,B\n");
        let answer = bring_in(&signed, Asker::Observer, "double-observer", file, text.as_bytes()).await;
        let page = batch_page(&signed, Asker::Observer, answer).await;
        page.says("there is no survey walk of that name");
        page.never_says(&known.first_observer);
        pages.push(page.body.matches("<tr").count());
    }
    assert_eq!(pages[0], pages[1]);
    // Whoever may see it is told what is wrong, without names that the rule for personal data would have to look for.
    let text = format!("eventID,protocol,firstObserver,secondObserver\n{},lead-follow,C,D\n", known.event_id);
    let answer = bring_in(&signed, Asker::Manager, "double-observer", "wrong.csv", text.as_bytes()).await;
    let page = batch_page(&signed, Asker::Manager, answer).await;
    page.says("another row of the walk has another protocol or other observers");
    page.never_says(&known.first_observer);
}

/// A record without an identifier gets one made of what its row says. Whoever guesses the row, a place every metre along a
/// trail, must not be told which guess is right.
#[tokio::test]
async fn a_row_of_somebody_else_cannot_be_guessed() {
    let signed = Signed::new(TestApp::park().await).await;
    let guess = format!("{HEAD}{}", row("", at(217.0, -30.0), ""));
    bring_in(&signed, Asker::Manager, "encounters", "theirs.csv", guess.as_bytes()).await.expect(303);
    let area = signed.test.by_hand().await.area;
    let headers = [("cookie", signed.cookie(Asker::Manager)), ("accept", "application/json")];
    let layer =
        signed.test.ask(axum::http::Method::GET, "/layers/encounters.geojson?limit=1000", &headers).await;
    let layer = layer.expect(200).json();
    let names =
        layer["features"].as_array().unwrap().iter().map(|it| it["properties"]["occurrenceID"].clone());
    let made =
        names.filter_map(|name| name.as_str().map(str::to_owned)).find(|name| name.starts_with("row:"));
    let made = made.unwrap();

    // The row as it stands, and the identifier that anybody can work out from it, beside guesses that are wrong.
    let wrong = format!("{HEAD}{}", row("", at(218.0, -30.0), ""));
    let mut pages = Vec::new();
    for (file, text) in [("right.csv", &guess), ("wrong.csv", &wrong)] {
        let answer = bring_in(&signed, Asker::Observer, "encounters", file, text.as_bytes()).await;
        let page = batch_page(&signed, Asker::Observer, answer).await;
        page.never_says("somebody else");
        pages.push(page.body.matches("<tr").count());
    }
    assert_eq!(pages[0], pages[1]);
    for (file, id) in [("id.csv", made.as_str()), ("no-id.csv", "row:000000000000000000000000")] {
        let text = format!("{HEAD}{}", row(id, at(0.0, 0.0), ""));
        let answer = bring_in(&signed, Asker::Observer, "encounters", file, text.as_bytes()).await;
        let page = batch_page(&signed, Asker::Observer, answer).await;
        page.never_says("somebody else");
        page.says("identifiers of this form are made of what a row says");
    }
    // The same again is the same record, for the observer, too.
    let n = async || {
        let mut snapshot = signed.test.app.store().snapshot().await.unwrap();
        let filter = coilway::store::EncounterFilter::default();
        let paging = coilway::store::Paging {
            after: None,
            limit: 1,
            order: coilway::store::filter::Order::NewestFirst,
        };
        snapshot.list_encounters(area, &filter, &paging).await.unwrap().n_matched
    };
    let before = n().await;
    let again = format!("{guess}\n");
    bring_in(&signed, Asker::Observer, "encounters", "again.csv", again.as_bytes()).await.expect(303);
    assert_eq!(n().await, before);
}

/// A row that goes in with a batch that was taken back could be taken back by nobody.
#[tokio::test]
async fn nothing_more_goes_in_with_a_batch_that_was_taken_back() {
    let signed = Signed::new(TestApp::park().await).await;
    let text = format!("{HEAD}{}", row("LATE", at(200.0, -30.0), "").replace("37.", "97."));
    let batch =
        bring_in(&signed, Asker::Manager, "encounters", "late.csv", text.as_bytes()).await.expect(303);
    let batch = batch.header("location").to_owned();
    let mut snapshot = signed.test.app.store().snapshot().await.unwrap();
    let area = signed.test.by_hand().await.area;
    let waiting = snapshot.open_row_errors(area, RowErrorId(0), 1000).await.unwrap();
    drop(snapshot);
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    signed.test.post(&format!("{batch}/undo"), "", &manager).await.expect(303);
    let mended =
        signed.test.post(&format!("/data/rows/{}", waiting[0].id), "decimalLatitude=37.6", &manager).await;
    mended.expect(422).says("undone already");
    let mut snapshot = signed.test.app.store().snapshot().await.unwrap();
    assert_eq!(snapshot.encounter_by_occurrence(area, "LATE").await.unwrap(), None);
}
