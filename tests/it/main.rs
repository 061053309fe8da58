//! Tests of the whole program through its doors: one binary, modules that mirror `src`.

mod support;
mod web;
