//! When to expect most encounters: the shortest stretches of the year that hold a chosen share of them.

use crate::analysis::season::Curve;
use crate::analysis::season::SeasonError;

/// How many runs of parts a window may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Runs {
    /// A single run.
    One,
    /// A second run where that makes the window shorter, as for spring and autumn.
    UpToTwo,
}

/// A run of parts of the year; it may pass the end of the year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Run {
    /// First part.
    pub start: usize,
    /// Number of parts, at least 1.
    pub length: usize,
}

impl Run {
    /// The last part of the run in a year of `n_parts`.
    pub fn last(&self, n_parts: usize) -> usize {
        (self.start + self.length - 1) % n_parts
    }

    /// Whether the run holds a part, in a year of `n_parts`.
    pub fn contains(&self, part: usize, n_parts: usize) -> bool {
        (part + n_parts - self.start) % n_parts < self.length
    }
}

/// The parts of the year that hold a share of the expected encounters.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// One or two runs, in order of their first part.
    pub runs: Vec<Run>,
    /// The share that they hold: at least the share asked for.
    pub share: f64,
    /// Parts in the year.
    pub n_parts: usize,
}

impl Window {
    /// Number of parts in the window.
    pub fn length(&self) -> usize {
        self.runs.iter().map(|run| run.length).sum()
    }

    /// Whether the window holds a part.
    pub fn contains(&self, part: usize) -> bool {
        self.runs.iter().any(|run| run.contains(part, self.n_parts))
    }
}

/// The shortest window holding at least `share` of what is expected by part of the year.
///
/// Of several as short, the one holding most; runs that touch are one run. `expected` holds non-negative figures in any
/// unit, `share` lies in (0, 1]. Returns `None` when nothing is expected at all.
///
/// # Errors
/// [`SeasonError::Value`] for a share outside (0, 1] or an expectation that is negative or not finite.
pub fn shortest_window(expected: &[f64], share: f64, runs: Runs) -> Result<Option<Window>, SeasonError> {
    if !(share > 0.0 && share <= 1.0) {
        return Err(SeasonError::Value { what: "share of window", index: 0, value: share });
    }
    if let Some(index) = expected.iter().position(|value| !(value.is_finite() && *value >= 0.0)) {
        return Err(SeasonError::Value { what: "expectation of part", index, value: expected[index] });
    }
    let total: f64 = expected.iter().sum();
    if total <= 0.0 {
        return Ok(None);
    }
    // Sums in another order may fall short of the whole by rounding.
    let needed = total * share * (1.0 - 1e-12);
    let one = shortest(expected, needed, 1);
    let best = match (runs, one) {
        (Runs::One, one) => one,
        (Runs::UpToTwo, one) => match (one, shortest(expected, needed, 2)) {
            (Some(one), Some(two)) if two.1.len() < one.1.len() => Some(two),
            (one, two) => one.or(two),
        },
    };
    Ok(best.map(|(held, parts)| Window {
        runs: runs_of(&parts, expected.len()),
        share: held / total,
        n_parts: expected.len(),
    }))
}

/// Linear runs that a window may have while it is built: two of its own and one more that meets the first at new year.
const LINEAR_RUNS: usize = 4;

/// What the best choice of parts holds, by parts chosen, runs begun, and whether the last part is in; dynamic programming
/// along the year. Returns the sum and the parts of the shortest choice that holds `needed`.
fn shortest(expected: &[f64], needed: f64, max_runs: usize) -> Option<(f64, Vec<usize>)> {
    let n = expected.len();
    let mut best: Option<(usize, f64, Vec<usize>)> = None;
    for first_in in [false, true] {
        let plan = Plan::new(expected, first_in, max_runs + 1);
        for chosen in 1..=n {
            for last_in in [false, true] {
                // A run at the end of the year goes on at its start.
                let meets = first_in && last_in;
                for runs in 1..=max_runs + usize::from(meets) {
                    let held = plan.value(n - 1, chosen, runs, last_in);
                    let better = best.as_ref().is_none_or(|(length, most, _)| {
                        chosen < *length || (chosen == *length && held > *most)
                    });
                    if held >= needed && better {
                        best = Some((chosen, held, plan.parts(chosen, runs, last_in)));
                    }
                }
            }
        }
    }
    best.map(|(_, held, parts)| (held, parts))
}

struct Plan {
    n: usize,
    values: Vec<f64>,
    /// Whether the part before was in, in the best way to the state.
    before_in: Vec<bool>,
}

impl Plan {
    fn new(expected: &[f64], first_in: bool, max_runs: usize) -> Self {
        let n = expected.len();
        let size = n * (n + 1) * LINEAR_RUNS * 2;
        let mut plan = Self { n, values: vec![f64::NEG_INFINITY; size], before_in: vec![false; size] };
        let start = plan.at(0, usize::from(first_in), usize::from(first_in), first_in);
        plan.values[start] = if first_in { expected[0] } else { 0.0 };
        for (part, &value) in expected.iter().enumerate().skip(1) {
            for chosen in 0..=part + 1 {
                for runs in 0..=max_runs {
                    plan.step(part, chosen, runs, value);
                }
            }
        }
        plan
    }

