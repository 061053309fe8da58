//! Counter readings, cleaned: moves, clocks, missing bins and zero-filled outages.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::{Date, DateTime};
use jiff::{Span, ToSpan};

use crate::analysis::exposure::calibration::Session;
use crate::analysis::exposure::error::{InvalidExposure, positive};
use crate::analysis::exposure::kept_out::{KeptOut, SiteState, State};
use crate::analysis::exposure::outage::{self, OutageRule};
use crate::analysis::exposure::params::ExposureParams;
use crate::analysis::exposure::pieces::{HourPiece, pieces_of};

/// Where a counter stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CounterSite {
    /// At a vertex: counts everybody who passes it, and those who start and end there once each way.
    Vertex(usize),
    /// On a segment: counts passages in both directions.
    Segment(usize),
    /// At a place (an index into the places): counts its visitors in and out, and says nothing about trails.
    Place(usize),
}

/// Where a counter stood for a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placement {
    /// First second (Unix time).
    pub from_s: i64,
    /// First second after it; `None` while it still stands there.
    pub to_s: Option<i64>,
    /// Where.
    pub site: CounterSite,
}

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bin {
    /// Start by the device's clock, Unix seconds in UTC.
    pub start_s: i64,
    /// Length, seconds: 900 (15 minutes) to 86,400 (a day) as a rule, longer is allowed up to 32 days.
    pub length_s: u32,
    /// The same start as local wall-clock time; the caller knows the time zone.
    pub local: DateTime,
    /// Count of the first column; holds both directions where the device has one column.
    pub count_in: Option<u32>,
    /// Count of the second column; `None` throughout where the device has one column.
    pub count_out: Option<u32>,
}

/// Seconds of time, `from_s` included, `to_s` not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimeRange {
    /// First second (Unix time).
    pub from_s: i64,
    /// First second after it.
    pub to_s: i64,
}

/// A correction of a clock that had drifted or was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockCorrection {
    /// Bins that start in this range by the device's clock.
    pub range: TimeRange,
    /// Seconds to add to their start.
    pub add_s: i64,
}

/// A counter with all that is known about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Counter {
    /// Its name.
    pub name: String,
    /// Where it stood and when.
    pub placements: Vec<Placement>,
    /// Readings in any order.
    pub bins: Vec<Bin>,
    /// Clock corrections; the first whose range holds a bin's start applies.
    pub clock: Vec<ClockCorrection>,
    /// When those whom it counts were kept out, in any order: here zeros are true and never taken for a gap, and what is counted
    /// tells neither when nor how many people walk while it is open.
    pub closures: Vec<TimeRange>,
    /// Paired calibration sessions.
    pub sessions: Vec<Session>,
}

/// What was counted at one site: hours observed and counts, by local hour.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteSeries {
    /// The counter, an index into the counters.
    pub counter: usize,
    /// Where it stood.
    pub site: CounterSite,
    /// Bins that count there.
    pub n_bins: usize,
    /// Observed hours; several may belong to one local hour.
    pub pieces: Vec<HourPiece>,
    /// What was closed for those it counts while it counted, the open time first.
    pub states: Vec<SiteState>,
}

/// How the bins of one counter were used.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadingReport {
    /// Bins that count.
    pub used: usize,
    /// Of these, bins coarser than a part of day, apportioned over hours by a profile.
    pub apportioned: usize,
    /// Bins without a count, or with one of two directions missing.
    pub missing: usize,
    /// Zero bins that belong to an outage.
    pub outage: usize,
    /// Bins while the counter stood nowhere, or across a move.
    pub unplaced: usize,
    /// Bins that overlap an earlier one, repeated bins included.
    pub overlapping: usize,
    /// The zero-filled outages found.
    pub outages: Vec<TimeRange>,
}

/// Bins from this length on, seconds, are of days: 23 hours.
const DAY_BIN_S: u32 = 23 * 3600;
/// Longest bin, seconds: 32 days.
const MAX_BIN_S: u32 = 32 * 86_400;

