//! Courses: how the walking of a segment spreads over the months and hours where some of the time was closed.
//!
//! Where nothing was closed the walking of every segment follows one course, that of [`TimeShares`]. What is closed has another:
//! nobody walks while it is closed, and what is walked is walked at the other times. A course is told by the times that are open;
//! there is one for every closed trailhead with every closed trail that its walkers reach, over the union of what keeps them out.
//! A segment whose walkers come from several trailheads follows several courses, each with a share of its kilometres.
//!
//! Sums are made by course and never by segment and cell.

use std::borrow::Cow;

use jiff::civil::Date;

use crate::analysis::exposure::closures::{Closings, Openness};
use crate::analysis::exposure::time::{HOURS, StudyPeriod, TimeShares};

/// One course.
#[derive(Debug, Clone, PartialEq)]
struct Course {
    openness: Openness,
    /// By cell of the study period the share of what would be walked that is.
    open: Vec<f64>,
    /// The share of the walking of the whole study period that is left, by draw.
    kept: Vec<f64>,
}

impl Course {
    fn of(openness: Openness, period: &StudyPeriod, time: &TimeShares) -> Self {
        let open = openness.by_cell(period, &time.cells);
        // What was closed at other times alone keeps all of its walking, to the last digit.
        let kept = match open.iter().all(|open| *open == 1.0) {
            true => vec![1.0; time.n_draws],
            false => time.share_kept(&open),
        };
        Self { openness, open, kept }
    }
}

/// The courses of a network, and which of them each segment follows. The first is that of what is always open.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Courses {
    /// Empty where nothing was closed.
    courses: Vec<Course>,
    /// The parts of a segment lie from its place on to the next one's.
    starts: Vec<usize>,
    /// Courses with the share of the segment's party-kilometres that follows each.
    parts: Vec<(usize, f64)>,
}

impl Courses {
    /// Whether all walking follows the one common course: nothing was closed.
    pub fn is_plain(&self) -> bool {
        self.courses.is_empty()
    }

    /// How many courses there are, at least one.
    pub fn n_courses(&self) -> usize {
        self.courses.len().max(1)
    }

    /// The courses that a segment follows, with the share of its party-kilometres on each; they sum to 1.
    pub fn of(&self, segment: usize) -> &[(usize, f64)] {
        match self.is_plain() {
            true => &[(0, 1.0)],
            false => &self.parts[self.starts[segment]..self.starts[segment + 1]],
        }
    }

    /// The course that most of a segment's party-kilometres follow in the study period: the common one where what is closed is so at
    /// other times alone.
    pub fn main_of(&self, segment: usize) -> usize {
        let most = self.of(segment).iter().max_by(|one, other| one.1.total_cmp(&other.1));
        let is_closed = |course: &usize| {
            self.courses.get(*course).is_some_and(|it| it.open.iter().any(|open| *open < 1.0))
        };
        most.map(|(course, _)| *course).filter(is_closed).unwrap_or(0)
    }

    /// Kilometres by segment put together by group, then course; segments without a group stay out.
    pub fn split(
        &self,
        km: &[f64],
        n_groups: usize,
        group_of: impl Fn(usize) -> Option<usize>,
    ) -> Vec<Vec<f64>> {
        let mut sums = vec![vec![0.0; self.n_courses()]; n_groups];
        for (segment, km) in km.iter().enumerate() {
            let Some(group) = group_of(segment) else { continue };
            self.of(segment).iter().for_each(|(course, share)| sums[group][*course] += km * share);
        }
        sums
    }

    /// By cell the share of what would be walked on a course that is; none where it is all of it everywhere.
    fn open(&self, course: usize) -> Option<&[f64]> {
        self.courses.get(course).filter(|it| !it.openness.is_whole()).map(|it| it.open.as_slice())
    }

