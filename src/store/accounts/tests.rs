use super::*;
use crate::domain::account::Right;
use crate::domain::account::Scope;
use crate::domain::ids::ApiTokenId;
use crate::store::testing::NOW_S;
use crate::store::testing::TestStore;
use crate::store::testing::params;

const DAY_S: i64 = 86_400;

fn draft(name: &str, role: Role) -> AccountDraft {
    AccountDraft {
        name: name.to_owned(),
        role,
        grants: Grants::default(),
        password_hash: "$argon2id$stored".to_owned(),
        created_by: "command line".to_owned(),
    }
}

async fn account(store: &Store, name: &str, role: Role) -> Account {
    assert_eq!(store.add_account(&draft(name, role), NOW_S).await.unwrap(), AccountChange::Made);
    store.account_to_sign_in(name).await.unwrap().unwrap().0
}

#[tokio::test]
async fn a_name_belongs_to_one_account_whatever_its_capitals() {
    let test = TestStore::new().await;
    assert!(!test.store.has_accounts().await.unwrap());
    let revision = test.store.revision().await.unwrap();
    account(&test.store, "Rowan", Role::Manager).await;
    assert!(test.store.has_accounts().await.unwrap());
    let again = test.store.add_account(&draft("ROWAN", Role::Observer), NOW_S).await.unwrap();
    assert_eq!(again, AccountChange::NameTaken);
    assert_eq!(test.store.accounts().await.unwrap().len(), 1);
    // Accounts are not data: no layer is computed again for them.
    assert_eq!(test.store.revision().await.unwrap(), revision);
}

#[tokio::test]
async fn sessions_end_when_idle_when_old_and_when_told() {
    let test = TestStore::new().await;
    let store = &test.store;
    let rowan = account(store, "Rowan", Role::Manager).await;
    let limits = SessionLimits { idle_s: 100, absolute_s: 1000 };
    store.begin_session(&rowan, "a", None, NOW_S).await.unwrap();
    let at =
        async |token: &str, now_s: i64| store.session_account(token, limits, now_s).await.unwrap().is_some();
    assert!(at("a", NOW_S + 99).await && !at("a", NOW_S + 100).await && !at("b", NOW_S).await);
    // A clock that stepped back does not end it.
    assert!(at("a", NOW_S - 5).await);
    let long = SessionLimits { idle_s: 10_000, absolute_s: 1000 };
    assert!(store.session_account("a", long, NOW_S + 999).await.unwrap().is_some());
    assert!(store.session_account("a", long, NOW_S + 1000).await.unwrap().is_none());
    store.begin_session(&rowan, "b", Some("a"), NOW_S + 1).await.unwrap();
    assert!(!at("a", NOW_S + 2).await && at("b", NOW_S + 2).await);
    store.begin_session(&rowan, "c", None, NOW_S + 1).await.unwrap();
    store.end_session("b").await.unwrap();
    assert!(!at("b", NOW_S + 2).await && at("c", NOW_S + 2).await);
    store.end_all_sessions(&rowan, NOW_S + 3).await.unwrap();
    assert!(!at("c", NOW_S + 4).await);
}

#[tokio::test]
async fn use_keeps_a_session_alive() {
    let test = TestStore::new().await;
    let rowan = account(&test.store, "Rowan", Role::Observer).await;
    test.store.begin_session(&rowan, "a", None, NOW_S).await.unwrap();
    let limits = SessionLimits { idle_s: 1000, absolute_s: 100_000 };
    for step in 1..10 {
        assert!(test.store.session_account("a", limits, NOW_S + step * 900).await.unwrap().is_some());
    }
}

