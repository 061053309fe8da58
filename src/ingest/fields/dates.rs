//! Dates and times as people write them. What can be read in two ways is refused, never guessed.

use std::borrow::Cow;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::civil::DateTime;
use jiff::civil::Time;
use jiff::tz::AmbiguousOffset;

use crate::domain::time::EventDate;
use crate::domain::time::EventTime;
use crate::domain::time::MONTHS;
use crate::ingest::context::Context;
use crate::ingest::context::DayOrder;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Row;

/// Earlier dates are taken for slips of the pen.
const FIRST_YEAR: i16 = 1900;
/// What is announced lies no further ahead; later dates are slips of the pen, too.
const MOST_YEARS_AHEAD: i16 = 10;
const HINT: &str = "write 2024-05-04, with 09:10 for the time; 2024-05 or 2024 where the day is not known";

/// A time of day with the offset it was given with, in seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Clock {
    time: Time,
    offset_s: Option<i32>,
}

/// When an encounter happened, from its date and its time, in the area's zone.
pub(crate) fn event(row: &dyn Row, context: &Context) -> Result<EventTime, Problem> {
    let date_name = Field::EventDate.name();
    let date_text = &*stated(row);
    if date_text.is_empty() {
        return Err(Problem::new(date_name, "", "there is no date", HINT));
    }
    let (date, in_date) = split(date_name, date_text, context)?;
    check_parts(row, &date, context)?;
    let time_text = row.get(Field::EventTime);
    let in_time = if time_text.is_empty() { None } else { Some(clock(Field::EventTime.name(), time_text)?) };
    if let Some((first, second)) = in_date.zip(in_time)
        && first != second
    {
        let reason = "the date carries another time of day";
        return Err(Problem::new(Field::EventTime.name(), time_text, reason, "leave one of them out"));
    }
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

/// The date as it stands in the row: in one column, or in those for year, month and day. A column for the day may hold
/// whole dates.
pub(crate) fn stated(row: &dyn Row) -> Cow<'_, str> {
    match row.get(Field::EventDate) {
        "" => parts(row),
        date => Cow::Borrowed(date),
    }
}

fn parts(row: &dyn Row) -> Cow<'_, str> {
    let [year, month, day] = [Field::Year, Field::Month, Field::Day].map(|field| row.get(field));
    let is_word = month.starts_with(|letter: char| letter.is_alphabetic());
    match (year, month, day) {
        ("", "", day) => Cow::Borrowed(day),
        (year, "", "") => Cow::Borrowed(year),
        (year, month, day) if is_word => Cow::Owned(format!("{day} {month} {year}").trim().to_owned()),
        (year, month, "") => Cow::Owned(format!("{year}-{month:0>2}")),
        (year, month, day) => Cow::Owned(format!("{year}-{month:0>2}-{day:0>2}")),
    }
}

/// Where the date stands in one column, those for its parts must not say another one.
fn check_parts(row: &dyn Row, date: &EventDate, context: &Context) -> Result<(), Problem> {
    let name = Field::EventDate.name();
    let parts = parts(row);
    if parts.is_empty() || row.get(Field::EventDate).is_empty() {
        return Ok(());
    }
    // What is no date, such as the day of the week, says nothing against it.
    let Ok((said, _)) = split(name, &parts, context) else { return Ok(()) };
    let month = |date: &EventDate| match *date {
        EventDate::Day(day) => (Some(day.year()), Some(day.month()), Some(day.day())),
        EventDate::Month { year, month } => (Some(year), Some(month), None),
        EventDate::Year(year) => (Some(year), None, None),
        EventDate::Unknown => (None, None, None),
    };
    let (one, other) = (month(date), month(&said));
    let differ =
        |one: Option<i16>, other: Option<i16>| one.zip(other).is_some_and(|(one, other)| one != other);
    let wide = |part: Option<i8>| part.map(i16::from);
    if differ(one.0, other.0) || differ(wide(one.1), wide(other.1)) || differ(wide(one.2), wide(other.2)) {
        let reason = format!("year, month and day say {parts}");
        return Err(Problem::new(name, row.get(Field::EventDate), reason, "leave one of them out"));
    }
    Ok(())
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

/// An instant, or none where the field is empty. A date alone is the first instant of its day.
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
    let time = match clock {
        Some(clock) => at((field.name(), text), day.to_datetime(clock.time), clock.offset_s, context)?,
        None => EventTime {
            date: EventDate::Day(day),
            minute_of_day: None,
            instant_s: Some(first_instant(day, (field.name(), text), context)?),
        },
    };
    // Counters may be planned to stand until a day to come; all else has happened.
    if field != Field::Until {
        check_range(field.name(), text, &time.date, context)?;
    }
    time.instant_s.ok_or_else(|| twice_that_night(field.name(), text)).map(Some)
}