/// Cleans the readings of the counter with index `counter`: one series for each placement that has readings.
///
/// Clocks are corrected first. Bins without a full count are missing. A run of zero bins is taken for an outage, not for
/// zeros, when the counter's own hour, weekday and month profile gives it a probability below
/// `params.zero_run_probability` (the test is stated in the module `outage`). The order of the bins does not matter.
///
/// # Errors
/// [`InvalidExposure::Value`] when a bin has no length or one over 32 days.
pub fn clean(
    counter: usize,
    device: &Counter,
    params: &ExposureParams,
) -> Result<(Vec<SiteSeries>, ReadingReport), InvalidExposure> {
    clean_under(counter, device, &[], params)
}

/// [`clean`], with what closures keep from the counter by placement: bins are told apart by what of it was closed meanwhile, and
/// zeros are no outage where most were kept out.
///
/// # Errors
/// As [`clean`].
pub fn clean_under(
    counter: usize,
    device: &Counter,
    kept_out: &[Vec<KeptOut>],
    params: &ExposureParams,
) -> Result<(Vec<SiteSeries>, ReadingReport), InvalidExposure> {
    for bin in &device.bins {
        let who = format!("counter {}", device.name);
        positive(&who, "length of a bin in seconds, more than 0", f64::from(bin.length_s))?;
        if bin.length_s > MAX_BIN_S {
            let value = f64::from(bin.length_s);
            return Err(InvalidExposure::Value { who, quantity: "length of a bin, at most 32 days", value });
        }
    }
    let mut report = ReadingReport::default();
    let counted = counted_bins(device, kept_out, params, &mut report);
    let mut series = Vec::new();
    for placement in 0..device.placements.len() {
        let mut bins: Vec<CountedBin> =
            counted.iter().filter(|bin| bin.placement == placement).cloned().collect();
        let states = told_apart(&mut bins, kept_out_at(kept_out, placement));
        let kept = without_outages(device, bins, &states, params, &mut report);
        if !kept.is_empty() {
            report.used += kept.len();
            report.apportioned += kept.iter().filter(|bin| bin.coarse).count();
            let pieces = kept.iter().flat_map(|bin| bin.pieces.iter().copied()).collect();
            let site = device.placements[placement].site;
            series.push(SiteSeries { counter, site, n_bins: kept.len(), pieces, states });
        }
    }
    Ok((series, report))
}

/// When a counter counted: a reading with a full count, its clock corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CountedTime {
    /// From when to when.
    pub range: TimeRange,
    /// Where it stood, an index into the counter's placements.
    pub placement: usize,
    /// Whether it counted nobody.
    pub is_zero: bool,
}

/// The readings of a counter with a full count that lie in some times at least in part, in order of time.
pub fn counted_within(device: &Counter, times: &[TimeRange], params: &ExposureParams) -> Vec<CountedTime> {
    if times.is_empty() {
        return Vec::new();
    }
    counted_bins(device, &[], params, &mut ReadingReport::default())
        .iter()
        .filter(|bin| is_within(times, bin.start_s, bin.end_s))
        .map(|bin| CountedTime {
            range: TimeRange { from_s: bin.start_s, to_s: bin.end_s },
            placement: bin.placement,
            is_zero: bin.count == 0.0,
        })
        .collect()
}

/// Days between readings from which on they no longer belong to one study.
const LONGEST_GAP_DAYS: i32 = 400;

/// The first and last local day on which counters counted, and how many days with readings lie apart from these.
///
/// Readings count once clocks are corrected, outages taken out and the counter stands somewhere. A clock that was lost puts
/// some of them years away; days that lie more than 400 days from all others are apart, and of several such parts the one
/// with most days is taken.
///
/// # Errors
/// As [`clean`].
pub fn counted_days(
    counters: &[Counter],
    params: &ExposureParams,
) -> Result<Option<(Date, Date, usize)>, InvalidExposure> {
    let mut days = BTreeSet::new();
    for (idx, counter) in counters.iter().enumerate() {
        let (series, _) = clean(idx, counter, params)?;
        days.extend(series.iter().flat_map(|one| one.pieces.iter().map(|piece| piece.day)));
    }
    let mut parts: Vec<(Date, Date, usize)> = Vec::new();
    for day in &days {
        let is_near = |last: Date| (*day - last).get_days() <= LONGEST_GAP_DAYS;
        match parts.last_mut() {
            Some((_, last, n)) if is_near(*last) => (*last, *n) = (*day, *n + 1),
            _ => parts.push((*day, *day, 1)),
        }
    }
    // Of two as long the later one.
    let main = parts.into_iter().max_by_key(|(_, _, n)| *n);
    Ok(main.map(|(first, last, n)| (first, last, days.len() - n)))
}

