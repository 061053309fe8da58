//! Seeded streams of random numbers that do not depend on the number of threads.

use rand::Rng;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::Binomial;
use rand_distr::Distribution;

/// The generator behind every draw in the program.
pub type Stream = ChaCha8Rng;

/// The seed of one method, from the seed of the whole.
///
/// Draw `i` of what people walked and draw `i` of what happened there are taken together as independent: with one seed for
/// both they would begin with the same bits, which makes limits too narrow or too wide. So every method has its own words.
pub fn seed_of(seed: u64, what: &str) -> u64 {
    let hash = blake3::hash(what.as_bytes());
    let salt = hash.as_bytes().iter().take(8).fold(0, |salt, byte| salt << 8 | u64::from(*byte));
    seed ^ salt
}

/// The stream number `index` of a seed: draw `i` of any method takes stream `i`, so that the same seed gives the same
/// draws in any order and on any number of threads.
pub fn stream(seed: u64, index: u64) -> Stream {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(index);
    rng
}

/// Deals `total` by weights (multinomial, by conditional binomials) and tells how many each index gets, every index once in order;
/// weights that do not add up to one are scaled. Nothing is dealt where all are zero.
pub fn multinomial(total: u64, weights: &[f64], rng: &mut impl Rng, mut put: impl FnMut(usize, u64)) {
    let (mut left, mut weight_left) = (total, weights.iter().sum::<f64>());
    let last = weights.iter().rposition(|weight| *weight > 0.0);
    for (idx, weight) in weights.iter().enumerate() {
        if left == 0 || *weight <= 0.0 {
            put(idx, 0);
            continue;
        }
        let share = (weight / weight_left).clamp(0.0, 1.0);
        // The last takes what is left, whatever rounding says of its share.
        let dealt = match Some(idx) == last {
            true => left,
            false => Binomial::new(left, share).map_or(0, |binomial| binomial.sample(rng)),
        };
        put(idx, dealt);
        left -= dealt;
        weight_left -= weight;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_differ_and_repeat() {
        let draw = |seed, index| stream(seed, index).next_u64();
        assert_eq!(draw(1, 2), draw(1, 2));
        assert_ne!(draw(1, 2), draw(1, 3));
        assert_ne!(draw(1, 2), draw(2, 2));
    }

    #[test]
    fn everything_is_dealt_and_nothing_where_there_is_no_weight() {
        let deal = |weights: &[f64]| {
            let mut dealt = vec![9; weights.len()];
            multinomial(1_000, weights, &mut stream(3, 0), |idx, count| dealt[idx] = count);
            dealt
        };
        let dealt = deal(&[0.0, 3.0, 0.0, 1.0, 0.0]);
        assert_eq!((dealt[0], dealt[2], dealt[4], dealt.iter().sum::<u64>()), (0, 0, 0, 1_000));
        assert!((dealt[1] as f64 - 750.0).abs() < 60.0, "{dealt:?}");
        assert_eq!(deal(&[0.0, 0.0]), [0, 0]);
    }

    /// With one seed for all the first normals of two methods were nearly the same number.
    #[test]
    fn methods_draw_independently() {
        use rand_distr::{Distribution, StandardNormal};
        let normals = |what: &str| -> Vec<f64> {
            let seed = seed_of(1, what);
            (0..4_000).map(|draw| StandardNormal.sample(&mut stream(seed, draw))).collect()
        };
        let (one, other) = (normals("exposure"), normals("reporting ratio"));
        let correlation: f64 = one.iter().zip(&other).map(|(a, b)| a * b).sum::<f64>() / 4_000.0;
        assert!(correlation.abs() < 4.0 / 4_000.0_f64.sqrt(), "{correlation}");
        assert_ne!(seed_of(1, "a"), seed_of(2, "a"));
    }
}
