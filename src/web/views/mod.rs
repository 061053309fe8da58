//! Pages as markup: functions of a page struct, without state and without waiting.

pub mod about;
pub mod analysis;
pub mod charts;
pub mod density;
pub mod effect;
pub mod encounters;
pub mod error;
pub mod exposure;
pub mod figure;
pub mod import;
pub mod latency;
pub mod layout;
pub mod line_chart;
pub mod map;
pub mod observers;
pub mod rates;
pub mod reactions;
pub mod season;
pub mod signs;
pub mod sub_tables;
pub mod survey;
pub mod svg_map;
pub mod trails;
pub mod unit;
pub mod waiting;
pub mod walks;
