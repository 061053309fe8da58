//! Tests of the whole program through its doors: one binary, modules that mirror `src`.

// Helpers of tests stop where a test would.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cli;
mod ingest;
mod support;
mod web;
