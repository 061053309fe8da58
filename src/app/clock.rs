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
        zone_of(time_zone).to_datetime(self.now()).date()
    }

    /// When the next day begins in a zone, in seconds since 1970-01-01T00:00:00Z; at once beyond the last year there is.
    pub fn next_day_s(&self, time_zone: &str) -> i64 {
        let tomorrow = self.today(time_zone).tomorrow();
        let begins = tomorrow.and_then(|day| zone_of(time_zone).to_timestamp(day.at(0, 0, 0, 0)));
        begins.map_or(self.now_s(), |start| start.as_second())
    }
}

fn zone_of(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap_or(TimeZone::UTC)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_ends_at_local_midnight() {
        let noon = Clock::Fixed("2024-07-01T12:00:00Z".parse().unwrap());
        assert_eq!(noon.next_day_s("UTC") - noon.now_s(), 12 * 3600);
        // Seven hours behind, it is five in the morning.
        assert_eq!(noon.next_day_s("America/Phoenix") - noon.now_s(), 19 * 3600);
        // A day of 25 hours.
        let change = Clock::Fixed("2024-10-26T22:30:00Z".parse().unwrap());
        assert_eq!(change.next_day_s("Europe/Vienna") - change.now_s(), 24 * 3600 + 1800);
    }
}
