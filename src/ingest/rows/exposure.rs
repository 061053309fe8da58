//! Counters, readings, calibrations, party sizes and survey walks.

use crate::domain::exposure::CalibrationDraft;
use crate::domain::exposure::CounterDraft;
use crate::domain::exposure::PartySizeDraft;
use crate::domain::exposure::ReadingDraft;
use crate::domain::walk::WalkDraft;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::fields::dates;
use crate::ingest::fields::numbers;
use crate::ingest::fields::wkt;
use crate::ingest::row::Row;
use crate::ingest::rows::needed_term;
use crate::ingest::rows::needed_text;

/// A bin is at most this long, days.
const LONGEST_BIN_DAYS: f64 = 32.0;

pub(super) fn counter(row: &dyn Row, context: &Context) -> Result<CounterDraft, Problem> {
    let from_s = dates::optional_instant(row, Field::From, context)?;
    let until_s = dates::optional_instant(row, Field::Until, context)?;
    if from_s.zip(until_s).is_some_and(|(from_s, until_s)| from_s >= until_s) {
        let text = row.get(Field::Until);
        return Err(Problem::new(
            Field::Until.name(),
            text,
            "the end is not after the start",
            "exchange them",
        ));
    }
    Ok(CounterDraft {
        name: needed_text(row, Field::Counter)?,
        device: row.get(Field::Device).to_owned(),
        position: coordinates::needed(row, context)?,
        from_s,
        until_s,
    })
}

fn bin_length_s(row: &dyn Row) -> Result<i64, Problem> {
    let minutes = numbers::needed(row, Field::Minutes)?;
    if minutes <= 0.0 || minutes > LONGEST_BIN_DAYS * 1440.0 {
        let reason = "a bin is longer than zero and at most 32 days";
        return Err(Problem::new(Field::Minutes.name(), row.get(Field::Minutes), reason, "enter minutes"));
    }
    Ok((minutes * 60.0).round().max(1.0) as i64)
}

pub(super) fn reading(row: &dyn Row, context: &Context) -> Result<ReadingDraft, Problem> {
    Ok(ReadingDraft {
        counter: needed_text(row, Field::Counter)?,
        start_s: dates::instant(row, Field::Start, context)?,
        length_s: bin_length_s(row)?,
        count_in: numbers::needed_count(row, Field::CountIn)?,
        count_out: numbers::optional_count(row, Field::CountOut)?,
    })
}

pub(super) fn calibration(row: &dyn Row, context: &Context) -> Result<CalibrationDraft, Problem> {
    Ok(CalibrationDraft {
        counter: needed_text(row, Field::Counter)?,
        start_s: dates::instant(row, Field::Start, context)?,
        length_s: bin_length_s(row)?,
        manual_count: numbers::needed_count(row, Field::ManualCount)?,
        device_count: numbers::needed_count(row, Field::DeviceCount)?,
    })
}

pub(super) fn party_size(row: &dyn Row) -> Result<PartySizeDraft, Problem> {
    let mean_walkers = numbers::needed(row, Field::MeanWalkers)?;
    if mean_walkers < 1.0 {
        let reason = "a party has at least one walker";
        return Err(Problem::new(
            Field::MeanWalkers.name(),
            row.get(Field::MeanWalkers),
            reason,
            "check the mean",
        ));
    }
    let standard_error = numbers::needed(row, Field::StandardError)?;
    if standard_error < 0.0 {
        let text = row.get(Field::StandardError);
        return Err(Problem::new(Field::StandardError.name(), text, "this is below zero", "check the error"));
    }
    let (trailhead, trail) = (row.get(Field::Trailhead), row.get(Field::Trail));
    if !trailhead.is_empty() && !trail.is_empty() {
        let reason = format!("the row names the trailhead {trailhead} too");
        let hint = "name the trailhead, or the trail, or neither for the whole area: one size a row";
        return Err(Problem::new(Field::Trail.name(), trail, reason, hint));
    }
    Ok(PartySizeDraft {
        trailhead: trailhead.to_owned(),
        trail: trail.to_owned(),
        from_date: dates::optional_date(row, Field::From)?,
        until_date: dates::optional_date(row, Field::Until)?,
        mean_walkers,
        standard_error,
        n_parties: numbers::optional_count(row, Field::Parties)?,
    })
}

