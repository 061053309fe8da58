//! Coilway turns GPS-tagged meetings between people and venomous snakes into trail risk maps and sign plans.
//!
//! Read the modules in this order: what things are (`domain`), how bytes become drafts (`ingest`), where facts are kept
//! (`store`), what is computed from them (`analysis`, `signage`), what is remembered of it (`derived`), and how people
//! reach it (`web`, `cli`). `DEVELOPERS.md` has the map and the invariants.

pub mod domain;
pub mod ingest;
pub mod store;
pub mod analysis;
pub mod signage;
pub mod derived;
pub mod config;
pub mod app;
pub mod web;
pub mod cli;
