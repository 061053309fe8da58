//! What closures do to walking: zeros that count, and trails that nobody counted on while they were closed.
//!
//! A closure reaches the counters that stand on its trail, at its trailhead, or, where it is of the whole area, everywhere: their
//! zeros inside are zeros, no outage. Walking that counters are fitted to knows the closure then. What they do not know is the
//! closed time in which none of them counted: of a trail's own closure those on the trail, of a closure of the whole area all of
//! them, since the walkers of all trails are fitted to all counts. By the share of the walking that would fall into that time the
//! trail's walking is less, however many closures cover it.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::analysis::exposure;
use crate::analysis::exposure::CountedTime;
use crate::analysis::exposure::Counter;
use crate::analysis::exposure::CounterClosure;
use crate::analysis::exposure::CounterSite;
use crate::analysis::exposure::ExposureParams;
use crate::analysis::exposure::Placement;
use crate::analysis::exposure::StudyPeriod;
use crate::analysis::exposure::TimeRange;
use crate::analysis::exposure::TimeShares;
use crate::analysis::exposure::closures::closed_shares;
use crate::analysis::exposure::closures::united;
use crate::analysis::exposure::closures::without;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::limits_of;
use crate::domain::closure::Closure;

/// A smaller share of a trail's walking is left alone: a reading that is missing here and there is no closed trail.
const LEAST_SHARE: f64 = 0.001;

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
    /// Counters whose readings of that time count.
    pub counters: Vec<ClosedCounter>,
    /// Trails, as indices, that were closed by it in the study period while no counter counted: their walking is less.
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
}

impl Closures {
    /// The share of its walking by which a trail has less, with 95 % limits: 0 where nothing was taken off.
    pub fn less_on(&self, trail: usize) -> Limits {
        match self.open.get(trail).and_then(Option::as_ref) {
            None => Limits { value: 0.0, lower: 0.0, upper: 0.0 },
            Some(open) => limits_of(&mut open.iter().map(|open| 1.0 - open).collect::<Vec<f64>>()),
        }
    }

    /// The mean share of a trail's walking that is left; 1 where nothing was taken off.
    pub fn mean_open(&self, trail: usize) -> f64 {
        let open = self.open.get(trail).and_then(Option::as_ref);
        open.map_or(1.0, |draws| draws.iter().sum::<f64>() / draws.len().max(1) as f64)
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
) -> Vec<CounterClosure> {
    let mut closures = Vec::new();
    for placement in placements {
        let stood = TimeRange { from_s: placement.from_s, to_s: placement.to_s.unwrap_or(i64::MAX) };
        let reached =
            facts.closures.iter().zip(targets).filter(|(_, it)| reaches(**it, placement.site, layer));
        closures.extend(reached.filter_map(|(closure, closed)| {
            let range = common(range(closure), stood)?;
            Some(CounterClosure { range, is_of_area: *closed == Closed::Area })
        }));
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
        Closed::Trail(trail) => counts_on(trail, site, layer),
        Closed::Trailhead(head) => {
            matches!(site, CounterSite::Vertex(vertex) if layer.trailhead_vertices[head] == Some(vertex))
        }
        Closed::Nowhere => false,
    }
}

/// Whether a counter counts those on a trail and nobody else: on one of its segments, or at an end from which only it leads on.
fn counts_on(trail: usize, site: CounterSite, layer: &NetworkLayer) -> bool {
    let is_of_trail = |segment: usize| layer.network.segments[segment].trail_idx == trail;
    match site {
        CounterSite::Segment(segment) => is_of_trail(segment),
        CounterSite::Vertex(vertex) => {
            let at = layer.network.graph().at(vertex);
            !at.is_empty() && at.iter().all(|incident| is_of_trail(incident.edge))
        }
        CounterSite::Place(_) => false,
    }
}

/// What closures meet: the counters, their readings inside, and the days looked at.
struct Ground<'a> {
    facts: &'a Facts,
    layer: &'a NetworkLayer,
    counters: &'a [Counter],
    /// By counter, its readings inside its closures.
    counted: Vec<Vec<CountedTime>>,
    targets: Vec<Closed>,
    /// The study period.
    period: TimeRange,
}

