//! Pages as markup: functions of a page struct, without state and without waiting.

pub mod about;
pub mod analysis;
pub mod charts;
pub mod decisions;
pub mod encounters;
pub mod error;
pub mod figure;
pub mod form;
pub mod import;
pub mod layout;
pub mod map;
pub mod reactions;
pub mod season;
pub mod settings;
pub mod signs;
pub mod svg_map;
pub mod ties;
pub mod trails;
pub mod unit;
