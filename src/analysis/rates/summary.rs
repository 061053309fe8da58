//! From draws to what is shown of each unit, stratum and set.

use rayon::prelude::*;

use crate::analysis::random::{seed_of, stream};
use crate::analysis::rates::estimate::{Draw, Model, UNIT_STREAMS, rate_draws};
use crate::analysis::rates::gamma;
use crate::analysis::rates::interval::{Interval, central_limits};
use crate::analysis::rates::result::{
    Calls, Exceedance, FalseShare, RateEstimate, RateFit, Spread, StratumFit, UnitFit, UnitRate,
};

/// Values drawn of each unit's rate within a draw, for its interval: limits from 200 single values would be rough.
const N_WITHIN: usize = 8;

pub(super) fn summarise(model: &Model<'_>, draws: Vec<Draw>) -> RateFit {
    let n_units = model.n_units();
    let reference_draws_per_km: Vec<f64> = draws.iter().map(|draw| draw.reference_per_km).collect();
    let reference_per_km =
        Interval::from_draws(&mut reference_draws_per_km.clone(), model.params.confidence_level);
    let units: Vec<UnitFit> = (0..n_units)
        .into_par_iter()
        .map(|unit| summarise_unit(model, &draws, unit, reference_per_km.mean))
        .collect();
    RateFit {
        calls: calls(&units, model.params.call_level),
        strata: (0..model.units.n_strata()).map(|s| summarise_stratum(model, &draws, s)).collect(),
        rates: rate_draws(&draws, n_units),
        units,
        reference_per_km,
        reference_draws_per_km,
    }
}

fn summarise_unit(model: &Model<'_>, draws: &[Draw], unit: usize, reference_per_km: f64) -> UnitFit {
    let own = model.own;
    let count = model.effort.counts.mean(unit) + own.map_or(0.0, |own| own.counts.mean(unit));
    let exposure_km = model.effort.exposure.mean_km(unit) + own.map_or(0.0, |own| own.exposure.mean_km(unit));
    // A record that few draws put here contradicts nothing: it may belong elsewhere.
    let rate = match (exposure_km > 0.0, count >= 0.5) {
        (true, _) => UnitRate::Estimated(estimate_unit(model, draws, unit)),
        (false, true) => UnitRate::ContradictsRecords,
        (false, false) => UnitRate::Unexposed,
    };
    UnitFit { count, exposure_km, expected_count: exposure_km * reference_per_km, rate }
}

/// Means and exceedance are averages of exact conditional values over the draws (Rao-Blackwell); limits come from
/// several values a draw.
fn estimate_unit(model: &Model<'_>, draws: &[Draw], unit: usize) -> RateEstimate {
    // What makes up most of the reference itself can never exceed a multiple of it, whatever its rate: that says nothing.
    let is_part = |at: usize, draw: &Draw| threshold(model, draw, at, unit).is_some();
    let n_part = draws.iter().enumerate().filter(|(at, draw)| is_part(*at, draw)).count();
    let judged = model.units.provenance[unit].is_measured() && 2 * n_part > draws.len();
    let mut rng = stream(seed_of(model.params.seed, "rates"), UNIT_STREAMS + unit as u64);
    let mut values = vec![0.0; N_WITHIN * draws.len()];
    let (mut mean, mut shrinkage, mut exceedance) = (0.0, 0.0, 0.0);
    for (at, (draw, within)) in draws.iter().zip(values.chunks_exact_mut(N_WITHIN)).enumerate() {
        let hyper = draw.hyper_of(unit, model.units.stratum[unit]);
        let (shape, rate_km) = model.posterior(at, unit, hyper);
        mean += shape / rate_km;
        shrinkage += hyper.rate_km() / rate_km;
        gamma::fill(shape, rate_km, &mut rng, within);
        if judged {
            exceedance += match threshold(model, draw, at, unit) {
                Some(threshold) => gamma::upper_tail(shape, rate_km, threshold),
                None => 0.0,
            };
        }
    }
    let n_draws = draws.len() as f64;
    let (lower, upper) = central_limits(&mut values, model.params.confidence_level);
    RateEstimate {
        per_km: Interval { mean: mean / n_draws, lower, upper },
        shrinkage: shrinkage / n_draws,
        exceedance: if judged {
            Exceedance::Probability((exceedance / n_draws).min(1.0))
        } else {
            Exceedance::NotJudged
        },
    }
}

/// The rate (per km) above which a unit exceeds the multiple of the reference, given all other units of a draw.
///
/// The reference holds the unit itself with weight w: λ > c (w λ + rest) means λ > c rest / (1 − c w). A unit with
/// weight 1/c or more can never exceed it: nothing.
fn threshold(model: &Model<'_>, draw: &Draw, at: usize, unit: usize) -> Option<f64> {
    let multiple = model.params.exceedance_multiple;
    let weight = model.reference_km(at, unit) / draw.reference_km;
    let rest = (draw.reference_per_km - weight * draw.rate_per_km[unit]).max(0.0);
    let free = 1.0 - multiple * weight;
    (free > 0.0).then(|| multiple * rest / free)
}

fn summarise_stratum(model: &Model<'_>, draws: &[Draw], stratum: usize) -> StratumFit {
    let level = model.params.confidence_level;
    let mut means: Vec<f64> = draws.iter().map(|draw| draw.hyper.strata[stratum].mean_per_km).collect();
    let mut variations: Vec<f64> = draws.iter().map(|draw| draw.hyper.strata[stratum].phi.sqrt()).collect();
    let no_spread: f64 = draws.iter().map(|draw| draw.hyper.no_spread[stratum]).sum();
    let no_spread_probability = no_spread / draws.len() as f64;
    let members: Vec<usize> = (0..model.n_units())
        .filter(|&unit| model.units.stratum[unit] == stratum && model.units.provenance[unit].is_measured())
        .filter(|&unit| model.effort.exposure.mean_km(unit) > 0.0)
        .collect();
    let n_units = members.len();
    let n_events: f64 = members.iter().map(|&unit| model.effort.counts.mean(unit)).sum();
    // One unit or one record cannot show a difference, whatever the prior on the spread says.
    let spread = if n_units >= 2 && n_events >= 2.0 && no_spread_probability < 0.5 {
        Spread::ToldApart { no_spread_probability }
    } else {
        Spread::CannotTellApart { no_spread_probability }
    };
    StratumFit {
        n_units,
        mean_per_km: Interval::from_draws(&mut means, level),
        variation: Interval::from_draws(&mut variations, level),
        spread,
    }
}

fn calls(units: &[UnitFit], call_level: f64) -> Calls {
    let exceedances = units.iter().enumerate().filter_map(|(unit, fit)| Some((unit, fit.judged()?.1)));
    let called: Vec<(usize, f64)> = exceedances.filter(|&(_, p)| p > call_level).collect();
    let wrong: f64 = called.iter().map(|&(_, p)| 1.0 - p).sum();
    let false_share = if called.is_empty() {
        FalseShare::NoCalls
    } else {
        FalseShare::Expected(wrong / called.len() as f64)
    };
    Calls { units: called.into_iter().map(|(unit, _)| unit).collect(), false_share }
}
