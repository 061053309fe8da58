//! What anybody may see: whole trails or groups of them, all venomous species and all months pooled, rounded.
//!
//! Invariant: the layer depends on records only through the number of reports of each group, counted without those near
//! sensitive places, those of species that are not shown at all and those that nobody has verified, and rounded. So wherever
//! in its group an encounter was, whenever in the year, of whichever snake and by whom, every public answer is the same, byte
//! for byte: there is nothing to turn back. No type here can hold a record's position, date or words.

use crate::analysis::counts;
use crate::analysis::plane::distance_m;
use crate::analysis::rates::Certainty;
use crate::analysis::rates::ClassBounds;
use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::season;
use crate::derived::snaps::SnapLayer;
use crate::domain::disclosure::SensitivityCategory;
use crate::domain::disclosure::cell_diagonal;
use crate::domain::disclosure::step_degrees;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::VerificationStatus;
use crate::domain::geography::LonLat;
use crate::domain::units::Length;
use crate::store::EncounterRow;

/// Counts below this are withheld, zero included, so that a count of one or two cannot be followed.
pub const LEAST_COUNT: u64 = 5;
/// Counts are rounded to multiples of this, so that one more record seldom shows.
const COUNT_STEP: u64 = 5;
/// Level of the intervals.
const LEVEL: f64 = 0.95;

/// What anybody may see of an area.
#[derive(Debug, Clone, PartialEq)]
pub struct PublicLayer {
    /// Groups of whole trails, in the order of their first trail.
    pub groups: Vec<PublicGroup>,
    /// Class bounds.
    pub bounds: ClassBounds,
    /// The side of the grid cell that every group is at least as large as, degrees.
    pub cell_deg: f64,
}

/// A group of whole trails: one trail where it is large enough.
#[derive(Debug, Clone, PartialEq)]
pub struct PublicGroup {
    /// The names of its trails.
    pub names: Vec<String>,
    /// The lines of its trails, as every map of the area shows them, each with the place of its trail among the names.
    pub lines: Vec<(usize, Vec<LonLat>)>,
    /// Its figure.
    pub figure: PublicFigure,
    /// Radius around the middle of the group that holds all of it and one cell more.
    pub coordinate_uncertainty: Length,
}

/// A figure that may be shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PublicFigure {
    /// Nobody is known to have walked there: no counter counted anybody in the area, or nobody who could have come there.
    NoWalking,
    /// Fewer than [`LEAST_COUNT`] encounters, which may be none.
    TooFew {
        /// Distance walked by parties, km, to two digits.
        walked_km: f64,
    },
    /// A rate.
    Rate {
        /// Encounters per 1,000 km walked, from the rounded numbers, with a 95 % interval that holds whatever was rounded
        /// away.
        per_1000_km: Limits,
        /// Encounters, to the nearest 5.
        encounters: u64,
        /// Distance walked by parties, km, to two digits.
        walked_km: f64,
        /// Class and certainty, for drawing.
        drawn: (usize, Certainty),
    },
}

/// Computes what may be shown.
///
/// # Errors
/// [`DeriveError::Internal`] when the class bounds are not ones.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
) -> Result<PublicLayer, DeriveError> {
    let cell_deg = step_degrees(decimals(facts));
    let bounds = ClassBounds::doubling_from(facts.settings.lowest_bound).map_err(DeriveError::internal)?;
    let by_trail = reports_by_trail(facts, layer, exposure, snaps);
    // Without counters the days walked are those that reports speak of: one record at a den, or one that nobody has
    // verified, would show in the distance.
    let is_counted = !facts.readings.rows.is_empty();
    let groups = group_trails(facts, layer, cell_deg);
    let public = groups.into_iter().map(|group| {
        let count: u64 = group.trails.iter().map(|trail| by_trail[*trail]).sum();
        let walked = match is_counted {
            true => walked_km(layer, exposure, &group.trails),
            false => Limits { value: 0.0, lower: 0.0, upper: 0.0 },
        };
        let of_group = group.trails.iter().map(|trail| &facts.trails[*trail]);
        PublicGroup {
            names: of_group.clone().map(|trail| trail.name.clone()).collect(),
            lines: of_group
                .enumerate()
                .flat_map(|(idx, trail)| trail.parts.iter().map(move |part| (idx, part.clone())))
                .collect(),
            figure: figure(count, walked, &bounds),
            coordinate_uncertainty: Length::metres(group.radius_m()).unwrap_or(Length::ZERO),
        }
    });
    Ok(PublicLayer { groups: public.collect(), bounds, cell_deg })
}

