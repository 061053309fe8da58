//! What is computed: functions of their arguments, without I/O, clock or unseeded randomness.

pub mod before_after;
pub mod circular;
pub mod clusters;
pub mod counts;
pub mod density;
pub mod double_observer;
pub mod empirical_bayes;
pub mod exposure;
pub mod false_discovery;
pub mod forecast;
pub mod getis_ord;
pub mod graph;
pub mod moran;
pub mod network;
pub mod permutation;
pub mod plane;
pub mod random;
pub mod rates;
pub mod response;
pub mod season;
pub mod season_watch;
pub mod snap;
pub mod sun;
pub mod track_match;
pub mod weights;
