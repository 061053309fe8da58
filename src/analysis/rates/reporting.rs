//! Surveys and visitors' reports together: how many of the encounters that surveys would count are reported.

use rand::RngExt;

use crate::analysis::random::{Stream, seed_of, stream};
use crate::analysis::rates::input::{
    CountDraws, Effort, ExposureDraws, RateError, check_level, check_positive, same_units,
};
use crate::analysis::rates::interval::Interval;

/// Parameters of a reporting ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatioParams {
    /// Survey encounters in shared cells below which the ratio is not estimated.
    pub least_survey_encounters: f64,
    /// Standard deviation of the log ratio around zero in the prior; above zero.
    pub prior_log_sd: f64,
    /// Level of the interval, in (0, 1).
    pub confidence_level: f64,
    /// Number of draws, at least one.
    pub n_draws: usize,
    /// Seed of the draws.
    pub seed: u64,
}

impl Default for RatioParams {
    fn default() -> Self {
        Self {
            least_survey_encounters: 20.0,
            prior_log_sd: 2.0,
            confidence_level: 0.95,
            n_draws: 200,
            seed: 1,
        }
    }
}

/// The reporting ratio, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum ReportingRatio {
    /// Surveys met enough in cells that both cover.
    Estimated(RatioEstimate),
    /// Too few survey encounters in shared cells: rates from reports are relative only.
    NotEstimable {
        /// Survey encounters in shared cells, mean over draws.
        survey_encounters: f64,
    },
}

/// Estimate of a reporting ratio.
#[derive(Debug, Clone, PartialEq)]
pub struct RatioEstimate {
    /// Posterior mean and limits of the ratio: reports per km by visitors over encounters per km by surveyors. It may
    /// be above 1, as where many people pass one snake.
    pub ratio: Interval,
    /// One value a draw, to be passed one way into rates.
    pub draws: Vec<f64>,
    /// Survey encounters in shared cells, mean over draws.
    pub survey_encounters: f64,
    /// Reports in shared cells, mean over draws.
    pub reports: f64,
}

/// Estimates the reporting ratio r over cells that surveys and visitors both cover.
///
/// Given the total of a cell, its reports are Binomial(n_s + n_v, r E_v / (E_s + r E_v)), whatever the rate there. The
/// log ratio has a normal prior around zero and is integrated on a grid, refitted for each draw of counts and
/// exposure. `cells` lists the units to use: one call for each species group, signed or unsigned stretches, and so on.
/// A cell counts in the draws in which both exposures are above zero.
///
/// # Errors
/// [`RateError`] when shapes disagree, an exposure or parameter is invalid, or a cell is not one of the units.
pub fn reporting_ratio(
    survey: &Effort<'_>,
    reports: &Effort<'_>,
    cells: &[usize],
    params: &RatioParams,
) -> Result<ReportingRatio, RateError> {
    check(survey, reports, params)?;
    if let Some(&cell) = cells.iter().find(|&&cell| cell >= survey.counts.n_units) {
        let expected = survey.counts.n_units;
        return Err(RateError::Units { what: "the list of cells", found: cell + 1, expected });
    }
    let shared = |draw: usize| {
        let mut shared = SharedCells { n_survey: 0.0, n_reports: 0.0, cells: Vec::new() };
        shared.add(survey, reports, cells, draw, 1.0);
        shared
    };
    estimate(shared, params)
}

/// The ratio from the shared cells of each draw. Nothing is drawn before it is known that enough was met.
fn estimate(
    shared: impl Fn(usize) -> SharedCells,
    params: &RatioParams,
) -> Result<ReportingRatio, RateError> {
    let n_draws = params.n_draws as f64;
    let (mut n_survey, mut n_reports) = (0.0, 0.0);
    for draw in 0..params.n_draws {
        let shared = shared(draw);
        n_survey += shared.n_survey / n_draws;
        n_reports += shared.n_reports / n_draws;
    }
    if n_survey < params.least_survey_encounters {
        return Ok(ReportingRatio::NotEstimable { survey_encounters: n_survey });
    }
    let draw = |draw: usize| {
        let mut rng = stream(seed_of(params.seed, "reporting ratio"), draw as u64);
        shared(draw).draw(params.prior_log_sd, &mut rng)
    };
    let draws: Vec<f64> = (0..params.n_draws).map(draw).collect();
    let ratio = Interval::from_draws(&mut draws.clone(), params.confidence_level);
    Ok(ReportingRatio::Estimated(RatioEstimate {
        ratio,
        draws,
        survey_encounters: n_survey,
        reports: n_reports,
    }))
}

