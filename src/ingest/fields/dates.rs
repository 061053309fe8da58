//! Dates and times as people write them. What can be read in two ways is refused, never guessed.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::civil::DateTime;
use jiff::civil::Time;
use jiff::tz::AmbiguousOffset;

use crate::domain::time::EventDate;
use crate::domain::time::EventTime;
use crate::ingest::context::Context;
use crate::ingest::context::DayOrder;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Row;

/// Earlier dates are taken for slips of the pen.
const FIRST_YEAR: i16 = 1900;
const MONTHS: [&str; 12] =
    ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];
const HINT: &str = "write 2024-05-04, with 09:10 for the time; 2024-05 or 2024 where the day is not known";

/// A time of day with the offset it was given with, in seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Clock {
    time: Time,
    offset_s: Option<i32>,
}

/// When an encounter happened, from its date and its time, in the area's zone.
pub(crate) fn event(row: &dyn Row, context: &Context) -> Result<EventTime, Problem> {
    let (date_name, date_text) = (Field::EventDate.name(), row.get(Field::EventDate));
    if date_text.is_empty() {
        return Err(Problem::new(date_name, "", "there is no date", HINT));
    }
    let (date, in_date) = split(date_name, date_text, context)?;
    let time_text = row.get(Field::EventTime);
    let in_time = if time_text.is_empty() { None } else { Some(clock(Field::EventTime.name(), time_text)?) };
    let clock = in_time.or(in_date);
    let EventDate::Day(day) = date else {
        check_range(date_name, date_text, &date, context)?;
        let minute_of_day = clock.map(|clock| minute(clock.time));
        return Ok(EventTime { date, minute_of_day, instant_s: None });
    };
    let Some(clock) = clock else {
        check_range(date_name, date_text, &date, context)?;
        return Ok(EventTime { date, minute_of_day: None, instant_s: None });
    };
    let field = if in_time.is_some() { (Field::EventTime.name(), time_text) } else { (date_name, date_text) };
    let time = at(field, day.to_datetime(clock.time), clock.offset_s, context)?;
    check_range(date_name, date_text, &time.date, context)?;
    Ok(time)
}

/// An instant that must be there: with an offset, or local to the area and not ambiguous.
pub(crate) fn instant(row: &dyn Row, field: Field, context: &Context) -> Result<i64, Problem> {
    let text = row.get(field);
    let none =
        || Problem::new(field.name(), "", "there is no time", "write 2024-05-04T09:10, or with Z or +02:00");
    optional_instant(row, field, context)?
        .ok_or_else(none)
        .map_err(|problem| Problem { value: text.to_owned(), ..problem })
}

/// An instant, or none where the field is empty. A date alone is its midnight.
pub(crate) fn optional_instant(
    row: &dyn Row,
    field: Field,
    context: &Context,
) -> Result<Option<i64>, Problem> {
    let text = row.get(field);
    if text.is_empty() {
        return Ok(None);
    }
    let (date, clock) = split(field.name(), text, context)?;
    let EventDate::Day(day) = date else {
        return Err(Problem::new(field.name(), text, "the day is missing", "write 2024-05-04T09:10"));
    };
    let clock = clock.unwrap_or(Clock { time: Time::midnight(), offset_s: None });
    let time = at((field.name(), text), day.to_datetime(clock.time), clock.offset_s, context)?;
    // Twice an hour a year a local time is two instants: only an offset can tell them apart.
    let hint = "add the offset, as in 2024-11-03T01:30-06:00";
    let ambiguous = || Problem::new(field.name(), text, "the clock showed this time twice that night", hint);
    time.instant_s.ok_or_else(ambiguous).map(Some)
}

/// A date in ISO form, or nothing.
pub(crate) fn optional_date(row: &dyn Row, field: Field) -> Result<String, Problem> {
    let text = row.get(field);
    match text.parse::<Date>() {
        _ if text.is_empty() => Ok(String::new()),
        Ok(date) => Ok(date.to_string()),
        Err(_) => Err(Problem::new(field.name(), text, "this is not a date", "write it as 2028-03-01")),
    }
}

