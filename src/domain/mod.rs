//! What things are: quantities, places and records, with their rules. Names nothing else of ours.

pub mod geography;
pub mod units;
