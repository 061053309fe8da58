//! Cases for reading dates and times.

use super::*;
use crate::domain::batch::Content;
use crate::ingest::context::testing::context;
use crate::ingest::row::Pairs;

fn read(date: &str, time: &str) -> Result<EventTime, Problem> {
    let pairs = vec![("date".to_owned(), date.to_owned()), ("time".to_owned(), time.to_owned())];
    event(&Pairs::new(Content::Encounters, 1, pairs, &context()), &context())
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
    check("05/2024", EventDate::Month { year: 2024, month: 5 });
    check("2024", EventDate::Year(2024));
    check("20240504", day(2024, 5, 4));
    check("2024-05-04/2024-05-04", day(2024, 5, 4));
    check("2024-05-04T09:10/2024-05-04T11:00", day(2024, 5, 4));
    check("2024-05-04/2024-05-06", EventDate::Month { year: 2024, month: 5 });
    check("Sept 4 2024", day(2024, 9, 4));
}

#[test]
fn a_known_order_settles_what_can_be_read_in_two_ways() {
    let read = |order, text: &str| {
        let row = Pairs::new(Content::Encounters, 1, vec![("date".to_owned(), text.to_owned())], &context());
        event(&row, &context().with_day_order(order)).map(|time| time.date)
    };
    let day = |m, d| Ok(EventDate::Day(jiff::civil::date(2024, m, d)));
    assert_eq!(read(DayOrder::DayFirst, "03/04/2024"), day(4, 3));
    assert_eq!(read(DayOrder::MonthFirst, "03/04/2024"), day(3, 4));
    assert!(read(DayOrder::DayFirst, "03/25/2024").unwrap_err().reason.contains("no such day"));
    assert_eq!(read(DayOrder::Unknown, "04/04/2024"), day(4, 4));
}

#[test]
fn a_date_that_can_be_read_both_ways_names_both() {
    let problem = read("03/04/2024", "").unwrap_err();
    assert!(problem.hint.contains("2024-04-03 for 3 April or 2024-03-04 for 4 March"), "{}", problem.hint);
    // Neither number is a month, so there is nothing to choose between.
    assert!(read("13/14/2024", "").unwrap_err().reason.contains("no such day"));
}

#[test]
fn dates_tell_their_order() {
    let check = |text, expected| assert_eq!(told_order(text), expected, "{text}");
    check("25/03/2024 09:10", Some(DayOrder::DayFirst));
    check("3-25-2024", Some(DayOrder::MonthFirst));
    check("03/04/2024", Some(DayOrder::Unknown));
    check("2024-05-04", None);
    check("4 May 2024", None);
    check("", None);
}

#[test]
fn what_can_be_read_in_two_ways_is_refused_by_name() {
    let check = |date, time, reason: &str| {
        let problem = read(date, time).unwrap_err();
        assert!(problem.reason.contains(reason), "{date} {time}: {}", problem.reason);
    };
    check("03/04/2024", "", "both ways");
    check("4/5/24", "", "two digits");
    check("4 May 24", "", "two digits");
    check("45416", "", "spreadsheet");
    check("45416.38", "", "spreadsheet");
    check("Mayor 4 2024", "", "not a date");
    check("2024-05/04", "", "not a date");
    check("2024.05", "", "not a date");
    check("2024-02-30", "", "no such day");
    check("2024-13", "", "no such month");
    check("2031-05-04", "", "future");
    check("1804-05-04", "", "before 1900");
    check("2024-05-04/2024-06-02", "", "range");
    let slashes = "2-/".repeat(100_000);
    check(&slashes, "", "not a date");
    check("", "09:10", "no date");
    check("spring", "", "not a date");
    check("2024-05-04", "25:10", "not a time");
    check("2024-05-04", "noon", "not a time");
    check("2024-05-04", "09:10:75", "not a time");
    check("2024-05-04", "9:5", "not a time");
    check("2024-05-04", "13:10 pm", "not a time");
    check("2024-05-04", "09:10+0a6:00", "not a time");
    check("2024-05-04", "0.5", "fraction");
    check("2024-05-04", "0.38194", "fraction");
    check("2024-05-04T09:10", "10:10", "another time");
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
    check("2024-05-04", "9:10 a.m.", (550, instant));
    check("2024-05-04", "11:10-04:00", (550, instant));
    check("2024-05-04T09:10", "09:10", (550, instant));
    check("14/05/2024 09:10", "", (550, Some(1_714_835_400 + 864_000)));
    check("May 4, 2024 9:10 am", "", (550, instant));
    check("2024-05-04T09:10:60-06:00", "", (550, Some(1_714_835_400 + 59)));
    check("2024-05-04", "9:10 PM", (1270, Some(1_714_878_600)));
    check("2024-05-04", "12:05 am", (5, Some(1_714_802_700)));
    // Clocks showed 1:30 twice on 3 November 2024: the time is kept, the instant is not known.
    check("2024-11-03", "01:30", (90, None));
}

/// In Santiago the clock goes from midnight to one on 8 September 2024, in Havana from one back to midnight on 3 November.
#[test]
fn a_day_begins_with_its_first_instant_where_the_clock_skips_or_repeats_midnight() {
    let check = |zone: &str, text: &str, expected: Result<i64, &str>| {
        let context = Context::new(zone, jiff::civil::date(2026, 1, 1), Vec::new(), std::iter::empty());
        let pairs = vec![("start".to_owned(), text.to_owned())];
        let row = Pairs::new(Content::Readings, 1, pairs, &context);
        let read = instant(&row, Field::Start, &context).map_err(|problem| problem.reason);
        match expected {
            Ok(instant_s) => assert_eq!(read, Ok(instant_s), "{zone} {text}"),
            Err(words) => {
                assert!(read.clone().is_err_and(|it| it.contains(words)), "{zone} {text}: {read:?}")
            }
        }
    };
    // 04:00 UTC is when summer time, three hours behind, begins; the days before and after are 24 hours long.
    check("America/Santiago", "2024-09-08", Ok(1_725_768_000));
    check("America/Santiago", "2024-09-07", Ok(1_725_768_000 - 86_400));
    check("America/Santiago", "2024-09-09", Ok(1_725_768_000 + 23 * 3600));
    check("America/Santiago", "2024-09-08T00:30", Err("skipped"));
    // Midnight in summer time, four hours behind; it comes again an hour later.
    check("America/Havana", "2024-11-03", Ok(1_730_606_400));
    check("America/Havana", "2024-11-03T00:00", Err("twice"));
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
