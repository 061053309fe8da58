//! Times of day as directions, and harmonic regression.

use coilway::analysis::circular::MeanDirection;
use coilway::analysis::circular::Rayleigh;
use coilway::analysis::circular::Weighting;
use coilway::analysis::circular::hours_to_radians;
use coilway::analysis::circular::per_hour;
use coilway::analysis::circular::radians_to_hours;
use coilway::analysis::circular::resultant;
use coilway::analysis::circular::von_mises_density;
use coilway::analysis::season::HarmonicOutcome;
use coilway::analysis::season::harmonic_poisson;
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

fn radians(record: &Record) -> Result<Vec<f64>, Problem> {
    if record.has("radians") {
        record.get("radians")
    } else if record.has("degrees") {
        Ok(record.get::<Vec<f64>>("degrees")?.into_iter().map(f64::to_radians).collect())
    } else {
        Ok(record.get::<Vec<f64>>("hours")?.into_iter().map(hours_to_radians).collect())
    }
}

pub(crate) fn directions(record: &Record) -> Answered {
    let directions = radians(record)?;
    if record.asks("von Mises kernel density") {
        return kernel_density(record, &directions);
    }
    let known = [
        "mean direction and circular variance",
        "circular variance",
        "Rayleigh p",
        "mean, z and Rayleigh p",
        "times of day (hours)",
        "opposite directions cancel",
        "a single time",
    ];
    if !known.iter().any(|words| record.asks(words)) {
        return Err(Problem::Unknown);
    }
    let resultant = resultant(&directions)?;
    let mean = match resultant.mean() {
        MeanDirection::Radians(mean) => Some(mean),
        MeanDirection::Undefined => None,
    };
    // Records of plain formulas give the angle of a vanishing resultant too; the library shows no mean there, as the
    // record on cancelling directions asks.
    let mean_hour = if record.asks("times of day (hours)") {
        Some(radians_to_hours(resultant.argument()))
    } else {
        resultant.mean().hours()
    };
    let test = match resultant.rayleigh() {
        Rayleigh::Tested(test) => Some(test),
        Rayleigh::TooFew => None,
    };
    Ok(Answer::of(json!({
        "mean": optional(mean),
        "mean_deg": optional(mean.map(f64::to_degrees)),
        "mean_hour": optional(mean_hour),
        "R": real(resultant.length()),
        "circ_var": real(resultant.variance()),
        "circ_sd": real(resultant.standard_deviation()),
        "z": optional(test.map(|test| test.z)),
        "p": optional(test.map(|test| test.p_zar)),
        "p_zar": optional(test.map(|test| test.p_zar)),
        "p_series": optional(test.map(|test| test.p_series)),
        "p_first": optional(test.map(|test| test.p_first_order)),
    })))
}

fn kernel_density(record: &Record, directions: &[f64]) -> Answered {
    let at: Vec<f64> = record.get::<Vec<f64>>("at_hours")?.into_iter().map(hours_to_radians).collect();
    let densities = von_mises_density(directions, Weighting::Equal, record.get("kappa")?, &at)?;
    let hourly = densities.iter().map(|&density| per_hour(density));
    Ok(Answer::of(json!({ "per_hour": reals(hourly), "per_radian": reals(densities.iter().copied()) })))
}

pub(crate) fn harmonics(record: &Record) -> Answered {
    if !record.asks("log rate = b0") {
        return Err(Problem::Unknown);
    }
    let (times, events): (Vec<f64>, Vec<u32>) = (record.get("t")?, record.get("events")?);
    let exposure: Vec<f64> = record.get("exposure")?;
    let outcome =
        harmonic_poisson(&times, &events, &exposure, record.get("period")?, record.get("harmonics")?)?;
    let fitted = match outcome {
        HarmonicOutcome::Fitted(fitted) => fitted,
        HarmonicOutcome::NotEstimable(why) => return failed(format!("{why:?}")),
    };
    let Some(test) = fitted.test else { return failed("no test") };
    let fit = &fitted.fit;
    Ok(Answer::of(json!({
        "coef": reals(fit.coefficients.iter().copied()),
        "se": reals(fit.standard_errors()),
        "deviance": real(fit.deviance),
        "loglik": real(fit.log_likelihood),
        "null_deviance": real(fit.null_deviance),
        "lr_chi2": real(test.statistic),
        "lr_df": Value::from(test.degrees_of_freedom as u64),
        "lr_p": real(test.p_value),
        "pearson_dispersion": optional(fit.pearson_dispersion()),
        "peak_t_first_harmonic": optional(fitted.first_peak()),
        "amplitude_log": optional(fitted.first_amplitude()),
        "peak_trough_ratio": optional(fitted.first_peak_trough_ratio()),
    })))
}
