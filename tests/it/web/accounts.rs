//! Accounts: every route for every role, signing in and out, links, tokens, and what the browser is told.

use std::sync::Arc;

use axum::http::Method;
use tokio::task::JoinSet;

use coilway::app::Token;
use coilway::domain::account::Grants;
use coilway::domain::account::Right;
use coilway::domain::account::Role;
use coilway::domain::account::Scope;
use coilway::domain::batch::Content;
use coilway::store::AccountChange;
use coilway::store::AccountDraft;
use coilway::store::ApiTokenDraft;
use coilway::store::BatchDraft;

use crate::support::NOW_S;
use crate::support::TestApp;

pub(super) const PASSWORD: &str = "four dry stones by the gate";

/// Who asks in these tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asker {
    Visitor,
    Observer,
    ObserverWithExact,
    Manager,
    Administrator,
}

const ASKERS: [Asker; 5] =
    [Asker::Visitor, Asker::Observer, Asker::ObserverWithExact, Asker::Manager, Asker::Administrator];

impl Asker {
    fn account(self) -> Option<(Role, Grants)> {
        let exact = Grants { sees_exact: true, sees_health: false };
        match self {
            Self::Visitor => None,
            Self::Observer => Some((Role::Observer, Grants::default())),
            Self::ObserverWithExact => Some((Role::Observer, exact)),
            Self::Manager => Some((Role::Manager, Grants::default())),
            Self::Administrator => Some((Role::Administrator, Grants::default())),
        }
    }
}

/// An app with an account of every kind, and the cookie of a session of each.
pub(super) struct Signed {
    pub(super) test: TestApp,
    cookies: Vec<(Asker, String)>,
}

impl Signed {
    pub(super) async fn new(test: TestApp) -> Self {
        let mut cookies = vec![(Asker::Visitor, String::new())];
        let hash = test.app.passwords().hash(PASSWORD.to_owned()).await.unwrap();
        for asker in ASKERS {
            let Some((role, grants)) = asker.account() else { continue };
            let name = format!("{asker:?}");
            let (password_hash, created_by) = (hash.clone(), "tester".to_owned());
            let draft = AccountDraft { name: name.clone(), role, grants, password_hash, created_by };
            assert_eq!(test.app.store().add_account(&draft, NOW_S).await.unwrap(), AccountChange::Made);
            let (account, _) = test.app.store().account_to_sign_in(&name).await.unwrap().unwrap();
            let token = Token::new().unwrap();
            test.app.store().begin_session(&account, &token.hash(), None, NOW_S).await.unwrap();
            cookies.push((asker, format!("coilway={}", token.text())));
        }
        Self { test, cookies }
    }

    pub(super) fn cookie(&self, asker: Asker) -> &str {
        &self.cookies.iter().find(|(known, _)| *known == asker).unwrap().1
    }

    /// Asks as somebody, as a program that wants no page.
    async fn ask(&self, asker: Asker, method: &Method, path: &str) -> u16 {
        let headers = [("accept", "application/json"), ("cookie", self.cookie(asker))];
        match *method {
            Method::POST => self.test.post(path, "", &headers).await.status.as_u16(),
            _ => self.test.ask(Method::GET, path, &headers).await.status.as_u16(),
        }
    }
}

