//! Counted against expected at the sites of the page.

use std::cmp::Ordering;

use jiff::civil::Date;

use crate::analysis::exposure::CellCheck;
use crate::analysis::exposure::PeriodTest;
use crate::analysis::exposure::SiteCheck;
use crate::analysis::exposure::diagnostic::PART_HOURS;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::web::pages::exposure::counters::site_words;
use crate::web::views::charts::Estimate;
use crate::web::views::exposure::PeriodRow;
use crate::web::views::exposure::SiteRow;

/// One row a site: those that differ first, and of them those whose level is farthest off.
pub(super) fn rows(facts: &Facts, network: &NetworkLayer, exposure: &ExposureLayer) -> Vec<SiteRow> {
    let mut checks: Vec<&SiteCheck> = exposure.field.checks.iter().collect();
    let off = |check: &SiteCheck| check.level.residual.abs();
    checks.sort_by(|a, b| {
        b.is_flagged().cmp(&a.is_flagged()).then_with(|| match a.is_flagged() {
            true => off(b).total_cmp(&off(a)),
            false => Ordering::Equal,
        })
    });
    checks.into_iter().map(|check| row(facts, network, check)).collect()
}

/// The row of one site.
pub(super) fn row(facts: &Facts, network: &NetworkLayer, check: &SiteCheck) -> SiteRow {
    let counter = facts.counters.get(check.counter).map_or("", |counter| counter.name.as_str());
    let month = |(month, cell): &(crate::analysis::exposure::YearMonth, CellCheck)| {
        let first = Date::new(month.year, month.month, 1);
        period(first.map(|day| day.strftime("%b %Y").to_string()).unwrap_or_default(), cell)
    };
    let hours =
        |(first, cell): &(usize, CellCheck)| period(format!("{first}–{} h", first + PART_HOURS), cell);
    SiteRow {
        name: format!("{counter}, {}", site_words(check.site, facts, network)),
        dispersion: check.dispersion,
        whole: period("all".to_owned(), &check.whole),
        months: check.months.iter().map(month).collect(),
        hours: check.hours.iter().map(hours).collect(),
        level: PeriodRow {
            name: "left out".to_owned(),
            counted: check.whole.observed,
            expected: Estimate {
                value: check.level.expected,
                lower: check.level.lower,
                upper: check.level.upper,
            },
            residual: check.level.residual,
        },
        p_values: [check.months_test, check.hours_test, check.level.test].map(adjusted),
        differs: [check.months_test, check.hours_test, check.level.test].map(|test| test.is_flagged()),
    }
}

fn adjusted(test: PeriodTest) -> Option<f64> {
    match test {
        PeriodTest::NotTested => None,
        PeriodTest::Tested { adjusted, .. } => Some(adjusted),
    }
}

fn period(name: String, cell: &CellCheck) -> PeriodRow {
    let expected = Estimate { value: cell.expected, lower: cell.lower, upper: cell.upper };
    PeriodRow { name, counted: cell.observed, expected, residual: cell.residual }
}
