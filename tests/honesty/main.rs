//! Whether intervals and tests keep what they promise, measured and printed.
//!
//! `cargo test --test honesty -- --nocapture` prints a line for everything measured: what it is, what was found, and what
//! it has to lie between. Coverage of methods for counts is not simulated but summed over every possible count.
//! `COILWAY_LONG_TESTS=1` makes the simulations larger.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod density;
mod exact;
mod invariance;
mod measured;
mod rates;
mod reactions;
