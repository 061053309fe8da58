//! Visitors' reports joined to surveys, where species differ in how much of them is reported, and stretches in what walkers
//! have read before.

use rand_distr::{Beta, Distribution, Gamma};
use rayon::prelude::*;
use statrs::function::gamma::ln_gamma;

use crate::analysis::random::{Stream, seed_of, stream};
use crate::analysis::rates::input::{CountDraws, ExposureDraws, RateError, same_units};
use crate::analysis::rates::reporting::ReportingRatio;

/// Surveys and reports that are to be joined: counts by group of species, visitors' kilometres by state of the trail.
///
/// A state is what the reporting ratio may depend on beside the species: whether walkers have passed a sign, say. One state
/// and one group where it depends on nothing.
#[derive(Debug, Clone, Copy)]
pub struct Joint<'a> {
    /// Encounters of surveys by group of species, at least one group; all of the same units.
    pub survey: &'a [CountDraws],
    /// Reports by group of species, as many groups.
    pub reports: &'a [CountDraws],
    /// Surveyors' kilometres.
    pub survey_km: &'a ExposureDraws,
    /// Visitors' kilometres by state.
    pub visitor_km: &'a [ExposureDraws],
    /// The reporting ratio of a group in a state, every one known: `ratios[group][state]`.
    pub ratios: &'a [Vec<ReportingRatio>],
    /// Survey encounters of species of which nothing says how much is reported: their reports are not used.
    pub surveys_alone: Option<&'a CountDraws>,
    /// Seed of the draws.
    pub seed: u64,
}

/// Joins reports to surveys: counts are added, and a visitor's km counts as the ratio of a surveyor's.
///
/// With r_g the ratio of group g, its encounters in a unit are Poisson(λ π_g e_g), where e_g = E_s + Σ r_g,state E_v,state and
/// π_g is the group's share of all snakes there. Their sum is Poisson(λ Σ π_g e_g), and given the sum the groups are
/// multinomial with θ_g = π_g e_g / Σ π_h e_h; so Σ π_g e_g = 1 / Σ (θ_g / e_g). θ is drawn from its Dirichlet posterior, whose
/// prior is what all units together would give at these e_g, as firmly as units are alike (integrated over a grid). Without
/// groups, a unit of species that are reported much would seem to have many snakes.
///
/// Species that are counted by surveys alone are added to the counts. Their share of all snakes, drawn from what surveys met
/// everywhere, is taken to be the same in every unit.
///
/// The result has as many draws as the longest of ratios and visitors' km and yields rates per survey km. Nothing flows back:
/// neither rates nor shares of species change a ratio.
///
/// # Errors
/// [`RateError::RatioMissing`] when the ratio of a group is not estimable or not given; others when shapes disagree or an
/// exposure is invalid.
pub fn join_reports(joint: &Joint<'_>) -> Result<(CountDraws, ExposureDraws), RateError> {
    let n_units = joint.check()?;
    let ratio_draws = joint.ratio_draws()?;
    let n_draws = joint.n_draws(&ratio_draws);
    // Every draw has a stream of its own, so that they may be made at once.
    let rows: Vec<(Vec<u32>, Vec<f64>)> =
        (0..n_draws).into_par_iter().map(|draw| joint.draw(n_units, &ratio_draws, draw)).collect();
    let (mut counts, mut party_km) =
        (Vec::with_capacity(n_draws * n_units), Vec::with_capacity(n_draws * n_units));
    for (of_draw, km) in rows {
        counts.extend(of_draw);
        party_km.extend(km);
    }
    Ok((CountDraws { n_draws, n_units, counts }, ExposureDraws { n_draws, n_units, party_km }))
}

