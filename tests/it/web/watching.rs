//! Watched behaviour at signs: from the file and the form to the page, and what it says for sign plans.

use coilway::analysis::before_after::Effectiveness;
use coilway::analysis::before_after::Period;
use coilway::analysis::before_after::Role;
use coilway::analysis::before_after::Verdict;
use coilway::analysis::before_after::WhyNot;
use coilway::analysis::before_after::watched::PlacesAnswer;
use coilway::analysis::before_after::watched::PlacesVerdict;
use coilway::analysis::before_after::watched::ShareBasis;
use coilway::derived::effect::Deed;
use coilway::domain::batch::Content;
use coilway::domain::sign_watch::SignWatchDraft;
use coilway::domain::sign_watch::Watcher;

use super::observers::bring_in;
use crate::support::TestApp;
use crate::support::rows;

const HEAD: &str = "eventID,locality,decimalLatitude,decimalLongitude,start,minutes,partiesPassed,partiesRead,\
                    partiesDidAsAsked,asked,watcher,recordedBy,eventRemarks\n";

fn row(id: &str, counts: &str, watcher: &str) -> String {
    format!(
        "{id},North gate,37.6,-109.39,2024-05-04T09:10,60,{counts},keeps to the middle,{watcher},A. Ranger,\n"
    )
}

#[tokio::test]
async fn watches_come_from_a_file_and_wrong_rows_wait() {
    let test = TestApp::park().await;
    test.get("/effect").await.expect(200).says("Nobody has watched how people pass a sign yet");
    let file = format!(
        "{HEAD}{}{}{}{}{}{}",
        row("V-1", "24,,15", "unseen"),
        row("V-2", "24,9,15", "seen"),
        row("V-3", "24,25,15", "unseen"),
        row("V-4", "24,,25", "unseen"),
        row("V-5", "24,,15", "hidden"),
        row("V-1", "24,,16", "unseen"),
    );
    assert_eq!(bring_in(&test, Content::SignWatches, file.clone()).await, (2, 4));
    let waiting = test.get("/data/rows").await.expect(200);
    for words in [
        "rows.csv, row 4",
        "25 parties read the sign, but only 24 passed",
        "25 parties did as asked, but only 24 passed",
        "this is not one of the ways of watching",
        "row 2 of the file has the same eventID and says something else",
    ] {
        waiting.says(words);
    }
    let page = test.get("/effect").await.expect(200);
    page.says("2 watches held, none of them of parties that read a standing sign");
    page.says("Places with and without signs are not compared. No sign has been put up yet.");
    page.says("How many parties to watch");
    // Two of the six were taken in, both without a standing sign.
    page.says("Without a sign 62 % of parties did as asked (15 of 24 watched: keeps to the middle).");
    // The import page names the columns.
    let form = test.get("/data/import").await.expect(200);
    form.says("Watches at signs: who passed, read and did as asked");
    form.says("<code>partiesDidAsAsked</code>");
    form.says("the same words wherever it is to be compared");
}

