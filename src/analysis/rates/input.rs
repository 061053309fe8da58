//! What rates are computed from: counts and exposures as draws, strata, provenance, parameters.

/// Why rates cannot be computed from what was handed in.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RateError {
    /// A draw-major array does not hold draws times units values, or has no draw at all.
    #[error("{what} holds {found} values instead of {n_draws} draws of {n_units} units")]
    Shape {
        /// The array, in words.
        what: &'static str,
        /// Values found.
        found: usize,
        /// Draws stated.
        n_draws: usize,
        /// Units stated.
        n_units: usize,
    },
    /// Two inputs disagree about the number of units.
    #[error("{what} is for {found} units, the counts are for {expected}")]
    Units {
        /// The input that disagrees, in words.
        what: &'static str,
        /// Its number of units.
        found: usize,
        /// The number of units of the counts.
        expected: usize,
    },
    /// An exposure is negative or not finite.
    #[error("the exposure of unit {unit} in draw {draw} is {value} km: it must be finite and at least zero")]
    Exposure {
        /// Unit index.
        unit: usize,
        /// Draw index.
        draw: usize,
        /// The value refused, in km walked.
        value: f64,
    },
    /// A unit is marked as not walked, yet has exposure.
    #[error("unit {0} is marked as not walked but has exposure")]
    WalkedAfterAll(usize),
    /// No unit whose exposure was counted or fitted has any exposure: there is nothing to divide by.
    #[error("no unit with counted or fitted exposure was walked")]
    NoExposure,
    /// A parameter is outside its range.
    #[error("{name} is {value}: it must be {allowed}")]
    Parameter {
        /// The parameter.
        name: &'static str,
        /// The value refused.
        value: f64,
        /// What is allowed, in words.
        allowed: &'static str,
    },
    /// A group of units is used whose reporting ratio could not be estimated.
    #[error(
        "the reporting ratio of group {0} could not be estimated, so its reports cannot be joined to surveys"
    )]
    RatioMissing(usize),
}

/// Encounter counts by unit as draws: whole records dealt to units, not fractions of records.
///
/// Draw-major: the count of `unit` in `draw` is `counts[draw * n_units + unit]`. One draw where every record has one
/// possible unit. A unit is a segment or a stretch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CountDraws {
    /// Number of draws, at least one.
    pub n_draws: usize,
    /// Number of units.
    pub n_units: usize,
    /// The counts, `n_draws * n_units` of them.
    pub counts: Vec<u32>,
}

/// Exposure by unit as whole draws of the exposure field, so that shared errors stay shared.
///
/// Draw-major: the exposure of `unit` in `draw` is `party_km[draw * n_units + unit]`, in kilometres walked by parties
/// (or kilometres surveyed), finite and at least zero. One draw where exposure is known exactly.
#[derive(Debug, Clone, PartialEq)]
pub struct ExposureDraws {
    /// Number of draws, at least one.
    pub n_draws: usize,
    /// Number of units.
    pub n_units: usize,
    /// The exposures in km, `n_draws * n_units` of them.
    pub party_km: Vec<f64>,
}

/// How the exposure of a unit is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Provenance {
    /// A counter or a surveyed track covers the unit.
    Counted,
    /// The walker model reaches the unit with parameters that the counts identify.
    Fitted,
    /// The exposure rests on a stated prior: the unit gets an estimate, but no rank and no exceedance, and it does
    /// not inform other units.
    Assumed,
    /// Nobody walked here in the period; exposure is zero in every draw.
    NotWalked,
}

/// Encounters and exposure of a set of units.
#[derive(Debug, Clone, Copy)]
pub struct Effort<'a> {
    /// Encounters.
    pub counts: &'a CountDraws,
    /// Kilometres walked. Draw `d` of an estimate pairs count draw `d` with exposure draw `d`, each counted round
    /// again where it has fewer draws.
    pub exposure: &'a ExposureDraws,
}

/// The units: which stratum each belongs to, and how its exposure is known.
#[derive(Debug, Clone, Copy)]
pub struct Units<'a> {
    /// Stratum (trail or habitat) by unit, counted from zero; gaps are legal and give strata without units.
    pub stratum: &'a [usize],
    /// Provenance of exposure by unit.
    pub provenance: &'a [Provenance],
}

