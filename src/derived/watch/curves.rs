//! The curves of former seasons, and how much is walked in each week under them.

use crate::analysis::exposure::TimeShares;
use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::HourSet;
use crate::analysis::season::Interaction;
use crate::analysis::season::PartialRecord;
use crate::analysis::season::Parts;
use crate::analysis::season::Period;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::derived::DeriveError;
use crate::derived::season::EXPOSURE_DRAWS;
use crate::derived::watch::Ground;
use crate::derived::watch::calendar::Calendar;
use crate::derived::watch::calendar::Records;
use crate::derived::watch::calendar::Week;

pub(super) fn hour_share(walked: &[f64], week: &Week, hour: usize) -> f64 {
    week.months.iter().map(|(month, share)| walked[month * season::HOURS + hour] * share).sum()
}

/// Walking in each week times the curve that a unit follows, as a share of all walking.
pub(super) struct Totals {
    pub(super) n_weeks: usize,
    pub(super) n_curves: usize,
    /// Of each curve, draw-major: `(draw * n_curves + curve) * n_weeks + week`.
    pub(super) of_curve: Vec<f64>,
    /// The curves of each unit with the share of each; empty where all follow the first.
    pub(super) shares: Vec<Vec<(usize, f64)>>,
}

impl Totals {
    /// By week, of one curve in a draw.
    pub(super) fn weeks(&self, draw: usize, curve: usize) -> &[f64] {
        &self.of_curve[(draw * self.n_curves + curve) * self.n_weeks..][..self.n_weeks]
    }

    /// The curves that a unit follows with the share of each.
    pub(super) fn shares_of(&self, unit: usize) -> &[(usize, f64)] {
        self.shares.get(unit).map_or(&[(0, 1.0)], Vec::as_slice)
    }
}

/// The curves of former seasons, and which of them each unit follows.
pub(super) struct Curves<'a> {
    pub(super) fit: &'a SeasonFit,
    pub(super) shares: Vec<Vec<(usize, f64)>>,
}

impl Curves<'_> {
    pub(super) fn totals(&self, shares: &TimeShares, weeks: &[Week]) -> Totals {
        // Former seasons alone may not carry a curve for each level; then the common one stands for all.
        let n_curves = self.fit.curves().len();
        let mut of_curve = Vec::with_capacity(shares.n_draws * n_curves * weeks.len());
        for draw in 0..shares.n_draws {
            let walked = shares.draw(draw);
            for curve in self.fit.curves() {
                let relative = curve.draw(draw % curve.n_draws);
                of_curve.extend(weeks.iter().map(|week| {
                    let rate = |hour: usize| relative[week.part * season::HOURS + hour];
                    (0..season::HOURS).map(|hour| hour_share(walked, week, hour) * rate(hour)).sum::<f64>()
                }));
            }
        }
        let shares = if n_curves > 1 { self.shares.clone() } else { Vec::new() };
        Totals { n_weeks: weeks.len(), n_curves, of_curve, shares }
    }
}

/// Season and hours of former seasons, by week; one curve, or one for each level where levels have their own.
pub(super) fn former_season(
    ground: &Ground<'_>,
    calendar: &Calendar,
    records: &Records,
) -> Result<Box<SeasonFit>, DeriveError> {
    let Ground { facts, exposure, season: known, .. } = *ground;
    let weeks = &calendar.former;
    let mean = exposure.field.time.mean();
    let mut km = vec![0.0; known.curves().len().max(1)];
    for (segment, walked) in exposure.mean_km.iter().enumerate() {
        km[known.curve_of(segment)] += walked;
    }
    let walked = |shares: &[f64]| -> Vec<f64> {
        let by_week: Vec<f64> = weeks
            .iter()
            .flat_map(|week| (0..season::HOURS).map(|hour| hour_share(shares, week, hour)))
            .collect();
        km.iter().flat_map(|km| by_week.iter().map(move |share| share * km)).collect()
    };
    let period =
        |week: &Week| Period { year: i32::from(week.year), part: week.part, max_temperature_c: None };
    let mut cells = Cells {
        parts: Parts::Weeks,
        periods: weeks.iter().map(period).collect(),
        group_levels: (0..km.len()).collect(),
        counts: vec![0; km.len() * weeks.len() * season::HOURS],
        exposure: walked(&mean),
    };
    let draws: Vec<Vec<f64>> = exposure.field.time.some_draws(EXPOSURE_DRAWS).map(walked).collect();
    let mut partial = Vec::new();
    for record in &records.former {
        let Some(week) = Calendar::week_of(weeks, record.date) else { continue };
        let group = known.curve_of(record.segment);
        match record.hour {
            Some(hour) => {
                let cell = cells.index(group, week, hour);
                cells.counts[cell] += 1;
            }
            None => partial.push(PartialRecord { group, periods: week..week + 1, hours: HourSet::ALL }),
        }
    }
    let params = SeasonParams {
        n_draws: facts.settings.draws(),
        seed: facts.settings.seed(),
        // Whether levels differ was decided from all records; a part of them would not always find it again.
        interaction: if km.len() > 1 { Interaction::Always } else { Interaction::Never },
        ..SeasonParams::default()
    };
    let outcome = season::fit_with_exposure_draws(&cells, &draws, &partial, &params);
    match outcome.map_err(DeriveError::internal)? {
        SeasonOutcome::Estimated(fit) => Ok(fit),
        SeasonOutcome::NotEstimable(_) => Err(DeriveError::missing(
            "Former years have no reports on walked trails, so nothing can be expected of this season.",
        )),
    }
}
