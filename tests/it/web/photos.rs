//! Photos of encounters: added, shown to those who may see exact places and to nobody else, taken out, brought in in bulk.

use std::io::Read;
use std::sync::Arc;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::http::Method;

use coilway::app::PhotoFile;
use coilway::app::Token;
use coilway::domain::account::Grants;
use coilway::domain::account::Right;
use coilway::domain::account::Role;
use coilway::domain::ids::BatchId;
use coilway::domain::ids::EncounterId;
use coilway::domain::ids::PhotoId;
use coilway::domain::ids::RowErrorId;
use coilway::domain::photo::Photo;
use coilway::store::AccountDraft;
use coilway::store::Encounter;
use coilway::store::PictureSize;

use crate::support::Answer;
use crate::support::NOW_S;
use crate::support::TestApp;
use crate::support::photo::ExifBuilder;
use crate::support::photo::PLANTED;
use crate::support::photo::camera_jpeg;
use crate::support::photo::on_the_trail;
use crate::support::photo::plain_jpeg;
use crate::support::photo::with_exif;

const UPLOAD: &str = "/encounters/1/photos";

async fn photos(test: &TestApp, encounter: i64) -> Vec<Photo> {
    test.app.store().snapshot().await.unwrap().photos(EncounterId(encounter)).await.unwrap()
}

/// What the check finds about photos.
async fn findings(test: &TestApp) -> Vec<String> {
    let found = test.app.store().check().await.unwrap().findings;
    found.into_iter().filter(|line| line.contains("photos") || line.contains("pictures")).collect()
}

async fn add(test: &TestApp, names: &[(&str, &[u8])]) -> Answer {
    let mut parts: Vec<(&str, Option<&str>, &[u8])> = vec![("who", None, b"A. Warden")];
    parts.extend(names.iter().map(|(name, bytes)| ("photo", Some(*name), *bytes)));
    test.send_files(UPLOAD, &parts, &[]).await
}

#[tokio::test]
async fn photos_are_added_shown_and_served() {
    let test = TestApp::park().await;
    test.get("/encounters/1").await.expect(200).says("There are no photos of this encounter.");
    let (first, second) = (camera_jpeg(&on_the_trail()), plain_jpeg(640, 480, 7));
    let answer =
        add(&test, &[("Anna Smith bitten.jpg", &first), ("IMG_0002.jpg", &second)]).await.expect(303);
    assert_eq!(answer.header("location"), "/encounters/1#photos");
    let stored = photos(&test, 1).await;
    assert_eq!(stored.len(), 2);
    assert_eq!((stored[0].record.added_by.as_str(), stored[0].record.added_at_s), ("A. Warden", NOW_S));

    let page = test.get("/encounters/1").await.expect(200);
    for words in [
        "src=\"/photos/1/thumbnail\" width=\"64\" height=\"48\" alt=\"Photo 1 of 2 of encounter R-0, Crotalus viridis, ",
        "href=\"/photos/2\"",
        "added by A. Warden",
        "photo 2 added (photos of encounter 1)",
    ] {
        page.says(words);
    }
    page.never_says("Anna");
    test.get("/encounters?after=10").await.expect(200).says("<a href=\"/encounters/1#photos\">2</a>");
    test.get("/data").await.expect(200).says("Photos of encounters");
    test.get("/history").await.expect(200).says("photo 1");

    let (status, headers, bytes) = test.file("/photos/1", &[]).await;
    assert_eq!(
        (status, blake3::hash(&bytes).to_hex().as_str()),
        (200, stored[0].record.whole.blake3.as_str())
    );
    for words in PLANTED {
        assert!(!bytes.windows(words.len()).any(|window| window == words.as_bytes()), "{words}");
    }
    let header = |name: &str| headers.get(name).unwrap().to_str().unwrap();
    assert_eq!(header("content-type"), "image/jpeg");
    assert_eq!(header("x-content-type-options"), "nosniff");
    assert_eq!(header("content-disposition"), "inline; filename=\"encounter-1-photo-1.jpg\"");
    assert_eq!(header("content-security-policy"), "default-src 'none'; sandbox");
    assert_eq!(header("cache-control"), "private, no-cache");
    assert_eq!(header("cross-origin-resource-policy"), "same-origin");
    let tag = header("etag");
    assert_eq!(tag, format!("\"{}\"", stored[0].record.whole.blake3));
    let (status, again, bytes) = test.file("/photos/1", &[("if-none-match", tag)]).await;
    assert_eq!((status, bytes.len()), (304, 0));
    assert_eq!(again.get("cache-control").unwrap(), "private, no-cache");
    let (status, _, small) = test.file("/photos/2/thumbnail", &[]).await;
    assert_eq!(
        (status, blake3::hash(&small).to_hex().as_str()),
        (200, stored[1].record.thumbnail.blake3.as_str())
    );
    assert_eq!((stored[1].record.thumbnail.width_px, stored[1].record.thumbnail.height_px), (320, 240));
    assert_eq!(test.file("/photos/3", &[]).await.0, 404);
    assert_eq!(test.file("/photos/..%2f1", &[]).await.0, 404);
}

