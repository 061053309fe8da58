//! What closures do to walking: they are taken off where people were kept out, and zeros inside them are no outage.
//!
//! A closure reaches the counters that stand on its trail, at its trailhead, or, where it is of the whole area, everywhere. What
//! they count inside is in no level and in no course: these are of the open time, so that a counter that stood there for a few
//! days, some of them closed, speaks of the open ones. Every closure is then taken off by the share of the walking that would fall
//! into it, over the union of all that hold for a trail, whether or not a counter counted. Some people walk all the same: of the
//! closed share that part is left which counters on the trail counted in closed time, of what the fit expects them to count there.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::analysis::exposure;
use crate::analysis::exposure::CountedTime;
use crate::analysis::exposure::Counter;
use crate::analysis::exposure::CounterSite;
use crate::analysis::exposure::ExposureField;
use crate::analysis::exposure::ExposureParams;
use crate::analysis::exposure::Placement;
use crate::analysis::exposure::StudyPeriod;
use crate::analysis::exposure::TimeCells;
use crate::analysis::exposure::TimeRange;
use crate::analysis::exposure::closures::ClosedTrailhead;
use crate::analysis::exposure::closures::closed_shares;
use crate::analysis::exposure::closures::left;
use crate::analysis::exposure::closures::passed_share;
use crate::analysis::exposure::closures::united;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::limits_of;
use crate::domain::closure::Closure;

/// What a closure holds for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closed {
    /// The whole area.
    Area,
    /// A trail, an index into the facts' trails. Where a trailhead has the same name, the trail is meant.
    Trail(usize),
    /// Those who start at a trailhead, an index into the facts' trailheads.
    Trailhead(usize),
    /// Nothing: no trail and no trailhead of that name is there, or it is not on the network.
    Nowhere,
}

/// What one closure did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosureEffect {
    /// What it holds for.
    pub closed: Closed,
    /// Whether some of it lies in the study period.
    pub is_in_period: bool,
    /// Counters that counted in it.
    pub counters: Vec<ClosedCounter>,
    /// Trails, as indices, that were closed by it in the study period: their walking is less.
    pub less_on: Vec<usize>,
}

/// Readings of one counter inside one closure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClosedCounter {
    /// The counter, an index into the facts' counters.
    pub counter: usize,
    /// Readings that lie in it at least in part.
    pub n_readings: usize,
    /// Of these, such that counted nobody.
    pub n_zero: usize,
}

/// What counters on a trail counted while it was closed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Passed {
    /// Passages that the devices counted.
    pub counted: f64,
    /// Passages that the fit expects them to count if it were open.
    pub expected: f64,
}

impl Passed {
    /// The share of the closed walking that is put back.
    pub fn share(self) -> f64 {
        passed_share(self.counted, self.expected)
    }
}

/// What all closures did.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Closures {
    /// In the order of the facts' closures.
    pub effects: Vec<ClosureEffect>,
    /// By trail the share of its walking that is left, draw by draw; none where nothing was taken off.
    pub open: Vec<Option<Vec<f64>>>,
    /// By trail what its counters counted while it was closed.
    pub passed: Vec<Passed>,
    /// The share of all who come that closures of the whole area leave, draw by draw; none where it was never closed.
    pub area_open: Option<Vec<f64>>,
    /// By trailhead of the facts the share of its starts that is left, draw by draw; none where it was never closed.
    pub head_open: Vec<Option<Vec<f64>>>,
}

impl Closures {
    /// The share of its walking by which a trail has less, with 95 % limits: 0 where nothing was taken off.
    pub fn less_on(&self, trail: usize) -> Limits {
        less(self.open.get(trail).and_then(Option::as_ref))
    }

    /// The share by which fewer start at a trailhead for its own closures, with 95 % limits.
    pub fn less_at(&self, trailhead: usize) -> Limits {
        less(self.head_open.get(trailhead).and_then(Option::as_ref))
    }

    /// Of those who walk a trail while the area is open, the mean share that is left; 1 where the trail itself was never closed.
    pub fn mean_open(&self, trail: usize) -> f64 {
        let mean = |draws: &Vec<f64>| draws.iter().sum::<f64>() / draws.len().max(1) as f64;
        let area = self.area_open.as_ref().map_or(1.0, mean);
        let open = self.open.get(trail).and_then(Option::as_ref).map_or(1.0, mean);
        if area > 0.0 { open / area } else { 1.0 }
    }
}

fn less(open: Option<&Vec<f64>>) -> Limits {
    match open {
        None => Limits { value: 0.0, lower: 0.0, upper: 0.0 },
        Some(open) => limits_of(&mut open.iter().map(|open| 1.0 - open).collect::<Vec<f64>>()),
    }
}

