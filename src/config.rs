//! Flags and environment turned into one `Config`.
