//! What watching at standing signs found: how many parties read them, and how many did as asked.

use crate::analysis::before_after::watched::Watched;
use crate::analysis::before_after::watched::WatchedShare;
use crate::analysis::before_after::watched::watched_share;
use crate::derived::DeriveError;
use crate::derived::effect::LEVEL;
use crate::derived::effect::watch_places::WatchPlace;
use crate::derived::effect::watch_places::asked_and_watcher;
use crate::derived::effect::watch_places::places;
use crate::derived::effect::watch_places::stands_through;
use crate::derived::effect::watch_places::without_overlaps;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::WatchCounts;
use crate::domain::sign_watch::Watcher;
use crate::store::SignInPlace;

/// What parties did at a standing sign.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Deed {
    /// Looked at the sign or stopped to read it.
    Read,
    /// Did what was asked, in these words.
    Did(String),
}

/// The share of parties at standing signs that did something, of one way of watching.
#[derive(Debug, Clone, PartialEq)]
pub struct Heeding {
    /// What they did.
    pub deed: Deed,
    /// How they were watched.
    pub watcher: Watcher,
    /// All signs together, limits by sign.
    pub all: WatchedShare,
    /// Each place of signs by itself, limits of that place alone.
    pub by_sign: Vec<(String, WatchedShare)>,
}

/// Shares of parties at standing signs, by what they did and how they were watched, in that order. Only watches at a sign
/// that stood all through them count; empty where there is none. `watches` come in order of their start.
///
/// # Errors
/// [`DeriveError::Internal`] when counts do not fit together.
pub fn heeding(watches: &[SignWatchDraft], signs: &[SignInPlace]) -> Result<Vec<Heeding>, DeriveError> {
    let places: Vec<WatchPlace> =
        places(watches, signs, None).into_iter().filter(|place| !place.signs().is_empty()).collect();
    let standing = |place: &WatchPlace| -> Vec<usize> {
        let stands =
            |idx: &usize| place.signs().iter().any(|sign| stands_through(&signs[*sign], &watches[*idx]));
        place.watches.iter().copied().filter(stands).collect()
    };
    let of_place: Vec<Vec<usize>> = places.iter().map(standing).collect();
    let all = || of_place.iter().flatten().map(|idx| &watches[*idx]);
    let mut wanted: Vec<(Deed, Watcher)> = all()
        .filter(|watch| watch.counts.read().is_some())
        .map(|watch| (Deed::Read, watch.watcher))
        .chain(all().map(|watch| (Deed::Did(watch.asked_plainly()), watch.watcher)))
        .collect();
    wanted.sort();
    wanted.dedup();
    let mut found = Vec::new();
    for (deed, watcher) in wanted {
        let counted: Vec<(&str, Watched)> = places
            .iter()
            .zip(&of_place)
            .map(|(place, standing)| (place.name.as_str(), total(watches, standing, &deed, watcher)))
            .collect();
        let shares: Vec<Watched> = counted.iter().map(|(_, watched)| *watched).collect();
        let Some(all) = watched_share(&shares, LEVEL).map_err(DeriveError::internal)? else { continue };
        let mut by_sign = Vec::new();
        for (name, watched) in counted {
            if let Some(share) = watched_share(&[watched], LEVEL).map_err(DeriveError::internal)? {
                by_sign.push((name.to_owned(), share));
            }
        }
        found.push(Heeding { deed, watcher, all, by_sign });
    }
    Ok(found)
}

/// Parties of a place's watches that did it. For reading, what else was watched for does not matter.
fn total(watches: &[SignWatchDraft], of_place: &[usize], deed: &Deed, watcher: Watcher) -> Watched {
    let is_wanted = |idx: &usize| {
        let watch = &watches[*idx];
        watch.watcher == watcher
            && match deed {
                Deed::Read => watch.counts.read().is_some(),
                Deed::Did(asked) => watch.asked_plainly() == *asked,
            }
    };
    let wanted: Vec<usize> = of_place.iter().copied().filter(is_wanted).collect();
    let counted = match deed {
        Deed::Read => without_overlaps(watches, &wanted, |watch| watch.watcher),
        Deed::Did(_) => without_overlaps(watches, &wanted, asked_and_watcher),
    };
    let did = |counts: WatchCounts| match deed {
        Deed::Read => counts.read().unwrap_or(0),
        Deed::Did(_) => counts.did(),
    };
    let of = |idx: &usize| {
        let counts = watches[*idx].counts;
        Watched { passed: counts.passed().into(), did: did(counts).into() }
    };
    counted.iter().map(of).fold(Watched::default(), Watched::and)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::before_after::watched::ShareBasis;
    use crate::derived::effect::watch_places::tests::sign;
    use crate::derived::effect::watch_places::tests::watch;

    #[test]
    fn only_standing_signs_are_read_and_ways_of_watching_stay_apart() {
        let signs = [sign("Gate", 0.0, 10_000, None), sign("Bridge", 1000.0, 10_000, Some(50_000))];
        let mut watches = vec![
            watch("Gate", 0.0, 0),
            watch("Gate", 0.0, 10_000),
            watch("Gate", 0.0, 20_000),
            watch("Bridge", 1000.0, 30_000),
            watch("Bridge", 1000.0, 49_000),
            watch("Ford", 5000.0, 20_000),
        ];
        watches[2].watcher = Watcher::Seen;
        let found = heeding(&watches, &signs).unwrap();
        let words: Vec<(Deed, Watcher, usize, Watched)> =
            found.iter().map(|it| (it.deed.clone(), it.watcher, it.all.n_places, it.all.counted)).collect();
        let did = || Deed::Did("keeps to the middle".to_owned());
        assert_eq!(
            words,
            [
                (Deed::Read, Watcher::Unseen, 2, Watched { passed: 20, did: 8 }),
                (Deed::Read, Watcher::Seen, 1, Watched { passed: 10, did: 4 }),
                (did(), Watcher::Unseen, 2, Watched { passed: 20, did: 12 }),
                (did(), Watcher::Seen, 1, Watched { passed: 10, did: 6 }),
            ]
        );
        assert_eq!(found[1].all.basis, ShareBasis::OfOnePlace);
        assert_eq!(found[0].by_sign.len(), 2);
        assert!(heeding(&watches, &[]).unwrap().is_empty() && heeding(&[], &signs).unwrap().is_empty());
    }

    #[test]
    fn parties_watched_for_two_things_at_once_read_once() {
        let signs = [sign("Gate", 0.0, 0, None)];
        let mut watches = vec![watch("Gate", 0.0, 100), watch("Gate", 0.0, 100)];
        watches[1].asked = "leashes the dog".to_owned();
        let found = heeding(&watches, &signs).unwrap();
        assert_eq!(found.len(), 3);
        assert!(found.iter().all(|it| it.all.counted.passed == 10), "{found:?}");
    }
}