#[tokio::test]
async fn a_new_password_and_disabling_end_sessions_and_tokens() {
    let test = TestStore::new().await;
    let store = &test.store;
    account(store, "Ash", Role::Administrator).await;
    let rowan = account(store, "Rowan", Role::Manager).await;
    let limits = SessionLimits::default();
    let token =
        ApiTokenDraft { label: "map client".to_owned(), scope: Scope::Read, expires_at_s: NOW_S + DAY_S };
    store.begin_session(&rowan, "a", None, NOW_S).await.unwrap();
    store.add_api_token(&rowan, "early", &token, NOW_S).await.unwrap();
    assert!(store.api_token_account("early", NOW_S).await.unwrap().is_some());
    store.set_password(rowan.id, "$argon2id$new", NOW_S).await.unwrap();
    assert!(store.session_account("a", limits, NOW_S).await.unwrap().is_none());
    assert!(store.api_token_account("early", NOW_S).await.unwrap().is_none());
    assert_eq!(store.account_to_sign_in("rowan").await.unwrap().unwrap().1, "$argon2id$new");

    store.begin_session(&rowan, "b", None, NOW_S).await.unwrap();
    store.add_api_token(&rowan, "t", &token, NOW_S).await.unwrap();
    assert!(store.api_token_account("t", NOW_S).await.unwrap().is_some());
    let change = store.disable_account(rowan.id, Some(NOW_S), "Ash", NOW_S).await.unwrap();
    assert_eq!(change, AccountChange::Made);
    assert!(store.session_account("b", limits, NOW_S).await.unwrap().is_none());
    assert!(store.api_token_account("t", NOW_S).await.unwrap().is_none());
    // Enabled again, the old token stays revoked.
    store.disable_account(rowan.id, None, "Ash", NOW_S).await.unwrap();
    assert!(store.api_token_account("t", NOW_S).await.unwrap().is_none());
}

#[tokio::test]
async fn the_last_administrator_stays() {
    let test = TestStore::new().await;
    let store = &test.store;
    let ash = account(store, "Ash", Role::Administrator).await;
    let lowered =
        store.change_account(ash.id, (Role::Manager, Grants::default()), "Ash", NOW_S).await.unwrap();
    assert_eq!(lowered, AccountChange::LastAdministrator);
    let disabled = store.disable_account(ash.id, Some(NOW_S), "Ash", NOW_S).await.unwrap();
    assert_eq!(disabled, AccountChange::LastAdministrator);
    assert!(store.account_to_sign_in("Ash").await.unwrap().unwrap().0.may(Right::Administer));
    account(store, "Birch", Role::Administrator).await;
    let lowered =
        store.change_account(ash.id, (Role::Manager, Grants::default()), "Birch", NOW_S).await.unwrap();
    assert_eq!(lowered, AccountChange::Made);
    let missing =
        store.change_account(AccountId(99), (Role::Manager, Grants::default()), "Birch", NOW_S).await;
    assert!(matches!(missing, Err(Error::Missing { .. })));
}

#[tokio::test]
async fn an_invitation_works_once_and_not_for_ever() {
    let test = TestStore::new().await;
    let store = &test.store;
    let invitation = Invitation {
        account_id: None,
        name: "Rowan".to_owned(),
        role: Role::Observer,
        grants: Grants { sees_exact: true, sees_health: false },
        created_by: "Ash".to_owned(),
        expires_at_s: NOW_S + DAY_S,
    };
    for token in ["replaced", "first"] {
        store.invite(token, &invitation, NOW_S).await.unwrap();
    }
    assert_eq!(store.take_invitation("replaced", "$h", NOW_S + 1).await.unwrap(), Invited::NoInvitation);
    assert_eq!(store.take_invitation("first", "$h", NOW_S + 1).await.unwrap(), Invited::Taken);
    assert_eq!(store.take_invitation("first", "$h", NOW_S + 2).await.unwrap(), Invited::NoInvitation);
    store.invite("late", &invitation, NOW_S).await.unwrap();
    assert_eq!(store.take_invitation("late", "$h", NOW_S + DAY_S).await.unwrap(), Invited::NoInvitation);
    assert_eq!(store.take_invitation("late", "$h", NOW_S + 3).await.unwrap(), Invited::NameTaken);
    let (rowan, _) = store.account_to_sign_in("Rowan").await.unwrap().unwrap();
    assert!(rowan.may(Right::SeeExact) && !rowan.may(Right::Manage));

    let new_password = Invitation { account_id: Some(rowan.id), ..invitation };
    store.begin_session(&rowan, "s", None, NOW_S).await.unwrap();
    store.invite("again", &new_password, NOW_S).await.unwrap();
    assert_eq!(store.take_invitation("again", "$new", NOW_S + 4).await.unwrap(), Invited::Taken);
    assert_eq!(store.account_to_sign_in("Rowan").await.unwrap().unwrap().1, "$new");
    assert!(store.session_account("s", SessionLimits::default(), NOW_S + 5).await.unwrap().is_none());
}

