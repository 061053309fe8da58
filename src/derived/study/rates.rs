//! Tables of encounter rates.

use crate::analysis::rates::Certainty;
use crate::analysis::rates::Exceedance;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::Rank;
use crate::analysis::rates::UnitFit;
use crate::analysis::rates::UnitRate;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::PeriodRates;
use crate::derived::rates::RateLayer;
use crate::derived::rates::RateSet;
use crate::derived::rates::in_period;
use crate::derived::rates::raw_per_1000_km;
use crate::derived::reference::known_trails;
use crate::derived::season::PeriodChoice;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Building;
use crate::derived::study::table::Table;
use crate::derived::study::table::Value;

pub(super) fn reference(layers: &Layers) -> Result<Table, String> {
    let (exposure, rates) = (need(&layers.exposure)?, need(&layers.rates)?);
    let known = ("trails whose walking is known", "posterior mean, which rates are set against");
    let all = ("all trails", "reports over walking, assumed walking and vague reports included");
    let of_all = rates.all_trails.map(|together| (all, together));
    let rows: Vec<_> = [(known, known_trails(rates, exposure))].into_iter().chain(of_all).collect();
    Ok(Table::of(rows)
        .column("trails", "", "what is put together", |((trails, _), _)| *trails)
        .column("rate_is", "", "what the rate is", |((_, rate_is), _)| *rate_is)
        .column("encounters", "", "reported encounters, mean over allocations", |(_, it)| it.count)
        .limits("walked_km", "km walked by parties", "exposure in the study period", |(_, it)| {
            Some(it.walked_km)
        })
        .limits("rate_per_1000_km", "per 1,000 km walked", "rate of reported encounters", |(_, it)| {
            Some(it.per_1000_km)
        })
        .done())
}

pub(super) fn trails(layers: &Layers) -> Result<Table, String> {
    let (layer, rates) = (need(&layers.network)?, need(&layers.rates)?);
    Ok(of_set(layers, layer, rates, &rates.trails)?.done())
}

pub(super) fn stretches(layers: &Layers) -> Result<Table, String> {
    let (layer, rates) = (need(&layers.network)?, need(&layers.rates)?);
    Ok(of_set(layers, layer, rates, &rates.stretches)?.done())
}

pub(super) fn segments(layers: &Layers) -> Result<Table, String> {
    let (layer, rates) = (need(&layers.network)?, need(&layers.rates)?);
    let segments = &layer.network.segments;
    let end = |vertex: usize| layer.network.vertices[vertex].position;
    let table = of_set(layers, layer, rates, &rates.segments)?
        .column("segment", "", "lasting number of the segment", |row| segments[row.unit].id.to_string())
        .column("stretch", "", "the stretch it is part of", |row| {
            rates.stretches.names[rates.stretch_of[row.unit]].clone()
        })
        .column("from_longitude", "degrees", "start of the segment, WGS 84", |row| {
            Value::Degrees(end(segments[row.unit].from).lon())
        })
        .column("from_latitude", "degrees", "start of the segment, WGS 84", |row| {
            Value::Degrees(end(segments[row.unit].from).lat())
        })
        .column("to_longitude", "degrees", "end of the segment, WGS 84", |row| {
            Value::Degrees(end(segments[row.unit].to).lon())
        })
        .column("to_latitude", "degrees", "end of the segment, WGS 84", |row| {
            Value::Degrees(end(segments[row.unit].to).lat())
        });
    Ok(table.done())
}

/// One unit of a set.
struct Row<'a> {
    unit: usize,
    fit: &'a UnitFit,
    set: &'a RateSet,
    length_km: f64,
    limits: Option<Limits>,
    certainty: Certainty,
    is_called: bool,
}

fn rows<'a>(layer: &NetworkLayer, set: &'a RateSet, period: &PeriodRates) -> Vec<Row<'a>> {
    let row = |(unit, fit): (usize, &'a UnitFit)| Row {
        unit,
        fit,
        set,
        length_km: set.members[unit].iter().map(|idx| layer.network.segments[*idx].length_m / 1000.0).sum(),
        limits: period.per_1000_km[unit],
        certainty: period.drawn[unit].1,
        is_called: set.fit.calls.units.contains(&unit),
    };
    set.fit.units.iter().enumerate().map(row).collect()
}

