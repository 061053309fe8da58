//! Encounter rates of stretches, segments and trails, with everything that stands behind a figure.

use rand::RngExt;

use crate::analysis::counts;
use crate::analysis::random::seed_of;
use crate::analysis::random::stream;
use crate::analysis::rates;
use crate::analysis::rates::Certainty;
use crate::analysis::rates::ClassBounds;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::Effort;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::HyperPrior;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::Ranking;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::RateParams;
use crate::analysis::rates::Stretch;
use crate::analysis::rates::UnitFit;
use crate::analysis::rates::Units;
use crate::analysis::snap::Snap;
use crate::analysis::snap::TrailWeight;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::reference;
use crate::derived::reference::Together;
use crate::derived::season;
use crate::derived::season::PeriodChoice;
use crate::derived::season::SeasonLayer;
use crate::derived::settings::Settings;
use crate::derived::snaps::SnapLayer;
use crate::derived::timing;
use crate::derived::timing::Timing;
use crate::domain::encounter::EffortKind;

/// The prior of rates that the area has set.
pub(super) fn prior(settings: &Settings) -> HyperPrior {
    HyperPrior {
        mean_log_sd: settings.rate_mean_log_sd,
        lone_mean_log_sd: settings.rate_lone_log_sd,
        variation_scale: settings.rate_variation,
        variation_log_sd: settings.rate_variation_log_sd,
    }
}

/// The unit that is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum UnitKind {
    /// Neighbouring segments joined until their records can say something.
    Stretch,
    /// About 100 m.
    Segment,
    /// A whole trail.
    Trail,
}

/// A number with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// The value.
    pub value: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Rates of one kind of unit.
#[derive(Debug)]
pub struct RateSet {
    /// The segments of each unit.
    pub members: Vec<Vec<usize>>,
    /// The name of each unit.
    pub names: Vec<String>,
    /// The trail of each unit.
    pub strata: Vec<usize>,
    /// The stratum of each unit, whose rates share one distribution: trail or habitat, one for all whole trails.
    pub stratum: Vec<usize>,
    /// The names of the strata, by number.
    pub stratum_names: Vec<String>,
    /// Where each unit's exposure comes from.
    pub provenance: Vec<Provenance>,
    /// 95 % limits of each unit's exposure, km.
    pub exposure_limits_km: Vec<(f64, f64)>,
    /// The fit over all periods.
    pub fit: RateFit,
    /// Ranks over all periods.
    pub ranking: Ranking,
}

/// Rates of all kinds of unit, with what went into them.
#[derive(Debug)]
pub struct RateLayer {
    /// Stretches.
    pub stretches: RateSet,
    /// Segments.
    pub segments: RateSet,
    /// Trails.
    pub trails: RateSet,
    /// The stretch of each segment.
    pub stretch_of: Vec<usize>,
    /// Reports that went into the rates: in the study period and on a segment.
    pub n_reports: usize,
    /// Reports too vague for a segment: they count for their trail only.
    pub n_vague: usize,
    /// Reports off trail or at places.
    pub n_elsewhere: usize,
    /// Reports outside the study period.
    pub n_outside: usize,
    /// Class bounds, per 1,000 km.
    pub bounds: ClassBounds,
    /// What kilometres are weighed by where something was closed; none where all count as walked.
    pub timing: Option<Timing>,
    /// All trails together, those included whose walking is assumed; none where nobody walks.
    pub all_trails: Option<Together>,
}