/// Whoever has an old link must not undo what was done since: not a new password, not a new link, not being shut out.
#[tokio::test]
async fn links_end_with_what_they_were_for_and_with_who_made_them() {
    let test = TestStore::new().await;
    let store = &test.store;
    let ash = account(store, "Ash", Role::Administrator).await;
    let birch = account(store, "Birch", Role::Administrator).await;
    let rowan = account(store, "Rowan", Role::Observer).await;
    let for_rowan = Invitation {
        account_id: Some(rowan.id),
        name: "Rowan".to_owned(),
        role: Role::Observer,
        grants: Grants::default(),
        created_by: "Ash".to_owned(),
        expires_at_s: NOW_S + DAY_S,
    };
    let works = async |token: &str| store.invitation(token, NOW_S + 1).await.unwrap().is_some();

    store.invite("one", &for_rowan, NOW_S).await.unwrap();
    store.invite("two", &for_rowan, NOW_S).await.unwrap();
    assert!(!works("one").await && works("two").await);
    store.set_password(rowan.id, "$chosen", NOW_S).await.unwrap();
    assert_eq!(store.take_invitation("two", "$thief", NOW_S + 1).await.unwrap(), Invited::NoInvitation);
    store.invite("three", &for_rowan, NOW_S).await.unwrap();
    store.disable_account(rowan.id, Some(NOW_S), "Ash", NOW_S).await.unwrap();
    store.disable_account(rowan.id, None, "Ash", NOW_S).await.unwrap();
    assert!(!works("three").await);

    // An administrator who is shut out, or is none any more, has no way back in a drawer.
    let of_birch = Invitation {
        account_id: None,
        name: "Somebody".to_owned(),
        role: Role::Administrator,
        created_by: "Birch".to_owned(),
        ..for_rowan.clone()
    };
    store.invite("of birch", &of_birch, NOW_S).await.unwrap();
    store.invite("of ash", &Invitation { name: "Cedar".to_owned(), ..for_rowan }, NOW_S).await.unwrap();
    store.change_account(birch.id, (Role::Administrator, Grants::default()), "Ash", NOW_S).await.unwrap();
    assert!(works("of birch").await);
    store.change_account(birch.id, (Role::Manager, Grants::default()), "Ash", NOW_S).await.unwrap();
    assert_eq!(store.take_invitation("of birch", "$h", NOW_S + 1).await.unwrap(), Invited::NoInvitation);
    store.change_account(birch.id, (Role::Administrator, Grants::default()), "Ash", NOW_S).await.unwrap();
    store.invite("again", &of_birch, NOW_S).await.unwrap();
    store.disable_account(birch.id, Some(NOW_S), "Ash", NOW_S).await.unwrap();
    assert!(!works("again").await && works("of ash").await);
    assert!(ash.may(Right::Administer));
}