/// The least that is needed for every route: the second table, beside the one in the program.
fn least(path: &str, method: &Method) -> Option<&'static [Asker]> {
    use Asker::Administrator;
    use Asker::Manager;
    use Asker::Observer;
    use Asker::ObserverWithExact;
    const EXACT: &[Asker] = &[ObserverWithExact, Manager, Administrator];
    const SIGNED_IN: &[Asker] = &[Observer, ObserverWithExact, Manager, Administrator];
    const MANAGERS: &[Asker] = &[Manager, Administrator];
    const ADMINISTRATORS: &[Asker] = &[Administrator];
    Some(match (method.as_str(), path) {
        (
            _,
            "/"
            | "/layers/trails.geojson"
            | "/healthz"
            | "/about"
            | "/assets/{name}"
            | "/sign-in"
            | "/invitation/{token}",
        )
        | ("POST", "/sign-out") => &ASKERS,
        (
            "GET",
            "/trails"
            | "/stretch/{unit}"
            | "/segment/{id}"
            | "/encounters"
            | "/encounters/{id}"
            | "/photos/{id}"
            | "/photos/{id}/thumbnail"
            | "/analysis"
            | "/season"
            | "/reactions"
            | "/signs"
            | "/signs/plans/{id}"
            | "/signs/sheets"
            | "/data"
            | "/data/rows"
            | "/rates"
            | "/exposure"
            | "/density"
            | "/reactions/latency"
            | "/reactions/parts"
            | "/reactions/fact-sheet.pdf"
            | "/observers"
            | "/effect"
            | "/route"
            | "/watch"
            | "/notices/{id}"
            | "/study"
            | "/study.zip"
            | "/study/{name}"
            | "/walks"
            | "/walks/{id}"
            | "/survey"
            | "/clusters"
            | "/decisions"
            | "/decisions.csv"
            | "/decisions.json"
            | "/data/settings"
            | "/data/ambiguous"
            | "/history/{kind}/{id}",
        ) => EXACT,
        ("GET", layer) if layer.starts_with("/layers/") => EXACT,
        // What they post to shows a place afterwards, so that needs both rights.
        ("POST", "/encounters/{id}/tie" | "/encounters/{id}/tie/clear" | "/encounters/{id}/photos") => EXACT,
        (_, "/data/import" | "/data/rows/{id}") | ("GET", "/data/batches/{id}" | "/data/own") => SIGNED_IN,
        (
            "POST",
            "/data/batches/{id}/undo"
            | "/signs/draw"
            | "/signs/keep"
            | "/signs/plans/{id}/up"
            | "/effect/signs"
            | "/effect/signs/{id}/down"
            | "/effect/signs/{id}/inspection"
            | "/effect/watches"
            | "/notices"
            | "/notices/{id}/withdraw"
            | "/decisions"
            | "/decisions/several"
            | "/encounters/review"
            | "/data/settings"
            | "/data/settings/area"
            | "/data/settings/reactions"
            | "/history/{kind}/{id}/put-back"
            | "/history/{kind}/{id}/withdraw",
        )
        | ("GET", "/history" | "/signs/draw" | "/signs/keep") => MANAGERS,
        ("GET", "/account")
        | (
            "POST",
            "/account/password"
            | "/account/sign-out-everywhere"
            | "/account/tokens"
            | "/account/tokens/{id}/revoke",
        ) => SIGNED_IN,
        ("GET", "/accounts" | "/server" | "/metrics")
        | ("POST", "/accounts/invite" | "/accounts/{id}" | "/accounts/{id}/password-link") => ADMINISTRATORS,
        _ => return None,
    })
}

/// The path with something in place of every parameter.
fn filled(path: &str) -> String {
    let part = |part: &str| if part.starts_with('{') { "987654".to_owned() } else { part.to_owned() };
    path.split('/').map(part).collect::<Vec<_>>().join("/")
}

#[tokio::test]
async fn every_route_for_every_role() {
    for route in coilway::web::routes() {
        let allowed = least(route.path, &route.method)
            .unwrap_or_else(|| panic!("{} {} is missing from this test's table", route.method, route.path));
        // Each route has sessions of its own, since signing out everywhere is one of them.
        let signed = Signed::new(TestApp::empty().await).await;
        for asker in ASKERS {
            let status = signed.ask(asker, &route.method, &filled(route.path)).await;
            let refused = matches!(status, 401 | 403);
            let where_ = format!("{} {} for {asker:?}: {status}", route.method, route.path);
            // Signing in with nothing fails for everybody, and says so with the same status.
            if (route.method == Method::POST) && route.path == "/sign-in" {
                assert_eq!(status, 401, "{where_}");
                continue;
            }
            assert_eq!(refused, !allowed.contains(&asker), "{where_}");
            assert_ne!(status, 500, "{where_}");
        }
    }
}