/// Computes the rates. Where something was closed, `season` says what the walking of the times that were open is worth.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when nobody walked, [`DeriveError::Internal`] when inputs do not fit together.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
    season: Option<&SeasonLayer>,
) -> Result<RateLayer, DeriveError> {
    let settings = &facts.settings;
    let sorted = sort(facts, exposure, snaps);
    let n_segments = layer.network.segments.len();
    let counted = |record: usize| sorted.counted[record];
    let counts = CountDraws {
        n_draws: snaps.allocation.n_draws(),
        n_units: n_segments,
        counts: snaps.allocation.counts_by_draw_where(n_segments, counted),
    };
    let timing = Timing::of(exposure, season);
    let walked = timing::weighed(exposure, timing.as_ref());
    let unweighed = timing.as_ref().map(|_| timing::weighed(exposure, None));
    let known = |of: &[crate::analysis::exposure::Provenance]| -> Vec<Provenance> {
        of.iter().map(|known| provenance(*known)).collect()
    };
    let (provenance, trail_provenance) =
        (known(&exposure.field.provenance), known(&exposure.field.trail_provenance));
    let trail_of: Vec<usize> = layer.network.segments.iter().map(|segment| segment.trail_idx).collect();
    let strata = Strata::of(facts, layer);
    let parts = Parts {
        facts,
        counts: &counts,
        walked: &walked,
        unweighed: unweighed.as_ref(),
        provenance: &provenance,
        trail_provenance: &trail_provenance,
        trail_of: &trail_of,
        strata: &strata,
    };
    let alone =
        (0..n_segments).map(|segment| Stretch { trail_run: layer.run_of[segment], segments: vec![segment] });
    let segments = parts.estimate(alone.collect(), |idx, _| layer.segment_words(idx), None)?;
    let reference_per_km = segments.fit.reference_per_km.mean;
    let expected: Vec<f64> = match &timing {
        None => exposure.mean_km.iter().map(|km| km * reference_per_km).collect(),
        Some(_) => walked.means().into_iter().map(|km| km * reference_per_km).collect(),
    };
    let joined = rates::merge_stretches(layer.network.trail_runs(), &expected, settings.stretch_expected)
        .map_err(unanswerable)?;
    let names = stretch_names(layer, &joined);
    let mut stretch_of = vec![0; n_segments];
    for (idx, stretch) in joined.iter().enumerate() {
        for segment in &stretch.segments {
            stretch_of[*segment] = idx;
        }
    }
    let stretches = parts.estimate(joined, |idx, _| names[idx].clone(), None)?;
    let by_trail = trails(layer);
    let vague = sorted.vague_by_trail(layer.network.trails.len(), counts.n_draws, settings.seed());
    let trails =
        parts.estimate(by_trail, |_, segments| layer.trail_name(segments[0]).to_owned(), Some(&vague))?;
    let bounds = ClassBounds::doubling_from(settings.lowest_bound).map_err(DeriveError::internal)?;
    Ok(RateLayer {
        stretches,
        segments,
        trails,
        stretch_of,
        n_reports: sorted.n_reports,
        n_vague: sorted.vague.len(),
        n_elsewhere: sorted.n_elsewhere,
        n_outside: sorted.n_outside,
        bounds,
        all_trails: reference::all_trails((sorted.n_reports + sorted.vague.len()) as u64, exposure, &walked),
        timing,
    })
}

/// Reports by stretch in each allocation of the ambiguous ones: one row an allocation.
pub fn stretch_counts(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
    rates: &RateLayer,
) -> Vec<Vec<u32>> {
    let sorted = sort(facts, exposure, snaps);
    let n_segments = layer.network.segments.len();
    let counts = snaps.allocation.counts_by_draw_where(n_segments, |record| sorted.counted[record]);
    let by_stretch = |row: &[u32]| {
        let mut sums = vec![0; rates.stretches.members.len()];
        row.iter().zip(&rates.stretch_of).for_each(|(count, stretch)| sums[*stretch] += count);
        sums
    };
    counts.chunks_exact(n_segments.max(1)).map(by_stretch).collect()
}

fn unanswerable(error: rates::RateError) -> DeriveError {
    match error {
        rates::RateError::NoExposure => {
            DeriveError::missing("No trail has walking that counters identify, so no rate can be compared.")
        }
        other => DeriveError::internal(other),
    }
}

/// Which records are counted, and what became of the others.
pub(super) struct Sorted {
    /// For each record of the allocation whether it counts.
    pub(super) counted: Vec<bool>,
    /// Of those too vague for a segment the trails in reach, with their weights.
    vague: Vec<Vec<TrailWeight>>,
    n_reports: usize,
    n_elsewhere: usize,
    n_outside: usize,
}

impl Sorted {
    /// Vague reports by trail, draw-major: each on one trail in every draw, as often as its weight says.
    fn vague_by_trail(&self, n_trails: usize, n_draws: usize, seed: u64) -> Vec<u32> {
        let mut by_trail = vec![0; n_draws * n_trails];
        for (draw, row) in by_trail.chunks_mut(n_trails.max(1)).enumerate() {
            let mut rng = stream(seed_of(seed, "vague reports"), draw as u64);
            for trails in &self.vague {
                let mut left: f64 = rng.random();
                let drawn = trails.iter().find(|trail| {
                    left -= trail.weight;
                    left < 0.0
                });
                if let Some(trail) = drawn.or(trails.last()) {
                    row[trail.trail_idx] += 1;
                }
            }
        }
        by_trail
    }
}

