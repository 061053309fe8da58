//! Whatever stands in an address or a form: every parameter of every route, and every field of every form, found from the
//! pages themselves. Nothing may fail inside the server, and no data may suffer.

use std::collections::BTreeSet;

use axum::http::Method;
use proptest::prelude::*;
use proptest::test_runner::Config;
use proptest::test_runner::RngAlgorithm;
use proptest::test_runner::TestRng;
use proptest::test_runner::TestRunner;
use tokio::runtime::Runtime;

use coilway::web::routes;

use crate::support::Answer;
use crate::support::TestApp;

/// How many requests are made; more in long runs.
fn n_cases(few: u32, many: u32) -> u32 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { many } else { few }
}

/// The same requests in every run.
fn runner(n_cases: u32) -> TestRunner {
    let config =
        Config { cases: n_cases, failure_persistence: None, max_shrink_iters: 64, ..Config::default() };
    TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha))
}

/// Numbers at the ends of what types hold, words that mean something elsewhere, text that is none.
fn value() -> impl Strategy<Value = String> {
    const KNOWN: [&str; 38] = [
        "",
        " ",
        "0",
        "-0",
        "1",
        "2",
        "12",
        "-1",
        "007",
        "+5",
        "1e308",
        "-1e-320",
        "NaN",
        "inf",
        "-infinity",
        "0x10",
        "9223372036854775807",
        "9223372036854775808",
        "-9223372036854775808",
        "18446744073709551615",
        "1,2,3,4",
        "-180,-90,180,90",
        "5,5,5,5",
        "2024-02-30",
        "2024-05-01",
        "9999-12-31",
        "-9999-01-01",
        "0000-00-00",
        "early",
        "report",
        "network",
        "'; DROP TABLE encounters; --",
        "../../etc/passwd",
        "<script>alert(1)</script>",
        "=1+1",
        "\0",
        "\u{202e}\u{feff}",
        "🐍",
    ];
    prop_oneof![
        6 => proptest::sample::select(&KNOWN[..]).prop_map(str::to_owned),
        1 => any::<i64>().prop_map(|number| number.to_string()),
        1 => any::<f64>().prop_map(|number| number.to_string()),
        1 => "[0-9,.:eE+ TZ-]{0,24}",
        1 => "\\PC{0,40}",
        1 => (1_usize..5000).prop_map(|n| "a".repeat(n)),
    ]
}