/// A long import holds the writer: rights that were taken or given, and an account that may be used again, do not wait for it.
#[tokio::test(flavor = "multi_thread")]
async fn rights_hold_while_another_write_takes_long() {
    let test = TestStore::new().await;
    let store = &test.store;
    account(store, "Ash", Role::Administrator).await;
    let rowan = account(store, "Rowan", Role::Manager).await;
    let limits = SessionLimits::default();
    store.begin_session(&rowan, "s", None, NOW_S).await.unwrap();
    let token = ApiTokenDraft { label: "map".to_owned(), scope: Scope::Read, expires_at_s: NOW_S + DAY_S };
    store.add_api_token(&rowan, "t", &token, NOW_S).await.unwrap();
    let import = store.write("tester", "a long import", NOW_S).await.unwrap();

    let sees = async || {
        let session = store.session_account("s", limits, NOW_S).await.unwrap();
        let script = store.api_token_account("t", NOW_S).await.unwrap().map(|(account, _)| account);
        [session, script].map(|account| account.map(|account| account.may(Right::SeeExact)))
    };
    assert_eq!(sees().await, [Some(true); 2]);
    let lowered = (Role::Observer, Grants::default());
    let watching = async {
        while sees().await != [Some(false); 2] {
            tokio::task::yield_now().await;
        }
        drop(import);
    };
    let (change, ()) = tokio::join!(store.change_account(rowan.id, lowered, "Ash", NOW_S), watching);
    assert_eq!(change.unwrap(), AccountChange::Made);
    assert_eq!(sees().await, [Some(false); 2]);

    store.disable_account(rowan.id, Some(NOW_S), "Ash", NOW_S).await.unwrap();
    let import = store.write("tester", "another", NOW_S).await.unwrap();
    let is_disabled =
        async || store.account_to_sign_in("Rowan").await.unwrap().unwrap().0.disabled_at_s.is_some();
    assert!(is_disabled().await);
    let watching = async {
        while is_disabled().await {
            tokio::task::yield_now().await;
        }
        // Signed in before that is written, all of it holds.
        store.begin_session(&rowan, "new", None, NOW_S).await.unwrap();
        assert!(store.session_account("new", limits, NOW_S).await.unwrap().is_some());
        drop(import);
    };
    let (change, ()) = tokio::join!(store.disable_account(rowan.id, None, "Ash", NOW_S), watching);
    assert_eq!(change.unwrap(), AccountChange::Made);
    store.close().await;
    let again = Store::open(&test.path(), &params()).await.unwrap();
    assert!(again.session_account("new", limits, NOW_S).await.unwrap().is_some());
    assert!(again.session_account("s", limits, NOW_S).await.unwrap().is_none());
}

#[tokio::test]
async fn tokens_end_and_belong_to_their_account() {
    let test = TestStore::new().await;
    let store = &test.store;
    let rowan = account(store, "Rowan", Role::Manager).await;
    let other = account(store, "Ash", Role::Manager).await;
    let token =
        ApiTokenDraft { label: "script".to_owned(), scope: Scope::BringIn, expires_at_s: NOW_S + DAY_S };
    store.add_api_token(&rowan, "t", &token, NOW_S).await.unwrap();
    assert_eq!(
        store.api_token_account("t", NOW_S).await.unwrap().map(|(_, scope)| scope),
        Some(Scope::BringIn)
    );
    assert!(store.api_token_account("t", NOW_S + DAY_S).await.unwrap().is_none());
    let id = store.api_tokens(rowan.id).await.unwrap()[0].id;
    assert!(matches!(store.revoke_api_token(&other, id, NOW_S).await, Err(Error::Missing { .. })));
    assert!(matches!(
        store.revoke_api_token(&rowan, ApiTokenId(99), NOW_S).await,
        Err(Error::Missing { .. })
    ));
    store.revoke_api_token(&rowan, id, NOW_S).await.unwrap();
    assert!(store.api_token_account("t", NOW_S).await.unwrap().is_none());
}

#[tokio::test]
async fn failures_are_recorded_and_forgotten_after_a_year() {
    let test = TestStore::new().await;
    let store = &test.store;
    store.record_account_event(NOW_S, "sign-in failed", &"x".repeat(500), "").await.unwrap();
    assert_eq!(store.account_events(5).await.unwrap()[0].account_name.len(), 80);
    assert_eq!(store.n_failed_sign_ins(NOW_S - 60).await.unwrap(), 1);
    store.record_account_event(NOW_S + 400 * DAY_S, "sign-in failed", "Rowan", "").await.unwrap();
    assert_eq!(store.account_events(5).await.unwrap().len(), 1);
}

