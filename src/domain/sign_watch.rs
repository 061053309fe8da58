//! Watches at signs and at places to compare them with: how many parties passed, read the sign, and did what it asks.

use crate::domain::geography::LonLat;
use crate::domain::terms::terms;

terms! {
    /// Whether walkers could see that they were watched. People who feel watched behave, so the two are never put together.
    Watcher, "ways of watching", {
        /// Walkers did not know.
        Unseen => "unseen",
        /// Walkers saw somebody stand there.
        Seen => "seen",
    }
}

/// The longest watch, minutes: a day.
pub const LONGEST_WATCH_MIN: f64 = 1440.0;
/// The longest text of what was asked, characters.
pub const LONGEST_ASKED: usize = 100;

/// A watch at a place, before it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct SignWatchDraft {
    /// `eventID`.
    pub event_id: String,
    /// The name of the place: of a sign, or of a place to compare with.
    pub locality: String,
    /// Where.
    pub position: LonLat,
    /// Start, seconds since 1970-01-01T00:00:00Z.
    pub start_s: i64,
    /// How long, seconds, above zero.
    pub length_s: i64,
    /// What was counted.
    pub counts: WatchCounts,
    /// What is asked of walkers and was watched for, as "keeps to the middle of the path"; only the same texts are compared.
    pub asked: String,
    /// Whether walkers saw the watcher.
    pub watcher: Watcher,
    /// Who watched, or empty.
    pub recorded_by: String,
    /// Remarks, or empty.
    pub remarks: String,
}

impl SignWatchDraft {
    /// What was asked as it is compared: without regard to case and to spaces.
    pub fn asked_plainly(&self) -> String {
        plainly(&self.asked)
    }

    /// When it ended, seconds since 1970-01-01T00:00:00Z.
    pub fn end_s(&self) -> i64 {
        self.start_s.saturating_add(self.length_s)
    }
}

/// Words as they are compared: lower case, one space between words.
pub fn plainly(words: &str) -> String {
    words.split_whitespace().map(str::to_lowercase).collect::<Vec<_>>().join(" ")
}

/// Parties counted in a watch: of those that passed, how many did what. Made by [`WatchCounts::new`] only.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WatchCounts {
    passed: u32,
    read: Option<u32>,
    did: u32,
}

impl WatchCounts {
    /// Counts that can be.
    ///
    /// # Errors
    /// [`ImpossibleCounts`] when more parties read the sign, or did as asked, than passed.
    pub fn new(passed: u32, read: Option<u32>, did: u32) -> Result<Self, ImpossibleCounts> {
        if let Some(read) = read.filter(|read| *read > passed) {
            return Err(ImpossibleCounts::MoreRead { read, passed });
        }
        if did > passed {
            return Err(ImpossibleCounts::MoreDid { did, passed });
        }
        Ok(Self { passed, read, did })
    }

    /// Parties that passed.
    pub fn passed(self) -> u32 {
        self.passed
    }

    /// Of these, parties that looked at the sign or stopped to read it; none where no sign stood, or nobody watched for it.
    pub fn read(self) -> Option<u32> {
        self.read
    }

    /// Of those that passed, parties that did as asked.
    pub fn did(self) -> u32 {
        self.did
    }
}

/// Why counts cannot be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ImpossibleCounts {
    /// More read the sign than passed.
    #[error("{read} parties read the sign, but only {passed} passed")]
    MoreRead {
        /// Parties that read.
        read: u32,
        /// Parties that passed.
        passed: u32,
    },
    /// More did as asked than passed.
    #[error("{did} parties did as asked, but only {passed} passed")]
    MoreDid {
        /// Parties that did as asked.
        did: u32,
        /// Parties that passed.
        passed: u32,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_parties_than_passed() {
        assert!(WatchCounts::new(10, Some(10), 10).is_ok() && WatchCounts::new(0, None, 0).is_ok());
        assert_eq!(WatchCounts::new(3, Some(4), 1), Err(ImpossibleCounts::MoreRead { read: 4, passed: 3 }));
        assert_eq!(WatchCounts::new(3, None, 4), Err(ImpossibleCounts::MoreDid { did: 4, passed: 3 }));
    }

    #[test]
    fn what_was_asked_is_compared_by_its_words() {
        assert_eq!(plainly("  Keeps to the\tMIDDLE "), "keeps to the middle");
        assert_ne!(plainly("leashes the dog"), plainly("leashed the dog"));
    }
}