#[tokio::test]
async fn signing_in_begins_a_session_of_its_own() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let form = format!("name=manager&password={}&next=%2Fseason", PASSWORD.replace(' ', "+"));
    let answer = test.post("/sign-in", &form, &[]).await.expect(303);
    assert_eq!(answer.header("location"), "/season");
    let cookie = answer.header("set-cookie").to_owned();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"), "{cookie}");
    let cookie = cookie.split(';').next().unwrap().to_owned();
    test.ask(Method::GET, "/season", &[("cookie", &cookie)]).await.expect(200);

    // Signing in again from the same browser ends the former session: no token outlives it.
    let again = test.post("/sign-in", &form, &[("cookie", &cookie)]).await.expect(303);
    let fresh = again.header("set-cookie").split(';').next().unwrap().to_owned();
    assert_ne!(fresh, cookie);
    test.ask(Method::GET, "/season", &[("cookie", &cookie)]).await.expect(303);
    test.ask(Method::GET, "/season", &[("cookie", &fresh)]).await.expect(200);

    let out = test.post("/sign-out", "", &[("cookie", &fresh)]).await.expect(303);
    assert!(out.header("set-cookie").contains("Max-Age=0"));
    test.ask(Method::GET, "/season", &[("cookie", &fresh)]).await.expect(303);
}

#[tokio::test]
async fn visitors_are_asked_to_sign_in_and_come_back() {
    let signed = Signed::new(TestApp::park().await).await;
    let answer = signed.test.get("/encounters?month=5").await.expect(303);
    assert_eq!(answer.header("location"), "/sign-in?next=%2Fencounters%3Fmonth%3D5");
    let layer = signed.test.get("/layers/segments.geojson").await.expect(401);
    assert!(layer.header("www-authenticate").starts_with("Basic realm=\"Coilway\""));
    layer.never_says("coordinates");
}

#[tokio::test]
async fn guessing_gets_slower_and_names_are_not_given_away() {
    let signed = Signed::new(TestApp::empty().await).await;
    let test = &signed.test;
    let wrong = test.post("/sign-in", "name=manager&password=x", &[]).await.expect(401);
    let nobody = test.post("/sign-in", "name=nobody&password=x", &[]).await.expect(401);
    assert_eq!(wrong.body.replace("manager", ""), nobody.body.replace("nobody", ""));
    for _ in 0..4 {
        test.post("/sign-in", "name=MANAGER&password=x", &[]).await;
    }
    let mut status = 0;
    for _ in 0..3 {
        let answer = test.post("/sign-in", "name=manager&password=x", &[]).await;
        status = answer.status.as_u16();
        if status == 429 {
            assert!(!answer.header("retry-after").is_empty());
        }
    }
    assert_eq!(status, 429);
    let right = format!("name=manager&password={}", PASSWORD.replace(' ', "+"));
    test.post("/sign-in", &right, &[]).await.expect(429);
    assert!(test.app.store().n_failed_sign_ins(NOW_S - 60).await.unwrap() >= 6);
}

