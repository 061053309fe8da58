//! Placing by hand: candidates, the form, what survives re-imports and undoing, and what is said when a target is gone.

use std::io::Read;
use std::sync::Arc;

use coilway::analysis::snap::Snap;
use coilway::app::BringIn;
use coilway::app::Trust;
use coilway::derived::doubt;
use coilway::derived::doubt::Rated;
use coilway::derived::doubt::Stakes;
use coilway::derived::snaps::HandStanding;
use coilway::domain::batch::Content;
use coilway::domain::ids::BatchId;
use coilway::domain::ids::EncounterId;
use coilway::domain::trail::TrailDraft;

use crate::support::Answer;
use crate::support::LEDGE;
use crate::support::TestApp;
use crate::support::at;
use crate::support::form;
use crate::support::rows;

const HEAD: &str = "occurrenceID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,coordinateUncertaintyInMeters,notes\n";

/// A report between two segments of the ledge, 30 m from anything sure.
fn row(id: &str, notes: &str) -> String {
    let position = at(-500.0, 30.0);
    format!("{id},report,2024-05-04,09:10,{:.6},{:.6},60,{notes}\n", position.lat(), position.lon())
}

async fn bring(test: &TestApp, name: &str, text: &str) -> BatchId {
    let area = test.by_hand().await.area;
    let bytes: Arc<[u8]> = text.as_bytes().into();
    let request = BringIn {
        trust: Trust::FULL,
        content: Content::Encounters,
        file_name: name.to_owned(),
        actor: "tester".to_owned(),
        open: Arc::new(
            move || Ok(Box::new(std::io::Cursor::new(Arc::clone(&bytes))) as Box<dyn Read + Send>),
        ),
    };
    let brought_in = test.app.bring_in(area, request, |_| {}).await.unwrap();
    assert_eq!(brought_in.n_refused, 0);
    brought_in.batch
}

async fn key(test: &TestApp, id: &str) -> EncounterId {
    let area = test.by_hand().await.area;
    test.app.store().snapshot().await.unwrap().encounter_by_occurrence(area, id).await.unwrap().unwrap()
}

/// What an encounter is tied to, and the standing of a tie by hand.
async fn tie(test: &TestApp, id: EncounterId) -> (Snap, Option<HandStanding>) {
    let facts = test.app.deriver().facts().await.unwrap();
    let snaps = test.app.deriver().snaps(&facts).await.unwrap();
    let row = facts.encounters.rows.iter().position(|row| row.id == id).unwrap();
    (snaps.snaps[row].clone().unwrap(), snaps.by_hand.get(&row).map(|tie| tie.standing))
}

/// The values of the candidates on a page, in their order.
fn candidates(page: &Answer) -> Vec<String> {
    let parts = page.body.split("name=\"target\" value=\"").skip(1);
    parts.map(|part| part.split('"').next().unwrap().to_owned()).collect()
}

/// The park with an ambiguous record placed on its second candidate, and that candidate.
async fn placed() -> (TestApp, EncounterId, String) {
    let test = TestApp::park().await;
    bring(&test, "doubt.csv", &format!("{HEAD}{}", row("D-1", "as written"))).await;
    let id = key(&test, "D-1").await;
    let page = test.get(&format!("/encounters/{id}")).await.expect(200);
    page.says("Ambiguous: the second segment holds more than 25 %");
    let second = candidates(&page)[1].clone();
    let fields = [("target", second.as_str()), ("reason", "below the steps"), ("who", "A. Warden")];
    let answer = test.post(&format!("/encounters/{id}/tie"), &form(&fields), &[]).await.expect(303);
    assert_eq!(answer.header("location"), format!("/encounters/{id}#tie"));
    (test, id, second)
}

/// The segment of a tie by hand that is used, as the form writes it.
async fn by_hand(test: &TestApp, id: EncounterId) -> Option<String> {
    let facts = test.app.deriver().facts().await.unwrap();
    let network = test.app.deriver().network(&facts).await.unwrap();
    match tie(test, id).await {
        (Snap::ByHand { segment_idx }, Some(HandStanding::Used)) => {
            Some(format!("segment:{:016x}", network.network.segments[segment_idx].id.number()))
        }
        _ => None,
    }
}