#[tokio::test]
async fn the_same_photo_is_known_again_however_it_is_dressed() {
    let test = TestApp::park().await;
    let plain = plain_jpeg(64, 48, 90);
    add(&test, &[("a.jpg", &plain), ("b.jpg", &plain)]).await.expect(303);
    let revision = test.app.store().revision().await.unwrap();
    // The same pixels with other metadata are the same picture.
    add(&test, &[("c.jpg", &plain), ("d.jpg", &camera_jpeg(&on_the_trail()))]).await.expect(303);
    assert_eq!(photos(&test, 1).await.len(), 1);
    assert_eq!(test.app.store().revision().await.unwrap(), revision);
    // Of another encounter it is another photo, of which the bytes are kept once.
    let parts: [(&str, Option<&str>, &[u8]); 2] = [("who", None, b"A"), ("photo", Some("a.jpg"), &plain)];
    test.send_files("/encounters/2/photos", &parts, &[]).await.expect(303);
    assert_eq!(photos(&test, 2).await.len(), 1);
    assert_eq!(findings(&test).await, [] as [String; 0]);
}

#[tokio::test]
async fn what_is_refused_does_not_stop_the_others() {
    let test = TestApp::park().await;
    let good = plain_jpeg(64, 48, 3);
    let page =
        add(&test, &[("notes.jpg", b"<html>no photo"), ("good.jpg", &good), ("cut.jpg", &good[..200])]).await;
    let page = page.expect(422);
    for words in [
        "<q>notes.jpg</q>: the file is no JPEG, PNG or WebP, but something else; export the photo as JPEG.",
        "<q>cut.jpg</q>: the file breaks off before the end of the picture",
        "The other photo went in.",
    ] {
        page.says(words);
    }
    assert_eq!(photos(&test, 1).await.len(), 1);
    add(&test, &[]).await.expect(422).says("Choose at least one photo.");
    test.send_files(UPLOAD, &[("photo", Some("a.jpg"), &good[..])], &[])
        .await
        .expect(422)
        .says("Give your name");
    test.send_files(UPLOAD, &[("who", None, b"A"), ("photo", Some(""), b"")], &[]).await.expect(422);
    test.send_files("/encounters/9999/photos", &[("who", None, b"A")], &[]).await.expect(404);
    test.send_files("/encounters/x/photos", &[("who", None, b"A")], &[]).await.expect(404);
    let elsewhere = [("origin", "https://elsewhere.example")];
    let parts: [(&str, Option<&str>, &[u8]); 2] = [("who", None, b"A"), ("photo", Some("a.jpg"), &good)];
    test.send_files(UPLOAD, &parts, &elsewhere).await.expect(403);
    assert_eq!(photos(&test, 1).await.len(), 1);
}