    /// By local hour of a day the share of what would be walked on a course that is.
    pub fn open_on(&self, course: usize, day: Date) -> [f64; HOURS] {
        self.courses.get(course).map_or([1.0; HOURS], |it| it.openness.on_day(day))
    }

    /// The share of what would be walked on a course over the study period that was, in one draw.
    pub fn kept(&self, course: usize, draw: usize) -> f64 {
        self.courses.get(course).map_or(1.0, |it| it.kept[draw % it.kept.len().max(1)])
    }

    /// The share of what would be walked on a course that is from now on, where closures without an end hold for good and all
    /// others are over.
    pub fn for_good(&self, course: usize) -> f64 {
        self.courses.get(course).map_or(1.0, |it| it.openness.for_good())
    }

    /// By cell what would be walked on a course if it were open, for each kilometre walked on it in the study period: the common
    /// course over what is left of it. Zeros where nothing is left.
    pub fn if_open<'a>(&self, time: &'a TimeShares, course: usize, draw: usize) -> Cow<'a, [f64]> {
        let shares = time.draw(draw);
        match (self.open(course), self.kept(course, draw)) {
            (None, _) => Cow::Borrowed(shares),
            (Some(_), kept) if kept > 0.0 => Cow::Owned(shares.iter().map(|share| share / kept).collect()),
            (Some(_), _) => Cow::Owned(vec![0.0; shares.len()]),
        }
    }

    /// By cell the shares of a course's walking in one draw; they sum to 1, or are zeros where nothing is left of it.
    pub fn shares<'a>(&self, time: &'a TimeShares, course: usize, draw: usize) -> Cow<'a, [f64]> {
        let mut shares = self.if_open(time, course, draw);
        if let Some(open) = self.open(course) {
            shares.to_mut().iter_mut().zip(open).for_each(|(share, open)| *share *= open);
        }
        shares
    }

    /// [`Self::if_open`], mean over the draws.
    pub fn mean_if_open(&self, time: &TimeShares, course: usize) -> Vec<f64> {
        let mut mean = vec![0.0; time.cells.n_cells()];
        for draw in 0..time.n_draws {
            let shares = self.if_open(time, course, draw);
            mean.iter_mut().zip(shares.iter()).for_each(|(sum, share)| *sum += share / time.n_draws as f64);
        }
        mean
    }

    /// [`Self::shares`], mean over the draws.
    pub fn mean_shares(&self, time: &TimeShares, course: usize) -> Vec<f64> {
        let mut mean = self.mean_if_open(time, course);
        if let Some(open) = self.open(course) {
            mean.iter_mut().zip(open).for_each(|(share, open)| *share *= open);
        }
        mean
    }
}

/// The courses of those who start at each trailhead and walk on each trail, before it is known who walks where.
#[derive(Debug)]
pub(crate) struct Ways {
    courses: Vec<Course>,
    /// By trailhead its class among the closed ones; 0 where it was never closed.
    head_class: Vec<usize>,
    n_head_classes: usize,
    trail_class: Vec<usize>,
    n_trail_classes: usize,
    /// The course of a class of trailheads and one of trails, index `head_class * n_trail_classes + trail_class`.
    course_of: Vec<usize>,
}