/// Twice an hour a year a local time is two instants: only an offset can tell them apart.
fn twice_that_night(field: &str, text: &str) -> Problem {
    let hint = "add the offset, as in 2024-11-03T01:30-06:00";
    Problem::new(field, text, "the clock showed this time twice that night", hint)
}

/// Which end of a span of time is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Edge {
    /// The first instant of it.
    First,
    /// The first instant after it.
    After,
}

/// One end of a span, or none where the field is empty: a day is meant as a whole, from its first instant to the first of the
/// next day. It may lie ahead, as what was announced does.
pub(crate) fn edge(
    row: &dyn Row,
    field: Field,
    edge: Edge,
    context: &Context,
) -> Result<Option<i64>, Problem> {
    let (name, text) = (field.name(), row.get(field));
    if text.is_empty() {
        return Ok(None);
    }
    let (date, clock) = split(name, text, context)?;
    let EventDate::Day(day) = date else {
        return Err(Problem::new(name, text, "the day is missing", "write 2024-05-04, or 2024-05-04T09:10"));
    };
    if day.year() < FIRST_YEAR {
        let reason = format!("this date lies before {FIRST_YEAR}");
        return Err(Problem::new(name, text, reason, "check the year"));
    }
    if day.year() > context.today.year() + MOST_YEARS_AHEAD {
        let reason = format!("this date lies more than {MOST_YEARS_AHEAD} years ahead");
        return Err(Problem::new(name, text, reason, "check the year"));
    }
    let Some(clock) = clock else {
        let out_of_range = |_| Problem::new(name, text, "out of range", HINT);
        let day = if edge == Edge::After { day.tomorrow().map_err(out_of_range)? } else { day };
        return first_instant(day, (name, text), context).map(Some);
    };
    let time = at((name, text), day.to_datetime(clock.time), clock.offset_s, context)?;
    time.instant_s.ok_or_else(|| twice_that_night(name, text)).map(Some)
}

/// The first instant of a day: where the clock skips midnight that after the skip, where it repeats it the earlier one.
fn first_instant(day: Date, (field, text): (&str, &str), context: &Context) -> Result<i64, Problem> {
    let first = context.zone.to_timestamp(day.to_datetime(Time::midnight()));
    first.map(Timestamp::as_second).map_err(|_| Problem::new(field, text, "out of range", HINT))
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
    if let Some((first, second)) = text.split_once('/')
        && [first, second].iter().all(|half| half.contains('-') && !half.contains('/'))
    {
        return range(field, text, (first, second), context).map(|date| (date, None));
    }
    let Some(colon) = text.find(':') else { return Ok((date(field, text, context)?, None)) };
    // The hour stands before the first colon; the date ends at what separates it from the hour.
    let is_separator = |letter: char| letter == 'T' || letter == 't' || letter.is_whitespace();
    match text[..colon].rfind(is_separator) {
        Some(end) => {
            let time = text[end..].trim_start_matches(is_separator);
            let day = text[..end].trim_end_matches([',', ' ']);
            Ok((date(field, day, context)?, Some(clock(field, time)?)))
        }
        None => Ok((date(field, text, context)?, None)),
    }
}

/// What is known of a date from the two ends of a range: the day or the month that holds both.
fn range(
    field: &str,
    text: &str,
    (first, second): (&str, &str),
    context: &Context,
) -> Result<EventDate, Problem> {
    let month = |date: EventDate| match date {
        EventDate::Day(day) => Some((day.year(), day.month())),
        EventDate::Month { year, month } => Some((year, month)),
        EventDate::Year(_) | EventDate::Unknown => None,
    };
    let (first, second) = (split(field, first, context)?.0, split(field, second, context)?.0);
    match (month(first), month(second)) {
        _ if first == second => Ok(first),
        (Some(first), Some(second)) if first == second => {
            Ok(EventDate::Month { year: first.0, month: first.1 })
        }
        _ => {
            let hint = "give the day if it is known, or the month or year alone";
            Err(Problem::new(field, text, "this is a range of dates", hint))
        }
    }
}