fn of_set<'a>(
    layers: &Layers,
    layer: &NetworkLayer,
    rates: &RateLayer,
    set: &'a RateSet,
) -> Result<Building<Row<'a>>, String> {
    let multiple = layers.facts.settings.multiple;
    let judged = format!("probability that the rate is above {multiple} times the reference rate");
    // As on the pages: the mean of the draws that periods multiply, so that table, map and figure say the same.
    let season = need(&layers.season)?;
    let period =
        in_period(set, &rates.bounds, season, PeriodChoice::default()).map_err(|error| error.to_string())?;
    let all = rows(layer, set, &period);
    let (n_all, is_whole) = (all.len(), std::ptr::eq(set, &rates.trails));
    let is_told = |row: &Row<'_>| is_whole || !layers.withheld.touches(&set.members[row.unit]);
    let rows: Vec<_> = all.into_iter().filter(is_told).collect();
    let n_withheld = n_all - rows.len();
    Ok(Table::first_of(rows.len(), rows, layers.most_rows)
        .withholding(n_withheld)
        .column("name", "", "name of the unit", |row| row.set.names[row.unit].clone())
        .column("trail", "", "the trail it lies on", |row| {
            row.set.members[row.unit].first().map(|segment| layer.trail_name(*segment).to_owned())
        })
        .column("length_km", "km", "length along the trail", |row| row.length_km)
        .column("encounters", "", "reported encounters, mean over allocations of uncertain records", |row| {
            row.fit.count
        })
        .limits("walked_km", "km walked by parties", "exposure in the study period", |row| {
            let (lower, upper) = row.set.exposure_limits_km[row.unit];
            Some(Limits { value: row.fit.exposure_km, lower, upper })
        })
        .column("walking_is", "", "where the exposure comes from", |row| {
            provenance(row.set.provenance[row.unit])
        })
        .column("rate_is", "", "whether there is a rate, or why not", |row| {
            rate_words(&row.fit.rate, row.set.provenance[row.unit])
        })
        .limits(
            "rate_per_1000_km",
            "per 1,000 km walked",
            "rate of reported encounters, shrunk towards the trail",
            |row| row.limits,
        )
        .limits("counted_per_1000_km", "per 1,000 km walked", "rate as counted, exact limits", |row| {
            raw_per_1000_km(row.fit.count, row.fit.exposure_km)
        })
        .column("shrinkage", "share", "weight of the trail's mean in the rate", |row| {
            row.fit.estimate().map(|it| it.shrinkage)
        })
        .column("exceedance", "probability", &judged, |row| exceedance(row.fit))
        .column("is_called", "", "whether the exceedance is above the call level", |row| {
            if row.is_called { "yes" } else { "no" }
        })
        .column("top_ten_share", "share", "share of draws in which it is among the ten highest", |row| {
            rank(row).map(|it| it.0)
        })
        .column("rank_lower", "", "lower 95 % limit of its rank, 1 the highest rate", |row| {
            rank(row).map(|it| it.1)
        })
        .column("rank_upper", "", "upper 95 % limit of its rank", |row| rank(row).map(|it| it.2))
        .column("interval_is", "", "how wide the interval is against the classes of the map", |row| {
            certainty_words(row.certainty)
        }))
}

fn exceedance(fit: &UnitFit) -> Option<f64> {
    match fit.estimate()?.exceedance {
        Exceedance::Probability(probability) => Some(probability),
        Exceedance::NotJudged => None,
    }
}

fn rank(row: &Row<'_>) -> Option<(f64, f64, f64)> {
    match row.set.ranking.units[row.unit] {
        Rank::Ranked { top_share, lower, upper } => Some((top_share, lower, upper)),
        Rank::NotRanked => None,
    }
}

fn rate_words(rate: &UnitRate, provenance: Provenance) -> &'static str {
    match rate {
        UnitRate::Estimated(estimate) => match estimate.exceedance {
            Exceedance::Probability(_) => "estimated",
            Exceedance::NotJudged if provenance.is_measured() => {
                "estimated, not judged: it is most of what it would be compared with"
            }
            Exceedance::NotJudged => "estimated, not judged: walking is assumed",
        },
        UnitRate::Unexposed => "no walking recorded",
        UnitRate::ContradictsRecords => "walking contradicts records",
    }
}

fn provenance(provenance: Provenance) -> &'static str {
    match provenance {
        Provenance::Counted => "counted",
        Provenance::Fitted => "fitted",
        Provenance::Assumed => "assumed",
        Provenance::NotWalked => "not walked",
    }
}

fn certainty_words(certainty: Certainty) -> &'static str {
    match certainty {
        Certainty::Narrow => "narrow",
        Certainty::Wide => "wide",
        Certainty::TooWide => "too wide",
        Certainty::None => "none",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::Interval;
    use crate::analysis::rates::RateEstimate;

    #[test]
    fn why_a_rate_is_not_judged_is_said_as_it_is() {
        let per_km = Interval { mean: 0.03, lower: 0.02, upper: 0.04 };
        let rate = |exceedance| UnitRate::Estimated(RateEstimate { per_km, shrinkage: 0.1, exceedance });
        let words = |exceedance, provenance| rate_words(&rate(exceedance), provenance);
        assert_eq!(words(Exceedance::Probability(0.2), Provenance::Counted), "estimated");
        assert!(words(Exceedance::NotJudged, Provenance::Assumed).ends_with("walking is assumed"));
        for provenance in [Provenance::Counted, Provenance::Fitted] {
            assert!(
                words(Exceedance::NotJudged, provenance).ends_with("most of what it would be compared with")
            );
        }
    }
}
