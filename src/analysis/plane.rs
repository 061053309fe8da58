//! A local plane in metres, and geodesic measures.
