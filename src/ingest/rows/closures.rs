//! Closures of trails, trailheads and the whole area.

use crate::domain::closure::Closure;
use crate::domain::closure::LONGEST_REASON;
use crate::domain::closure::WHOLE_AREA;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::dates;
use crate::ingest::fields::dates::Edge;
use crate::ingest::row::Row;

/// The name is taken as it stands: a trail or trailhead of that name may come later, or again. The whole area must be written out,
/// since a name that was forgotten would close everything.
pub(super) fn closure(row: &dyn Row, context: &Context) -> Result<Closure, Problem> {
    let name = match row.get(Field::Name) {
        "" => {
            let hint = "write the name of the trail or trailhead, or whole area where everything was closed";
            return Err(Problem::new(Field::Name.name(), "", "there is no value", hint));
        }
        name if name.to_lowercase().split_whitespace().eq(WHOLE_AREA.split(' ')) => "",
        name => name,
    };
    let none = || {
        let hint = "write the day it was closed, as 2024-05-04, or with the time, as 2024-05-04T09:10";
        Problem::new(Field::From.name(), "", "there is no value", hint)
    };
    let from_s = dates::edge(row, Field::From, Edge::First, context)?.ok_or_else(none)?;
    let until_s = dates::edge(row, Field::Until, Edge::After, context)?;
    if until_s.is_some_and(|until_s| until_s <= from_s) {
        let reason = format!("the closure ends before it begins, on {}", row.get(Field::From));
        let hint = "check both ends, or exchange them; leave until empty while it is still closed";
        return Err(Problem::new(Field::Until.name(), row.get(Field::Until), reason, hint));
    }
    let reason = row.get(Field::Reason);
    if reason.chars().count() > LONGEST_REASON {
        let words = format!("this is longer than {LONGEST_REASON} characters");
        return Err(Problem::new(Field::Reason.name(), reason, words, "say why in a few words"));
    }
    Ok(Closure { name: name.to_owned(), from_s, until_s, reason: reason.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;
    use jiff::civil::date;

    fn read(context: &Context, cells: &[(&str, &str)]) -> Result<Closure, Problem> {
        let pairs = cells.iter().map(|(header, value)| ((*header).to_owned(), (*value).to_owned()));
        closure(&Pairs::new(Content::Closures, 2, pairs.collect(), context), context)
    }

    fn at(context: &Context, local: jiff::civil::DateTime) -> i64 {
        context.zone.to_timestamp(local).unwrap().as_second()
    }

    #[test]
    fn days_are_whole_and_times_are_to_the_minute() {
        let context = context();
        let row = |from, until| {
            let cells = [("trail", " Rim "), ("since", from), ("to", until), ("reason", "flood")];
            read(&context, &cells).unwrap()
        };
        let midnight = |month, day| at(&context, date(2024, month, day).at(0, 0, 0, 0));
        let days = row("2024-05-01", "2024-05-03");
        assert_eq!((days.name.as_str(), days.reason.as_str()), ("Rim", "flood"));
        assert_eq!((days.from_s, days.until_s), (midnight(5, 1), Some(midnight(5, 4))));
        assert_eq!(row("2024-05-01", "2024-05-01").until_s, Some(midnight(5, 2)), "one day is a day");
        let hours = row("2024-05-01T06:30", "1 May 2024 18:00");
        let time = |hour, minute| at(&context, date(2024, 5, 1).at(hour, minute, 0, 0));
        assert_eq!((hours.from_s, hours.until_s), (time(6, 30), Some(time(18, 0))));
        assert_eq!(row("2024-05-01T06:30Z", "").from_s, 1_714_545_000);
        assert_eq!(row("2024-05-01", "").until_s, None);
        // The whole area, and what was announced for a day to come.
        let ahead = context.today.saturating_add(jiff::Span::new().days(90)).to_string();
        for words in ["whole area", "Whole Area", " WHOLE  AREA "] {
            let area = read(&context, &[("name", words), ("from", &ahead)]).unwrap();
            assert_eq!((area.name.as_str(), area.reason.as_str()), ("", ""));
        }
        assert_eq!(read(&context, &[("name", "area"), ("from", &ahead)]).unwrap().name, "area");
    }

    #[test]
    fn what_cannot_be_is_refused_at_its_field() {
        let context = context();
        let long = "a".repeat(201);
        for cells in [&[("name", " "), ("from", "2025-06-01")][..], &[("from", "2025-06-01")]] {
            let problem = read(&context, cells).unwrap_err();
            assert_eq!((problem.field.as_str(), problem.value.as_str()), ("name", ""));
            assert_eq!(problem.reason, "there is no value");
            assert!(problem.hint.contains("whole area"), "{problem:?}");
        }
        let check = |from, until, reason: &str, field: &str, words: &str| {
            let cells = [("name", "Rim"), ("from", from), ("until", until), ("reason", reason)];
            let problem = read(&context, &cells).unwrap_err();
            assert_eq!(problem.field, field, "{problem:?}");
            assert!(problem.reason.contains(words) && !problem.hint.is_empty(), "{problem:?}");
        };
        check("", "2024-05-03", "", "from", "no value");
        check("spring", "", "", "from", "not a date");
        check("2024-05", "", "", "from", "day is missing");
        check("2024-02-30", "", "", "from", "no such day");
        check("1824-05-01", "", "", "from", "before 1900");
        check("2024-05-01T25:00", "", "", "from", "time of day");
        check("03/04/2024", "", "", "from", "both ways");
        check("2024-05-01/2024-05-09", "", "", "from", "day is missing");
        check("2024-05-03", "2024-05-02", "", "until", "ends before it begins, on 2024-05-03");
        check("2024-05-03T10:00", "2024-05-03T10:00", "", "until", "ends before it begins");
        check("2024-05-03", "2999-01-01", "", "until", "years ahead");
        check("2024-05-03", "9999-12-31", "", "until", "years ahead");
        check("2024-05-03", "tomorrow", "", "until", "not a date");
        check("2024-05-03", "", &long, "reason", "longer than 200");
    }
}
