//! Dates of which only a part may be known, in three columns.

use jiff::civil::Date;

use crate::domain::time::EventDate;

/// Year, month and day, as far as known.
pub(super) fn to_columns(date: EventDate) -> (Option<i64>, Option<i64>, Option<i64>) {
    match date {
        EventDate::Day(date) => {
            (Some(date.year().into()), Some(date.month().into()), Some(date.day().into()))
        }
        EventDate::Month { year, month } => (Some(year.into()), Some(month.into()), None),
        EventDate::Year(year) => (Some(year.into()), None, None),
        EventDate::Unknown => (None, None, None),
    }
}

/// Reads what [`to_columns`] wrote.
///
/// # Errors
/// What is wrong, in words: a part without the next larger one, or no day of the calendar.
pub(super) fn from_columns(
    year: Option<i64>,
    month: Option<i64>,
    day: Option<i64>,
) -> Result<EventDate, String> {
    let narrow = |number: i64| i8::try_from(number).map_err(|error| error.to_string());
    let year = year.map(i16::try_from).transpose().map_err(|error| error.to_string())?;
    match (year, month, day) {
        (Some(year), Some(month), Some(day)) => {
            let date = Date::new(year, narrow(month)?, narrow(day)?).map_err(|error| error.to_string())?;
            Ok(EventDate::Day(date))
        }
        (Some(year), Some(month), None) => Ok(EventDate::Month { year, month: narrow(month)? }),
        (Some(year), None, None) => Ok(EventDate::Year(year)),
        (None, None, None) => Ok(EventDate::Unknown),
        _ => Err("a part of the date is known without the next larger one".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_read_back() {
        for date in [
            EventDate::Day(Date::constant(2024, 2, 29)),
            EventDate::Month { year: 1998, month: 12 },
            EventDate::Year(-1),
            EventDate::Unknown,
        ] {
            let (year, month, day) = to_columns(date);
            assert_eq!(from_columns(year, month, day), Ok(date));
        }
        assert!(from_columns(None, Some(3), None).is_err());
        assert!(from_columns(Some(2023), Some(2), Some(29)).is_err());
    }
}
