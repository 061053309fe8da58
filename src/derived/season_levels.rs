//! Seasons of habitats and of elevation bands: whether they differ, and the curve that each segment follows.

use crate::analysis::season;
use crate::analysis::season::Cells;
use crate::analysis::season::Curve;
use crate::analysis::season::Interaction;
use crate::analysis::season::SeasonFit;
use crate::analysis::season::SeasonOutcome;
use crate::analysis::season::SeasonParams;
use crate::analysis::season::TestOutcome;
use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::elevation;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::season::Timed;
use crate::derived::snaps::SnapLayer;

/// Levels have curves of their own below this p-value, shared among the groupings that are tested.
const OWN_CURVES_BELOW: f64 = 0.01;

/// By what trails are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grouping {
    /// The habitat of the trail.
    Habitat,
    /// The elevation of the segment.
    ElevationBand,
}

impl Grouping {
    /// Its levels in words, several of them.
    pub fn words(self) -> &'static str {
        match self {
            Self::Habitat => "habitats",
            Self::ElevationBand => "elevation bands",
        }
    }
}

/// Seasons by level of a grouping.
#[derive(Debug)]
pub struct LevelSeasons {
    /// By what.
    pub grouping: Grouping,
    /// Names of the levels, with the reports on the segments of each that the fit rests on.
    pub counts: Vec<(String, u64)>,
    /// Whether the levels' seasons differ: likelihood ratio.
    pub test: TestOutcome,
    /// The fit with a curve for each level, where the test asks for curves of their own.
    pub fit: Option<Box<SeasonFit>>,
    /// The level of each segment.
    pub level_of: Vec<usize>,
}

impl LevelSeasons {
    /// The curve of each level; empty where one serves all.
    pub fn curves(&self) -> &[Curve] {
        self.fit.as_ref().map_or(&[], |fit| fit.curves())
    }
}

/// What is known of both groupings, each with the reason where it cannot be looked at.
#[derive(Debug)]
pub struct Levels {
    /// By habitat.
    pub habitats: Result<LevelSeasons, String>,
    /// By elevation band.
    pub bands: Result<LevelSeasons, String>,
}

impl Levels {
    /// The grouping whose levels have curves of their own: that with the smaller p-value where both do.
    pub fn own(&self) -> Option<&LevelSeasons> {
        let both = [&self.habitats, &self.bands].into_iter().flatten().filter(|it| it.fit.is_some());
        let p_value = |it: &LevelSeasons| it.test.p_value().unwrap_or(1.0);
        both.min_by(|a, b| p_value(a).total_cmp(&p_value(b)))
    }
}

/// The layers that levels are read from.
pub(super) struct Ground<'a> {
    pub(super) facts: &'a Facts,
    pub(super) network: &'a NetworkLayer,
    pub(super) exposure: &'a ExposureLayer,
    pub(super) snaps: &'a SnapLayer,
}

/// Fits and tests both groupings.
///
/// # Errors
/// [`DeriveError::Internal`] when the cells do not fit together.
pub(super) fn compute(ground: &Ground<'_>, timed: &Timed<'_>) -> Result<Levels, DeriveError> {
    let (of_trail, names) = rates::habitats(ground.facts);
    let segments = &ground.network.network.segments;
    let by_habitat: Vec<usize> = segments.iter().map(|segment| of_trail[segment.trail_idx]).collect();
    let habitats = match names.len() {
        0 | 1 => Err("All trails are in one habitat, so habitats cannot be compared.".to_owned()),
        _ => Ok((by_habitat, names)),
    };
    let bands = elevation::bands(ground.facts, ground.network);
    let n_tests = usize::from(habitats.is_ok()) + usize::from(bands.is_ok());
    let below = OWN_CURVES_BELOW / n_tests.max(1) as f64;
    let fit = |grouping, levels: Result<(Vec<usize>, Vec<String>), String>| match levels {
        Ok((level_of, names)) => by_level(ground, timed, Leveled { grouping, level_of, names, below }),
        Err(reason) => Ok(Err(reason)),
    };
    Ok(Levels { habitats: fit(Grouping::Habitat, habitats)?, bands: fit(Grouping::ElevationBand, bands)? })
}

struct Leveled {
    grouping: Grouping,
    level_of: Vec<usize>,
    names: Vec<String>,
    /// The p-value below which levels have curves of their own.
    below: f64,
}

fn by_level(
    ground: &Ground<'_>,
    timed: &Timed<'_>,
    levels: Leveled,
) -> Result<Result<LevelSeasons, String>, DeriveError> {
    let Leveled { grouping, level_of, names, below } = levels;
    let n_levels = names.len();
    let field = &ground.exposure.field;
    let by_group = |km: &[f64]| timed.by_group(km, n_levels, |segment| level_of[segment]);
    let n_courses = field.courses.n_courses();
    let group_of_row = |row: usize| {
        let segment = ground.snaps.snaps[row].as_ref().and_then(likeliest)?;
        Some(level_of[segment] * n_courses + timed.course(row))
    };
    let given = (&by_group(&ground.exposure.mean_km)[..], timed.levels(n_levels));
    let (cells, partial) = timed.cells(given, group_of_row);
    let mut counts = vec![0; n_levels];
    group_counts(&cells).iter().enumerate().for_each(|(group, n)| counts[group / n_courses] += n);
    partial.iter().for_each(|record| counts[record.group / n_courses] += 1);
    if counts.iter().filter(|n| **n > 0).count() < 2 {
        let words = grouping.words();
        return Ok(Err(format!("Fewer than two {words} have reports, so {words} cannot be compared.")));
    }
    let settings = &ground.facts.settings;
    let params = SeasonParams {
        n_draws: settings.draws(),
        seed: settings.seed(),
        interaction: Interaction::WhenBelow(below),
        ..SeasonParams::default()
    };
    let draws = timed.exposure_draws(|draw| by_group(field.draw(draw)));
    let outcome =
        season::fit_with_exposure_draws(&cells, &draws, &partial, &params).map_err(DeriveError::internal)?;
    let SeasonOutcome::Estimated(fit) = outcome else {
        return Ok(Err("No season can be estimated from reports on trails.".to_owned()));
    };
    Ok(Ok(LevelSeasons {
        grouping,
        counts: names.into_iter().zip(counts).collect(),
        test: fit.tests.interaction,
        fit: (fit.curves().len() > 1).then(|| timed.over_open_time(fit)),
        level_of,
    }))
}

/// Reports of each group.
fn group_counts(cells: &Cells) -> Vec<u64> {
    let block = cells.periods.len() * season::HOURS;
    cells.counts.chunks(block.max(1)).map(|counts| counts.iter().map(|n| u64::from(*n)).sum()).collect()
}

/// The segment that a record most probably lies on.
pub(super) fn likeliest(snap: &Snap) -> Option<usize> {
    match snap {
        Snap::ByHand { segment_idx } => Some(*segment_idx),
        Snap::OnTrail(on_trail) => {
            let best = on_trail.candidates.iter().max_by(|a, b| a.weight.total_cmp(&b.weight));
            best.map(|candidate| candidate.nearest.segment_idx)
        }
        _ => None,
    }
}
