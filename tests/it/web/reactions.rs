//! Reactions: tests with repeats, waits with the number still watched, parts with limits; never without the caution.

use jiff::civil::date;

use coilway::derived::fact_sheet::tell;
use coilway::domain::approach::Approach;
use coilway::domain::approach::Contact;
use coilway::domain::approach::Reaction;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::signage::fact_sheet::SheetFacts;

use crate::support::TestApp;
use crate::support::at;
use crate::support::form;
use crate::support::report;
use crate::support::rows;

#[tokio::test]
async fn every_page_of_reactions_says_not_to_test_it() {
    let test = TestApp::park().await;
    for address in
        ["/reactions", "/reactions/latency", "/reactions/latency?until=reaction", "/reactions/parts"]
    {
        let page = test.get(address).await.expect(200);
        page.says("Do not test this.");
        page.says("call the local emergency services at once");
    }
}

#[tokio::test]
async fn repeated_snakes_get_no_test_for_independent_data() {
    let test = TestApp::park().await;
    let page = test.get("/reactions?effort=located").await.expect(200);
    page.says("snakes were approached more than once, so a test for independent data does not hold");
    page.says("rise or fall with closer contact");
}

#[tokio::test]
async fn waits_say_how_many_were_still_watched() {
    let test = TestApp::park().await;
    let page = test.get("/reactions/latency?effort=located&until=reaction").await.expect(200);
    for words in
        ["Still watched", "95 % limits", "approaches to", "Half had reacted by", "Kaplan and Meier (1958)"]
    {
        page.says(words);
    }
    let strikes = test.get("/reactions/latency?effort=located&until=strike").await.expect(200);
    strikes.says("the share may still be as high as");
    // A share of none has an upper limit, whether or not some reacted later.
    for page in [&page, &strikes] {
        page.never_says("data-label=\"95 % limits\">not estimable");
    }
    test.get("/reactions/latency?until=never").await.expect(400);
    test.get("/reactions/latency?effort=survey").await.expect(200).says("No approaches of this effort kind");
}

#[tokio::test]
async fn parts_have_limits_and_adjusted_tests() {
    let test = TestApp::park().await;
    let page = test.get("/reactions/parts?effort=located").await.expect(200);
    for words in [
        "By species",
        "By life stage",
        "By season",
        "Crotalus viridis",
        "March to May",
        "Holm",
        "exploratory",
    ] {
        page.says(words);
    }
    // Nobody wrote down a life stage.
    page.says("approaches have no life stage recorded");
    page.never_says("Pituophis");
}

#[tokio::test]
async fn ranks_and_calls_say_how_sure_they_are() {
    let test = TestApp::park().await;
    let page = test.get("/rates").await.expect(200);
    for words in [
        "In the first ten",
        "Rank, 95 % limits",
        "1.5 times the rate of all trails whose walking is known",
        "Moran",
        "two-sided p",
        "data-label=\"Encounters\"",
        "data-label=\"km walked\"",
    ] {
        page.says(words);
    }
    page.says("each trail by itself");
    test.get("/").await.expect(200).says(" km walked (");
    test.get("/trails").await.expect(200).says("of draws");
}

/// Encounters with one approach each: somebody stepped over the snake, which did something.
fn stepped_over(
    effort_kind: EffortKind,
    n: u16,
    snake: impl Fn(u16) -> String,
    term: &str,
) -> Vec<EncounterDraft> {
    let draft = |idx: u16| {
        let approach = Approach {
            contact: Contact::Over,
            closest_distance: None,
            agent: String::new(),
            applied_load: None,
            duration: None,
            trial: None,
            end_of_watch: None,
            reactions: vec![Reaction { term: term.to_owned(), latency: None }],
        };
        let day = date(2024, 5, 1 + (idx % 28) as i8);
        EncounterDraft {
            effort_kind,
            organism_id: snake(idx),
            approaches: vec![approach],
            ..report(&format!("{effort_kind}-{term}-{idx}"), at(-700.0, 30.0), day, 9)
        }
    };
    (0..n).map(draft).collect()
}

async fn put(test: &TestApp, drafts: Vec<EncounterDraft>) {
    let target = test.by_hand().await;
    let drafts = rows(drafts);
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &drafts).await.unwrap();
        assert!(tally.problems.is_empty(), "{:?}", tally.problems);
    })
    .await;
}

async fn told(test: &TestApp) -> SheetFacts {
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().reactions(&facts).await.unwrap();
    tell(&facts, &layer, None).unwrap()
}