/// What a local time, or a time with an offset, means in the area's zone.
fn at(
    (field, text): (&str, &str),
    local: DateTime,
    offset_s: Option<i32>,
    context: &Context,
) -> Result<EventTime, Problem> {
    if let Some(offset_s) = offset_s {
        let refused = |_| Problem::new(field, text, "this instant is out of range", HINT);
        let offset = jiff::tz::Offset::from_seconds(offset_s).map_err(refused)?;
        let instant = offset.to_timestamp(local).map_err(refused)?;
        return Ok(in_zone(instant, context));
    }
    let ambiguous = context.zone.to_ambiguous_timestamp(local);
    let known = |instant_s| EventTime {
        date: EventDate::Day(local.date()),
        minute_of_day: Some(minute(local.time())),
        instant_s,
    };
    match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => {
            let instant =
                ambiguous.unambiguous().map_err(|_| Problem::new(field, text, "out of range", HINT))?;
            Ok(known(Some(instant.as_second())))
        }
        AmbiguousOffset::Gap { .. } => {
            let reason = "the clock skipped this time that night";
            Err(Problem::new(field, text, reason, "check the time, or give it with its offset"))
        }
        AmbiguousOffset::Fold { .. } => Ok(known(None)),
    }
}

fn in_zone(instant: Timestamp, context: &Context) -> EventTime {
    let local = context.zone.to_datetime(instant);
    EventTime {
        date: EventDate::Day(local.date()),
        minute_of_day: Some(minute(local.time())),
        instant_s: Some(instant.as_second()),
    }
}

fn minute(time: Time) -> u16 {
    u16::from(time.hour().unsigned_abs()) * 60 + u16::from(time.minute().unsigned_abs())
}

fn check_range(field: &str, text: &str, date: &EventDate, context: &Context) -> Result<(), Problem> {
    let today = context.today;
    let (year, is_future) = match *date {
        EventDate::Day(day) => (day.year(), day > today),
        EventDate::Month { year, month } => (year, (year, month) > (today.year(), today.month())),
        EventDate::Year(year) => (year, year > today.year()),
        EventDate::Unknown => return Ok(()),
    };
    if is_future {
        return Err(Problem::new(field, text, "this date lies in the future", "check the year"));
    }
    if year < FIRST_YEAR {
        return Err(Problem::new(
            field,
            text,
            format!("this date lies before {FIRST_YEAR}"),
            "check the year",
        ));
    }
    Ok(())
}

/// The date of a text, with the time of day that follows it.
fn split(field: &str, text: &str, context: &Context) -> Result<(EventDate, Option<Clock>), Problem> {
    let text = text.trim();
    // An ISO date-time: the date is ten characters long.
    if let Some((first, rest)) = text.split_at_checked(10)
        && first.as_bytes().iter().filter(|byte| **byte == b'-').count() == 2
        && let Some(time) = rest.strip_prefix(['T', 't', ' '])
        && !time.contains('/')
    {
        return Ok((date(field, first, context)?, Some(clock(field, time)?)));
    }
    Ok((date(field, text, context)?, None))
}

fn date(field: &str, text: &str, context: &Context) -> Result<EventDate, Problem> {
    let refused = |reason: &str, hint: &str| Err(Problem::new(field, text, reason, hint));
    let parts: Vec<&str> = text.split(['-', '/', '.']).collect();
    let is_number = |part: &&str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    if parts.len() > 3 && text.contains('/') {
        return refused(
            "this is a range of dates",
            "give the day if it is known, or the month or year alone",
        );
    }
    if !parts.iter().all(is_number) {
        return words(field, text);
    }
    let separator = text.chars().find(|letter| !letter.is_ascii_digit());
    match parts[..] {
        [year] if year.len() == 4 => Ok(EventDate::Year(number(year))),
        [serial] if serial.len() == 5 || serial.len() == 6 => refused(
            "this looks like a spreadsheet's day number",
            "format the column as a date and export again",
        ),
        [year, month] if year.len() == 4 && month.len() <= 2 => {
            month_of(field, text, number(year), number(month))
        }
        [year, month, day] if year.len() == 4 => {
            day_of(field, text, number(year), number(month), number(day))
        }
        [_, _, year] if year.len() == 2 => refused("the year has two digits", "write four digits"),
        [day, month, year] if year.len() == 4 && separator == Some('.') => {
            day_of(field, text, number(year), number(month), number(day))
        }
        [first, second, year] if year.len() == 4 => {
            let (first, second, year) = (number(first), number(second), number(year));
            match context.day_order {
                DayOrder::DayFirst => day_of(field, text, year, second, first),
                DayOrder::MonthFirst => day_of(field, text, year, first, second),
                DayOrder::Unknown if first > 12 => day_of(field, text, year, second, first),
                DayOrder::Unknown if second > 12 => day_of(field, text, year, first, second),
                DayOrder::Unknown if first == second => day_of(field, text, year, first, second),
                DayOrder::Unknown => refused("day and month can be read both ways", HINT),
            }
        }
        _ => refused("this is not a date", HINT),
    }
}