/// Sorts the records of the allocation: reports in the study period and on a segment count.
pub(super) fn sort(facts: &Facts, exposure: &ExposureLayer, snaps: &SnapLayer) -> Sorted {
    let mut sorted =
        Sorted { counted: Vec::new(), vague: Vec::new(), n_reports: 0, n_elsewhere: 0, n_outside: 0 };
    for record in &snaps.records {
        let row = &facts.encounters.rows[*record];
        let is_report = row.effort_kind == EffortKind::Report && facts.counts(row);
        let is_timely = season::in_period(exposure, &row.time);
        let mut counts = false;
        match &snaps.snaps[*record] {
            _ if !is_report => {}
            _ if !is_timely => sorted.n_outside += 1,
            Some(Snap::OnTrail(_) | Snap::ByHand { .. }) => {
                counts = true;
                sorted.n_reports += 1;
            }
            Some(Snap::TooVague { trails }) if !trails.is_empty() => sorted.vague.push(trails.clone()),
            _ => sorted.n_elsewhere += 1,
        }
        sorted.counted.push(counts);
    }
    sorted
}

/// For each record of the allocation whether it goes into rates by segment: a report of the study period on a trail.
pub(super) fn counted_reports(facts: &Facts, exposure: &ExposureLayer, snaps: &SnapLayer) -> Vec<bool> {
    sort(facts, exposure, snaps).counted
}

/// The inputs that all kinds of unit share.
struct Parts<'a> {
    facts: &'a Facts,
    counts: &'a CountDraws,
    /// Kilometres as they count in rates.
    walked: &'a ExposureDraws,
    /// Kilometres as they were walked, where that is something else.
    unweighed: Option<&'a ExposureDraws>,
    provenance: &'a [Provenance],
    trail_provenance: &'a [Provenance],
    trail_of: &'a [usize],
    strata: &'a Strata,
}

/// The strata within which rates share a distribution.
pub(super) struct Strata {
    /// By trail.
    pub(super) of_trail: Vec<usize>,
    /// By stratum.
    names: Vec<String>,
}

impl Strata {
    /// Each trail for itself, or the trails of a habitat together where the area's settings say so.
    pub(super) fn of(facts: &Facts, layer: &NetworkLayer) -> Self {
        let trails = &layer.network.trails;
        if facts.settings.habitat_strata < 0.5 {
            let names = trails.iter().map(|trail| trail.name.clone()).collect();
            return Self { of_trail: (0..trails.len()).collect(), names };
        }
        let (of_trail, names) = habitats(facts);
        Self { of_trail, names }
    }
}

/// The habitat of each trail as a number, and the names of the habitats in order.
pub fn habitats(facts: &Facts) -> (Vec<usize>, Vec<String>) {
    let name = |habitat: &str| if habitat.is_empty() { "habitat not given" } else { habitat }.to_owned();
    let mut names: Vec<String> = facts.trails.iter().map(|trail| name(&trail.habitat)).collect();
    let of_trail = names.clone();
    names.sort();
    names.dedup();
    let number = |habitat: String| names.binary_search(&habitat).unwrap_or(0);
    (of_trail.into_iter().map(number).collect(), names)
}

