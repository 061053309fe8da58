//! Flags and environment turned into one `Config`.

use std::net::IpAddr;
use std::net::Ipv4Addr;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::str::FromStr;

/// What stands between the server and its readers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Front {
    /// Nothing: readers speak HTTP with the server itself.
    #[default]
    None,
    /// A proxy that speaks TLS with readers, and says in `X-Forwarded-For` for whom it asks.
    Tls,
}

/// What a server needs to know before it starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Config {
    /// The database file.
    pub database: PathBuf,
    /// Where to listen.
    pub listen: SocketAddr,
    /// What stands before the server.
    pub front: Front,
    /// Under which address readers know it; any that they ask for where none is given.
    pub address: Option<PublicAddress>,
    /// The largest upload taken, bytes.
    pub largest_upload_bytes: usize,
    /// A folder with texts in place of those that come with the program.
    pub texts: Option<PathBuf>,
}

/// Scheme and authority, `https://snakes.park.example`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicAddress(String);

impl PublicAddress {
    /// The address without a slash at its end.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Host and port.
    pub fn authority(&self) -> &str {
        self.0.split_once("://").map_or("", |(_, authority)| authority)
    }
}

impl FromStr for PublicAddress {
    type Err = InvalidConfig;

    fn from_str(text: &str) -> Result<Self, InvalidConfig> {
        let address = text.trim_end_matches('/');
        let authority = ["https://", "http://"].iter().find_map(|scheme| address.strip_prefix(scheme));
        match authority {
            Some(authority) if is_host(authority) => Ok(Self(address.to_owned())),
            _ => Err(InvalidConfig::Address(text.to_owned())),
        }
    }
}

/// Whether it can be a host with a port: nothing else gets into a link.
pub fn is_host(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|letter| letter.is_ascii_alphanumeric() || ".-:[]".contains(letter))
}

/// Why a configuration is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InvalidConfig {
    /// Anybody could read exact places and write: there are no accounts yet.
    #[error(
        "{0} is reachable from other machines, and there are no accounts that could keep strangers from \
         reading exact places or changing data: create the first administrator (coilway user), or listen on \
         127.0.0.1 or ::1"
    )]
    BeyondLoopback(IpAddr),
    /// Not an address that readers could ask for.
    #[error("\"{0}\" is not an address such as https://snakes.park.example")]
    Address(String),
}

impl Config {
    /// The default port.
    pub const PORT: u16 = 8017;
    /// The largest upload taken: 2 GiB.
    pub const LARGEST_UPLOAD_BYTES: usize = 2 * 1024 * 1024 * 1024;

    /// A configuration that listens on an address, a loopback one unless given; port 0 takes any free one.
    pub fn new(database: PathBuf, host: Option<IpAddr>, port: u16) -> Self {
        let host = host.unwrap_or(IpAddr::V4(Ipv4Addr::LOCALHOST));
        let listen = SocketAddr::new(host, port);
        Self {
            database,
            listen,
            front: Front::None,
            address: None,
            largest_upload_bytes: Self::LARGEST_UPLOAD_BYTES,
            texts: None,
        }
    }

    /// Checks that strangers are kept out: without accounts only loopback addresses are served.
    ///
    /// # Errors
    /// [`InvalidConfig::BeyondLoopback`] for any other address while there are no accounts.
    pub fn check_exposure(&self, has_accounts: bool) -> Result<(), InvalidConfig> {
        let host = self.listen.ip();
        if has_accounts || host.is_loopback() { Ok(()) } else { Err(InvalidConfig::BeyondLoopback(host)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_a_scheme_and_a_host() {
        let of = |text: &str| text.parse::<PublicAddress>().map(|address| address.authority().to_owned());
        assert_eq!(of("https://snakes.park.example/").as_deref(), Ok("snakes.park.example"));
        assert_eq!(of("http://127.0.0.1:8017").as_deref(), Ok("127.0.0.1:8017"));
        for wrong in
            ["", "snakes.park.example", "ftp://a", "https://", "https://a/b", "https://a\"b", "https://u@a"]
        {
            assert!(of(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn only_hosts_get_into_links() {
        assert!(is_host("127.0.0.1:8017") && is_host("[::1]:80") && is_host("maps.example"));
        assert!(!is_host("") && !is_host("a/b") && !is_host("a\"b") && !is_host("user@host"));
    }

    #[test]
    fn only_loopback_is_served_without_accounts() {
        let at = |host: &str, has_accounts: bool| {
            Config::new(PathBuf::from("a.db"), Some(host.parse().unwrap()), 0).check_exposure(has_accounts)
        };
        for loopback in ["127.0.0.1", "127.8.8.8", "::1"] {
            assert!(at(loopback, false).is_ok(), "{loopback}");
        }
        for beyond in ["0.0.0.0", "192.0.2.7", "::", "2001:db8::1"] {
            assert!(matches!(at(beyond, false), Err(InvalidConfig::BeyondLoopback(_))), "{beyond}");
            assert!(at(beyond, true).is_ok(), "{beyond}");
        }
    }
}
