//! Bandwidth by leave-one-out likelihood.
