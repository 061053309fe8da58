//! Pages, layers and the routes to them.

pub mod assets;
pub mod cache;
pub mod error;
pub mod report;
pub mod views;
