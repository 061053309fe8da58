//! Planar.
