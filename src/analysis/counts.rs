//! Exact and other intervals and tests for counts and shares.
