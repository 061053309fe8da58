//! Tables about the records themselves, places and settings.

use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::domain::encounter::EffortKind;

pub(super) fn records(layers: &Layers) -> Result<Table, String> {
    let facts = &layers.facts;
    let of_kind = |kind: EffortKind| {
        let rows = facts.encounters.rows.iter().filter(move |row| row.effort_kind == kind);
        (rows.clone().count(), rows.filter(|row| facts.counts(row)).count())
    };
    let mut lines: Vec<(String, usize)> = Vec::new();
    for kind in EffortKind::ALL {
        let (all, usable) = of_kind(*kind);
        lines.push((format!("{kind} encounters"), all));
        lines.push((
            format!("{kind} encounters neither rejected nor of a species listed as not venomous"),
            usable,
        ));
    }
    if let Ok(rates) = &layers.rates {
        lines.extend([
            ("reports in the rates of segments and stretches".to_owned(), rates.n_reports),
            ("reports too vague for a segment, counted for their trail only".to_owned(), rates.n_vague),
            ("reports at places or off trail, in no rate".to_owned(), rates.n_elsewhere),
            ("reports outside the study period, in no rate".to_owned(), rates.n_outside),
        ]);
    }
    lines.push(("survey walks".to_owned(), facts.walks.len()));
    lines.push(("counter readings".to_owned(), facts.readings.rows.len()));
    lines.push(("calibration sessions".to_owned(), facts.calibrations.len()));
    Ok(Table::of(lines)
        .column("what", "", "what is counted", |(what, _)| what.clone())
        .column("count", "", "how many", |(_, count)| *count)
        .done())
}

pub(super) fn places(layers: &Layers) -> Result<Table, String> {
    let places = need(&layers.places)?;
    let network = need(&layers.network)?;
    let known = places.iter().zip(&layers.facts.places);
    let told = known.filter(|(_, place)| !layers.withheld.holds_position(network, place.given.position));
    let rows: Vec<_> = told.map(|(summary, _)| summary).collect();
    let n_withheld = places.len() - rows.len();
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("name", "", "name of the place", |place| place.name.clone())
        .column("kind", "", "what it is", |place| place.kind.term())
        .column("reports", "", "reports tied to it", |place| place.counts[0])
        .column("survey_encounters", "", "encounters on surveys tied to it", |place| place.counts[1])
        .column("located_encounters", "", "located encounters tied to it", |place| place.counts[2])
        .column("chance_encounters", "", "chance encounters tied to it", |place| place.counts[3])
        .limits("visits", "parties", "visits in the study period; empty where not known", |place| {
            place.visits.map(|(visits, _)| visits)
        })
        .limits(
            "reports_per_1000_visits",
            "per 1,000 parties",
            "reports for each visit, exact limits",
            |place| place.visits.map(|(_, rate)| rate),
        )
        .done())
}

pub(super) fn settings(layers: &Layers) -> Result<Table, String> {
    Ok(Table::of(layers.facts.settings.list())
        .column("setting", "", "key of the setting", |setting| setting.key)
        .column("words", "", "name of the setting", |setting| setting.words)
        .column("value", "", "value in use, in the unit beside", |setting| setting.value)
        .column("unit", "", "unit of value and default", |setting| setting.unit)
        .column("default", "", "default", |setting| setting.default)
        .column("why", "", "what it does, and why the default is what it is", |setting| setting.why)
        .done())
}
