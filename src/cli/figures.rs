//! Printing figures: rates and plans as CSV.

use std::io::Write;

use jiff::tz::TimeZone;

use crate::analysis::clusters::SegmentFinding;
use crate::analysis::clusters::SegmentMoran;
use crate::analysis::clusters::Side;
use crate::analysis::rates::Certainty;
use crate::analysis::rates::Exceedance;
use crate::analysis::rates::Provenance;
use crate::analysis::rates::Rank;
use crate::analysis::rates::UnitRate;
use crate::cli::DatabaseFile;
use crate::cli::open;
use crate::cli::table::Table;
use crate::derived::clusters::Variant;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::PlanParams;
use crate::derived::plan::PlannedSite;
use crate::derived::rates;
use crate::derived::rates::RateSet;
use crate::derived::rates::UnitKind;
use crate::derived::register;
use crate::derived::season::PeriodChoice;
use crate::domain::time::PartOfDay;
use crate::domain::units::Length;

/// What rates to print.
#[derive(Debug, clap::Args)]
pub(super) struct RatesArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// Of which unit.
    #[arg(long, value_enum, default_value = "stretch")]
    unit: Unit,
    /// In which month, 1 to 12; all when left out.
    #[arg(long, value_parser = clap::value_parser!(i8).range(1..=12))]
    month: Option<i8>,
    /// In which part of the day: early, middle, evening, night; all when left out.
    #[arg(long)]
    part: Option<String>,
}

/// The units of the command line.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Unit {
    /// Neighbouring segments joined.
    Stretch,
    /// About 100 m.
    Segment,
    /// Whole trails.
    Trail,
}

impl From<Unit> for UnitKind {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::Stretch => Self::Stretch,
            Unit::Segment => Self::Segment,
            Unit::Trail => Self::Trail,
        }
    }
}

/// Prints rates, highest lower limit first and those of assumed walking after all others, with everything a table of a paper needs.
pub(super) async fn rates(arguments: RatesArguments) -> anyhow::Result<()> {
    let part = match arguments.part.as_deref() {
        None => None,
        Some(word) => Some(PartOfDay::from_term(word).ok_or_else(|| {
            anyhow::anyhow!("\"{word}\" is not a part of the day: early, middle, evening, night")
        })?),
    };
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().rates(&facts).await?;
    let season = app.deriver().season(&facts).await?;
    let choice = PeriodChoice { month: arguments.month, part };
    let set = match UnitKind::from(arguments.unit) {
        UnitKind::Stretch => &layer.stretches,
        UnitKind::Segment => &layer.segments,
        UnitKind::Trail => &layer.trails,
    };
    let period = rates::in_period(set, &layer.bounds, &season.value, choice)?;
    let mut table = Table::new(std::io::stdout().lock(), RATE_HEADER, layer.revision, &facts.settings)?;
    let mut order: Vec<usize> = (0..set.names.len()).collect();
    let lower = |unit: usize| period.per_1000_km[unit].map_or(-1.0, |limits| limits.lower);
    let is_assumed = |unit: usize| set.provenance[unit] == Provenance::Assumed;
    order.sort_by(|a, b| is_assumed(*a).cmp(&is_assumed(*b)).then_with(|| lower(*b).total_cmp(&lower(*a))));
    for unit in order {
        table.row(rate_row(set, &period, unit))?;
    }
    table.flush()?;
    if let Some(words) = season.caution(choice) {
        match period.is_too_little {
            true => eprintln!("{words} So there are no rates for it."),
            false => eprintln!("{words} The rates are carried over from other months and hours."),
        }
    }
    Ok(())
}

const RATE_HEADER: [&str; 15] = [
    "name",
    "encounters",
    "walked_km",
    "walked_km_lower",
    "walked_km_upper",
    "provenance",
    "rate_per_1000_km",
    "lower",
    "upper",
    "interval",
    "as_counted",
    "as_counted_lower",
    "as_counted_upper",
    "exceedance",
    "top_ten_share",
];

fn rate_row(set: &RateSet, period: &rates::PeriodRates, unit: usize) -> Vec<String> {
    let fit = &set.fit.units[unit];
    let (walked_lower, walked_upper) = set.exposure_limits_km[unit];
    let exceedance = match &fit.rate {
        UnitRate::Estimated(estimate) => match estimate.exceedance {
            Exceedance::Probability(probability) => format!("{probability:.3}"),
            Exceedance::NotJudged => "not judged".to_owned(),
        },
        UnitRate::Unexposed => "no exposure".to_owned(),
        UnitRate::ContradictsRecords => "exposure contradicts records".to_owned(),
    };
    let top = match set.ranking.units[unit] {
        Rank::Ranked { top_share, .. } => format!("{top_share:.3}"),
        Rank::NotRanked => "not ranked".to_owned(),
    };
    let mut row = vec![set.names[unit].clone(), format!("{:.2}", fit.count)];
    row.extend([fit.exposure_km, walked_lower, walked_upper].map(|km| format!("{km:.1}")));
    row.push(provenance_words(set.provenance[unit]).to_owned());
    row.extend(three(period.per_1000_km[unit]));
    row.push(certainty_words(period.drawn[unit].1).to_owned());
    row.extend(three(rates::raw_per_1000_km(fit.count, fit.exposure_km)));
    row.extend([exceedance, top]);
    row
}

