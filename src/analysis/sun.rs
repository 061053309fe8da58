//! Sunrise, sunset and solar elevation.