fn number(digits: &str) -> i16 {
    digits.parse().unwrap_or(i16::MAX)
}

fn day_of(field: &str, text: &str, year: i16, month: i16, day: i16) -> Result<EventDate, Problem> {
    let made =
        i8::try_from(month).ok().zip(i8::try_from(day).ok()).and_then(|(m, d)| Date::new(year, m, d).ok());
    made.map(EventDate::Day).ok_or_else(|| Problem::new(field, text, "there is no such day", HINT))
}

fn month_of(field: &str, text: &str, year: i16, month: i16) -> Result<EventDate, Problem> {
    match i8::try_from(month) {
        Ok(month @ 1..=12) => Ok(EventDate::Month { year, month }),
        _ => Err(Problem::new(field, text, "there is no such month", HINT)),
    }
}

/// "4 March 2024", "Mar 4, 2024", "March 2024".
fn words(field: &str, text: &str) -> Result<EventDate, Problem> {
    let parts: Vec<String> =
        text.split([' ', ',', '.', '-']).filter(|part| !part.is_empty()).map(str::to_lowercase).collect();
    let month = |word: &str| {
        let is_word = word.len() >= 3 && word.chars().all(char::is_alphabetic);
        let found = MONTHS.iter().position(|month| word.starts_with(month));
        found.filter(|_| is_word).map(|idx| idx as i16 + 1)
    };
    let plain = |word: &str| {
        let digits = word.trim_end_matches(|letter: char| letter.is_alphabetic());
        let suffix = &word[digits.len()..];
        let is_day = ["", "st", "nd", "rd", "th"].contains(&suffix);
        digits.parse::<i16>().ok().filter(|_| is_day)
    };
    let refused = || Problem::new(field, text, "this is not a date", HINT);
    match parts.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [first, second, year] if year.len() == 4 => {
            let year = plain(year).ok_or_else(refused)?;
            let (month, day) = match (month(first), month(second)) {
                (Some(month), None) => (month, plain(second)),
                (None, Some(month)) => (month, plain(first)),
                _ => return Err(refused()),
            };
            day_of(field, text, year, month, day.ok_or_else(refused)?)
        }
        [first, year] if year.len() == 4 => {
            let (month, year) = month(first).zip(plain(year)).ok_or_else(refused)?;
            month_of(field, text, year, month)
        }
        _ => Err(refused()),
    }
}

/// "09:10", "9:10:30", "9.10 pm", "21:10Z", "09:10+02:00".
fn clock(field: &str, text: &str) -> Result<Clock, Problem> {
    let refused =
        || Problem::new(field, text, "this is not a time of day", "write 09:10, or 21:10 in the evening");
    let upper = text.trim().to_uppercase().replace('.', ":");
    let (body, offset_s) = offset(&upper).ok_or_else(refused)?;
    let (body, half) = match (body.strip_suffix("AM"), body.strip_suffix("PM")) {
        (Some(body), _) => (body, Some(0)),
        (_, Some(body)) => (body, Some(12)),
        _ => (body, None),
    };
    let parts: Vec<&str> = body.trim().split(':').collect();
    let values: Option<Vec<i8>> = parts
        .iter()
        .take(3)
        .map(|part| {
            part.parse().ok().filter(|_| part.len() <= 2 && part.bytes().all(|byte| byte.is_ascii_digit()))
        })
        .collect();
    let values = values.ok_or_else(refused)?;
    // Fractions of a second stand in a fourth part, after the point.
    let is_fraction = |part: &&str| part.bytes().all(|byte| byte.is_ascii_digit());
    if parts.len() < 2 || parts.len() > 4 || !parts.iter().skip(3).all(is_fraction) {
        return Err(refused());
    }
    let hour = match (values[0], half) {
        (hour @ 1..=12, Some(half)) => hour % 12 + half,
        (_, Some(_)) => return Err(refused()),
        (hour, None) => hour,
    };
    let second = values.get(2).copied().unwrap_or(0).min(59);
    let time = Time::new(hour, values[1], second, 0).map_err(|_| refused())?;
    Ok(Clock { time, offset_s })
}