/// Three cells, empty where there is nothing to print.
fn three(limits: Option<rates::Limits>) -> [String; 3] {
    let cells = |it: rates::Limits| [it.value, it.lower, it.upper].map(|number| format!("{number:.4}"));
    limits.map_or_else(Default::default, cells)
}

fn provenance_words(provenance: Provenance) -> &'static str {
    match provenance {
        Provenance::Counted => "counted",
        Provenance::Fitted => "fitted",
        Provenance::Assumed => "assumed",
        Provenance::NotWalked => "not walked",
    }
}

fn certainty_words(certainty: Certainty) -> &'static str {
    match certainty {
        Certainty::Narrow => "narrow",
        Certainty::Wide => "wide",
        Certainty::TooWide => "too wide",
        Certainty::None => "none",
    }
}

/// Of what clusters to print.
#[derive(Debug, clap::Args)]
pub(super) struct ClustersArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// Print every segment that was tested instead, with Gi* and local Moran's I.
    #[arg(long)]
    segments: bool,
}

/// Prints clusters, or every segment, of both ways of counting.
pub(super) async fn clusters(arguments: ClustersArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let network = app.deriver().network(&facts).await?;
    let layer = app.deriver().clusters(&facts).await?;
    let answer = layer.answer.as_ref().map_err(|reason| anyhow::anyhow!("{reason}"))?;
    let ways = [("every report", Some(&answer.all)), ("every known snake once", answer.once.as_ref())];
    let header: &[&str] = if arguments.segments { &SEGMENT_HEADER } else { &CLUSTER_HEADER };
    let mut out = Table::new(std::io::stdout().lock(), header, layer.revision, &facts.settings)?;
    for (counting, variant) in ways.into_iter().filter_map(|(words, way)| Some((words, way?))) {
        if arguments.segments {
            write_segments(&mut out, &network, variant, counting)?;
        } else {
            write_clusters(&mut out, variant, counting)?;
        }
    }
    out.flush()?;
    let left_out = &layer.left_out;
    eprintln!(
        "{} segments whose walking is only assumed, with {:.1} reports, and {} without walking are left out.",
        left_out.n_assumed, left_out.reports_assumed, left_out.n_not_walked
    );
    Ok(())
}

const CLUSTER_HEADER: [&str; 13] = [
    "counting",
    "method",
    "name",
    "side",
    "encounters",
    "expected",
    "ratio",
    "lower",
    "upper",
    "p",
    "q",
    "stands_out",
    "dispersion",
];

const SEGMENT_HEADER: [&str; 12] = [
    "counting",
    "trail",
    "segment",
    "encounters_with_neighbours",
    "expected",
    "z",
    "side",
    "p",
    "q",
    "moran_quadrant",
    "moran_p",
    "moran_q",
];

fn write_clusters(out: &mut Table<impl Write>, variant: &Variant, counting: &str) -> anyhow::Result<()> {
    for cluster in variant.windows.iter().chain(&variant.groups) {
        let method = if cluster.q_value.is_some() { "segments with neighbours" } else { "scan" };
        out.row([
            counting.to_owned(),
            method.to_owned(),
            cluster.name.clone(),
            side_words(cluster.side).to_owned(),
            format!("{:.2}", cluster.count),
            format!("{:.3}", cluster.expected),
            format!("{:.4}", cluster.ratio.value),
            format!("{:.4}", cluster.ratio.lower),
            format!("{:.4}", cluster.ratio.upper),
            format!("{:.3e}", cluster.p_value),
            cluster.q_value.map_or_else(String::new, |q| format!("{q:.3e}")),
            if cluster.stands_out { "yes" } else { "no" }.to_owned(),
            format!("{:.3}", variant.dispersion.factor()),
        ])?;
    }
    Ok(())
}

