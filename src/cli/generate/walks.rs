//! Survey walks with their tracks and what was met on them, zero included.

use std::io::Write;
use std::path::Path;

use rand::RngExt;
use rand_distr::Distribution;
use rand_distr::Poisson;

use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::cli::generate::Amounts;
use crate::cli::generate::counters::WALKING_BY_HOUR;
use crate::cli::generate::counters::WALKING_BY_MONTH;
use crate::cli::generate::encounters::Moment;
use crate::cli::generate::encounters::Moments;
use crate::cli::generate::encounters::RISK_BY_HOUR;
use crate::cli::generate::encounters::RISK_BY_MONTH;
use crate::cli::generate::encounters::Row;
use crate::cli::generate::encounters::create_encounters;
use crate::cli::generate::encounters::fix;
use crate::cli::generate::encounters::write_row;
use crate::cli::generate::files::create;
use crate::cli::generate::layout::Layout;
use crate::cli::generate::layout::Truth;
use crate::cli::generate::layout::distance_m;
use crate::cli::generate::walkers::way_out;

/// Writes `walks.csv` and `surveys.csv`.
pub(super) fn write(
    layout: &Layout,
    truth: &Truth,
    amounts: Amounts,
    seed: u64,
    folder: &Path,
) -> anyhow::Result<()> {
    let mut walks = create(folder, "walks.csv")?;
    writeln!(walks, "eventID,parentEventID,purpose,recordedBy,start,end,samplingProtocol,footprintWKT")?;
    let mut met = create_encounters(folder, "surveys.csv")?;
    let mut rng = stream(seed, 30);
    let courses: Vec<(Vec<usize>, &str)> =
        (0..amounts.n_walks).map(|nth| course(layout, truth, nth, &mut rng)).collect();
    let expected = |bits: &[usize]| -> f64 {
        bits.iter().map(|bit| truth.bits[*bit].relative_rate * truth.bits[*bit].length_km).sum()
    };
    let total: f64 = courses.iter().map(|(bits, _)| expected(bits)).sum();
    let per_relative_km = amounts.n_survey as f64 / total;
    let moments = Moments::of_walkers();
    for (nth, (bits, purpose)) in courses.iter().enumerate() {
        let moment = moments.draw(&mut rng);
        write_walk(&mut walks, layout, truth, (nth, bits, purpose), &moment, &mut rng)?;
        let when = RISK_BY_MONTH[moment.date.1 - 1] * RISK_BY_HOUR[moment.time.0] / mean_risk();
        for bit in bits {
            let planted = &truth.bits[*bit];
            let mean = per_relative_km * planted.relative_rate * planted.length_km * when;
            let n = if mean > 0.0 {
                Poisson::new(mean).map_or(0.0, |poisson| poisson.sample(&mut rng))
            } else {
                0.0
            };
            for _ in 0..n as usize {
                let row = Row {
                    id: format!("S-{nth}-{bit}-{}", rng.random_range(0..1_000_000)),
                    event: format!("W-{nth:04}"),
                    effort: "survey",
                    date: moment.date_words(),
                    time: moment.time_words(),
                    at: Some(fix(truth, *bit, 8.0, &mut rng)),
                    radius: Some((8.0, "radius-95")),
                    species: "Crotalus viridis",
                    status: "verified",
                    n: "1".to_owned(),
                    by: "Field team 2",
                    approach: String::new(),
                    ..Row::default()
                };
                write_row(&mut met, layout, &row)?;
            }
        }
    }
    Ok(())
}

/// The mean risk over the moments at which walks set out.
fn mean_risk() -> f64 {
    let mut sums = (0.0, 0.0);
    for (month_risk, month_walking) in RISK_BY_MONTH.iter().zip(WALKING_BY_MONTH) {
        for (hour_risk, hour_walking) in RISK_BY_HOUR.iter().zip(WALKING_BY_HOUR) {
            let risk = month_risk * hour_risk;
            let weight = month_walking * hour_walking * risk;
            sums = (sums.0 + weight * risk, sums.1 + weight);
        }
    }
    sums.0 / sums.1
}

/// A way out of about three kilometres from any node; targeted ones start nearest a hotspot.
fn course<'a>(layout: &Layout, truth: &Truth, nth: usize, rng: &mut Stream) -> (Vec<usize>, &'a str) {
    let links_at = layout.links_at();
    let purpose = match nth % 10 {
        0..=6 => "planned",
        7 | 8 => "targeted",
        _ => "opportunistic",
    };
    let start = if purpose == "targeted" {
        let (hotspot, _, _) = truth.hotspots[rng.random_range(0..truth.hotspots.len())];
        let nearest = |a: &usize, b: &usize| {
            distance_m(layout.nodes[*a], hotspot).total_cmp(&distance_m(layout.nodes[*b], hotspot))
        };
        (0..layout.nodes.len()).min_by(nearest).unwrap_or(0)
    } else {
        rng.random_range(0..layout.nodes.len())
    };
    let mut bits = Vec::new();
    for _ in 0..8 {
        bits = way_out(layout, &links_at, start, rng);
        if bits.len() > 15 {
            break;
        }
    }
    (bits, purpose)
}

fn write_walk(
    out: &mut impl Write,
    layout: &Layout,
    truth: &Truth,
    (nth, bits, purpose): (usize, &[usize], &str),
    moment: &Moment,
    rng: &mut Stream,
) -> anyhow::Result<()> {
    let mut track: Vec<[f64; 2]> = Vec::new();
    for bit in bits {
        let points = &truth.bits[*bit].points;
        let mut ends = [points[0], points[points.len() - 1]];
        let starts_far =
            track.last().is_some_and(|last| distance_m(*last, ends[0]) > distance_m(*last, ends[1]));
        if starts_far {
            ends.reverse();
        }
        track.extend(ends);
    }
    let positions: Vec<String> = track
        .iter()
        .map(|[x, y]| {
            let [lon, lat] =
                layout.lon_lat([x + rng.random_range(-4.0..4.0), y + rng.random_range(-4.0..4.0)]);
            format!("{lon:.6} {lat:.6}")
        })
        .collect();
    let footprint = if positions.len() < 2 {
        String::new()
    } else {
        format!("\"LINESTRING ({})\"", positions.join(", "))
    };
    let minutes = (bits.len() * 3).min(240);
    let end = moment.time.0 * 60 + usize::from(moment.time.1) + minutes;
    let date = moment.date_words();
    writeln!(
        out,
        "W-{nth:04},,{purpose},Field team 2,{date}T{},{date}T{:02}:{:02},walked transect,{footprint}",
        moment.time_words(),
        (end / 60).min(23),
        end % 60
    )?;
    Ok(())
}
