//! Pages: extract, ask, build the page struct, view.

pub mod about;
pub mod analysis;
pub mod clusters;
pub(super) mod common;
pub mod data;
mod effect_words;
pub mod density;
pub mod effect;
pub mod encounters;
pub mod exposure;
pub mod fact_sheet;
pub mod import;
pub mod latency;
pub mod map;
pub mod observers;
pub mod rates;
pub mod reactions;
pub mod route;
pub mod season;
pub mod signs;
pub mod study;
pub mod sub_tables;
pub mod survey;
pub mod trails;
pub mod unit;
pub mod walks;
pub mod watch;
