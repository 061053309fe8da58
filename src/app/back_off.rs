//! Slows down who guesses: after a few failures each further try has to wait, twice as long every time.

use std::collections::HashMap;
use std::sync::Mutex;
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

/// Failures by key: an account's name, or an address.
#[derive(Debug, Default)]
pub struct BackOff {
    failures: Mutex<HashMap<String, Failures>>,
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
    /// How many seconds a key still has to wait; zero when it may try.
    ///
    /// A clock that went back never makes the wait longer than the longest one.
    pub fn wait_s(&self, key: &str, now_s: i64) -> i64 {
        let failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(failures) = failures.get(key) else { return 0 };
        (failures.last_s + failures.wait_s() - now_s).clamp(0, LONGEST_WAIT_S)
    }

    /// A try of this key failed.
    pub fn failed(&self, key: &str, now_s: i64) {
        let mut failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        failures.retain(|_, known| now_s - known.last_s < FORGOTTEN_S);
        if failures.len() >= N_KEYS && !failures.contains_key(key) {
            let oldest = failures.iter().min_by_key(|(_, known)| known.last_s).map(|(key, _)| key.clone());
            oldest.and_then(|oldest| failures.remove(&oldest));
        }
        let known = failures.entry(key.to_owned()).or_insert(Failures { count: 0, last_s: now_s });
        *known = Failures { count: known.count.saturating_add(1), last_s: now_s };
    }

    /// A try of this key succeeded: its failures are forgotten.
    pub fn succeeded(&self, key: &str) {
        self.failures.lock().unwrap_or_else(PoisonError::into_inner).remove(key);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest() {
        let back_off = BackOff::default();
        let mut waits = Vec::new();
        for _ in 0..20 {
            back_off.failed("rowan", 100);
            waits.push(back_off.wait_s("rowan", 100));
        }
        assert_eq!(&waits[..10], &[0, 0, 0, 0, 0, 2, 4, 8, 16, 32]);
        assert_eq!(waits[19], 900);
        assert_eq!(back_off.wait_s("rowan", 600), 400);
        assert_eq!(back_off.wait_s("rowan", -10_000), 900);
        assert_eq!(back_off.wait_s("ash", 100), 0);
        back_off.succeeded("rowan");
        assert_eq!(back_off.wait_s("rowan", 100), 0);
    }

    #[test]
    fn failures_are_forgotten_and_memory_is_bounded() {
        let back_off = BackOff::default();
        (0..7).for_each(|_| back_off.failed("rowan", 0));
        back_off.failed("ash", 4000);
        back_off.failed("rowan", 4000);
        assert_eq!(back_off.wait_s("rowan", 4000), 0);
        (0..20_000).for_each(|idx| back_off.failed(&idx.to_string(), 4000 + idx / 100));
        assert!(back_off.failures.lock().unwrap().len() <= N_KEYS);
    }
}
