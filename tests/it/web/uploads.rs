//! Uploads that would take more than a form can hold: long fields, many parts, many at once.

use std::time::Duration;

use tokio::io::AsyncReadExt;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpListener;
use tokio::net::TcpStream;

use coilway::web;
use coilway::web::Limits;

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

/// Sends a body piece by piece over a socket, as long as it is taken; what is said, and how many bytes were taken.
async fn stream(piece: &[u8], head: &str, most: usize) -> (String, usize) {
    let test = TestApp::park().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut client = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let served = web::serve(listener, test.app.clone(), Limits::default(), async {
        let _ = stopped.await;
    });
    let served = tokio::spawn(served);
    let head = format!(
        "POST /data/import HTTP/1.1\r\nHost: localhost:8017\r\nSec-Fetch-Site: same-origin\r\nConnection: close\r\n\
         Content-Type: multipart/form-data; boundary=limit\r\nContent-Length: {most}\r\n\r\n{head}"
    );
    client.write_all(head.as_bytes()).await.unwrap();
    let mut n_taken = 0;
    let sending = async {
        while n_taken < most && client.write_all(piece).await.is_ok() {
            n_taken += piece.len();
        }
    };
    tokio::time::timeout(Duration::from_secs(60), sending).await.expect("the connection stays open");
    let mut said = Vec::new();
    // A connection that is reset has ended as well.
    let _ = tokio::time::timeout(Duration::from_secs(60), client.read_to_end(&mut said)).await.unwrap();
    drop(client);
    stop.send(()).unwrap();
    served.await.unwrap().unwrap();
    (String::from_utf8_lossy(&said).into_owned(), n_taken)
}

#[tokio::test(flavor = "multi_thread")]
async fn what_has_no_beginning_is_not_read_to_its_end() {
    let piece = vec![b'a'; 1 << 20];
    for head in ["", "--limit\r\nContent-Disposition: form-data; name=\"", "--limit\r\nX: y\r\n\r\n"] {
        let (said, n_taken) = stream(&piece, head, 256 << 20).await;
        assert!(n_taken < 64 << 20, "{n_taken} bytes were taken after {head:?}: {said}");
        assert!(said.is_empty() || said.starts_with("HTTP/1.1 400"), "{said}");
    }
}

#[tokio::test]
async fn large_files_pass_in_steps() {
    let test = TestApp::park().await;
    let csv = "effortKind,eventDate\n".repeat(600_000);
    let parts: [Part; 2] = [("content", None, b"encounters"), ("file", Some("a.xyz"), csv.as_bytes())];
    // Twelve mebibytes in one piece are read before it is said that the name is of no format.
    test.send_files("/data/import", &parts, &[]).await.expect(422).says("its name must end in");
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