impl Parts<'_> {
    fn is_any_identified(&self) -> bool {
        self.provenance.iter().any(|known| matches!(known, Provenance::Counted | Provenance::Fitted))
    }

    fn estimate(
        &self,
        units: Vec<Stretch>,
        name: impl Fn(usize, &[usize]) -> String,
        extra: Option<&[u32]>,
    ) -> Result<RateSet, DeriveError> {
        let settings = &self.facts.settings;
        let mut counts = rates::stretch_counts(&units, self.counts).map_err(DeriveError::internal)?;
        let walked = rates::stretch_exposure(&units, self.walked).map_err(DeriveError::internal)?;
        let strata: Vec<usize> =
            units.iter().map(|unit| unit.segments.first().map_or(0, |s| self.trail_of[*s])).collect();
        let provenance = match extra {
            Some(_) => strata.iter().map(|trail| self.trail_provenance[*trail]).collect(),
            None => rates::stretch_provenance(&units, self.provenance).map_err(DeriveError::internal)?,
        };
        if let Some(extra) = extra {
            let n_trails = extra.len() / counts.n_draws.max(1);
            let rows = counts.counts.chunks_mut(units.len().max(1)).zip(extra.chunks(n_trails.max(1)));
            for (row, extra) in rows {
                row.iter_mut().zip(&strata).for_each(|(count, trail)| *count += extra[*trail]);
            }
        }
        // Whole trails share one distribution; within a trail, or habitat, its parts do.
        let (stratum, stratum_names) = match extra {
            Some(_) => (vec![0; units.len()], vec!["all trails".to_owned()]),
            None => {
                let stratum = strata.iter().map(|trail| self.strata.of_trail[*trail]).collect();
                (stratum, self.strata.names.clone())
            }
        };
        let params = RateParams {
            exceedance_multiple: settings.multiple,
            call_level: settings.call_level,
            n_draws: settings.draws(),
            seed: settings.seed(),
            prior: prior(settings),
            ..RateParams::default()
        };
        let effort = Effort { counts: &counts, exposure: &walked };
        let units_known = Units { stratum: &stratum, provenance: &provenance };
        let fit = match rates::estimate(&effort, &units_known, &params) {
            // Every one of the larger units holds some segment whose walking is assumed, though not all segments do.
            Err(rates::RateError::NoExposure) if self.is_any_identified() => {
                unjudged(&effort, &units_known, &params)
            }
            fit => fit,
        };
        let mut fit = fit.map_err(unanswerable)?;
        let ranking = rates::ranks(&fit, &rates::RankParams::default()).map_err(DeriveError::internal)?;
        // What is said of walking are the kilometres as they were walked.
        let walked = match self.unweighed {
            None => walked,
            Some(km) => {
                let km = rates::stretch_exposure(&units, km).map_err(DeriveError::internal)?;
                fit.units.iter_mut().zip(km.means()).for_each(|(unit, mean)| unit.exposure_km = mean);
                km
            }
        };
        let exposure_limits_km = (0..units.len()).map(|unit| limits_of_unit(&walked, unit)).collect();
        let names = units.iter().enumerate().map(|(idx, unit)| name(idx, &unit.segments)).collect();
        let members = units.into_iter().map(|unit| unit.segments).collect();
        Ok(RateSet {
            members,
            names,
            strata,
            stratum,
            stratum_names,
            provenance,
            exposure_limits_km,
            fit,
            ranking,
        })
    }
}

/// Assumed walking taken for fitted: where there is no other, so that units inform each other.
pub(super) fn as_fitted(provenance: &[Provenance]) -> Vec<Provenance> {
    let taken = |known: &Provenance| match known {
        Provenance::Assumed => Provenance::Fitted,
        known => *known,
    };
    provenance.iter().map(taken).collect()
}

/// Rates of units whose walking is assumed in part, all of them: estimated together, but none ranked, compared or called.
pub(super) fn unjudged(
    effort: &Effort<'_>,
    units: &Units<'_>,
    params: &RateParams,
) -> Result<RateFit, rates::RateError> {
    let provenance = as_fitted(units.provenance);
    let mut fit =
        rates::estimate(effort, &Units { stratum: units.stratum, provenance: &provenance }, params)?;
    for unit in &mut fit.units {
        if let rates::UnitRate::Estimated(estimate) = &mut unit.rate {
            estimate.exceedance = rates::Exceedance::NotJudged;
        }
    }
    fit.calls = rates::Calls { units: Vec::new(), false_share: rates::FalseShare::NoCalls };
    Ok(fit)
}

/// 95 % limits of a unit's exposure.
fn limits_of_unit(walked: &ExposureDraws, unit: usize) -> (f64, f64) {
    let mut draws: Vec<f64> = walked.party_km.iter().skip(unit).step_by(walked.n_units).copied().collect();
    draws.sort_by(f64::total_cmp);
    let at = |share: f64| draws[((draws.len() - 1) as f64 * share).round() as usize];
    (at(0.025), at(0.975))
}