fn seen(page: &Answer) -> String {
    page.body.split("name=\"seen\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()
}

#[tokio::test]
async fn a_photo_is_withdrawn_with_a_reason_and_can_come_back() {
    let test = TestApp::park().await;
    add(&test, &[("a.jpg", &plain_jpeg(64, 48, 3))]).await.expect(303);
    let page = test.get("/history/photo/1").await.expect(200);
    page.says("/encounters/1#photos");
    let mark = seen(&page);
    let no_reason = [("seen", mark.as_str()), ("who", "B. Warden")];
    test.post_fields("/history/photo/1/withdraw", &no_reason).await.expect(422);
    let fields = [("seen", mark.as_str()), ("who", "B. Warden"), ("reason", "a face is to be seen")];
    test.post_fields("/history/photo/1/withdraw", &fields).await.expect(303);
    for address in ["/photos/1", "/photos/1/thumbnail"] {
        assert_eq!(test.file(address, &[]).await.0, 404);
    }
    let page = test.get("/encounters/1").await.expect(200);
    page.says("photo 1 taken out (a face is to be seen)");
    page.never_says("/photos/1");
    test.get("/encounters?after=10").await.expect(200).never_says("#photos\">1");
    let page = test.get("/history/photo/1").await.expect(200);
    page.says("taken out");
    page.says("B. Warden");
    test.get("/history/encounter/1").await.expect(200).says("a face is to be seen");
    assert_eq!(findings(&test).await, [] as [String; 0]);

    let mark = seen(&page);
    let to = page.body.split("name=\"to\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let fields = [("to", to.as_str()), ("seen", &mark), ("who", "B. Warden"), ("reason", "it is a stone")];
    test.post_fields("/history/photo/1/put-back", &fields).await.expect(303);
    assert_eq!(test.file("/photos/1", &[]).await.0, 200);
    test.get("/encounters/1").await.expect(200).says("photo 1 brought back (it is a stone)");
}

#[tokio::test]
async fn a_photo_that_was_added_again_meanwhile_is_not_brought_back() {
    let test = TestApp::park().await;
    let bytes = plain_jpeg(64, 48, 3);
    add(&test, &[("a.jpg", &bytes)]).await.expect(303);
    let mark = seen(&test.get("/history/photo/1").await);
    let fields = [("seen", mark.as_str()), ("who", "B"), ("reason", "r")];
    test.post_fields("/history/photo/1/withdraw", &fields).await.expect(303);
    add(&test, &[("a.jpg", &bytes)]).await.expect(303);
    assert_eq!(photos(&test, 1).await[0].id, PhotoId(2));
    let page = test.get("/history/photo/1").await;
    let (mark, to) =
        (seen(&page), page.body.split("name=\"to\" value=\"").nth(1).unwrap().split('"').next().unwrap());
    let fields = [("to", to), ("seen", &mark), ("who", "B"), ("reason", "r")];
    test.post_fields("/history/photo/1/put-back", &fields).await.expect(422).says("the same picture");
}

async fn account(test: &TestApp, name: &str, role: Role, sees_exact: bool) -> String {
    let draft = AccountDraft {
        name: name.to_owned(),
        role,
        grants: Grants { sees_exact, sees_health: false },
        password_hash: String::new(),
        created_by: "tester".to_owned(),
    };
    test.app.store().add_account(&draft, NOW_S).await.unwrap();
    let (account, _) = test.app.store().account_to_sign_in(name).await.unwrap().unwrap();
    let token = Token::new().unwrap();
    test.app.store().begin_session(&account, &token.hash(), None, NOW_S).await.unwrap();
    format!("coilway={}", token.text())
}

#[tokio::test]
async fn only_those_who_may_see_exact_places_see_photos() {
    let test = TestApp::park().await;
    let bytes = plain_jpeg(64, 48, 3);
    add(&test, &[("a.jpg", &bytes)]).await.expect(303);
    let observer = account(&test, "Birch", Role::Observer, false).await;
    let exact = account(&test, "Cedar", Role::Observer, true).await;
    let manager = account(&test, "Dogwood", Role::Manager, false).await;
    for address in ["/photos/1", "/photos/1/thumbnail", "/history/photo/1", "/encounters/1"] {
        let status = async |cookie: &str| {
            test.file(address, &[("cookie", cookie), ("accept", "application/json")]).await.0
        };
        assert_eq!(status("").await, 401, "{address}");
        assert_eq!(status(&observer).await, 403, "{address}");
        assert_eq!(status(&exact).await, 200, "{address}");
        assert_eq!(status(&manager).await, 200, "{address}");
    }
    let other = plain_jpeg(64, 48, 200);
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("who", None, b"Somebody Else"), ("photo", Some("a.jpg"), &other)];
    for (cookie, status) in [(&observer, 403), (&exact, 303)] {
        test.send_files(UPLOAD, &parts, &[("cookie", cookie), ("accept", "application/json")])
            .await
            .expect(status);
    }
    // Who signed in is who did it, whatever was typed in.
    assert_eq!(photos(&test, 1).await[1].record.added_by, "Cedar");
    let form = "seen=x&reason=r";
    for (cookie, status) in [(&exact, 403), (&manager, 409)] {
        let headers = [("cookie", cookie.as_str()), ("accept", "application/json")];
        test.post("/history/photo/1/withdraw", form, &headers).await.expect(status);
    }
    let page = test.ask(Method::GET, "/encounters/1", &[("cookie", &exact)]).await.expect(200);
    page.says("Kept under the name you signed in with.");
    page.never_says("take it out");
    test.ask(Method::GET, "/encounters/1", &[("cookie", &manager)]).await.expect(200).says("take it out");
}

#[tokio::test]
async fn nothing_public_tells_of_a_photo() {
    let test = TestApp::park().await;
    let manager = account(&test, "Dogwood", Role::Manager, false).await;
    let signed = [("cookie", manager.as_str())];
    let mut public = Vec::new();
    for route in coilway::web::routes() {
        if route.method == Method::GET && route.right == Right::SeePublic && !route.path.contains('{') {
            public.push((route.path, test.get(route.path).await.expect(200).body));
        }
    }
    assert!(public.len() >= 4);
    let layers = ["stretches", "segments", "encounters", "density", "trails", "clusters", "signs"];
    let layers = layers.map(|name| format!("/layers/{name}.geojson"));
    let exports = ["/decisions.csv", "/decisions.json", "/study"].map(str::to_owned);

    let parts: [(&str, Option<&str>, &[u8]); 1] = [("photo", Some("a.jpg"), &plain_jpeg(64, 48, 3))];
    test.send_files(UPLOAD, &parts, &signed).await.expect(303);
    let stored = photos(&test, 1).await.remove(0);
    let tells = |body: &str| {
        ["/photos/", "thumbnail", "image/jpeg", &stored.record.whole.blake3, &stored.record.source_blake3]
            .iter()
            .any(|words| body.contains(*words))
    };
    assert!(tells(&test.ask(Method::GET, "/encounters/1", &signed).await.expect(200).body));
    for (path, before) in public {
        let after = test.get(path).await.expect(200).body;
        assert!(!tells(&after), "{path}");
        // A stranger does not even notice that there is one.
        assert_eq!(after, before, "{path}");
    }
    // Nor do layers and exports carry photos, for whomever.
    for path in layers.iter().chain(&exports) {
        let answer = test.ask(Method::GET, path, &signed).await;
        assert!(!tells(&answer.body), "{path}");
    }
}

/// A photo that takes its time, counted while it is read.
struct Slow {
    bytes: std::io::Cursor<Vec<u8>>,
    at_once: Arc<AtomicUsize>,
}

impl Read for Slow {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        std::thread::sleep(Duration::from_millis(15));
        self.bytes.read(buffer)
    }
}