    /// Fills the states of one part: out of the window, and in it.
    fn step(&mut self, part: usize, chosen: usize, runs: usize, value: f64) {
        let (from_out, from_in) =
            (self.value(part - 1, chosen, runs, false), self.value(part - 1, chosen, runs, true));
        let out = self.at(part, chosen, runs, false);
        self.before_in[out] = from_in > from_out;
        self.values[out] = from_in.max(from_out);
        if chosen == 0 || runs == 0 {
            return;
        }
        let begun = self.value(part - 1, chosen - 1, runs - 1, false);
        let gone_on = self.value(part - 1, chosen - 1, runs, true);
        let inside = self.at(part, chosen, runs, true);
        self.before_in[inside] = gone_on > begun;
        self.values[inside] = gone_on.max(begun) + value;
    }

    fn at(&self, part: usize, chosen: usize, runs: usize, last_in: bool) -> usize {
        ((part * (self.n + 1) + chosen) * LINEAR_RUNS + runs) * 2 + usize::from(last_in)
    }

    fn value(&self, part: usize, chosen: usize, runs: usize, last_in: bool) -> f64 {
        self.values[self.at(part, chosen, runs, last_in)]
    }

    /// The parts chosen on the best way to a state of the last part.
    fn parts(&self, mut chosen: usize, mut runs: usize, mut is_in: bool) -> Vec<usize> {
        let mut parts = Vec::new();
        for part in (0..self.n).rev() {
            let before_in = self.before_in[self.at(part, chosen, runs, is_in)];
            if is_in {
                parts.push(part);
                chosen -= 1;
                runs -= usize::from(!before_in);
            }
            is_in = before_in;
            if chosen == 0 {
                break;
            }
        }
        parts.reverse();
        parts
    }
}

/// Sorted parts as runs around the year, in order of their first part.
fn runs_of(parts: &[usize], n_parts: usize) -> Vec<Run> {
    let mut is_in = vec![false; n_parts];
    for &part in parts {
        is_in[part] = true;
    }
    if parts.len() == n_parts {
        return vec![Run { start: 0, length: n_parts }];
    }
    let starts = (0..n_parts).filter(|&part| is_in[part] && !is_in[(part + n_parts - 1) % n_parts]);
    starts
        .map(|start| {
            let length = (0..n_parts).take_while(|step| is_in[(start + step) % n_parts]).count();
            Run { start, length }
        })
        .collect()
}

/// What window is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WindowParams {
    /// Least share of the expected encounters, in (0, 1]; 0.9 unless set.
    pub share: f64,
    /// How many runs it may have; one unless set.
    pub runs: Runs,
}

impl Default for WindowParams {
    fn default() -> Self {
        Self { share: 0.9, runs: Runs::One }
    }
}

/// A window, or that there is nothing to hold.
#[derive(Debug, Clone, PartialEq)]
pub enum WindowOutcome {
    /// The window.
    Found(SeasonWindow),
    /// No encounters are expected at all.
    NothingExpected,
}

/// The window of the estimate, and how far the draws of the curve move it.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonWindow {
    /// The window of the estimated curve.
    pub window: Window,
    /// For each run 95 % limits of its first part: earliest and latest, around the year.
    pub first_limits: Vec<(usize, usize)>,
    /// For each run 95 % limits of its last part: earliest and latest, around the year.
    pub last_limits: Vec<(usize, usize)>,
    /// 95 % limits of the number of parts in the window.
    pub length_limits: (usize, usize),
    /// For each part of the year the share of draws whose window holds it.
    pub inclusion: Vec<f64>,
}

/// The season's window: the shortest run (or two) of parts that holds a share of the encounters to be expected.
///
/// Expected encounters are the curve times the exposure of all years, so a part in which few walk counts little. The
/// limits are those of the parametric bootstrap: the window is sought anew in each draw of the curve. A run's limits use,
/// in each draw, the run that overlaps it most.
///
/// # Errors
/// [`SeasonError::Value`] for a share outside (0, 1].
pub fn season_window(curve: &Curve, params: &WindowParams) -> Result<WindowOutcome, SeasonError> {
    let (estimate, draws) = curve.expected_by_part();
    let Some(window) = shortest_window(&estimate, params.share, params.runs)? else {
        return Ok(WindowOutcome::NothingExpected);
    };
    let mut drawn = Vec::with_capacity(draws.len());
    for draw in &draws {
        drawn.extend(shortest_window(draw, params.share, params.runs)?);
    }
    let n_parts = window.n_parts;
    let inclusion = (0..n_parts)
        .map(|part| {
            let holding = drawn.iter().filter(|window| window.contains(part)).count();
            holding as f64 / drawn.len().max(1) as f64
        })
        .collect();
    let around = |part: usize, drawn: Vec<usize>| {
        let mut offsets: Vec<i64> =
            drawn.into_iter().map(|other| cyclic_offset(part, other, n_parts)).collect();
        let (low, high) = central(&mut offsets).unwrap_or((0, 0));
        let shifted = |offset: i64| (part as i64 + offset).rem_euclid(n_parts as i64) as usize;
        (shifted(low), shifted(high))
    };
    let matched =
        |run: &Run| -> Vec<Run> { drawn.iter().filter_map(|window| best_overlap(run, window)).collect() };
    let first_limits =
        window.runs.iter().map(|run| around(run.start, matched(run).iter().map(|run| run.start).collect()));
    let last_limits = window
        .runs
        .iter()
        .map(|run| around(run.last(n_parts), matched(run).iter().map(|run| run.last(n_parts)).collect()));
    let mut lengths: Vec<i64> = drawn.iter().map(|window| window.length() as i64).collect();
    let own = window.length() as i64;
    let (shortest, longest) = central(&mut lengths).unwrap_or((own, own));
    Ok(WindowOutcome::Found(SeasonWindow {
        first_limits: first_limits.collect(),
        last_limits: last_limits.collect(),
        length_limits: (shortest as usize, longest as usize),
        inclusion,
        window,
    }))
}

