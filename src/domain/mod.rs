//! What things are: quantities, places and records, with their rules. Names nothing else of ours.

pub mod disclosure;
pub mod geography;
pub mod units;
