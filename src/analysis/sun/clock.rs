//! Wall clocks of a time zone, and the instants they stand for.

use crate::analysis::sun::SunError;
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::AmbiguousOffset;
use jiff::tz::TimeZone;

/// What a clock on the wall shows, and how far it is from universal time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LocalTime {
    /// The reading of the clock.
    pub wall_clock: DateTime,
    /// Seconds by which the clock is ahead of universal time; negative west of Greenwich.
    pub offset_s: i32,
}

/// The wall clock and the offset of a zone at an instant.
pub fn local_time(at: Timestamp, zone: &TimeZone) -> LocalTime {
    let offset = zone.to_offset(at);
    LocalTime { wall_clock: offset.to_datetime(at), offset_s: offset.seconds() }
}

/// What a wall-clock reading means in a zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WallClock {
    /// It happened once.
    Unique(Timestamp),
    /// It happened twice, as clocks went back.
    Ambiguous {
        /// Before the change.
        earlier: Timestamp,
        /// After the change.
        later: Timestamp,
    },
    /// It never happened, as clocks went forward over it.
    Nonexistent,
}

/// The instant, or instants, at which the clocks of a zone showed a reading.
///
/// # Errors
/// [`SunError::Calendar`] within a day of the ends of the calendar (years -9999 and 9999).
pub fn wall_clock(reading: DateTime, zone: &TimeZone) -> Result<WallClock, SunError> {
    Ok(match zone.to_ambiguous_timestamp(reading).offset() {
        AmbiguousOffset::Unambiguous { offset } => WallClock::Unique(offset.to_timestamp(reading)?),
        AmbiguousOffset::Fold { before, after } => WallClock::Ambiguous {
            earlier: before.to_timestamp(reading)?,
            later: after.to_timestamp(reading)?,
        },
        AmbiguousOffset::Gap { .. } => WallClock::Nonexistent,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).unwrap()
    }

    #[test]
    fn wall_clocks_are_unique_ambiguous_or_nonexistent() {
        let check = |reading: &str, name: &str, expected: WallClock| {
            assert_eq!(
                wall_clock(reading.parse().unwrap(), &zone(name)).unwrap(),
                expected,
                "{reading} {name}"
            );
        };
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        check("2025-03-09T02:30", "America/Denver", WallClock::Nonexistent);
        check("2025-03-09T02:30", "America/Phoenix", WallClock::Unique(at("2025-03-09T09:30Z")));
        check("2019-09-08T00:00", "America/Santiago", WallClock::Nonexistent);
        let fold = WallClock::Ambiguous { earlier: at("2025-11-02T07:30Z"), later: at("2025-11-02T08:30Z") };
        check("2025-11-02T01:30", "America/Denver", fold);
    }

    #[test]
    fn local_time_carries_its_offset() {
        let local = local_time("2024-05-05T20:00:00Z".parse().unwrap(), &zone("Asia/Kolkata"));
        assert_eq!(local.wall_clock, "2024-05-06T01:30:00".parse().unwrap());
        assert_eq!(local.offset_s, 330 * 60);
    }
}