/// The provenance of exposure as rates know it.
pub(super) fn provenance(known: crate::analysis::exposure::Provenance) -> Provenance {
    use crate::analysis::exposure::Provenance as Known;
    match known {
        Known::Counted => Provenance::Counted,
        Known::Fitted => Provenance::Fitted,
        Known::Assumed => Provenance::Assumed,
        Known::NotWalked => Provenance::NotWalked,
    }
}

/// All segments of each trail that has any, as one unit.
pub(super) fn trails(layer: &NetworkLayer) -> Vec<Stretch> {
    let mut by_trail = vec![Vec::new(); layer.network.trails.len()];
    for (run, segments) in layer.network.trail_runs().iter().enumerate() {
        by_trail[layer.trail_of_run[run]].extend_from_slice(segments);
    }
    let filled = by_trail.into_iter().enumerate().filter(|(_, segments)| !segments.is_empty());
    filled.map(|(trail_run, segments)| Stretch { trail_run, segments }).collect()
}

/// "Ledge Walk, km 0.40 to 0.73", along the trail; a trail of one stretch by its name.
pub(super) fn stretch_names(layer: &NetworkLayer, stretches: &[Stretch]) -> Vec<String> {
    let trail = |stretch: &Stretch| layer.trail_of_run[stretch.trail_run];
    let mut totals = vec![0; layer.network.trails.len()];
    stretches.iter().for_each(|stretch| totals[trail(stretch)] += 1);
    let name = |stretch: &Stretch| {
        let idx = trail(stretch);
        let words = &layer.network.trails[idx].name;
        match totals[idx] {
            1 => words.clone(),
            _ => format!("{words}, {}", layer.span_words(&stretch.segments)),
        }
    };
    stretches.iter().map(name).collect()
}

/// Walking on each unit in the whole study period, by draw.
pub(super) fn walked(set: &RateSet, exposure: &ExposureLayer) -> Result<ExposureDraws, DeriveError> {
    by_unit(set, &timing::weighed(exposure, None))
}

/// The same as rates are for each kilometre of it.
pub(super) fn walked_weighed(
    set: &RateSet,
    exposure: &ExposureLayer,
    timing: Option<&Timing>,
) -> Result<ExposureDraws, DeriveError> {
    by_unit(set, &timing::weighed(exposure, timing))
}

/// Kilometres by segment put together by unit.
pub(super) fn by_unit(set: &RateSet, by_segment: &ExposureDraws) -> Result<ExposureDraws, DeriveError> {
    rates::stretch_exposure(&as_stretches(set), by_segment).map_err(DeriveError::internal)
}

pub(super) fn as_stretches(set: &RateSet) -> Vec<Stretch> {
    let members = set.members.iter().zip(&set.strata);
    members.map(|(segments, trail)| Stretch { trail_run: *trail, segments: segments.clone() }).collect()
}

/// The rate of a unit in a period, per 1,000 km walked, or none where there is no estimate.
#[derive(Debug, Clone)]
pub struct PeriodRates {
    /// By unit.
    pub per_1000_km: Vec<Option<Limits>>,
    /// How each unit is drawn: class and certainty.
    pub drawn: Vec<(usize, Certainty)>,
    /// Units in order of the lower limit; those that may not be ranked are left out.
    pub order: Vec<usize>,
    /// The reference rate in the period, per 1,000 km.
    pub reference: Limits,
    /// Whether all months and hours are meant.
    pub is_all: bool,
    /// Whether too little is known of the period for figures of its own: then no unit has one.
    pub is_too_little: bool,
}

/// Rates over all months and hours, as the fit has them: what every page, layer, table and decision says of a unit.
fn of_all_periods(set: &RateSet) -> Vec<Option<rates::Interval>> {
    set.fit.units.iter().map(|unit| unit.estimate().map(|estimate| estimate.per_km)).collect()
}

