//! Flags and environment turned into one `Config`.

use std::net::IpAddr;
use std::net::Ipv4Addr;
use std::net::SocketAddr;
use std::path::PathBuf;

/// What a server needs to know before it starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Config {
    /// The database file.
    pub database: PathBuf,
    /// Where to listen.
    pub listen: SocketAddr,
    /// The largest upload taken, bytes.
    pub largest_upload_bytes: usize,
}

/// Why a configuration is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InvalidConfig {
    /// Anybody could write: there are no accounts yet.
    #[error(
        "{0} is reachable from other machines, and there are no accounts that could keep strangers from \
         reading exact places or changing data: listen on 127.0.0.1 or ::1"
    )]
    BeyondLoopback(IpAddr),
}

impl Config {
    /// The default port.
    pub const PORT: u16 = 8017;
    /// The largest upload taken: 2 GiB.
    pub const LARGEST_UPLOAD_BYTES: usize = 2 * 1024 * 1024 * 1024;

    /// A configuration that listens on a loopback address; port 0 takes any free one.
    ///
    /// # Errors
    /// [`InvalidConfig::BeyondLoopback`] for any other address.
    pub fn new(database: PathBuf, host: Option<IpAddr>, port: u16) -> Result<Self, InvalidConfig> {
        let host = host.unwrap_or(IpAddr::V4(Ipv4Addr::LOCALHOST));
        if !host.is_loopback() {
            return Err(InvalidConfig::BeyondLoopback(host));
        }
        let listen = SocketAddr::new(host, port);
        Ok(Self { database, listen, largest_upload_bytes: Self::LARGEST_UPLOAD_BYTES })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_is_served() {
        let at = |host: &str| Config::new(PathBuf::from("a.db"), Some(host.parse().unwrap()), 0);
        assert!(at("127.0.0.1").is_ok() && at("127.8.8.8").is_ok() && at("::1").is_ok());
        for beyond in ["0.0.0.0", "192.0.2.7", "::", "2001:db8::1"] {
            assert!(matches!(at(beyond), Err(InvalidConfig::BeyondLoopback(_))), "{beyond}");
        }
    }
}