impl Joint<'_> {
    /// Counts and exposure of one draw.
    fn draw(&self, n_units: usize, ratio_draws: &[Vec<&[f64]>], draw: usize) -> (Vec<u32>, Vec<f64>) {
        let n_groups = self.survey.len();
        let mut cells = Cells::new(n_units, n_groups);
        let survey_km = self.survey_km.row(draw);
        for (group, states) in ratio_draws.iter().enumerate() {
            let (survey, reports) = (self.survey[group].row(draw), self.reports[group].row(draw));
            for unit in 0..n_units {
                let of_state = states.iter().zip(self.visitor_km);
                let visitor_km = of_state.map(|(ratio, km)| ratio[draw % ratio.len()] * km.row(draw)[unit]);
                let at = unit * n_groups + group;
                cells.n[at] = survey[unit] + reports[unit];
                cells.km[at] = survey_km[unit] + visitor_km.sum::<f64>();
            }
        }
        let mut counts: Vec<u32> = cells.n.chunks(n_groups).map(|of_unit| of_unit.iter().sum()).collect();
        let mut rng = stream(seed_of(self.seed, "shares of species"), draw as u64);
        let mut exposure = if n_groups == 1 { cells.km } else { cells.exposure(&mut rng) };
        if let Some(alone) = self.surveys_alone {
            let total = |counts: &CountDraws| counts.row(draw).iter().map(|n| f64::from(*n)).sum::<f64>();
            let others: f64 = self.survey.iter().map(total).sum();
            // Jeffreys' prior; a beta of such shapes always exists.
            let share =
                Beta::new(total(alone) + 0.5, others + 0.5).map_or(0.0, |share| share.sample(&mut rng));
            for (unit, km) in exposure.iter_mut().enumerate() {
                *km = (1.0 - share) * *km + share * survey_km[unit];
                counts[unit] += alone.row(draw)[unit];
            }
        }
        (counts, exposure)
    }

    /// Checks shapes and ranges; gives the number of units.
    fn check(&self) -> Result<usize, RateError> {
        let n_units = self.survey_km.n_units;
        self.survey_km.check()?;
        for km in self.visitor_km {
            km.check()?;
            same_units("the visitors' exposure", km.n_units, n_units)?;
        }
        for counts in self.survey.iter().chain(self.reports).chain(self.surveys_alone) {
            counts.check()?;
            same_units("the counts of a group", counts.n_units, n_units)?;
        }
        if self.survey.is_empty() || self.survey.len() != self.reports.len() {
            let value = self.reports.len() as f64;
            let allowed = "the number of groups of the surveys, at least one";
            return Err(RateError::Parameter { name: "the number of groups of the reports", value, allowed });
        }
        Ok(n_units)
    }

    /// Draws of the ratio of every group in every state.
    fn ratio_draws(&self) -> Result<Vec<Vec<&[f64]>>, RateError> {
        let draws = |group: usize, state: usize| {
            let ratio = self.ratios.get(group).and_then(|states| states.get(state));
            ratio.and_then(ReportingRatio::draws).ok_or(RateError::RatioMissing(group))
        };
        let of_group = |group: usize| (0..self.visitor_km.len()).map(|state| draws(group, state)).collect();
        (0..self.survey.len()).map(of_group).collect()
    }

    fn n_draws(&self, ratio_draws: &[Vec<&[f64]>]) -> usize {
        let ratios = ratio_draws.iter().flatten().map(|draws| draws.len());
        let km = self.visitor_km.iter().map(|km| km.n_draws);
        ratios.chain(km).max().unwrap_or(1)
    }
}

/// Counts and exposure of one draw, by unit and within it by group.
struct Cells {
    n_groups: usize,
    n: Vec<u32>,
    km: Vec<f64>,
}

impl Cells {
    fn new(n_units: usize, n_groups: usize) -> Self {
        let size = n_units * n_groups;
        Self { n_groups, n: vec![0; size], km: vec![0.0; size] }
    }

