//! Season and hour curves: Poisson regression with harmonics.
