//! The invented encounters: reports, chance records, and trials with marked snakes.

use std::io::Write;
use std::path::Path;

use rand::RngExt;
use rand_distr::Distribution;
use rand_distr::StudentT;

use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::cli::generate::counters::WALKING_BY_HOUR;
use crate::cli::generate::counters::WALKING_BY_MONTH;
use crate::cli::generate::files::create;
use crate::cli::generate::layout::Layout;
use crate::cli::generate::layout::Truth;
use crate::cli::generate::walkers::Walked;

/// The years of the three seasons.
pub(super) const SEASONS: [i16; 3] = [2023, 2024, 2025];
/// Relative risk by month, January first: up after egress, again before ingress.
pub(super) const RISK_BY_MONTH: [f64; 12] = [0.0, 0.02, 0.25, 0.9, 1.6, 1.1, 0.8, 0.9, 1.5, 0.8, 0.1, 0.0];
/// Relative risk by hour: morning and evening.
pub(super) const RISK_BY_HOUR: [f64; 24] = [
    0.3, 0.25, 0.2, 0.2, 0.25, 0.5, 0.9, 1.3, 1.5, 1.3, 1.0, 0.8, 0.6, 0.5, 0.5, 0.6, 0.9, 1.3, 1.6, 1.5,
    1.1, 0.7, 0.5, 0.4,
];
const HEADER: &str = "occurrenceID,eventID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,\
coordinateUncertaintyInMeters,uncertaintyMeaning,scientificName,identificationVerificationStatus,lifeStage,organismID,\
individualCount,recordedBy,cue,distanceFirstNoticedInMeters,numberOfPeople,numberOfDogs,footwear,\
airTemperatureInCelsius,occurrenceRemarks,approachNumber,contact,closestDistanceInMeters,agent,\
appliedLoadInKilograms,durationInSeconds,trialProtocol,permit,endOfWatchInSeconds,reactions";

/// What turns relative rates into rates.
pub(super) struct Scale {
    /// Reports per party-kilometre for a relative rate of one, averaged over when people walk.
    pub(super) reports_per_km: f64,
}

impl Scale {
    /// The scale at which `n_reports` reports are expected.
    pub(super) fn of(truth: &Truth, walked: &Walked, n_reports: usize) -> Self {
        let expected: f64 = truth
            .bits
            .iter()
            .zip(&walked.passages)
            .map(|(bit, passages)| bit.relative_rate * bit.length_km * passages)
            .sum();
        Self { reports_per_km: n_reports as f64 / expected.max(f64::MIN_POSITIVE) }
    }
}

/// A way to draw an index in proportion to weights.
pub(super) struct Weighted {
    sums: Vec<f64>,
}

impl Weighted {
    /// From weights, none negative, not all zero.
    pub(super) fn new(weights: impl Iterator<Item = f64>) -> Self {
        let sums = weights
            .scan(0.0, |sum, weight| {
                *sum += weight;
                Some(*sum)
            })
            .collect();
        Self { sums }
    }

    /// Draws an index.
    pub(super) fn draw(&self, rng: &mut Stream) -> usize {
        let total = self.sums.last().copied().unwrap_or(0.0);
        let at: f64 = rng.random_range(0.0..1.0) * total;
        self.sums.partition_point(|sum| *sum <= at).min(self.sums.len() - 1)
    }
}

/// When something happened.
pub(super) struct Moment {
    /// Year, month, day.
    pub(super) date: (i16, usize, i8),
    /// Hour and minute.
    pub(super) time: (usize, u8),
}

impl Moment {
    /// ISO date.
    pub(super) fn date_words(&self) -> String {
        format!("{}-{:02}-{:02}", self.date.0, self.date.1, self.date.2)
    }

    /// HH:MM.
    pub(super) fn time_words(&self) -> String {
        format!("{:02}:{:02}", self.time.0, self.time.1)
    }
}

/// Draws moments in proportion to walking times risk.
pub(super) struct Moments {
    cells: Weighted,
}