impl ReportingRatio {
    /// Its draws; none where it is not estimated.
    pub fn draws(&self) -> Option<&[f64]> {
        match self {
            Self::Estimated(known) if !known.draws.is_empty() => Some(&known.draws),
            _ => None,
        }
    }

    /// This ratio times a factor, draw by draw, with limits at `level` in (0, 1); none where one of the two is not estimated.
    /// Encounters and reports are those of this one.
    pub fn times(&self, factor: &Self, level: f64) -> Option<Self> {
        let (Self::Estimated(own), Some(factor)) = (self, factor.draws()) else { return None };
        let draws: Vec<f64> = own.draws.iter().zip(factor.iter().cycle()).map(|(own, by)| own * by).collect();
        if draws.is_empty() {
            return None;
        }
        let ratio = Interval::from_draws(&mut draws.clone(), level);
        Some(Self::Estimated(RatioEstimate { ratio, draws, ..own.clone() }))
    }
}

/// A group of species whose ratio is known, as counted in some cells.
#[derive(Debug, Clone, Copy)]
pub struct KnownGroup<'a> {
    /// Survey encounters by unit.
    pub survey: &'a CountDraws,
    /// Reports by unit.
    pub reports: &'a CountDraws,
    /// Draws of its ratio, at least one.
    pub ratio: &'a [f64],
}