/// The decimals of the most sensitive venomous species that is shown, and never finer than those of medium sensitivity: the
/// list may not be filled in, and a record may name no species of it.
pub fn decimals(facts: &Facts) -> u8 {
    let listed = facts.species.iter().filter(|species| species.is_venomous);
    let categories =
        listed.filter_map(|species| SensitivityCategory::from_number(species.sensitivity_category?));
    let medium = SensitivityCategory::Medium.decimals().unwrap_or(2);
    categories.filter_map(SensitivityCategory::decimals).fold(medium, u8::min)
}

/// Reports that may be counted in public, by trail.
fn reports_by_trail(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
) -> Vec<u64> {
    let mut by_trail = vec![0; layer.network.trails.len()];
    for (row, snap) in facts.encounters.rows.iter().zip(&snaps.snaps) {
        // What nobody has looked at yet does not show: somebody could follow own records into the buffer of a place.
        let counts = row.effort_kind == EffortKind::Report
            && row.verification_status == VerificationStatus::Verified
            && facts.counts(row)
            && season::in_period(exposure, &row.time)
            && !is_withheld(facts, row);
        if let Some(trail) = snap.as_ref().filter(|_| counts).and_then(|snap| trail_of(layer, snap)) {
            by_trail[trail] += 1;
        }
    }
    by_trail
}

/// Whether nothing about a record is shown: a species of the highest sensitivity, or near a sensitive place.
fn is_withheld(facts: &Facts, row: &EncounterRow) -> bool {
    let name = facts.encounters.species.get(row.species as usize);
    let is_extreme = facts.species.iter().any(|species| {
        Some(&species.scientific_name) == name
            && species.sensitivity_category.and_then(SensitivityCategory::from_number)
                == Some(SensitivityCategory::Extreme)
    });
    let is_near = row.position.is_some_and(|at| {
        let mut places = facts.sensitive_places.iter();
        places.any(|place| distance_m(at.position, place.position) <= place.buffer.in_metres())
    });
    is_extreme || is_near
}

/// The trail that a record most likely was on.
fn trail_of(layer: &NetworkLayer, snap: &Snap) -> Option<usize> {
    let of_segment = |segment: usize| layer.network.segments[segment].trail_idx;
    match snap {
        Snap::ByHand { segment_idx } => Some(of_segment(*segment_idx)),
        Snap::TooVague { trails } => trails.first().map(|trail| trail.trail_idx),
        Snap::AtPlace { .. } | Snap::OffTrail { .. } => None,
        Snap::OnTrail(on_trail) => {
            let mut weights: Vec<(usize, f64)> = Vec::new();
            for candidate in &on_trail.candidates {
                let trail = of_segment(candidate.nearest.segment_idx);
                match weights.iter_mut().find(|(known, _)| *known == trail) {
                    Some((_, weight)) => *weight += candidate.weight,
                    None => weights.push((trail, candidate.weight)),
                }
            }
            weights.into_iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0))).map(|(trail, _)| trail)
        }
    }
}

/// Distance walked on some trails, km: mean and 95 % limits over the draws.
fn walked_km(layer: &NetworkLayer, exposure: &ExposureLayer, trails: &[usize]) -> Limits {
    let field = &exposure.field;
    let n_segments = layer.network.segments.len();
    let segments: Vec<usize> = (0..n_segments)
        .filter(|segment| trails.contains(&layer.network.segments[*segment].trail_idx))
        .collect();
    let of_draw = |draw: &[f64]| segments.iter().map(|segment| draw[*segment]).sum::<f64>();
    let mut totals: Vec<f64> = field.party_km.chunks_exact(n_segments.max(1)).map(of_draw).collect();
    totals.sort_by(f64::total_cmp);
    let n_draws = totals.len();
    let at = |share: f64| totals.get((share * n_draws as f64) as usize).copied().unwrap_or(0.0);
    let value = if n_draws == 0 { 0.0 } else { totals.iter().sum::<f64>() / n_draws as f64 };
    Limits { value, lower: at(0.025), upper: at(0.975) }
}