    /// Kilometres of each unit that all groups together may be divided by.
    fn exposure(&self, rng: &mut Stream) -> Vec<f64> {
        let share = self.shares();
        let firmness = self.firmness(&share, rng);
        let (mut found, mut expected) = (vec![0.0; self.n_groups], vec![0.0; self.n_groups]);
        let units = self.n.chunks(self.n_groups).zip(self.km.chunks(self.n_groups));
        let exposure = |(n, km): (&[u32], &[f64])| {
            // No group is met where neither visitors nor surveyors walk.
            if km.iter().any(|km| *km <= 0.0) {
                return 0.0;
            }
            set_expected(&mut expected, &share, km);
            for (group, found) in found.iter_mut().enumerate() {
                *found = gamma(firmness * expected[group] + f64::from(n[group]), rng);
            }
            let total: f64 = found.iter().sum();
            let inverse: f64 = found.iter().zip(km).map(|(found, km)| found / km).sum();
            if inverse > 0.0 { total / inverse } else { km.iter().sum::<f64>() / km.len() as f64 }
        };
        units.map(exposure).collect()
    }

    /// Each group's share of all snakes, over all units together; half an encounter more each, so that none is nothing.
    fn shares(&self) -> Vec<f64> {
        let mut share = vec![0.0; self.n_groups];
        for (group, share) in share.iter_mut().enumerate() {
            let n: u32 = self.n.iter().skip(group).step_by(self.n_groups).sum();
            let km: f64 = self.km.iter().skip(group).step_by(self.n_groups).sum();
            *share = if km > 0.0 { (f64::from(n) + 0.5) / km } else { 0.0 };
        }
        let total: f64 = share.iter().sum();
        share.iter_mut().for_each(|share| *share /= total.max(f64::MIN_POSITIVE));
        share
    }

    /// How many encounters the shares of all units are worth in one: drawn from the Dirichlet-multinomial likelihood on a grid
    /// that is even in the logarithm.
    fn firmness(&self, share: &[f64], rng: &mut Stream) -> f64 {
        const GRID: [f64; 8] = [0.5, 1.5, 5.0, 15.0, 50.0, 150.0, 500.0, 1500.0];
        /// So many units tell how alike all are; more would only take longer.
        const MOST_UNITS: usize = 2_000;
        let mut log_likelihood = [0.0; GRID.len()];
        let units = self.n.chunks(self.n_groups).zip(self.km.chunks(self.n_groups));
        let telling = units.filter(|(n, km)| n.iter().sum::<u32>() > 1 && km.iter().all(|km| *km > 0.0));
        let step = telling.clone().count().div_ceil(MOST_UNITS).max(1);
        let mut expected = vec![0.0; self.n_groups];
        for (n, km) in telling.step_by(step) {
            set_expected(&mut expected, share, km);
            let total: u32 = n.iter().sum();
            for (value, firmness) in log_likelihood.iter_mut().zip(GRID) {
                let of_groups =
                    n.iter().zip(&expected).map(|(n, expected)| log_rising(firmness * expected, *n));
                *value += of_groups.sum::<f64>() - log_rising(firmness, total);
            }
        }
        let best = log_likelihood.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weight = log_likelihood.map(|value| (value - best).exp());
        let mut left = rand::RngExt::random::<f64>(rng) * weight.iter().sum::<f64>();
        let chosen = GRID.iter().zip(weight).find(|(_, weight)| {
            left -= weight;
            left < 0.0
        });
        chosen.map_or(GRID[GRID.len() - 1], |(firmness, _)| *firmness)
    }
}

/// Shares of groups among what is found in a unit, from their shares among the snakes.
fn set_expected(expected: &mut [f64], share: &[f64], km: &[f64]) {
    let mut total = 0.0;
    for ((expected, share), km) in expected.iter_mut().zip(share).zip(km) {
        *expected = share * km;
        total += *expected;
    }
    expected.iter_mut().for_each(|expected| *expected /= total.max(f64::MIN_POSITIVE));
}

/// Log of a (a + 1) … (a + n − 1).
fn log_rising(a: f64, n: u32) -> f64 {
    match n {
        0 => 0.0,
        1..=12 => (0..n).map(|step| a + f64::from(step)).product::<f64>().max(f64::MIN_POSITIVE).ln(),
        _ => ln_gamma(a + f64::from(n)) - ln_gamma(a),
    }
}