#[tokio::test]
async fn signs_are_held_against_places_without_and_ways_of_watching_stay_apart() {
    let test = TestApp::complete_park().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let watching = &layer.watching;
    assert_eq!((watching.n_watches, watching.left_out.len()), (9, 0), "{:?}", watching.left_out);
    let read = &watching.heeding[0];
    assert_eq!(
        (&read.deed, read.watcher, read.all.basis),
        (&Deed::Read, Watcher::Unseen, ShareBasis::ByPlace)
    );
    assert_eq!((read.all.counted.did, read.all.counted.passed, read.by_sign.len()), (14, 40, 2));
    let seen = &watching.heeding[1];
    assert_eq!((seen.watcher, seen.all.basis), (Watcher::Seen, ShareBasis::OfOnePlace));

    let unseen = &watching.compared[0];
    assert_eq!((unseen.asked.as_str(), unseen.watcher), ("keeps to the middle", Watcher::Unseen));
    let cells = unseen.cells;
    let period = |count, of: f64| Period { count, km: of };
    assert_eq!((cells.signed_before, cells.signed_after), (period(16, 40.0), period(30, 40.0)));
    assert_eq!((cells.control_before, cells.control_after), (period(18, 40.0), period(20, 40.0)));
    assert_eq!(unseen.places.iter().filter(|place| place.role == Role::Signed).count(), 2);
    let Effectiveness::Estimated(change) = &unseen.change else { panic!("{:?}", unseen.change) };
    // (30 / 16) / (20 / 18)
    assert!((change.change.estimate().unwrap() - 1.6875).abs() < 1e-9, "{change:?}");
    assert_eq!(change.verdict, Verdict::TooFewSigns);
    assert_eq!(unseen.since_plan, None, "no plan was kept");
    let PlacesAnswer::Compared(places) = &unseen.after else { panic!("{:?}", unseen.after) };
    assert!((places.difference - 0.25).abs() < 1e-9 && places.verdict == PlacesVerdict::TooFewPlaces);
    // One watch by somebody who is seen: a comparison of its own, refused.
    let seen = &watching.compared[1];
    assert_eq!(
        (seen.watcher, &seen.change),
        (Watcher::Seen, &Effectiveness::NotEstimable(WhyNot::SignsNotWalked))
    );
    assert_eq!(seen.after, PlacesAnswer::NoControl);

    let page = test.get("/effect").await.expect(200);
    for words in [
        "Of the parties that passed a standing sign, 35 % read it (watched unseen, 14 of 40 parties at 2 signs",
        "signs like these, each as one",
        "this one sign alone: nothing of any other",
        "with signs 16 of 40 before, 30 of 40 after; without 18 of 40 before, 20 of 40 after",
        "Too few signs to say: six at least",
        "This compares places and is no effect of signs",
        "no place was watched both before its sign stood and while it did",
        "West bend, without",
    ] {
        page.says(words);
    }
    page.never_says("this version has no form or file for it");
}

