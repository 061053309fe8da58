//! Uploads take turns, so that their files and the reading of them cannot take all disk, handles and memory.

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;

/// Uploads under way of one account or address.
const N_EACH: usize = 2;
/// Uploads under way in all.
const N_IN_ALL: usize = 8;

/// Uploads under way, by whose they are.
#[derive(Debug, Clone, Default)]
pub struct Uploads(Arc<Mutex<HashMap<String, usize>>>);

/// Why an upload has to wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoTurn {
    /// The same account or address has as many under way as it may.
    Yours,
    /// There are as many under way as the server takes.
    All,
}

/// An upload under way, until it is dropped.
#[derive(Debug)]
pub struct UploadTurn {
    uploads: Uploads,
    whose: String,
}

impl Uploads {
    /// Begins an upload of an account or address.
    ///
    /// # Errors
    /// [`NoTurn`] when too many are under way.
    pub fn begin(&self, whose: &str) -> Result<UploadTurn, NoTurn> {
        let mut under_way = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if under_way.get(whose).is_some_and(|n| *n >= N_EACH) {
            return Err(NoTurn::Yours);
        }
        if under_way.values().sum::<usize>() >= N_IN_ALL {
            return Err(NoTurn::All);
        }
        *under_way.entry(whose.to_owned()).or_default() += 1;
        Ok(UploadTurn { uploads: self.clone(), whose: whose.to_owned() })
    }
}

impl Drop for UploadTurn {
    fn drop(&mut self) {
        let mut under_way = self.uploads.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(n) = under_way.get_mut(&self.whose) {
            *n = n.saturating_sub(1);
        }
        under_way.retain(|_, n| *n > 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_each_and_eight_in_all() {
        let uploads = Uploads::default();
        let mut turns: Vec<UploadTurn> =
            (0..8).map(|idx| uploads.begin(&format!("account {}", idx / 2)).unwrap()).collect();
        assert_eq!(uploads.begin("account 0").unwrap_err(), NoTurn::Yours);
        assert_eq!(uploads.begin("account 9").unwrap_err(), NoTurn::All);
        turns.pop();
        let again = uploads.begin("account 9").unwrap();
        drop((again, turns));
        assert!(uploads.0.lock().unwrap().is_empty());
    }
}
