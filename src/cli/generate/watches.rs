//! Watches at the signs in place and at trailheads without one, with what was planted in them.

use std::io::Write;
use std::path::Path;

use rand::RngExt;

use crate::analysis::random::Stream;
use crate::analysis::random::stream;
use crate::cli::generate::extras::signed_trailheads;
use crate::cli::generate::files::create;
use crate::cli::generate::files::degrees;
use crate::cli::generate::layout::Layout;
use crate::cli::generate::layout::standard_normal;

/// What is asked of walkers.
const ASKED: &str = "keeps to the middle of the path";
/// The usual share of parties that do so unasked; places differ by this standard deviation on the scale of log odds.
const USUAL: f64 = 0.4;
const PLACES_DIFFER: f64 = 0.35;
/// What a sign does, and what the year does everywhere, on the scale of log odds.
const SIGN_DOES: f64 = 0.7;
const YEAR_DOES: f64 = 0.2;
/// The usual share of parties that read a sign.
const READ: f64 = 0.35;
/// What it does to be watched by somebody who is seen.
const SEEN_DOES: f64 = 0.6;
/// Watches of a place, in the year before the signs and in that of the signs; the last of each is held by somebody seen.
const WATCHES: [(i16, usize); 2] = [(2024, 5), (2025, 6)];

/// Writes `sign-watches.csv` and `sign-watches-truth.csv`.
///
/// # Errors
/// When a file cannot be written.
pub(super) fn write(layout: &Layout, seed: u64, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "sign-watches.csv")?;
    writeln!(
        out,
        "eventID,locality,decimalLatitude,decimalLongitude,start,minutes,partiesPassed,partiesRead,partiesDidAsAsked,asked,\
         watcher,recordedBy,eventRemarks"
    )?;
    let mut truth = create(folder, "sign-watches-truth.csv")?;
    writeln!(truth, "locality,asked,watcher,shareBefore,shareAfter,shareRead")?;
    let mut rng = stream(seed, 42);
    let signed: Vec<usize> = signed_trailheads(layout).map(|(_, node)| node).collect();
    let mut n = 0;
    for (name, node, volume) in &layout.trailheads {
        let has_sign = signed.contains(node);
        let place = if has_sign { format!("{name} warning") } else { format!("{name}, at the gate post") };
        let own = logit(USUAL) + PLACES_DIFFER * standard_normal(&mut rng);
        let reads = logit(READ) + PLACES_DIFFER * standard_normal(&mut rng);
        let after = own + YEAR_DOES + if has_sign { SIGN_DOES } else { 0.0 };
        let read_share = if has_sign { format!("{:.3}", logistic(reads)) } else { String::new() };
        writeln!(
            truth,
            "\"{place}\",{ASKED},unseen,{:.3},{:.3},{read_share}",
            logistic(own),
            logistic(after)
        )?;
        let [lon, lat] = degrees(layout, layout.nodes[*node]);
        for (year, n_watches) in WATCHES {
            let stands = has_sign && year == WATCHES[1].0;
            for nth in 0..n_watches {
                let is_seen = nth + 1 == n_watches;
                let seen = if is_seen { SEEN_DOES } else { 0.0 };
                // Parties of one hour resemble each other.
                let hour = 0.15 * standard_normal(&mut rng);
                let passed = rng.random_range(8..14) + (volume / 8.0) as u32;
                let did =
                    some(&mut rng, passed, (if year == WATCHES[0].0 { own } else { after }) + seen + hour);
                let read = if stands {
                    some(&mut rng, passed, reads + seen + hour).to_string()
                } else {
                    String::new()
                };
                n += 1;
                writeln!(
                    out,
                    "W-{n},\"{place}\",{lat},{lon},{year}-{:02}-{:02}T{:02}:{:02},{},{passed},{read},{did},{ASKED},{},Trail crew,",
                    4 + nth,
                    rng.random_range(2..28),
                    rng.random_range(8..15),
                    [0, 15, 30, 45][rng.random_range(0..4)],
                    [60, 90, 120][rng.random_range(0..3)],
                    if is_seen { "seen" } else { "unseen" }
                )?;
            }
        }
    }
    Ok(())
}

/// How many of so many do it.
fn some(rng: &mut Stream, of: u32, log_odds: f64) -> u32 {
    (0..of).filter(|_| rng.random_bool(logistic(log_odds))).count() as u32
}

fn logit(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

fn logistic(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}