/// The figure of a count and the distance walked, made from rounded numbers only.
fn figure(count: u64, walked_km: Limits, bounds: &ClassBounds) -> PublicFigure {
    let walked = two_digits(walked_km.value);
    let (low_km, high_km) = (two_digits(walked_km.lower), two_digits(walked_km.upper));
    if walked <= 0.0 || low_km <= 0.0 {
        return PublicFigure::NoWalking;
    }
    if count < LEAST_COUNT {
        return PublicFigure::TooFew { walked_km: walked };
    }
    let encounters = (count + COUNT_STEP / 2) / COUNT_STEP * COUNT_STEP;
    // The exact count is at most half a step away from the rounded one.
    let limits = |count: u64| counts::poisson_limits(count, LEVEL).unwrap_or((0.0, f64::MAX));
    let lower = limits(encounters - COUNT_STEP / 2).0 / high_km * 1000.0;
    let upper = limits(encounters + COUNT_STEP / 2).1 / low_km * 1000.0;
    let value = encounters as f64 / walked * 1000.0;
    let classes = 1 + bounds.class_of(upper / 1000.0) - bounds.class_of(lower / 1000.0);
    let certainty = match classes {
        ..=2 => Certainty::Narrow,
        3 => Certainty::Wide,
        _ => Certainty::TooWide,
    };
    PublicFigure::Rate {
        per_1000_km: Limits { value, lower, upper },
        encounters,
        walked_km: walked,
        drawn: (bounds.class_of(value / 1000.0), certainty),
    }
}

/// A number rounded to two digits; zero stays zero.
fn two_digits(value: f64) -> f64 {
    if value <= 0.0 {
        return 0.0;
    }
    let step = 10f64.powi(value.log10().floor() as i32 - 1);
    (value / step).round() * step
}

/// Trails that are shown together, and the box around them, metres in the plane.
#[derive(Debug, Clone, PartialEq)]
struct Group {
    trails: Vec<usize>,
    low: [f64; 2],
    high: [f64; 2],
    cell_m: f64,
}

impl Group {
    fn diagonal_m(&self) -> f64 {
        (self.high[0] - self.low[0]).hypot(self.high[1] - self.low[1])
    }

    fn radius_m(&self) -> f64 {
        self.diagonal_m() / 2.0 + self.cell_m
    }

    fn distance_m(&self, other: &Self) -> f64 {
        let middle = |group: &Self, axis: usize| (group.low[axis] + group.high[axis]) / 2.0;
        (middle(self, 0) - middle(other, 0)).hypot(middle(self, 1) - middle(other, 1))
    }

    fn absorb(&mut self, other: Self) {
        self.trails.extend(other.trails);
        self.trails.sort_unstable();
        for axis in 0..2 {
            self.low[axis] = self.low[axis].min(other.low[axis]);
            self.high[axis] = self.high[axis].max(other.high[axis]);
        }
    }
}

/// Joins trails with their neighbours until every group is at least as large as a cell of the grid. Only where trails lie
/// decides, never a record.
fn group_trails(facts: &Facts, layer: &NetworkLayer, cell_deg: f64) -> Vec<Group> {
    let plane = &layer.network.plane;
    let cell_m = cell_diagonal(plane.centre().lat(), cell_deg).in_metres();
    let alone = facts.trails.iter().enumerate().filter_map(|(idx, trail)| {
        let points = trail.parts.iter().flatten().map(|at| plane.to_plane(*at));
        let boxed = points.fold(None, |known: Option<([f64; 2], [f64; 2])>, at| {
            let (low, high) = known.unwrap_or(([at.x, at.y], [at.x, at.y]));
            Some(([low[0].min(at.x), low[1].min(at.y)], [high[0].max(at.x), high[1].max(at.y)]))
        });
        boxed.map(|(low, high)| Group { trails: vec![idx], low, high, cell_m })
    });
    join_small(alone.collect(), cell_m)
}

