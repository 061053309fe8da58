//! Two counters: in and out, undercounting, with outages; one of them goes round.

use std::io::Write;
use std::path::Path;

use jiff::ToSpan;
use jiff::civil::Date;
use jiff::civil::date;
use jiff::tz::TimeZone;
use rand::RngExt;
use rand_distr::Distribution;
use rand_distr::Poisson;

use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::cli::generate::encounters::SEASONS;
use crate::cli::generate::files::create;
use crate::cli::generate::files::degrees;
use crate::cli::generate::layout::Layout;
use crate::cli::generate::walkers::MEAN_PARTY;
use crate::cli::generate::walkers::Walked;

/// Walking by month (January first), relative.
pub(super) const WALKING_BY_MONTH: [f64; 12] =
    [0.1, 0.12, 0.35, 0.7, 1.1, 1.3, 1.2, 1.15, 1.2, 0.9, 0.25, 0.12];
/// Setting out by hour, relative.
pub(super) const WALKING_BY_HOUR: [f64; 24] = [
    0.0, 0.0, 0.0, 0.0, 0.02, 0.2, 0.5, 1.0, 1.7, 2.2, 2.3, 1.9, 1.5, 1.6, 1.7, 1.4, 1.1, 0.9, 0.6, 0.35,
    0.15, 0.05, 0.0, 0.0,
];
/// The share of walkers that each device sees.
const SEEN: [f64; 2] = [0.78, 0.9];
/// The devices: one stays, one moves.
const DEVICES: [(&str, &str); 2] = [("Beam 1", "infrared beam"), ("Slab 2", "pressure slab")];

/// Where a device stood for a time.
struct Placement {
    device: usize,
    from: Date,
    until: Date,
    at: [f64; 2],
    /// Walkers who pass each way in all three years together.
    walkers: f64,
}

/// Two trailheads have a counter at any time: the first device stays at its own, the second stays a year at another and
/// then goes round the other trailheads and the middle of trails, a month at each place.
fn placements(layout: &Layout, walked: &Walked) -> Vec<Placement> {
    let at_trailhead = |idx: usize| {
        let node = layout.trailheads[idx].1;
        (layout.nodes[node], (walked.parties[idx] + walked.through[node] / 2.0) * MEAN_PARTY)
    };
    let on_trail = |link: usize| {
        let link = &layout.links[link % layout.links.len()];
        let bit = link.bits.start + link.bits.len() / 2;
        let at = link.points[link.points.len() / 2];
        (at, walked.passages[bit] / 2.0 * MEAN_PARTY)
    };
    let (first, second) = (at_trailhead(0), at_trailhead(2));
    let (start, end) = (date(SEASONS[0], 1, 1), date(SEASONS[2] + 1, 1, 1));
    let moves = date(SEASONS[1], 4, 1);
    let mut all = vec![
        Placement { device: 0, from: start, until: end, at: first.0, walkers: first.1 },
        Placement { device: 1, from: start, until: moves, at: second.0, walkers: second.1 },
    ];
    let trailheads =
        (0..layout.trailheads.len()).filter(|idx| ![0, 2].contains(idx)).take(7).map(at_trailhead);
    let trails = (0..7).map(|nth| on_trail(nth * layout.links.len() / 7 + 3));
    // In turn, so that both years see both.
    let stops = trailheads.zip(trails).flat_map(|(trailhead, trail)| [trailhead, trail]);
    for (idx, (at, walkers)) in stops.enumerate() {
        let (year, month) = (SEASONS[1] + (idx / 7) as i16, 4 + (idx % 7) as i8);
        let (from, until) = (date(year, month, 1), date(year, month + 1, 1));
        all.push(Placement { device: 1, from, until, at, walkers });
    }
    all
}

/// The share of a three-season volume that falls on one day.
pub(super) fn share_of_day(day: Date) -> f64 {
    let month_share = |month: usize| WALKING_BY_MONTH[month] / WALKING_BY_MONTH.iter().sum::<f64>();
    let month = usize::try_from(day.month() - 1).unwrap_or(0);
    let weekend = matches!(day.weekday(), jiff::civil::Weekday::Saturday | jiff::civil::Weekday::Sunday);
    let weekday = if weekend { 1.75 } else { 0.7 };
    month_share(month) / f64::from(day.days_in_month()) * weekday / SEASONS.len() as f64
}