/// Splits an offset off the end of a time.
fn offset(text: &str) -> Option<(&str, Option<i32>)> {
    let text = text.trim();
    if let Some(body) = text.strip_suffix('Z') {
        return Some((body, Some(0)));
    }
    let Some(at) = text.rfind(['+', '-', '\u{2212}']) else { return Some((text, None)) };
    let sign = if text[at..].starts_with('+') { 1 } else { -1 };
    let digits: String = text[at..].chars().filter(char::is_ascii_digit).collect();
    let (hours, minutes): (i32, i32) = match digits.len() {
        2 => (digits.parse().ok()?, 0),
        4 => (digits[..2].parse().ok()?, digits[2..].parse().ok()?),
        _ => return None,
    };
    (hours <= 14 && minutes < 60).then_some((&text[..at], Some(sign * (hours * 3600 + minutes * 60))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    fn read(date: &str, time: &str) -> Result<EventTime, Problem> {
        let pairs = vec![("date".to_owned(), date.to_owned()), ("time".to_owned(), time.to_owned())];
        event(&Pairs::new(Content::Encounters, 1, pairs), &context())
    }

    #[test]
    fn dates_are_read_as_far_as_they_are_known() {
        let day = |y, m, d| EventDate::Day(jiff::civil::date(y, m, d));
        let check = |text, expected| assert_eq!(read(text, "").map(|time| time.date), Ok(expected), "{text}");
        check("2024-05-04", day(2024, 5, 4));
        check("2024/05/04", day(2024, 5, 4));
        check("25/03/2024", day(2024, 3, 25));
        check("03/25/2024", day(2024, 3, 25));
        check("4.5.2024", day(2024, 5, 4));
        check("14 May 1998", day(1998, 5, 14));
        check("Mar 4, 2024", day(2024, 3, 4));
        check("4th September 2024", day(2024, 9, 4));
        check("2024-05", EventDate::Month { year: 2024, month: 5 });
        check("May 2024", EventDate::Month { year: 2024, month: 5 });
        check("2024", EventDate::Year(2024));
    }

    #[test]
    fn what_can_be_read_in_two_ways_is_refused_by_name() {
        let check = |date, time, reason: &str| {
            let problem = read(date, time).unwrap_err();
            assert!(problem.reason.contains(reason), "{date} {time}: {}", problem.reason);
        };
        check("03/04/2024", "", "both ways");
        check("4/5/24", "", "two digits");
        check("45416", "", "spreadsheet");
        check("2024-02-30", "", "no such day");
        check("2024-13", "", "no such month");
        check("2031-05-04", "", "future");
        check("1804-05-04", "", "before 1900");
        check("2024-05-04/2024-06-02", "", "range");
        check("", "09:10", "no date");
        check("spring", "", "not a date");
        check("2024-05-04", "25:10", "not a time");
        check("2024-05-04", "noon", "not a time");
        // Clocks went from 2 to 3 h on 10 March 2024 in this zone.
        check("2024-03-10", "02:30", "skipped");
    }

    #[test]
    fn times_are_local_to_the_area() {
        let check = |date, time, local: (u16, Option<i64>)| {
            let read = read(date, time).unwrap();
            assert_eq!((read.minute_of_day.unwrap(), read.instant_s), local, "{date} {time}");
        };
        // 09:10 in summer time, six hours behind UTC, is 15:10 UTC.
        let instant = Some(1_714_835_400);
        check("2024-05-04", "09:10", (550, instant));
        check("2024-05-04T09:10", "", (550, instant));
        check("2024-05-04 09:10:00", "", (550, instant));
        check("2024-05-04T15:10:00Z", "", (550, instant));
        check("2024-05-04T17:10:00.250+02:00", "", (550, instant));
        check("2024-05-04", "9.10 am", (550, instant));
        check("2024-05-04", "9:10 PM", (1270, Some(1_714_878_600)));
        check("2024-05-04", "12:05 am", (5, Some(1_714_802_700)));
        // Clocks showed 1:30 twice on 3 November 2024: the time is kept, the instant is not known.
        check("2024-11-03", "01:30", (90, None));
    }

    #[test]
    fn an_offset_can_move_the_date() {
        let read = read("2024-05-05T03:00Z", "").unwrap();
        assert_eq!(read.date, EventDate::Day(jiff::civil::date(2024, 5, 4)));
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(date in "\\PC{0,30}", time in "\\PC{0,20}") {
            let _ = read(&date, &time);
        }

        #[test]
        fn every_day_reads_back(year in 1900i16..2026, month in 1i8..=12, day in 1i8..=28) {
            let text = format!("{year:04}-{month:02}-{day:02}");
            proptest::prop_assert_eq!(read(&text, "").unwrap().date, EventDate::Day(jiff::civil::date(year, month, day)));
        }
    }
}