/// A bin with a full count, its clock corrected and its placement known.
#[derive(Debug, Clone)]
pub(crate) struct CountedBin {
    pub(crate) start_s: i64,
    pub(crate) end_s: i64,
    pub(crate) count: f64,
    pub(crate) placement: usize,
    pub(crate) coarse: bool,
    pub(crate) pieces: Vec<HourPiece>,
    /// What was closed meanwhile.
    state: State,
}

fn kept_out_at(kept_out: &[Vec<KeptOut>], placement: usize) -> &[KeptOut] {
    kept_out.get(placement).map_or(&[], Vec::as_slice)
}

/// The states that some bins were counted in, the open time first; their pieces take the numbers.
fn told_apart(bins: &mut [CountedBin], kept_out: &[KeptOut]) -> Vec<SiteState> {
    let mut number = BTreeMap::from([(State::OPEN, 0)]);
    let mut states = vec![SiteState::OPEN];
    for bin in bins {
        let next = u32::try_from(states.len()).unwrap_or(u32::MAX);
        let state = *number.entry(bin.state.clone()).or_insert_with(|| {
            states.push(SiteState::of(bin.state.clone(), kept_out));
            next
        });
        bin.pieces.iter_mut().for_each(|piece| piece.state = state);
    }
    states
}

fn counted_bins(
    device: &Counter,
    kept_out: &[Vec<KeptOut>],
    params: &ExposureParams,
    report: &mut ReadingReport,
) -> Vec<CountedBin> {
    let two_columns = device.bins.iter().any(|bin| bin.count_out.is_some());
    let mut bins: Vec<Bin> = device.bins.iter().map(|bin| on_time(bin, &device.clock)).collect();
    // Of repeated bins the fuller one counts: an outage filled with zeros may have been mended by a later file.
    bins.sort_by_key(|bin| (bin.start_s, bin.length_s, Reverse((bin.count_in, bin.count_out))));
    let mut counted = Vec::with_capacity(bins.len());
    let mut covered_to = i64::MIN;
    for bin in bins {
        let end_s = bin.start_s + i64::from(bin.length_s);
        let Some(count) = full_count(&bin, two_columns) else {
            report.missing += 1;
            continue;
        };
        // In spring a day's bin of 24 hours reaches an hour into the next day's, which is no overlap.
        let slack_s = if bin.length_s >= DAY_BIN_S { 3600 } else { 0 };
        if bin.start_s + slack_s < covered_to {
            report.overlapping += 1;
            continue;
        }
        let Some(placement) = placement_of(device, bin.start_s, end_s) else {
            report.unplaced += 1;
            continue;
        };
        covered_to = end_s;
        let coarse = f64::from(bin.length_s) > params.coarse_hours * 3600.0;
        let pieces = pieces_of(bin.local, bin.length_s, count, &params.hour_profile);
        let local_end = bin.local.saturating_add(i64::from(bin.length_s).seconds());
        let mut state = State::of(kept_out_at(kept_out, placement), (bin.local, local_end));
        // Closed there, and nobody says what for whom.
        state.is_whole &= !state.is_open() || !is_within(&device.closures, bin.start_s, end_s);
        counted.push(CountedBin { start_s: bin.start_s, end_s, count, placement, coarse, pieces, state });
    }
    counted
}

/// The bin with its clock corrected, in UTC and in local time alike.
fn on_time(bin: &Bin, clock: &[ClockCorrection]) -> Bin {
    let add_s = clock
        .iter()
        .find(|correction| (correction.range.from_s..correction.range.to_s).contains(&bin.start_s))
        .map_or(0, |correction| correction.add_s);
    let shift: Span = add_s.clamp(-1_000_000_000, 1_000_000_000).seconds();
    Bin { start_s: bin.start_s + add_s, local: bin.local.saturating_add(shift), ..*bin }
}