/// Rates in a period: each unit's rate of all periods times the season-hour curve, that of its habitat or elevation band
/// where those have curves of their own. Of all months and hours they are those of the fit itself. Of a period of which too little
/// is known there are none (see [`PeriodKnown`](crate::analysis::forecast::PeriodKnown)): what the curves would give could be read as safety.
///
/// A unit whose walking is assumed is never drawn as sure, however narrow its interval: what is assumed of people is in no
/// counter.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when nobody walks in the period or there is no curve.
pub fn in_period(
    set: &RateSet,
    bounds: &ClassBounds,
    season: &SeasonLayer,
    choice: PeriodChoice,
) -> Result<PeriodRates, DeriveError> {
    let factors = season.unit_factors(&set.members, choice)?;
    let is_all = choice == PeriodChoice::default();
    let is_too_little = season.known_in(choice).is_some_and(|known| known.is_too_little());
    let intervals = match (is_all, is_too_little) {
        (true, _) => of_all_periods(set),
        (false, false) => {
            rates::unit_period_rates(&set.fit, &factors, 0.95).map_err(DeriveError::internal)?
        }
        (false, true) => vec![None; set.fit.units.len()],
    };
    let units = set.fit.units.iter().zip(&intervals).zip(&set.provenance);
    let drawn = units.map(|((unit, interval), provenance)| {
        if is_too_little && unit.estimate().is_some() {
            return (0, Certainty::TooWide);
        }
        let least = match provenance {
            Provenance::Assumed => Certainty::Wide,
            _ => Certainty::Narrow,
        };
        let mut scaled: UnitFit = *unit;
        let class = match (interval, &mut scaled.rate) {
            (Some(interval), rates::UnitRate::Estimated(estimate)) => {
                estimate.per_km = *interval;
                bounds.class_of(interval.mean)
            }
            _ => 0,
        };
        (class, rates::certainty(&scaled, bounds).max(least))
    });
    let drawn = drawn.collect();
    let per_1000_km: Vec<Option<Limits>> =
        intervals.iter().map(|interval| interval.map(|it| per_1000_km(&it))).collect();
    let mut order = if is_too_little { Vec::new() } else { set.ranking.order.clone() };
    let lower = |unit: &usize| per_1000_km[*unit].map_or(0.0, |limits| limits.lower);
    order.sort_by(|a, b| lower(b).total_cmp(&lower(a)));
    let reference = rates::reference_in_period(&set.fit, &factors).map_err(DeriveError::internal)?;
    let mut reference: Vec<f64> = reference.iter().map(|rate| rate * 1000.0).collect();
    let reference = match is_all {
        true => self::per_1000_km(&set.fit.reference_per_km),
        false => limits_of(&mut reference),
    };
    Ok(PeriodRates { per_1000_km, drawn, order, reference, is_all, is_too_little })
}

pub(super) fn per_1000_km(interval: &rates::Interval) -> Limits {
    Limits { value: interval.mean * 1000.0, lower: interval.lower * 1000.0, upper: interval.upper * 1000.0 }
}

/// Mean and 95 % limits of draws, which are reordered.
pub fn limits_of(draws: &mut [f64]) -> Limits {
    draws.sort_by(f64::total_cmp);
    let n = draws.len().max(1);
    let at = |share: f64| draws.get(((n - 1) as f64 * share).round() as usize).copied().unwrap_or(0.0);
    Limits { value: draws.iter().sum::<f64>() / n as f64, lower: at(0.025), upper: at(0.975) }
}

/// The rate as counted with Garwood's limits, per 1,000 km; none without exposure.
///
/// Where records may lie on either of two units, the mean count is rounded for the limits.
pub fn raw_per_1000_km(count: f64, walked_km: f64) -> Option<Limits> {
    let (lower, upper) = counts::poisson_limits(count.round() as u64, 0.95).ok()?;
    let per = |events: f64| events / walked_km * 1000.0;
    (walked_km > 0.0).then(|| Limits { value: per(count), lower: per(lower), upper: per(upper) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The naive way gave all of them to the heavier trail.
    #[test]
    fn vague_reports_go_where_their_weights_say() {
        let weight = |trail_idx, weight| TrailWeight { trail_idx, weight };
        let sorted = Sorted {
            counted: Vec::new(),
            vague: vec![vec![weight(2, 0.6), weight(0, 0.4)]; 10],
            n_reports: 0,
            n_elsewhere: 0,
            n_outside: 0,
        };
        let drawn = sorted.vague_by_trail(3, 500, 1);
        assert!(drawn.chunks(3).all(|row| row.iter().sum::<u32>() == 10 && row[1] == 0));
        let mean = drawn.chunks(3).map(|row| f64::from(row[0])).sum::<f64>() / 500.0;
        // Binomial with mean 4 and a standard error of 0.07.
        assert!((mean - 4.0).abs() < 0.3, "{mean}");
    }
}