#[tokio::test]
async fn an_ambiguous_record_is_listed_with_its_candidates() {
    let test = TestApp::park().await;
    test.get("/data/ambiguous").await.expect(200).never_says("D-1");
    bring(&test, "doubt.csv", &format!("{HEAD}{}", row("D-1", "n"))).await;
    let list = test.get("/data/ambiguous").await.expect(200);
    list.says("D-1");
    list.says(&format!("{LEDGE}, km "));
    let id = key(&test, "D-1").await;
    let page = test.get(&format!("/encounters/{id}")).await.expect(200);
    // 60 m at 95 % is 24.5 m on each axis.
    page.says("The circle, 60 m around the recorded position, holds the true place about 95 times in 100");
    page.says("standard deviation 25 m");
    page.says("data-label=\"Weight\"");
    page.says("sign-number");
    let clear = test.get(&format!("/encounters/{}", key(&test, "G-0").await)).await.expect(200);
    clear.never_says("Ambiguous:");
    test.get("/data/ambiguous?show=some").await.expect(400);
}

/// What hangs on each ambiguous record, in the order of the list.
async fn hanging(test: &TestApp) -> Vec<(String, Stakes, f64)> {
    let facts = test.app.deriver().facts().await.unwrap();
    let deriver = test.app.deriver();
    let (snaps, rates) = (deriver.snaps(&facts).await.unwrap(), deriver.rates(&facts).await.unwrap());
    let exposure = deriver.exposure(&facts).await.unwrap();
    let rated = Rated { rates: &rates, exposure: &exposure };
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    let mut found = Vec::new();
    for it in doubt::doubtful(&facts, &snaps, Some(rated)) {
        let encounter = snapshot.encounter(facts.encounters.rows[it.record].id).await.unwrap().unwrap();
        found.push((encounter.given.occurrence_id, it.stakes, it.moves));
    }
    found
}

#[tokio::test]
async fn the_list_begins_with_what_most_hangs_on() {
    let test = TestApp::park().await;
    let n = hanging(&test).await.len() + 3;
    // One of last century, in no rate; one within the ledge; one between the ledge and the path that leaves it.
    let located = |id: &str, date: &str, east_m: f64, north_m: f64| {
        let position = at(east_m, north_m);
        format!("{id},report,{date},09:10,{:.6},{:.6},60,n\n", position.lat(), position.lon())
    };
    let text = [
        HEAD.to_owned(),
        located("A-old", "1999-05-04", -500.0, 30.0),
        located("B-ledge", "2024-05-04", -500.0, 30.0),
        located("C-fork", "2024-05-04", 40.0, -40.0),
    ]
    .concat();
    bring(&test, "doubt.csv", &text).await;
    let found = hanging(&test).await;
    let of = |id: &str| found.iter().find(|(known, ..)| known == id).unwrap();
    let (fork, ledge, old) = (of("C-fork"), of("B-ledge"), of("A-old"));
    assert!(matches!(fork.1, Stakes::Call | Stakes::Trails), "{fork:?}");
    assert!(fork.2 > 0.0 && old.2 == 0.0);
    assert_eq!(old.1, Stakes::NoRate);
    assert!(fork.1 < ledge.1 && ledge.1 < old.1, "{found:?}");
    let added = ["A-old", "B-ledge", "C-fork"];
    let order: Vec<&str> = found.iter().map(|(id, ..)| id.as_str()).filter(|id| added.contains(id)).collect();
    assert_eq!(order, ["C-fork", "B-ledge", "A-old"]);
    let page = test.get("/data/ambiguous").await.expect(200);
    let place = |words: &str| page.body.find(words).unwrap_or_else(|| panic!("{words}"));
    assert!(place(">C-fork<") < place(">B-ledge<") && place(">B-ledge<") < place(">A-old<"));
    page.says(&format!("1 to {n} of {n}"));
    for words in ["In the order of what hangs on them", "No rate of stretches", "half-width"] {
        page.says(words);
    }
    // The rest is on further pages, and the way back is there.
    let many: String = (0..60).map(|idx| located(&format!("M-{idx}"), "2024-05-05", -500.0, 30.0)).collect();
    bring(&test, "many.csv", &format!("{HEAD}{many}")).await;
    let first = test.get("/data/ambiguous").await.expect(200);
    first.says(&format!("1 to 50 of {}", n + 60));
    first.says("rel=\"next\"");
    first.never_says("rel=\"prev\"");
    let second = test.get("/data/ambiguous?page=2").await.expect(200);
    second.says(&format!("51 to {0} of {0}", n + 60));
    second.says("rel=\"prev\"");
    second.never_says("rel=\"next\"");
    test.get("/data/ambiguous?page=99").await.expect(200).says("None");
}

