//! Pages, layers and the routes to them.

pub mod api;
pub mod assets;
pub mod auth;
pub mod cache;
pub mod error;
pub mod form;
pub mod geojson;
mod kept;
pub mod origin;
pub mod pages;
pub mod query;
pub mod report;
mod request_log;
mod router;
mod serve;
pub mod study;
pub mod upload;
pub mod views;
mod waiting;

pub use crate::web::router::router;
pub use crate::web::router::routes;
pub use crate::web::serve::Limits;
pub use crate::web::serve::serve;
