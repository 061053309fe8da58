//! Benjamini-Hochberg adjustment.
