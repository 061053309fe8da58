//! Clusters of reports given the walking.

use axum::response::IntoResponse;

use crate::analysis::clusters::SegmentFinding;
use crate::analysis::clusters::SegmentMoran;
use crate::analysis::clusters::Side;
use crate::derived::DeriveError;
use crate::derived::cluster_periods::ClusterPeriods;
use crate::derived::cluster_periods::PeriodCut;
use crate::derived::cluster_periods::PeriodFinding;
use crate::derived::clusters;
use crate::derived::clusters::Answer;
use crate::derived::clusters::Cluster;
use crate::derived::clusters::ClusterLayer;
use crate::derived::clusters::LeftOut;
use crate::derived::clusters::Variant;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::season::PeriodChoice;
use crate::derived::settings::Settings;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::thousands;
use crate::web::views::clusters::ByPeriod;
use crate::web::views::clusters::ClusterRow;
use crate::web::views::clusters::Clusters;
use crate::web::views::clusters::ClustersPage;
use crate::web::views::clusters::Counted;
use crate::web::views::clusters::PeriodRow;
use crate::web::views::figure::format_count;
use crate::web::views::layout::Section;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapOutline;

/// An outline keeps this share of the map's width from its trail.
const OUTLINE_SHARE: f64 = 1.0 / 60.0;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["periods"])?;
    let cut = period_cut(&query)?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let network = deriver.network(&facts).await?;
    let (rates, season) = (deriver.rates(&facts).await?, deriver.season(&facts).await?);
    let layer = deriver.clusters(&facts).await?;
    let period = rates::in_period(&rates.stretches, &rates.bounds, &season, PeriodChoice::default())?;
    let href = |unit: usize| format!("/stretch/{unit}");
    let mut drawing = common::stretch_map(&facts, &network, &rates, &period, href);
    drawing.description =
        "The trails with outlines around what stands out; the tables below have the numbers".to_owned();
    outline(&mut drawing, &network, &layer, |_| true);
    let row = |cluster: &Cluster| {
        let stretch =
            cluster.segments.get(cluster.segments.len() / 2).map(|segment| rates.stretch_of[*segment]);
        row(cluster, stretch.map_or_else(String::new, href))
    };
    let periods = match deriver.cluster_periods(&facts, cut).await {
        Ok(found) => Ok(by_period(&found, row)),
        Err(DeriveError::Unanswerable(reason)) => Err(reason.to_string()),
        Err(error) => return Err(error.into()),
    };
    let answer = match &layer.answer {
        Ok(answer) => Ok(found(answer, &facts.settings, row)),
        Err(reason) => Err(reason.clone()),
    };
    let page = ClustersPage {
        drawing,
        bounds: rates.bounds.per_1000_km(),
        answer,
        periods,
        left_out: left_out(&layer.left_out, rates.n_vague, rates.n_elsewhere),
    };
    let frame = common::frame(&facts, Section::Analysis, "Clusters", common::rate_records(&rates));
    let markup = views::layout::page(&frame, views::clusters::body(&page));
    Ok(Cached(CachePolicy::of_revision(facts.revision, format!("clusters {}", cut.term())), markup))
}

/// The periods that the address asks for.
pub(in crate::web) fn period_cut(query: &Query) -> Result<PeriodCut, Error> {
    match query.get("periods") {
        None => Ok(PeriodCut::default()),
        Some(term) => PeriodCut::from_term(term).ok_or_else(|| {
            let words = format!("\"{term}\" is not one of months, quarters, parts.");
            Error::bad_request("periods", words)
        }),
    }
}

fn by_period(found: &ClusterPeriods, row: impl Fn(&Cluster) -> ClusterRow) -> ByPeriod {
    let period = |period: &PeriodFinding| PeriodRow {
        name: period.name.clone(),
        n_reports: period.n_reports,
        n_allotted: period.n_allotted,
        groups: match &period.groups {
            Ok(groups) => Ok(groups.iter().map(&row).collect()),
            Err(reason) => Err(reason.clone()),
        },
    };
    ByPeriod {
        cut: found.cut.term(),
        periods: found.periods.iter().map(period).collect(),
        once: found.once.as_ref().map(|once| once.iter().map(period).collect()),
        n_repeated: found.n_repeated,
        basis: format!(
            "{} segments and periods were tested together, and q is Benjamini and Hochberg's over all of them. The walking \
             of each period is shared over the segments as that of the whole time is.",
            thousands(found.n_tested as i64)
        ),
        untimed: untimed_words(found),
    }
}

