//! Every link leads somewhere that its reader may go, and no element's name stands twice in a page: all pages are followed as
//! everybody who may ask.

use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::collections::VecDeque;

use axum::http::Method;

use crate::support::TestApp;
use crate::support::ids_twice;
use crate::web::accounts::Asker;
use crate::web::accounts::Signed;

/// How many addresses of one shape are followed: one list links to hundreds alike.
const ALIKE: usize = 4;

/// What stands between `before` and the next quotation mark.
fn quoted<'a>(body: &'a str, before: &'a str) -> impl Iterator<Item = &'a str> {
    body.split(before).skip(1).filter_map(|rest| rest.split('"').next())
}

/// An address without its numbers, so that those of one kind are alike.
fn shape(address: &str) -> String {
    address.chars().map(|letter| if letter.is_ascii_digit() { '0' } else { letter }).collect()
}

/// The pages that links lead to.
struct Followed {
    /// The address of each.
    seen: BTreeSet<String>,
    /// Links that lead nowhere.
    dead: Vec<String>,
    /// Names of elements that stand in a page more than once.
    twice: Vec<String>,
}

/// Follows every link from the first page on.
async fn follow(signed: &Signed, asker: Asker) -> Followed {
    let mut waiting = VecDeque::from([("start".to_owned(), "/".to_owned())]);
    let mut seen: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut alike: BTreeMap<String, usize> = BTreeMap::new();
    let (mut wanted, mut dead, mut twice) = (Vec::new(), Vec::new(), Vec::new());
    while let Some((from, link)) = waiting.pop_front() {
        let (address, fragment) = link.split_once('#').unwrap_or((&link, ""));
        if !fragment.is_empty() {
            wanted.push((from.clone(), address.to_owned(), fragment.to_owned()));
        }
        if seen.contains_key(address) {
            continue;
        }
        let n_alike = alike.entry(shape(address)).or_default();
        *n_alike += 1;
        // Archives and figures take long to make and link to nothing.
        if *n_alike > ALIKE || address.starts_with("/study") && address != "/study" {
            continue;
        }
        let headers = [("accept", "text/html"), ("cookie", signed.cookie(asker))];
        let (status, _, bytes) = signed.test.file(address, &headers).await;
        if status >= 400 {
            dead.push(format!("{from} links to {address}: {status}"));
        }
        let body = String::from_utf8_lossy(&bytes);
        twice.extend(ids_twice(&body).into_iter().map(|id| format!("{address} has {id} more than once")));
        for href in quoted(&body, "<a href=\"").chain(quoted(&body, "\" href=\"")) {
            let href = href.replace("&amp;", "&");
            match href.as_bytes() {
                [b'#', ..] => waiting.push_back((address.to_owned(), format!("{address}{href}"))),
                [b'/', ..] => waiting.push_back((address.to_owned(), href)),
                [b'?', ..] => {
                    let path = address.split('?').next().unwrap_or_default();
                    waiting.push_back((address.to_owned(), format!("{path}{href}")));
                }
                _ => {}
            }
        }
        seen.insert(address.to_owned(), quoted(&body, " id=\"").map(ToOwned::to_owned).collect());
    }
    for (from, address, fragment) in wanted {
        if seen.get(&address).is_some_and(|ids| !ids.contains(&fragment)) {
            dead.push(format!("{from} links to {address}#{fragment}, which is not on that page"));
        }
    }
    Followed { seen: seen.into_keys().collect(), dead, twice }
}

#[tokio::test]
async fn no_link_leads_nowhere_and_no_name_stands_twice_whoever_follows_them() {
    let signed = Signed::new(TestApp::complete_park().await).await;
    for asker in
        [Asker::Visitor, Asker::Observer, Asker::ObserverWithExact, Asker::Manager, Asker::Administrator]
    {
        let Followed { seen, dead, twice } = follow(&signed, asker).await;
        assert_eq!(dead, Vec::<String>::new(), "{asker:?}");
        assert_eq!(twice, Vec::<String>::new(), "{asker:?}");
        let reached = |path: &str| seen.contains(path);
        assert!(reached("/about"), "{asker:?}: {seen:?}");
        assert_eq!(reached("/sign-in"), asker == Asker::Visitor, "{asker:?}: {seen:?}");
        assert_eq!(reached("/data/import"), asker != Asker::Visitor, "{asker:?}: {seen:?}");
        assert_eq!(reached("/account"), asker != Asker::Visitor, "{asker:?}: {seen:?}");
        let sees_exact = !matches!(asker, Asker::Visitor | Asker::Observer);
        assert_eq!(reached("/decisions"), sees_exact, "{asker:?}: {seen:?}");
        assert_eq!(reached("/accounts"), asker == Asker::Administrator, "{asker:?}: {seen:?}");
    }
}

