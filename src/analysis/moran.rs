//! Moran's I, global and local.