/// Writes counters, readings, calibrations and party sizes.
pub(super) fn write(layout: &Layout, walked: &Walked, seed: u64, folder: &Path) -> anyhow::Result<()> {
    let placements = placements(layout, walked);
    let mut counters = create(folder, "counters.csv")?;
    writeln!(counters, "counter,device,decimalLatitude,decimalLongitude,from,until")?;
    for placement in &placements {
        let (name, device) = DEVICES[placement.device];
        let [lon, lat] = degrees(layout, placement.at);
        writeln!(counters, "{name},{device},{lat},{lon},{},{}", placement.from, placement.until)?;
    }
    write_readings(layout, &placements, seed, folder)?;
    write_calibrations(seed, folder)?;
    let mut sizes = create(folder, "party-sizes.csv")?;
    writeln!(sizes, "trailhead,from,until,meanWalkers,standardError,parties")?;
    writeln!(sizes, ",2023-04-01,2025-10-31,{MEAN_PARTY},0.06,412")?;
    Ok(())
}

fn write_readings(layout: &Layout, placements: &[Placement], seed: u64, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "readings.csv")?;
    writeln!(out, "counter,start,minutes,in,out")?;
    let zone = TimeZone::get(layout.area.time_zone)?;
    for (idx, placement) in placements.iter().enumerate() {
        let mut rng = stream(seed, 10 + idx as u64);
        let device = placement.device;
        let mut day = placement.from;
        while day < placement.until {
            // The second device stored whole days before it began to move, hours after.
            let hours_a_bin = match (device, day.year()) {
                (1, 2023) => 24,
                (1, _) | (0, 2025) => 1,
                _ => 2,
            };
            let of_day = placement.walkers * SEEN[device] * share_of_day(day);
            write_day(&mut out, (DEVICES[device].0, device), (day, hours_a_bin), of_day, &zone, &mut rng)?;
            day = day.checked_add(1.day())?;
        }
    }
    Ok(())
}

/// Writes the bins of one day.
fn write_day(
    out: &mut impl Write,
    (name, idx): (&str, usize),
    (day, hours_a_bin): (Date, usize),
    walkers: f64,
    zone: &TimeZone,
    rng: &mut Stream,
) -> anyhow::Result<()> {
    let dead = idx == 0 && day >= date(2024, 7, 8) && day < date(2024, 7, 19);
    let missing = idx == 1 && day >= date(2024, 8, 20) && day < date(2024, 8, 26);
    if missing {
        return Ok(());
    }
    let total: f64 = WALKING_BY_HOUR.iter().sum();
    let first = if hours_a_bin == 1 { 5 } else { 0 };
    let last = if hours_a_bin == 1 { 22 } else { 24 };
    for hour in (first..last).step_by(hours_a_bin) {
        let share = |shift: usize| -> f64 {
            (hour..hour + hours_a_bin).map(|h| WALKING_BY_HOUR[(h + 24 - shift) % 24] / total).sum()
        };
        let mut draw = |mean: f64| {
            if mean > 0.0 && !dead { Poisson::new(mean).map_or(0.0, |p| p.sample(rng)) } else { 0.0 }
        };
        let (inward, outward) = (draw(walkers * share(0)), draw(walkers * share(2)));
        let start = zone.to_timestamp(day.at(i8::try_from(hour).unwrap_or(0), 0, 0, 0))?;
        writeln!(out, "{name},{start},{},{inward:.0},{outward:.0}", hours_a_bin * 60)?;
    }
    Ok(())
}

fn write_calibrations(seed: u64, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "calibrations.csv")?;
    writeln!(out, "counter,start,minutes,manualCount,deviceCount")?;
    let mut rng = stream(seed, 12);
    for (device, (name, _)) in DEVICES.iter().enumerate() {
        for session in 0..9 {
            let manual = rng.random_range(18..90_u32);
            let seen = (0..manual).filter(|_| rng.random_bool(SEEN[device])).count();
            let (year, month) = (2023 + session / 3, 5 + session % 3 * 2);
            writeln!(out, "{name},{year}-{month:02}-{:02}T16:00:00Z,120,{manual},{seen}", 6 + session)?;
        }
    }
    Ok(())
}
