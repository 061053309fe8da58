//! Limits and tests for counts, shares, tables and trends.

use coilway::analysis::counts::RawRate;
use coilway::analysis::counts::binomial;
use coilway::analysis::counts::fisher::fisher_exact;
use coilway::analysis::counts::poisson;
use coilway::analysis::counts::rate_ratio::Counted;
use coilway::analysis::counts::rate_ratio::rate_ratio;
use coilway::analysis::counts::rate_ratio::rate_ratio_minlike_limits;
use coilway::analysis::counts::raw_rate;
use coilway::analysis::counts::stratified::StratifiedTest;
use coilway::analysis::counts::stratified::mantel_haenszel;
use coilway::analysis::counts::trend::ExactTrend;
use coilway::analysis::counts::trend::ExactTrendTest;
use coilway::analysis::counts::trend::ScoredGroups;
use coilway::analysis::counts::trend::Trend;
use coilway::analysis::counts::trend::TrendTest;
use coilway::analysis::counts::trend::cochran_armitage;
use coilway::analysis::counts::trend::exact_trend;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::pair;
use crate::answer::ratio;
use crate::answer::ratio_limits;
use crate::answer::real;
use crate::record::Record;

/// The level of records that name none: their quantities or field names say 95 %.
const USUAL_LEVEL: f64 = 0.95;

fn level(record: &Record) -> Result<f64, Problem> {
    if record.has("confidence") { record.get("confidence") } else { Ok(USUAL_LEVEL) }
}

