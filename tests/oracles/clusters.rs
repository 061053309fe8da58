//! Local and global measures of gathering.

use coilway::analysis::getis_ord::ZScore;
use coilway::analysis::getis_ord::gi;
use coilway::analysis::getis_ord::gi_star;
use coilway::analysis::moran::LocalMoran;
use coilway::analysis::moran::global_moran;
use coilway::analysis::moran::local_moran;
use coilway::analysis::permutation::exact_tails;
use coilway::analysis::weights::Weights;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::optional;
use crate::answer::real;
use crate::record::Record;

fn values_and_lists(record: &Record) -> Result<(Vec<f64>, Vec<Vec<usize>>), Problem> {
    Ok((record.get("y")?, record.get("neighbors")?))
}

fn scores(scores: &[ZScore]) -> Value {
    scores.iter().map(|score| optional(score.score())).collect()
}

pub(crate) fn dataset(record: &Record) -> Answered {
    let (values, lists) = values_and_lists(record)?;
    let weights = Weights::binary(&lists)?;
    weights.check_length(values.len())?;
    let links: usize = (0..weights.n_sites()).map(|site| weights.n_neighbours(site)).sum();
    Ok(Answer::of(json!({ "n": weights.n_sites(), "links": links })))
}

pub(crate) fn gi_star_of(record: &Record) -> Answered {
    if record.asks("Gi* z with unequal weights") {
        return by_inverse_distance(record);
    }
    let (values, lists) = values_and_lists(record)?;
    let all = gi_star(&values, &Weights::binary(&lists)?, 1.0)?;
    if record.asks("NOT to reproduce") {
        return scale_free(&values, &lists, &all);
    }
    let value = if record.asks("Gi* z, binary weights") || record.asks("Gi* z (binary)") {
        scores(&all)
    } else if record.asks("all values equal") {
        if all.iter().all(|score| *score == ZScore::Undefined) { Value::Null } else { scores(&all) }
    } else if record.asks("site whose neighbours and itself are all") {
        optional(all[record.get::<usize>("site")?].score())
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

fn by_inverse_distance(record: &Record) -> Answered {
    let (values, points): (Vec<f64>, Vec<[f64; 2]>) = (record.get("y")?, record.get("points_m")?);
    let band_m: f64 = record.get("band_m")?;
    let row = |site: usize| -> Vec<(usize, f64)> {
        let others = (0..points.len()).filter(|&other| other != site);
        let distances = others.map(|other| {
            let [a, b] = [points[site], points[other]];
            (other, (a[0] - b[0]).hypot(a[1] - b[1]))
        });
        distances
            .filter(|(_, d_m)| *d_m <= band_m)
            .map(|(other, d_m)| (other, 1.0 / (1.0 + d_m / 100.0)))
            .collect()
    };
    let rows: Vec<_> = (0..points.len()).map(row).collect();
    Ok(Answer::of(scores(&gi_star(&values, &Weights::from_lists(&rows)?, 1.0)?)))
}

/// The scores with every row divided by its sum: by the formula in use they are those of the binary weights.
fn scale_free(values: &[f64], lists: &[Vec<usize>], binary: &[ZScore]) -> Answered {
    let mut standardised = Vec::new();
    for site in 0..values.len() {
        // The self weight is one number for all sites, so each site is asked with its own share.
        let share = 1.0 / (lists[site].len() + 1) as f64;
        let rows: Vec<_> =
            lists.iter().map(|list| list.iter().map(|&other| (other, share)).collect()).collect();
        standardised.push(gi_star(values, &Weights::from_lists(&rows)?, share)?[site]);
    }
    for (site, (row, plain)) in standardised.iter().zip(binary).enumerate() {
        match (row.score(), plain.score()) {
            (Some(row), Some(plain)) if (row - plain).abs() < 1e-9 => {}
            _ => return failed(format!("site {site}: {row:?} is not {plain:?}, so scaling a row matters")),
        }
    }
    Ok(Answer::differing(json!({ "esda_R_star": scores(&standardised) })))
}

pub(crate) fn gi_of(record: &Record) -> Answered {
    let (values, lists) = values_and_lists(record)?;
    let weights = Weights::binary(&lists)?;
    let all = gi(&values, &weights)?;
    let value = if record.asks("Gi z") {
        scores(&all)
    } else if record.asks("a site with no neighbour") {
        let site: usize = record.get("site")?;
        let star = gi_star(&values, &weights, 1.0)?;
        json!({ "gi": optional(all[site].score()), "gistar": optional(star[site].score()) })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

pub(crate) fn permutation(record: &Record) -> Answered {
    let (values, lists) = values_and_lists(record)?;
    let site: usize = record.get("site")?;
    if lists[site].len() != record.get::<usize>("k")? {
        return failed("k is not the number of neighbours");
    }
    let tails = exact_tails(&values, site, &lists[site])?;
    let answer = Answer::of(json!({
        "p_greater": real(tails.p_greater),
        "p_less": real(tails.p_less),
        "n_sets": tails.n_sets as u64,
    }));
    // Where the source drew sets at random its number of sets is a number of draws; the tails here are exact all the same.
    Ok(if record.source.contains("enumeration") { answer } else { answer.without("n_sets") })
}

pub(crate) fn moran(record: &Record) -> Answered {
    let (values, lists) = values_and_lists(record)?;
    let binary = Weights::binary(&lists)?;
    let weights = if record.asks("global Moran's I, row-standardised") {
        binary.row_standardised()
    } else if record.asks("variance of Moran's I") && record.get::<String>("weights")? == "binary" {
        binary
    } else {
        return Err(Problem::Unknown);
    };
    let Some(moran) = global_moran(&values, &weights)?.estimate() else { return failed("not estimable") };
    Ok(Answer::of(json!({
        "I": real(moran.statistic),
        "EI": real(moran.expected),
        "VI_rand": real(moran.variance_randomisation),
        "VI_norm": real(moran.variance_normality),
        "z_rand": real(moran.z_randomisation()),
        "z_norm": real(moran.z_normality()),
        "p_rand_two_sided": real(moran.p_randomisation()),
    })))
}

pub(crate) fn local(record: &Record) -> Answered {
    let (values, lists) = values_and_lists(record)?;
    let all = local_moran(&values, &Weights::binary(&lists)?.row_standardised())?;
    let (mut statistics, mut quadrants) = (Vec::new(), Vec::new());
    for site in &all {
        let LocalMoran::Estimated { statistic, quadrant } = site else { return failed(format!("{site:?}")) };
        statistics.push(real(*statistic));
        quadrants.push(quadrant.number());
    }
    Ok(Answer::of(json!({ "I": statistics, "quadrant": quadrants })))
}
