//! Reactions: tests with repeats, waits with the number still watched, parts with limits; never without the caution.

use crate::support::TestApp;

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
        "1.5 times the rate of all trails together",
        "Moran",
        "two-sided p",
    ] {
        page.says(words);
    }
    page.says("each trail by itself");
    test.get("/trails").await.expect(200).says("of draws");
}