#[tokio::test]
async fn who_only_looks_is_offered_no_form_that_would_be_refused() {
    let signed = Signed::new(TestApp::complete_park().await).await;
    let ask = async |asker: Asker, address: &str| {
        let headers = [("accept", "text/html"), ("cookie", signed.cookie(asker))];
        signed.test.ask(Method::GET, address, &headers).await.expect(200).body
    };
    for address in ["/decisions", "/stretch/0", "/watch", "/effect", "/history/encounter/1"] {
        let posts = "method=\"post\"";
        assert!(!ask(Asker::ObserverWithExact, address).await.contains(posts), "{address}");
    }
    for (address, form) in [
        ("/stretch/0", "action=\"/decisions\""),
        ("/watch", "action=\"/notices\""),
        ("/effect", "action=\"/effect/signs\""),
    ] {
        assert!(ask(Asker::Manager, address).await.contains(form), "{address}");
    }
    // Settings may be looked at; what would change them is switched off.
    let (looks, manages) =
        (ask(Asker::ObserverWithExact, "/data/settings").await, ask(Asker::Manager, "/data/settings").await);
    assert!(
        looks.contains("Only managers can change this") && !manages.contains("Only managers can change this")
    );
    assert_eq!(
        looks.matches("<fieldset class=\"whole\" disabled>").count(),
        looks.matches("method=\"post\"").count()
    );
    assert!(!manages.contains(" disabled"));
}

#[tokio::test]
async fn whoever_signed_in_is_asked_for_no_name_on_a_stretch() {
    let signed = Signed::new(TestApp::complete_park().await).await;
    let headers = [("accept", "text/html"), ("cookie", signed.cookie(Asker::Manager))];
    let page = signed.test.ask(Method::GET, "/stretch/0", &headers).await.expect(200);
    page.says("Kept under the name you signed in with");
    page.never_says("Your name");
}

#[tokio::test]
async fn an_observer_who_mended_a_row_is_led_to_the_others() {
    let signed = Signed::new(TestApp::park().await).await;
    let csv = "effortKind,eventDate,decimalLatitude,decimalLongitude\nreport,2024-05-01,97.61,-109.38\n\
               report,2024-05-32,37.61,-109.38\n";
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"encounters"), ("file", Some("a.csv"), csv.as_bytes())];
    let of = |asker: Asker| [("cookie", signed.cookie(asker)), ("accept", "text/html")];
    let answer = signed.test.send_files("/data/import", &parts, &of(Asker::Observer)).await.expect(303);
    let batch = answer.header("location").to_owned();
    let page = signed.test.ask(Method::GET, &batch, &of(Asker::Observer)).await.expect(200);
    let rows: Vec<&str> = quoted(&page.body, "href=\"/data/rows/").collect();
    assert_eq!(rows.len(), 2, "{}", page.body);
    let mended = "effortKind=report&eventDate=2024-05-01&decimalLatitude=37.61&decimalLongitude=-109.38";
    for (row, form) in rows.iter().zip(["coilway-action=set-aside", mended]) {
        let address = format!("/data/rows/{row}");
        let sent = signed.test.post(&address, form, &of(Asker::Observer)).await.expect(303);
        assert_eq!(sent.header("location"), batch);
        // Managers see the rows of everybody in one list.
    }
    signed.test.ask(Method::GET, &batch, &of(Asker::Observer)).await.expect(200);
}

#[tokio::test]
async fn an_error_leads_on_to_what_its_reader_may_see() {
    let signed = Signed::new(TestApp::park().await).await;
    for (asker, leads_to, never) in [
        (Asker::Visitor, "href=\"/about\"", "href=\"/trails\""),
        (Asker::Observer, "href=\"/data/own\"", "href=\"/trails\""),
        (Asker::Manager, "href=\"/trails\"", "href=\"/sign-in\""),
    ] {
        let headers = [("accept", "text/html"), ("cookie", signed.cookie(asker))];
        let page = signed.test.ask(Method::GET, "/nowhere", &headers).await.expect(404);
        page.says(leads_to);
        page.never_says(never);
        // No item of the navigation is where an error is.
        page.never_says("aria-current");
    }
}

#[tokio::test]
async fn a_form_for_files_says_what_each_has_to_hold() {
    let test = TestApp::park().await;
    let page = test.get("/data/import").await.expect(200);
    page.says("<option value=\"\" selected>– choose –</option>");
    page.says("<option value=\"readings\">Counter readings</option>");
    page.says("Needed: <code>counter</code>, <code>start</code>, <code>minutes</code>, <code>in</code>.");
}

#[tokio::test]
async fn every_sign_of_a_plan_has_its_text_to_print() {
    let test = TestApp::park().await;
    let plan = test.get("/signs?signs=2&reach=600&spacing=200").await.expect(200);
    plan.says("href=\"/signs/sheets?reach=600&amp;signs=2&amp;spacing=200\"");
    let page = test.get("/signs/sheets?signs=2&reach=600&spacing=200").await.expect(200);
    for sheet in ["lang=\"en\"", "lang=\"es\""] {
        assert_eq!(
            page.body.matches(&format!("notice-sheet\" {sheet}")).count(),
            2,
            "{sheet}: {}",
            page.body
        );
    }
    for words in
        ["WARNING", "call 911 at once", "Have every text checked before it is put up", "letters at least"]
    {
        page.says(words);
    }
    test.get("/signs/sheets?signs=none").await.expect(400).says("give a whole number from 1 to 100");
    test.get("/signs/sheets?sign=2").await.expect(400);
}
