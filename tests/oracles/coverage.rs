//! Maximum coverage.

use coilway::signage::placement::coverage::Coverage;
use coilway::signage::placement::exact::SearchParams;
use coilway::signage::placement::exact::best_choice;
use coilway::signage::placement::linear::Sites;
use coilway::signage::placement::linear::optimum_by_solver;
use coilway::signage::placement::rules::Rules;
use coilway::signage::placement::selection::greedy;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::real;
use crate::record::Record;

pub(crate) fn most_covered(record: &Record) -> Answered {
    let weights: Vec<f64> = record.get("weights")?;
    let coverage = Coverage::new(&cover(record)?, weights)?;
    let p: usize = record.get("p")?;
    let optimum = proven_optimum(&coverage, p)?;
    if record.asks("p at least the number of useful sites") {
        let value = json!({ "optimum": real(optimum), "p0": real(proven_optimum(&coverage, 0)?) });
        return Ok(Answer::of(value));
    }
    if !record.asks("optimum covered weight with p sites") {
        return Err(Problem::Unknown);
    }
    // Choices may tie: the one in the record has to be worth as much as ours, not to be the same.
    let theirs: Vec<usize> = serde_json::from_value(record.expected["one_optimal"].clone())?;
    let worth = coverage.covered_weight(&theirs);
    if theirs.len() > p || (worth - optimum).abs() > 1e-9 * optimum {
        return failed(format!("the record's choice covers {worth}, the best one {optimum}"));
    }
    let rules = Rules::sites(p);
    let greedy = greedy(&coverage, &rules)?;
    let answer = Answer::of(json!({
        "optimum": real(optimum),
        "greedy": real(greedy.value),
        "greedy_order": greedy.order,
        "lp_bound": real(optimum_by_solver(&coverage, &rules, Sites::InPart)?),
        "total_weight": real(coverage.total_weight()),
    }));
    Ok(answer.without("one_optimal"))
}

fn proven_optimum(coverage: &Coverage, p: usize) -> Result<f64, Problem> {
    let choice = best_choice(coverage, &Rules::sites(p), &SearchParams::default())?;
    if choice.proven { Ok(choice.value) } else { failed(format!("not proven: {choice:?}")) }
}

fn cover(record: &Record) -> Result<Vec<Vec<usize>>, Problem> {
    if record.has("cover") {
        return record.get("cover");
    }
    let (candidates, demand): (Vec<[i64; 2]>, Vec<[i64; 2]>) =
        (record.get("candidates")?, record.get("demand")?);
    let radius: i64 = record.get("radius")?;
    let within = |a: &[i64; 2], b: &[i64; 2]| {
        let [dx, dy] = [a[0] - b[0], a[1] - b[1]];
        dx * dx + dy * dy <= radius * radius
    };
    let row = |site| (0..demand.len()).filter(|&element| within(site, &demand[element])).collect();
    Ok(candidates.iter().map(row).collect())
}
