//! What goes wrong, what may be kept, and the headers around every answer.

use axum::http::Method;
use coilway::config::Config;
use coilway::config::Front;
use jiff::civil::date;

use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

const JSON: (&str, &str) = ("accept", "application/json");

#[tokio::test]
async fn a_bad_parameter_is_named_in_problem_details() {
    let test = TestApp::park().await;
    let check = async |address: &str, field: &str| {
        let answer = test.ask(Method::GET, address, &[JSON]).await.expect(400);
        assert_eq!(answer.header("content-type"), "application/problem+json", "{address}");
        let problem = answer.json();
        assert_eq!(problem["status"], 400, "{address}");
        assert_eq!(problem["field"], field, "{address}: {problem}");
        assert_eq!(problem["type"], "about:blank", "{address}");
        assert!(problem["detail"].as_str().is_some_and(|detail| detail.len() > 10), "{address}: {problem}");
        assert!(address.starts_with(problem["instance"].as_str().unwrap()), "{address}: {problem}");
    };
    check("/?month=13", "month").await;
    check("/?month=May", "month").await;
    check("/?part=noon", "part").await;
    check("/?stretch=-1", "stretch").await;
    check("/?stretch=999", "stretch").await;
    check("/?colour=red", "colour").await;
    check("/trails?month=5", "month").await;
    check("/reactions?effort=everything", "effort").await;
    check("/reactions?count=last", "count").await;
    check("/layers/stretches.geojson?month=0", "month").await;
    check("/layers/stretches.geojson?month=5&month=6", "month").await;
    check("/layers/stretches.geojson?limit=0", "limit").await;
    check("/layers/segments.geojson?limit=many", "limit").await;
    check("/layers/segments.geojson?bbox=1,2,3", "bbox").await;
    check("/layers/segments.geojson?bbox=1,2,3,x", "bbox").await;
    check("/layers/segments.geojson?bbox=-190,2,3,4", "bbox").await;
    check("/layers/segments.geojson?bbox=1,5,3,4", "bbox").await;
    check("/layers/segments.geojson?bbox=1,nan,3,4", "bbox").await;
    check("/layers/encounters.geojson?from=yesterday", "from").await;
    check("/layers/encounters.geojson?from=2024-02-30", "from").await;
    check("/layers/encounters.geojson?from=2024-06-02&until=2024-06-01", "until").await;
    check("/layers/encounters.geojson?effort=all", "effort").await;
    check("/layers/encounters.geojson?after=x", "after").await;
    check("/layers/density.geojson?effort=x", "effort").await;
    check("/layers/signs.geojson?signs=0", "signs").await;
    check("/layers/signs.geojson?reach=1e9", "reach").await;
    check("/layers/trails.geojson?crs=84", "crs").await;
}

#[tokio::test]
async fn what_is_not_there_offers_the_way_on() {
    let test = TestApp::park().await;
    let missing = [
        "/nothing",
        "/stretch/999",
        "/stretch/first",
        "/segment/0",
        "/segment/zz",
        "/encounters/999999",
        "/encounters/first",
        "/data/batches/7",
        "/assets/none.css",
    ];
    for address in missing {
        let answer = test.get(address).await.expect(404);
        answer.says("There is nothing here");
        answer.says("href=\"/trails\"");
        assert_eq!(answer.header("cache-control"), "no-store", "{address}");
    }
    let layer = test.get("/layers/nothing.geojson").await.expect(404);
    assert_eq!(layer.header("content-type"), "application/problem+json");
    assert_eq!(layer.json()["title"], "Not Found");
}

#[tokio::test]
async fn another_method_is_refused_and_the_right_ones_named() {
    let test = TestApp::empty().await;
    for method in [Method::POST, Method::DELETE, Method::OPTIONS, Method::TRACE, Method::PUT] {
        for address in ["/", "/encounters", "/layers/stretches.geojson"] {
            let answer = test.ask(method.clone(), address, &[]).await.expect(405);
            assert!(answer.header("allow").contains("GET"), "{method} {address}: {:?}", answer.headers);
        }
    }
}

#[tokio::test]
async fn head_is_get_without_the_body() {
    let test = TestApp::park().await;
    for address in ["/", "/about", "/layers/trails.geojson"] {
        let get = test.get(address).await.expect(200);
        let head = test.ask(Method::HEAD, address, &[]).await.expect(200);
        assert_eq!(head.body, "", "{address}");
        for name in ["content-type", "etag", "cache-control"] {
            assert_eq!(head.header(name), get.header(name), "{address} {name}");
        }
    }
}