impl Ways {
    /// The courses of the closings, `at_head` and `on_trail` being the shares of those who walk all the same.
    pub(crate) fn new(
        closings: &Closings,
        (at_head, on_trail): (&[f64], &[f64]),
        period: &StudyPeriod,
        time: &TimeShares,
    ) -> Self {
        let area = Openness::closed(&closings.area, 0.0);
        let mut heads = vec![Openness::default()];
        let head_class = at_head.iter().enumerate().map(|(head, passed)| {
            let Some(spans) = closings.trailheads.get(&head) else { return 0 };
            heads.push(Openness::closed(spans, *passed));
            heads.len() - 1
        });
        let head_class: Vec<usize> = head_class.collect();
        let mut trails = vec![area];
        let trail_class = on_trail.iter().enumerate().map(|(trail, passed)| {
            let own = closings.trails.get(&trail);
            // Where the area is closed, too, it is known of a trail with a counter who walks all the same.
            if own.is_none() && (closings.area.is_empty() || *passed <= 0.0) {
                return 0;
            }
            let spans: Vec<_> = own.into_iter().flatten().chain(&closings.area).copied().collect();
            trails.push(Openness::closed(&spans, *passed));
            trails.len() - 1
        });
        let trail_class: Vec<usize> = trail_class.collect();
        let mut courses = vec![Course::of(Openness::default(), period, time)];
        let mut course_of = Vec::with_capacity(heads.len() * trails.len());
        for head in &heads {
            for trail in &trails {
                let openness = head.and(trail);
                course_of.push(match openness.is_whole() {
                    true => 0,
                    false => {
                        courses.push(Course::of(openness, period, time));
                        courses.len() - 1
                    }
                });
            }
        }
        let (n_head_classes, n_trail_classes) = (heads.len(), trails.len());
        Self { courses, head_class, n_head_classes, trail_class, n_trail_classes, course_of }
    }

    fn kept(&self, head_class: usize, trail_class: usize, draw: usize) -> f64 {
        self.courses[self.course_of[head_class * self.n_trail_classes + trail_class]].kept[draw]
    }

    /// The share of all walking that closures of the whole area leave.
    pub(crate) fn of_area(&self, draw: usize) -> f64 {
        self.kept(0, 0, draw)
    }

    /// Of those who would start at a trailhead while the area is open, the share that does.
    pub(crate) fn of_head(&self, head: usize, draw: usize) -> f64 {
        let (own, area) = (self.kept(self.head_class[head], 0, draw), self.of_area(draw));
        if area > 0.0 { (own / area).min(1.0) } else { 1.0 }
    }

    /// The share of starts at a trailhead that closures without an end go on leaving.
    pub(crate) fn head_for_good(&self, head: usize) -> f64 {
        self.courses[self.course_of[self.head_class[head] * self.n_trail_classes]].openness.for_good()
    }

    /// The share of a trail's walking that its closures and those of the whole area leave; none where nothing closes it.
    pub(crate) fn of_trail(&self, trail: usize, draw: usize) -> Option<f64> {
        let class = self.trail_class[trail];
        (self.course_of[class] != 0).then(|| self.kept(0, class, draw))
    }

    /// By trailhead, then trail, the share of the walking that is left in a draw.
    pub(crate) fn table(&self, draw: usize) -> Vec<f64> {
        let row = |head: &usize| {
            let head = *head;
            self.trail_class.iter().map(move |trail| self.kept(head, *trail, draw))
        };
        self.head_class.iter().flat_map(row).collect()
    }

    /// By trailhead the class of those who are kept out at the same times.
    pub(crate) fn head_classes(&self) -> (&[usize], usize) {
        (&self.head_class, self.n_head_classes)
    }

