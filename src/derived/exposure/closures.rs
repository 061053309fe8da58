//! What closures do to walking: they are taken off where people were kept out, and zeros inside them are no outage.
//!
//! A closure reaches every counter that counts some of those whom it keeps out, wherever it stands (`analysis::exposure::kept_out`):
//! what was counted inside is in no level, since levels are of the open time, so that a counter that stood there for a few days,
//! some of them closed, speaks of the open ones. Every closure is then taken off, whether or not a counter counted, of the
//! months, days and hours into which it falls (`analysis::exposure::courses`), over the union of all that keep a walker out. Some
//! people walk all the same: of the closed share that part is left which counters that count mostly them counted in closed time, of
//! what the fit expects there, others taken off.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::analysis::exposure;
use crate::analysis::exposure::Closings;
use crate::analysis::exposure::CountedTime;
use crate::analysis::exposure::Counter;
use crate::analysis::exposure::CounterSite;
use crate::analysis::exposure::ExposureField;
use crate::analysis::exposure::ExposureParams;
use crate::analysis::exposure::KeptOut;
use crate::analysis::exposure::Passed;
use crate::analysis::exposure::Placement;
use crate::analysis::exposure::Shut;
use crate::analysis::exposure::Span;
use crate::analysis::exposure::StudyPeriod;
use crate::analysis::exposure::TimeRange;
use crate::analysis::exposure::closures::only_trail;
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
    /// Counters that counted in it, of those that count mostly people whom it keeps out.
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

/// What all closures did.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Closures {
    /// In the order of the facts' closures.
    pub effects: Vec<ClosureEffect>,
    /// By trail the share of its walking that is left, draw by draw; none where nothing was taken off.
    pub open: Vec<Option<Vec<f64>>>,
    /// By trail what counters counted of its walkers while it was closed.
    pub passed: Vec<Passed>,
    /// By trailhead of the facts what counters counted of those who start there while it was closed.
    pub passed_heads: Vec<Passed>,
    /// The share of all who come that closures of the whole area leave, draw by draw; none where it was never closed.
    pub area_open: Option<Vec<f64>>,
    /// By trailhead of the facts the share of its starts that is left, draw by draw; none where it was never closed.
    pub head_open: Vec<Option<Vec<f64>>>,
    /// By counter of the facts when most of those whom it counts were kept out, wherever it stood.
    pub at_counters: Vec<Vec<TimeRange>>,
    /// By counter when fewer of them were kept out.
    pub beside_counters: Vec<Vec<TimeRange>>,
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

/// The closures of a counter that stood at these places, each for as long as it stood there: those that keep out everybody there,
/// whoever walks, as it can be told before anything is known of walkers. Here a run of zeros is no end of the days counted.
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
        Closed::Trail(trail) => {
            let trail_of = |segment: usize| layer.network.segments[segment].trail_idx;
            only_trail(layer.network.graph(), trail_of, site) == Some(trail)
        }
        Closed::Trailhead(head) => {
            matches!(site, CounterSite::Vertex(vertex) if layer.trailhead_vertices[head] == Some(vertex))
        }
        Closed::Nowhere => false,
    }
}

/// The closures on the days looked at.
pub(super) struct Ground<'a> {
    facts: &'a Facts,
    layer: &'a NetworkLayer,
    targets: Vec<Closed>,
    /// By closure what of it lies in the study period.
    inside: Vec<Option<TimeRange>>,
    /// The first instant of the study period.
    first_s: i64,
    zone: &'a TimeZone,
}