fn join_small(mut groups: Vec<Group>, cell_m: f64) -> Vec<Group> {
    while groups.len() > 1 {
        let smallest = (0..groups.len())
            .min_by(|a, b| groups[*a].diagonal_m().total_cmp(&groups[*b].diagonal_m()))
            .filter(|idx| groups[*idx].diagonal_m() < cell_m);
        let Some(smallest) = smallest else { break };
        let small = groups.swap_remove(smallest);
        let nearest = (0..groups.len())
            .min_by(|a, b| small.distance_m(&groups[*a]).total_cmp(&small.distance_m(&groups[*b])));
        match nearest {
            Some(nearest) => groups[nearest].absorb(small),
            None => break,
        }
    }
    groups.sort_by_key(|group| group.trails.first().copied());
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walked(km: f64) -> Limits {
        Limits { value: km, lower: km * 0.8, upper: km * 1.3 }
    }

    fn bounds() -> ClassBounds {
        ClassBounds::default()
    }

    #[test]
    fn small_counts_do_not_show() {
        for count in 0..LEAST_COUNT {
            assert_eq!(figure(count, walked(1234.0), &bounds()), PublicFigure::TooFew { walked_km: 1200.0 });
        }
        assert!(matches!(figure(5, walked(1234.0), &bounds()), PublicFigure::Rate { encounters: 5, .. }));
        assert_eq!(
            figure(9, Limits { value: 0.0, lower: 0.0, upper: 0.0 }, &bounds()),
            PublicFigure::NoWalking
        );
    }

    #[test]
    fn one_more_record_seldom_shows() {
        let changed = (5..500)
            .filter(|n| figure(*n, walked(900.0), &bounds()) != figure(n + 1, walked(900.0), &bounds()));
        assert_eq!(changed.count(), 99);
    }

    #[test]
    fn the_interval_holds_what_was_rounded_away() {
        for count in [5, 7, 8, 12, 13, 47, 48, 133] {
            let walked = walked(2777.0);
            let PublicFigure::Rate { per_1000_km, .. } = figure(count, walked, &bounds()) else {
                panic!("{count}")
            };
            let (lower, upper) = counts::poisson_limits(count, 0.95).unwrap();
            assert!(per_1000_km.lower <= lower / 2777.0 * 1000.0, "{count}");
            assert!(per_1000_km.upper >= upper / 2777.0 * 1000.0, "{count}");
            assert!(per_1000_km.lower < per_1000_km.value && per_1000_km.value < per_1000_km.upper);
        }
    }

    #[test]
    fn two_digits_are_kept() {
        for (value, expected) in [(1234.0, 1200.0), (0.0567, 0.057), (9.96, 10.0), (0.0, 0.0), (87.4, 87.0)] {
            assert!((two_digits(value) - expected).abs() < 1e-9 * expected.max(1.0), "{value}");
        }
    }

    #[test]
    fn trails_join_until_they_are_as_large_as_a_cell() {
        let group = |trail: usize, at_m: f64, length_m: f64| Group {
            trails: vec![trail],
            low: [at_m, 0.0],
            high: [at_m + length_m, 0.0],
            cell_m: 1400.0,
        };
        let joined =
            join_small(vec![group(0, 0.0, 300.0), group(1, 400.0, 200.0), group(2, 9000.0, 3000.0)], 1400.0);
        let trails: Vec<&[usize]> = joined.iter().map(|group| group.trails.as_slice()).collect();
        // The two short ones together still are too small, so the nearest one takes them in.
        assert_eq!(trails, [[0, 1, 2].as_slice()]);
        let joined =
            join_small(vec![group(0, 0.0, 900.0), group(1, 800.0, 900.0), group(2, 9000.0, 3000.0)], 1400.0);
        assert_eq!(joined.len(), 2);
        assert!(joined.iter().all(|group| group.diagonal_m() >= 1400.0));
    }
}
