//! Two observers, and before and after with controls.

use coilway::analysis::before_after::Change;
use coilway::analysis::before_after::Period;
use coilway::analysis::before_after::control::Cells;
use coilway::analysis::before_after::control::before_after_control;
use coilway::analysis::counts::Ratio;
use coilway::analysis::double_observer::Detection;
use coilway::analysis::double_observer::independent;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::optional;
use crate::answer::pair;
use crate::answer::ratio;
use crate::answer::ratio_limits;
use crate::answer::real;
use crate::record::Record;

/// The records' quantities and field names say 95 %.
const LEVEL: f64 = 0.95;

pub(crate) fn observers(record: &Record) -> Answered {
    let (first, second, both) = (record.get("n1")?, record.get("n2")?, record.get("m")?);
    let found = independent(first, second, both, LEVEL)?;
    let share = |known: Option<Detection>| optional(known.map(|detection| detection.share));
    let mut value = json!({
        "lincoln_petersen": ratio(found.lincoln_petersen),
        "chapman": real(found.chapman),
        "var_chapman": real(found.variance),
        "se_chapman": real(found.variance.sqrt()),
        "p1": share(found.first),
        "p2": share(found.second),
        "p_either": share(found.either),
        "seen": found.seen,
        "ci95_normal": pair(found.normal_limits),
    });
    if let Some(limits) = found.limits {
        value["ci95_lognormal"] = pair(limits);
    }
    Ok(Answer::of(value))
}

pub(crate) fn before_after(record: &Record) -> Answered {
    let cell = |name: &str| -> Result<Period, Problem> {
        let (count, km): (u64, f64) = record.get(name)?;
        Ok(Period { count, km })
    };
    let cells = Cells {
        signed_before: cell("treated_before")?,
        signed_after: cell("treated_after")?,
        control_before: cell("control_before")?,
        control_after: cell("control_after")?,
    };
    let found = before_after_control(&cells, LEVEL)?;
    let (Change::Estimate(effect), Some(tests)) = (found.change, found.tests) else {
        return Ok(Answer::of(json!({ "effect": Value::Null, "reason": "zero count" })));
    };
    let plain = |value: Ratio| optional(value.finite());
    Ok(Answer::of(json!({
        "treated_ratio": plain(found.signed_ratio),
        "control_ratio": plain(found.control_ratio),
        "effect": real(effect),
        "log_effect": real(tests.log_effect),
        "se_log": real(tests.std_error),
        "ci95": ratio_limits(found.limits),
        "z": real(tests.z_score),
        "p_wald": real(tests.p_wald),
        "lr_chi2": real(tests.chi_squared),
        "p_lr": real(tests.p_likelihood_ratio),
    })))
}
