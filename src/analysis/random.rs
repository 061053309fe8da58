//! Seeded streams of random numbers that do not depend on the number of threads.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// The generator behind every draw in the program.
pub type Stream = ChaCha8Rng;

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
}
