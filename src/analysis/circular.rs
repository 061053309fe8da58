//! Circular statistics of times of day and of year.
