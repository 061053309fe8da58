//! Values of one kind each: numbers, coordinates, dates and times.

pub(crate) mod coordinates;
pub(crate) mod dates;
pub(crate) mod numbers;
pub(crate) mod wkt;
