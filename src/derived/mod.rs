//! Every layer derived from one data revision, computed once, remembered.
pub mod memo;
