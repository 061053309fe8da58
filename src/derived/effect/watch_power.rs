//! What watching at signs could find out, told before anyone watches.

use std::collections::BTreeMap;

use crate::analysis::before_after::watched_power::Detectable;
use crate::analysis::before_after::watched_power::WatchedPowerInputs;
use crate::analysis::before_after::watched_power::smallest_rise;
use crate::derived::DeriveError;
use crate::derived::effect::LEVEL;
use crate::derived::effect::watch_places::WatchPlace;
use crate::derived::effect::watch_places::asked_and_watcher;
use crate::derived::effect::watch_places::stands_during;
use crate::derived::effect::watch_places::without_overlaps;
use crate::derived::facts::Facts;
use crate::domain::sign_watch::SignWatchDraft;
use crate::store::SignInPlace;

/// Numbers of places with a sign of the table; as many are watched without one.
const N_PLACES: [usize; 4] = [6, 8, 10, 12];
/// Parties at each place, before and again after.
const PARTIES: [u64; 3] = [20, 50, 100];
/// Share that does as asked without a sign where nobody has watched yet.
const ASSUMED_SHARE: f64 = 0.5;
/// Shares outside of this are taken at its ends: simulated places need some of either.
const SHARES: (f64, f64) = (0.02, 0.9);

/// The smallest share with signs that comparisons would show with 80 % probability.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchPower {
    /// Share of parties that is taken to do as asked where no sign stands: that found, within bounds, or one assumed.
    pub share: f64,
    /// What was found; none where no watch is known to be without a sign.
    pub known: Option<WithoutSign>,
    /// What is taken to be, beside the share.
    pub inputs: WatchedPowerInputs,
    /// For each number of places, what would show with each number of parties.
    pub rows: Vec<(usize, Vec<(u64, Detectable)>)>,
}

/// Watches at places where it is known that no sign stood: of what was asked of most parties.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithoutSign {
    /// What was asked.
    pub asked: String,
    /// Parties that passed.
    pub passed: u64,
    /// Of these, those that did as asked.
    pub did: u64,
}

impl WithoutSign {
    /// The share that did as asked.
    pub fn share(&self) -> f64 {
        self.did as f64 / self.passed as f64
    }
}

/// Simulates the comparisons of the table.
///
/// # Errors
/// [`DeriveError::Internal`] when a number is out of range.
pub(super) fn compute(
    facts: &Facts,
    watches: &[SignWatchDraft],
    places: &[WatchPlace],
) -> Result<WatchPower, DeriveError> {
    let known = without_sign(watches, places, &facts.signs_in_place);
    let share = known.as_ref().map_or(ASSUMED_SHARE, WithoutSign::share);
    let share = share.clamp(SHARES.0, SHARES.1);
    let inputs = WatchedPowerInputs {
        share,
        correlation: facts.settings.watched_correlation,
        own_change: facts.settings.effect_variation,
        level: LEVEL,
        ..WatchedPowerInputs::default()
    };
    let cell = |n_places: usize, parties: u64| -> Result<(u64, Detectable), DeriveError> {
        let found = smallest_rise(&WatchedPowerInputs { n_places, parties, ..inputs });
        Ok((parties, found.map_err(DeriveError::internal)?))
    };
    let row = |n_places: usize| -> Result<(usize, Vec<(u64, Detectable)>), DeriveError> {
        let cells: Result<Vec<_>, _> = PARTIES.iter().map(|parties| cell(n_places, *parties)).collect();
        Ok((n_places, cells?))
    };
    let rows: Result<Vec<_>, _> = N_PLACES.iter().map(|n_places| row(*n_places)).collect();
    Ok(WatchPower { share, known, inputs, rows: rows? })
}

fn without_sign(
    watches: &[SignWatchDraft],
    places: &[WatchPlace],
    signs: &[SignInPlace],
) -> Option<WithoutSign> {
    let mut by_kind: BTreeMap<_, (u64, u64)> = BTreeMap::new();
    for place in places {
        let stands = |watch: &SignWatchDraft| match &place.standing {
            Ok(_) => place.warning().iter().any(|sign| stands_during(&signs[*sign], watch)),
            Err(_) => true,
        };
        let bare: Vec<usize> = place.watches.iter().copied().filter(|idx| !stands(&watches[*idx])).collect();
        for watch in without_overlaps(watches, &bare, asked_and_watcher).into_iter().map(|idx| &watches[idx])
        {
            let (passed, did) = by_kind.entry(asked_and_watcher(watch)).or_default();
            *passed += u64::from(watch.counts.passed());
            *did += u64::from(watch.counts.did());
        }
    }
    let most =
        by_kind.into_iter().filter(|(_, (passed, _))| *passed > 0).max_by_key(|(_, (passed, _))| *passed);
    most.map(|((asked, _), (passed, did))| WithoutSign { asked, passed, did })
}