pub(crate) fn poisson(record: &Record) -> Answered {
    let level = level(record)?;
    if record.has("per") {
        return rates_per(record, level);
    }
    let count = record.get("events")?;
    let value = if record.asks("central exact (Garwood)") {
        pair(poisson::poisson_limits(count, level)?)
    } else if record.asks("mid-p") {
        pair(poisson::poisson_mid_p_limits(count, level)?)
    } else if record.asks("central exact 95% limits for a rate and p") {
        let exposure = record.get("exposure")?;
        let (rate, limits) = estimate(count, exposure, level)?;
        let test = poisson::rate_test(count, exposure, record.get("null_rate")?)?;
        json!({ "rate": real(rate), "ci95": pair(limits), "p_central": real(test.two_sided_central()) })
    } else if record.asks("score 95% limits for a rate") {
        let exposure: f64 = record.get("exposure")?;
        let (lower, upper) = poisson::poisson_score_limits(count, level)?;
        pair((lower / exposure, upper / exposure))
    } else if record.asks("exact 95% upper limit") {
        json!({
            "two_sided_upper": real(poisson::poisson_limits(count, level)?.1),
            "one_sided_upper": real(poisson::poisson_upper_limit(count, level)?),
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

fn estimate(count: u64, exposure: f64, level: f64) -> Result<(f64, (f64, f64)), Problem> {
    match raw_rate(count, exposure, level)? {
        RawRate::Estimate { rate, lower, upper } => Ok((rate, (lower, upper))),
        other => failed(format!("{other:?}")),
    }
}

fn rates_per(record: &Record, level: f64) -> Answered {
    let per: f64 = record.get("per")?;
    let (x1, x2): (u64, u64) = (record.get("x1")?, record.get("x2")?);
    let (t1, t2): (f64, f64) = (record.get("t1")?, record.get("t2")?);
    let scaled = |count, exposure| -> Result<(Value, Value), Problem> {
        let (rate, (lower, upper)) = estimate(count, exposure, level)?;
        Ok((real(rate * per), pair((lower * per, upper * per))))
    };
    let (first, second, all) = (scaled(x1, t1)?, scaled(x2, t2)?, scaled(x1 + x2, t1 + t2)?);
    Ok(Answer::of(json!({
        "rate1": first.0, "ci1": first.1,
        "rate2": second.0, "ci2": second.1,
        "rate_all": all.0, "ci_all": all.1,
    })))
}

pub(crate) fn binomial(record: &Record) -> Answered {
    let (events, trials, level) = (record.get("k")?, record.get("n")?, level(record)?);
    let exact = pair(binomial::clopper_pearson_limits(events, trials, level)?);
    let wilson = pair(binomial::wilson_limits(events, trials, level)?);
    let mid_p = pair(binomial::binomial_mid_p_limits(events, trials, level)?);
    let value = if record.asks("Clopper-Pearson") {
        exact
    } else if record.asks("Wilson") {
        wilson
    } else if record.asks("mid-p") {
        mid_p
    } else if record.asks("exact binomial test") {
        let tails = binomial::binomial_test(events, trials, record.get("p0")?)?;
        json!({
            "ci95": exact,
            "p_two_sided_minlike": real(tails.minlike),
            "p_less": real(tails.less),
            "p_greater": real(tails.greater),
        })
    } else if record.asks("95% limits") || record.asks("6 of 175 contacts struck") {
        json!({
            "share": real(events as f64 / trials as f64),
            "exact": exact.clone(),
            "clopper_pearson": exact,
            "wilson": wilson,
            "midp": mid_p,
            "wilson_cc": pair(binomial::wilson_corrected_limits(events, trials, level)?),
            "jeffreys": pair(binomial::jeffreys_limits(events, trials, level)?),
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

pub(crate) fn rate_ratios(record: &Record) -> Answered {
    let first = Counted { count: record.get("x1")?, exposure: record.get("t1")? };
    let second = Counted { count: record.get("x2")?, exposure: record.get("t2")? };
    let null_ratio = if record.has("null_ratio") { record.get("null_ratio")? } else { 1.0 };
    let compared = rate_ratio(first, second, USUAL_LEVEL, null_ratio)?;
    let tails = compared.tails;
    let value = if record.asks("conditional exact 95% interval and p-values") {
        json!({
            "ratio": ratio(compared.ratio),
            "ci95": ratio_limits(compared.limits),
            "ci95_midp": ratio_limits(compared.mid_p_limits),
            "p": {
                "less": real(tails.less),
                "greater": real(tails.greater),
                "two_sided_central": real(tails.two_sided_central()),
                "two_sided_minlike": real(tails.minlike),
                "two_sided_midp": real(tails.two_sided_mid_p()),
            },
        })
    } else if record.asks("p-values for ratio, two samples") {
        json!({
            "ratio": ratio(compared.ratio),
            "two_sided_minlike": real(tails.minlike),
            "two_sided_midp_minlike": real(tails.minlike_mid_p()),
            "ci95_minlike": minlike_limits_as_printed(first, second)?,
        })
    } else if record.asks("one-sided exact conditional p") {
        json!({
            "greater": real(tails.greater),
            "less": real(tails.less),
            "greater_midp": real(tails.greater_mid_p()),
            "less_midp": real(tails.less_mid_p()),
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

/// The limits by the rule of least likely outcomes, rounded as the source rounded them.
///
/// The source finds limits of the binomial share of the first count, rounds them outward to four decimals, and only then
/// turns them into ratios.
fn minlike_limits_as_printed(first: Counted, second: Counted) -> Result<Value, Problem> {
    let limits = rate_ratio_minlike_limits(first, second, USUAL_LEVEL)?;
    let Some(upper) = limits.upper else { return failed("no upper limit") };
    let exposures = first.exposure / second.exposure;
    let share = |ratio: f64| ratio * exposures / (1.0 + ratio * exposures);
    let ratio = |share: f64| share / (1.0 - share) / exposures;
    let lower_share = (share(limits.lower) * 1e4).floor() / 1e4;
    let upper_share = (share(upper) * 1e4).ceil() / 1e4;
    Ok(pair((ratio(lower_share), ratio(upper_share))))
}

pub(crate) fn fisher(record: &Record) -> Answered {
    let exact = fisher_exact(record.get("table")?, USUAL_LEVEL)?;
    Ok(Answer::of(json!({
        "p_two_sided_minlike": real(exact.tails.minlike),
        "p_less": real(exact.tails.less),
        "p_greater": real(exact.tails.greater),
        "odds_ratio_sample": ratio(exact.sample_odds_ratio),
        "odds_ratio_conditional_mle": ratio(exact.conditional_odds_ratio),
        "ci95_conditional": ratio_limits(exact.limits),
    })))
}

pub(crate) fn trend(record: &Record) -> Answered {
    let (events, trials): (Vec<u64>, Vec<u64>) = (record.get("events")?, record.get("totals")?);
    let with = |scores: &[f64]| tested(ScoredGroups { events: &events, trials: &trials, scores });
    let scores: Vec<f64> = record.get("scores")?;
    let (trend, exact) = with(&scores)?;
    let value = if record.asks("Cochran-Armitage two-sided p, asymptotic and exact") {
        let (equal, equal_exact) = with(&record.get::<Vec<f64>>("scores_equal")?)?;
        json!({
            "p_asymptotic": real(trend.p_value),
            "p_exact": real(exact.two_sided),
            "p_exact_one_sided": real(exact.upper.min(exact.lower)),
            "p_asymptotic_equal": real(equal.p_value),
            "p_exact_equal": real(equal_exact.two_sided),
        })
    } else if record.asks("chi-square for linear trend (Mantel extension, N-1)")
        || record.asks("linear trend chi")
    {
        json!({ "chi2_Nminus1": real(trend.chi_squared_mantel), "p": real(trend.p_value_mantel) })
    } else if record.asks("Cochran-Armitage trend in proportions") || record.asks("same data, full digits") {
        json!({
            "z": real(trend.z_score),
            "chi2_N": real(trend.chi_squared),
            "p_two_sided_N": real(trend.p_value),
            "chi2_Nminus1": real(trend.chi_squared_mantel),
            "p_two_sided_Nminus1": real(trend.p_value_mantel),
            "exact": {
                "upper": real(exact.upper),
                "lower": real(exact.lower),
                "two_sided_abs_dev": real(exact.two_sided),
                "twice_smaller": real(exact.twice_smaller()),
            },
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

fn tested(groups: ScoredGroups<'_>) -> Result<(Trend, ExactTrend), Problem> {
    match (cochran_armitage(groups)?, exact_trend(groups)?) {
        (TrendTest::Tested(trend), ExactTrendTest::Tested(exact)) => Ok((trend, exact)),
        (trend, exact) => failed(format!("{trend:?}, {exact:?}")),
    }
}

pub(crate) fn tables(record: &Record) -> Answered {
    let tables: Vec<[[u64; 2]; 2]> = record.get("tables")?;
    let pooled = mantel_haenszel(&tables, USUAL_LEVEL)?;
    let StratifiedTest::Tested { chi_squared, p_value, chi_squared_corrected, p_value_corrected } =
        pooled.test
    else {
        return failed("no test");
    };
    Ok(Answer::of(json!({
        "or_mh": ratio(pooled.odds_ratio),
        "ci95_or": ratio_limits(pooled.limits),
        "chi2_no_cc": real(chi_squared),
        "p_no_cc": real(p_value),
        "chi2_cc": real(chi_squared_corrected),
        "p_cc": real(p_value_corrected),
    })))
}
