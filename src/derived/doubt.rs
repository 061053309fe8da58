//! What hangs on where an ambiguous record belongs: the order in which staff should look at them.

use std::cmp::Reverse;

use crate::analysis::snap::OnTrail;
use crate::analysis::snap::Snap;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::snaps::SnapLayer;

/// A stretch that may hold less of a record than this is no candidate.
const LEAST_WEIGHT: f64 = 0.05;

/// What hangs on a record, in the order in which to look at records.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stakes {
    /// Of the stretches that may hold it, one is called above the multiple and another is not.
    Call,
    /// They lie on several trails.
    Trails,
    /// They are several stretches of one trail.
    Stretches,
    /// All candidates are in one stretch: no figure of a stretch or trail changes.
    OneStretch,
    /// It goes into no rate of stretches, since it is no report of the study period.
    NoRate,
}

impl Stakes {
    /// All of them, in order.
    pub const ALL: [Self; 5] = [Self::Call, Self::Trails, Self::Stretches, Self::OneStretch, Self::NoRate];
}

/// An ambiguous record with what hangs on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubtful {
    /// The record, an index into the facts' encounters.
    pub record: usize,
    /// Weight of its second segment.
    pub second_weight: f64,
    /// What hangs on it.
    pub stakes: Stakes,
    /// The stretches that may hold it with their weights, the likeliest first; empty where no rate can be given.
    pub stretches: Vec<(usize, f64)>,
    /// The largest change of a stretch's rate by placing it, over half the width of the rate's 95 % interval; zero where
    /// nothing changes.
    pub moves: f64,
}

/// Rates and what is needed to know which records are in them.
#[derive(Debug, Clone, Copy)]
pub struct Rated<'a> {
    /// The rates.
    pub rates: &'a RateLayer,
    /// The exposure, which has the study period.
    pub exposure: &'a ExposureLayer,
}

/// The ambiguous records that count and are not placed by hand, those first on which most hangs.
///
/// A record moves a stretch's count by at most the larger of its weight there and one less that weight; the rate follows
/// by that over the stretch's walking, less what shrinkage keeps back. Without rates the order is that of doubt alone.
pub fn doubtful(facts: &Facts, snaps: &SnapLayer, rated: Option<Rated<'_>>) -> Vec<Doubtful> {
    let mut in_rates = vec![false; facts.encounters.rows.len()];
    if let Some(rated) = rated {
        let counted = rates::counted_reports(facts, rated.exposure, snaps);
        snaps.records.iter().zip(counted).for_each(|(record, counted)| in_rates[*record] = counted);
    }
    let each = snaps.snaps.iter().enumerate().filter_map(|(record, snap)| match snap {
        Some(Snap::OnTrail(on_trail)) if on_trail.is_ambiguous => Some((record, on_trail)),
        _ => None,
    });
    let counted = each.filter(|(record, _)| facts.counts(&facts.encounters.rows[*record]));
    let mut found: Vec<Doubtful> = counted
        .map(|(record, on_trail)| weigh(record, on_trail, rated.filter(|_| in_rates[record])))
        .collect();
    found.sort_by(|a, b| {
        a.stakes
            .cmp(&b.stakes)
            .then(b.moves.total_cmp(&a.moves))
            .then(b.second_weight.total_cmp(&a.second_weight))
            .then(Reverse(a.record).cmp(&Reverse(b.record)))
    });
    found
}

fn weigh(record: usize, on_trail: &OnTrail, rated: Option<Rated<'_>>) -> Doubtful {
    let second_weight = on_trail.candidates.get(1).map_or(0.0, |second| second.weight);
    let bare = Doubtful { record, second_weight, stakes: Stakes::NoRate, stretches: Vec::new(), moves: 0.0 };
    let Some(Rated { rates, .. }) = rated else { return bare };
    let set = &rates.stretches;
    let mut stretches: Vec<(usize, f64)> = Vec::new();
    for candidate in &on_trail.candidates {
        let stretch = rates.stretch_of[candidate.nearest.segment_idx];
        match stretches.iter_mut().find(|(known, _)| *known == stretch) {
            Some((_, weight)) => *weight += candidate.weight,
            None => stretches.push((stretch, candidate.weight)),
        }
    }
    stretches.retain(|(_, weight)| *weight >= LEAST_WEIGHT);
    stretches.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let differ =
        |of: &dyn Fn(usize) -> usize| stretches.iter().any(|(stretch, _)| of(*stretch) != of(stretches[0].0));
    let stakes = if stretches.len() < 2 {
        Stakes::OneStretch
    } else if differ(&|stretch| usize::from(set.fit.calls.units.contains(&stretch))) {
        Stakes::Call
    } else if differ(&|stretch| set.strata[stretch]) {
        Stakes::Trails
    } else {
        Stakes::Stretches
    };
    let moves = match stakes {
        Stakes::OneStretch => 0.0,
        _ => stretches.iter().map(|(stretch, weight)| moved(rates, *stretch, *weight)).fold(0.0, f64::max),
    };
    Doubtful { stakes, stretches, moves, ..bare }
}

/// How far placing a record moves the rate of a stretch, over half the width of its interval; zero where it has none.
fn moved(rates: &RateLayer, stretch: usize, weight: f64) -> f64 {
    let fit = &rates.stretches.fit.units[stretch];
    let Some(estimate) = fit.estimate() else { return 0.0 };
    let half_width = (estimate.per_km.upper - estimate.per_km.lower) / 2.0;
    if half_width <= 0.0 || fit.exposure_km <= 0.0 {
        return 0.0;
    }
    (1.0 - estimate.shrinkage) * weight.max(1.0 - weight) / fit.exposure_km / half_width
}
