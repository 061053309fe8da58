//! Encounter rates: gamma-Poisson with exposure draws, stretches, exceedance.
