//! Whom closures keep from a counter: of those it would count where it stands, those who walk on what is closed or start there.
//!
//! A counter far from a closed trailhead still counts fewer while it is closed, by the share of its passages that come from there.
//! So every closing is held against every site at which a counter stood, and a bin is told by what of it was closed meanwhile.

use crate::analysis::exposure::closures::{Closings, Passed, Span};
use crate::analysis::exposure::model::Whom;

/// What can be closed, as far as walkers are concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shut {
    /// The whole area.
    Area,
    /// Those who start at a trailhead, by its index.
    Trailhead(usize),
    /// A trail, by its index.
    Trail(usize),
}

impl Shut {
    /// Whether it keeps out those of a trailhead who walk on a trail.
    pub fn hits(self, head: usize, trail: usize) -> bool {
        match self {
            Self::Area => true,
            Self::Trailhead(it) => it == head,
            Self::Trail(it) => it == trail,
        }
    }
}

/// A closing that keeps out some of those whom a counter at one site counts.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptOut {
    /// What is closed.
    pub shut: Shut,
    /// When, in order; none overlaps another.
    pub spans: Vec<Span>,
    /// The share of the passages there that it keeps out, as the stated priors have it.
    pub share: f64,
}

impl KeptOut {
    /// Whether it keeps out most of those who pass there: then zeros are no outage, and what is counted speaks of those who walk all
    /// the same.
    pub fn is_most(&self) -> bool {
        self.share >= MOST
    }
}

/// A closing that keeps out a smaller share of a counter's passages than this changes nothing there: its bins stay as they are.
const LEAST_SHARE: f64 = 0.02;
/// From this share on a closing keeps out most of them.
const MOST: f64 = 0.5;

/// What keeps out some of those who pass a site.
pub(crate) fn kept_out(closings: &Closings, whom: &Whom) -> Vec<KeptOut> {
    let heads = closings.trailheads.iter().map(|(head, spans)| (Shut::Trailhead(*head), spans));
    let trails = closings.trails.iter().map(|(trail, spans)| (Shut::Trail(*trail), spans));
    let area = (!closings.area.is_empty()).then_some((Shut::Area, &closings.area));
    area.into_iter()
        .chain(heads)
        .chain(trails)
        .map(|(shut, spans)| {
            let share = whom.share(|head, trail| shut.hits(head, trail));
            // Where nobody is expected at all, as at a place, all who come are kept out with the area.
            let share = if shut == Shut::Area { 1.0 } else { share };
            KeptOut { shut, spans: merged(spans), share }
        })
        .filter(|it| it.share >= LEAST_SHARE)
        .collect()
}

/// The same times in order, those that touch put together.
pub(crate) fn merged(spans: &[Span]) -> Vec<Span> {
    let mut spans: Vec<Span> = spans.iter().copied().filter(|(from, to)| from < to).collect();
    spans.sort_unstable();
    let mut apart: Vec<Span> = Vec::new();
    for (from, to) in spans {
        match apart.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => apart.push((from, to)),
        }
    }
    apart
}

/// What was closed while a bin was counted, for those whom the counter counts.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct State {
    /// What was closed in the bin or in a part of it.
    pub shut: Vec<Shut>,
    /// Whether all of it was closed in the whole bin: else nobody knows when in the bin people came.
    pub is_whole: bool,
}

impl State {
    /// Nothing was closed.
    pub const OPEN: Self = Self { shut: Vec::new(), is_whole: true };

    /// What of a site's closings holds from one local time to another.
    pub(crate) fn of(kept_out: &[KeptOut], (from, to): Span) -> Self {
        let mut state = Self::OPEN;
        for it in kept_out {
            let first = it.spans.partition_point(|span| span.1 <= from);
            let Some(span) = it.spans.get(first).filter(|span| span.0 < to) else { continue };
            state.shut.push(it.shut);
            state.is_whole &= span.0 <= from && to <= span.1;
        }
        state
    }

    /// Whether nothing was closed.
    pub fn is_open(&self) -> bool {
        self.shut.is_empty() && self.is_whole
    }
}

