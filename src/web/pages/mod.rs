//! Pages: extract, ask, build the page struct, view.

pub mod about;
pub mod analysis;
pub(super) mod common;
pub mod data;
pub mod decisions;
pub mod encounters;
pub mod import;
pub mod map;
pub mod reactions;
pub mod season;
pub mod settings;
pub mod signs;
pub mod ties;
pub mod trails;
pub mod unit;