/// What becomes of reports whose time does not tell the period.
fn untimed_words(found: &ClusterPeriods) -> Vec<String> {
    let what = match found.cut {
        PeriodCut::Months => "month",
        PeriodCut::Quarters => "quarter",
        PeriodCut::PartsOfDay => "part of the day",
    };
    let mut words = Vec::new();
    let do_not_tell = |n: usize| match n {
        1 => format!("One report on trails does not tell its {what}"),
        n => format!("{} reports on trails do not tell their {what}", thousands(n as i64)),
    };
    let hours = match found.cut {
        PeriodCut::PartsOfDay => " Times of day that are noted far too often, such as noon, tell none.",
        PeriodCut::Months | PeriodCut::Quarters => "",
    };
    if found.n_allotted > 0 {
        words.push(format!(
            "{}. The curve of season and hours gives {} one, drawn anew in each draw from when people walk and how frequent \
             reports are then. It knows nothing of single places, so what stands out in one {what} alone stands out a little \
             less for it there, and a little more in others.{hours}",
            do_not_tell(found.n_allotted),
            if found.n_allotted == 1 { "it" } else { "them" },
        ));
    }
    if found.n_untimed > 0 || found.n_allotted == 0 {
        words.push(match found.n_untimed {
            0 => format!("Every report on trails tells its {what}.{hours}"),
            n => format!(
                "{}, and no curve of season and hours does: left out of this table. If they lie elsewhere than the \
                 others do, a place may stand out for that alone.{hours}",
                do_not_tell(n)
            ),
        });
    }
    words
}

/// Draws outlines around what has more reports than expected.
pub(in crate::web) fn outline(
    drawing: &mut MapDrawing,
    network: &NetworkLayer,
    layer: &ClusterLayer,
    is_told: impl Fn(&Cluster) -> bool,
) {
    let Ok(answer) = &layer.answer else { return };
    let xs = || drawing.lines.iter().flat_map(|line| &line.points).map(|at| at[0]);
    let ys = || drawing.lines.iter().flat_map(|line| &line.points).map(|at| at[1]);
    let width = |low: f64, high: f64| if high > low { high - low } else { 0.0 };
    let size_m = width(xs().fold(f64::INFINITY, f64::min), xs().fold(f64::NEG_INFINITY, f64::max))
        .max(width(ys().fold(f64::INFINITY, f64::min), ys().fold(f64::NEG_INFINITY, f64::max)));
    let distance_m = (size_m * OUTLINE_SHARE).max(1.0);
    let more = answer.all.standing_out().filter(|cluster| cluster.side == Side::More && is_told(cluster));
    drawing.outlines = more
        .map(|cluster| MapOutline {
            rings: clusters::outline(network, &cluster.segments, distance_m),
            title: cluster.name.clone(),
        })
        .collect();
}

fn row(cluster: &Cluster, href: String) -> ClusterRow {
    ClusterRow {
        name: cluster.name.clone(),
        href,
        is_more: cluster.side == Side::More,
        count: cluster.count,
        expected: cluster.expected,
        ratio: common::estimate(cluster.ratio),
        p_value: cluster.p_value,
        q_value: cluster.q_value,
        stands_out: cluster.stands_out,
    }
}

fn found(answer: &Answer, settings: &Settings, row: impl Fn(&Cluster) -> ClusterRow) -> Clusters {
    Clusters {
        all: counted(&answer.all, settings.cluster_level, &row),
        once: answer.once.as_ref().map(|once| counted(once, settings.cluster_level, &row)),
        n_repeated: answer.n_repeated,
        level: settings.cluster_level,
        method: method(settings),
    }
}

fn counted(variant: &Variant, level: f64, row: &impl Fn(&Cluster) -> ClusterRow) -> Counted {
    let tested = variant.segments.iter().filter(|it| matches!(it, SegmentFinding::Tested(_))).count();
    let dispersion = &variant.dispersion;
    let null = match dispersion.factor() > 1.0 {
        true => "reports come in clumps, so the null is negative binomial",
        false => "reports fall one by one, so the null is multinomial",
    };
    let mut by_quadrant = [0; 4];
    for finding in &variant.moran {
        if let SegmentMoran::Tested(it) = finding
            && it.q_value <= level
        {
            by_quadrant[usize::from(it.quadrant.number()) - 1] += 1;
        }
    }
    let [high, low_among_high, low, high_among_low] = by_quadrant;
    Counted {
        n_reports: variant.n_reports,
        basis: format!(
            "Dispersion {:.2} (standard error {:.2}, from {} pairs of neighbours): {null}. {} windows and {} segments were \
             compared.",
            dispersion.estimate,
            dispersion.standard_error,
            thousands(dispersion.n_pairs as i64),
            thousands(variant.n_windows as i64),
            thousands(tested as i64),
        ),
        windows: variant.windows.iter().map(row).collect(),
        groups: variant.groups.iter().map(row).collect(),
        moran: format!(
            "Local Moran's I at the same level of q: {high} segments with more reports than expected beside neighbours with \
             more, {low} with fewer beside fewer, {high_among_low} with more among fewer, {low_among_high} with fewer among \
             more."
        ),
    }
}

