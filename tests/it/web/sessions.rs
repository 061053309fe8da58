//! Sessions while much else happens: long imports, passwords that change meanwhile.

use std::time::Duration;

use axum::http::Method;

use coilway::app::Token;
use coilway::app::hash_of;
use coilway::domain::account::Scope;
use coilway::store::ApiTokenDraft;
use coilway::store::OpenParams;
use coilway::store::SessionLimits;
use coilway::store::Store;

use crate::support::NOW_S;
use crate::support::TestApp;
use crate::web::accounts::Asker;
use crate::web::accounts::PASSWORD;
use crate::web::accounts::Signed;

/// Asks until the status is the one expected.
async fn becomes(test: &TestApp, address: &str, headers: &[(&str, &str)], expected: u16) {
    for _ in 0..200 {
        if test.ask(Method::GET, address, headers).await.status.as_u16() == expected {
            return;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("{address} never became {expected}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_long_import_keeps_nobody_out_and_nobody_in() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let store = test.app.store();
    let (administrator, _) = store.account_to_sign_in("Administrator").await.unwrap().unwrap();
    let (observer, _) = store.account_to_sign_in("Observer").await.unwrap().unwrap();
    let (script, limits) = (Token::new().unwrap(), SessionLimits::default());
    let draft = ApiTokenDraft { label: "map".to_owned(), scope: Scope::Read, expires_at_s: NOW_S + 86_400 };
    store.add_api_token(&administrator, &script.hash(), &draft, NOW_S).await.unwrap();
    let bearer = format!("Bearer {}", script.text());
    let bearer = [("authorization", bearer.as_str()), ("accept", "application/json")];
    let own = [("cookie", signed.cookie(Asker::Administrator))];
    let observers = [("cookie", signed.cookie(Asker::Observer))];
    test.ask(Method::GET, "/about", &bearer).await.expect(200);
    test.ask(Method::GET, "/account", &observers).await.expect(200);

    let elsewhere = Store::open(&test.app.config().database, &OpenParams::default()).await.unwrap();
    let import = store.write("tester", "a long import", NOW_S).await.unwrap();
    let sign_in = async |name: &str| {
        let form = format!("name={name}&password={}", PASSWORD.replace(' ', "+"));
        let answer = test.post("/sign-in", &form, &[]).await.expect(303);
        answer.header("set-cookie").split(';').next().unwrap().to_owned()
    };
    let (managers, exact) = (sign_in("manager").await, sign_in("observerwithexact").await);
    let (managers, exact) = ([("cookie", managers.as_str())], [("cookie", exact.as_str())]);
    for cookie in [&managers, &exact] {
        test.ask(Method::GET, "/account", cookie).await.expect(200);
    }
    let hash = |cookie: &[(&str, &str); 1]| hash_of(cookie[0].1.split_once('=').unwrap().1);
    let is_written =
        async |cookie| elsewhere.session_account(&hash(cookie), limits, NOW_S).await.unwrap().is_some();
    assert!(!is_written(&exact).await);
    test.post("/sign-in", "name=nobody&password=x", &[]).await.expect(401);

    let disabling = format!("/accounts/{}", observer.id);
    let watching = async {
        for (address, headers, expected) in [
            ("/account", &managers[..], 303),
            ("/account", &observers[..], 303),
            ("/about", &bearer[..], 401),
        ] {
            becomes(test, address, headers, expected).await;
        }
        test.ask(Method::GET, "/account", &exact).await.expect(200);
        // All that holds, and none of it is written.
        assert!(elsewhere.session_account(&hash(&observers), limits, NOW_S).await.unwrap().is_some());
        assert!(elsewhere.api_token_account(&script.hash(), NOW_S).await.unwrap().is_some());
        drop(import);
    };
    let (out, disabled, revoked, ()) = tokio::join!(
        test.post("/account/sign-out-everywhere", "", &managers),
        test.post(&disabling, "role=observer&disabled=yes", &own),
        test.post("/account/tokens/1/revoke", "", &own),
        watching,
    );
    for answer in [out, disabled, revoked] {
        answer.expect(303);
    }
    assert!(is_written(&exact).await && !is_written(&managers).await && !is_written(&observers).await);
    assert!(elsewhere.api_token_account(&script.hash(), NOW_S).await.unwrap().is_none());
    let (observer, _) = elsewhere.account_to_sign_in("Observer").await.unwrap().unwrap();
    assert_eq!(observer.disabled_at_s, Some(NOW_S));
    assert_eq!(elsewhere.n_failed_sign_ins(NOW_S - 60).await.unwrap(), 1);
    elsewhere.close().await;
}

/// Checking a password takes a while. Whoever signs in with the old one while a new one is set is not signed in, and nobody who
/// changes a password because it is known leaves a session of it behind.
#[tokio::test(flavor = "multi_thread")]
async fn no_session_outlives_the_password_it_was_begun_with() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let (old, name) = (PASSWORD.replace(' ', "+"), "Manager");
    let former = test.app.passwords().hash(PASSWORD.to_owned()).await.unwrap();
    let (account, _) = test.app.store().account_to_sign_in(name).await.unwrap().unwrap();
    for delay in [0, 1, 2, 4, 8, 16, 32, 64, 128] {
        test.app.store().set_password(account.id, &former, NOW_S).await.unwrap();
        let form = format!("name={name}&password={old}");
        let changed = async {
            tokio::time::sleep(Duration::from_millis(delay)).await;
            test.app.store().set_password(account.id, "$argon2id$new", NOW_S).await.unwrap();
        };
        let (answer, ()) = tokio::join!(test.post("/sign-in", &form, &[]), changed);
        let cookie = answer.header("set-cookie").split(';').next().unwrap().to_owned();
        test.ask(Method::GET, "/account", &[("cookie", &cookie)]).await.expect(303);
    }
}