#[tokio::test]
async fn guesses_sent_at_once_are_no_quicker() {
    let signed = Signed::new(TestApp::empty().await).await;
    let manager = [("cookie", signed.cookie(Asker::Manager).to_owned())];
    let test = Arc::new(signed.test);
    let statuses = async |address: &'static str, form: &'static str, headers: &[(&'static str, String)]| {
        let mut tries = JoinSet::new();
        for _ in 0..50 {
            let (test, headers) = (Arc::clone(&test), headers.to_vec());
            tries.spawn(async move {
                let headers: Vec<(&str, &str)> =
                    headers.iter().map(|(name, value)| (*name, value.as_str())).collect();
                test.post(address, form, &headers).await.status.as_u16()
            });
        }
        tries.join_all().await
    };
    let n = |statuses: &[u16], wanted: u16| statuses.iter().filter(|status| **status == wanted).count();
    let found = statuses("/sign-in", "name=administrator&password=x", &[]).await;
    assert_eq!((n(&found, 401), n(&found, 429)), (6, 44), "{found:?}");
    // An address that has failed that often waits for every name, and so does the form of one's own account.
    let found = statuses("/account/password", "present=x&password=x&again=x", &manager).await;
    assert_eq!(n(&found, 429), 50, "{found:?}");
}

#[tokio::test]
async fn what_no_account_has_is_refused_before_it_costs_anything() {
    let signed = Signed::new(TestApp::empty().await).await;
    let test = &signed.test;
    let wrong = test.post("/sign-in", "name=manager&password=x", &[]).await.expect(401);
    let (name, password) = ("n".repeat(100_000), "p".repeat(2000));
    for form in [format!("name={name}&password=x"), format!("name=manager&password={password}")] {
        // More often than anybody may guess: nothing is counted.
        for _ in 0..10 {
            let answer = test.post("/sign-in", &form, &[]).await.expect(401);
            answer.says("Name or password is wrong.");
            assert!(answer.body.len() < wrong.body.len() + 100, "{}", answer.body.len());
        }
    }
    assert_eq!(test.app.store().n_failed_sign_ins(NOW_S - 60).await.unwrap(), 1);
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    let form = format!("present={password}&password=x&again=x");
    test.post("/account/password", &form, &manager).await.expect(422).says("not the present");
}

#[tokio::test]
async fn an_invitation_makes_an_account_once() {
    let signed = Signed::new(TestApp::empty().await).await;
    let test = &signed.test;
    let administrator = [("cookie", signed.cookie(Asker::Administrator))];
    let page =
        test.post("/accounts/invite", "name=Birch&role=observer&exact=yes", &administrator).await.expect(200);
    let link = page.body.split("http://localhost:8017").nth(1).unwrap().split('<').next().unwrap().to_owned();
    assert!(link.starts_with("/invitation/"));
    test.get(&link).await.expect(200).says("Birch");
    test.post(&link, "password=short&again=short", &[]).await.expect(422).says("at least 15");
    let password = PASSWORD.replace(' ', "+");
    test.post(&link, &format!("password={password}&again=other"), &[]).await.expect(422).says("not the same");
    test.post(&link, &format!("password={password}&again={password}"), &[]).await.expect(303);
    test.get(&link).await.expect(404);
    let answer = test.post("/sign-in", &format!("name=birch&password={password}"), &[]).await.expect(303);
    let cookie = answer.header("set-cookie").split(';').next().unwrap().to_owned();
    test.ask(Method::GET, "/account", &[("cookie", &cookie)]).await.expect(200).says("see exact places");
}

#[tokio::test]
async fn a_changed_password_ends_other_sessions() {
    let signed = Signed::new(TestApp::empty().await).await;
    let test = &signed.test;
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    let page = test.post("/account/tokens", "label=map&scope=read&days=30", &manager).await.expect(200);
    let token = page.body.split("<code>").nth(1).unwrap().split('<').next().unwrap();
    let bearer = [("authorization", &*format!("Bearer {token}")), ("accept", "application/json")];
    test.ask(Method::GET, "/about", &bearer).await.expect(200);
    test.post("/account/password", "present=wrong&password=x&again=x", &manager)
        .await
        .expect(422)
        .says("not the present");
    let form = format!(
        "present={}&password=seven+tall+larches+there&again=seven+tall+larches+there",
        PASSWORD.replace(' ', "+")
    );
    let answer = test.post("/account/password", &form, &manager).await.expect(303);
    test.ask(Method::GET, "/account", &manager).await.expect(303);
    test.ask(Method::GET, "/about", &bearer).await.expect(401);
    let cookie = answer.header("set-cookie").split(';').next().unwrap().to_owned();
    test.ask(Method::GET, "/account", &[("cookie", &cookie)]).await.expect(200);
}

#[tokio::test]
async fn tokens_do_what_their_scope_says_and_no_more() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    let page = test.post("/account/tokens", "label=map&scope=read&days=30", &manager).await.expect(200);
    let token = page.body.split("<code>").nth(1).unwrap().split('<').next().unwrap().to_owned();
    let bearer = format!("Bearer {token}");
    let bearer = [("authorization", bearer.as_str()), ("accept", "application/json")];
    test.ask(Method::GET, "/layers/segments.geojson", &bearer).await.expect(200);
    test.ask(Method::GET, "/account", &bearer).await.expect(403);
    test.ask(Method::GET, "/data/import", &bearer).await.expect(403);
    test.post("/data/batches/1/undo", "", &bearer).await.expect(403);
    test.ask(Method::GET, "/account", &manager).await.expect(200).never_says(&token);
    test.post("/account/tokens/1/revoke", "", &manager).await.expect(303);
    test.ask(Method::GET, "/layers/segments.geojson", &bearer).await.expect(401);
    test.ask(Method::GET, "/about", &bearer).await.expect(401);
    test.post("/account/tokens", "label=&scope=read&days=30", &manager)
        .await
        .expect(422)
        .says("what it is for");
    test.post("/account/tokens", "label=a&scope=read&days=0", &manager).await.expect(422).says("1 to 366");
}