pub(super) fn walk(row: &dyn Row, context: &Context) -> Result<WalkDraft, Problem> {
    let footprint = row.get(Field::Footprint);
    let track = match (row.lines(), footprint.is_empty()) {
        ([], true) => Vec::new(),
        ([], false) => wkt::lines(Field::Footprint.name(), footprint, context)?.concat(),
        (lines, _) => lines.concat(),
    };
    let given = track_times(row, track.len())?;
    let times = if row.line_times_s().is_empty() { &given } else { row.line_times_s() };
    let start_s = match (row.get(Field::Start).is_empty(), times.first()) {
        (true, Some(first)) => *first,
        _ => dates::instant(row, Field::Start, context)?,
    };
    let end_s = dates::optional_instant(row, Field::End, context)?.or(times.last().copied());
    if let Some(end_s) = end_s.filter(|end_s| *end_s < start_s) {
        let text = row.get(Field::End);
        let reason = format!("the walk ends {} minutes before it starts", (start_s - end_s) / 60);
        return Err(Problem::new(Field::End.name(), text, reason, "check both times"));
    }
    Ok(WalkDraft {
        event_id: needed_text(row, Field::EventId)?,
        parent_event_id: row.get(Field::ParentEventId).to_owned(),
        purpose: needed_term(row, Field::Purpose)?,
        observers: row.get(Field::RecordedBy).to_owned(),
        start_s,
        end_s,
        sampling_protocol: row.get(Field::SamplingProtocol).to_owned(),
        track_times_s: if times.len() == track.len() { times.to_vec() } else { Vec::new() },
        track,
    })
}

/// The instants of a track's positions where a column gives them, one for each.
fn track_times(row: &dyn Row, n_positions: usize) -> Result<Vec<i64>, Problem> {
    let text = row.get(Field::TrackTimes);
    let instant = |word: &str| {
        let none = "write one instant for each position, as 2024-05-04T15:10:00Z, with spaces between them";
        let at = word.parse::<jiff::Timestamp>().map(jiff::Timestamp::as_second);
        at.map_err(|_| Problem::new(Field::TrackTimes.name(), word, "this is no instant", none))
    };
    let times: Vec<i64> = text.split_whitespace().map(instant).collect::<Result<_, _>>()?;
    if times.is_empty() || times.len() == n_positions {
        return Ok(times);
    }
    let reason = format!("{} instants are given for {n_positions} positions", times.len());
    Err(Problem::new(Field::TrackTimes.name(), "", reason, "give one for each position, or none"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    fn size(cells: &[(&str, &str)]) -> Result<PartySizeDraft, Problem> {
        let measured = [("mean walkers", "2.4"), ("se", "0.1"), ("n", "40")];
        let pairs = cells.iter().chain(&measured).map(|(header, value)| ((*header).into(), (*value).into()));
        party_size(&Pairs::new(Content::PartySizes, 2, pairs.collect(), &context()))
    }

    #[test]
    fn a_size_is_of_a_trailhead_or_a_trail_or_the_area() {
        let names = |cells: &[(&str, &str)]| {
            let size = size(cells).unwrap();
            assert_eq!((size.mean_walkers, size.standard_error, size.n_parties), (2.4, 0.1, Some(40)));
            (size.trailhead, size.trail)
        };
        let named = |trailhead: &str, trail: &str| (trailhead.to_owned(), trail.to_owned());
        assert_eq!(names(&[("trail", "Rim")]), named("", "Rim"));
        assert_eq!(names(&[("Trail name", "Rim"), ("trailhead", " ")]), named("", "Rim"));
        assert_eq!(names(&[("trailhead", "North"), ("trail", "")]), named("North", ""));
        assert_eq!(names(&[]), named("", ""));
        let both = size(&[("trailhead", "North"), ("trail", "Rim")]).unwrap_err();
        assert_eq!((both.field.as_str(), both.value.as_str()), ("trail", "Rim"));
        assert!(both.reason.contains("trailhead North") && both.hint.contains("neither"), "{both:?}");
    }
}
