//! Density of encounters along the network and in the plane.
//!
//! Along the network, one encounter is spread by a kernel over the edges within one bandwidth, by one of the two
//! equal-split rules of Okabe & Sugihara; in the plane, over a circle. A density is in encounters per metre (or per
//! square metre) as it comes, and pages show it per kilometre. Dividing a network density by the equally smoothed
//! exposure gives the relative density, with Monte Carlo tolerance contours.
//!
//! - [`NetworkParams`] names kernel, bandwidth, split rule and what a dead end does.
//! - [`density_at`], [`lixel_density`], [`lixel_masses`] and [`edge_masses`] evaluate; [`Lixels`] is the layout.
//! - [`bandwidth`] chooses a bandwidth by leave-one-out likelihood.
//! - [`relative`] is encounters over exposure.
//! - [`planar`] holds the planar kernels and their contours.
//!
//! # References
//! Okabe, A. & Sugihara, K. (2012). *Spatial Analysis along Networks*. Wiley, chapter 9.

pub mod bandwidth;
mod even_risk;
pub mod kernel;
pub mod lixel;
pub mod network;
pub mod planar;
pub mod relative;
mod source;
mod spread;
mod walk;

pub use kernel::NetworkKernel;
pub use lixel::Lixels;
pub use network::{Event, NetworkParams, Position, density_at, edge_masses, lixel_density, lixel_masses};
pub use walk::{DeadEnd, SplitRule};

/// Why a density cannot be computed from what was given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidDensity {
    /// A bandwidth that is not positive and finite.
    #[error("the bandwidth {0} m is not positive and finite")]
    Bandwidth(f64),
    /// A position names an edge that does not exist.
    #[error("position {index} names edge {edge}, but there are {n_edges}")]
    NoSuchEdge {
        /// The position in its list.
        index: usize,
        /// The edge it names.
        edge: usize,
        /// How many there are.
        n_edges: usize,
    },
    /// An offset outside its edge.
    #[error("position {index} lies {offset_m} m along an edge of {length_m} m")]
    Offset {
        /// The position in its list.
        index: usize,
        /// Its offset, metres.
        offset_m: f64,
        /// The length of its edge, metres.
        length_m: f64,
    },
    /// A weight that is negative or not finite.
    #[error("position {index} has the weight {weight}")]
    Weight {
        /// The position in its list.
        index: usize,
        /// Its weight.
        weight: f64,
    },
    /// A planar coordinate that is not finite.
    #[error("point {index} has a coordinate that is not finite")]
    Coordinate {
        /// The point in its list.
        index: usize,
    },
    /// A lixel length or cell size that is not positive and finite, or a grid without cells.
    #[error("{size} is not a usable {what}")]
    Resolution {
        /// What was asked for, in words.
        what: &'static str,
        /// The value refused.
        size: f64,
    },
    /// Two lists that should be equally long are not.
    #[error("{what}: {got} given, {expected} needed")]
    Lengths {
        /// What the list holds, in words.
        what: &'static str,
        /// How many were given.
        got: usize,
        /// How many were needed.
        expected: usize,
    },
    /// Exposure of an edge that is negative or not finite.
    #[error("edge {edge} has the exposure {exposure_km} km")]
    Exposure {
        /// The edge.
        edge: usize,
        /// Its exposure, party-kilometres.
        exposure_km: f64,
    },
    /// No draws, or no candidate bandwidths.
    #[error("no {0} given")]
    Nothing(&'static str),
}
