//! What time it is: the only place that asks.

use std::time::Duration;
use std::time::Instant;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// How long something takes.
#[derive(Debug, Clone, Copy)]
pub struct Stopwatch(Instant);

impl Stopwatch {
    /// The time since it was begun.
    pub fn elapsed(&self) -> Duration {
        self.0.elapsed()
    }
}

/// A clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// The machine's.
    System,
    /// One that stands still, for tests.
    Fixed(Timestamp),
}

impl Clock {
    /// The present instant.
    pub fn now(&self) -> Timestamp {
        match self {
            Self::System => Timestamp::now(),
            Self::Fixed(instant) => *instant,
        }
    }

    /// The present instant in seconds since 1970-01-01T00:00:00Z.
    pub fn now_s(&self) -> i64 {
        self.now().as_second()
    }

    /// Begins to measure how long something takes; it runs on whatever becomes of the time of day.
    pub fn stopwatch(&self) -> Stopwatch {
        Stopwatch(Instant::now())
    }

    /// The present date in a zone; in UTC where the zone is not known.
    pub fn today(&self, time_zone: &str) -> Date {
        let zone = TimeZone::get(time_zone).unwrap_or(TimeZone::UTC);
        zone.to_datetime(self.now()).date()
    }
}