#[tokio::test]
async fn placing_by_hand_counts_there_and_nowhere_else() {
    let (test, id, second) = placed().await;
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));
    let page = test.get(&format!("/encounters/{id}")).await.expect(200);
    for words in
        ["Placed by hand:", "below the steps", "A. Warden, 2024-07-01 12:00 UTC", "place by hand, reason"]
    {
        page.says(words);
    }
    // The trail and where along it, not the number that the program knows it by.
    let facts = test.app.deriver().facts().await.unwrap();
    let network = test.app.deriver().network(&facts).await.unwrap();
    let number = u64::from_str_radix(second.strip_prefix("segment:").unwrap(), 16).unwrap();
    let segment = network.by_id[&coilway::analysis::network::SegmentId::from_number(number)];
    let words = network.segment_words(segment);
    page.says(&format!("place by hand, segment from \"\" to \"{words}\"").replace('"', "&quot;"));
    page.says("row 2 of doubt.csv");
    let history = test.get(&format!("/history/encounter/{id}")).await.expect(200);
    history.says(&format!("place by hand of encounter {id}"));
    for told in [&history, &test.get(&format!("/history/hand-snap/{id}")).await, &test.get("/history").await]
    {
        told.says(&words);
        told.never_says(&number.cast_signed().to_string());
    }
    history.says("row 2 of doubt.csv, batch ");
    page.never_says("Ambiguous:");
    test.get("/data/ambiguous").await.never_says("D-1");
    let list = test.get("/data/ambiguous?show=by-hand").await.expect(200);
    list.says("D-1");
    list.says("below the steps");
    test.get("/encounters").await.says("(by hand)");
    let digits = second.strip_prefix("segment:").unwrap();
    test.get(&format!("/segment/{digits}")).await.expect(200).says(&format!("/encounters/{id}\""));
}

#[tokio::test]
async fn places_and_off_the_trail_can_be_chosen_too() {
    let (test, id, _) = placed().await;
    let address = format!("/encounters/{id}/tie");
    let post = async |target: &str, other: &str| {
        let fields = [("target", target), ("other", other), ("reason", "seen there"), ("who", "B. Warden")];
        test.post(&address, &form(&fields), &[]).await
    };
    post("off", "").await.expect(303);
    assert_eq!(tie(&test, id).await, (Snap::OffTrail { nearest_m: None }, Some(HandStanding::Used)));
    test.get(&format!("/encounters/{id}")).await.says("Off the trail: in no rate");
    let facts = test.app.deriver().facts().await.unwrap();
    let camp = facts.places.iter().position(|place| place.given.name == "Cottonwood camp").unwrap();
    post("other", &format!("place:{}", facts.places[camp].id)).await.expect(303);
    assert_eq!(tie(&test, id).await, (Snap::AtPlace { place_idx: camp }, Some(HandStanding::Used)));
    test.get(&format!("/encounters/{id}")).await.says("At Cottonwood camp");
    // A segment from the list of those near by.
    let page = test.get(&format!("/encounters/{id}")).await;
    let near =
        page.body.split("<option value=\"segment:").nth(1).unwrap().split('"').next().unwrap().to_owned();
    post("other", &format!("segment:{near}")).await.expect(303);
    assert_eq!(by_hand(&test, id).await, Some(format!("segment:{near}")));
}

#[tokio::test]
async fn what_is_wrong_with_the_form_is_said_at_the_field() {
    let (test, id, second) = placed().await;
    let address = format!("/encounters/{id}/tie");
    let revision = test.app.store().revision().await.unwrap();
    for (fields, words) in [
        ([("target", second.as_str()), ("reason", ""), ("who", "A")], "Say what you know"),
        ([("target", second.as_str()), ("reason", "kept words"), ("who", "")], "Give your name"),
        ([("target", ""), ("reason", "kept words"), ("who", "A")], "Choose where it happened"),
        ([("target", "segment:00000000000000ff"), ("reason", "kept words"), ("who", "A")], "no longer there"),
        ([("target", "place:99"), ("reason", "kept words"), ("who", "A")], "no longer there"),
    ] {
        let page = test.post(&address, &form(&fields), &[]).await.expect(422);
        page.says(words);
        page.says(&format!("value=\"{}\"", fields[1].1));
    }
    let clear = test.post(&format!("{address}/clear"), &form(&[("clear-who", "A")]), &[]).await.expect(422);
    clear.says("Say why the position should decide again");
    test.post("/encounters/9999/tie", &form(&[("target", "off"), ("reason", "r"), ("who", "A")]), &[])
        .await
        .expect(404);
    assert_eq!(test.app.store().revision().await.unwrap(), revision);
}