/// What the closures did, and the share of its walking that each trail is left with.
///
/// # Errors
/// [`DeriveError::Internal`] when the study period is out of the range of instants.
pub(super) fn effects(
    (facts, layer): (&Facts, &NetworkLayer),
    (counters, params): (&[Counter], &ExposureParams),
    (period, zone): (&StudyPeriod, &TimeZone),
    time: &TimeShares,
) -> Result<Closures, DeriveError> {
    let n_trails = layer.network.trails.len();
    if facts.closures.is_empty() {
        return Ok(Closures { effects: Vec::new(), open: vec![None; n_trails] });
    }
    let midnight = |day: jiff::civil::Date| {
        zone.to_timestamp(day.at(0, 0, 0, 0)).map(Timestamp::as_second).map_err(DeriveError::internal)
    };
    let after = period.last().tomorrow().map_err(DeriveError::internal)?;
    let ground = Ground {
        facts,
        layer,
        counters,
        counted: counters.iter().map(|it| exposure::counted_while_closed(it, params)).collect(),
        targets: targets(facts, layer),
        period: TimeRange { from_s: midnight(period.first())?, to_s: midnight(after)? },
    };
    let mut effects: Vec<ClosureEffect> = (0..facts.closures.len()).map(|idx| ground.effect(idx)).collect();
    let seen_of_area = ground.seen_of_area();
    let mut open = vec![None; n_trails];
    let mean = time.mean();
    // By cell what was closed, and its mean share of all walking.
    let weighed = |ranges: &[TimeRange]| {
        let closed = closed_shares(period, &time.cells, &local(ranges, zone));
        let share: f64 = closed.iter().zip(&mean).map(|(closed, share)| closed * share).sum();
        (closed, share)
    };
    for (trail, open) in open.iter_mut().enumerate() {
        let unseen = ground.unseen(trail, &seen_of_area);
        let (closed, share) = weighed(&unseen);
        if share < LEAST_SHARE {
            continue;
        }
        let kept: Vec<f64> = closed.iter().map(|closed| 1.0 - closed).collect();
        *open = Some(time.share_kept(&kept));
        for idx in ground.of_trail(trail) {
            let of_it = range(&facts.closures[idx]);
            let part: Vec<TimeRange> = unseen.iter().filter_map(|it| common(*it, of_it)).collect();
            if weighed(&part).1 >= LEAST_SHARE {
                effects[idx].less_on.push(trail);
            }
        }
    }
    Ok(Closures { effects, open })
}

impl Ground<'_> {
    fn effect(&self, idx: usize) -> ClosureEffect {
        let closed = self.targets[idx];
        let inside = self.in_period(idx);
        let counters =
            self.counters.iter().zip(&self.counted).enumerate().filter_map(|(counter, (it, counted))| {
                let inside = inside?;
                let is_there = |time: &&CountedTime| {
                    reaches(closed, it.placements[time.placement].site, self.layer)
                        && common(time.range, inside).is_some()
                };
                let n_readings = counted.iter().filter(is_there).count();
                let n_zero = counted.iter().filter(is_there).filter(|time| time.is_zero).count();
                (n_readings > 0).then_some(ClosedCounter { counter, n_readings, n_zero })
            });
        ClosureEffect {
            closed,
            is_in_period: inside.is_some(),
            counters: counters.collect(),
            less_on: Vec::new(),
        }
    }

    /// The closures of a trail, those of the whole area with them.
    fn of_trail(&self, trail: usize) -> impl Iterator<Item = usize> {
        let is_of_it = move |closed: &Closed| *closed == Closed::Area || *closed == Closed::Trail(trail);
        let of_it = self.targets.iter().enumerate().filter(move |(_, closed)| is_of_it(closed));
        of_it.map(|(idx, _)| idx)
    }

    /// When a trail was closed in the study period while no counter counted that knows it.
    fn unseen(&self, trail: usize, seen_of_area: &[TimeRange]) -> Vec<TimeRange> {
        let closed = united(self.of_trail(trail).filter_map(|idx| self.in_period(idx)).collect());
        if closed.is_empty() {
            return closed;
        }
        let on_trail = self.counters.iter().zip(&self.counted).flat_map(|(counter, counted)| {
            let here =
                |it: &&CountedTime| counts_on(trail, counter.placements[it.placement].site, self.layer);
            counted.iter().filter(here).map(|it| it.range)
        });
        without(&closed, &united(on_trail.chain(seen_of_area.iter().copied()).collect()))
    }

    /// When the whole area was closed in the study period and some counter counted.
    fn seen_of_area(&self) -> Vec<TimeRange> {
        let of_area = self.targets.iter().enumerate().filter(|(_, closed)| **closed == Closed::Area);
        let area = united(of_area.filter_map(|(idx, _)| self.in_period(idx)).collect());
        let anywhere = united(self.counted.iter().flatten().map(|it| it.range).collect());
        without(&area, &without(&area, &anywhere))
    }

    fn in_period(&self, idx: usize) -> Option<TimeRange> {
        common(range(&self.facts.closures[idx]), self.period)
    }
}

fn local(ranges: &[TimeRange], zone: &TimeZone) -> Vec<(DateTime, DateTime)> {
    let at = |instant_s: i64| Timestamp::from_second(instant_s).ok().map(|instant| zone.to_datetime(instant));
    ranges.iter().filter_map(|range| Some((at(range.from_s)?, at(range.to_s)?))).collect()
}