/// How far `other` lies after `part` around the year, in (-n/2, n/2].
fn cyclic_offset(part: usize, other: usize, n_parts: usize) -> i64 {
    let ahead = ((other + n_parts - part) % n_parts) as i64;
    if 2 * ahead > n_parts as i64 { ahead - n_parts as i64 } else { ahead }
}

/// The central 95 % of whole numbers, as order statistics that hold at least that much.
fn central(values: &mut [i64]) -> Option<(i64, i64)> {
    let last = values.len().checked_sub(1)?;
    values.sort_unstable();
    Some((values[(0.025 * last as f64).floor() as usize], values[(0.975 * last as f64).ceil() as usize]))
}

/// The run of a window that shares most parts with `run`, if any does.
fn best_overlap(run: &Run, window: &Window) -> Option<Run> {
    let shared = |other: &Run| {
        (0..window.n_parts)
            .filter(|&part| run.contains(part, window.n_parts) && other.contains(part, window.n_parts))
            .count()
    };
    window.runs.iter().copied().filter(|other| shared(other) > 0).max_by_key(shared)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn window(expected: &[f64], share: f64, runs: Runs) -> Window {
        shortest_window(expected, share, runs).unwrap().unwrap()
    }

    #[test]
    fn a_window_may_wrap_the_year() {
        let expected = [4.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 2.0, 3.0];
        let found = window(&expected, 0.9, Runs::One);
        assert_eq!(found.runs, [Run { start: 10, length: 3 }]);
        assert!((found.share - 0.9).abs() < 1e-12);
        assert_eq!(found.runs[0].last(12), 0);
        assert!(found.contains(0) && found.contains(11) && !found.contains(1));
    }

    #[test]
    fn spring_and_autumn_are_two_runs() {
        let expected = [0.0, 0.0, 1.0, 5.0, 4.0, 0.1, 0.1, 0.1, 3.0, 4.0, 0.0, 0.0];
        let two = window(&expected, 0.9, Runs::UpToTwo);
        assert_eq!(two.runs, [Run { start: 3, length: 2 }, Run { start: 8, length: 2 }]);
        assert_eq!(window(&expected, 0.9, Runs::One).runs, [Run { start: 3, length: 7 }]);
        // The whole year is one run, whatever is asked for.
        assert_eq!(window(&[1.0; 12], 1.0, Runs::UpToTwo).runs, [Run { start: 0, length: 12 }]);
    }

    #[test]
    fn nothing_expected_and_bad_shares() {
        assert_eq!(shortest_window(&[0.0; 12], 0.9, Runs::One), Ok(None));
        assert!(shortest_window(&[1.0; 12], 0.0, Runs::One).is_err());
        assert!(shortest_window(&[1.0; 12], 1.1, Runs::One).is_err());
        assert!(shortest_window(&[-1.0, 2.0], 0.5, Runs::One).is_err());
    }

    proptest! {
        /// Against all subsets of a year of nine parts.
        #[test]
        fn is_the_shortest_of_all(expected in prop::collection::vec(0.0..9.0f64, 9), share in 0.05..1.0f64) {
            prop_assume!(expected.iter().sum::<f64>() > 0.1);
            for (runs, most) in [(Runs::One, 1), (Runs::UpToTwo, 2)] {
                let needed = share * expected.iter().sum::<f64>();
                let shortest = (1u32..1 << 9)
                    .filter(|set| {
                        let parts: Vec<usize> = (0..9).filter(|part| set & (1 << part) != 0).collect();
                        let held: f64 = parts.iter().map(|&part| expected[part]).sum();
                        held >= needed * (1.0 - 1e-12) && runs_of(&parts, 9).len() <= most
                    })
                    .map(u32::count_ones)
                    .min()
                    .unwrap();
                let found = window(&expected, share, runs);
                prop_assert_eq!(found.length(), shortest as usize);
                prop_assert!(found.share >= share * (1.0 - 1e-9) && found.runs.len() <= most);
            }
        }
    }
}
