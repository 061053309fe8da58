//! Seeded streams of random numbers that do not depend on the number of threads.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

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

#[cfg(test)]
mod tests {
    use super::*;
    use rand::Rng;

    #[test]
    fn streams_differ_and_repeat() {
        let draw = |seed, index| stream(seed, index).next_u64();
        assert_eq!(draw(1, 2), draw(1, 2));
        assert_ne!(draw(1, 2), draw(1, 3));
        assert_ne!(draw(1, 2), draw(2, 2));
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
