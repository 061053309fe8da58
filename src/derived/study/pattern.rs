//! Whether the records of neighbouring stretches resemble each other, before and after the rates are fitted.

use crate::derived::rate_pattern::Pattern;
use crate::derived::rate_pattern::PatternSite;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

pub(super) fn moran(layers: &Layers) -> Result<Table, String> {
    let pattern = need(&layers.rate_pattern)?;
    let rows = vec![
        ("one rate for all stretches", pattern.against_even),
        ("each stretch's fitted rate", pattern.against_fit),
    ];
    let number = |pattern: Pattern, pick: fn(f64, f64) -> f64| match pattern {
        Pattern::Estimated { statistic, p_value, .. } => Some(pick(statistic, p_value)),
        Pattern::NotEstimable => None,
    };
    let count = |pattern: Pattern, pick: fn(usize, usize) -> usize| match pattern {
        Pattern::Estimated { n_sites, n_allocations, .. } => Some(pick(n_sites, n_allocations)),
        Pattern::NotEstimable => None,
    };
    Ok(Table::of(rows)
        .column("counts_against", "", "what the counts are compared with", |row| row.0)
        .column("pattern_is", "", "whether there is a statistic", |row| match row.1 {
            Pattern::Estimated { .. } => "estimated",
            Pattern::NotEstimable => "not estimable: no reports, or no stretches that touch",
        })
        .column("moran", "", "Moran's I of the residuals, median over allocations", |row| {
            number(row.1, |statistic, _| statistic)
        })
        .column("p_value", "probability", "two-sided, from maps dealt by expectation; median", |row| {
            number(row.1, |_, p_value| p_value)
        })
        .column("stretches", "", "stretches with an expectation", |row| count(row.1, |sites, _| sites))
        .column("allocations", "", "allocations of records that may lie on several segments", |row| {
            count(row.1, |_, allocations| allocations)
        })
        .done())
}

pub(super) fn stretches(layers: &Layers) -> Result<Table, String> {
    let (pattern, rates) = (need(&layers.rate_pattern)?, need(&layers.rates)?);
    let neighbours = |row: &&PatternSite| row.neighbours.map(|it| it.against_even);
    let told = |site: &&PatternSite| !layers.withheld.touches(&rates.stretches.members[site.stretch]);
    let rows: Vec<&PatternSite> = pattern.sites.iter().filter(told).collect();
    let n_withheld = pattern.sites.len() - rows.len();
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("name", "", "name of the stretch", |row| rates.stretches.names[row.stretch].clone())
        .column("reports", "", "reports, mean over allocations", |row| row.count)
        .column("expected_even", "reports", "with one rate for all stretches", |row| {
            row.expected.against_even
        })
        .column("expected_fit", "reports", "with its fitted rate", |row| row.expected.against_fit)
        .column("residual_even", "standard deviations", "(reports - expected) / root of expected", |row| {
            row.residual.against_even
        })
        .column("residual_fit", "standard deviations", "(reports - expected) / root of expected", |row| {
            row.residual.against_fit
        })
        .column(
            "neighbours_even",
            "standard deviations",
            "mean residual of the stretches that touch",
            neighbours,
        )
        .column("neighbours_fit", "standard deviations", "mean residual of the stretches that touch", |row| {
            row.neighbours.map(|it| it.against_fit)
        })
        .done())
}