/// What each of the facts' closures holds for.
pub(super) fn targets(facts: &Facts, layer: &NetworkLayer) -> Vec<Closed> {
    let target = |closure: &Closure| {
        if closure.name.is_empty() {
            return Closed::Area;
        }
        let has_segments = |trail: usize| layer.network.segments.iter().any(|it| it.trail_idx == trail);
        if let Some(trail) = facts.trails.iter().position(|trail| trail.name == closure.name) {
            return if has_segments(trail) { Closed::Trail(trail) } else { Closed::Nowhere };
        }
        let head = facts.trailheads.iter().position(|head| head.name == closure.name);
        match head.filter(|head| layer.trailhead_vertices[*head].is_some()) {
            Some(head) => Closed::Trailhead(head),
            None => Closed::Nowhere,
        }
    };
    facts.closures.iter().map(target).collect()
}

/// The closures of a counter that stood at these places, each for as long as it stood there.
pub(super) fn at_counter(
    facts: &Facts,
    layer: &NetworkLayer,
    targets: &[Closed],
    placements: &[Placement],
) -> Vec<TimeRange> {
    let mut closures = Vec::new();
    for placement in placements {
        let stood = TimeRange { from_s: placement.from_s, to_s: placement.to_s.unwrap_or(i64::MAX) };
        let reached =
            facts.closures.iter().zip(targets).filter(|(_, it)| reaches(**it, placement.site, layer));
        closures.extend(reached.filter_map(|(closure, _)| common(range(closure), stood)));
    }
    closures
}

fn range(closure: &Closure) -> TimeRange {
    TimeRange { from_s: closure.from_s, to_s: closure.until_s.unwrap_or(i64::MAX) }
}

/// What two ranges have in common.
fn common(one: TimeRange, other: TimeRange) -> Option<TimeRange> {
    let both = TimeRange { from_s: one.from_s.max(other.from_s), to_s: one.to_s.min(other.to_s) };
    (both.from_s < both.to_s).then_some(both)
}

/// Whether a counter there counts those whom the closure keeps out.
fn reaches(closed: Closed, site: CounterSite, layer: &NetworkLayer) -> bool {
    match closed {
        Closed::Area => true,
        Closed::Trail(trail) => only_trail(site, layer) == Some(trail),
        Closed::Trailhead(head) => {
            matches!(site, CounterSite::Vertex(vertex) if layer.trailhead_vertices[head] == Some(vertex))
        }
        Closed::Nowhere => false,
    }
}

/// The trail whose walkers a counter counts and nobody else: on one of its segments, or at an end from which only it leads on.
fn only_trail(site: CounterSite, layer: &NetworkLayer) -> Option<usize> {
    let trail_of = |segment: usize| layer.network.segments[segment].trail_idx;
    match site {
        CounterSite::Segment(segment) => Some(trail_of(segment)),
        CounterSite::Vertex(vertex) => {
            let at = layer.network.graph().at(vertex);
            let trail = trail_of(at.first()?.edge);
            at.iter().all(|incident| trail_of(incident.edge) == trail).then_some(trail)
        }
        CounterSite::Place(_) => None,
    }
}

/// The closures on the days looked at.
pub(super) struct Ground<'a> {
    facts: &'a Facts,
    layer: &'a NetworkLayer,
    targets: Vec<Closed>,
    /// By closure what of it lies in the study period.
    inside: Vec<Option<TimeRange>>,
    /// When the whole area was closed.
    area: Vec<TimeRange>,
    period: &'a StudyPeriod,
    zone: &'a TimeZone,
    cells: TimeCells,
}

impl<'a> Ground<'a> {
    /// # Errors
    /// [`DeriveError::Internal`] when the study period is out of the range of instants.
    pub(super) fn new(
        (facts, layer): (&'a Facts, &'a NetworkLayer),
        targets: Vec<Closed>,
        (period, zone): (&'a StudyPeriod, &'a TimeZone),
    ) -> Result<Self, DeriveError> {
        let midnight = |day: jiff::civil::Date| {
            zone.to_timestamp(day.at(0, 0, 0, 0)).map(Timestamp::as_second).map_err(DeriveError::internal)
        };
        let after = period.last().tomorrow().map_err(DeriveError::internal)?;
        let days = TimeRange { from_s: midnight(period.first())?, to_s: midnight(after)? };
        let inside: Vec<Option<TimeRange>> =
            facts.closures.iter().map(|closure| common(range(closure), days)).collect();
        let of_area = targets.iter().zip(&inside).filter(|(closed, _)| **closed == Closed::Area);
        let area = united(of_area.filter_map(|(_, inside)| *inside).collect());
        Ok(Self { facts, layer, targets, inside, area, period, zone, cells: TimeCells::of(period) })
    }

    /// Trailheads with closures of their own in the period; `kept` are those on the network, as indices into the facts'.
    pub(super) fn trailheads(&self, kept: &[usize]) -> Vec<ClosedTrailhead> {
        let area_open = self.open_cells(self.area.clone());
        let own = self.own(|closed| match closed {
            Closed::Trailhead(head) => kept.iter().position(|it| *it == head),
            _ => None,
        });
        let each = own.into_iter().map(|(trailhead, ranges)| ClosedTrailhead {
            trailhead,
            open: self.open_cells(ranges),
            area_open: area_open.clone(),
        });
        each.collect()
    }