    /// The courses of the segments. `walked` has kilometres by class of trailheads, then segment; a segment that nobody walks has the
    /// course of its trail.
    pub(crate) fn courses(self, trail_of: &[usize], walked: &[f64]) -> Courses {
        let n_segments = trail_of.len();
        let mut number = vec![None; self.courses.len()];
        number[0] = Some(0);
        let mut used = vec![0];
        let (mut starts, mut parts) = (vec![0], Vec::with_capacity(n_segments));
        for (segment, trail) in trail_of.iter().enumerate() {
            let of_class = |class: usize| walked.get(class * n_segments + segment).copied().unwrap_or(0.0);
            let total: f64 = (0..self.n_head_classes).map(of_class).sum();
            let first = parts.len();
            for class in 0..self.n_head_classes {
                let share = match total > 0.0 {
                    true => of_class(class) / total,
                    false => f64::from(u8::from(class == 0)),
                };
                if share <= 0.0 {
                    continue;
                }
                let course = self.course_of[class * self.n_trail_classes + self.trail_class[*trail]];
                let course = *number[course].get_or_insert_with(|| {
                    used.push(course);
                    used.len() - 1
                });
                match parts[first..].iter_mut().find(|(known, _): &&mut (usize, f64)| *known == course) {
                    Some((_, sum)) => *sum += share,
                    None => parts.push((course, share)),
                }
            }
            starts.push(parts.len());
        }
        let mut courses: Vec<Option<Course>> = self.courses.into_iter().map(Some).collect();
        let courses = used.into_iter().filter_map(|course| courses[course].take()).collect();
        Courses { courses, starts, parts }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use jiff::civil::date;
    use rand_distr::{Distribution, Poisson};

    use super::*;
    use crate::analysis::exposure::time::TimeCells;
    use crate::analysis::random::stream;
    use crate::analysis::season::{self, Cells, Curve, Parts, Period, SeasonOutcome, SeasonParams};

    /// Kilometres that would be walked in three years if nothing were closed, on a trail that never is and on one that is.
    const OPEN_KM: [f64; 2] = [40_000.0, 120_000.0];
    /// Reports per kilometre at the common course.
    const RATES: [f64; 2] = [0.02, 0.06];

    fn period() -> StudyPeriod {
        StudyPeriod::new(date(2022, 1, 1), date(2024, 12, 31)).unwrap()
    }

    /// Most walk in July, from 8 to 18.
    fn walking() -> TimeShares {
        let cells = TimeCells::of(&period());
        let weight = |cell: usize| match cell % HOURS {
            8..18 => 1.0 + 0.8 * (TAU * ((cell / HOURS % 12) as f64 - 6.0) / 12.0).cos(),
            _ => 0.0,
        };
        let total: f64 = (0..cells.n_cells()).map(weight).sum();
        let shares = (0..cells.n_cells()).map(|cell| weight(cell) / total).collect();
        TimeShares { cells, n_draws: 1, shares }
    }

    /// The second trail is closed from May to July, when there are most snakes.
    fn closed(time: &TimeShares) -> Courses {
        let spring = |year: i16| (date(year, 5, 1).at(0, 0, 0, 0), date(year, 8, 1).at(0, 0, 0, 0));
        let closings =
            Closings { trails: [(1, (2022..2025).map(spring).collect())].into(), ..Closings::default() };
        Ways::new(&closings, (&[0.0], &[0.0; 2]), &period(), time).courses(&[0, 1], &[])
    }

    /// How frequent encounters are by month, as a multiple of their mean over the common course.
    fn truth(time: &TimeShares) -> Vec<f64> {
        let raw: Vec<f64> =
            (0..12).map(|month| (1.2 * (TAU * (f64::from(month) - 5.0) / 12.0).cos()).exp()).collect();
        let shares = time.draw(0).iter().enumerate();
        let mean: f64 = shares.map(|(cell, share)| share * raw[cell / HOURS % 12]).sum();
        raw.iter().map(|value| value / mean).collect()
    }

    fn fitted(groups: &[(Vec<f64>, Vec<u32>)], time: &TimeShares) -> Curve {
        let months = &time.cells.year_months;
        let period = |month: &crate::analysis::exposure::YearMonth| Period {
            year: i32::from(month.year),
            part: usize::from(month.month.unsigned_abs()) - 1,
            max_temperature_c: None,
        };
        let cells = Cells {
            parts: Parts::Months,
            periods: months.iter().map(period).collect(),
            group_levels: vec![0; groups.len()],
            counts: groups.iter().flat_map(|(_, counts)| counts.clone()).collect(),
            exposure: groups.iter().flat_map(|(km, _)| km.clone()).collect(),
        };
        let mut common = vec![0.0; 12 * HOURS];
        for (cell, share) in time.draw(0).iter().enumerate() {
            common[cell % (12 * HOURS)] += share;
        }
        let params = SeasonParams { n_draws: 20, ..SeasonParams::default() };
        match season::fit(&cells, &[], &params).unwrap() {
            SeasonOutcome::Estimated(fit) => fit.over(&common).curve(0).clone(),
            SeasonOutcome::NotEstimable(reason) => panic!("{reason:?}"),
        }
    }

    /// The greatest factor by which a curve is off in a month, at noon.
    fn off(curve: &Curve, truth: &[f64]) -> f64 {
        let by_hour = (8..18).map(|hour| curve.relative(5, hour)).sum::<f64>() / 10.0 / curve.relative(5, 12);
        let log = |(month, truth): (usize, &f64)| (curve.relative(month, 12) * by_hour / truth).ln().abs();
        truth.iter().enumerate().map(log).fold(0.0, f64::max).exp()
    }

    #[test]
    fn a_trail_closed_in_the_months_of_most_snakes_has_a_course_of_its_own() {
        let time = walking();
        let (courses, truth) = (closed(&time), truth(&time));
        let (own, common) = (courses.shares(&time, courses.main_of(1), 0), time.draw(0));
        assert_eq!((courses.of(0), courses.n_courses()), (&[(0, 1.0)][..], 2));
        assert!((own.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(
            (0..own.len())
                .all(|cell| (own[cell] == 0.0)
                    == (common[cell] == 0.0 || (4..7).contains(&(cell / HOURS % 12))))
        );
        let kept = courses.kept(courses.main_of(1), 0);
        let km = [OPEN_KM[0], OPEN_KM[1] * kept];
        let walked: Vec<Vec<f64>> = courses
            .split(&km, 2, Some)
            .iter()
            .map(|km| (0..own.len()).map(|cell| km[0] * common[cell] + km[1] * own[cell]).collect())
            .collect();
        for seed in [1, 2, 3] {
            let mut rng = stream(seed, 0);
            let counts: Vec<Vec<u32>> =
                (0..2)
                    .map(|trail| {
                        let cells = walked[trail].iter().enumerate();
                        let mean = cells.map(|(cell, km)| RATES[trail] * km * truth[cell / HOURS % 12]);
                        mean.map(|mean| {
                            if mean > 0.0 { Poisson::new(mean).unwrap().sample(&mut rng) as u32 } else { 0 }
                        })
                        .collect()
                    })
                    .collect();
            let both: Vec<u32> = counts[0].iter().zip(&counts[1]).map(|(one, other)| one + other).collect();
            let pooled: Vec<f64> = walked[0].iter().zip(&walked[1]).map(|(one, other)| one + other).collect();
            let on_common: Vec<f64> = common.iter().map(|share| share * (km[0] + km[1])).collect();
            let of_trails: Vec<_> = walked.iter().cloned().zip(counts.iter().cloned()).collect();
            let right = fitted(&of_trails, &time);
            let naive = fitted(&[(on_common, both.clone())], &time);
            let one_group = fitted(&[(pooled, both)], &time);
            let words = [&right, &naive, &one_group].map(|curve| off(curve, &truth));
            assert!(words[0] < 1.25, "seed {seed}: {words:?}");
            // On the common course the months in which it was closed look like months of few snakes, and in one group the trail of
            // few snakes that is open then stands for all.
            assert!(words[1] > 2.5 && words[2] > 1.5, "seed {seed}: {words:?}");

            let mean = |shares: &[f64]| -> f64 {
                let relative = |cell: usize| right.estimate[cell % (12 * HOURS)];
                shares.iter().enumerate().map(|(cell, share)| share * relative(cell)).sum()
            };
            let factor = mean(&own) / mean(common);
            let n: u32 = counts[1].iter().sum();
            let (with, without) = (f64::from(n) / (km[1] * factor), f64::from(n) / km[1]);
            assert!((with / RATES[1]).ln().abs() < 0.12, "seed {seed}: {with}");
            assert!(without < 0.65 * RATES[1], "seed {seed}: a trail of few snakes, it seems: {without}");
        }
    }
}
