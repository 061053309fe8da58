//! What one party is expected to report on each trail, and all over the whole area, by month and part of the day.

use crate::analysis::forecast::Bound;
use crate::analysis::forecast::Forecast;
use crate::analysis::forecast::PeriodKnown;
use crate::analysis::rates::Interval;
use crate::derived::forecast::OUT_M;
use crate::derived::forecast::TrailPeriod;
use crate::derived::forecast::area::AreaFigures;
use crate::derived::forecast::area::AreaPeriod;
use crate::derived::rates::Limits;
use crate::derived::season::PeriodChoice;
use crate::derived::season::too_little_words;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

fn limits(interval: Interval) -> Limits {
    Limits { value: interval.mean, lower: interval.lower, upper: interval.upper }
}

/// A row of the table.
struct Row<'a> {
    trail: &'a str,
    from: &'a str,
    walk: &'static str,
    parties: Option<f64>,
    period: PeriodChoice,
    walked_km: Option<f64>,
    assumed_km: Option<f64>,
    left_out_km: Option<f64>,
    at_places_km: Option<f64>,
    state: String,
    known: Option<PeriodKnown>,
    bounds: Option<(&'a Bound, &'a Bound)>,
}

fn of_trail(row: &TrailPeriod) -> Row<'_> {
    let km = row.forecast.as_ref().ok().map(Forecast::km);
    let (known, bounds) = match &row.forecast {
        Ok(Forecast::Estimated { lower, upper, .. }) => (None, Some((&**lower, &**upper))),
        Ok(Forecast::TooLittleKnown { known, .. }) => (Some(*known), None),
        Ok(Forecast::NotEstimable { .. }) | Err(_) => (None, None),
    };
    Row {
        trail: &row.trail,
        from: &row.trailhead,
        walk: "out and back",
        parties: Some(1.0),
        period: row.period,
        walked_km: Some(row.walked_km),
        assumed_km: km.map(|km| km.assumed),
        left_out_km: km.map(|km| km.left_out()),
        at_places_km: km.map(|km| km.at_places),
        state: match &row.forecast {
            Err(reason) => reason.clone(),
            Ok(Forecast::NotEstimable { .. }) => "no exposure".to_owned(),
            Ok(Forecast::TooLittleKnown { known, .. }) => too_little_words(known),
            Ok(Forecast::Estimated { km, .. }) => in_part(km.left_out() > 0.0),
        },
        known,
        bounds,
    }
}

/// The two rows of the whole area in a period: one party, and all of them.
fn of_area(row: &AreaPeriod) -> [Row<'_>; 2] {
    let answer = row.answer.as_ref().ok();
    let (state, known, forecast) = match row.answer.as_ref().map(|answer| &answer.figures) {
        Err(reason) => (reason.clone(), None, None),
        Ok(AreaFigures::NotEstimable) => ("no exposure".to_owned(), None, None),
        Ok(AreaFigures::TooLittleKnown(known)) => (too_little_words(known), Some(*known), None),
        Ok(AreaFigures::Estimated(forecast)) => {
            let is_partial = answer.is_some_and(|it| it.trail_km.left_out() > 0.0 || it.n_months_unknown > 0);
            (in_part(is_partial), None, Some(&**forecast))
        }
    };
    let of = |walk, is_all: bool| Row {
        trail: "the whole area",
        from: "",
        walk,
        parties: if is_all { forecast.map(|it| it.parties.mean) } else { Some(1.0) },
        period: row.period,
        walked_km: forecast.map(|it| if is_all { it.km.estimated() } else { it.party_km.mean }),
        assumed_km: forecast.map(|it| match is_all {
            true => it.km.assumed,
            false => it.party_km.mean * it.km.assumed / it.km.estimated(),
        }),
        left_out_km: answer.map(|it| it.trail_km.left_out()),
        at_places_km: answer.map(|it| it.trail_km.at_places),
        state: state.clone(),
        known,
        bounds: forecast.map(|it| if is_all { &it.of_all } else { &it.of_parties }).map(|it| (&it.0, &it.1)),
    };
    [of("the average of all walking", false), of("all walking of a mean year", true)]
}

fn in_part(is_partial: bool) -> String {
    if is_partial { "estimated in part" } else { "estimated" }.to_owned()
}

pub(super) fn by_trail(layers: &Layers) -> Result<Table, String> {
    let layer = need(&layers.forecasts)?;
    let walk = format!(
        "what is walked: out along the trail, {:.0} km at most, and back the same way; or over the whole area",
        OUT_M / 1000.0
    );
    let once = "reports of the parties, each kilometre of a party counted once";
    let twice = "reports of the parties, each kilometre as often as it is walked";
    let at_most = "where too little walking is known for a figure: exact upper 95 % limit over all trails";
    let chance = "probability of at least one report, mean of 1 - exp(-expected) over draws";
    let rows: Vec<Row<'_>> =
        layer.rows.iter().map(of_trail).chain(layer.area.iter().flat_map(of_area)).collect();
    Ok(Table::of(rows)
        .column("trail", "", "name of the trail, or the whole area", |row: &Row<'_>| row.trail)
        .column("from", "", "the nearest trailhead, where the walk begins; empty for the whole area", |row| {
            row.from
        })
        .column("walk", "", &walk, |row| row.walk)
        .column("parties", "parties", "parties that walk it; of all walking their mean number", |row| {
            row.parties
        })
        .column("month", "", "1 to 12; empty for the whole year", |row| {
            row.period.month.map(|month| u64::from(month.unsigned_abs()))
        })
        .column("part_of_day", "", "part of the day; all when empty", |row| {
            row.period.part.map(|part| part.term())
        })
        .column("walked_km", "km", "walked by these parties; over the whole area their mean", |row| {
            row.walked_km
        })
        .column("assumed_km", "km", "of them, where walking is assumed from priors", |row| row.assumed_km)
        .column(
            "left_out_km",
            "km",
            "in no figure, no known walking: of the walk, or kilometres of trail for the whole area",
            |row| row.left_out_km,
        )
        .column("at_places_km", "km", "of them, in no figure: inside places, which count by visits", |row| {
            row.at_places_km
        })
        .column("forecast_is", "", "whether there is a forecast, or why not", |row| row.state.clone())
        .column("at_most_per_1000_km", "reports per 1,000 km", at_most, |row| {
            row.known.and_then(|known| known.at_most_per_km()).map(|per_km| per_km * 1000.0)
        })
        .limits("expected_once", "reports", once, |row| Some(limits(row.bounds?.0.expected)))
        .limits("expected_each_pass", "reports", twice, |row| Some(limits(row.bounds?.1.expected)))
        .limits("at_least_one_once", "probability", chance, |row| Some(limits(row.bounds?.0.at_least_one)))
        .limits("at_least_one_each_pass", "probability", chance, |row| {
            Some(limits(row.bounds?.1.at_least_one))
        })
        .done())
}
