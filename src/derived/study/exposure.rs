//! Tables of walking: what was fitted, measured or assumed.

use crate::analysis::exposure::CellCheck;
use crate::analysis::exposure::CounterSite;
use crate::analysis::exposure::DrawSummary;
use crate::analysis::exposure::LevelCheck;
use crate::analysis::exposure::PeriodTest;
use crate::analysis::exposure::SiteCheck;
use crate::analysis::exposure::YearMonth;
use crate::analysis::exposure::diagnostic::PART_HOURS;
use crate::derived::assumptions;
use crate::derived::exposure::party_size;
use crate::derived::rates::Limits;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::domain::exposure::PartiesOf;
use crate::domain::exposure::PartySize;

fn limits(summary: &DrawSummary) -> Limits {
    Limits { value: summary.mean, lower: summary.lower, upper: summary.upper }
}

pub(super) fn parameters(layers: &Layers) -> Result<Table, String> {
    let exposure = need(&layers.exposure)?;
    Ok(Table::of(exposure.field.parameters.iter().collect())
        .column("parameter", "", "walkers, metres, or a ratio, as its name says", |it| it.name.clone())
        .column("status", "", "how it was had", |it| it.status.words())
        .limits("value", "as named", "mean over draws", |it| Some(limits(&it.summary)))
        .column("prior_lower", "as named", "lower end of its 95 % prior interval", |it| it.prior.0)
        .column("prior_median", "as named", "median of its prior", |it| it.prior.1)
        .column("prior_upper", "as named", "upper end of its 95 % prior interval", |it| it.prior.2)
        .done())
}

pub(super) fn counters(layers: &Layers) -> Result<Table, String> {
    let (exposure, facts) = (need(&layers.exposure)?, &layers.facts);
    let site = |site: &CounterSite| match site {
        CounterSite::Vertex(_) => "trailhead or junction",
        CounterSite::Segment(_) => "segment",
        CounterSite::Place(_) => "place",
    };
    Ok(Table::of(exposure.field.counters.iter().collect())
        .column("counter", "", "name of the counter", |it| {
            facts.counters.get(it.counter).map(|counter| counter.name.clone())
        })
        .column("stood_at", "", "where it stood", |it| site(&it.site))
        .column(
            "observed",
            "passages",
            "passages the device counted in the study period in the times of its level: while it was open for all whom it counts, or where that is little, for most",
            |it| it.observed,
        )
        .column("expected", "passages", "what the fit expects the device to count in the same hours", |it| {
            it.expected
        })
        .column("dispersion", "", "Pearson dispersion of its daily counts", |it| it.dispersion)
        .column(
            "share_observed",
            "share",
            "share of the period's walkers it was there to count in that time",
            |it| it.share_observed,
        )
        .column("is_used", "", "whether it took part in the fit", |it| if it.is_used { "yes" } else { "no" })
        .column(
            "observed_closed",
            "passages",
            "passages the device counted while something was closed for some of those whom it counts",
            |it| it.observed_closed,
        )
        .column(
            "expected_closed",
            "passages",
            "what the fit expects the device to count in these hours if all were open",
            |it| it.expected_closed,
        )
        .done())
}

pub(super) fn checks(layers: &Layers) -> Result<Table, String> {
    let (exposure, facts) = (need(&layers.exposure)?, &layers.facts);
    let adjusted = |test: PeriodTest| match test {
        PeriodTest::NotTested => None,
        PeriodTest::Tested { adjusted, .. } => Some(adjusted),
    };
    if exposure.field.checks.is_empty() {
        return Err("No counter that walkers pass has readings in the study period.".to_owned());
    }
    Ok(Table::of(exposure.field.checks.iter().collect())
        .column("counter", "", "name of the counter", |it: &&SiteCheck| {
            facts.counters.get(it.counter).map(|counter| counter.name.clone())
        })
        .column("counted", "passages", "passages the device counted in the study period", |it| {
            it.whole.observed
        })
        .limits("fit_expects", "passages", "what the fit expects the device to count (predictive)", |it| {
            let CellCheck { expected, lower, upper, .. } = it.whole;
            Some(Limits { value: expected, lower, upper })
        })
        .limits(
            "others_expect",
            "passages",
            "the same from the priors and all other sites alone (median)",
            |it| {
                let LevelCheck { expected, lower, upper, .. } = it.level;
                Some(Limits { value: expected, lower, upper })
            },
        )
        .column("level_residual", "sd", "log of counted over what the others expect", |it| it.level.residual)
        .column("p_level", "probability", "that the others expect this level, after Holm", |it| {
            adjusted(it.level.test)
        })
        .column("p_months", "probability", "that its months are those of the model, after Holm", |it| {
            adjusted(it.months_test)
        })
        .column("p_hours", "probability", "that its hours are those of the model, after Holm", |it| {
            adjusted(it.hours_test)
        })
        .done())
}

/// A month or part of the day at a site.
struct InPeriod<'a> {
    check: &'a SiteCheck,
    kind: &'static str,
    period: String,
    cell: &'a CellCheck,
}

