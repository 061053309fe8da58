//! Gamma-Poisson rates with their hyperparameters integrated, refitted in every draw of the exposure field.

use rayon::prelude::*;

use crate::analysis::random::{Stream, seed_of, stream};
use crate::analysis::rates::gamma;
use crate::analysis::rates::hyper::{Grid, Hyper, HyperDraw, N_CHOICES};
use crate::analysis::rates::input::{Effort, RateError, RateParams, Units};
use crate::analysis::rates::likelihood::Stratum;
use crate::analysis::rates::result::{RateDraws, RateFit};
use crate::analysis::rates::summary::summarise;

/// Streams of a seed: one a draw from zero, and one a unit from here.
pub(super) const UNIT_STREAMS: u64 = 1 << 40;

/// Encounter rates of a set of units, from their counts and exposure.
///
/// Within a stratum rates follow a gamma distribution whose mean and spread are integrated over a grid with proper
/// priors ([`crate::analysis::rates::HyperPrior`]). For every draw the model is refitted with that draw's counts and
/// exposure, hyperparameters are drawn from their posterior, rates from theirs, and each rate is compared with the
/// reference rate of the same draw, so that an error shared by all exposures cancels.
///
/// The reference rate is the exposure-weighted mean rate of all units with counted or fitted exposure. Units with
/// assumed exposure get an estimate from their own counts and their stratum, and inform nobody else; how far they are drawn
/// towards their stratum's mean is weighed by their own counts, too.
///
/// The draws of exposure are taken as they are: the records do not choose among them. Where exposure is known worse
/// than rates differ between strata, more calls are wrong than the expected share says; such units belong under
/// [`crate::analysis::rates::Provenance::Assumed`], which calls nothing.
///
/// # Errors
/// [`RateError`] when shapes disagree, an exposure is negative or not finite, a parameter is out of range, or no unit
/// with counted or fitted exposure was walked at all.
///
/// # References
/// Clayton, D. and Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks. *Biometrics* 43,
/// 671-681. Marshall, R. J. (1991). Mapping disease and mortality rates using empirical Bayes estimators. *Applied
/// Statistics* 40, 283-294. Richardson, S. and others (2004). Interpreting posterior relative risk estimates in
/// disease-mapping studies. *Environmental Health Perspectives* 112, 1016-1025 (exceedance).
pub fn estimate(effort: &Effort<'_>, units: &Units<'_>, params: &RateParams) -> Result<RateFit, RateError> {
    estimate_with(effort, None, units, params)
}

/// The same with further effort that informs only the units where it was spent: neither the prior nor the reference.
pub(super) fn estimate_with(
    effort: &Effort<'_>,
    own: Option<&Effort<'_>>,
    units: &Units<'_>,
    params: &RateParams,
) -> Result<RateFit, RateError> {
    check(effort, own, units, params)?;
    let model = Model { effort, own, units, params, grid: Grid::new(&params.prior) };
    let draws: Vec<Draw> =
        (0..params.n_draws).into_par_iter().map(|draw| model.draw(draw)).collect::<Result<_, _>>()?;
    Ok(summarise(&model, draws))
}

fn check(
    effort: &Effort<'_>,
    own: Option<&Effort<'_>>,
    units: &Units<'_>,
    params: &RateParams,
) -> Result<(), RateError> {
    params.check()?;
    effort.check()?;
    units.check(effort)?;
    if let Some(own) = own {
        own.check()?;
        units.check(own)?;
    }
    Ok(())
}

/// The distribution drawn for the stratum itself.
const STRATUMS_OWN: u8 = u8::MAX;
const _: () = assert!(N_CHOICES < STRATUMS_OWN as usize);

impl Draw {
    /// The distribution that a unit of a stratum follows.
    pub(super) fn hyper_of(&self, unit: usize, stratum: usize) -> Hyper {
        hyper_of(&self.hyper, stratum, self.chosen[unit])
    }
}

fn hyper_of(hyper: &HyperDraw, stratum: usize, chosen: u8) -> Hyper {
    match &hyper.choices[stratum] {
        Some(choices) if chosen != STRATUMS_OWN => choices.hypers[usize::from(chosen)],
        _ => hyper.strata[stratum],
    }
}

/// Everything a draw is made from.
pub(super) struct Model<'a> {
    pub(super) effort: &'a Effort<'a>,
    pub(super) own: Option<&'a Effort<'a>>,
    pub(super) units: &'a Units<'a>,
    pub(super) params: &'a RateParams,
    grid: Grid,
}

/// One draw: hyperparameters, rates and the reference.
pub(super) struct Draw {
    pub(super) hyper: HyperDraw,
    /// By unit which of its stratum's choices it follows; [`STRATUMS_OWN`] where it informed the stratum by all that it has.
    chosen: Vec<u8>,
    pub(super) rate_per_km: Vec<f64>,
    pub(super) reference_per_km: f64,
    /// Exposure of all units that enter the reference.
    pub(super) reference_km: f64,
}

