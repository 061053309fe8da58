//! Tables of surveys: walks, rates beside reports, and the reporting ratio.

use crate::analysis::rates::Interval;
use crate::analysis::rates::RateFit;
use crate::analysis::rates::ReportingRatio;
use crate::derived::effect::SignState;
use crate::derived::rates::Limits;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::derived::survey::JoinRatio;
use crate::derived::survey::SurveySet;
use crate::domain::walk::Purpose;

const PER_1000: &str = "per 1,000 survey-km";

fn limits(interval: Interval, scale: f64) -> Limits {
    let Interval { mean, lower, upper, .. } = interval;
    Limits { value: mean * scale, lower: lower * scale, upper: upper * scale }
}

fn rate(fit: &RateFit, unit: usize) -> Option<Limits> {
    fit.units.get(unit)?.estimate().map(|estimate| limits(estimate.per_km, 1000.0))
}

/// Walks summed up by purpose: a walk by itself would say who went where.
pub(super) fn walks(layers: &Layers) -> Result<Table, String> {
    let (facts, layer) = (&layers.facts, need(&layers.walks)?);
    let of = |purpose: Purpose| {
        let walks = facts.walks.iter().zip(&layer.walks);
        walks.filter(move |(walk, _)| walk.given.purpose == purpose).map(|(_, matched)| matched)
    };
    Ok(Table::of(Purpose::ALL.to_vec())
        .column("purpose", "", "why the walks were made where they were", |it| it.term())
        .column("walks", "", "survey walks", |it| of(*it).count())
        .column("walks_on_trails", "", "walks whose track lies on the trails at least in part", |it| {
            of(*it).filter(|walk| !walk.matched.legs.is_empty()).count()
        })
        .column("km", "km", "walked on the trails; out and back counts twice; survey rates leave out inside_places_km of it", |it| {
            of(*it).fold(0.0, |sum, walk| sum + walk.matched.walked_m() / 1000.0)
        })
        .column(
            "inside_places_km",
            "km",
            "of km, inside places with visits: encounters there are divided by visits, so these are in no survey rate",
            |it| of(*it).fold(0.0, |sum, walk| sum + walk.inside_places_m() / 1000.0),
        )
        .column("left_out_km", "km", "of the tracks, off the trails or driven", |it| {
            of(*it).fold(0.0, |sum, walk| sum + walk.matched.left_out_m() / 1000.0)
        })
        .column("encounters", "", "survey encounters tied to the walks", |it| {
            of(*it).map(|walk| walk.encounters.len()).sum::<usize>()
        })
        .column("walks_without", "", "walks on which no encounter was made", |it| {
            of(*it).filter(|walk| walk.encounters.is_empty()).count()
        })
        .done())
}

pub(super) fn rates(layers: &Layers) -> Result<Table, String> {
    let set = &need(&layers.survey)?.trails;
    Ok(rates_of(set, (0..set.names.len()).collect(), "trail", "name of the trail"))
}

pub(super) fn stretch_rates(layers: &Layers) -> Result<Table, String> {
    let name = "trail, and which part of it; the stretches of the report rates where there are any";
    let set = &need(&layers.survey)?.stretches;
    let told = |unit: &usize| !layers.withheld.touches(&set.members[*unit]);
    Ok(rates_of(set, (0..set.names.len()).filter(told).collect(), "stretch", name))
}

