//! When something happened, as far as it is known. Unknown parts stay unknown.

use jiff::civil::Date;

/// The months by name, January first.
pub const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// A date known to the day, the month or the year, or not at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum EventDate {
    /// Known to the day, in the area's zone.
    Day(Date),
    /// Known to the month.
    Month {
        /// The year.
        year: i16,
        /// The month, 1 to 12.
        month: i8,
    },
    /// Known to the year.
    Year(i16),
    /// Not known.
    Unknown,
}

/// A date with an optional time of day, local to the area, and the instant where it is known without doubt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct EventTime {
    /// The local date.
    pub date: EventDate,
    /// The local time of day in minutes after midnight, where known.
    pub minute_of_day: Option<u16>,
    /// Seconds since 1970-01-01T00:00:00Z, where date, time and zone are all known and unambiguous.
    pub instant_s: Option<i64>,
}

impl EventTime {
    /// A time of which nothing is known.
    pub const UNKNOWN: Self = Self { date: EventDate::Unknown, minute_of_day: None, instant_s: None };

    /// The month, where known.
    pub fn month(&self) -> Option<i8> {
        match self.date {
            EventDate::Day(date) => Some(date.month()),
            EventDate::Month { month, .. } => Some(month),
            EventDate::Year(_) | EventDate::Unknown => None,
        }
    }

    /// The year, where known.
    pub fn year(&self) -> Option<i16> {
        match self.date {
            EventDate::Day(date) => Some(date.year()),
            EventDate::Month { year, .. } | EventDate::Year(year) => Some(year),
            EventDate::Unknown => None,
        }
    }

    /// The day of the month, where known.
    pub fn day(&self) -> Option<i8> {
        match self.date {
            EventDate::Day(date) => Some(date.day()),
            _ => None,
        }
    }

    /// The days that it may be of, first and last; none where not even the year is known.
    pub fn days(&self) -> Option<(Date, Date)> {
        let (first, last) = match self.date {
            EventDate::Day(day) => (Some(day), Some(day)),
            EventDate::Month { year, month } => {
                let first = Date::new(year, month, 1).ok();
                (first, first.map(Date::last_of_month))
            }
            EventDate::Year(year) => (Date::new(year, 1, 1).ok(), Date::new(year, 12, 31).ok()),
            EventDate::Unknown => (None, None),
        };
        first.zip(last)
    }

    /// The hour of the day, where known.
    pub fn hour(&self) -> Option<u8> {
        self.minute_of_day.map(|minute| (minute / 60) as u8)
    }
}

/// A part of the day, as chosen on the map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum PartOfDay {
    /// From 5 to 9.
    Early,
    /// From 9 to 17.
    Middle,
    /// From 17 to 21.
    Evening,
    /// From 21 to 5.
    Night,
}

impl PartOfDay {
    /// All parts, in the order of the day.
    pub const ALL: [Self; 4] = [Self::Early, Self::Middle, Self::Evening, Self::Night];

    /// The part that holds the hour (0 to 23).
    pub fn of_hour(hour: u8) -> Self {
        match hour {
            5..=8 => Self::Early,
            9..=16 => Self::Middle,
            17..=20 => Self::Evening,
            _ => Self::Night,
        }
    }

    /// The hours of the part, 0 to 23.
    pub fn hours(self) -> impl Iterator<Item = u8> {
        (0..24).filter(move |hour| Self::of_hour(*hour) == self)
    }

    /// The word in addresses and forms.
    pub fn term(self) -> &'static str {
        match self {
            Self::Early => "early",
            Self::Middle => "middle",
            Self::Evening => "evening",
            Self::Night => "night",
        }
    }

    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Early => "early, 5 to 9 h",
            Self::Middle => "middle of the day, 9 to 17 h",
            Self::Evening => "evening, 17 to 21 h",
            Self::Night => "night, 21 to 5 h",
        }
    }

    /// Reads the word of addresses and forms.
    pub fn from_term(term: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|part| part.term() == term)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_share_out_the_day() {
        let hours: usize = PartOfDay::ALL.iter().map(|part| part.hours().count()).sum();
        assert_eq!(hours, 24);
        assert_eq!(PartOfDay::Night.hours().count(), 8);
    }
}
