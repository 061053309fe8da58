//! Counter readings, cleaned: moves, clocks, missing bins and zero-filled outages.

use jiff::civil::DateTime;
use jiff::{Span, ToSpan};

use crate::analysis::exposure::calibration::Session;
use crate::analysis::exposure::error::{InvalidExposure, positive};
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
    /// Closures: here zeros are true and never taken for a gap.
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
    /// Observed hours; several may belong to one local hour.
    pub pieces: Vec<HourPiece>,
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

/// Longest bin, seconds: 32 days.
const MAX_BIN_S: u32 = 32 * 86_400;

/// Cleans the readings of the counter with index `counter`: one series for each placement that has readings.
///
/// Clocks are corrected first. Bins without a full count are missing. A run of zero bins is taken for an outage, not for
/// zeros, when the counter's own hour, weekday and month profile gives it a probability below
/// `params.zero_run_probability` (see [`outage`]). The order of the bins does not matter.
///
/// # Errors
/// [`InvalidExposure::Value`] when a bin has no length or one over 32 days.
pub fn clean(
    counter: usize,
    device: &Counter,
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
    let counted = counted_bins(device, params, &mut report);
    let mut series = Vec::new();
    for placement in 0..device.placements.len() {
        let bins: Vec<CountedBin> =
            counted.iter().filter(|bin| bin.placement == placement).cloned().collect();
        let kept = without_outages(device, bins, params, &mut report);
        if !kept.is_empty() {
            report.used += kept.len();
            report.apportioned += kept.iter().filter(|bin| bin.coarse).count();
            let pieces = kept.iter().flat_map(|bin| bin.pieces.iter().copied()).collect();
            series.push(SiteSeries { counter, site: device.placements[placement].site, pieces });
        }
    }
    Ok((series, report))
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
}

fn counted_bins(device: &Counter, params: &ExposureParams, report: &mut ReadingReport) -> Vec<CountedBin> {
    let two_columns = device.bins.iter().any(|bin| bin.count_out.is_some());
    let mut bins: Vec<Bin> = device.bins.iter().map(|bin| on_time(bin, &device.clock)).collect();
    bins.sort_by_key(|bin| (bin.start_s, bin.length_s, bin.count_in, bin.count_out));
    let mut counted = Vec::with_capacity(bins.len());
    let mut covered_to = i64::MIN;
    for bin in bins {
        let end_s = bin.start_s + i64::from(bin.length_s);
        if bin.start_s < covered_to {
            report.overlapping += 1;
            continue;
        }
        let Some(count) = full_count(&bin, two_columns) else {
            report.missing += 1;
            continue;
        };
        let Some(placement) = placement_of(device, bin.start_s, end_s) else {
            report.unplaced += 1;
            continue;
        };
        covered_to = end_s;
        let coarse = f64::from(bin.length_s) > params.coarse_hours * 3600.0;
        let pieces = pieces_of(bin.local, bin.length_s, count, &params.hour_profile);
        counted.push(CountedBin { start_s: bin.start_s, end_s, count, placement, coarse, pieces });
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

fn without_outages(
    device: &Counter,
    bins: Vec<CountedBin>,
    params: &ExposureParams,
    report: &mut ReadingReport,
) -> Vec<CountedBin> {
    let rule = OutageRule { probability: params.zero_run_probability, hour_profile: &params.hour_profile };
    let is_closed = |bin: &CountedBin| {
        device.closures.iter().any(|shut| bin.start_s < shut.to_s && shut.from_s < bin.end_s)
    };
    let closed: Vec<bool> = bins.iter().map(is_closed).collect();
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
