//! Reports before and after, each of four cells with a reporting ratio of its own, or a refusal.

use crate::analysis::before_after::Change;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::control::Cells;
use crate::analysis::before_after::reports::ReportedChange;
use crate::analysis::before_after::reports::ReportingCells;
use crate::analysis::before_after::reports::reported_change;
use crate::analysis::counts::RatioLimits;
use crate::analysis::rates::ReportingRatio;
use crate::derived::DeriveError;
use crate::derived::effect::campaign::Comparison;
use crate::derived::effect::campaign::Side;
use crate::derived::effect::campaign::Times;
use crate::derived::effect::campaign::UnitsOf;
use crate::derived::effect::cells::CellData;
use crate::derived::effect::cells::Ground;

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
        /// Reports and kilometres walked by parties in the four cells, weighted by season and hour.
        cells: [Period; 4],
    },
    /// Refused, in words: which cells lack surveys.
    Refused {
        /// Cells in words, with the survey encounters that each has of those it needs.
        missing: Vec<(&'static str, f64)>,
        /// Reports and kilometres walked by parties in the four cells, weighted by season and hour.
        cells: [Period; 4],
    },
    /// Nothing says how far people walked in one of the periods.
    NotWalked,
}

pub(super) fn answer(
    comparison: &Comparison<'_>,
    units_of: &UnitsOf,
    times: &Times,
) -> Result<ReportsAnswer, DeriveError> {
    let Some(exposure) = comparison.exposure else { return Ok(ReportsAnswer::NotWalked) };
    let facts = comparison.facts;
    let ground = Ground {
        facts,
        exposure,
        snaps: comparison.snaps,
        walks: comparison.matched,
        season: comparison.season,
    };
    let cell = |(role, side): (Role, Side)| ground.cell(&units_of.windows(role, side, times), 1, &|_| 0);
    let data: Vec<CellData> =
        CELLS.iter().map(|(role, side, _)| cell((*role, *side))).collect::<Result<_, _>>()?;
    let ratios: Vec<ReportingRatio> =
        (0..).zip(&data).map(|(idx, cell)| cell.ratio(facts, 0, idx)).collect::<Result<_, _>>()?;
    let totals: Vec<Period> = data.iter().map(total).collect();
    let ([sb, sa, cb, ca], [rsb, rsa, rcb, rca]) = (&totals[..], &ratios[..]) else {
        return Ok(ReportsAnswer::NotWalked);
    };
    let counted = [*sb, *sa, *cb, *ca];
    let cells = Cells { signed_before: *sb, signed_after: *sa, control_before: *cb, control_after: *ca };
    if totals.iter().any(|cell| cell.km <= 0.0) {
        return Ok(ReportsAnswer::NotWalked);
    }
    let known =
        ReportingCells { signed_before: rsb, signed_after: rsa, control_before: rcb, control_after: rca };
    match reported_change(&cells, &known, 0.95).map_err(DeriveError::internal)? {
        ReportedChange::Estimated { change, limits } => {
            Ok(ReportsAnswer::Estimated { change, limits, cells: counted })
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
            Ok(ReportsAnswer::Refused { missing: lacking.map(words).collect(), cells: counted })
        }
    }
}

fn total(cell: &CellData) -> Period {
    let reports = &cell.reports[0];
    let n_units = cell.walked.n_units.max(1);
    let km = cell.segments.iter().map(|segment| {
        let draws = cell.walked.party_km.iter().skip(*segment).step_by(n_units);
        draws.sum::<f64>() / cell.walked.n_draws as f64
    });
    let count = |segment: &usize| -> f64 {
        let draws = reports.counts.iter().skip(*segment).step_by(n_units);
        draws.map(|count| f64::from(*count)).sum::<f64>() / reports.n_draws as f64
    };
    let counted: f64 = cell.segments.iter().map(count).sum();
    Period { count: counted.round() as u64, km: km.sum() }
}
