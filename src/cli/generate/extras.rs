//! What not every park has: temperatures, walks of two observers, signs in place, their inspections, and watches at them.

use std::io::Write;
use std::path::Path;

use anyhow::Context;
use jiff::ToSpan;
use rand::RngExt;

use crate::analysis::random::stream;
use crate::cli::generate::encounters::SEASONS;
use crate::cli::generate::files::create;
use crate::cli::generate::files::degrees;
use crate::cli::generate::layout::Layout;
use crate::cli::generate::layout::standard_normal;
use crate::cli::generate::watches;

/// Walks that two observers make together, of the first ones.
const N_DOUBLE: usize = 140;
/// What each of them notices of what could be seen.
const NOTICED: [f64; 2] = [0.75, 0.65];
/// When signs went up: before the last of the three seasons.
const UP: &str = "2025-03-10T09:00";

/// Writes `weather.csv`, `double-observer.csv`, `signs-in-place.csv`, `sign-inspections.csv` and `sign-watches.csv` with what
/// was planted in it; walks and survey encounters must be written already.
///
/// # Errors
/// When a file cannot be read or written.
pub(super) fn write(layout: &Layout, seed: u64, folder: &Path) -> anyhow::Result<()> {
    write_weather(seed, folder)?;
    write_double_observers(seed, folder)?;
    write_signs_in_place(layout, folder)?;
    watches::write(layout, seed, folder)
}

/// The highest temperature of each day: a year's course, spells of some days, and days that nobody read.
fn write_weather(seed: u64, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "weather.csv")?;
    writeln!(out, "date,maxTemperatureInCelsius")?;
    let mut rng = stream(seed, 40);
    let mut spell = 0.0;
    let mut day = jiff::civil::date(SEASONS[0], 1, 1);
    while day.year() <= SEASONS[SEASONS.len() - 1] {
        spell = 0.75 * spell + 2.6 * standard_normal(&mut rng);
        // Coldest in mid-January.
        let phase = f64::from(day.day_of_year() - 15) / 365.25 * std::f64::consts::TAU;
        let highest = 18.5 - 15.5 * phase.cos() + spell;
        if !rng.random_bool(0.02) {
            writeln!(out, "{day},{highest:.1}")?;
        }
        day = day.checked_add(1.day())?;
    }
    Ok(())
}

/// Two observers, each for themselves: every encounter of the walk was noticed by one of them at least.
fn write_double_observers(seed: u64, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "double-observer.csv")?;
    writeln!(
        out,
        "eventID,protocol,firstObserver,secondObserver,firstObserverKind,secondObserverKind,occurrenceID,byFirst,bySecond"
    )?;
    let mut rng = stream(seed, 41);
    let met = columns(folder, "surveys.csv", ["eventID", "occurrenceID"])?;
    let walks = columns(folder, "walks.csv", ["eventID", "purpose"])?;
    let planned = walks.into_iter().take(N_DOUBLE).filter(|[_, purpose]| purpose == "planned");
    let yes = |noticed: bool| if noticed { "yes" } else { "no" };
    for [event, _] in planned {
        let row = format!("{event},independent,Observer 1,Observer 2,surveyor,surveyor");
        let mut has_any = false;
        for [_, encounter] in met.iter().filter(|[of, _]| *of == event) {
            let [first, second] = loop {
                let noticed = NOTICED.map(|share| rng.random_bool(share));
                if noticed != [false, false] {
                    break noticed;
                }
            };
            writeln!(out, "{row},{encounter},{},{}", yes(first), yes(second))?;
            has_any = true;
        }
        if !has_any {
            writeln!(out, "{row},,no,no")?;
        }
    }
    Ok(())
}

/// Two columns of a file that was written before.
fn columns(folder: &Path, name: &str, headers: [&str; 2]) -> anyhow::Result<Vec<[String; 2]>> {
    let mut reader = csv::Reader::from_path(folder.join(name))?;
    let known = reader.headers()?.clone();
    let at = |header: &str| known.iter().position(|known| known == header).context("a column is missing");
    let columns = [at(headers[0])?, at(headers[1])?];
    reader
        .records()
        .map(|record| {
            let record = record?;
            Ok(columns.map(|column| record.get(column).unwrap_or_default().to_owned()))
        })
        .collect()
}

/// The trailheads at which signs stand: their name and node.
pub(super) fn signed_trailheads(layout: &Layout) -> impl Iterator<Item = (&String, usize)> {
    layout.trailheads.iter().step_by(4).take(2).map(|(name, node, _)| (name, *node))
}

/// Signs at trailheads: what they do to encounters is planted nowhere, so that honest answers hold no effect at all.
fn write_signs_in_place(layout: &Layout, folder: &Path) -> anyhow::Result<()> {
    let mut signs = create(folder, "signs-in-place.csv")?;
    let mut inspections = create(folder, "sign-inspections.csv")?;
    writeln!(signs, "name,decimalLatitude,decimalLongitude,kind,up,down")?;
    writeln!(inspections, "sign,inspectedAt,recordedBy,condition,occurrenceRemarks")?;
    let conditions =
        [("good", ""), ("worn", "faded by the sun"), ("good", ""), ("damaged", "a corner is torn off")];
    for (idx, (name, node)) in signed_trailheads(layout).enumerate() {
        let [lon, lat] = degrees(layout, layout.nodes[node]);
        writeln!(signs, "{name} warning,{lat},{lon},trailhead,{UP},")?;
        let (condition, remarks) = conditions[idx % conditions.len()];
        writeln!(
            inspections,
            "{name} warning,2025-08-{:02}T10:30,Trail crew,{condition},{remarks}",
            4 + idx
        )?;
    }
    Ok(())
}
