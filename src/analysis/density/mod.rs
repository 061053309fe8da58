//! Density of encounters along the network and in the plane.
