//! Permutation tails.
