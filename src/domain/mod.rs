//! What things are: quantities, places and records, with their rules. Names nothing else of ours.

pub mod account;
pub mod approach;
pub mod area;
pub mod batch;
pub mod closure;
pub mod csv_text;
pub mod disclosure;
pub mod double_observer;
pub mod encounter;
pub mod exposure;
pub mod geography;
pub mod ids;
pub mod notice;
pub mod organism;
pub mod photo;
pub mod place;
pub mod revision;
pub mod sign;
pub mod sign_watch;
pub mod terms;
pub mod time;
pub mod trail;
pub mod units;
pub mod walk;
pub mod weather;