/// A gamma draw of scale one; nothing where the shape is.
fn gamma(shape: f64, rng: &mut Stream) -> f64 {
    Gamma::new(shape, 1.0).map_or(0.0, |gamma| gamma.sample(rng))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::interval::Interval;
    use crate::analysis::rates::reporting::RatioEstimate;
    use rand::RngExt;
    use rand_distr::Poisson;

    fn known(draws: Vec<f64>) -> ReportingRatio {
        let ratio = Interval { mean: draws[0], lower: draws[0], upper: draws[0] };
        ReportingRatio::Estimated(RatioEstimate { ratio, draws, survey_encounters: 40.0, reports: 50.0 })
    }

    #[test]
    fn joined_exposure_is_in_survey_km() {
        let (survey, reports) = ([CountDraws::certain(vec![3, 1])], [CountDraws::certain(vec![5, 0])]);
        let survey_km = ExposureDraws::certain(vec![10.0, 20.0]);
        let visitor_km = [ExposureDraws::certain(vec![100.0, 0.0]), ExposureDraws::certain(vec![0.0, 200.0])];
        let ratios = [vec![known(vec![0.1, 0.5]), known(vec![0.2, 0.4])]];
        let joint = Joint {
            survey: &survey,
            reports: &reports,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &ratios,
            surveys_alone: None,
            seed: 1,
        };
        let (counts, exposure) = join_reports(&joint).unwrap();
        assert_eq!(counts.counts, [8, 1, 8, 1]);
        assert_eq!(exposure.party_km, [20.0, 60.0, 60.0, 100.0]);
        let refused = ReportingRatio::NotEstimable { survey_encounters: 3.0 };
        let ratios = [vec![known(vec![0.1]), refused]];
        assert_eq!(join_reports(&Joint { ratios: &ratios, ..joint }), Err(RateError::RatioMissing(0)));
        let short = [CountDraws::certain(vec![1])];
        assert!(matches!(join_reports(&Joint { reports: &short, ..joint }), Err(RateError::Units { .. })));
        assert!(matches!(join_reports(&Joint { reports: &[], ..joint }), Err(RateError::Parameter { .. })));
    }

    #[test]
    fn groups_of_one_ratio_are_as_one() {
        let survey = [CountDraws::certain(vec![3, 0, 0]), CountDraws::certain(vec![1, 2, 0])];
        let survey_km = ExposureDraws::certain(vec![10.0, 20.0, 0.0]);
        let visitor_km = [ExposureDraws::certain(vec![100.0, 50.0, 0.0])];
        let ratios = [vec![known(vec![0.1])], vec![known(vec![0.1])]];
        let joint = Joint {
            survey: &survey,
            reports: &survey,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &ratios,
            surveys_alone: None,
            seed: 1,
        };
        let (counts, exposure) = join_reports(&joint).unwrap();
        assert_eq!(counts.counts, [8, 4, 0]);
        for (found, expected) in exposure.party_km.iter().zip([20.0, 25.0, 0.0]) {
            assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        }
    }

    #[test]
    fn rising_factorials_are_those_of_the_gamma_function() {
        for (a, n) in [(0.3, 1), (2.5, 7), (0.01, 12), (4.0, 13), (1500.0, 40)] {
            let expected = ln_gamma(a + f64::from(n)) - ln_gamma(a);
            assert!((log_rising(a, n) - expected).abs() < 1e-8 * expected.abs().max(1.0), "{a} {n}");
        }
    }

    /// Rates over the planted one, mean over units that hold mostly the first group and mostly the second: by group, and joined
    /// by the one ratio of both together (the naive way). Visitors report a tenth of the first group and all of the second.
    fn over_truth(walked_km: f64) -> ([f64; 2], [f64; 2]) {
        const N: usize = 400;
        const DRAWS: usize = 100;
        const RATE: f64 = 0.05;
        let mut rng = stream(5, 0);
        let poisson = |mean: f64, rng: &mut Stream| Poisson::new(mean).unwrap().sample(rng) as u32;
        let truth = [0.1, 1.0];
        let (mut survey, mut reports, mut survey_km) = ([vec![], vec![]], [vec![], vec![]], vec![]);
        for unit in 0..N {
            let share = if unit % 2 == 0 { 0.9 } else { 0.1 };
            // Little is surveyed, so that what is known comes from reports.
            let surveyed = 5.0 + 10.0 * rng.random::<f64>();
            for (group, share) in [share, 1.0 - share].into_iter().enumerate() {
                survey[group].push(poisson(RATE * share * surveyed, &mut rng));
                reports[group].push(poisson(RATE * share * walked_km * truth[group], &mut rng));
            }
            survey_km.push(surveyed);
        }
        let (survey, reports) = (survey.map(CountDraws::certain), reports.map(CountDraws::certain));
        let survey_km = ExposureDraws::certain(survey_km);
        let visitor_km = [ExposureDraws::certain(vec![walked_km; N])];
        let ratios = truth.map(|ratio| vec![known(vec![ratio; DRAWS])]);
        let joint = Joint {
            survey: &survey,
            reports: &reports,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &ratios,
            surveys_alone: None,
            seed: 3,
        };
        let (counts, km) = join_reports(&joint).unwrap();
        let (mut by_group, mut naive) = ([0.0; 2], [0.0; 2]);
        for unit in 0..N {
            let n = f64::from(counts.counts[unit]) / RATE / (N / 2) as f64;
            by_group[unit % 2] += (0..DRAWS).map(|draw| n / km.row(draw)[unit]).sum::<f64>() / DRAWS as f64;
            // Half of all snakes are of either group, so that 0.55 of all encounters are reported.
            naive[unit % 2] += n / (survey_km.party_km[unit] + 0.55 * walked_km);
        }
        (by_group, naive)
    }

    /// What is found in a unit tells its shares of species: the more, the less they are drawn towards those of all units. The
    /// naive way stays wrong however much is known.
    #[test]
    fn planted_rates_come_back_where_species_are_reported_unlike() {
        for (walked_km, allowed) in [(600.0, 0.8..1.1), (6000.0, 0.96..1.04)] {
            let (by_group, naive) = over_truth(walked_km);
            assert!(by_group.iter().all(|over| allowed.contains(over)), "{walked_km}: {by_group:?}");
            assert!(naive[0] < 0.4 && naive[1] > 1.5, "{walked_km}: {naive:?}");
        }
    }

    /// Limits of rates hold where shares of species are drawn along with them, and would not if every unit had the shares of all.
    #[test]
    fn limits_cover_planted_rates_where_shares_vary() {
        use crate::analysis::rates::{Effort, Provenance, RateParams, Units, estimate};
        use rand_distr::Beta;
        const N: usize = 600;
        let mut rng = stream(17, 0);
        let (rates, shares) = (Gamma::new(2.0, 0.025).unwrap(), Beta::new(2.0, 2.0).unwrap());
        let poisson = |mean: f64, rng: &mut Stream| Poisson::new(mean).unwrap().sample(rng) as u32;
        let truth = [0.1, 1.0];
        let (mut survey, mut reports, mut planted) = ([vec![], vec![]], [vec![], vec![]], vec![]);
        for _ in 0..N {
            let (rate, share): (f64, f64) = (rates.sample(&mut rng), shares.sample(&mut rng));
            for (group, share) in [share, 1.0 - share].into_iter().enumerate() {
                survey[group].push(poisson(rate * share * 10.0, &mut rng));
                reports[group].push(poisson(rate * share * 600.0 * truth[group], &mut rng));
            }
            planted.push(rate);
        }
        let (survey, reports) = (survey.map(CountDraws::certain), reports.map(CountDraws::certain));
        let survey_km = ExposureDraws::certain(vec![10.0; N]);
        let visitor_km = [ExposureDraws::certain(vec![600.0; N])];
        let ratios = truth.map(|ratio| vec![known(vec![ratio; 400])]);
        let joint = Joint {
            survey: &survey,
            reports: &reports,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &ratios,
            surveys_alone: None,
            seed: 3,
        };
        let (counts, by_group) = join_reports(&joint).unwrap();
        let naive = ExposureDraws::certain(vec![10.0 + 0.55 * 600.0; N]);
        let covered = |exposure: &ExposureDraws| {
            let effort = Effort { counts: &counts, exposure };
            let units = Units { stratum: &[0; N], provenance: &[Provenance::Counted; N] };
            let fit =
                estimate(&effort, &units, &RateParams { n_draws: 400, ..RateParams::default() }).unwrap();
            let is_covered = |unit: &usize| {
                let limits = fit.units[*unit].estimate().unwrap().per_km;
                (limits.lower..=limits.upper).contains(&planted[*unit])
            };
            (0..N).filter(is_covered).count() as f64 / N as f64
        };
        let (honest, naive) = (covered(&by_group), covered(&naive));
        assert!((0.92..=0.98).contains(&honest), "{honest}");
        assert!(naive < 0.85, "{naive}");
    }

    /// Most reports do not name the species, and surveys nearly always do: what is not named has no ratio of its own. Counted by
    /// surveys alone it leaves rates as planted; with the ratio of all in its place they come out far too high.
    #[test]
    fn what_nobody_names_does_not_raise_rates() {
        const N: usize = 16;
        const RATE: f64 = 0.05;
        let mut rng = stream(41, 0);
        let poisson = |mean: f64, rng: &mut Stream| Poisson::new(mean).unwrap().sample(rng) as u32;
        let counts = |mean: f64, rng: &mut Stream| {
            CountDraws::certain((0..N).map(|_| poisson(mean, rng)).collect::<Vec<u32>>())
        };
        let (surveyed, walked) = (120.0, 3000.0);
        // Of a group of 0.6 and one of 0.4 of all snakes, a fiftieth and a fortieth are reported by name, and a fourth without.
        let named = [0.02, 0.025];
        let survey = [0.6, 0.4].map(|share| counts(RATE * share * surveyed, &mut rng));
        let reports = [0, 1].map(|group| counts(RATE * [0.6, 0.4][group] * walked * named[group], &mut rng));
        let unnamed = [CountDraws::certain(vec![0; N]), counts(RATE * walked * 0.25, &mut rng)];
        let survey_km = ExposureDraws::certain(vec![surveyed; N]);
        let visitor_km = [ExposureDraws::certain(vec![walked; N])];
        let ratios = named.map(|ratio| vec![known(vec![ratio; 100])]);
        let joint = Joint {
            survey: &survey,
            reports: &reports,
            survey_km: &survey_km,
            visitor_km: &visitor_km,
            ratios: &ratios,
            surveys_alone: Some(&unnamed[0]),
            seed: 3,
        };
        let over = |joint: &Joint<'_>| {
            let (counts, km) = join_reports(joint).unwrap();
            let rate = |draw: usize| {
                let n: u32 = counts.row(draw).iter().sum();
                f64::from(n) / km.row(draw).iter().sum::<f64>() / RATE
            };
            (0..100).map(rate).sum::<f64>() / 100.0
        };
        let alone = over(&joint);
        assert!((0.85..=1.15).contains(&alone), "{alone}");
        // The ratio of all: named and unnamed reports over all survey encounters.
        let (survey, reports) = (
            [survey[0].clone(), survey[1].clone(), unnamed[0].clone()],
            [reports[0].clone(), reports[1].clone(), unnamed[1].clone()],
        );
        let mut all = ratios.to_vec();
        all.push(vec![known(vec![0.272; 100])]);
        let naive =
            over(&Joint { survey: &survey, reports: &reports, ratios: &all, surveys_alone: None, ..joint });
        assert!(naive > 1.4, "{naive}");
    }
}
