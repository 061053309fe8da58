//! What one party is expected to report on each trail, by month and part of the day.

use crate::analysis::forecast::Bound;
use crate::analysis::forecast::Forecast;
use crate::analysis::forecast::RouteKm;
use crate::analysis::rates::Interval;
use crate::derived::forecast::OUT_M;
use crate::derived::forecast::TrailPeriod;
use crate::derived::rates::Limits;
use crate::derived::season::too_little_words;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

fn limits(interval: Interval) -> Limits {
    Limits { value: interval.mean, lower: interval.lower, upper: interval.upper }
}

pub(super) fn by_trail(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.forecasts)?;
    let walked = format!("out along the trail, {:.0} km at most, and back the same way", OUT_M / 1000.0);
    let once = "reports of one party, each kilometre counted once";
    let twice = "reports of one party, each kilometre as often as it is walked";
    let at_most = "where too little walking is known for a figure: exact upper 95 % limit over all trails";
    let chance = "probability of at least one report, mean of 1 - exp(-expected) over draws";
    Ok(Table::of(layer.rows.iter().collect())
        .column("trail", "", "name of the trail", |row| row.trail.clone())
        .column("from", "", "the nearest trailhead, where the walk begins", |row| row.trailhead.clone())
        .column("month", "", "1 to 12; empty for the whole year", |row| {
            row.period.month.map(|month| u64::from(month.unsigned_abs()))
        })
        .column("part_of_day", "", "part of the day; all when empty", |row| {
            row.period.part.map(|part| part.term())
        })
        .column("walked_km", "km", &walked, |row| row.walked_km)
        .column("assumed_km", "km", "of them, where walking is assumed from priors", |row| {
            km(row).map(|km| km.assumed)
        })
        .column("left_out_km", "km", "of them, in no figure: no known walking", |row| {
            km(row).map(|km| km.left_out())
        })
        .column("forecast_is", "", "whether there is a forecast, or why not", |row| state(row))
        .column("at_most_per_1000_km", "reports per 1,000 km", at_most, |row| match &row.forecast {
            Ok(Forecast::TooLittleKnown { known, .. }) => {
                known.at_most_per_km().map(|per_km| per_km * 1000.0)
            }
            _ => None,
        })
        .limits("expected_once", "reports", once, |row| Some(limits(bounds(row)?.0.expected)))
        .limits("expected_each_pass", "reports", twice, |row| Some(limits(bounds(row)?.1.expected)))
        .limits("at_least_one_once", "probability", chance, |row| Some(limits(bounds(row)?.0.at_least_one)))
        .limits("at_least_one_each_pass", "probability", chance, |row| {
            Some(limits(bounds(row)?.1.at_least_one))
        })
        .done())
}

fn bounds(row: &TrailPeriod) -> Option<(&Bound, &Bound)> {
    match row.forecast.as_ref().ok()? {
        Forecast::Estimated { lower, upper, .. } => Some((lower, upper)),
        Forecast::TooLittleKnown { .. } | Forecast::NotEstimable { .. } => None,
    }
}

fn km(row: &TrailPeriod) -> Option<&RouteKm> {
    row.forecast.as_ref().ok().map(Forecast::km)
}

fn state(row: &TrailPeriod) -> String {
    match &row.forecast {
        Err(reason) => reason.clone(),
        Ok(Forecast::NotEstimable { .. }) => "no exposure".to_owned(),
        Ok(Forecast::TooLittleKnown { known, .. }) => too_little_words(known),
        Ok(Forecast::Estimated { km, .. }) if km.left_out() > 0.0 => "estimated in part".to_owned(),
        Ok(Forecast::Estimated { .. }) => "estimated".to_owned(),
    }
}