fn left_out(left_out: &LeftOut, n_vague: usize, n_elsewhere: usize) -> Vec<String> {
    let mut lines = Vec::new();
    if left_out.n_assumed > 0 {
        lines.push(format!(
            "{} segments whose walking is only assumed, with {} reports: a cluster must not stand on an assumption, so none \
             can be told there.",
            thousands(left_out.n_assumed as i64),
            format_count(left_out.reports_assumed),
        ));
    }
    if left_out.n_not_walked > 0 {
        lines.push(format!(
            "{} segments where no walking is recorded, with {} reports{}.",
            thousands(left_out.n_not_walked as i64),
            format_count(left_out.reports_not_walked),
            if left_out.reports_not_walked > 0.0 { ": exposure contradicts records" } else { "" },
        ));
    }
    if n_vague > 0 {
        lines.push(format!("{} reports too vague for a segment.", thousands(n_vague as i64)));
    }
    if n_elsewhere > 0 {
        lines.push(format!("{} reports at places or off trail.", thousands(n_elsewhere as i64)));
    }
    lines.push(
        "Survey, located and chance encounters: only reports are compared with how far visitors walk."
            .to_owned(),
    );
    lines
}

fn method(settings: &Settings) -> Vec<String> {
    let neighbours = match settings.cluster_band_m {
        band_m if band_m > 0.0 => format!("up to {band_m} m apart along the trails"),
        _ => "that touch".to_owned(),
    };
    vec![
        "What is tested is the number of reports against the number that the walking lets expect: all reports dealt to the segments \
         by how far parties walk there. Raw rates are never compared: on flat risk they find clusters on nearly every map."
            .to_owned(),
        format!(
            "Uncertain records lie on one segment in each of {} draws, and each draw has its own walking. A p-value is the mean over \
             the draws, so a cluster does not stand on where a record may lie or on the error of walking.",
            settings.n_draws
        ),
        "Dispersion is estimated from differences between neighbouring segments: several parties that meet one snake make it larger, \
         and the null then deals clumps."
            .to_owned(),
        format!(
            "Scan (Kulldorff 1997): windows around every segment, grown by distance along the trails up to {} % of all walking, on \
             both sides of the expectation; {} replicates of the null, each with one draw of walking as its truth; \
             p = (1 + replicates as striking) / (1 + replicates); further windows do not overlap earlier ones.",
            settings.cluster_share * 100.0,
            settings.cluster_replicates
        ),
        format!(
            "Segments: the count on a segment with the segments {neighbours} (Gi* under this null, tails exact), and local Moran's I, pooled over 20 of the draws; \
             two-sided; q is Benjamini and Hochberg's over all segments tested, shown up to {}.",
            settings.cluster_level
        ),
        "Ratios have exact 95 % limits, widened by the draws and the dispersion. They speak of a part named beforehand; a part picked \
         for being high has a ratio that is too high on average."
            .to_owned(),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_becomes_of_reports_without_a_time_is_said_with_their_number() {
        let found = |cut: PeriodCut, n_allotted: usize, n_untimed: usize| {
            let nothing = Vec::new();
            let found = ClusterPeriods {
                cut,
                periods: nothing,
                once: None,
                n_repeated: 0,
                n_tested: 0,
                n_allotted,
                n_untimed,
            };
            untimed_words(&found)
        };
        assert_eq!(found(PeriodCut::Months, 0, 0), ["Every report on trails tells its month."]);
        let both = found(PeriodCut::Quarters, 1, 1200);
        assert!(both[0].starts_with(
            "One report on trails does not tell its quarter. The curve of season and hours gives it one"
        ));
        assert!(both[1].starts_with(
            "1,200 reports on trails do not tell their quarter, and no curve of season and hours does"
        ));
        let left_out = found(PeriodCut::PartsOfDay, 0, 7);
        assert_eq!(left_out.len(), 1);
        assert!(
            left_out[0].contains("left out of this table")
                && left_out[0].ends_with("such as noon, tell none.")
        );
    }
}
