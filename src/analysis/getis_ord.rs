//! Getis and Ord's local statistics.