#[tokio::test]
async fn nothing_is_tested_where_nobody_recognised_a_snake() {
    let test = TestApp::park().await;
    let nobody = |_: u16| String::new();
    let mut reports = stepped_over(EffortKind::Report, 40, nobody, "still");
    reports.extend(stepped_over(EffortKind::Report, 6, nobody, "struck short"));
    for (idx, draft) in reports.iter_mut().enumerate() {
        draft.approaches[0].contact = [Contact::Passed, Contact::Over][idx % 2];
    }
    put(&test, reports.clone()).await;
    let why =
        "in all 46 approaches nobody recognised the snake, so that nothing can be permuted within snakes";
    let page = test.get("/reactions?effort=report").await.expect(200);
    assert_eq!(page.body.matches(why).count(), 2);
    page.says("nobody recognised a snake, so that there are no errors by snake");
    test.get("/reactions/parts?effort=report").await.expect(200).says(why);
    let rows_of = async |name: &str| -> Vec<String> {
        let table = test.get(&format!("/study/{name}.csv")).await.expect(200).body;
        table.lines().filter(|line| line.starts_with("report,")).map(str::to_owned).collect()
    };
    let refused = "not tested: no snake was recognised";
    for row in rows_of("contact-tests").await {
        // Neither a statistic nor a p-value nor a number of snakes.
        assert!(row.contains(",,,,,46,") && row.contains(refused), "{row}");
    }
    assert!(rows_of("reaction-sub-tables").await.iter().any(|row| row.contains(refused)));
    let odds = rows_of("contact-odds").await;
    assert_eq!(odds.len(), 1);
    assert!(odds[0].contains("nobody recognised a snake"), "{odds:?}");
    // With a few recognised there is a test, and the table tells how many were not.
    for (idx, draft) in reports.iter_mut().enumerate().take(8) {
        draft.organism_id = format!("known-{}", idx / 2);
    }
    put(&test, reports).await;
    test.get("/reactions?effort=report")
        .await
        .says("38 of them not recognised and each taken as one of its own");
    assert!(rows_of("contact-tests").await.iter().all(|row| row.contains(",38,")));
}

#[tokio::test]
async fn the_sheet_and_the_page_begin_with_records_of_those_who_looked() {
    let test = TestApp::park().await;
    put(&test, stepped_over(EffortKind::Report, 60, |_| String::new(), "struck short")).await;
    // Three located approaches by each contact are too few for any share.
    assert_eq!(told(&test).await.effort, EffortKind::Report);
    put(&test, stepped_over(EffortKind::Located, 12, |idx| format!("told-{}", idx % 6), "still")).await;
    assert_eq!(told(&test).await.effort, EffortKind::Located);
    test.get("/reactions").await.expect(200).says("approaches of located encounters");
}

#[tokio::test]
async fn an_area_s_own_strike_is_a_strike_everywhere() {
    let test = TestApp::park().await;
    for (term, strike) in [("lunged at a boot", "yes"), ("rolled over", "no")] {
        let fields = [("term", term), ("strike", strike), ("who", "A. Warden"), ("reason", "seen here")];
        test.post("/data/settings/reactions", &form(&fields), &[]).await.expect(303);
    }
    let mut drafts = stepped_over(EffortKind::Located, 20, |idx| format!("own-{idx}"), "lunged at a boot");
    drafts.extend(stepped_over(EffortKind::Located, 11, |idx| format!("other-{idx}"), "rolled over"));
    drafts.extend(stepped_over(EffortKind::Located, 9, |idx| format!("third-{idx}"), "moved towards"));
    put(&test, drafts).await;
    let over = told(&test).await.contacts.into_iter().find(|it| it.contact == Contact::Over).unwrap();
    // The park has three more, of which one struck.
    assert!(over.strike.k >= 20 && over.strike.n == 43, "{over:?}");
    let (commonest, counted) = over.commonest.unwrap();
    assert_eq!((commonest.as_str(), counted.k), ("rolled over", 11));
    // In the bars, too: what moved towards somebody did not strike.
    let page = test.get("/reactions?effort=located").await.expect(200);
    page.says(&format!("struck or bit: {} of 43", over.strike.k));
    page.says("warned, came near, other: 20 of 43");
}

/// Zero with its upper limit is what is asked of a strike: every reaction of the list has a row within a contact that was watched.
#[tokio::test]
async fn reactions_that_were_never_seen_have_their_limits() {
    let test = TestApp::park().await;
    let page = test.get("/reactions?effort=located").await.expect(200);
    // Four kinds of contact, three approaches each.
    for never in ["struck with mouth closed", "bit skin", "musked"] {
        let rows: Vec<&str> = page.body.split(&format!("{never}</th>")).skip(1).collect();
        assert_eq!(rows.len(), 4, "{never}");
        for row in rows {
            let row = row.split("</tr>").next().unwrap();
            assert!(row.contains("0 of 3") && row.contains("71 %"), "{never}: {row}");
        }
    }
}
