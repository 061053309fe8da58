//! Every link leads somewhere that its reader may go: all pages are followed as everybody who may ask.

use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::collections::VecDeque;

use crate::support::TestApp;
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

/// Follows every link from the first page on; says what leads nowhere.
async fn dead_links(signed: &Signed, asker: Asker) -> (BTreeSet<String>, Vec<String>) {
    let mut waiting = VecDeque::from([("start".to_owned(), "/".to_owned())]);
    let mut seen: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut alike: BTreeMap<String, usize> = BTreeMap::new();
    let (mut wanted, mut dead) = (Vec::new(), Vec::new());
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
    (seen.into_keys().collect(), dead)
}

#[tokio::test]
async fn no_link_leads_nowhere_whoever_follows_it() {
    let signed = Signed::new(TestApp::complete_park().await).await;
    for asker in
        [Asker::Visitor, Asker::Observer, Asker::ObserverWithExact, Asker::Manager, Asker::Administrator]
    {
        let (seen, dead) = dead_links(&signed, asker).await;
        assert_eq!(dead, Vec::<String>::new(), "{asker:?}");
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