impl Drop for Slow {
    fn drop(&mut self) {
        self.at_once.fetch_sub(1, Ordering::SeqCst);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn few_photos_are_decoded_at_once_even_when_nobody_waits_for_them() {
    let test = TestApp::park().await;
    let area = test.by_hand().await.area;
    let (at_once, most) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
    let send = |shade: u8| {
        let (at_once, most, app) = (Arc::clone(&at_once), Arc::clone(&most), test.app.clone());
        let open = Arc::new(move || {
            let n = at_once.fetch_add(1, Ordering::SeqCst) + 1;
            most.fetch_max(n, Ordering::SeqCst);
            let bytes = std::io::Cursor::new(plain_jpeg(64, 48, shade * 3));
            Ok(Box::new(Slow { bytes, at_once: Arc::clone(&at_once) }) as Box<dyn Read + Send>)
        });
        let files = vec![PhotoFile { name: "a.jpg".to_owned(), open }];
        tokio::spawn(async move { app.add_photos((area, EncounterId(1)), files, "A").await.unwrap().n_added })
    };
    let given_up: Vec<_> = (0..6).map(send).collect();
    tokio::time::sleep(Duration::from_millis(10)).await;
    given_up.iter().for_each(tokio::task::JoinHandle::abort);
    let mut n_added = 0;
    for sent in (10..18).map(send).collect::<Vec<_>>() {
        n_added += sent.await.unwrap();
    }
    assert_eq!(n_added, 8);
    assert!((1..=2).contains(&most.load(Ordering::SeqCst)), "{most:?} at once");
}

/// The park lies at the positions of its own; photos are taken where one of its encounters was.
pub(super) fn taken_at(found: &Encounter, seconds_later: i64, shade: u8) -> Vec<u8> {
    let at = found.given.position.unwrap().position;
    let part = |degrees: f64| [((degrees.abs() * 1e6).round() as u32, 1_000_000), (0, 1), (0, 1)];
    let instant = found.given.time.instant_s.unwrap() + seconds_later;
    let utc = jiff::Timestamp::from_second(instant).unwrap();
    let mut exif = ExifBuilder::default();
    exif.position(
        (part(at.lat()), if at.lat() < 0.0 { "S" } else { "N" }),
        (part(at.lon()), if at.lon() < 0.0 { "W" } else { "E" }),
    );
    exif.taken(&utc.strftime("%Y:%m:%d %H:%M:%S").to_string()).offset("+00:00").error_m((5, 1));
    with_exif(&plain_jpeg(64, 48, shade), &exif)
}

pub(super) async fn by_name(test: &TestApp, name: &str) -> Encounter {
    let area = test.by_hand().await.area;
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    let id = snapshot.encounter_by_occurrence(area, name).await.unwrap().unwrap();
    snapshot.encounter(id).await.unwrap().unwrap()
}

async fn import(test: &TestApp, files: &[(&str, &[u8])]) -> String {
    let mut parts: Vec<(&str, Option<&str>, &[u8])> = vec![("content", None, b"photos")];
    parts.extend(files.iter().map(|(name, bytes)| ("file", Some(*name), *bytes)));
    let answer = test.send_files("/data/import", &parts, &[]).await.expect(303);
    answer.header("location").to_owned()
}

#[tokio::test]
async fn geotagged_photos_find_their_encounter_or_make_one() {
    let test = TestApp::park().await;
    let (report, chance) = (by_name(&test, "R-0").await, by_name(&test, "C-0").await);
    let n_before = test.app.deriver().facts().await.unwrap().encounters.rows.len();
    let (near, late) = (taken_at(&report, 240, 1), taken_at(&report, 7200, 2));
    let (soon_after, several) = (taken_at(&report, 7260, 3), taken_at(&chance, 0, 4));
    let nowhere = plain_jpeg(64, 48, 5);
    let files: [(&str, &[u8]); 6] = [
        ("IMG_0001.jpg", &near),
        ("IMG_0002.jpg", &late),
        ("DSC0003.JPG", &soon_after),
        ("Anna Smith.jpg", &several),
        ("IMG_0005.jpg", &nowhere),
        ("IMG_0006.jpg", &near),
    ];
    let batch = import(&test, &files).await;
    let page = test.get(&batch).await.expect(200);
    for words in [
        "photo 4.jpg",
        "several encounters were met then and there: C-0, C-1, C-2",
        "IMG_0005.jpg",
        "where it was taken",
    ] {
        page.says(words);
    }
    page.never_says("Anna");
    assert_eq!(photos(&test, report.id.0).await.len(), 1);
    let facts = test.app.deriver().facts().await.unwrap();
    assert_eq!(facts.encounters.rows.len(), n_before + 1);
    // Two photos a minute apart are of one meeting.
    let made = facts.encounters.rows.last().unwrap().id;
    assert_eq!(photos(&test, made.0).await.len(), 2);
    let made_page = test.get(&format!("/encounters/{made}")).await.expect(200);
    made_page.says("chance: no effort known, never in a rate");
    made_page.says("GPSHPositioningError 5 m; coordinates written to 0.1 m");

    // The same files again change nothing.
    let revision = test.app.store().revision().await.unwrap();
    assert_eq!(import(&test, &files[..3]).await, format!("{batch}?again=yes"));
    assert_eq!(test.app.store().revision().await.unwrap(), revision);
    assert_eq!(findings(&test).await, [] as [String; 0]);

    // The row of the refused photo, mended, makes a record; the photo is then added by hand.
    let errors = test
        .app
        .store()
        .snapshot()
        .await
        .unwrap()
        .open_row_errors(test.by_hand().await.area, RowErrorId(0), 1000)
        .await
        .unwrap();
    assert_eq!(errors.len(), 2);
    let nowhere = errors.iter().find(|error| error.file_name == "IMG_0005.jpg").unwrap();
    let mended = [("decimalLatitude", "37.61"), ("decimalLongitude", "-109.38"), ("eventDate", "2024-05-20")];
    test.post_fields(&format!("/data/rows/{}", nowhere.id), &mended).await.expect(303);
    assert_eq!(test.app.deriver().facts().await.unwrap().encounters.rows.len(), n_before + 2);

    // Undone as a whole: the record that the batch made and the photo that it added are gone.
    test.post(&format!("{batch}/undo"), "", &[]).await.expect(303);
    assert_eq!(photos(&test, report.id.0).await.len(), 0);
    assert_eq!(test.app.deriver().facts().await.unwrap().encounters.rows.len(), n_before);
    assert_eq!(findings(&test).await, [] as [String; 0]);
    assert_eq!(test.file("/photos/1", &[]).await.0, 404);
    // And can come again.
    let again = import(&test, &files).await;
    assert_ne!(again, batch);
    assert_eq!(photos(&test, report.id.0).await.len(), 1);
}

#[tokio::test]
async fn a_record_brought_in_again_has_its_photos_back() {
    let test = TestApp::park().await;
    let csv = "occurrenceID,effortKind,eventDate,decimalLatitude,decimalLongitude\nX-1,report,2024-05-04,37.61,-109.38\n";
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"encounters"), ("file", Some("x.csv"), csv.as_bytes())];
    let batch = test.send_files("/data/import", &parts, &[]).await.expect(303).header("location").to_owned();
    let first = by_name(&test, "X-1").await.id;
    let bytes = plain_jpeg(64, 48, 3);
    let photo: [(&str, Option<&str>, &[u8]); 2] = [("who", None, b"A"), ("photo", Some("a.jpg"), &bytes)];
    test.send_files(&format!("/encounters/{first}/photos"), &photo, &[]).await.expect(303);
    test.post(&format!("{batch}/undo"), "", &[]).await.expect(303);
    assert_eq!(test.file("/photos/1", &[]).await.0, 404);
    test.send_files("/data/import", &parts, &[]).await.expect(303);
    let second = by_name(&test, "X-1").await.id;
    assert_ne!(second, first);
    assert_eq!(photos(&test, second.0).await.len(), 1);
    let (status, headers, _) = test.file("/photos/1", &[]).await;
    assert_eq!(status, 200);
    assert!(
        headers["content-disposition"].to_str().unwrap().contains(&format!("encounter-{second}-photo-1.jpg"))
    );
    // The same picture is known there too.
    test.send_files(&format!("/encounters/{second}/photos"), &photo, &[]).await.expect(303);
    assert_eq!(photos(&test, second.0).await.len(), 1);
    test.get("/encounters?effort=report").await.expect(200).says(&format!("/encounters/{second}#photos"));
}