fn date(field: &str, text: &str, context: &Context) -> Result<EventDate, Problem> {
    if let Some(day) = iso(text) {
        return Ok(EventDate::Day(day));
    }
    let refused = |reason: &str, hint: &str| Err(Problem::new(field, text, reason, hint));
    let serial =
        ("this looks like a spreadsheet's day number", "format the column as a date and export again");
    let is_number = |part: &&str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    let parts: Vec<&str> = text.split(['-', '/', '.']).collect();
    if !parts.iter().all(is_number) {
        return words(field, text);
    }
    let mut separators = text.chars().filter(|letter| !letter.is_ascii_digit());
    let separator = separators.next();
    if separators.any(|other| Some(other) != separator) {
        return refused("this is not a date", HINT);
    }
    match parts[..] {
        [year] if year.len() == 4 => Ok(EventDate::Year(number(year))),
        [whole] if whole.len() == 5 => refused(serial.0, serial.1),
        [whole, _] if whole.len() == 5 && separator == Some('.') => refused(serial.0, serial.1),
        // The basic form of ISO 8601.
        [whole] if whole.len() == 8 => {
            day_of(field, text, number(&whole[..4]), number(&whole[4..6]), number(&whole[6..]))
        }
        [year, month] if year.len() == 4 && month.len() <= 2 && separator != Some('.') => {
            month_of(field, text, number(year), number(month))
        }
        [month, year] if year.len() == 4 && month.len() <= 2 && separator != Some('.') => {
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
            match (order_of(first, second), context.day_order) {
                (_, DayOrder::DayFirst) | (DayOrder::DayFirst, DayOrder::Unknown) => {
                    day_of(field, text, year, second, first)
                }
                (_, DayOrder::MonthFirst) | (DayOrder::MonthFirst, DayOrder::Unknown) => {
                    day_of(field, text, year, first, second)
                }
                _ if first == second || first.min(second) > 12 => day_of(field, text, year, first, second),
                _ => refused("day and month can be read both ways", &both_readings(year, first, second)),
            }
        }
        _ => refused("this is not a date", HINT),
    }
}

/// The two dates that two numbers up to 12 may stand for, as they should be written.
fn both_readings(year: i16, first: i16, second: i16) -> String {
    let name = |month: i16| {
        let idx = usize::try_from(month).unwrap_or_default().wrapping_sub(1);
        MONTHS.get(idx).copied().unwrap_or_default()
    };
    format!(
        "write {year}-{second:02}-{first:02} for {first} {} or {year}-{first:02}-{second:02} for {second} {}; no other row \
         of the file settles which comes first",
        name(second),
        name(first)
    )
}

/// A day written as 2024-05-04, which nearly every one is.
fn iso(text: &str) -> Option<Date> {
    let &[y1, y2, y3, y4, b'-', m1, m2, b'-', d1, d2] = text.as_bytes() else { return None };
    let value = |digits: &[u8]| {
        digits.iter().try_fold(0i16, |value, digit| {
            digit.is_ascii_digit().then(|| value * 10 + i16::from(digit - b'0'))
        })
    };
    let (month, day) = (i8::try_from(value(&[m1, m2])?).ok()?, i8::try_from(value(&[d1, d2])?).ok()?);
    Date::new(value(&[y1, y2, y3, y4])?, month, day).ok()
}

/// In which order two numbers can be day and month, as far as they tell.
fn order_of(first: i16, second: i16) -> DayOrder {
    match (first > 12, second > 12) {
        (true, false) => DayOrder::DayFirst,
        (false, true) => DayOrder::MonthFirst,
        _ => DayOrder::Unknown,
    }
}

/// What a text tells of the order of day and month: none when it is no date that has one.
pub(crate) fn told_order(text: &str) -> Option<DayOrder> {
    let day = text.split([' ', 'T', ',']).find(|part| !part.is_empty())?;
    let (first, rest) = day.split_once(['/', '-'])?;
    let (second, year) = rest.split_once(['/', '-'])?;
    let is_number = |part: &str, longest: usize| {
        (1..=longest).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit())
    };
    let is_date = is_number(first, 2) && is_number(second, 2) && is_number(year, 4) && year.len() == 4;
    is_date.then(|| order_of(number(first), number(second)))
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
        let is_short = |month: &str| word.len() >= 3 && month.starts_with(word);
        let found = MONTHS.iter().position(|month| {
            let month = month.to_ascii_lowercase();
            is_short(&month) || month == "september" && word == "sept"
        });
        found.map(|idx| idx as i16 + 1)
    };
    let plain = |word: &str| {
        let digits = word.trim_end_matches(|letter: char| letter.is_alphabetic());
        let suffix = &word[digits.len()..];
        let is_day = ["", "st", "nd", "rd", "th"].contains(&suffix);
        let is_number = digits.bytes().all(|byte| byte.is_ascii_digit());
        digits.parse::<i16>().ok().filter(|_| is_day && is_number)
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
        [first, second, year] if year.len() == 2 && (month(first).or(month(second)).is_some()) => {
            Err(Problem::new(field, text, "the year has two digits", "write four digits"))
        }
        _ => Err(refused()),
    }
}

