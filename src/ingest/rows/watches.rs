//! Watches at signs and at places to compare them with.

use crate::domain::sign_watch::ImpossibleCounts;
use crate::domain::sign_watch::LONGEST_ASKED;
use crate::domain::sign_watch::LONGEST_WATCH_MIN;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::WatchCounts;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::fields::dates;
use crate::ingest::fields::numbers;
use crate::ingest::row::Row;
use crate::ingest::rows::needed_term;
use crate::ingest::rows::needed_text;

pub(super) fn watch(row: &dyn Row, context: &Context) -> Result<SignWatchDraft, Problem> {
    Ok(SignWatchDraft {
        event_id: needed_text(row, Field::EventId)?,
        locality: needed_text(row, Field::Locality)?,
        position: coordinates::needed(row, context)?,
        start_s: dates::instant(row, Field::Start, context)?,
        length_s: length_s(row)?,
        counts: counts(row)?,
        asked: asked(row)?,
        watcher: needed_term(row, Field::Watcher)?,
        recorded_by: row.get(Field::RecordedBy).to_owned(),
        remarks: row.get(Field::EventRemarks).to_owned(),
    })
}

fn length_s(row: &dyn Row) -> Result<i64, Problem> {
    let minutes = numbers::needed(row, Field::Minutes)?;
    if minutes <= 0.0 || minutes > LONGEST_WATCH_MIN {
        let reason = "a watch is longer than zero and at most a day";
        let hint = "enter minutes; write a watch of several days as one a day";
        return Err(Problem::new(Field::Minutes.name(), row.get(Field::Minutes), reason, hint));
    }
    Ok((minutes * 60.0).round().max(1.0) as i64)
}

fn counts(row: &dyn Row) -> Result<WatchCounts, Problem> {
    let passed = numbers::needed_count(row, Field::PartiesPassed)?;
    let read = numbers::optional_count(row, Field::PartiesRead)?;
    let did = numbers::needed_count(row, Field::PartiesDidAsAsked)?;
    WatchCounts::new(passed, read, did).map_err(|error| {
        let field = match error {
            ImpossibleCounts::MoreRead { .. } => Field::PartiesRead,
            ImpossibleCounts::MoreDid { .. } => Field::PartiesDidAsAsked,
        };
        let hint = "count parties, not people: each of these is a part of those that passed";
        Problem::new(field.name(), row.get(field), error.to_string(), hint)
    })
}

fn asked(row: &dyn Row) -> Result<String, Problem> {
    let text = needed_text(row, Field::Asked)?;
    if text.chars().count() > LONGEST_ASKED {
        let reason = format!("this is longer than {LONGEST_ASKED} characters");
        let hint = "name it in a few words, the same ones in every row; further words go into the remarks";
        return Err(Problem::new(Field::Asked.name(), &text, reason, hint));
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::domain::sign_watch::Watcher;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    const GOOD: [(&str, &str); 12] = [
        ("eventID", "SW-1"),
        ("place", "North gate"),
        ("lat", "37.61"),
        ("lon", "-109.38"),
        ("start", "2024-05-04T09:10"),
        ("minutes", "90"),
        ("parties passed", "24"),
        ("parties read", "9"),
        ("partiesDidAsAsked", "15"),
        ("asked", "keeps to the middle"),
        ("watcher", "Unseen"),
        ("remarks", "windy"),
    ];

    fn read(change: Option<(&str, &str)>) -> Result<SignWatchDraft, Problem> {
        let pairs = GOOD.iter().map(|(header, value)| match change {
            Some((changed, other)) if changed == *header => ((*header).to_owned(), other.to_owned()),
            _ => ((*header).to_owned(), (*value).to_owned()),
        });
        watch(&Pairs::new(Content::SignWatches, 2, pairs.collect(), &context()), &context())
    }

    #[test]
    fn a_row_is_a_watch() {
        let watch = read(None).unwrap();
        assert_eq!(
            (watch.locality.as_str(), watch.length_s, watch.watcher),
            ("North gate", 5400, Watcher::Unseen)
        );
        assert_eq!(watch.counts, WatchCounts::new(24, Some(9), 15).unwrap());
        assert_eq!((watch.asked.as_str(), watch.remarks.as_str()), ("keeps to the middle", "windy"));
        // Where no sign stands nobody can read one: that is not zero of so many.
        assert_eq!(read(Some(("parties read", ""))).unwrap().counts.read(), None);
    }

    #[test]
    fn what_cannot_be_is_refused_at_its_field() {
        let long = "a".repeat(101);
        let check = |header, value, field: &str, reason: &str| {
            let problem = read(Some((header, value))).unwrap_err();
            assert_eq!(problem.field, field, "{problem:?}");
            assert!(problem.reason.contains(reason), "{problem:?}");
        };
        check("eventID", "", "eventID", "no value");
        check("place", "", "locality", "no value");
        check("lat", "", "decimalLatitude", "");
        check("start", "2024-05", "start", "day is missing");
        check("minutes", "0", "minutes", "longer than zero");
        check("minutes", "1441", "minutes", "at most a day");
        check("parties passed", "", "partiesPassed", "no value");
        check("parties passed", "-3", "partiesPassed", "whole number");
        check("parties read", "25", "partiesRead", "25 parties read the sign, but only 24 passed");
        check("partiesDidAsAsked", "25", "partiesDidAsAsked", "25 parties did as asked, but only 24 passed");
        check("partiesDidAsAsked", "2.5", "partiesDidAsAsked", "whole number");
        check("asked", "", "asked", "no value");
        check("asked", &long, "asked", "longer than 100");
        check("watcher", "hidden", "watcher", "ways of watching");
        check("watcher", "", "watcher", "no value");
    }
}
