//! Reports before and after, each of four cells with a reporting ratio of its own, or a refusal.

use crate::analysis::before_after::Change;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::control::Cells;
use crate::analysis::before_after::reports::ReportedChange;
use crate::analysis::before_after::reports::ReportingCells;
use crate::analysis::before_after::reports::reported_change;
use crate::analysis::counts::RatioLimits;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::RatioParams;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::reporting_ratio;
use crate::derived::DeriveError;
use crate::derived::effect::campaign::Comparison;
use crate::derived::effect::campaign::Side;
use crate::derived::effect::campaign::Times;
use crate::domain::encounter::EffortKind;

use jiff::tz::TimeZone;

/// The four cells in the order of every list here.
pub(super) const CELLS: [(Role, Side, &str); 4] = [
    (Role::Signed, Side::Before, "with signs, before"),
    (Role::Signed, Side::After, "with signs, after"),
    (Role::Control, Side::Before, "without signs, before"),
    (Role::Control, Side::After, "without signs, after"),
];

/// What reports say of a campaign.
#[derive(Debug, Clone, PartialEq)]
pub enum ReportsAnswer {
    /// All four ratios are known.
    Estimated {
        /// The change with what people report taken out.
        change: Change,
        /// Its limits.
        limits: RatioLimits,
        /// Reports in the four cells.
        reports: [u64; 4],
    },
    /// Refused, in words: which cells lack surveys.
    Refused {
        /// Cells in words, with the survey encounters that each has of those it needs.
        missing: Vec<(&'static str, f64)>,
        /// Reports in the four cells.
        reports: [u64; 4],
    },
    /// Nothing says how far people walked in one of the periods.
    NotWalked,
}

/// Counts and kilometres of one cell by segment.
struct CellData {
    survey: CountDraws,
    survey_km: ExposureDraws,
    reports: CountDraws,
    walked: ExposureDraws,
    segments: Vec<usize>,
}

pub(super) fn answer(
    comparison: &Comparison<'_>,
    roles: &[Option<Role>],
    times: &Times,
) -> Result<ReportsAnswer, DeriveError> {
    let data: Option<Vec<CellData>> =
        CELLS.iter().map(|(role, side, _)| cell(comparison, roles, times, (*role, *side))).collect();
    let Some(data) = data else { return Ok(ReportsAnswer::NotWalked) };
    let params = RatioParams {
        n_draws: comparison.facts.settings.draws(),
        seed: comparison.facts.settings.seed(),
        ..RatioParams::default()
    };
    let ratios: Result<Vec<ReportingRatio>, _> = data
        .iter()
        .map(|cell| {
            let survey = Effort { counts: &cell.survey, exposure: &cell.survey_km };
            let reports = Effort { counts: &cell.reports, exposure: &cell.walked };
            reporting_ratio(&survey, &reports, &cell.segments, &params)
        })
        .collect();
    let ratios = ratios.map_err(DeriveError::internal)?;
    let totals: Vec<Period> = data.iter().map(total).collect();
    let ([sb, sa, cb, ca], [rsb, rsa, rcb, rca]) = (&totals[..], &ratios[..]) else {
        return Ok(ReportsAnswer::NotWalked);
    };
    let reports = [sb.count, sa.count, cb.count, ca.count];
    let cells = Cells { signed_before: *sb, signed_after: *sa, control_before: *cb, control_after: *ca };
    if totals.iter().any(|cell| cell.km <= 0.0) {
        return Ok(ReportsAnswer::NotWalked);
    }
    let known =
        ReportingCells { signed_before: rsb, signed_after: rsa, control_before: rcb, control_after: rca };
    match reported_change(&cells, &known, 0.95).map_err(DeriveError::internal)? {
        ReportedChange::Estimated { change, limits } => {
            Ok(ReportsAnswer::Estimated { change, limits, reports })
        }
        ReportedChange::Refused { missing } => {
            let lacking = CELLS.iter().zip(&ratios).zip(missing).filter(|(_, is_missing)| *is_missing);
            let words = |((cell, ratio), _): ((&(Role, Side, &'static str), &ReportingRatio), bool)| {
                let n_survey = match ratio {
                    ReportingRatio::NotEstimable { survey_encounters } => *survey_encounters,
                    ReportingRatio::Estimated(estimate) => estimate.survey_encounters,
                };
                (cell.2, n_survey)
            };
            Ok(ReportsAnswer::Refused { missing: lacking.map(words).collect(), reports })
        }
    }
}

fn total(cell: &CellData) -> Period {
    let n_units = cell.walked.n_units.max(1);
    let km = cell.segments.iter().map(|segment| {
        let draws = cell.walked.party_km.iter().skip(*segment).step_by(n_units);
        draws.sum::<f64>() / cell.walked.n_draws as f64
    });
    let count = |segment: &usize| -> f64 {
        let draws = cell.reports.counts.iter().skip(*segment).step_by(n_units);
        draws.map(|count| f64::from(*count)).sum::<f64>() / cell.reports.n_draws as f64
    };
    let counted: f64 = cell.segments.iter().map(count).sum();
    Period { count: counted.round() as u64, km: km.sum() }
}

/// One cell; none where the walking of its period is not known.
fn cell(
    comparison: &Comparison<'_>,
    roles: &[Option<Role>],
    times: &Times,
    (role, side): (Role, Side),
) -> Option<CellData> {
    let exposure = comparison.exposure?;
    let zone = TimeZone::get(&comparison.facts.area.time_zone).ok()?;
    let n_segments = roles.len();
    let is_of_cell = |segment: usize| roles[segment] == Some(role);
    let is_timely = |at_s: i64| times.side(at_s, i64::MIN) == Some(side);
    // A month belongs to the side of its middle.
    let middle_s = |month: crate::analysis::exposure::YearMonth| {
        let date = jiff::civil::Date::new(month.year, month.month, 15).ok()?;
        Some(zone.to_timestamp(date.at(12, 0, 0, 0)).ok()?.as_second())
    };
    let walked = exposure.field.km_where(|month, _| middle_s(month).is_some_and(is_timely));
    let mut survey = vec![0; n_segments];
    let mut survey_km = vec![0.0; n_segments];
    for walk in comparison.walks.iter().filter(|walk| is_timely(walk.start_s)) {
        walk.km.iter().for_each(|(segment, km)| survey_km[*segment] += km);
        walk.met.iter().for_each(|(segment, _)| survey[*segment] += 1);
    }
    let (facts, snaps) = (comparison.facts, comparison.snaps);
    let counts = snaps.allocation.counts_by_draw_where(n_segments, |record| {
        let row = &facts.encounters.rows[snaps.records[record]];
        row.effort_kind == EffortKind::Report
            && facts.counts(row)
            && row.time.instant_s.is_some_and(is_timely)
            && crate::derived::season::in_period(exposure, &row.time)
    });
    Some(CellData {
        survey: CountDraws::certain(survey),
        survey_km: ExposureDraws::certain(survey_km),
        reports: CountDraws { n_draws: snaps.allocation.n_draws(), n_units: n_segments, counts },
        walked: ExposureDraws { n_draws: exposure.field.n_draws, n_units: n_segments, party_km: walked },
        segments: (0..n_segments).filter(|segment| is_of_cell(*segment)).collect(),
    })
}