impl<'a> Ground<'a> {
    /// # Errors
    /// [`DeriveError::Internal`] when the study period is out of the range of instants.
    pub(super) fn new(
        (facts, layer): (&'a Facts, &'a NetworkLayer),
        targets: Vec<Closed>,
        (period, zone): (&StudyPeriod, &'a TimeZone),
    ) -> Result<Self, DeriveError> {
        let midnight = |day: jiff::civil::Date| {
            zone.to_timestamp(day.at(0, 0, 0, 0)).map(Timestamp::as_second).map_err(DeriveError::internal)
        };
        let after = period.last().tomorrow().map_err(DeriveError::internal)?;
        let days = TimeRange { from_s: midnight(period.first())?, to_s: midnight(after)? };
        let inside: Vec<Option<TimeRange>> =
            facts.closures.iter().map(|closure| common(range(closure), days)).collect();
        Ok(Self { facts, layer, targets, inside, first_s: days.from_s, zone })
    }

    /// When people were not to walk from the first day looked at on; `kept` are the trailheads on the network, as indices into the
    /// facts'.
    pub(super) fn closings(&self, kept: &[usize]) -> Closings {
        let mut closings = Closings::default();
        for (closure, target) in self.facts.closures.iter().zip(&self.targets) {
            let Some(span) = self.span(closure) else { continue };
            match *target {
                Closed::Area => closings.area.push(span),
                Closed::Trail(trail) => closings.trails.entry(trail).or_default().push(span),
                Closed::Trailhead(head) => {
                    if let Some(index) = kept.iter().position(|it| *it == head) {
                        closings.trailheads.entry(index).or_default().push(span);
                    }
                }
                Closed::Nowhere => {}
            }
        }
        closings
    }

    /// The local times of a closure; none where all of it lies before the days looked at.
    fn span(&self, closure: &Closure) -> Option<Span> {
        let range = range(closure);
        let at = |instant_s: i64| {
            let instant = Timestamp::from_second(instant_s).ok()?;
            Some(self.zone.to_datetime(instant))
        };
        let is_past = range.to_s <= self.first_s;
        (!is_past)
            .then(|| (at(range.from_s).unwrap_or(DateTime::MIN), at(range.to_s).unwrap_or(DateTime::MAX)))
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
        for (head, open) in kept.iter().zip(&field.open.heads) {
            head_open[*head].clone_from(open);
        }
        let mut passed_heads = vec![Passed::default(); self.facts.trailheads.len()];
        for (head, passed) in kept.iter().zip(&field.open.passed_heads) {
            passed_heads[*head] = *passed;
        }
        let mut closures = Closures {
            effects: Vec::new(),
            open: field.open.trails.clone(),
            passed: field.open.passed.clone(),
            area_open: field.open.area.clone(),
            head_open,
            passed_heads,
            at_counters: self.times_at(&field.kept_out, |it| it.is_most()),
            beside_counters: self.times_at(&field.kept_out, |it| !it.is_most()),
        };
        if self.facts.closures.is_empty() {
            return closures;
        }
        let times: Vec<TimeRange> = self.inside.iter().flatten().copied().collect();
        let counted: Vec<Vec<CountedTime>> =
            counters.iter().map(|it| exposure::counted_within(it, &times, params)).collect();
        let effect = |idx| self.effect(idx, &counted, (kept, &field.kept_out));
        closures.effects = (0..self.targets.len()).map(effect).collect();
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

    /// By counter when some closings held, wherever it stood.
    fn times_at(
        &self,
        kept_out: &[Vec<Vec<KeptOut>>],
        is_one: impl Fn(&KeptOut) -> bool,
    ) -> Vec<Vec<TimeRange>> {
        let of = |placements: &Vec<Vec<KeptOut>>| -> Vec<TimeRange> {
            let closings = placements.iter().flatten().filter(|it| is_one(it));
            closings.flat_map(|it| self.instants(&it.spans)).collect()
        };
        kept_out.iter().map(of).collect()
    }

    /// The instants of some local times; of an hour that comes twice all of it.
    fn instants(&self, spans: &[Span]) -> Vec<TimeRange> {
        let at = |local: DateTime, none: i64| {
            let instant = self.zone.to_ambiguous_timestamp(local).compatible();
            instant.map_or(none, Timestamp::as_second)
        };
        spans
            .iter()
            .map(|(from, to)| TimeRange { from_s: at(*from, i64::MIN), to_s: at(*to, i64::MAX) })
            .collect()
    }

    /// `kept` are the trailheads on the network, `kept_out` what closings keep from each counter.
    fn effect(
        &self,
        idx: usize,
        counted: &[Vec<CountedTime>],
        (kept, kept_out): (&[usize], &[Vec<Vec<KeptOut>>]),
    ) -> ClosureEffect {
        let closed = self.targets[idx];
        let inside = self.inside[idx];
        let shut = match closed {
            Closed::Area => Some(Shut::Area),
            Closed::Trail(trail) => Some(Shut::Trail(trail)),
            Closed::Trailhead(head) => kept.iter().position(|it| *it == head).map(Shut::Trailhead),
            Closed::Nowhere => None,
        };
        // Of counters that count mostly others a closure tells nothing.
        let tells = |at: &[KeptOut]| at.iter().any(|it| Some(it.shut) == shut && it.is_most());
        let counters =
            counted.iter().zip(kept_out).enumerate().filter_map(|(counter, (counted, kept_out))| {
                let inside = inside?;
                let first = counted.partition_point(|time| time.range.to_s <= inside.from_s);
                let times = counted[first..].iter().take_while(|time| time.range.from_s < inside.to_s);
                let (mut n_readings, mut n_zero) = (0, 0);
                for time in times.filter(|time| tells(&kept_out[time.placement])) {
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
