//! Connections: how many at once, how long a request may take to arrive and an answer to be taken, and the end.

use std::future::Future;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1::Builder;
use hyper_util::rt::TokioIo;
use hyper_util::rt::TokioTimer;
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::net::TcpStream;
use tokio::sync::OwnedSemaphorePermit;
use tokio::sync::Semaphore;
use tokio_io_timeout::TimeoutStream;
use tower::ServiceExt;
use tower::service_fn;

use crate::app::App;
use crate::app::Connected;
use crate::web::router::router;

/// What a server asks of its clients.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Connections at the same time; further ones wait until one ends.
    pub n_connections: usize,
    /// How long the head of a request may take to arrive, also the first after a pause.
    pub longest_head: Duration,
    /// How long a client may take nothing of an answer.
    pub longest_stall: Duration,
    /// How long requests under way may take once the server was asked to stop.
    pub longest_end: Duration,
}

impl Default for Limits {
    /// 1,024 connections, 15 s for a head, 60 s without progress, 65 s for the end.
    fn default() -> Self {
        Self {
            n_connections: 1024,
            longest_head: Duration::from_secs(15),
            longest_stall: Duration::from_secs(60),
            longest_end: Duration::from_secs(65),
        }
    }
}

/// Bytes of a head, its field lines included.
const LARGEST_HEAD: usize = 64 * 1024;
/// Field lines in a head.
const MOST_FIELDS: usize = 100;
/// How long to wait when the system has no connection to give, such as when all file handles are taken.
const PAUSE: Duration = Duration::from_millis(100);

/// Serves an app until `stop` resolves; requests under way are finished.
///
/// # Errors
/// When the listener has no address.
pub async fn serve(
    listener: TcpListener,
    app: App,
    limits: Limits,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let router = router(app.clone());
    let builder = builder(&limits);
    let graceful = GracefulShutdown::new();
    let places = Arc::new(Semaphore::new(limits.n_connections));
    let mut stop = pin!(stop);
    loop {
        let next = async {
            let place = Arc::clone(&places).acquire_owned().await;
            (place, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            () = &mut stop => break,
            next = next => next,
        };
        match (place, accepted) {
            (Ok(place), Ok((stream, client))) => {
                let connected = app.metrics().connected();
                let connection = Connection { stream, client, place, connected };
                connection.spawn(&builder, router.clone(), &graceful, limits.longest_stall);
            }
            (_, Err(error)) => {
                tracing::warn!(%error, "a connection was not taken");
                tokio::time::sleep(PAUSE).await;
            }
            (Err(_), _) => break,
        }
    }
    drop(listener);
    // What is still arriving then has not been acknowledged.
    if tokio::time::timeout(limits.longest_end, graceful.shutdown()).await.is_err() {
        tracing::warn!("requests under way were broken off");
    }
    Ok(())
}

fn builder(limits: &Limits) -> Builder {
    let mut builder = Builder::new();
    builder
        .timer(TokioTimer::new())
        .header_read_timeout(limits.longest_head)
        .max_headers(MOST_FIELDS)
        .max_buf_size(LARGEST_HEAD);
    builder
}

struct Connection {
    stream: TcpStream,
    client: SocketAddr,
    place: OwnedSemaphorePermit,
    connected: Connected,
}

impl Connection {
    fn spawn(self, builder: &Builder, router: Router, graceful: &GracefulShutdown, longest_stall: Duration) {
        let Self { stream, client, place, connected } = self;
        // Small answers go out at once; where that cannot be set, they go out a little later.
        let _ = stream.set_nodelay(true);
        let mut stream = TimeoutStream::new(stream);
        stream.set_write_timeout(Some(longest_stall));
        let answer = move |request: Request<Incoming>| {
            let mut request = request.map(Body::new);
            request.extensions_mut().insert(ConnectInfo(client));
            router.clone().oneshot(request)
        };
        let service = TowerToHyperService::new(service_fn(answer));
        let io = TokioIo::new(Box::pin(stream));
        let connection = graceful.watch(builder.serve_connection(io, service));
        tokio::spawn(async move {
            // A client that went away, or was too slow: nobody is left to be told.
            let _ = connection.await;
            drop((place, connected));
        });
    }
}