#[tokio::test]
async fn it_can_be_left_to_the_position_again() {
    let (test, id, _) = placed().await;
    let fields = [("clear-reason", "the photo shows another bend"), ("clear-who", "B. Warden")];
    test.post(&format!("/encounters/{id}/tie/clear"), &form(&fields), &[]).await.expect(303);
    assert!(matches!(tie(&test, id).await, (Snap::OnTrail(on_trail), None) if on_trail.is_ambiguous));
    let page = test.get(&format!("/encounters/{id}")).await;
    page.says("Ambiguous:");
    page.says("the photo shows another bend");
}

#[tokio::test]
async fn it_survives_the_same_file_and_a_changed_one() {
    let (test, id, second) = placed().await;
    bring(&test, "doubt.csv", &format!("{HEAD}{}", row("D-1", "as written"))).await;
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));
    bring(&test, "doubt 2.csv", &format!("{HEAD}{}{}", row("D-1", "other notes"), row("D-2", "new"))).await;
    assert_eq!(key(&test, "D-1").await, id);
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));
    test.get(&format!("/encounters/{id}")).await.says("other notes");
}

#[tokio::test]
async fn it_survives_undoing_another_batch_and_its_own_coming_back() {
    let (test, id, second) = placed().await;
    let other =
        bring(&test, "other.csv", &format!("{HEAD}{}{}", row("D-1", "other notes"), row("D-2", "new"))).await;
    let undo = async |batch: BatchId| {
        test.write(async |writer| {
            writer.undo_batch(batch).await.unwrap();
        })
        .await;
    };
    undo(other).await;
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));
    // Taken out with its own batch, the record is nowhere; brought in again, it is where staff put it.
    let area = test.by_hand().await.area;
    let batches = test.app.store().snapshot().await.unwrap().batches(area).await.unwrap();
    let own = batches.iter().find(|batch| batch.undone_at_s.is_none() && batch.n_accepted == 1).unwrap().id;
    undo(own).await;
    test.get("/data/ambiguous?show=by-hand").await.expect(200).never_says("D-1");
    bring(&test, "doubt again.csv", &format!("{HEAD}{}", row("D-1", "as written"))).await;
    let again = key(&test, "D-1").await;
    assert_eq!(by_hand(&test, again).await.as_ref(), Some(&second));
    // It can be cleared from the row that lives now.
    let fields = [("clear-reason", "seen again"), ("clear-who", "B. Warden")];
    test.post(&format!("/encounters/{again}/tie/clear"), &form(&fields), &[]).await.expect(303);
    assert_eq!(tie(&test, again).await.1, None);
}