/// A state of a counter at one site, with how many of those it counts were kept out.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteState {
    /// What was closed.
    pub state: State,
    /// The share of the passages there that were kept out, at most 1.
    pub share: f64,
}

impl SiteState {
    /// The open time, the first state of every site.
    pub(crate) const OPEN: Self = Self { state: State::OPEN, share: 0.0 };

    pub(crate) fn of(state: State, kept_out: &[KeptOut]) -> Self {
        let share: f64 = kept_out.iter().filter(|it| state.shut.contains(&it.shut)).map(|it| it.share).sum();
        Self { state, share: share.min(1.0) }
    }

    /// Whether most of them were kept out.
    pub(crate) fn keeps_out_most(&self) -> bool {
        self.share >= MOST
    }

    /// Whether what was counted tells when people walk: it is known what was closed, and most of them were not kept out.
    pub(crate) fn speaks(&self) -> bool {
        self.state.is_whole && !self.keeps_out_most()
    }
}

/// The share of those who walk all the same at each trailhead and on each trail.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct AllTheSame {
    pub(crate) at_head: Vec<Passed>,
    pub(crate) on_trail: Vec<Passed>,
}

impl AllTheSame {
    /// Nothing is known, and nobody does.
    pub(crate) fn nobody(n_heads: usize, n_trails: usize) -> Self {
        Self { at_head: vec![Passed::default(); n_heads], on_trail: vec![Passed::default(); n_trails] }
    }

    /// What is left in a state of those of a trailhead who walk on a trail: no more than the stricter of both lets through.
    pub(crate) fn left(&self, state: &State, head: usize, trail: usize) -> f64 {
        let of = |shut: &Shut| match *shut {
            Shut::Area => self.on_trail[trail].share(),
            Shut::Trailhead(it) if it == head => self.at_head[head].share(),
            Shut::Trail(it) if it == trail => self.on_trail[trail].share(),
            Shut::Trailhead(_) | Shut::Trail(_) => 1.0,
        };
        state.shut.iter().map(of).fold(1.0, f64::min)
    }

    pub(crate) fn shares(&self) -> (Vec<f64>, Vec<f64>) {
        let shares = |of: &[Passed]| of.iter().map(|it| it.share()).collect();
        (shares(&self.at_head), shares(&self.on_trail))
    }

    fn is_nobody(&self) -> bool {
        self.at_head.iter().chain(&self.on_trail).all(|it| it.share() <= 0.0)
    }
}

/// Passages that one counter counted in one state.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ClosedCount<'a> {
    pub(crate) state: &'a State,
    pub(crate) counted: f64,
    /// The share of the study period's walkers that it was there to count in that state if all were open.
    pub(crate) share: f64,
    /// Whom its device would count over the whole study period, as the fit has it.
    pub(crate) whom: &'a Whom,
}

/// One thing of which it is asked who walks there all the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Asked {
    Head(usize),
    Trail(usize),
}

