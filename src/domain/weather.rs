//! Weather by day.

use jiff::civil::Date;

/// Highest and lowest air temperature that a day's maximum can have, degrees Celsius: the extremes ever measured lie
/// between.
pub const MAX_TEMPERATURE_RANGE_C: (f64, f64) = (-90.0, 60.0);

/// The highest air temperature of a day in the area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DailyWeather {
    /// The local day.
    pub date: Date,
    /// Its highest air temperature, degrees Celsius.
    pub max_temperature_c: f64,
}