/// "09:10", "9:10:30", "9.10 pm", "21:10Z", "09:10+02:00".
fn clock(field: &str, text: &str) -> Result<Clock, Problem> {
    if let Some(time) = plain_clock(text) {
        return Ok(Clock { time, offset_s: None });
    }
    let refused =
        || Problem::new(field, text, "this is not a time of day", "write 09:10, or 21:10 in the evening");
    let upper = text.trim().to_uppercase().replace("A.M.", "AM").replace("P.M.", "PM");
    let (body, offset_s) = offset(&upper).ok_or_else(refused)?;
    let (body, half) = match (body.strip_suffix("AM"), body.strip_suffix("PM")) {
        (Some(body), _) => (body.trim_end(), Some(0)),
        (_, Some(body)) => (body.trim_end(), Some(12)),
        _ => (body, None),
    };
    // A spreadsheet's time of day is a fraction: 0.5 is noon, and not five past midnight.
    if half.is_none() && !body.contains(':') && body.parse().is_ok_and(|value: f64| value < 1.0) {
        let hint = "format the column as a time and export again";
        return Err(Problem::new(field, text, "this looks like a spreadsheet's fraction of a day", hint));
    }
    let time = hands(body, half).ok_or_else(refused)?;
    Ok(Clock { time, offset_s })
}

/// A time written as 09:10, which nearly every one is.
fn plain_clock(text: &str) -> Option<Time> {
    let &[h1, h2, b':', m1, m2] = text.as_bytes() else { return None };
    if ![h1, h2, m1, m2].iter().all(u8::is_ascii_digit) {
        return None;
    }
    let value = |tens: u8, ones: u8| ((tens - b'0') * 10 + (ones - b'0')) as i8;
    Time::new(value(h1, h2), value(m1, m2), 0, 0).ok()
}

/// Hours, minutes, and seconds where there are any; `half` is the hours to add for the half of the day.
fn hands(body: &str, half: Option<i8>) -> Option<Time> {
    let parts: Vec<&str> = body.split([':', '.']).collect();
    let is_number = |part: &&str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    let is_shaped = (2..=4).contains(&parts.len())
        && parts.iter().all(is_number)
        && parts[0].len() <= 2
        && parts[1..parts.len().min(3)].iter().all(|part| part.len() == 2);
    // The fourth part is a fraction of a second.
    if !is_shaped || parts.len() == 4 && !body.ends_with(&format!(".{}", parts[3])) {
        return None;
    }
    let hour = match (parts[0].parse().ok()?, half) {
        (hour @ 1..=12, Some(half)) => hour % 12 + half,
        (_, Some(_)) => return None,
        (hour, None) => hour,
    };
    let second: i8 = parts.get(2).map_or(Some(0), |part| part.parse().ok())?;
    // A leap second has no place of its own.
    let second = if second == 60 { 59 } else { second };
    Time::new(hour, parts[1].parse().ok()?, second, 0).ok()
}

/// Splits an offset off the end of a time; none when what stands there is no offset.
fn offset(text: &str) -> Option<(&str, Option<i32>)> {
    let text = text.trim();
    if let Some(body) = text.strip_suffix('Z') {
        return Some((body.trim_end(), Some(0)));
    }
    let Some(at) = text.rfind(['+', '-', '\u{2212}']) else { return Some((text, None)) };
    let (sign, rest) = match text[at..].strip_prefix('+') {
        Some(rest) => (1, rest),
        None => (-1, text[at..].trim_start_matches(['-', '\u{2212}'])),
    };
    let (hours, minutes) = match rest.split_once(':') {
        Some(parts) => parts,
        None => rest.split_at_checked(2)?,
    };
    let is_pair = |part: &str| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    if !is_pair(hours) || !(is_pair(minutes) || minutes.is_empty() && !rest.contains(':')) {
        return None;
    }
    let hours: i32 = hours.parse().ok()?;
    let minutes: i32 = if minutes.is_empty() { 0 } else { minutes.parse().ok()? };
    let is_in_range = hours <= 14 && minutes < 60;
    is_in_range.then_some((text[..at].trim_end(), Some(sign * (hours * 3600 + minutes * 60))))
}

#[cfg(test)]
mod tests;