impl Moments {
    /// Moments at which walkers meet snakes.
    pub(super) fn of_walkers() -> Self {
        let cell = |idx: usize| {
            let (month, hour) = (idx / 24, idx % 24);
            WALKING_BY_MONTH[month] * RISK_BY_MONTH[month] * WALKING_BY_HOUR[hour] * RISK_BY_HOUR[hour]
        };
        Self { cells: Weighted::new((0..12 * 24).map(cell)) }
    }

    /// Draws one.
    pub(super) fn draw(&self, rng: &mut Stream) -> Moment {
        let cell = self.cells.draw(rng);
        let month = cell / 24 + 1;
        let year = SEASONS[rng.random_range(0..SEASONS.len())];
        let last = jiff::civil::date(year, i8::try_from(month).unwrap_or(1), 1).days_in_month();
        Moment {
            date: (year, month, rng.random_range(1..=last)),
            time: (cell % 24, rng.random_range(0..60_u8)),
        }
    }
}

/// A place on a bit, with the error of a receiver whose stated radius holds 95 % of fixes.
pub(super) fn fix(truth: &Truth, bit: usize, radius_m: f64, rng: &mut Stream) -> [f64; 2] {
    let points = &truth.bits[bit].points;
    let at = points[rng.random_range(0..points.len())];
    let sigma_m = radius_m / 2.448;
    // On canyon walls fixes stray far more often than a normal error would have it.
    let mut error = || StudentT::new(4.0).map_or(0.0, |t| t.sample(rng)) * sigma_m * 0.7;
    [at[0] + error(), at[1] + error()]
}

fn species(rng: &mut Stream) -> &'static str {
    match rng.random_range(0..100) {
        0..=61 => "Crotalus viridis",
        62..=76 => "Crotalus concolor",
        77..=91 => "Pituophis catenifer",
        _ => "Masticophis taeniatus",
    }
}