impl Model<'_> {
    /// Count and exposure that a unit's own rate rests on in a draw.
    ///
    /// A count without exposure in the same draw contradicts it and says nothing about the rate: it is left out here
    /// and reported in the summary.
    pub(super) fn evidence(&self, draw: usize, unit: usize) -> (u32, f64) {
        let of = |effort: &Effort<'_>| {
            let km = effort.exposure.row(draw)[unit];
            if km > 0.0 { (effort.counts.row(draw)[unit], km) } else { (0, 0.0) }
        };
        let (count, km) = of(self.effort);
        let (own_count, own_km) = self.own.map_or((0, 0.0), of);
        (count + own_count, km + own_km)
    }

    /// Exposure of a unit in the reference of a draw, in km; zero where it is not measured.
    pub(super) fn reference_km(&self, draw: usize, unit: usize) -> f64 {
        if self.units.provenance[unit].is_measured() { self.effort.exposure.row(draw)[unit] } else { 0.0 }
    }

    pub(super) fn n_units(&self) -> usize {
        self.effort.counts.n_units
    }

    fn draw(&self, draw: usize) -> Result<Draw, RateError> {
        let mut rng = stream(seed_of(self.params.seed, "rates"), draw as u64);
        let strata = self.strata(draw);
        if strata.iter().all(|stratum| stratum.total_km <= 0.0) {
            return Err(RateError::NoExposure);
        }
        let mut of_choices = stream(seed_of(self.params.seed, "rates of assumed walking"), draw as u64);
        let asked = self.asked(draw);
        let hyper = self.grid.draw(&strata, &self.params.prior, &asked, (&mut rng, &mut of_choices));
        let chosen = self.choose(draw, &hyper, &mut of_choices);
        let mut rate_per_km = vec![0.0; self.n_units()];
        let (mut expected, mut reference_km) = (0.0, 0.0);
        for (unit, rate) in rate_per_km.iter_mut().enumerate() {
            let (shape, rate_km) = self.posterior(draw, unit, self.hyper_of(&hyper, &chosen, unit));
            *rate = gamma::draw(shape, rate_km, &mut rng);
            let km = self.reference_km(draw, unit);
            expected += km * *rate;
            reference_km += km;
        }
        Ok(Draw { hyper, chosen, rate_per_km, reference_per_km: expected / reference_km, reference_km })
    }

    fn hyper_of(&self, hyper: &HyperDraw, chosen: &[u8], unit: usize) -> Hyper {
        hyper_of(hyper, self.units.stratum[unit], chosen[unit])
    }

    /// What of a unit's count and exposure informs its stratum in a draw.
    fn informing(&self, draw: usize, unit: usize) -> (u32, f64) {
        let km = self.reference_km(draw, unit);
        if km > 0.0 { (self.effort.counts.row(draw)[unit], km) } else { (0, 0.0) }
    }

    /// By stratum the largest count of units with evidence that does not inform it; none where there are none.
    fn asked(&self, draw: usize) -> Vec<Option<u32>> {
        let mut asked = vec![None; self.units.n_strata()];
        for (unit, &stratum) in self.units.stratum.iter().enumerate() {
            let (count, km) = self.evidence(draw, unit);
            if km > self.informing(draw, unit).1 {
                asked[stratum] = asked[stratum].max(Some(count));
            }
        }
        asked
    }

    /// By unit the choice that it follows.
    fn choose(&self, draw: usize, hyper: &HyperDraw, rng: &mut Stream) -> Vec<u8> {
        let choose = |(unit, &stratum): (usize, &usize)| {
            let (all, informed) = (self.evidence(draw, unit), self.informing(draw, unit));
            match &hyper.choices[stratum] {
                Some(choices) if all.1 > informed.1 => choices.pick(all, informed, rng) as u8,
                _ => STRATUMS_OWN,
            }
        };
        self.units.stratum.iter().enumerate().map(choose).collect()
    }

    /// Shape and inverse scale (km) of a unit's rate given the distribution that it follows in a draw.
    pub(super) fn posterior(&self, draw: usize, unit: usize, hyper: Hyper) -> (f64, f64) {
        let (count, km) = self.evidence(draw, unit);
        (hyper.shape() + f64::from(count), hyper.rate_km() + km)
    }

    /// The strata of a draw: units that are measured and walked in it.
    fn strata(&self, draw: usize) -> Vec<Stratum> {
        let (counts, km) = (self.effort.counts.row(draw), self.effort.exposure.row(draw));
        let mut members = vec![Vec::new(); self.units.n_strata()];
        for (unit, &stratum) in self.units.stratum.iter().enumerate() {
            if self.units.provenance[unit].is_measured() && km[unit] > 0.0 {
                members[stratum].push((counts[unit], km[unit]));
            }
        }
        members.iter().map(|units| Stratum::new(units)).collect()
    }
}

/// Gathers the rates of all draws in one draw-major field.
pub(super) fn rate_draws(draws: &[Draw], n_units: usize) -> RateDraws {
    let per_km = draws.iter().flat_map(|draw| draw.rate_per_km.iter().copied()).collect();
    RateDraws { n_draws: draws.len(), n_units, per_km }
}
