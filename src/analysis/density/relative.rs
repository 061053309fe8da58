//! Relative density.