pub(super) fn periods(layers: &Layers) -> Result<Table, String> {
    let (exposure, facts) = (need(&layers.exposure)?, &layers.facts);
    if exposure.field.checks.is_empty() {
        return Err("No counter that walkers pass has readings in the study period.".to_owned());
    }
    let mut rows = Vec::new();
    for check in &exposure.field.checks {
        let month = |(month, cell)| {
            let YearMonth { year, month } = month;
            InPeriod { check, kind: "month", period: format!("{year:04}-{month:02}"), cell }
        };
        let hours = |(first, cell)| {
            let period = format!("{first:02}-{:02} h", first + PART_HOURS);
            InPeriod { check, kind: "part of the day", period, cell }
        };
        rows.extend(check.months.iter().map(|(at, cell)| month((*at, cell))));
        rows.extend(check.hours.iter().map(|(first, cell)| hours((*first, cell))));
    }
    Ok(Table::of(rows)
        .column("counter", "", "name of the counter", |it| {
            facts.counters.get(it.check.counter).map(|counter| counter.name.clone())
        })
        .column(
            "site",
            "",
            "number of the counter site, by its row among the counts observed and expected",
            |it| it.check.series + 1,
        )
        .column("kind", "", "a month, or a part of the day over all days", |it| it.kind)
        .column("period", "", "year and month, or from which to which hour of local time", |it| {
            it.period.clone()
        })
        .column("counted", "passages", "passages the device counted", |it| it.cell.observed)
        .limits(
            "expected",
            "passages",
            "what the fit expects the device to count in the hours it was there (predictive)",
            |it| {
                let CellCheck { expected, lower, upper, .. } = *it.cell;
                Some(Limits { value: expected, lower, upper })
            },
        )
        .column("residual", "sd", "counted less expected over the sd of replicated counts", |it| {
            it.cell.residual
        })
        .done())
}

pub(super) fn trailheads(layers: &Layers) -> Result<Table, String> {
    let (exposure, facts) = (need(&layers.exposure)?, &layers.facts);
    let n = exposure.field.n_trailheads.max(1);
    let summary = |draws: &[f64], head: usize| {
        let summary = DrawSummary::of(draws.iter().skip(head).step_by(n).copied());
        Some(limits(&summary))
    };
    let field = &exposure.field;
    Ok(Table::of((0..field.n_trailheads).collect())
        .column("trailhead", "", "name of the trailhead", |head| {
            facts.trailheads[exposure.trailheads[*head]].name.clone()
        })
        .limits("walkers", "walkers", "walkers who started in the study period", |head| {
            summary(&field.walkers, *head)
        })
        .limits("parties", "parties", "parties who started in the study period", |head| {
            summary(&field.parties, *head)
        })
        .column("first_day", "date", "first day of the study period", |_| exposure.period.first().to_string())
        .column("last_day", "date", "last day of the study period", |_| exposure.period.last().to_string())
        .done())
}

pub(super) fn party_sizes(layers: &Layers) -> Result<Table, String> {
    let (exposure, facts) = (need(&layers.exposure)?, &layers.facts);
    if facts.party_sizes.is_empty() {
        return Err("No party sizes were brought in: one is assumed for the whole area.".to_owned());
    }
    let trailhead = |size: &PartySize| match size.of {
        PartiesOf::Trailhead(id) => {
            facts.trailheads.iter().find(|head| head.id == id).map(|it| it.name.clone())
        }
        PartiesOf::Area | PartiesOf::Trail(_) => None,
    };
    let trail = |size: &PartySize| match size.of {
        PartiesOf::Trail(id) => facts.trails.iter().find(|trail| trail.id == id).map(|it| it.name.clone()),
        PartiesOf::Area | PartiesOf::Trailhead(_) => None,
    };
    let trails = need(&layers.network).map(|layer| &layer.network)?;
    let is_walked = |size: &PartySize| match size.of {
        PartiesOf::Area => true,
        PartiesOf::Trailhead(id) => {
            exposure.trailheads.iter().any(|idx| facts.trailheads.get(*idx).is_some_and(|head| head.id == id))
        }
        PartiesOf::Trail(_) => {
            let name = trail(size);
            trails.segments.iter().any(|it| Some(&trails.trails[it.trail_idx].name) == name.as_ref())
        }
    };
    // Sorted, so that the order of rows in their file changes nothing.
    let mut sizes: Vec<&PartySize> = facts.party_sizes.iter().collect();
    sizes.sort_by_cached_key(|size| {
        (trail(size), trailhead(size), size.from_date.clone(), size.until_date.clone())
    });
    Ok(Table::of(sizes)
        .column("trailhead", "", "trailhead that the parties start at", |it| trailhead(it))
        .column("trail", "", "trail that they walk on, wherever they start; neither: the whole area", |it| {
            trail(it)
        })
        .column("from", "date", "first day it holds for; empty since ever", |it| it.from_date.clone())
        .column("until", "date", "last day it holds for; empty for ever", |it| it.until_date.clone())
        .column("mean", "walkers", "mean walkers in a party", |it| it.mean_walkers)
        .column("standard_error", "walkers", "standard error of that mean", |it| it.standard_error)
        .column("parties_counted", "", "parties it was counted from", |it| it.n_parties.map(u64::from))
        .column(
            "share_of_period",
            "share",
            "share of the study period's days that it stands for there; 0 where nobody is taken to walk",
            |it| match is_walked(it) {
                true => party_size::share(&facts.party_sizes, it, &exposure.period),
                false => 0.0,
            },
        )
        .done())
}

pub(super) fn assumptions(layers: &Layers) -> Result<Table, String> {
    let exposure = need(&layers.exposure)?;
    Ok(Table::of(assumptions::lines(&layers.facts, exposure))
        .column("assumption", "", "what it is about", |it| it.name)
        .column("value", "", "its value with unit", |it| it.value.clone())
        .column("source", "", "where it comes from", |it| it.source)
        .done())
}
