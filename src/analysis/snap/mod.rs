//! Tying a position with its error to segments and places.