#[tokio::test]
async fn it_survives_unchanged_trails_and_says_so_when_its_segment_is_gone() {
    let (test, id, second) = placed().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let mut trails: Vec<TrailDraft> = facts
        .trails
        .iter()
        .rev()
        .map(|trail| TrailDraft {
            name: trail.name.clone(),
            habitat: trail.habitat.clone(),
            parts: trail.parts.clone(),
            elevations_m: trail.elevations_m.clone(),
        })
        .collect();
    let put = async |drafts: Vec<TrailDraft>| {
        let target = test.by_hand().await;
        test.write(async |writer| {
            let tally = writer.put_trails(&target, &rows(drafts)).await.unwrap();
            assert!(tally.problems.is_empty(), "{:?}", tally.problems);
        })
        .await;
    };
    put(trails.clone()).await;
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));
    // A trail elsewhere leaves the identifiers of this one as they are.
    let elsewhere = TrailDraft {
        name: "Rim Way".to_owned(),
        habitat: String::new(),
        parts: vec![vec![at(2500.0, 0.0), at(2500.0, 900.0)]],
        elevations_m: Vec::new(),
    };
    put(vec![elsewhere]).await;
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));

    let mut moved = trails.clone();
    let ledge = moved.iter_mut().find(|trail| trail.name == LEDGE).unwrap();
    ledge.parts = vec![vec![at(-1500.0, 0.0), at(-600.0, 25.0), at(0.0, 0.0), at(1500.0, 0.0)]];
    put(moved).await;
    assert_eq!(tie(&test, id).await.1, Some(HandStanding::SegmentGone));
    assert!(matches!(tie(&test, id).await.0, Snap::OnTrail(_)));
    let page = test.get(&format!("/encounters/{id}")).await.expect(200);
    page.says("Not used:");
    page.says("that segment is no longer there");
    page.says("below the steps");
    let list = test.get("/data/ambiguous?show=not-used").await.expect(200);
    list.says("D-1");
    test.get("/encounters").await.says("what it was placed on is gone");

    // The same record as before would count as mended since, so it comes with another habitat.
    trails.iter_mut().for_each(|trail| trail.habitat.push_str(", dry"));
    put(trails).await;
    assert_eq!(by_hand(&test, id).await.as_ref(), Some(&second));
}

#[tokio::test]
async fn a_place_that_is_gone_is_not_used_silently() {
    let test = TestApp::park().await;
    bring(&test, "doubt.csv", &format!("{HEAD}{}", row("D-1", "n"))).await;
    let id = key(&test, "D-1").await;
    let target = test.by_hand().await;
    let places = "name,kind,decimalLatitude,decimalLongitude,radius\n";
    let camp = at(-450.0, 80.0);
    let text = format!("{places}Shelter,building,{:.6},{:.6},20\n", camp.lat(), camp.lon());
    let request = BringIn {
        trust: Trust::FULL,
        content: Content::Places,
        file_name: "places.csv".to_owned(),
        actor: "tester".to_owned(),
        open: Arc::new(move || Ok(Box::new(std::io::Cursor::new(text.clone())) as Box<dyn Read + Send>)),
    };
    let brought_in = test.app.bring_in(target.area, request, |_| {}).await.unwrap();
    let facts = test.app.deriver().facts().await.unwrap();
    let shelter = facts.places.iter().find(|place| place.given.name == "Shelter").unwrap().id;
    let fields = [
        ("target", format!("place:{shelter}")),
        ("reason", "at its door".to_owned()),
        ("who", "A".to_owned()),
    ];
    let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
    test.post(&format!("/encounters/{id}/tie"), &form(&fields), &[]).await.expect(303);
    test.write(async |writer| {
        writer.undo_batch(brought_in.batch).await.unwrap();
    })
    .await;
    assert_eq!(tie(&test, id).await.1, Some(HandStanding::PlaceGone));
    test.get(&format!("/encounters/{id}")).await.says("that place is no longer there");
}

#[tokio::test]
async fn dates_of_one_file_settle_each_other() {
    let test = TestApp::park().await;
    let on = |id: &str, date: &str| row(id, "n").replace("2024-05-04", date);
    bring(&test, "dates.csv", &format!("{HEAD}{}{}", on("D-1", "03/04/2024"), on("D-2", "25/03/2024"))).await;
    let id = key(&test, "D-1").await;
    test.get(&format!("/encounters/{id}")).await.says("2024-04-03");
    let batch = test.get("/data").await;
    batch.says("dates.csv");
    test.get("/data/batches/1").await.expect(200).says("day first, as other rows of the file show");
}

#[tokio::test]
async fn a_date_that_nothing_settles_waits_with_both_readings() {
    let test = TestApp::park().await;
    let area = test.by_hand().await.area;
    let text = format!("{HEAD}{}", row("D-1", "n").replace("2024-05-04", "03/04/2024"));
    let request = BringIn {
        trust: Trust::FULL,
        content: Content::Encounters,
        file_name: "dates.csv".to_owned(),
        actor: "tester".to_owned(),
        open: Arc::new(move || Ok(Box::new(std::io::Cursor::new(text.clone())) as Box<dyn Read + Send>)),
    };
    assert_eq!(test.app.bring_in(area, request, |_| {}).await.unwrap().n_refused, 1);
    test.get("/data/rows").await.says("write 2024-04-03 for 3 April or 2024-03-04 for 4 March");
}