#[tokio::test]
async fn a_watch_counts_once_on_one_side_and_at_one_place() {
    let test = TestApp::complete_park().await;
    let watches = watches(&test).await;
    let unseen = |name: &str, nth: usize| {
        let of_name = |watch: &&SignWatchDraft| watch.locality == name && watch.watcher == Watcher::Unseen;
        watches.iter().filter(of_name).nth(nth).unwrap().clone()
    };
    let (before, after) = (unseen("East sign", 0), unseen("East sign", 1));
    let up_s = test.app.deriver().facts().await.unwrap().signs_in_place[0].given.up_s;
    let more = [
        // A second pair of eyes sees the same parties.
        SignWatchDraft { event_id: "second pair".to_owned(), start_s: after.start_s + 600, ..after.clone() },
        // The sign goes up in the middle of it.
        SignWatchDraft { event_id: "half".to_owned(), start_s: up_s - 1800, ..before.clone() },
        // Under the name of the sign, and far from it.
        SignWatchDraft {
            event_id: "far".to_owned(),
            position: unseen("West end", 0).position,
            ..before.clone()
        },
        // Another name, a step from the sign, in other words for the same; and something else that was asked.
        SignWatchDraft {
            event_id: "near".to_owned(),
            locality: "By the wall".to_owned(),
            start_s: before.start_s + 86_400,
            asked: "keeps  to the MIDDLE".to_owned(),
            ..before.clone()
        },
        SignWatchDraft { event_id: "dog".to_owned(), asked: "leashes the dog".to_owned(), ..before.clone() },
    ];
    let target = test.by_hand().await;
    test.write(async |writer| {
        let tally = writer.put_sign_watches(&target, &rows(more)).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let watching = &layer.watching;
    let [(name, 1, why)] = &watching.left_out[..] else { panic!("{:?}", watching.left_out) };
    assert!(name == "East sign" && why.contains("name or position is wrong"), "{why}");
    let asked: Vec<(&str, Watcher)> =
        watching.compared.iter().map(|found| (found.asked.as_str(), found.watcher)).collect();
    assert_eq!(
        asked,
        [
            ("keeps to the middle", Watcher::Unseen),
            ("keeps to the middle", Watcher::Seen),
            ("leashes the dog", Watcher::Unseen)
        ]
    );
    let cells = watching.compared[0].cells;
    assert_eq!(
        (cells.signed_before, cells.signed_after),
        (Period { count: 24, km: 60.0 }, Period { count: 30, km: 40.0 })
    );
    let page = test.get("/effect").await.expect(200);
    page.says("Leashes the dog, watched unseen");
    page.says("East sign, 1 watch: it has the name of a sign that stands");
}

#[tokio::test]
async fn a_sign_plan_tells_what_was_watched_and_keeps_what_is_assumed() {
    let bare = TestApp::park().await;
    bare.get("/signs?signs=3").await.expect(200).says("nobody has watched at a standing sign yet");
    let test = TestApp::complete_park().await;
    let page = test.get("/signs?signs=3").await.expect(200);
    page.says("If between 20 % and 80 % of those warned heed it");
    page.says("watching changes neither by itself");
    page.says("read or looked at the sign, watched unseen: 35 % (");
    page.says("did as asked: keeps to the middle, watched seen: 75 % (");
}

async fn watches(test: &TestApp) -> Vec<SignWatchDraft> {
    let area = test.by_hand().await.area;
    test.app.store().snapshot().await.unwrap().sign_watches(area).await.unwrap()
}

#[tokio::test]
async fn a_watch_is_recorded_by_the_form_and_wrong_ones_come_back_filled_in() {
    let test = TestApp::park().await;
    let fields = [
        ("watch-place", "North gate"),
        ("watch-latitude", "37.6"),
        ("watch-longitude", "-109.39"),
        ("watch-start", "2024-05-04T09:10"),
        ("watch-minutes", "90"),
        ("watch-passed", "24"),
        ("watch-read", ""),
        ("watch-did", "15"),
        ("watch-asked", "keeps to the middle"),
        ("watch-watcher", "unseen"),
        ("watch-by", "A. Ranger"),
        ("watch-remarks", ""),
    ];
    let changed = |name: &str, value: &'static str| -> Vec<(&'static str, &'static str)> {
        fields.iter().map(|field| if field.0 == name { (field.0, value) } else { *field }).collect()
    };
    for (name, value, words) in [
        ("watch-place", " ", "enter it"),
        ("watch-latitude", "north", "give degrees"),
        ("watch-start", "May", "give day and time"),
        ("watch-start", "2030-01-01T10:00", "still to come"),
        ("watch-minutes", "0", "above zero, at most 1440"),
        ("watch-passed", "some", "give a whole number"),
        ("watch-read", "25", "25 parties read the sign, but only 24 passed"),
        ("watch-did", "25", "25 parties did as asked, but only 24 passed"),
        ("watch-watcher", "hidden", "ways of watching"),
    ] {
        let back = test.post_fields("/effect/watches", &changed(name, value)).await.expect(422);
        back.says(words);
        back.says("value=\"keeps to the middle\"");
    }
    assert_eq!(watches(&test).await, []);
    let done = test.post_fields("/effect/watches", &fields).await.expect(303);
    assert_eq!(done.header("location"), "/effect#watched");
    let kept = watches(&test).await;
    assert_eq!((kept.len(), kept[0].length_s, kept[0].counts.read()), (1, 5400, None));
    assert_eq!(kept[0].recorded_by, "A. Ranger");
    test.post_fields("/effect/watches", &fields).await.expect(422).says("is there already");
    let history = test.get("/history").await.expect(200);
    history.says("sign watch");
    history.says("watch at North gate");
}