    /// What the closures did, and the share of its walking that each trail is left with.
    pub(super) fn effects(
        &self,
        (counters, params): (&[Counter], &ExposureParams),
        kept: &[usize],
        field: &ExposureField,
    ) -> Closures {
        let n_trails = self.layer.network.trails.len();
        let mut head_open = vec![None; self.facts.trailheads.len()];
        for (head, open) in kept.iter().zip(&field.head_open) {
            head_open[*head].clone_from(open);
        }
        let mut closures = Closures {
            effects: Vec::new(),
            open: vec![None; n_trails],
            passed: vec![Passed::default(); n_trails],
            area_open: None,
            head_open,
        };
        if self.facts.closures.is_empty() {
            return closures;
        }
        let counted: Vec<Vec<CountedTime>> =
            counters.iter().map(|it| exposure::counted_while_closed(it, params)).collect();
        closures.effects = (0..self.targets.len()).map(|idx| self.effect(idx, counters, &counted)).collect();
        for fit in &field.counters {
            let Some(trail) = only_trail(fit.site, self.layer) else { continue };
            closures.passed[trail].counted += fit.observed_closed;
            closures.passed[trail].expected += fit.expected_closed;
        }
        let open_share = |ranges: Vec<TimeRange>| field.time.share_kept(&self.open_cells(ranges));
        closures.area_open = (!self.area.is_empty()).then(|| open_share(self.area.clone()));
        let own = self.own(|closed| match closed {
            Closed::Trail(trail) => Some(trail),
            _ => None,
        });
        let mut own: BTreeMap<usize, Vec<f64>> =
            own.into_iter().map(|(trail, ranges)| (trail, open_share(ranges))).collect();
        for trail in 0..n_trails {
            let Some(open) = own.remove(&trail).or_else(|| closures.area_open.clone()) else { continue };
            let passed = closures.passed[trail].share();
            closures.open[trail] = Some(open.iter().map(|open| left(*open, 1.0, passed)).collect());
        }
        for (effect, inside) in closures.effects.iter_mut().zip(&self.inside) {
            effect.less_on = match effect.closed {
                _ if inside.is_none() => Vec::new(),
                Closed::Area => (0..n_trails).collect(),
                Closed::Trail(trail) => vec![trail],
                Closed::Trailhead(_) | Closed::Nowhere => Vec::new(),
            };
        }
        closures
    }

    /// By what `of` takes from the targets, when it was closed in the period: by its own closures and those of the whole area.
    fn own(&self, of: impl Fn(Closed) -> Option<usize>) -> BTreeMap<usize, Vec<TimeRange>> {
        let mut own: BTreeMap<usize, Vec<TimeRange>> = BTreeMap::new();
        for (closed, inside) in self.targets.iter().zip(&self.inside) {
            if let (Some(target), Some(inside)) = (of(*closed), inside) {
                own.entry(target).or_insert_with(|| self.area.clone()).push(*inside);
            }
        }
        own
    }

    /// By cell the share of its time in which none of the ranges holds.
    fn open_cells(&self, ranges: Vec<TimeRange>) -> Vec<f64> {
        let closed = closed_shares(self.period, &self.cells, &local(&united(ranges), self.zone));
        closed.iter().map(|closed| 1.0 - closed).collect()
    }

    fn effect(&self, idx: usize, counters: &[Counter], counted: &[Vec<CountedTime>]) -> ClosureEffect {
        let closed = self.targets[idx];
        let inside = self.inside[idx];
        let counters = counters.iter().zip(counted).enumerate().filter_map(|(counter, (it, counted))| {
            let inside = inside?;
            let first = counted.partition_point(|time| time.range.to_s <= inside.from_s);
            let times = counted[first..].iter().take_while(|time| time.range.from_s < inside.to_s);
            let (mut n_readings, mut n_zero) = (0, 0);
            for time in times.filter(|time| reaches(closed, it.placements[time.placement].site, self.layer)) {
                n_readings += 1;
                n_zero += usize::from(time.is_zero);
            }
            (n_readings > 0).then_some(ClosedCounter { counter, n_readings, n_zero })
        });
        ClosureEffect {
            closed,
            is_in_period: inside.is_some(),
            counters: counters.collect(),
            less_on: Vec::new(),
        }
    }
}

fn local(ranges: &[TimeRange], zone: &TimeZone) -> Vec<(DateTime, DateTime)> {
    let at = |instant_s: i64| Timestamp::from_second(instant_s).ok().map(|instant| zone.to_datetime(instant));
    ranges.iter().filter_map(|range| Some((at(range.from_s)?, at(range.to_s)?))).collect()
}