/// Survey rates of some units of one kind, whose column of names has this name and meaning.
fn rates_of(set: &SurveySet, units: Vec<usize>, unit: &str, meaning: &str) -> Table {
    let (fits, joint) = (set.fits.as_ref().ok(), set.joint.as_ref().ok());
    let words = |error: Option<&String>| error.map_or("estimated", String::as_str).to_owned();
    let (no_rates, no_joint) = (words(set.fits.as_ref().err()), words(set.joint.as_ref().err()));
    let n_withheld = set.names.len() - units.len();
    Table::of(units)
        .withholding(n_withheld)
        .column(unit, "", meaning, |unit: &usize| set.names[*unit].clone())
        .column("planned_encounters", "", "on planned walks, mean over draws", |unit| {
            set.effort[*unit][0].count
        })
        .column("planned_km", "survey-km", "on planned walks", |unit| set.effort[*unit][0].km)
        .column("targeted_encounters", "", "on targeted walks, mean over draws", |unit| {
            set.effort[*unit][1].count
        })
        .column("targeted_km", "survey-km", "on targeted walks", |unit| set.effort[*unit][1].km)
        .column("rate_is", "", "whether there are survey rates, or why not", |_| no_rates.clone())
        .limits("planned_rate", PER_1000, "from planned walks alone", |unit| rate(&fits?.planned_only, *unit))
        .limits("with_targeted_rate", PER_1000, "targeted walks kept to their own units", |unit| {
            rate(&fits?.with_targeted, *unit)
        })
        .column("joint_is", "", "whether surveys and reports are joined, or why not", |_| no_joint.clone())
        .limits(
            "joint_rate",
            PER_1000,
            "surveys and reports together, at the seasons and hours at which visitors walk",
            |unit| rate(joint?, *unit),
        )
        .limits(
            "season_factor",
            "times",
            "encounters at the seasons and hours of the planned walks over those at which visitors walk: joint_rate times it is on \
             the base of planned_rate",
            |unit| set.season_factor.get(*unit).copied().flatten(),
        )
        .done()
}

pub(super) fn reporting(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.survey)?;
    if layer.ratios.is_empty() {
        return Err(
            "Nothing says how far visitors walk, so reports cannot be set against surveys.".to_owned()
        );
    }
    let least = layers.facts.settings.ratio_least;
    let of_species =
        layer.ratios.iter().map(|it| Ratio { name: &it.name, n_cells: it.n_cells, ratio: &it.ratio });
    let reporting = layers.effect.as_ref().ok().and_then(|effect| effect.reporting.as_ref());
    let by_sign = reporting.into_iter().flat_map(|it| {
        [("all species, in reach of a sign", &it.signed), ("all species, no sign passed", &it.unsigned)]
    });
    let by_sign = by_sign.map(|(name, it)| Ratio { name, n_cells: it.n_cells, ratio: &it.ratio });
    let estimated = |ratio: &ReportingRatio| match ratio {
        ReportingRatio::Estimated(estimate) => Some((limits(estimate.ratio, 1.0), estimate.reports)),
        ReportingRatio::NotEstimable { .. } => None,
    };
    Ok(Table::of(of_species.chain(by_sign).collect())
        .column("group", "", "species, or all together; with and without signs", |it| it.name)
        .column("segments", "", "segments that surveys and visitors both cover", |it| it.n_cells)
        .column("survey_encounters", "", "on planned walks there, mean over draws", |it| match it.ratio {
            ReportingRatio::Estimated(estimate) => estimate.survey_encounters,
            ReportingRatio::NotEstimable { survey_encounters } => *survey_encounters,
        })
        .column("reports", "", "reports there, mean over draws", |it| estimated(it.ratio).map(|it| it.1))
        .column("ratio_is", "", "whether there is a ratio, or why not", |it| match it.ratio {
            ReportingRatio::Estimated(_) => "estimated".to_owned(),
            ReportingRatio::NotEstimable { .. } => format!("not estimable below {least} survey encounters"),
        })
        .limits("ratio", "reports per survey encounter", "for the same kilometres", |it| {
            estimated(it.ratio).map(|it| it.0)
        })
        .done())
}

pub(super) fn joined_by(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.survey)?;
    if layer.joined_by.is_empty() {
        return Err(
            "Surveys and reports are not joined: too few survey encounters lie where visitors walk too."
                .to_owned(),
        );
    }
    let estimate = |it: &JoinRatio| match &it.ratio {
        ReportingRatio::Estimated(estimate) => Some(limits(estimate.ratio, 1.0)),
        ReportingRatio::NotEstimable { .. } => None,
    };
    Ok(Table::of(layer.joined_by.iter().collect())
        .column("species", "", "the species, or those that go together", |it| it.group.as_str())
        .column("signs", "", "what walkers have read; empty where it bears on nothing", |it| {
            it.state.map(SignState::words)
        })
        .column("counted", "", "the stretches that the ratio is of", |it| it.basis)
        .limits("ratio", "reports per survey encounter", "for the same kilometres", |it| estimate(it))
        .done())
}

/// The reporting ratio of a group.
struct Ratio<'a> {
    name: &'a str,
    n_cells: usize,
    ratio: &'a ReportingRatio,
}
