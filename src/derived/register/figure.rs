//! The figure that a decision rests on, whole, so that it can be read as it was when everything else has moved on.

use serde::Deserialize;
use serde::Serialize;

use crate::analysis::rates::Interval;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::UnitRate;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::RateLayer;

/// The figure of a stretch over all months and hours.
#[derive(Debug, Clone, PartialEq)]
pub struct StretchFigure {
    /// The stretch's name.
    pub name: String,
    /// The lasting identifiers of its segments.
    pub segment_ids: Vec<i64>,
    /// Its length, metres.
    pub length_m: f64,
    /// First and last day that the figure is for, as ISO dates.
    pub period: (String, String),
    /// Encounters per 1,000 km walked by parties, with the 95 % interval; none where it cannot be given.
    pub rate: Option<Limits>,
    /// Why there is no rate; empty where there is one.
    pub no_rate: String,
    /// Reported encounters.
    pub count: f64,
    /// Kilometres walked by parties, with the 95 % interval.
    pub walked_km: Limits,
    /// Where the walking comes from.
    pub provenance: String,
    /// The probability that the rate is above the multiple of the reference; none where walking is assumed.
    pub exceedance: Option<f64>,
    /// The multiple.
    pub multiple: f64,
    /// The probability from which on a stretch is called.
    pub call_level: f64,
    /// Whether it is called.
    pub is_called: bool,
    /// The reference: all reports over all walking, per 1,000 km.
    pub reference: Limits,
    /// Settings, draws and seed, in words.
    pub settings: String,
}

/// How a decision keeps the figure.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct FigureWire {
    stretch: String,
    segments: Vec<String>,
    length_m: f64,
    first_day: String,
    last_day: String,
    rate_per_1000_km: Option<f64>,
    rate_lower: Option<f64>,
    rate_upper: Option<f64>,
    no_rate: String,
    encounters: f64,
    walked_km: f64,
    walked_km_lower: f64,
    walked_km_upper: f64,
    provenance: String,
    exceedance: Option<f64>,
    exceedance_multiple: f64,
    call_level: f64,
    is_called: bool,
    reference_per_1000_km: f64,
    reference_lower: f64,
    reference_upper: f64,
    settings: String,
}

impl From<&StretchFigure> for FigureWire {
    fn from(figure: &StretchFigure) -> Self {
        Self {
            stretch: figure.name.clone(),
            segments: figure.segment_ids.iter().map(|id| segment_text(*id)).collect(),
            length_m: figure.length_m,
            first_day: figure.period.0.clone(),
            last_day: figure.period.1.clone(),
            rate_per_1000_km: figure.rate.map(|rate| rate.value),
            rate_lower: figure.rate.map(|rate| rate.lower),
            rate_upper: figure.rate.map(|rate| rate.upper),
            no_rate: figure.no_rate.clone(),
            encounters: figure.count,
            walked_km: figure.walked_km.value,
            walked_km_lower: figure.walked_km.lower,
            walked_km_upper: figure.walked_km.upper,
            provenance: figure.provenance.clone(),
            exceedance: figure.exceedance,
            exceedance_multiple: figure.multiple,
            call_level: figure.call_level,
            is_called: figure.is_called,
            reference_per_1000_km: figure.reference.value,
            reference_lower: figure.reference.lower,
            reference_upper: figure.reference.upper,
            settings: figure.settings.clone(),
        }
    }
}

impl TryFrom<FigureWire> for StretchFigure {
    type Error = std::num::ParseIntError;

    fn try_from(wire: FigureWire) -> Result<Self, Self::Error> {
        let rate = wire.rate_per_1000_km.zip(wire.rate_lower).zip(wire.rate_upper);
        let id = |text: &String| u64::from_str_radix(text, 16).map(u64::cast_signed);
        Ok(Self {
            name: wire.stretch,
            segment_ids: wire.segments.iter().map(id).collect::<Result<_, _>>()?,
            length_m: wire.length_m,
            period: (wire.first_day, wire.last_day),
            rate: rate.map(|((value, lower), upper)| Limits { value, lower, upper }),
            no_rate: wire.no_rate,
            count: wire.encounters,
            walked_km: Limits {
                value: wire.walked_km,
                lower: wire.walked_km_lower,
                upper: wire.walked_km_upper,
            },
            provenance: wire.provenance,
            exceedance: wire.exceedance,
            multiple: wire.exceedance_multiple,
            call_level: wire.call_level,
            is_called: wire.is_called,
            reference: Limits {
                value: wire.reference_per_1000_km,
                lower: wire.reference_lower,
                upper: wire.reference_upper,
            },
            settings: wire.settings,
        })
    }
}

/// A segment's identifier as addresses write it.
pub(super) fn segment_text(id: i64) -> String {
    format!("{:016x}", id.cast_unsigned())
}

impl StretchFigure {
    /// The figure as a decision keeps it. The same figure gives the same bytes.
    pub fn to_json(&self) -> String {
        // Numbers and texts alone: there is nothing in it that could not be written.
        serde_json::to_string(&FigureWire::from(self)).unwrap_or_default()
    }

    /// Reads a kept figure; none when it has other fields than this version writes.
    pub fn from_json(json: &str) -> Option<Self> {
        let wire: FigureWire = serde_json::from_str(json).ok()?;
        wire.try_into().ok()
    }
}