/// Every byte percent-encoded, so that anything arrives as it is.
fn encoded(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

fn query(pairs: &[(String, String)]) -> String {
    let pairs = pairs.iter().map(|(name, value)| format!("{}={}", encoded(name), encoded(value)));
    pairs.collect::<Vec<_>>().join("&")
}

/// The routes that are read, each with the parameters that it says it knows.
async fn parameters(test: &TestApp) -> Vec<(&'static str, Vec<String>)> {
    let mut known = Vec::new();
    for route in routes().iter().filter(|route| route.method == Method::GET) {
        let headers = [("accept", "application/json")];
        let (_, _, body) = test.file(&format!("{}?zzz=1", filled(route.path, "1")), &headers).await;
        let body = String::from_utf8_lossy(&body).into_owned();
        let names = body.split_once("known are: ").and_then(|(_, rest)| rest.split_once('.'));
        let names = names.map_or(Vec::new(), |(names, _)| names.split(", ").map(str::to_owned).collect());
        known.push((route.path, names));
    }
    known
}

/// A path with something in place of its parameters.
fn filled(path: &str, key: &str) -> String {
    let part = |part: &str| match part {
        "{kind}" => "encounter".to_owned(),
        "{name}" | "{id}" | "{unit}" | "{token}" => encoded(key),
        other => other.to_owned(),
    };
    path.split('/').map(part).collect::<Vec<_>>().join("/")
}

#[test]
fn no_address_makes_the_server_fail() {
    let runtime = Runtime::new().unwrap();
    let test = runtime.block_on(TestApp::complete_park());
    let known = runtime.block_on(parameters(&test));
    let n_named: usize = known.iter().map(|(_, names)| names.len()).sum();
    assert!(n_named > 40, "only {n_named} parameters were found: {known:?}");
    let all: BTreeSet<String> = known.iter().flat_map(|(_, names)| names.iter().cloned()).collect();
    let all: Vec<String> = all.into_iter().chain(["limit".to_owned(), "zzz".to_owned()]).collect();
    let asked = (
        0..known.len(),
        value(),
        proptest::collection::vec((any::<proptest::sample::Index>(), any::<bool>(), value()), 0..4),
    );
    let outcome = runner(n_cases(400, 20_000)).run(&asked, |(route, key, pairs)| {
        let (path, own) = &known[route];
        let pairs: Vec<(String, String)> = pairs
            .into_iter()
            .map(|(name, is_own, value)| {
                let names = if is_own && !own.is_empty() { own } else { &all };
                (name.get(names).clone(), value)
            })
            .collect();
        let address = format!("{}?{}", filled(path, &key), query(&pairs));
        let (status, headers, _) = runtime.block_on(test.file(&address, &[]));
        prop_assert!(status < 500, "{status} at {address}");
        prop_assert!(headers.contains_key("content-security-policy"), "{address}");
        Ok(())
    });
    outcome.unwrap_or_else(|error| panic!("{error}"));
}

#[tokio::test]
async fn what_is_no_address_is_refused() {
    let test = TestApp::park().await;
    for address in
        ["/?month=%", "/?%FF%FE=1", "/?month=%00", "/trails?=&&==&", "/%2e%2e/%2e%2e/etc/passwd", "//"]
    {
        let (status, ..) = test.file(address, &[]).await;
        assert!(status < 500, "{address}: {status}");
    }
    for header in ["accept", "cookie", "authorization", "if-none-match", "accept-encoding", "x-forwarded-for"]
    {
        for value in ["", ";;;==,,", "Basic !!!", "Bearer", "*/*;q=NaN", "W/\"", "__Host-session=%%%"] {
            let (status, ..) = test.file("/", &[(header, value)]).await;
            assert!(status < 500, "{header}: {value}: {status}");
        }
    }
}

/// Where a form is sent, and the fields it has.
type Form = (String, Vec<String>);

/// The forms of a page that are sent, with the names of their fields.
fn forms(page: &str) -> Vec<Form> {
    let attribute = |tag: &str, name: &str| {
        let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
        rest.split_once('"').map(|(value, _)| value.replace("&amp;", "&"))
    };
    let mut found = Vec::new();
    for form in page.split("<form ").skip(1) {
        let (head, rest) = form.split_once('>').unwrap();
        let head = format!(" {head}");
        let (Some(action), true) = (attribute(&head, "action"), head.contains("method=\"post\"")) else {
            continue;
        };
        let body = rest.split("</form>").next().unwrap_or("");
        let tags = ["<input", "<select", "<textarea", "<button"];
        let names = tags
            .iter()
            .flat_map(|tag| body.split(tag).skip(1))
            .filter_map(|tag| attribute(tag.split('>').next().unwrap_or(""), "name"));
        found.push((action, names.collect()));
    }
    found
}

/// The forms that a server shows.
async fn all_forms(test: &TestApp) -> Vec<Form> {
    let mut found: Vec<Form> = Vec::new();
    for route in routes().iter().filter(|route| route.method == Method::GET) {
        let headers = [("accept", "text/html")];
        let (_, _, body) = test.file(&filled(route.path, "1"), &headers).await;
        for form in forms(&String::from_utf8_lossy(&body)) {
            // Passwords take long on purpose, and signing out ends nothing here.
            if !found.contains(&form) {
                found.push(form);
            }
        }
    }
    found
}

#[test]
fn no_form_makes_the_server_fail_or_the_data_suffer() {
    let runtime = Runtime::new().unwrap();
    let test = runtime.block_on(TestApp::complete_park());
    let forms = runtime.block_on(all_forms(&test));
    let actions: BTreeSet<&str> = forms.iter().map(|(action, _)| action.as_str()).collect();
    assert!(actions.len() > 8, "only these forms were found: {actions:?}");
    let sent = (
        0..forms.len(),
        proptest::collection::vec((any::<proptest::sample::Index>(), value()), 0..8),
        any::<bool>(),
    );
    let outcome = runner(n_cases(120, 4000)).run(&sent, |(form, pairs, as_file)| {
        let (action, names) = &forms[form];
        let all = ["who".to_owned(), "reason".to_owned(), "zzz".to_owned()];
        let pairs: Vec<(String, String)> = pairs
            .into_iter()
            .map(|(name, value)| {
                let names: Vec<&String> = names.iter().chain(&all).collect();
                ((*name.get(&names)).clone(), value)
            })
            .collect();
        let answer: Answer = if as_file {
            let parts: Vec<(&str, Option<&str>, &[u8])> =
                pairs.iter().map(|(name, value)| (name.as_str(), Some("a.csv"), value.as_bytes())).collect();
            runtime.block_on(test.send_files(action, &parts, &[]))
        } else {
            runtime.block_on(test.submit(action, &query(&pairs)))
        };
        prop_assert!(
            answer.status.as_u16() < 500,
            "{} at {action}: {pairs:?}: {}",
            answer.status,
            answer.body
        );
        // A form that comes back marked marks itself alone.
        prop_assert!(answer.twice().is_empty(), "{action}: {pairs:?}: {:?} stand twice", answer.twice());
        Ok(())
    });
    outcome.unwrap_or_else(|error| panic!("{error}"));
    let checkup = runtime.block_on(test.app.store().check()).unwrap();
    assert!(checkup.is_whole(), "{:?}", checkup.findings);
}