#[tokio::test]
async fn what_was_broken_in_photos_is_said() {
    let test = TestApp::park().await;
    add(&test, &[("a.jpg", &plain_jpeg(640, 480, 3))]).await.expect(303);
    let mut snapshot = test.app.store().snapshot().await.unwrap();
    assert!(snapshot.picture(PhotoId(1), PictureSize::Whole).await.unwrap().is_some());
    assert!(
        snapshot
            .batches(test.by_hand().await.area)
            .await
            .unwrap()
            .iter()
            .all(|batch| batch.id != BatchId(99))
    );
    drop(snapshot);
    let path = test.app.config().database.clone();
    let mut connection =
        <sqlx::SqliteConnection as sqlx::Connection>::connect(&format!("sqlite://{}", path.display()))
            .await
            .unwrap();
    let break_ = async |connection: &mut sqlx::SqliteConnection, statement: &'static str| {
        sqlx::raw_sql(statement).execute(connection).await.unwrap();
    };
    break_(&mut connection, "PRAGMA foreign_keys = OFF").await;
    let cases = [
        (
            "CREATE TABLE aside AS SELECT * FROM photo_bytes WHERE blake3 = (SELECT blake3 FROM photos);
             UPDATE photo_bytes SET bytes = zeroblob(length(bytes)) WHERE blake3 = (SELECT blake3 FROM photos)",
            "bytes that do not fit their hash",
            "UPDATE photo_bytes SET bytes = (SELECT bytes FROM aside) WHERE blake3 = (SELECT blake3 FROM photos);
             DROP TABLE aside",
        ),
        (
            "CREATE TABLE aside AS SELECT * FROM photo_bytes WHERE blake3 = (SELECT thumbnail_blake3 FROM photos);
             DELETE FROM photo_bytes WHERE blake3 = (SELECT thumbnail_blake3 FROM photos)",
            "photos: the thumbnail is missing",
            "INSERT INTO photo_bytes SELECT * FROM aside; DROP TABLE aside",
        ),
        (
            "UPDATE photos SET encounter_id = encounter_id + 100000",
            "photos: of no encounter",
            "UPDATE photos SET encounter_id = encounter_id - 100000",
        ),
        (
            "CREATE TABLE aside AS SELECT * FROM photos; DELETE FROM photos",
            "pictures: of no photo",
            "INSERT INTO photos SELECT * FROM aside; DROP TABLE aside",
        ),
    ];
    for (break_it, words, mend_it) in cases {
        break_(&mut connection, break_it).await;
        let found = findings(&test).await;
        assert!(found.iter().any(|line| line.contains(words)), "{words}: {found:?}");
        break_(&mut connection, mend_it).await;
        assert_eq!(findings(&test).await, [] as [String; 0], "{words}");
    }
}
