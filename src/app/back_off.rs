//! Slows down who guesses: after a few failures each further try has to wait, twice as long every time.
//!
//! A try counts as failed from its beginning, before the password is hashed: else many tries sent at once would all begin
//! before the first of them has failed. Who turns out to be right has it taken back.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;

/// Failures that cost nothing: everybody mistypes.
const N_FREE: u32 = 5;
/// The wait after the first failure that costs, seconds.
const FIRST_WAIT_S: i64 = 2;
/// The longest wait, seconds.
const LONGEST_WAIT_S: i64 = 900;
/// Failures are forgotten after this long without one, seconds.
const FORGOTTEN_S: i64 = 3600;
/// How many keys are remembered; beyond it the oldest go, so that many names cannot take all memory.
const N_KEYS: usize = 10_000;

/// What failures are counted by. It is a hash, so that what somebody sends takes no more memory than a name does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Key([u8; 32]);

impl Key {
    /// An account's name, whatever its capitals.
    pub fn name(name: &str) -> Self {
        Self::of(&format!("name {}", name.to_lowercase()))
    }

    /// The address of whoever asks; all those without one are counted together.
    ///
    /// Of an IPv6 address the first 64 bits: that much is given to one household, which is free in the rest.
    pub fn address(address: Option<IpAddr>) -> Self {
        Self::of(&match address.map(|address| address.to_canonical()) {
            Some(IpAddr::V4(address)) => format!("address {address}"),
            Some(IpAddr::V6(address)) => format!("network {:016x}", address.to_bits() >> 64),
            None => "address unknown".to_owned(),
        })
    }

    fn of(text: &str) -> Self {
        Self(*blake3::hash(text.as_bytes()).as_bytes())
    }
}

/// Failures by account's name and by address.
#[derive(Debug, Default)]
pub struct BackOff {
    failures: Mutex<HashMap<Key, Failures>>,
}

#[derive(Debug, Clone, Copy)]
struct Failures {
    count: u32,
    last_s: i64,
}

impl Failures {
    fn wait_s(self) -> i64 {
        let Some(doublings) = self.count.checked_sub(N_FREE + 1) else { return 0 };
        FIRST_WAIT_S.checked_shl(doublings.min(16)).unwrap_or(LONGEST_WAIT_S).min(LONGEST_WAIT_S)
    }
}

impl BackOff {
    /// Begins a try, which counts as failed for all of its keys until [`BackOff::was_right`] is told.
    ///
    /// # Errors
    /// How many seconds it has to wait, where it may not be made yet; it counts nowhere then.
    pub fn begin(&self, keys: &[Key], now_s: i64) -> Result<(), i64> {
        let mut failures = self.failures();
        let wait_s = keys.iter().map(|key| wait_s(&failures, *key, now_s)).max().unwrap_or(0);
        if wait_s > 0 {
            return Err(wait_s);
        }
        keys.iter().for_each(|key| count(&mut failures, *key, now_s));
        Ok(())
    }

    /// A try was right: the failures of the account are forgotten. Those of the address stay, but for this try: else who
    /// guesses would sign in to an account of their own in between.
    pub fn was_right(&self, name: Key, address: Key) {
        let mut failures = self.failures();
        failures.remove(&name);
        if let Some(known) = failures.get_mut(&address) {
            known.count = known.count.saturating_sub(1);
        }
        failures.retain(|_, known| known.count > 0);
    }

    fn failures(&self) -> MutexGuard<'_, HashMap<Key, Failures>> {
        self.failures.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// How many seconds a key still has to wait; zero when it may try.
///
/// A clock that went back never makes the wait longer than the longest one.
fn wait_s(failures: &HashMap<Key, Failures>, key: Key, now_s: i64) -> i64 {
    let Some(failures) = failures.get(&key) else { return 0 };
    (failures.last_s + failures.wait_s() - now_s).clamp(0, LONGEST_WAIT_S)
}

fn count(failures: &mut HashMap<Key, Failures>, key: Key, now_s: i64) {
    failures.retain(|_, known| now_s - known.last_s < FORGOTTEN_S);
    if failures.len() >= N_KEYS && !failures.contains_key(&key) {
        let oldest = failures.iter().min_by_key(|(_, known)| known.last_s).map(|(key, _)| *key);
        oldest.and_then(|oldest| failures.remove(&oldest));
    }
    let known = failures.entry(key).or_insert(Failures { count: 0, last_s: now_s });
    *known = Failures { count: known.count.saturating_add(1), last_s: now_s };
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wait(back_off: &BackOff, name: &str, now_s: i64) -> i64 {
        wait_s(&back_off.failures(), Key::name(name), now_s)
    }

    fn fail(back_off: &BackOff, name: &str, now_s: i64) {
        count(&mut back_off.failures(), Key::name(name), now_s);
    }

    #[test]
    fn waits_double_up_to_the_longest() {
        let back_off = BackOff::default();
        let mut waits = Vec::new();
        for _ in 0..20 {
            fail(&back_off, "rowan", 100);
            waits.push(wait(&back_off, "Rowan", 100));
        }
        assert_eq!(&waits[..10], &[0, 0, 0, 0, 0, 2, 4, 8, 16, 32]);
        assert_eq!(waits[19], 900);
        assert_eq!(wait(&back_off, "rowan", 600), 400);
        assert_eq!(wait(&back_off, "rowan", -10_000), 900);
        assert_eq!(wait(&back_off, "ash", 100), 0);
        back_off.was_right(Key::name("rowan"), Key::address(None));
        assert_eq!(wait(&back_off, "rowan", 100), 0);
    }

    #[test]
    fn failures_are_forgotten_and_memory_is_bounded() {
        let back_off = BackOff::default();
        (0..7).for_each(|_| fail(&back_off, "rowan", 0));
        fail(&back_off, "ash", 4000);
        fail(&back_off, "rowan", 4000);
        assert_eq!(wait(&back_off, "rowan", 4000), 0);
        (0..12_000).for_each(|idx| fail(&back_off, &idx.to_string(), 4000 + idx / 100));
        assert!(back_off.failures().len() <= N_KEYS);
    }

    #[test]
    fn a_try_counts_before_it_has_failed() {
        let back_off = BackOff::default();
        let (name, address) = (Key::name("rowan"), Key::address(None));
        let begun = (0..50).filter(|_| back_off.begin(&[name, address], 100).is_ok()).count();
        assert_eq!(begun, 6);
        assert_eq!(back_off.begin(&[Key::name("ash"), address], 100), Err(2));
        // One of them was right after all: the name may try again, the address is one failure down.
        back_off.was_right(name, address);
        assert_eq!(back_off.begin(&[name, address], 100), Ok(()));
        assert_eq!(back_off.begin(&[name, address], 100), Err(2));
    }

    #[test]
    fn neighbours_in_a_network_are_one() {
        let key = |address: &str| Key::address(Some(address.parse().unwrap()));
        assert_eq!(key("2001:db8:1:2::1"), key("2001:db8:1:2:ffff::9"));
        assert_ne!(key("2001:db8:1:2::1"), key("2001:db8:1:3::1"));
        assert_eq!(key("::ffff:192.0.2.1"), key("192.0.2.1"));
        assert_ne!(key("192.0.2.1"), key("192.0.2.2"));
    }
}
