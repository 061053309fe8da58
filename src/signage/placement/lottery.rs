//! A lottery among the best sites, so that what signs do can be measured afterwards.

use rand::RngExt;

use crate::analysis::random::stream;

/// Sites that get a sign now and sites that get theirs next season, drawn by lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lottery {
    /// The seed; the same seed gives the same draw.
    pub seed: u64,
    /// Pairs of sites of like worth, best first: of each, one sign goes up now and one next season.
    pub pairs: Vec<Pair>,
}

/// Two sites of like worth and when each gets its sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair {
    /// Its sign goes up now.
    pub now: usize,
    /// Its sign goes up next season; `None` when the number of sites was odd.
    pub next_season: Option<usize>,
}

/// Draws by lot which of two neighbours in rank gets its sign now: of the first and second, the third and fourth, and so on.
/// An odd one at the end takes no part and gets its sign now.
pub fn draw(ranked: &[usize], seed: u64) -> Lottery {
    let mut rng = stream(seed, 0);
    let pairs = ranked.chunks(2).map(|pair| match *pair {
        [first, second] if rng.random::<bool>() => Pair { now: second, next_season: Some(first) },
        [first, second] => Pair { now: first, next_season: Some(second) },
        _ => Pair { now: pair[0], next_season: None },
    });
    Lottery { seed, pairs: pairs.collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_in_rank_are_drawn_against_each_other() {
        let lottery = draw(&[7, 6, 5, 4, 3, 2], 1);
        let mut pairs: Vec<[usize; 2]> =
            lottery.pairs.iter().map(|pair| [pair.now, pair.next_season.unwrap()]).collect();
        pairs.iter_mut().for_each(|pair| pair.sort_unstable());
        assert_eq!(pairs, [[6, 7], [4, 5], [2, 3]]);
        assert_eq!(draw(&[7, 6, 5, 4, 3, 2], 1), lottery);
    }

    #[test]
    fn either_site_of_a_pair_wins_about_half_of_the_draws() {
        let wins = (0..200).filter(|&seed| draw(&[7, 6], seed).pairs[0].now == 7).count();
        assert!((70..=130).contains(&wins), "{wins}");
    }

    #[test]
    fn an_odd_site_goes_up_now() {
        assert_eq!(draw(&[0], 1).pairs, [Pair { now: 0, next_season: None }]);
    }
}