fn full_count(bin: &Bin, two_columns: bool) -> Option<f64> {
    match (bin.count_in, bin.count_out, two_columns) {
        (Some(both), None, false) => Some(f64::from(both)),
        (Some(inward), Some(outward), _) => Some(f64::from(inward) + f64::from(outward)),
        _ => None,
    }
}

fn placement_of(device: &Counter, start_s: i64, end_s: i64) -> Option<usize> {
    device
        .placements
        .iter()
        .position(|place| place.from_s <= start_s && place.to_s.is_none_or(|to_s| end_s <= to_s))
}

/// Whether a bin lies in one of some times at least in part.
fn is_within(times: &[TimeRange], start_s: i64, end_s: i64) -> bool {
    times.iter().any(|time| start_s < time.to_s && time.from_s < end_s)
}

fn without_outages(
    device: &Counter,
    bins: Vec<CountedBin>,
    states: &[SiteState],
    params: &ExposureParams,
    report: &mut ReadingReport,
) -> Vec<CountedBin> {
    let rule = OutageRule { probability: params.zero_run_probability, hour_profile: &params.hour_profile };
    let is_most = |bin: &CountedBin| {
        let state = bin.pieces.first().map_or(0, |piece| piece.state as usize);
        states[state].keeps_out_most() || is_within(&device.closures, bin.start_s, bin.end_s)
    };
    let closed: Vec<bool> = bins.iter().map(is_most).collect();
    let is_outage = outage::find(&bins, &closed, &rule);
    let mut kept = Vec::with_capacity(bins.len());
    for (bin, lost) in bins.into_iter().zip(is_outage) {
        if !lost {
            kept.push(bin);
            continue;
        }
        report.outage += 1;
        match report.outages.last_mut() {
            Some(last) if last.to_s == bin.start_s => last.to_s = bin.end_s,
            _ => report.outages.push(TimeRange { from_s: bin.start_s, to_s: bin.end_s }),
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::exposure::kept_out::Shut;
    use jiff::civil::date;

    const HOUR_S: i64 = 3600;
    const DAY_S: i64 = 24 * HOUR_S;

    /// Hourly bins over some days from Monday 1 January 2024 (UTC as local time) with the counts of a busy trailhead.
    fn hourly(n_days: i64) -> Counter {
        let bins = (0..n_days * 24).map(|hour| {
            let of_day = hour % 24;
            let count = if (7..18).contains(&of_day) { 4 + ((hour * 7) % 5) as u32 } else { 0 };
            bin(hour * HOUR_S, 3600, Some(count), None)
        });
        Counter {
            name: "gate".into(),
            placements: vec![Placement { from_s: 0, to_s: None, site: CounterSite::Segment(0) }],
            bins: bins.collect(),
            clock: Vec::new(),
            closures: Vec::new(),
            sessions: Vec::new(),
        }
    }

    fn bin(start_s: i64, length_s: u32, count_in: Option<u32>, count_out: Option<u32>) -> Bin {
        let local = date(2024, 1, 1).at(0, 0, 0, 0).saturating_add(start_s.seconds());
        Bin { start_s, length_s, local, count_in, count_out }
    }

    fn cleaned(counter: &Counter) -> (Vec<SiteSeries>, ReadingReport) {
        clean(0, counter, &ExposureParams::default()).unwrap()
    }

    fn hours_and_count(series: &[SiteSeries]) -> (f64, f64) {
        let pieces = || series.iter().flat_map(|one| &one.pieces);
        (pieces().map(|p| p.hours).sum(), pieces().map(|p| p.count).sum())
    }

    #[test]
    fn a_zero_filled_outage_is_a_gap_and_nights_are_not() {
        let mut counter = hourly(60);
        for bin in &mut counter.bins[20 * 24 + 10..25 * 24 + 14] {
            bin.count_in = Some(0);
        }
        let (series, report) = cleaned(&counter);
        // The run reaches from 10:00 on day 20 to 14:00 on day 25: the nights at its ends were busy hours before and after.
        assert_eq!(
            report.outages,
            [TimeRange { from_s: 20 * DAY_S + 10 * HOUR_S, to_s: 25 * DAY_S + 14 * HOUR_S }]
        );
        assert_eq!(report.outage, 5 * 24 + 4);
        let (hours, _) = hours_and_count(&series);
        assert_eq!(hours, 60.0 * 24.0 - 124.0, "an outage is time not observed, not a count of zero");
        // The naive mean over all bins is low by the share of the outage, the mean over observed hours is not.
        let (full_hours, full_count) = hours_and_count(&cleaned(&hourly(60)).0);
        let (hours, count) = hours_and_count(&series);
        assert!((count / hours) / (full_count / full_hours) > 0.98);
        assert!((count / full_hours) / (full_count / full_hours) < 0.94);
    }

    #[test]
    fn a_quiet_counter_keeps_its_zeros_and_a_closure_too() {
        let mut quiet = hourly(60);
        for (idx, bin) in quiet.bins.iter_mut().enumerate() {
            bin.count_in = Some(u32::from(idx % 37 == 12));
        }
        assert_eq!(cleaned(&quiet).1.outage, 0);
        let mut closed = hourly(60);
        for bin in &mut closed.bins[20 * 24..25 * 24] {
            bin.count_in = Some(0);
        }
        closed.closures.push(TimeRange { from_s: 20 * DAY_S, to_s: 25 * DAY_S });
        assert_eq!(cleaned(&closed).1.outage, 0);
        // Some walk all the same, and stay counted.
        closed.bins[22 * 24 + 10].count_in = Some(3);
        let (series, report) = cleaned(&closed);
        assert_eq!((report.used, report.outage), (60 * 24, 0));
        let within = counted_within(&closed, &closed.closures, &ExposureParams::default());
        assert_eq!((within.len(), within.iter().filter(|it| it.is_zero).count()), (5 * 24, 5 * 24 - 1));
        let of_day = date(2024, 1, 23);
        let on_it = series[0].pieces.iter().filter(|piece| piece.day == of_day).map(|piece| piece.count);
        assert_eq!(on_it.sum::<f64>(), 3.0);
        // Its counts say neither how many walk while it is open nor when.
        let n_apart = |series: &[SiteSeries]| series[0].pieces.iter().filter(|piece| piece.state > 0).count();
        assert_eq!(n_apart(&series), 5 * 24);
        assert_eq!(counted_within(&hourly(60), &[], &ExposureParams::default()), []);
    }

    /// A trail is closed for ten days of three weeks, and read by the week.
    #[test]
    fn only_a_bin_within_a_closure_tells_who_walks_all_the_same() {
        let mut counter = hourly(0);
        counter.bins = (0..5).map(|week| bin(week * 7 * DAY_S, 7 * 86_400, Some(70), None)).collect();
        let day = |day: i8| date(2024, 1, day).at(0, 0, 0, 0);
        // 10 to 23 January: the second week in part, the third whole, of the fourth a day or two.
        let closed = |to: i8| {
            let spans = vec![(day(10), day(to))];
            [vec![KeptOut { shut: Shut::Trail(0), spans, share: 1.0 }]]
        };
        let states = |to: i8| {
            let (series, report) = clean_under(0, &counter, &closed(to), &ExposureParams::default()).unwrap();
            assert_eq!(report.used, 5);
            let of_week = |week: i8| {
                let piece = series[0].pieces.iter().find(|piece| piece.day == date(2024, 1, 1 + 7 * week));
                series[0].states[piece.unwrap().state as usize].state.clone()
            };
            [0, 1, 2, 3, 4].map(of_week).map(|state| (state.is_open(), state.is_whole))
        };
        let (open, partly, whole) = ((true, true), (false, false), (false, true));
        assert_eq!(states(23), [open, partly, whole, partly, open]);
        assert_eq!(states(22), [open, partly, whole, open, open]);
    }

    #[test]
    fn a_counter_that_died_before_it_counted_anybody_saw_nothing() {
        let mut dead = hourly(10);
        dead.bins.iter_mut().for_each(|bin| bin.count_in = Some(0));
        let (series, report) = cleaned(&dead);
        assert!(series.is_empty());
        assert_eq!(report.outage, 240);
    }

    #[test]
    fn missing_columns_and_repeated_bins_do_not_count() {
        let mut counter = hourly(0);
        counter.bins = vec![
            bin(0, 3600, Some(3), Some(2)),
            bin(0, 3600, Some(3), Some(2)),
            bin(HOUR_S, 3600, Some(3), None),
            bin(2 * HOUR_S, 3600, None, None),
            bin(2 * HOUR_S, 900, Some(1), Some(1)),
        ];
        let (series, report) = cleaned(&counter);
        assert_eq!((report.used, report.overlapping, report.missing), (2, 1, 2));
        assert_eq!(hours_and_count(&series), (1.25, 7.0));
        counter.bins.reverse();
        assert_eq!(cleaned(&counter).0, series);
    }

    #[test]
    fn a_moved_counter_makes_two_series_and_the_move_is_dropped() {
        let mut counter = hourly(4);
        counter.placements = vec![
            Placement { from_s: 0, to_s: Some(2 * DAY_S + 900), site: CounterSite::Segment(0) },
            Placement { from_s: 2 * DAY_S + 900, to_s: None, site: CounterSite::Vertex(3) },
        ];
        let (series, report) = cleaned(&counter);
        assert_eq!(report.unplaced, 1);
        assert_eq!(
            series.iter().map(|s| s.site).collect::<Vec<_>>(),
            [CounterSite::Segment(0), CounterSite::Vertex(3)]
        );
    }

    #[test]
    fn a_clock_an_hour_slow_is_put_right_in_both_times() {
        let mut counter = hourly(1);
        counter.clock.push(ClockCorrection { range: TimeRange { from_s: 0, to_s: DAY_S }, add_s: HOUR_S });
        let (series, _) = cleaned(&counter);
        let first_busy = series[0].pieces.iter().find(|piece| piece.count > 0.0).unwrap();
        assert_eq!(first_busy.hour, 8);
    }

    #[test]
    fn daily_bins_are_apportioned_and_marked() {
        let mut counter = hourly(0);
        counter.bins = (0..30).map(|day| bin(day * DAY_S, 86_400, Some(50 + day as u32), None)).collect();
        let (series, report) = cleaned(&counter);
        assert_eq!((report.used, report.apportioned), (30, 30));
        assert!(series[0].pieces.iter().all(|piece| piece.split));
        counter.bins[3].length_s = 0;
        assert!(clean(0, &counter, &ExposureParams::default()).is_err());
    }

    /// The naive way took the first and last reading as they came: one lost clock multiplied the days walked by nine.
    #[test]
    fn one_stray_reading_does_not_stretch_the_study() {
        let params = ExposureParams::default();
        let days = |counter: &Counter| counted_days(std::slice::from_ref(counter), &params).unwrap();
        let mut counter = hourly(60);
        let expected = (date(2024, 1, 1), date(2024, 2, 29));
        assert_eq!(days(&counter), Some((expected.0, expected.1, 0)));
        // A reading of the year 2000, before the counter stood there, and one while it stood there for ever.
        let stray = Bin {
            start_s: counter.bins[0].start_s - 8766 * DAY_S,
            local: date(2000, 1, 1).at(9, 0, 0, 0),
            ..counter.bins[9]
        };
        counter.bins.push(stray);
        counter.placements[0].from_s = counter.bins[0].start_s;
        assert_eq!(days(&counter), Some((expected.0, expected.1, 0)));
        counter.placements[0].from_s = i64::MIN;
        assert_eq!(days(&counter), Some((expected.0, expected.1, 1)));
        assert_eq!(counted_days(&[], &params).unwrap(), None);
    }

    #[test]
    fn days_of_23_hours_lose_no_neighbour() {
        let mut counter = hourly(1);
        let at = |start_s: i64, day: i8| Bin {
            start_s,
            length_s: 86_400,
            local: date(2024, 3, day).at(0, 0, 0, 0),
            count_in: Some(40),
            count_out: None,
        };
        // Midnights of 30 and 31 March and 1 April in Vienna: the second day lasts 23 hours.
        counter.bins = vec![at(0, 30), at(DAY_S, 31), at(2 * DAY_S - HOUR_S, 1)];
        let params = ExposureParams::default();
        let (_, report) = clean(0, &counter, &params).unwrap();
        assert_eq!((report.used, report.overlapping), (3, 0));
        counter.bins.push(Bin { start_s: 2 * DAY_S + 5 * HOUR_S, ..at(0, 1) });
        assert_eq!(clean(0, &counter, &params).unwrap().1.overlapping, 1);
    }
}