/// The prior on the mean and the spread of the rates of a stratum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HyperPrior {
    /// Standard deviation of a stratum's log mean around the log rate of all other strata; above zero. 1 lets a trail
    /// without records be 7 times busier or quieter than the rest.
    pub mean_log_sd: f64,
    /// The same where there is no other stratum to lean on.
    pub lone_mean_log_sd: f64,
    /// Scale of the half-normal prior on the coefficient of variation of rates within a stratum; above zero.
    pub variation_scale: f64,
    /// Standard deviation of the log coefficient of variation of a stratum around the one that all strata share;
    /// above zero. Small values pool strata tightly.
    pub variation_log_sd: f64,
}

impl Default for HyperPrior {
    fn default() -> Self {
        Self { mean_log_sd: 1.0, lone_mean_log_sd: 3.0, variation_scale: 1.0, variation_log_sd: 0.5 }
    }
}

/// Parameters of a rate estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateParams {
    /// A unit is looked at for a rate above this multiple of the reference rate; above zero.
    pub exceedance_multiple: f64,
    /// A unit is called where its exceedance is above this level, in (0, 1).
    pub call_level: f64,
    /// Level of every interval, in (0, 1).
    pub confidence_level: f64,
    /// Number of draws, at least one.
    pub n_draws: usize,
    /// Seed of every draw.
    pub seed: u64,
    /// Prior on the hyperparameters.
    pub prior: HyperPrior,
}

impl Default for RateParams {
    fn default() -> Self {
        Self {
            exceedance_multiple: 1.5,
            call_level: 0.8,
            confidence_level: 0.95,
            n_draws: 200,
            seed: 1,
            prior: HyperPrior::default(),
        }
    }
}

impl CountDraws {
    /// Counts without ambiguity: one draw.
    pub fn certain(counts: Vec<u32>) -> Self {
        Self { n_draws: 1, n_units: counts.len(), counts }
    }

    /// The counts by unit of a draw, counted round again past the last.
    pub(super) fn row(&self, draw: usize) -> &[u32] {
        row(&self.counts, self.n_draws, self.n_units, draw)
    }

    /// Mean count of a unit over the draws.
    pub(super) fn mean(&self, unit: usize) -> f64 {
        let total: u64 = self.counts.iter().skip(unit).step_by(self.n_units).map(|&n| u64::from(n)).sum();
        total as f64 / self.n_draws as f64
    }

    pub(super) fn check(&self) -> Result<(), RateError> {
        check_shape("the counts", self.counts.len(), self.n_draws, self.n_units)
    }
}

impl ExposureDraws {
    /// Exposure known exactly: one draw, in km walked.
    pub fn certain(party_km: Vec<f64>) -> Self {
        Self { n_draws: 1, n_units: party_km.len(), party_km }
    }

    /// The exposures by unit of a draw, counted round again past the last.
    pub(super) fn row(&self, draw: usize) -> &[f64] {
        row(&self.party_km, self.n_draws, self.n_units, draw)
    }

    /// Mean exposure of a unit over the draws, in km walked.
    pub(super) fn mean_km(&self, unit: usize) -> f64 {
        self.party_km.iter().skip(unit).step_by(self.n_units).sum::<f64>() / self.n_draws as f64
    }

    /// Mean exposure of every unit over the draws, in km walked.
    pub fn means(&self) -> Vec<f64> {
        let mut means = vec![0.0; self.n_units];
        for row in self.party_km.chunks_exact(self.n_units.max(1)) {
            means.iter_mut().zip(row).for_each(|(sum, km)| *sum += km / self.n_draws as f64);
        }
        means
    }

    pub(super) fn check(&self) -> Result<(), RateError> {
        check_shape("the exposure", self.party_km.len(), self.n_draws, self.n_units)?;
        match self.party_km.iter().position(|km| !km.is_finite() || *km < 0.0) {
            Some(at) => Err(RateError::Exposure {
                unit: at % self.n_units,
                draw: at / self.n_units,
                value: self.party_km[at],
            }),
            None => Ok(()),
        }
    }
}

impl Effort<'_> {
    /// Checks shapes and ranges; every later index is within bounds once this passed.
    pub(super) fn check(&self) -> Result<(), RateError> {
        self.counts.check()?;
        self.exposure.check()?;
        same_units("the exposure", self.exposure.n_units, self.counts.n_units)
    }
}

