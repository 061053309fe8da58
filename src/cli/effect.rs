//! Printing what signs did as CSV.

use std::io::Write;

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Verdict;
use crate::analysis::before_after::flips::FlipTest;
use crate::cli::DatabaseFile;
use crate::cli::open;
use crate::cli::table::Table;
use crate::derived::effect::Campaign;
use crate::derived::effect::why_words;

/// What to print.
#[derive(Debug, clap::Args)]
pub(super) struct EffectArguments {
    #[command(flatten)]
    database: DatabaseFile,
}

/// Columns of the table.
const HEADER: [&str; 18] = [
    "campaign",
    "expected_from",
    "signs",
    "controls",
    "before",
    "before_km",
    "after",
    "after_km",
    "control_before",
    "control_before_km",
    "control_after",
    "control_after_km",
    "expected",
    "index",
    "lower",
    "upper",
    "p_value",
    "verdict",
];

/// Prints one row for each comparison that was made. Kilometres are those of planned walks, weighted by season and hour. An index that does not exist is empty, as is an open upper limit.
pub(super) async fn effect(arguments: EffectArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().effect(&facts).await?;
    let campaigns = match &layer.campaigns {
        Ok(campaigns) => campaigns,
        Err(why) => anyhow::bail!("{why}"),
    };
    let mut out = Table::new(std::io::stdout().lock(), HEADER, layer.revision, &facts.settings)?;
    for campaign in campaigns {
        if let Some(drawn) = &campaign.lottery {
            write_row(&mut out, campaign, "places that lost the draw", drawn)?;
        }
        if let Some(later) = &campaign.later {
            write_row(&mut out, campaign, "later baseline", later)?;
        }
        write_row(&mut out, campaign, "posterior", &campaign.bayes)?;
    }
    out.flush()?;
    Ok(())
}

fn write_row(
    out: &mut Table<impl Write>,
    campaign: &Campaign,
    expected_from: &str,
    found: &Effectiveness,
) -> anyhow::Result<()> {
    let mut row = vec![campaign.name.clone(), expected_from.to_owned()];
    let periods = [campaign.signed.0, campaign.signed.1, campaign.control.0, campaign.control.1];
    let counts = periods.iter().flat_map(|period| [period.count.to_string(), format!("{:.3}", period.km)]);
    match found {
        Effectiveness::Estimated(index) => {
            row.extend([index.n_signs.to_string(), index.n_controls.to_string()]);
            row.extend(counts);
            row.push(format!("{:.3}", index.expected));
            row.push(index.change.estimate().map_or_else(String::new, |value| format!("{value:.4}")));
            row.push(format!("{:.4}", index.limits.lower));
            row.push(index.limits.upper.map_or_else(String::new, |upper| format!("{upper:.4}")));
            row.push(format!("{:.4}", index.p_value));
            let flips = match index.flips {
                FlipTest::Tested { p_value, .. } => format!(" (randomisation p {p_value:.4})"),
                FlipTest::NothingToFlip => String::new(),
            };
            row.push(format!("{}{flips}", verdict_words(index.verdict)));
        }
        Effectiveness::NotEstimable(why) => {
            row.extend([campaign.by_sign.len().to_string(), String::new()]);
            row.extend(counts);
            row.extend(std::iter::repeat_n(String::new(), 5));
            row.push(format!("not estimable: {}", why_words(*why)));
        }
    }
    out.row(&row)
}

fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Fewer => "fewer",
        Verdict::More => "more",
        Verdict::NotToldApart => "not told apart",
        Verdict::TooFewSigns => "too few signs",
    }
}
