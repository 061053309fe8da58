//! Connections as clients that are slow, greedy or hostile make them, over real sockets.

use std::net::SocketAddr;
use std::time::Duration;
use std::time::Instant;

use tokio::io::AsyncReadExt;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpListener;
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::timeout;

use coilway::web;
use coilway::web::Limits;

use crate::support::TestApp;

/// Far longer than anything here may take.
const LONG: Duration = Duration::from_secs(60);
const HEALTH: &[u8] = b"GET /healthz HTTP/1.1\r\nHost: localhost:8017\r\n\r\n";

struct Served {
    address: SocketAddr,
    stop: oneshot::Sender<()>,
    ended: JoinHandle<std::io::Result<()>>,
    _test: TestApp,
}

impl Served {
    async fn start(limits: Limits) -> Self {
        let test = TestApp::park().await;
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let (stop, stopped) = oneshot::channel();
        let ended = tokio::spawn(web::serve(listener, test.app.clone(), limits, async {
            let _ = stopped.await;
        }));
        Self { address, stop, ended, _test: test }
    }

    async fn connect(&self) -> TcpStream {
        TcpStream::connect(self.address).await.unwrap()
    }

    async fn stop(self) {
        self.stop.send(()).unwrap();
        timeout(LONG, self.ended).await.unwrap().unwrap().unwrap();
    }
}

/// What arrives until the server closes the connection.
async fn rest(stream: &mut TcpStream) -> String {
    let mut bytes = Vec::new();
    // A connection that is reset has ended as well.
    let _ = timeout(LONG, stream.read_to_end(&mut bytes)).await.expect("the connection stays open");
    String::from_utf8_lossy(&bytes).into_owned()
}

/// One whole answer of a few bytes on a connection that stays open.
async fn answer(stream: &mut TcpStream) -> String {
    let mut text = String::new();
    while !text.ends_with("ok\n") {
        let mut bytes = [0; 1024];
        let n = timeout(LONG, stream.read(&mut bytes)).await.unwrap().unwrap();
        assert!(n > 0, "ended after {text:?}");
        text.push_str(&String::from_utf8_lossy(&bytes[..n]));
    }
    text
}

fn quick() -> Limits {
    Limits {
        longest_head: Duration::from_millis(300),
        longest_stall: Duration::from_millis(300),
        ..Limits::default()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_head_that_never_ends_loses_its_connection() {
    let served = Served::start(quick()).await;
    let mut stream = served.connect().await;
    // Something arrives all the time, but never the end.
    let dripping = async {
        stream.write_all(b"GET /healthz HTTP/1.1\r\nHost: localhost:8017\r\n").await.unwrap();
        let begun = Instant::now();
        while stream.write_all(b"X-Drip: 1\r\n").await.is_ok() {
            assert!(begun.elapsed() < LONG, "still taken");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    dripping.await;
    // So does one that says nothing at all.
    let mut silent = served.connect().await;
    let said = rest(&mut silent).await;
    assert!(!said.contains("200 OK"), "{said}");
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_connection_serves_several_requests_and_is_closed_when_idle() {
    let served = Served::start(quick()).await;
    let mut stream = served.connect().await;
    for _ in 0..3 {
        stream.write_all(HEALTH).await.unwrap();
        assert!(answer(&mut stream).await.starts_with("HTTP/1.1 200 OK"));
    }
    assert_eq!(rest(&mut stream).await, "");
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_head_that_is_too_large_is_refused() {
    let served = Served::start(Limits::default()).await;
    let many = "X-Field: 1\r\n".repeat(2000);
    let long = format!("X-Field: {}\r\n", "a".repeat(1024 * 1024));
    for fields in [many, long] {
        let mut stream = served.connect().await;
        let head = format!("GET /healthz HTTP/1.1\r\nHost: localhost:8017\r\n{fields}\r\n");
        // The server may stop reading before all of it is sent.
        let _ = stream.write_all(head.as_bytes()).await;
        let said = rest(&mut stream).await;
        assert!(!said.contains("200 OK"), "{said}");
    }
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn more_connections_than_places_wait_their_turn() {
    let served = Served::start(Limits { n_connections: 1, ..quick() }).await;
    let mut first = served.connect().await;
    first.write_all(HEALTH).await.unwrap();
    answer(&mut first).await;
    let mut second = served.connect().await;
    second.write_all(HEALTH).await.unwrap();
    // The first one is idle until the server takes its place away.
    assert!(answer(&mut second).await.starts_with("HTTP/1.1 200 OK"));
    assert_eq!(rest(&mut first).await, "");
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn who_takes_nothing_of_an_answer_does_not_hold_up_the_end() {
    let served = Served::start(quick()).await;
    let mut stream = served.connect().await;
    // So many answers that no buffer takes them all, and nobody reads one.
    let one = b"GET /assets/style.css HTTP/1.1\r\nHost: localhost:8017\r\n\r\n";
    let sending = async { while stream.write_all(one).await.is_ok() {} };
    timeout(LONG, sending).await.expect("the server waits for ever");
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_upload_under_way_at_the_end_is_finished_or_broken_off_in_time() {
    let limits = Limits { longest_end: Duration::from_millis(500), ..Limits::default() };
    let served = Served::start(limits).await;
    let mut stream = served.connect().await;
    let head = "POST /data/import HTTP/1.1\r\nHost: localhost:8017\r\nSec-Fetch-Site: same-origin\r\n\
                Content-Type: multipart/form-data; boundary=limit\r\nContent-Length: 1000000\r\n\r\n--limit\r\n";
    stream.write_all(head.as_bytes()).await.unwrap();
    tokio::time::sleep(Duration::from_millis(200)).await;
    // Nothing of it was acknowledged, and nothing more arrives.
    served.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn instruments_see_connections_and_how_long_answers_take() {
    let served = Served::start(Limits::default()).await;
    let mut idle = served.connect().await;
    idle.write_all(HEALTH).await.unwrap();
    answer(&mut idle).await;
    for path in ["/no/such/page/37.61234", "/metrics"] {
        let mut stream = served.connect().await;
        let head = format!("GET {path} HTTP/1.1\r\nHost: localhost:8017\r\nConnection: close\r\n\r\n");
        stream.write_all(head.as_bytes()).await.unwrap();
        let said = rest(&mut stream).await;
        if path != "/metrics" {
            assert!(said.starts_with("HTTP/1.1 404"), "{said}");
            continue;
        }
        // The idle one and the one that asks; that of the page before may not have been let go yet.
        let connections = said.lines().find_map(|line| line.strip_prefix("coilway_connections ")).unwrap();
        assert!(["2", "3"].contains(&connections), "{connections}");
        for line in [
            "coilway_answers_total{status=\"2xx\"} 1",
            "coilway_answers_total{status=\"4xx\"} 1",
            "coilway_answer_seconds_count{route=\"/healthz\"} 1",
            "coilway_answer_seconds_count{route=\"none\"} 1",
        ] {
            assert!(said.lines().any(|had| had == line), "{line} is missing in\n{said}");
        }
        assert!(!said.contains("37.6"), "an address is no label:\n{said}");
        let free = said.lines().find_map(|line| line.strip_prefix("coilway_disk_free_bytes ")).unwrap();
        assert!(free.parse::<u64>().unwrap() > 0);
    }
    served.stop().await;
}