#[tokio::test]
async fn a_token_reads_no_more_than_its_account_may() {
    let signed = Signed::new(TestApp::park().await).await;
    let store = signed.test.app.store();
    let (account, _) = store.account_to_sign_in("Observer").await.unwrap().unwrap();
    let draft = ApiTokenDraft { label: "a".to_owned(), scope: Scope::Read, expires_at_s: NOW_S + 60 };
    store.add_api_token(&account, &coilway::app::hash_of("secret"), &draft, NOW_S).await.unwrap();
    assert!(!account.may(Right::SeeExact));
    signed
        .test
        .ask(Method::GET, "/layers/segments.geojson", &[("authorization", "Bearer secret")])
        .await
        .expect(403);
}

#[tokio::test]
async fn forms_from_other_sites_are_not_taken() {
    let signed = Signed::new(TestApp::park().await).await;
    let cookie = signed.cookie(Asker::Manager);
    for header in [
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-site", "same-site"),
        ("origin", "https://elsewhere.example"),
    ] {
        let answer = signed
            .test
            .post("/account/tokens", "label=a&scope=read&days=3", &[("cookie", cookie), header])
            .await;
        answer.expect(403).says("another site");
    }
    for header in [("sec-fetch-site", "same-origin"), ("origin", "http://localhost:8017")] {
        signed
            .test
            .post("/account/tokens", "label=a&scope=read&days=3", &[("cookie", cookie), header])
            .await
            .expect(200);
    }
}

#[tokio::test]
async fn without_accounts_only_this_machine_is_answered() {
    let test = TestApp::park().await;
    test.get("/encounters").await.expect(200);
    for header in [("host", "park.example"), ("x-forwarded-for", "192.0.2.1"), ("forwarded", "for=192.0.2.1")]
    {
        test.ask(Method::GET, "/encounters", &[header]).await.expect(403).never_says("<table");
    }
    test.get("/account").await.expect(200).says("There are no accounts");
}

#[tokio::test]
async fn with_an_address_of_its_own_the_server_answers_under_no_other() {
    let signed = Signed::new(TestApp::known_as("https://snakes.park.example").await).await;
    let cookie = ("cookie", signed.cookie(Asker::Administrator));
    let ask = async |host: &str| {
        let headers = [("host", host), cookie, ("accept", "text/html")];
        signed.test.ask(Method::GET, "/accounts", &headers).await
    };
    ask("snakes.park.example").await.expect(200);
    ask("localhost:8017").await.expect(200);
    for other in ["evil.example", "snakes.park.example.evil.example", "192.0.2.1"] {
        let refused = ask(other).await.expect(403);
        refused.says("This server answers as https://snakes.park.example");
        refused.never_says("Administrator");
    }
    // Links name that address, whatever host was asked.
    let fields = "name=Wren&role=observer";
    let headers = [("host", "localhost:8017"), cookie];
    let link = signed.test.post("/accounts/invite", fields, &headers).await.expect(200);
    link.says("https://snakes.park.example/invitation/");
}

#[tokio::test]
async fn somebody_without_exact_places_sees_own_rows_only() {
    let signed = Signed::new(TestApp::park().await).await;
    let observer = [("cookie", signed.cookie(Asker::Observer)), ("accept", "application/json")];
    let list = signed.test.ask(Method::GET, "/data/own", &[observer[0]]).await.expect(200);
    list.says("Nothing yet under this account");
    let target = signed.test.by_hand().await;
    let bring_in = async |who: &str| {
        let mut writer = signed.test.app.store().write(who, "brought in", NOW_S).await.unwrap();
        let draft = BatchDraft { area: target.area, content: Content::Encounters };
        let batch = writer.begin_batch(&draft).await.unwrap();
        writer.commit().await.unwrap();
        batch
    };
    let (foreign, own) = (bring_in("Somebody else").await, bring_in("Observer").await);
    let list = signed.test.ask(Method::GET, "/data/own", &[observer[0]]).await.expect(200);
    list.says(&format!("/data/batches/{own}"));
    assert_eq!(list.body.matches("/data/batches/").count(), 1, "{}", list.body);
    signed.test.ask(Method::GET, &format!("/data/batches/{own}"), &observer).await.expect(200);
    // One of somebody else and one that never was are answered alike, down to the words.
    let ask = async |page: String| signed.test.ask(Method::GET, &page, &observer).await.expect(404).body;
    let (there, nowhere) =
        (ask(format!("/data/batches/{foreign}")).await, ask("/data/batches/9999".to_owned()).await);
    assert_eq!(there.replace(&foreign.to_string(), "N"), nowhere.replace("9999", "N"));
    ask("/data/rows/1".to_owned()).await;
}

