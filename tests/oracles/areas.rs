//! Rates of areas, and false discovery.

use coilway::analysis::empirical_bayes::GammaPrior;
use coilway::analysis::empirical_bayes::PlugInPosterior;
use coilway::analysis::empirical_bayes::marshall;
use coilway::analysis::empirical_bayes::plug_in_posterior;
use coilway::analysis::false_discovery;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::optional;
use crate::answer::real;
use crate::answer::reals;
use crate::record::Record;

pub(crate) fn empirical_bayes(record: &Record) -> Answered {
    let (events, exposures): (Vec<u64>, Vec<f64>) = (record.get("events")?, record.get("exposure")?);
    let fit = marshall(&events, &exposures)?;
    let rates: Vec<Value> = fit.areas.iter().map(|area| optional(area.rate())).collect();
    let value = if record.asks("gamma prior (moments) and plug-in 95% posterior") {
        let GammaPrior::Gamma { shape, rate } = fit.prior else { return failed("no prior") };
        let areas: Vec<usize> = record.get("areas")?;
        let posterior: Result<Vec<Value>, Problem> =
            areas.iter().map(|&area| posterior(fit.prior, events[area], exposures[area])).collect();
        json!({ "alpha": real(shape), "beta": real(rate), "posterior": posterior? })
    } else if record.asks("first five shrunk rates") {
        let areas: Vec<usize> = record.get("areas")?;
        areas.iter().map(|&area| rates[area].clone()).collect()
    } else if [
        "Marshall (1991)",
        "less variation than Poisson",
        "no events anywhere",
        "a segment with zero exposure",
    ]
    .iter()
    .any(|words| record.asks(words))
    {
        json!({
            "m": real(fit.overall_rate),
            "A": real(fit.between_variance),
            "A_raw": real(fit.between_variance_raw),
            "rates": rates,
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

fn posterior(prior: GammaPrior, events: u64, exposure: f64) -> Result<Value, Problem> {
    match plug_in_posterior(prior, events, exposure, 0.95)? {
        PlugInPosterior::Estimate { mean, lower, upper } => {
            Ok(json!({ "mean": real(mean), "lo": real(lower), "hi": real(upper) }))
        }
        PlugInPosterior::CannotTellApart => failed("no posterior"),
    }
}

pub(crate) fn benjamini_hochberg(record: &Record) -> Answered {
    let p_values: Vec<f64> = record.get("p")?;
    Ok(Answer::of(reals(false_discovery::benjamini_hochberg(&p_values)?)))
}