impl Units<'_> {
    pub(super) fn check(&self, effort: &Effort<'_>) -> Result<(), RateError> {
        let n_units = effort.counts.n_units;
        same_units("the list of strata", self.stratum.len(), n_units)?;
        same_units("the list of provenances", self.provenance.len(), n_units)?;
        let walked_after_all = (0..n_units).find(|&unit| {
            self.provenance[unit] == Provenance::NotWalked && effort.exposure.mean_km(unit) > 0.0
        });
        walked_after_all.map_or(Ok(()), |unit| Err(RateError::WalkedAfterAll(unit)))
    }

    /// One more than the largest stratum in use.
    pub(super) fn n_strata(&self) -> usize {
        self.stratum.iter().max().map_or(0, |&largest| largest + 1)
    }
}

impl Provenance {
    /// Whether units of this provenance inform others and can be ranked and called.
    pub fn is_measured(self) -> bool {
        matches!(self, Self::Counted | Self::Fitted)
    }
}

impl RateParams {
    pub(super) fn check(&self) -> Result<(), RateError> {
        check_level("the call level", self.call_level)?;
        check_level("the confidence level", self.confidence_level)?;
        check_positive("the exceedance multiple", self.exceedance_multiple)?;
        check_positive("the number of draws", self.n_draws as f64)?;
        check_positive("the prior spread of log means", self.prior.mean_log_sd)?;
        check_positive("the prior spread of a lone log mean", self.prior.lone_mean_log_sd)?;
        check_positive("the prior scale of variation", self.prior.variation_scale)?;
        check_positive("the prior spread of log variation", self.prior.variation_log_sd)
    }
}

pub(super) fn check_level(name: &'static str, value: f64) -> Result<(), RateError> {
    if value > 0.0 && value < 1.0 {
        return Ok(());
    }
    Err(RateError::Parameter { name, value, allowed: "strictly between 0 and 1" })
}

pub(super) fn check_positive(name: &'static str, value: f64) -> Result<(), RateError> {
    if value.is_finite() && value > 0.0 {
        return Ok(());
    }
    Err(RateError::Parameter { name, value, allowed: "finite and above 0" })
}

pub(super) fn same_units(what: &'static str, found: usize, expected: usize) -> Result<(), RateError> {
    if found == expected { Ok(()) } else { Err(RateError::Units { what, found, expected }) }
}

pub(super) fn check_shape(
    what: &'static str,
    found: usize,
    n_draws: usize,
    n_units: usize,
) -> Result<(), RateError> {
    if n_draws > 0 && found == n_draws * n_units {
        return Ok(());
    }
    Err(RateError::Shape { what, found, n_draws, n_units })
}

fn row<T>(values: &[T], n_draws: usize, n_units: usize, draw: usize) -> &[T] {
    let start = (draw % n_draws) * n_units;
    &values[start..start + n_units]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_what_is_wrong_with_the_input() {
        let counts = CountDraws { n_draws: 2, n_units: 2, counts: vec![0, 1, 2] };
        assert!(matches!(counts.check(), Err(RateError::Shape { found: 3, .. })));
        for bad in [f64::NAN, -1.0, f64::INFINITY] {
            let exposure = ExposureDraws { n_draws: 2, n_units: 2, party_km: vec![1.0, 1.0, 1.0, bad] };
            assert!(matches!(exposure.check(), Err(RateError::Exposure { unit: 1, draw: 1, .. })), "{bad}");
        }
        let (counts, exposure) = (CountDraws::certain(vec![0, 1]), ExposureDraws::certain(vec![1.0, 2.0]));
        let effort = Effort { counts: &counts, exposure: &exposure };
        let units = Units { stratum: &[0, 0], provenance: &[Provenance::Counted, Provenance::NotWalked] };
        assert_eq!(units.check(&effort), Err(RateError::WalkedAfterAll(1)));
        let params = RateParams { confidence_level: 1.0, ..RateParams::default() };
        assert!(matches!(params.check(), Err(RateError::Parameter { .. })));
    }

    #[test]
    fn draws_come_round_again() {
        let counts = CountDraws { n_draws: 2, n_units: 2, counts: vec![0, 1, 2, 3] };
        assert_eq!(counts.row(5), &[2, 3]);
        assert_eq!(counts.mean(1), 2.0);
    }
}