#[tokio::test]
async fn what_has_not_changed_is_not_sent_again() {
    let test = TestApp::park().await;
    let addresses = [
        "/",
        "/?month=5",
        "/trails",
        "/encounters",
        "/layers/stretches.geojson",
        "/layers/encounters.geojson",
    ];
    let mut tags = Vec::new();
    for address in addresses {
        let etag = test.get(address).await.expect(200).header("etag").to_owned();
        assert!(etag.starts_with("W/\""), "{address}: {etag}");
        let again = test.ask(Method::GET, address, &[("if-none-match", &etag)]).await.expect(304);
        assert_eq!((again.body.as_str(), again.header("etag")), ("", etag.as_str()), "{address}");
        test.ask(Method::GET, address, &[("if-none-match", "W/\"0-0\"")]).await.expect(200);
        assert!(!tags.contains(&etag), "{address} has the tag of another address");
        tags.push(etag);
    }
    let target = test.by_hand().await;
    let another = report("R-new", at(-700.0, 30.0), date(2024, 6, 20), 9);
    test.write(async |writer| {
        writer.put_encounters(&target, &rows([another])).await.unwrap();
    })
    .await;
    for (address, etag) in addresses.into_iter().zip(&tags) {
        let fresh = test.ask(Method::GET, address, &[("if-none-match", etag)]).await.expect(200);
        assert_ne!(fresh.header("etag"), etag, "{address}");
    }
}

#[tokio::test]
async fn a_commit_shows_at_once() {
    let test = TestApp::park().await;
    let count =
        async || test.get("/layers/encounters.geojson").await.json()["numberMatched"].as_u64().unwrap();
    let before = count().await;
    let target = test.by_hand().await;
    let another = report("R-new", at(-700.0, 30.0), date(2024, 6, 20), 9);
    let revision = test
        .write(async |writer| {
            writer.put_encounters(&target, &rows([another])).await.unwrap();
        })
        .await;
    assert_eq!(count().await, before + 1);
    test.get("/").await.says(&format!("Data revision {revision}"));
}

#[tokio::test]
async fn every_answer_says_what_a_browser_may_do_with_it() {
    let test = TestApp::park().await;
    for address in ["/", "/nothing", "/?month=13", "/layers/trails.geojson", "/layers/signs.geojson?signs=x"]
    {
        let answer = test.get(address).await;
        let policy = answer.header("content-security-policy");
        assert!(policy.contains("default-src 'self'"), "{address}: {policy}");
        assert!(policy.contains("frame-ancestors 'none'"), "{address}: {policy}");
        assert!(!policy.contains("unsafe"), "{address}: {policy}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{address}");
        assert_eq!(answer.header("referrer-policy"), "same-origin", "{address}");
        assert_eq!(answer.header("x-frame-options"), "DENY", "{address}");
        assert_eq!(answer.header("cross-origin-resource-policy"), "same-origin", "{address}");
        assert_eq!(answer.header("cross-origin-opener-policy"), "same-origin", "{address}");
        assert_eq!(answer.header("strict-transport-security"), "", "{address}");
        assert!(answer.header("vary").contains("Accept"), "{address}");
    }
}

#[tokio::test]
async fn behind_tls_browsers_are_told_to_keep_to_it() {
    let test = TestApp::configured(|config| Config { front: Front::Tls, ..config }).await;
    for address in ["/healthz", "/nothing"] {
        let answer = test.get(address).await;
        assert_eq!(answer.header("strict-transport-security"), "max-age=31536000", "{address}");
    }
}

#[tokio::test]
async fn answers_are_compressed_for_those_who_can_read_it() {
    let test = TestApp::park().await;
    let plain = test.get("/layers/segments.geojson").await.expect(200);
    assert_eq!(plain.header("content-encoding"), "");
    let headers = test.headers("/layers/segments.geojson", &[("accept-encoding", "gzip")]).await;
    assert_eq!(headers["content-encoding"], "gzip");
    let headers = test.headers("/", &[("accept-encoding", "br, gzip")]).await;
    assert_eq!(headers["content-encoding"], "br");
}

#[tokio::test]
async fn files_are_named_by_their_content_and_kept() {
    let test = TestApp::park().await;
    let page = test.get("/").await.expect(200);
    let mut found = 0;
    for part in page.body.split('"').filter(|part| part.starts_with("/assets/")) {
        let file = test.get(part).await.expect(200);
        assert!(file.header("cache-control").contains("immutable"), "{part}");
        assert!(!file.body.is_empty(), "{part}");
        found += 1;
    }
    assert!(found >= 2, "the page names {found} files");
}

#[tokio::test]
async fn an_error_of_the_server_does_not_tell_its_cause() {
    let test = TestApp::with(&Park::default()).await;
    let area = test.by_hand().await.area;
    // A setting that this version does not know: the facts cannot be read.
    test.write(async |writer| writer.set_setting(area, "no-such-setting", "1").await.unwrap()).await;
    let answer = test.get("/").await.expect(500);
    answer.says("Something went wrong");
    answer.never_says("no-such-setting");
    let layer = test.get("/layers/stretches.geojson").await.expect(500);
    assert_eq!(layer.json()["detail"], "something went wrong on the server");
}