/// Who walks all the same, from what was counted in bins that lie wholly in closures.
///
/// A counter tells of a trailhead or trail where most of its passages are of it; what the fit expects of all others is taken off its
/// count. While several things are closed that it would count, it says of none alone who passed: such times tell only where no
/// others do, and then the same of each. What was counted while the whole area was closed tells of the trail it was counted on.
pub(crate) fn all_the_same((n_heads, n_trails): (usize, usize), counts: &[ClosedCount<'_>]) -> AllTheSame {
    let mut alone = AllTheSame::nobody(n_heads, n_trails);
    let mut together = alone.clone();
    for it in counts.iter().filter(|it| it.state.is_whole && !it.state.is_open() && it.share > 0.0) {
        let all = it.whom.sum(|_, _| true);
        let hits = |head: usize, trail: usize| it.state.shut.iter().any(|shut| shut.hits(head, trail));
        let own = it.whom.sum(hits);
        if own <= 0.0 {
            continue;
        }
        let passed = Passed { counted: it.counted, others: (all - own) * it.share, expected: own * it.share };
        let tells = |of: f64| of >= MOST * all;
        let on = |trail: usize| it.whom.sum(|_, its| its == trail);
        let mut asked: Vec<Option<Asked>> = Vec::new();
        for shut in &it.state.shut {
            let of = match *shut {
                Shut::Trailhead(head) => {
                    tells(it.whom.sum(|its, _| its == head)).then_some(Asked::Head(head))
                }
                Shut::Trail(trail) => tells(on(trail)).then_some(Asked::Trail(trail)),
                Shut::Area => (0..n_trails).find(|trail| tells(on(*trail))).map(Asked::Trail),
            };
            if !asked.contains(&of) {
                asked.push(of);
            }
        }
        let sums = if asked.len() == 1 { &mut alone } else { &mut together };
        for asked in asked.into_iter().flatten() {
            match asked {
                Asked::Head(head) => sums.at_head[head].add(passed),
                Asked::Trail(trail) => sums.on_trail[trail].add(passed),
            }
        }
    }
    let either = |alone: Vec<Passed>, together: Vec<Passed>| {
        let pairs = alone.into_iter().zip(together);
        pairs.map(|(alone, together)| if alone.expected > 0.0 { alone } else { together }).collect()
    };
    AllTheSame {
        at_head: either(alone.at_head, together.at_head),
        on_trail: either(alone.on_trail, together.on_trail),
    }
}

/// By trailhead, then trail, what is left of an observation's passages over the states it was counted in; none where nothing was
/// closed then. `parts` are states with their shares of the study period.
pub(crate) fn left_of(
    parts: &[(&State, f64)],
    passed: &AllTheSame,
    (n_heads, n_trails): (usize, usize),
) -> Option<Vec<f64>> {
    let total: f64 = parts.iter().map(|(_, share)| share).sum();
    if total <= 0.0 || parts.iter().all(|(state, _)| state.is_open()) {
        return None;
    }
    let left = |head: usize, trail: usize| -> f64 {
        parts.iter().map(|(state, share)| share * passed.left(state, head, trail)).sum::<f64>() / total
    };
    let heads = 0..n_heads;
    Some(
        heads
            .flat_map(|head| (0..n_trails).map(move |trail| (head, trail)))
            .map(|(h, t)| left(h, t))
            .collect(),
    )
}

/// Whether another fit with those who walk all the same would be another one.
pub(crate) fn asks_again(passed: &AllTheSame, has_left: bool) -> bool {
    has_left && !passed.is_nobody()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    /// A hundred passages from the first trailhead and as many from the second, all on one trail.
    fn halves() -> Whom {
        Whom::of(vec![(0, 0, 100.0), (1, 0, 100.0)])
    }

    fn shut(shut: &[Shut]) -> State {
        State { shut: shut.to_vec(), is_whole: true }
    }

    fn told(counts: &[(&State, f64, f64, &Whom)]) -> AllTheSame {
        let counts: Vec<ClosedCount<'_>> = counts
            .iter()
            .map(|(state, counted, share, whom)| ClosedCount {
                state,
                counted: *counted,
                share: *share,
                whom,
            })
            .collect();
        all_the_same((2, 2), &counts)
    }

    #[test]
    fn those_of_another_trailhead_walk_on_and_are_no_sign_of_those_kept_out() {
        // In half of the period 50 come from the open trailhead; of the 50 of the closed one, none or ten.
        let (state, whom) = (shut(&[Shut::Trailhead(0)]), halves());
        let share = |counted: f64| told(&[(&state, counted, 0.5, &whom)]).at_head[0].share();
        assert_eq!((share(50.0), share(60.0), share(40.0), share(400.0)), (0.0, 0.2, 0.0, 1.0));
        // The naive share, counted over all that is expected, keeps half of those who were kept out.
        assert_eq!(Passed { counted: 50.0, others: 0.0, expected: 100.0 }.share(), 0.5);
        assert_eq!(told(&[(&state, 60.0, 0.5, &whom)]).on_trail[0], Passed::default());
    }

    #[test]
    fn each_thing_is_told_of_by_its_own_closure() {
        let whom = Whom::of(vec![(0, 0, 100.0)]);
        let (head, trail) = (shut(&[Shut::Trailhead(0)]), shut(&[Shut::Trail(0)]));
        let both = shut(&[Shut::Trailhead(0), Shut::Trail(0)]);
        // A tenth starts while the trailhead is closed, and nobody walks while the trail is.
        let found = told(&[(&head, 1.0, 0.1, &whom), (&trail, 0.0, 0.2, &whom), (&both, 9.0, 0.1, &whom)]);
        assert_eq!((found.at_head[0].share(), found.on_trail[0].share()), (0.1, 0.0));
        assert_eq!(found.left(&both, 0, 0), 0.0);
        assert_eq!((found.left(&head, 0, 0), found.left(&head, 1, 1)), (0.1, 1.0));
        // Where both were closed at all times, that is all there is.
        let found = told(&[(&both, 5.0, 0.1, &whom)]);
        assert_eq!((found.at_head[0].share(), found.on_trail[0].share()), (0.5, 0.5));
        assert_eq!(found.left(&both, 0, 0), 0.5);
        // The whole area and the trail are one question, and a bin that is closed in part answers none.
        let area = shut(&[Shut::Area, Shut::Trail(0)]);
        assert_eq!(told(&[(&area, 4.0, 0.1, &whom)]).on_trail[0].share(), 0.4);
        let partly = State { is_whole: false, ..trail.clone() };
        assert_eq!(told(&[(&partly, 5.0, 0.1, &whom)]), AllTheSame::nobody(2, 2));
    }

    #[test]
    fn a_counter_that_counts_few_of_them_tells_nothing_of_them() {
        let whom = Whom::of(vec![(0, 0, 30.0), (1, 0, 70.0)]);
        let state = shut(&[Shut::Trailhead(0)]);
        assert_eq!(told(&[(&state, 80.0, 1.0, &whom)]), AllTheSame::nobody(2, 2));
        let closings = Closings {
            trailheads: [(0, vec![span(1, 11)]), (1, vec![span(5, 8), span(1, 5)])].into(),
            ..Closings::default()
        };
        let kept = kept_out(&closings, &whom);
        assert_eq!(kept.iter().map(|it| it.is_most()).collect::<Vec<_>>(), [false, true]);
        assert_eq!(kept[1].spans, [span(1, 8)]);
        let rare = Whom::of(vec![(0, 0, 1.0), (1, 0, 99.0)]);
        assert_eq!(kept_out(&closings, &rare).len(), 1, "one in a hundred changes nothing");
    }

    fn span(from: i8, to: i8) -> Span {
        (date(2024, 5, from).at(0, 0, 0, 0), date(2024, 5, to).at(0, 0, 0, 0))
    }

    #[test]
    fn a_bin_is_closed_whole_in_part_or_not_at_all() {
        let closings = Closings { trails: [(0, vec![span(3, 13)])].into(), ..Closings::default() };
        let kept = kept_out(&closings, &Whom::of(vec![(0, 0, 1.0)]));
        let of = |from, to| State::of(&kept, span(from, to));
        assert!(of(1, 3).is_open() && of(13, 14).is_open());
        assert_eq!(of(3, 10), shut(&[Shut::Trail(0)]));
        assert_eq!(of(10, 17), State { shut: vec![Shut::Trail(0)], is_whole: false });
        let all = SiteState::of(of(3, 10), &kept);
        assert!(!all.speaks() && all.share == 1.0 && SiteState::OPEN.speaks());
    }

    #[test]
    fn what_is_left_is_weighed_by_the_time_in_each_state() {
        let passed = told(&[(&shut(&[Shut::Trail(1)]), 1.0, 0.1, &Whom::of(vec![(0, 1, 100.0)]))]);
        let closed = shut(&[Shut::Trail(1)]);
        let left = left_of(&[(&State::OPEN, 0.3), (&closed, 0.1)], &passed, (2, 2)).unwrap();
        let on_closed = 0.75 + 0.25 * 0.1;
        assert!((left[1] - on_closed).abs() < 1e-12 && (left[3] - on_closed).abs() < 1e-12, "{left:?}");
        assert_eq!((left[0], left[2]), (1.0, 1.0));
        assert_eq!(left_of(&[(&State::OPEN, 0.3)], &passed, (2, 2)), None);
    }
}