fn write_segments(
    out: &mut Table<impl Write>,
    network: &NetworkLayer,
    variant: &Variant,
    counting: &str,
) -> anyhow::Result<()> {
    for (segment, (finding, moran)) in variant.segments.iter().zip(&variant.moran).enumerate() {
        let SegmentFinding::Tested(local) = finding else { continue };
        let moran = match moran {
            SegmentMoran::Tested(it) => [
                it.quadrant.number().to_string(),
                format!("{:.3e}", it.p_value),
                format!("{:.3e}", it.q_value),
            ],
            SegmentMoran::LeftOut => ["no neighbours".to_owned(), String::new(), String::new()],
        };
        let [quadrant, moran_p, moran_q] = moran;
        out.row([
            counting.to_owned(),
            network.trail_name(segment).to_owned(),
            (network.network.segments[segment].order + 1).to_string(),
            format!("{:.2}", local.count),
            format!("{:.3}", local.expected),
            format!("{:.3}", local.z_score),
            side_words(local.side).to_owned(),
            format!("{:.3e}", local.p_value),
            format!("{:.3e}", local.q_value),
            quadrant,
            moran_p,
            moran_q,
        ])?;
    }
    Ok(())
}

fn side_words(side: Side) -> &'static str {
    match side {
        Side::More => "more",
        Side::Fewer => "fewer",
    }
}

/// What plan to make.
#[derive(Debug, clap::Args)]
pub(super) struct PlanArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// How many signs, those in place not counted.
    #[arg(long, default_value_t = 6)]
    signs: usize,
    /// How far a sign reaches, metres of walking; the area's setting when left out.
    #[arg(long)]
    reach: Option<f64>,
    /// Least spacing, metres; the area's setting when left out.
    #[arg(long)]
    spacing: Option<f64>,
}

/// Prints a plan.
pub(super) async fn plan(arguments: PlanArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let params = PlanParams {
        n_signs: arguments.signs,
        reach: Length::metres(arguments.reach.unwrap_or(facts.settings.reach_m))?,
        spacing: Length::metres(arguments.spacing.unwrap_or(facts.settings.spacing_m))?,
    };
    let plan = app.deriver().plan(&facts, params).await?;
    let mut table = Table::new(std::io::stdout().lock(), PLAN_HEADER, plan.revision, &facts.settings)?;
    for (idx, site) in plan.sites.iter().enumerate() {
        table.row(plan_row(idx + 1, site))?;
    }
    table.flush()?;
    eprintln!(
        "Warned {:.1} % ({:.1} to {:.1}); signs everywhere could reach {:.1} %; {}.",
        plan.warned.value * 100.0,
        plan.warned.lower * 100.0,
        plan.warned.upper * 100.0,
        plan.reachable * 100.0,
        if plan.proven {
            "no other choice of as many is better".to_owned()
        } else {
            format!("no other choice can exceed {:.1} %", plan.bound * 100.0)
        }
    );
    Ok(())
}

const PLAN_HEADER: [&str; 13] = [
    "number",
    "decimalLongitude",
    "decimalLatitude",
    "in_place",
    "trails",
    "towards_deg",
    "parties_per_day",
    "adds",
    "warned_together",
    "warned_lower",
    "warned_upper",
    "chosen_share",
    "warns_on",
];

fn plan_row(number: usize, site: &PlannedSite) -> Vec<String> {
    let warns: Vec<String> =
        site.warns_on.iter().map(|(trail, share)| format!("{trail} {:.1} %", share * 100.0)).collect();
    let mut row = vec![number.to_string()];
    row.extend([site.position.lon(), site.position.lat()].map(|degrees| format!("{degrees:.6}")));
    row.extend([if site.standing { "yes" } else { "no" }.to_owned(), site.trails.join("; ")]);
    row.push(site.towards_deg.map_or_else(String::new, |degrees| format!("{degrees:.0}")));
    row.push(format!("{:.1}", site.parties_per_day));
    let shares = [site.adds, site.together.value, site.together.lower, site.together.upper];
    row.extend(shares.map(|share| format!("{share:.4}")));
    row.extend([format!("{:.3}", site.chosen_share), warns.join("; ")]);
    row
}

/// How the register is printed.
#[derive(Debug, clap::Args)]
pub(super) struct DecisionArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// As what.
    #[arg(long, value_enum, default_value = "csv")]
    format: RegisterFormat,
}

/// The formats of the register.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum RegisterFormat {
    /// A row a decision, then one for each stretch that waits.
    Csv,
    /// Decisions with the figures of then and now.
    Json,
}

/// Prints the register of decisions.
pub(super) async fn decisions(arguments: DecisionArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let register = app.deriver().register(&facts).await?;
    let zone = TimeZone::get(&facts.area.time_zone)?;
    let text = match arguments.format {
        RegisterFormat::Csv => register::to_csv(&register, &zone, facts.revision.0),
        RegisterFormat::Json => register::to_json(&register, &zone, facts.revision.0),
    };
    let text = text.map_err(anyhow::Error::msg)?;
    std::io::stdout().lock().write_all(text.as_bytes())?;
    if let Err(reason) = &register.judged {
        eprintln!("No stretch can be judged now: {reason}");
    }
    Ok(())
}