/// By how much the ratios of all groups are larger in some cells than they are known to be: one factor, estimated as
/// [`reporting_ratio`] from cells of each group by itself, visitors' km times the draw of its ratio. What species there are in
/// the cells does not bear on it, as it would on a ratio of all.
///
/// # Errors
/// As [`reporting_ratio`].
pub fn reporting_factor(
    groups: &[KnownGroup<'_>],
    survey_km: &ExposureDraws,
    visitor_km: &ExposureDraws,
    cells: &[usize],
    params: &RatioParams,
) -> Result<ReportingRatio, RateError> {
    for group in groups {
        let survey = Effort { counts: group.survey, exposure: survey_km };
        check(&survey, &Effort { counts: group.reports, exposure: visitor_km }, params)?;
    }
    let shared = |draw: usize| {
        let mut all = SharedCells { n_survey: 0.0, n_reports: 0.0, cells: Vec::new() };
        for group in groups {
            let survey = Effort { counts: group.survey, exposure: survey_km };
            let reports = Effort { counts: group.reports, exposure: visitor_km };
            all.add(&survey, &reports, cells, draw, group.ratio[draw % group.ratio.len()]);
        }
        all
    };
    estimate(shared, params)
}

/// One reporting ratio over another, mean and limits at `level` in (0, 1); none where either is not estimated.
///
/// Draw by draw: draw i of both rests on draw i of the walking, and is otherwise drawn independently, with a seed of its own
/// for each. With the same seed the two would err together and the limits be too narrow.
pub fn quotient(above: &ReportingRatio, below: &ReportingRatio, level: f64) -> Option<Interval> {
    let (ReportingRatio::Estimated(above), ReportingRatio::Estimated(below)) = (above, below) else {
        return None;
    };
    let pairs = above.draws.iter().zip(&below.draws).filter(|(_, below)| **below > 0.0);
    let mut draws: Vec<f64> = pairs.map(|(above, below)| above / below).collect();
    (!draws.is_empty()).then(|| Interval::from_draws(&mut draws, level))
}

fn check(survey: &Effort<'_>, reports: &Effort<'_>, params: &RatioParams) -> Result<(), RateError> {
    survey.check()?;
    reports.check()?;
    same_units("the reports", reports.counts.n_units, survey.counts.n_units)?;
    check_level("the confidence level", params.confidence_level)?;
    check_positive("the prior spread of the log ratio", params.prior_log_sd)?;
    check_positive("the number of draws", params.n_draws as f64)
}

/// Cells of one draw that both cover.
struct SharedCells {
    n_survey: f64,
    n_reports: f64,
    /// Encounters of both kinds, and the log of visitors' over surveyors' km.
    cells: Vec<(f64, f64)>,
}

impl SharedCells {
    /// Adds cells whose visitors' km count `times`.
    fn add(&mut self, survey: &Effort<'_>, reports: &Effort<'_>, cells: &[usize], draw: usize, times: f64) {
        for &cell in cells {
            let (survey_km, visitor_km) = (survey.exposure.row(draw)[cell], reports.exposure.row(draw)[cell]);
            let visitor_km = visitor_km * times;
            if survey_km > 0.0 && visitor_km > 0.0 {
                let n_survey = f64::from(survey.counts.row(draw)[cell]);
                let n_reports = f64::from(reports.counts.row(draw)[cell]);
                self.n_survey += n_survey;
                self.n_reports += n_reports;
                self.cells.push((n_survey + n_reports, (visitor_km / survey_km).ln()));
            }
        }
    }

    /// Log posterior of the log ratio with its slope and minus its curvature.
    fn log_posterior(&self, log_ratio: f64, prior_log_sd: f64) -> (f64, f64, f64) {
        let precision = prior_log_sd.powi(-2);
        let mut value = self.n_reports * log_ratio - 0.5 * precision * log_ratio * log_ratio;
        let mut slope = self.n_reports - precision * log_ratio;
        let mut curvature = precision;
        for &(n, log_odds) in &self.cells {
            let p = 1.0 / (1.0 + (-log_odds - log_ratio).exp());
            // log(1 + E_v r / E_s), written so that large odds do not overflow.
            value -= n * ((log_odds + log_ratio).max(0.0) + (-(log_odds + log_ratio).abs()).exp().ln_1p());
            slope -= n * p;
            curvature += n * p * (1.0 - p);
        }
        (value, slope, curvature)
    }

    /// Draws the ratio from its posterior on a grid of five standard deviations either way.
    fn draw(&self, prior_log_sd: f64, rng: &mut Stream) -> f64 {
        const N_STEPS: i32 = 25;
        let mut mode = 0.0;
        for _ in 0..50 {
            let (_, slope, curvature) = self.log_posterior(mode, prior_log_sd);
            let step = (slope / curvature).clamp(-1.0, 1.0);
            mode += step;
            if step.abs() < 1e-6 {
                break;
            }
        }
        let (best, _, curvature) = self.log_posterior(mode, prior_log_sd);
        let width = 5.0 / (f64::from(N_STEPS) * curvature.sqrt());
        let at = |step: i32| mode + f64::from(step) * width;
        let weight = |step: i32| (self.log_posterior(at(step), prior_log_sd).0 - best).exp();
        let weights: Vec<(i32, f64)> = (-N_STEPS..=N_STEPS).map(|step| (step, weight(step))).collect();
        let mut left = rng.random::<f64>() * weights.iter().map(|(_, weight)| weight).sum::<f64>();
        let chosen = weights.iter().find(|(_, weight)| {
            left -= weight;
            left < 0.0
        });
        let step = chosen.map_or(N_STEPS, |&(step, _)| step);
        (at(step) + width * (rng.random::<f64>() - 0.5)).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_distr::{Distribution, Poisson};

    struct Data {
        counts: CountDraws,
        exposure: ExposureDraws,
    }

    impl Data {
        fn effort(&self) -> Effort<'_> {
            Effort { counts: &self.counts, exposure: &self.exposure }
        }
    }

    fn data(counts: Vec<u32>, party_km: Vec<f64>) -> Data {
        Data { counts: CountDraws::certain(counts), exposure: ExposureDraws::certain(party_km) }
    }

    #[test]
    fn one_cell_agrees_with_the_closed_form() {
        // 40 in 100 survey km and 60 in 1,000 visitor km: r = (60/1000)/(40/100) = 0.15, log sd √(1/40 + 1/60).
        let (survey, reports) = (data(vec![40], vec![100.0]), data(vec![60], vec![1000.0]));
        let params = RatioParams { n_draws: 4000, prior_log_sd: 10.0, ..RatioParams::default() };
        let ratio = reporting_ratio(&survey.effort(), &reports.effort(), &[0], &params).unwrap();
        let ReportingRatio::Estimated(estimate) = ratio else { panic!("not estimated") };
        let logs: Vec<f64> = estimate.draws.iter().map(|r| r.ln()).collect();
        let mean = logs.iter().sum::<f64>() / 4000.0;
        let sd = (logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 4000.0).sqrt();
        assert!((mean - 0.15_f64.ln()).abs() < 0.02, "{mean}");
        assert!((sd - (1.0_f64 / 40.0 + 1.0 / 60.0).sqrt()).abs() < 0.01, "{sd}");
    }

    #[test]
    fn too_few_survey_encounters_are_not_stretched() {
        // The second cell has surveys only, the third reports only.
        let (survey, reports) =
            (data(vec![19, 50, 0], vec![100.0, 100.0, 0.0]), data(vec![90, 0, 9], vec![1e3, 0.0, 1e3]));
        let params = RatioParams::default();
        let ratio = reporting_ratio(&survey.effort(), &reports.effort(), &[0, 1, 2], &params).unwrap();
        let ReportingRatio::NotEstimable { survey_encounters } = ratio else { panic!("estimated") };
        assert!((survey_encounters - 19.0).abs() < 1e-9);
    }

    #[test]
    fn intervals_cover_planted_ratios_where_rates_and_effort_vary() {
        let mut covered = 0;
        for run in 0..100_u64 {
            let mut rng = stream(11, run);
            let truth: f64 = [0.05, 0.4, 1.6][run as usize % 3];
            let poisson = |mean: f64, rng: &mut Stream| Poisson::new(mean).unwrap().sample(rng) as u32;
            let (mut survey, mut reports) = (data(vec![], vec![]), data(vec![], vec![]));
            for _ in 0..30 {
                let rate = 0.05 * rng.random::<f64>() + 0.002;
                let (survey_km, visitor_km) =
                    (10.0 + 90.0 * rng.random::<f64>(), 10.0 + 2000.0 * rng.random::<f64>());
                survey.counts.counts.push(poisson(rate * survey_km, &mut rng));
                survey.exposure.party_km.push(survey_km);
                reports.counts.counts.push(poisson(truth * rate * visitor_km, &mut rng));
                reports.exposure.party_km.push(visitor_km);
            }
            let survey = data(survey.counts.counts, survey.exposure.party_km);
            let reports = data(reports.counts.counts, reports.exposure.party_km);
            let params = RatioParams { seed: run, least_survey_encounters: 1.0, ..RatioParams::default() };
            let cells: Vec<usize> = (0..30).collect();
            match reporting_ratio(&survey.effort(), &reports.effort(), &cells, &params).unwrap() {
                ReportingRatio::Estimated(e) => {
                    covered += u32::from((e.ratio.lower..=e.ratio.upper).contains(&truth));
                }
                ReportingRatio::NotEstimable { survey_encounters } => panic!("{survey_encounters}"),
            }
        }
        assert!((90..=99).contains(&covered), "{covered}");
    }

    /// Walking and ratio of a draw err independently, though both are drawn with the seed of the area. When both began with the
    /// same bits, the ratio's errors made up for those of the walking, and its limits were half as wide as they should be.
    #[test]
    fn errors_of_walking_and_of_the_ratio_add_up() {
        use rand_distr::StandardNormal;
        const N: usize = 2_000;
        let seed = RatioParams::default().seed;
        let walked = |draw: usize| {
            let error: f64 = StandardNormal.sample(&mut stream(seed_of(seed, "exposure"), draw as u64));
            1000.0 * (0.3 * error).exp()
        };
        let survey = data(vec![40], vec![100.0]);
        let reports = Data {
            counts: CountDraws::certain(vec![60]),
            exposure: ExposureDraws { n_draws: N, n_units: 1, party_km: (0..N).map(walked).collect() },
        };
        let params = RatioParams { n_draws: N, prior_log_sd: 10.0, ..RatioParams::default() };
        let ratio = reporting_ratio(&survey.effort(), &reports.effort(), &[0], &params).unwrap();
        let ReportingRatio::Estimated(estimate) = ratio else { panic!("not estimated") };
        let logs: Vec<f64> = estimate.draws.iter().map(|r| r.ln()).collect();
        let mean = logs.iter().sum::<f64>() / N as f64;
        let variance = logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / N as f64;
        let expected = 0.09 + 1.0 / 40.0 + 1.0 / 60.0;
        assert!((variance / expected - 1.0).abs() < 0.15, "{variance} and {expected}");
    }

    /// Signs do nothing, but on stretches with signs there are mostly snakes that are reported much: the ratio of all is larger
    /// there than elsewhere (the naive factor), the factor of the groups by themselves is one. And where signs do double what is
    /// reported, it is two.
    #[test]
    fn a_factor_is_not_that_of_other_species() {
        for planted in [1.0, 2.0] {
            let mut rng = stream(31, planted as u64);
            let poisson = |mean: f64, rng: &mut Stream| Poisson::new(mean).unwrap().sample(rng) as u32;
            let known = [0.02, 0.2];
            let (mut survey, mut reports) = ([vec![], vec![]], [vec![], vec![]]);
            for _ in 0..60 {
                for (group, share) in [0.15, 0.85].into_iter().enumerate() {
                    survey[group].push(poisson(0.1 * share * 60.0, &mut rng));
                    reports[group].push(poisson(0.1 * share * known[group] * planted * 2000.0, &mut rng));
                }
            }
            let km = |value: f64| ExposureDraws::certain(vec![value; 60]);
            let (survey_km, visitor_km) = (km(60.0), km(2000.0));
            let sum = |counts: &[Vec<u32>; 2]| -> CountDraws {
                CountDraws::certain(counts[0].iter().zip(&counts[1]).map(|(a, b)| a + b).collect())
            };
            let (all_survey, all_reports) = (sum(&survey), sum(&reports));
            let (survey, reports) = (survey.map(CountDraws::certain), reports.map(CountDraws::certain));
            let ratios = known.map(|ratio| vec![ratio]);
            let group =
                |idx: usize| KnownGroup { survey: &survey[idx], reports: &reports[idx], ratio: &ratios[idx] };
            let cells: Vec<usize> = (0..60).collect();
            let params = RatioParams::default();
            let factor =
                reporting_factor(&[group(0), group(1)], &survey_km, &visitor_km, &cells, &params).unwrap();
            let ReportingRatio::Estimated(factor) = factor else { panic!() };
            assert!((factor.ratio.lower..=factor.ratio.upper).contains(&planted), "{:?}", factor.ratio);
            // Elsewhere the species are the other way round, and signs do nothing: 0.85 of 0.02 and 0.15 of 0.2.
            let survey = Effort { counts: &all_survey, exposure: &survey_km };
            let reports = Effort { counts: &all_reports, exposure: &visitor_km };
            let ratio = reporting_ratio(&survey, &reports, &cells, &params).unwrap();
            let ReportingRatio::Estimated(naive) = ratio else { panic!() };
            assert!(naive.ratio.lower / 0.047 > 2.5 * planted, "{:?}", naive.ratio);
            let own = ReportingRatio::Estimated(RatioEstimate { draws: vec![0.02; 200], ..naive });
            let times = own.times(&ReportingRatio::Estimated(factor.clone()), 0.95).unwrap();
            let ReportingRatio::Estimated(times) = times else { panic!() };
            assert!((times.ratio.mean / factor.ratio.mean - 0.02).abs() < 1e-12);
        }
    }
}
