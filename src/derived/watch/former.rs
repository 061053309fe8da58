//! Rates of former years, given when people walked.

use std::collections::BTreeSet;

use rand_distr::Distribution;
use rand_distr::Gamma;

use crate::analysis::random::seed_of;
use crate::analysis::random::stream;
use crate::analysis::rates;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::RateParams;
use crate::analysis::rates::Units;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::rates as unit_rates;
use crate::derived::rates::RateSet;
use crate::derived::snaps::SnapLayer;
use crate::derived::watch::calendar::Records;
use crate::derived::watch::curves::Totals;

/// Walking of former years, each hour weighted by the curve of its unit.
pub(super) fn adjusted(walked: &ExposureDraws, former: &Totals) -> ExposureDraws {
    let mut party_km = walked.party_km.clone();
    for (draw, row) in party_km.chunks_exact_mut(walked.n_units.max(1)).enumerate() {
        let whole: Vec<f64> =
            (0..former.n_curves).map(|curve| former.weeks(draw, curve).iter().sum()).collect();
        for (unit, km) in row.iter_mut().enumerate() {
            *km *= former.shares_of(unit).iter().map(|(curve, share)| share * whole[*curve]).sum::<f64>();
        }
    }
    ExposureDraws { party_km, ..*walked }
}

/// Rates of former years, given when people walked.
pub(super) fn former_rates(
    facts: &Facts,
    snaps: &SnapLayer,
    set: &RateSet,
    adjusted: &ExposureDraws,
    records: &Records,
) -> Result<RateFit, DeriveError> {
    let n_segments = set.members.iter().flatten().max().map_or(0, |last| last + 1);
    let mut is_former = vec![false; snaps.records.len()];
    records.former.iter().for_each(|record| is_former[record.record] = true);
    let by_segment = CountDraws {
        n_draws: snaps.allocation.n_draws(),
        n_units: n_segments,
        counts: snaps.allocation.counts_by_draw_where(n_segments, |record| is_former[record]),
    };
    let counts =
        rates::stretch_counts(&unit_rates::as_stretches(set), &by_segment).map_err(DeriveError::internal)?;
    let params = RateParams {
        n_draws: facts.settings.draws(),
        seed: facts.settings.seed(),
        prior: unit_rates::prior(&facts.settings),
        ..RateParams::default()
    };
    // Whole trails share one distribution; within a trail its stretches do.
    let stratum = if is_by_trail(set) { vec![0; set.strata.len()] } else { set.strata.clone() };
    let effort = Effort { counts: &counts, exposure: adjusted };
    let fit = |provenance: &[Provenance]| {
        rates::estimate(&effort, &Units { stratum: &stratum, provenance }, &params)
    };
    let mut fitted = match fit(&set.provenance) {
        // What a season is compared with is a number of encounters, in which an assumed number of kilometres cancels.
        Err(rates::RateError::NoExposure) => fit(&unit_rates::as_fitted(&set.provenance)),
        fitted => fitted,
    };
    if let Ok(fit) = &mut fitted {
        agree_in_total(fit, &effort, facts.settings.seed());
    }
    fitted.map_err(|error| match error {
        rates::RateError::NoExposure => DeriveError::missing(
            "Nobody is known to have walked in former years, so nothing can be expected.",
        ),
        other => DeriveError::internal(other),
    })
}

/// Scales the rates of every draw so that together they give what a single rate for the whole area would: a gamma draw
/// with the former encounters of all units as its shape (Jeffreys' prior).
///
/// Rates of units are drawn towards their stratum, which need not keep their sum, least of all where walking is assumed;
/// the expectation of the whole area would then depend on how it is cut into units.
pub(super) fn agree_in_total(fit: &mut RateFit, effort: &Effort<'_>, seed: u64) {
    let Effort { counts, exposure } = *effort;
    let (n_units, seed) = (fit.rates.n_units, seed_of(seed, "former encounters together"));
    for (draw, rates) in fit.rates.per_km.chunks_exact_mut(n_units.max(1)).enumerate() {
        let km = &exposure.party_km[draw % exposure.n_draws * n_units..][..n_units];
        let counted = &counts.counts[draw % counts.n_draws * n_units..][..n_units];
        let n: u32 = counted.iter().zip(km).filter(|(_, km)| **km > 0.0).map(|(n, _)| n).sum();
        let together: f64 = rates.iter().zip(km).map(|(rate, km)| rate * km).sum();
        let Ok(total) = Gamma::new(f64::from(n) + 0.5, 1.0) else { continue };
        let factor = total.sample(&mut stream(seed, draw as u64)) / together;
        if factor.is_finite() {
            rates.iter_mut().for_each(|rate| *rate *= factor);
        }
    }
}

/// Whether every unit is a trail of its own.
pub(super) fn is_by_trail(set: &RateSet) -> bool {
    set.strata.iter().collect::<BTreeSet<_>>().len() == set.strata.len()
}
