//! The trail network: nodes, pieces, segments, stretches.
