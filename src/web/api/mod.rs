//! Layers: GeoJSON for the map and for other people's maps.

mod layers;
mod parameters;

pub use crate::web::api::layers::clusters;
pub use crate::web::api::layers::density;
pub use crate::web::api::layers::encounters;
pub use crate::web::api::layers::notices;
pub use crate::web::api::layers::segments;
pub use crate::web::api::layers::signs;
pub use crate::web::api::layers::stretches;
pub use crate::web::api::layers::trails;
pub use crate::web::api::layers::walks;