/// The figure of one stretch of the layer.
pub(super) fn of_stretch(
    facts: &Facts,
    network: &NetworkLayer,
    exposure: &ExposureLayer,
    (rates, unit): (&RateLayer, usize),
) -> StretchFigure {
    let (set, settings) = (&rates.stretches, &facts.settings);
    let fit = &set.fit.units[unit];
    let segments = set.members[unit].iter().map(|idx| &network.network.segments[*idx]);
    let (lower, upper) = set.exposure_limits_km[unit];
    StretchFigure {
        name: set.names[unit].clone(),
        segment_ids: segments.clone().map(|segment| segment.id.number().cast_signed()).collect(),
        length_m: segments.map(|segment| segment.length_m).sum(),
        period: (exposure.period.first().to_string(), exposure.period.last().to_string()),
        rate: fit.estimate().map(|estimate| per_1000_km(&estimate.per_km)),
        no_rate: match fit.rate {
            UnitRate::Estimated(_) => String::new(),
            UnitRate::Unexposed => "no exposure".to_owned(),
            UnitRate::ContradictsRecords => "exposure contradicts records".to_owned(),
        },
        count: fit.count,
        walked_km: Limits { value: fit.exposure_km, lower, upper },
        provenance: provenance_words(set.provenance[unit]).to_owned(),
        exceedance: fit.judged().map(|(_, probability)| probability),
        multiple: settings.multiple,
        call_level: settings.call_level,
        is_called: set.fit.calls.units.contains(&unit),
        reference: per_1000_km(&set.fit.reference_per_km),
        settings: format!("{}, {} draws, seed {}", settings.words(), settings.n_draws, settings.seed),
    }
}

fn per_1000_km(interval: &Interval) -> Limits {
    Limits { value: interval.mean * 1000.0, lower: interval.lower * 1000.0, upper: interval.upper * 1000.0 }
}

fn provenance_words(provenance: Provenance) -> &'static str {
    match provenance {
        Provenance::Counted => "counted",
        Provenance::Fitted => "fitted from counters",
        Provenance::Assumed => "assumed from priors",
        Provenance::NotWalked => "no walking recorded",
    }
}

/// What differs between the figure of then and that of now, a line each; empty when nothing that matters does.
pub(super) fn changes(then: &StretchFigure, now: &StretchFigure) -> Vec<String> {
    let mut lines = Vec::new();
    match (then.is_called, now.is_called) {
        (true, false) => lines.push("no longer above the threshold".to_owned()),
        (false, true) => lines.push("above the threshold now, not then".to_owned()),
        _ => {}
    }
    if let (Some(then), Some(now)) = (then.rate, now.rate)
        && !(then.lower..=then.upper).contains(&now.value)
    {
        lines.push("the rate now lies outside the interval of then".to_owned());
    }
    if then.rate.is_some() != now.rate.is_some() {
        lines.push(
            if now.rate.is_some() { "a rate can be given now" } else { "no rate can be given now" }
                .to_owned(),
        );
    }
    let more = now.count - then.count;
    if more.abs() >= 0.5 {
        let word = if more > 0.0 { "more" } else { "fewer" };
        lines.push(format!("{:.0} reported encounters {word}", more.abs()));
    }
    if then.period != now.period {
        lines.push(format!("days now {} to {}", now.period.0, now.period.1));
    }
    if then.settings != now.settings || then.multiple != now.multiple || then.call_level != now.call_level {
        lines.push("other settings".to_owned());
    }
    lines
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::derived::register) fn figure(name: &str, segment_ids: &[i64]) -> StretchFigure {
        let limits = |value, lower, upper| Limits { value, lower, upper };
        StretchFigure {
            name: name.to_owned(),
            segment_ids: segment_ids.to_vec(),
            length_m: 393.0,
            period: ("2024-04-01".to_owned(), "2024-06-30".to_owned()),
            rate: Some(limits(5.8, 3.9, 8.4)),
            no_rate: String::new(),
            count: 29.0,
            walked_km: limits(4986.0, 4200.0, 5900.0),
            provenance: "fitted from counters".to_owned(),
            exceedance: Some(0.97),
            multiple: 1.5,
            call_level: 0.8,
            is_called: true,
            reference: limits(2.1, 1.8, 2.5),
            settings: "default settings, 200 draws, seed 1".to_owned(),
        }
    }

    #[test]
    fn a_kept_figure_is_read_as_it_was() {
        let with_rate = figure("Ledge Walk, km 0.00 to 0.52", &[1, -5]);
        let without = StretchFigure {
            rate: None,
            exceedance: None,
            no_rate: "no exposure".to_owned(),
            ..with_rate.clone()
        };
        for figure in [with_rate, without] {
            assert_eq!(StretchFigure::from_json(&figure.to_json()), Some(figure));
        }
        assert_eq!(StretchFigure::from_json("{\"rate\":1.2}"), None);
    }

    #[test]
    fn what_changed_is_said_and_nothing_else() {
        let then = figure("a", &[1]);
        assert!(changes(&then, &then).is_empty());
        let now = StretchFigure {
            is_called: false,
            count: 31.0,
            rate: Some(Limits { value: 3.0, lower: 2.0, upper: 4.0 }),
            settings: "call level 0.9".to_owned(),
            ..then.clone()
        };
        let lines = changes(&then, &now);
        let expected = [
            "no longer above the threshold",
            "the rate now lies outside the interval of then",
            "2 reported encounters more",
            "other settings",
        ];
        assert_eq!(lines, expected);
    }
}
