//! Uploads that would take more than a form can hold: long fields, many parts, many at once.

use std::time::Duration;

use crate::support::TestApp;

type Part<'a> = (&'a str, Option<&'a str>, &'a [u8]);

#[tokio::test]
async fn a_field_of_a_form_with_files_is_short() {
    let test = TestApp::park().await;
    let long = vec![b'a'; 3 << 20];
    let file: Part = ("file", Some("a.csv"), b"a,b\n1,2\n");
    let answer = test.send_files("/data/import", &[("content", None, &long), file], &[]).await.expect(400);
    answer.says("The field content has at most 2048 bytes");
    let photo: Part = ("photo", Some("a.jpg"), b"no photo");
    let answer =
        test.send_files("/encounters/1/photos", &[("who", None, &long), photo], &[]).await.expect(400);
    answer.says("The field who has at most 2048 bytes");
}

#[tokio::test]
async fn a_form_has_so_many_parts_and_no_more() {
    let test = TestApp::park().await;
    for address in ["/data/import", "/encounters/1/photos"] {
        let many: Vec<Part> = vec![("zzz", Some("a.csv"), b""); 60_000];
        let answer = test.send_files(address, &many, &[]).await.expect(400);
        answer.says("at most 208 parts");
    }
    let file: Part = ("file", Some("a.csv"), b"a");
    let import = async |parts: &[Part]| test.send_files("/data/import", parts, &[]).await.expect(400);
    import(&[("content", None, b"encounters"), file, file]).await.says("Only photos come several at once");
    import(&[file, file, ("content", None, b"photos")]).await.says("Say what the rows are before the files");
    let mut photos: Vec<Part> = vec![("content", None, b"photos")];
    photos.extend(vec![("file", Some("a.jpg"), &b"x"[..]); 201]);
    import(&photos).await.says("at most 200 photos go in together");
}

#[tokio::test]
async fn uploads_take_turns() {
    let test = TestApp::park().await;
    let csv = b"effortKind,eventDate,decimalLatitude,decimalLongitude\nreport,2024-05-01,37.61,-109.38\n";
    let parts: [Part; 2] = [("content", None, b"encounters"), ("file", Some("a.csv"), csv)];
    let uploads = test.app.uploads();
    let own = [uploads.begin("address unknown").unwrap(), uploads.begin("address unknown").unwrap()];
    let answer = test.send_files("/data/import", &parts, &[]).await.expect(429);
    answer.says("Two uploads of yours are under way");
    assert_eq!(answer.header("retry-after"), "10");
    drop(own);
    let others: Vec<_> = (0..8).map(|idx| uploads.begin(&format!("account {idx}")).unwrap()).collect();
    let answer = test.send_files("/data/import", &parts, &[]).await.expect(503);
    answer.says("As many uploads are under way as this server takes");
    assert_eq!(answer.header("retry-after"), "10");
    drop(others);
    // Each gives its turn back, whatever became of it.
    for _ in 0..5 {
        test.send_files("/data/import", &parts[..1], &[]).await.expect(400);
    }
    let sent = test.send_files("/data/import", &parts, &[]);
    tokio::time::timeout(Duration::from_secs(60), sent).await.unwrap().expect(303);
}