#[tokio::test]
async fn what_waits_for_a_long_write_holds_in_its_order_and_is_written_in_it() {
    let test = TestStore::new().await;
    let store = &test.store;
    account(store, "Ash", Role::Administrator).await;
    let rowan = account(store, "Rowan", Role::Manager).await;
    let limits = SessionLimits::default();
    let token = ApiTokenDraft { label: "map".to_owned(), scope: Scope::Read, expires_at_s: NOW_S + DAY_S };
    store.add_api_token(&rowan, "t", &token, NOW_S).await.unwrap();
    store.begin_session(&rowan, "before", None, NOW_S).await.unwrap();
    let long = store.write("tester", "a long import", NOW_S).await.unwrap();
    let is_in = async |token: &str| store.session_account(token, limits, NOW_S).await.unwrap().is_some();

    store.begin_session(&rowan, "first", None, NOW_S).await.unwrap();
    assert!(is_in("first").await && is_in("before").await);
    store.begin_session(&rowan, "second", Some("first"), NOW_S).await.unwrap();
    assert!(!is_in("first").await && is_in("second").await);
    let out = store.put_in_force(Change::EndAllSessions { account: rowan.clone(), at_s: NOW_S });
    out.await.unwrap();
    assert!(!is_in("before").await && !is_in("second").await);
    store.begin_session(&rowan, "third", None, NOW_S).await.unwrap();
    assert!(is_in("third").await && store.api_token_account("t", NOW_S).await.unwrap().is_some());
    let (id, password_hash) = (rowan.id, "$argon2id$new".to_owned());
    store.put_in_force(Change::SetPassword { id, password_hash, at_s: NOW_S }).await.unwrap();
    assert!(!is_in("third").await && store.api_token_account("t", NOW_S).await.unwrap().is_none());
    assert_eq!(store.account_to_sign_in("Rowan").await.unwrap().unwrap().1, "$argon2id$new");
    store.begin_session(&rowan, "fourth", None, NOW_S).await.unwrap();
    store.record_failed_sign_in(NOW_S, "Nobody").await.unwrap();
    assert_eq!(store.n_failed_sign_ins(NOW_S).await.unwrap(), 0);
    // What does not hold before it is written waits for what does.
    let drafted = draft("Birch", Role::Observer);
    let (added, ()) = tokio::join!(store.add_account(&drafted, NOW_S), async { drop(long) });
    assert_eq!(added.unwrap(), AccountChange::Made);
    assert!(
        store.pending().applied_to(rowan.clone()).disabled_at_s.is_none() && store.catch_up().await.unwrap()
    );

    // Another program that opens the file sees what this one does.
    let other = Store::open(&test.path(), &params()).await.unwrap();
    for (token, expected) in
        [("before", false), ("first", false), ("second", false), ("third", false), ("fourth", true)]
    {
        let found = other.session_account(token, limits, NOW_S).await.unwrap();
        assert_eq!((is_in(token).await, found.is_some()), (expected, expected), "{token}");
    }
    assert!(other.api_token_account("t", NOW_S).await.unwrap().is_none());
    assert_eq!(other.account_to_sign_in("Rowan").await.unwrap().unwrap().1, "$argon2id$new");
    assert_eq!(other.n_failed_sign_ins(NOW_S - 60).await.unwrap(), 1);
    other.close().await;
}

#[tokio::test]
async fn there_is_room_for_so_many_guesses_and_for_shutting_out_all_the_same() {
    let test = TestStore::new().await;
    let pending = Pending::default();
    let failed = Change::FailedSignIn { name: "x".to_owned(), at_s: NOW_S };
    assert!(failed.has_room(999) && !failed.has_room(1000));
    assert!(Change::EndSession { token_hash: String::new() }.has_room(1000));
    assert_eq!(format!("{pending:?}"), "Pending");
    // Closing writes what is in force.
    let rowan = account(&test.store, "Rowan", Role::Manager).await;
    let long = test.store.write("tester", "a long import", NOW_S).await.unwrap();
    test.store.begin_session(&rowan, "a", None, NOW_S).await.unwrap();
    drop(long);
    test.store.close().await;
    let other = Store::open(&test.path(), &params()).await.unwrap();
    assert!(other.session_account("a", SessionLimits::default(), NOW_S).await.unwrap().is_some());
    other.close().await;
}