#[tokio::test]
async fn a_batch_is_taken_back_by_those_who_may() {
    let signed = Signed::new(TestApp::park().await).await;
    let csv = "effortKind,eventDate,decimalLatitude,decimalLongitude\nreport,2024-05-01,37.61,-109.38\n\
               report,2024-05-01,97.61,-109.38\n";
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"encounters"), ("file", Some("a.csv"), csv.as_bytes())];
    let of = |asker: Asker| [("cookie", signed.cookie(asker))];
    let answer = signed.test.send_files("/data/import", &parts, &of(Asker::Manager)).await.expect(303);
    let batch = answer.header("location").to_owned();
    signed.test.ask(Method::GET, &batch, &of(Asker::Manager)).await.expect(200).says("Undo this batch");
    let page = signed.test.ask(Method::GET, &batch, &of(Asker::ObserverWithExact)).await.expect(200);
    page.says("a.csv");
    page.never_says("Undo this batch");
    let undo = format!("{batch}/undo");
    signed.test.post(&undo, "", &of(Asker::ObserverWithExact)).await.expect(403);
    // Nor does whoever may not see the rows of others learn which are there.
    signed.test.ask(Method::GET, "/data/rows/1", &of(Asker::Manager)).await.expect(200);
    signed.test.ask(Method::GET, "/data/rows/1", &of(Asker::Observer)).await.expect(404);
}

#[tokio::test]
async fn a_changed_role_counts_at_once() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let observer = [("cookie", signed.cookie(Asker::Observer))];
    test.ask(Method::GET, "/encounters", &observer).await.expect(403);
    let (account, _) = test.app.store().account_to_sign_in("Observer").await.unwrap().unwrap();
    let administrator = [("cookie", signed.cookie(Asker::Administrator))];
    let address = format!("/accounts/{}", account.id);
    test.post(&address, "role=observer&exact=yes", &administrator).await.expect(303);
    test.ask(Method::GET, "/encounters", &observer).await.expect(200);
    test.post(&address, "role=observer&disabled=yes", &administrator).await.expect(303);
    test.ask(Method::GET, "/encounters", &observer).await.expect(303);
    let (own, _) = test.app.store().account_to_sign_in("Administrator").await.unwrap().unwrap();
    let refused = test.post(&format!("/accounts/{}", own.id), "role=manager", &administrator).await;
    refused.expect(422).says("One administrator");
}

#[tokio::test]
async fn what_somebody_signs_in_for_is_kept_under_the_account_whatever_the_form_says() {
    let signed = Signed::new(TestApp::park().await).await;
    let test = &signed.test;
    let manager = [("cookie", signed.cookie(Asker::Manager))];
    let forms = [
        ("/data/settings", "call-level=0.9&was:call-level=0.8&reason=a count&who=Somebody else"),
        ("/data/settings/area", "area-name=Ledge&reason=renamed&who=Somebody else"),
        (
            "/notices",
            "trail=Ledge Walk&wording=take-care&start=2024-07-01&expiry=2024-07-09&reason=many&name=Somebody else",
        ),
        (
            "/effect/signs",
            "name=S1&latitude=34.0&longitude=-111.0&kind=trail sign&day=2024-06-01&by=Somebody else",
        ),
    ];
    for (address, form) in forms {
        let before = test.app.store().revision().await.unwrap();
        let answer = test.post(address, &form.replace(' ', "+"), &manager).await;
        assert!(answer.status.is_redirection(), "{address}: {}", answer.body);
        let entries = test.app.store().snapshot().await.unwrap().revisions(50).await.unwrap();
        let newer: Vec<_> = entries.iter().filter(|entry| entry.revision > before).collect();
        assert!(!newer.is_empty(), "{address} changed nothing");
        assert!(newer.iter().all(|entry| entry.actor == "Manager"), "{address}: {newer:?}");
    }
    for page in ["/data/settings", "/decisions", "/watch", "/effect"] {
        let page = test.ask(Method::GET, page, &manager).await.expect(200);
        page.never_says(">Your name");
    }
}