/// One row of an encounter file; empty fields stay empty.
#[derive(Default)]
pub(super) struct Row {
    /// The fields in the order of the header, by position.
    pub(super) id: String,
    /// `eventID`.
    pub(super) event: String,
    /// Effort kind.
    pub(super) effort: &'static str,
    /// Date.
    pub(super) date: String,
    /// Time.
    pub(super) time: String,
    /// Latitude and longitude as text.
    pub(super) at: Option<[f64; 2]>,
    /// Stated radius and its meaning.
    pub(super) radius: Option<(f64, &'static str)>,
    /// Species.
    pub(super) species: &'static str,
    /// State of review.
    pub(super) status: &'static str,
    /// Life stage, or empty.
    pub(super) life_stage: &'static str,
    /// Marked snake.
    pub(super) organism: String,
    /// Snakes.
    pub(super) n: String,
    /// Who.
    pub(super) by: &'static str,
    /// Cue, distance noticed, people, dogs, footwear, temperature, remarks.
    pub(super) seen: String,
    /// Approach number to reactions.
    pub(super) approach: String,
}

/// Writes a row.
pub(super) fn write_row(out: &mut impl Write, layout: &Layout, row: &Row) -> std::io::Result<()> {
    let at = row.at.map_or_else(
        || ",".to_owned(),
        |at| {
            let [lon, lat] = layout.lon_lat(at);
            format!("{lat:.6},{lon:.6}")
        },
    );
    let radius =
        row.radius.map_or_else(|| ",".to_owned(), |(radius_m, meaning)| format!("{radius_m:.0},{meaning}"));
    let seen = if row.seen.is_empty() { ",,,,,," } else { &row.seen };
    let approach = if row.approach.is_empty() { ",,,,,,,,," } else { &row.approach };
    writeln!(
        out,
        "{},{},{},{},{},{at},{radius},{},{},{},{},{},{},{seen},{approach}",
        row.id,
        row.event,
        row.effort,
        row.date,
        row.time,
        row.species,
        row.status,
        row.life_stage,
        row.organism,
        row.n,
        row.by
    )
}

/// Makes an encounter file with its header.
pub(super) fn create_encounters(
    folder: &Path,
    name: &str,
) -> anyhow::Result<std::io::BufWriter<std::fs::File>> {
    let mut out = create(folder, name)?;
    writeln!(out, "{HEADER}")?;
    Ok(out)
}

/// Visitor reports: some made in the car park an hour later, old ones without a time.
pub(super) fn write_reports(
    layout: &Layout,
    truth: &Truth,
    walked: &Walked,
    scale: &Scale,
    seed: u64,
    folder: &Path,
) -> anyhow::Result<()> {
    let mut out = create_encounters(folder, "reports.csv")?;
    let mut rng = stream(seed, 20);
    let moments = Moments::of_walkers();
    for (bit, planted) in truth.bits.iter().enumerate() {
        let expected =
            scale.reports_per_km * planted.relative_rate * planted.length_km * walked.passages[bit];
        let n = rand_distr::Poisson::new(expected).map_or(0.0, |poisson| poisson.sample(&mut rng)) as usize;
        for nth in 0..n {
            let row = report(layout, truth, (bit, nth), &moments, &mut rng);
            write_row(&mut out, layout, &row)?;
        }
    }
    Ok(())
}

fn report(
    layout: &Layout,
    truth: &Truth,
    (bit, nth): (usize, usize),
    moments: &Moments,
    rng: &mut Stream,
) -> Row {
    let moment = moments.draw(rng);
    let radius_m = [8.0, 12.0, 20.0, 35.0, 90.0][rng.random_range(0..5)];
    let at_car_park = rng.random_bool(0.08);
    let at = if at_car_park {
        let nearest = layout.trailheads.iter().map(|(_, node, _)| layout.nodes[*node]).min_by(|a, b| {
            let from = truth.bits[bit].points[0];
            super::layout::distance_m(*a, from).total_cmp(&super::layout::distance_m(*b, from))
        });
        nearest.map(|[x, y]| {
            [x - 35.0 + rng.random_range(-15.0..15.0), y - 25.0 + rng.random_range(-15.0..15.0)]
        })
    } else {
        Some(fix(truth, bit, radius_m, rng))
    };
    let date_only = moment.date.0 == SEASONS[0] && rng.random_bool(0.5);
    let contact =
        ["passed", "passed", "passed", "beside", "beside", "over", "underfoot"][rng.random_range(0..7)];
    let reactions = reaction(contact, 0.0, rng);
    Row {
        id: format!("R-{bit}-{nth}"),
        effort: "report",
        date: moment.date_words(),
        time: if date_only { String::new() } else { moment.time_words() },
        at,
        radius: Some((radius_m, if radius_m < 15.0 { "radius-68" } else { "radius-95" })),
        species: species(rng),
        status: ["verified", "unverified", "unverified"][rng.random_range(0..3)],
        n: "1".to_owned(),
        seen: format!(
            "{},{:.1},{},{},{},{},",
            ["seen", "seen", "heard"][rng.random_range(0..3)],
            rng.random_range(0.5..6.0),
            rng.random_range(1..5),
            u8::from(rng.random_bool(0.2)),
            ["boots", "shoes", "sandals"][rng.random_range(0..3)],
            ""
        ),
        approach: format!("1,{contact},,,,,,,,{reactions}"),
        ..Row::default()
    }
}

/// Records with no effort behind them.
pub(super) fn write_chance(
    layout: &Layout,
    truth: &Truth,
    n: usize,
    seed: u64,
    folder: &Path,
) -> anyhow::Result<()> {
    let mut out = create_encounters(folder, "chance.csv")?;
    let mut rng = stream(seed, 21);
    let moments = Moments::of_walkers();
    for nth in 0..n {
        let moment = moments.draw(&mut rng);
        let bit = rng.random_range(0..truth.bits.len());
        let on_trail = fix(truth, bit, 60.0, &mut rng);
        let off = rng.random_bool(0.3);
        let at =
            if off { [on_trail[0] + rng.random_range(-400.0..400.0), on_trail[1] + 250.0] } else { on_trail };
        let date = if rng.random_bool(0.3) {
            format!("{}-{:02}", moment.date.0, moment.date.1)
        } else {
            moment.date_words()
        };
        let row = Row {
            id: format!("C-{nth}"),
            effort: "chance",
            date,
            at: Some(at),
            radius: rng.random_bool(0.6).then_some((60.0, "radius-95")),
            species: species(&mut rng),
            status: "unverified",
            n: "1".to_owned(),
            ..Row::default()
        };
        write_row(&mut out, layout, &row)?;
    }
    Ok(())
}

/// Trials with marked snakes found by telemetry: the same snake several times, contact escalating.
pub(super) fn write_trials(
    layout: &Layout,
    truth: &Truth,
    n_organisms: usize,
    seed: u64,
    folder: &Path,
) -> anyhow::Result<()> {
    let mut out = create_encounters(folder, "trials.csv")?;
    let mut rng = stream(seed, 22);
    let moments = Moments::of_walkers();
    for organism in 0..n_organisms {
        let den = truth.dens[organism % truth.dens.len()];
        // Snakes differ: the same one tends to answer the same way.
        let temper = 0.9 * super::layout::standard_normal(&mut rng);
        for visit in 0..rng.random_range(2..6) {
            let moment = moments.draw(&mut rng);
            let at = [den[0] + rng.random_range(-60.0..60.0), den[1] + rng.random_range(-60.0..60.0)];
            let id = format!("T-{organism}-{visit}");
            let celsius = trial_celsius(&moment, organism, visit);
            for (idx, contact) in ["passed", "beside", "over", "underfoot"].iter().enumerate() {
                let load = if *contact == "underfoot" { "8.0" } else { "" };
                let reactions = reaction(contact, temper, &mut rng);
                let row = Row {
                    id: id.clone(),
                    effort: "located",
                    date: moment.date_words(),
                    time: moment.time_words(),
                    at: Some(at),
                    radius: Some((5.0, "radius-95")),
                    species: "Crotalus viridis",
                    status: "verified",
                    life_stage: if organism % 4 == 3 { "juvenile" } else { "adult" },
                    organism: format!("CV-{organism:03}"),
                    n: "1".to_owned(),
                    by: "Field team 1",
                    seen: format!(",,,,,{celsius},"),
                    approach: format!(
                        "{},{contact},{},boot on a pole,{load},5,escalating contact,RP-114,60,{reactions}",
                        idx + 1,
                        [2.0, 0.5, 0.1, 0.0][idx]
                    ),
                    ..Row::default()
                };
                write_row(&mut out, layout, &row)?;
            }
        }
    }
    Ok(())
}

/// The air temperature of a trial, whole degrees Celsius: by month and hour, and a little other from visit to visit. What snakes
/// do does not depend on it.
fn trial_celsius(moment: &Moment, organism: usize, visit: usize) -> i32 {
    const BY_MONTH: [i32; 12] = [4, 7, 11, 15, 20, 26, 29, 28, 23, 16, 9, 4];
    let of_month = BY_MONTH.get(moment.date.1.saturating_sub(1)).copied().unwrap_or(15);
    let of_hour = match moment.time.0 {
        ..=7 => -6,
        8..=10 => -2,
        11..=17 => 5,
        _ => 0,
    };
    of_month + of_hour + ((organism * 5 + visit * 3) % 7) as i32 - 3
}

/// What a snake does: more with closer contact, and with its temper.
fn reaction(contact: &str, temper: f64, rng: &mut Stream) -> String {
    let level = match contact {
        "passed" => -4.2,
        "beside" => -3.2,
        "over" => -2.6,
        _ => -1.7,
    };
    let chance = |logit: f64| 1.0 / (1.0 + (-logit - temper).exp());
    let latency: f64 = rng.random_range(0.3..9.0);
    if rng.random_bool(chance(level)) {
        let strike =
            ["struck short", "struck with mouth closed", "bit footwear or device"][rng.random_range(0..3)];
        return format!("tail vibration with rattle@{:.1};{strike}@{latency:.1}", latency / 2.0);
    }
    if rng.random_bool(chance(level + 2.4)) {
        return format!("tail vibration with rattle@{latency:.1};coiled@{:.1}", latency + 2.0);
    }
    if rng.random_bool(0.4) { format!("withdrew@{:.1}", latency + 1.0) } else { "still".to_owned() }
}
