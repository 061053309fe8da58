//! Makes an invented park with planted rates, clusters and seasons, as the files that people would bring in.
//!
//! The generator shares no code with the analysis: it has its own walkers, its own cuts along the trails and its own
//! noise, so that what the analysis recovers is not what it put in itself.

mod counters;
mod encounters;
mod extras;
mod files;
mod layout;
mod mistakes;
mod walkers;
mod walks;
mod watches;

use std::path::Path;

use crate::analysis::random::stream;

/// How much to make.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Amounts {
    /// About how many 100 m segments the trails make.
    pub n_segments: usize,
    /// Visitor reports.
    pub n_reports: usize,
    /// Survey walks.
    pub n_walks: usize,
    /// Encounters on survey walks, about.
    pub n_survey: usize,
    /// Encounters without effort.
    pub n_chance: usize,
    /// Marked snakes, each met and tried several times.
    pub n_organisms: usize,
}

/// The named sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Size {
    /// The demo park: about 400 segments and 1,500 encounters, drawn by hand.
    Demo,
    /// 1,000 segments, 20,000 encounters.
    Small,
    /// 10,000 segments, 200,000 encounters.
    Medium,
    /// 50,000 segments, 1,000,000 encounters.
    Large,
}

impl Size {
    /// How much each size holds.
    pub fn amounts(self) -> Amounts {
        let of = |n_segments, n_encounters: usize| Amounts {
            n_segments,
            n_reports: n_encounters * 8 / 10,
            n_walks: 200 + n_segments / 25,
            n_survey: n_encounters / 10,
            n_chance: n_encounters / 20,
            n_organisms: n_encounters / 80,
        };
        match self {
            Self::Demo => Amounts {
                n_segments: 400,
                n_reports: 1_000,
                n_walks: 300,
                n_survey: 210,
                n_chance: 120,
                n_organisms: 42,
            },
            Self::Small => of(1_000, 20_000),
            Self::Medium => of(10_000, 200_000),
            Self::Large => of(50_000, 1_000_000),
        }
    }
}

/// Makes the files of a size in a folder, which must exist. The same size and seed give the same bytes.
///
/// # Errors
/// When a file cannot be written.
pub fn generate(size: Size, seed: u64, folder: &Path) -> anyhow::Result<()> {
    let amounts = size.amounts();
    let layout = match size {
        Size::Demo => layout::demo(seed),
        _ => layout::grid(amounts.n_segments, seed),
    };
    let truth = layout::plant(&layout, seed);
    let walked = walkers::walk(&layout, &mut stream(seed, 1));
    files::write_layout(&layout, &truth, size == Size::Demo, folder)?;
    counters::write(&layout, &walked, seed, folder)?;
    let scale = encounters::Scale::of(&truth, &walked, amounts.n_reports);
    encounters::write_reports(&layout, &truth, &walked, &scale, seed, folder)?;
    walks::write(&layout, &truth, amounts, seed, folder)?;
    encounters::write_chance(&layout, &truth, amounts.n_chance, seed, folder)?;
    encounters::write_trials(&layout, &truth, amounts.n_organisms, seed, folder)?;
    if size == Size::Demo {
        mistakes::write(&layout, folder)?;
        extras::write(&layout, seed, folder)?;
    }
    files::write_truth(&layout, &truth, &walked, &scale, folder)
}
