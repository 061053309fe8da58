//! Clusters: where encounters gather beyond what the walking there explains.
//!
//! The null hypothesis everywhere in this module: the encounters of an area were dealt to its segments by exposure alone.
//! Each encounter falls on a segment with the probability of that segment's share of all walking (multinomial), or, where
//! encounters come in clumps, clumps do (negative binomial counts given their total, which is Dirichlet-multinomial). What
//! is tested is therefore the count against its expectation, never a raw rate.
//!
//! - [`Null`]: the evidence with its null, and the [`Dispersion`] that says whether encounters come in clumps.
//! - [`gi_star`] and [`local_moran`]: every segment with its neighbours; tails are exact, so nothing is drawn.
//! - [`scan()`]: windows grown by network distance, the likeliest cluster first, Monte Carlo p over all windows at once.
//! - [`ratio()`]: how many times the expected count a cluster has, with its interval.
//!
//! **Pooling.** Uncertain records come as whole-number allocations and exposure comes as whole draws. Draw `d` pairs
//! allocation `d` with exposure draw `d`. A p-value is the mean over the draws of the tail within each draw: over exposure
//! draws, which know nothing of the encounters, that is the tail of the count's predictive distribution; over allocations it
//! is the expected tail given where the records may lie (Meng 1994), at most twice too small in the worst case and
//! conservative in simulation.
//!
//! Segments that are not looked at (exposure assumed, or nobody walks there) take no part: not their records, not their
//! walking, and not as neighbours.
//!
//! # References
//! Kulldorff, M. (1997). A spatial scan statistic. *Communications in Statistics: Theory and Methods* 26, 1481-1496.
//! Meng, X.-L. (1994). Posterior predictive p-values. *Annals of Statistics* 22, 1142-1160.
//! Waller, L. A. & Gotway, C. A. (2004). *Applied Spatial Statistics for Public Health Data*. Wiley, chapter 7.

mod groups;
mod local;
mod null;
mod ratio;
mod replicates;
mod scan;
mod tails;
mod windows;

#[cfg(test)]
mod simulation_tests;

pub use groups::groups;
pub use local::{
    LocalFinding, LocalMoranFinding, SegmentFinding, SegmentMoran, Together, adjust, gi_star, local_moran,
};
pub use null::{Dispersion, Evidence, Null, dispersion};
pub use ratio::{CountRatio, limits_over_draws, ratio};
pub use scan::{ScanParams, ScanResult, ScanWindow, scan};
pub use windows::Windows;

/// On which side of its expectation a count lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// More encounters than expected.
    More,
    /// Fewer encounters than expected.
    Fewer,
}

/// Why clusters cannot be looked for.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ClusterError {
    /// Lists do not fit together.
    #[error("{what}: {got} values where {expected} were expected")]
    Lengths {
        /// Which list.
        what: &'static str,
        /// Its length.
        got: usize,
        /// The length it should have.
        expected: usize,
    },
    /// An exposure is negative or not finite.
    #[error("the exposure of segment {segment} in draw {draw} is {value} km")]
    Exposure {
        /// The segment.
        segment: usize,
        /// The draw.
        draw: usize,
        /// Its value.
        value: f64,
    },
    /// A weight is neither zero nor one; only with such weights are the tails exact.
    #[error("the weight of segment {neighbour} for segment {segment} is {weight}, but must be one")]
    NotBinary {
        /// Whose row it is.
        segment: usize,
        /// The neighbour.
        neighbour: usize,
        /// The weight.
        weight: f64,
    },
    /// No segment that is looked at has exposure in every draw's total.
    #[error("nobody walks on the segments that are looked at")]
    NoExposure,
    /// Some draw has no encounter on the segments that are looked at.
    #[error("there are no encounters on the segments that are looked at")]
    NoEncounters,
    /// A parameter is out of range.
    #[error("{what} is {value}, outside its range")]
    Parameter {
        /// Which one.
        what: &'static str,
        /// Its value.
        value: f64,
    },
}
