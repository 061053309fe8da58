//! One line of the table of what was measured.

use std::ops::RangeInclusive;

/// Prints what was measured and fails when it lies outside what it has to.
#[track_caller]
pub(crate) fn measured(what: &str, found: f64, allowed: RangeInclusive<f64>) {
    let verdict = if allowed.contains(&found) { "holds" } else { "FAILS" };
    println!("{what:<78} {found:>8.4}   {:.4} to {:.4}   {verdict}", allowed.start(), allowed.end());
    assert!(allowed.contains(&found), "{what}: {found} is not within {allowed:?}");
}

/// How many times to simulate: `n`, or ten times as often when long tests are asked for.
pub(crate) fn n_simulations(n: u64) -> u64 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { 10 * n } else { n }
}

/// Slack for the rounding of limits and sums.
pub(crate) const ROUNDING: f64 = 1e-9;

/// Coverage that exact 95 % intervals must have.
pub(crate) const EXACT: RangeInclusive<f64> = 0.95 - ROUNDING..=1.0;

/// Coverage, averaged over the prior, that mid-p and Bayesian 95 % intervals must have.
pub(crate) const AVERAGED: RangeInclusive<f64> = 0.93..=0.97;
