//! A local plane in metres, and geodesic measures.
//!
//! Lengths on the ground are geodesic (Karney 2013). Work that needs straight lines and areas happens in a [`LocalPlane`],
//! an azimuthal equidistant plane that is true to about a millimetre over a park; a spherical equirectangular plane would
//! err by half a per cent. What RFC 7946 asks of boxes, lines and rings at the antimeridian is here too.

mod antimeridian;
mod edge_grid;
mod geodesic;
mod local;
mod winding;

pub use antimeridian::{bounding_box, bounding_box_width, cut_line, cut_rectangle};
pub(in crate::analysis) use edge_grid::EdgeGrid;
pub use geodesic::{
    GeodesicLine, MetresPerDegree, NearestOnLine, destination, distance_m, geodesic, interpolate, length_m,
    metres_per_degree, nearest_on_line,
};
pub use local::LocalPlane;
pub use winding::{exterior_ring, hole_ring, signed_area};
