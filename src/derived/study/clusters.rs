//! Tables of clusters: windows and groups that were found, and what stands behind them segment by segment.

use crate::analysis::clusters::LocalFinding;
use crate::analysis::clusters::LocalMoranFinding;
use crate::analysis::clusters::SegmentFinding;
use crate::analysis::clusters::SegmentMoran;
use crate::analysis::clusters::Side;
use crate::analysis::moran::Quadrant;
use crate::derived::cluster_periods::ClusterPeriods;
use crate::derived::cluster_periods::PeriodFinding;
use crate::derived::clusters::Answer;
use crate::derived::clusters::Cluster;
use crate::derived::clusters::Variant;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

fn answer(layers: &Layers) -> Result<&Answer, String> {
    need(&layers.clusters)?.answer.as_deref().map_err(Clone::clone)
}

/// Both ways of counting, as far as there are both.
fn variants(answer: &Answer) -> Vec<(&'static str, &Variant)> {
    let once = answer.once.iter().map(|variant| ("each known snake once", variant));
    std::iter::once(("every report", &answer.all)).chain(once).collect()
}

/// One window or group.
struct Found<'a> {
    counted: &'static str,
    kind: &'static str,
    cluster: &'a Cluster,
}

pub(super) fn found(layers: &Layers) -> Result<Table, String> {
    let mut rows = Vec::new();
    for (counted, variant) in variants(answer(layers)?) {
        for (kind, list) in
            [("window of the scan", &variant.windows), ("segments with their neighbours", &variant.groups)]
        {
            rows.extend(list.iter().map(|cluster| Found { counted, kind, cluster }));
        }
    }
    let n_all = rows.len();
    rows.retain(|row| !layers.withheld.touches(&row.cluster.segments));
    let n_withheld = n_all - rows.len();
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("counted", "", "every report, or each known snake once", |row| row.counted)
        .column("found_by", "", "how it was found", |row| row.kind)
        .column("name", "", "trails with the numbers of the segments", |row| row.cluster.name.clone())
        .column("segments", "", "how many segments it holds", |row| row.cluster.segments.len())
        .column("side", "", "more or fewer reports than walking lets expect", |row| side(row.cluster.side))
        .column("reports", "", "reports in it, mean over draws", |row| row.cluster.count)
        .column("expected", "reports", "reports expected from the walking", |row| row.cluster.expected)
        .limits("ratio", "times expectation", "reports over expectation", |row| Some(row.cluster.ratio))
        .column("p_value", "probability", "of a window over all windows; of a group its smallest", |row| {
            row.cluster.p_value
        })
        .column("q_value", "share", "smallest adjusted p-value of a group's segments", |row| {
            row.cluster.q_value
        })
        .column("stands_out", "", "whether it stands out at the area's level", |row| {
            if row.cluster.stands_out { "yes" } else { "no" }
        })
        .done())
}

/// One finding of a period, or that there is none.
struct InPeriod<'a> {
    periods: &'a ClusterPeriods,
    counted: &'static str,
    period: &'a PeriodFinding,
    cluster: Option<&'a Cluster>,
}

impl InPeriod<'_> {
    fn words(&self) -> String {
        match (&self.period.groups, self.cluster) {
            (Err(reason), _) => format!("not looked at: {reason}"),
            (Ok(_), None) => "nothing stands out".to_owned(),
            (Ok(_), Some(_)) => "stands out".to_owned(),
        }
    }
}

pub(super) fn by_period(layers: &Layers) -> Result<Table, String> {
    let mut rows = Vec::new();
    for periods in &layers.cluster_periods {
        let periods = need(periods)?;
        let all = periods.periods.iter().map(|period| ("every report", period));
        let once = periods.once.iter().flatten().map(|period| ("each known snake once", period));
        for (counted, period) in all.chain(once) {
            let row = |cluster| InPeriod { periods, counted, period, cluster };
            match period.groups.as_deref() {
                Ok([]) | Err(_) => rows.push(row(None)),
                Ok(groups) => rows.extend(groups.iter().map(|cluster| row(Some(cluster)))),
            }
        }
    }
    let n_all = rows.len();
    rows.retain(|row| row.cluster.is_none_or(|cluster| !layers.withheld.touches(&cluster.segments)));
    let n_withheld = n_all - rows.len();
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("cut", "", "months, quarters of the year, or parts of the day", |row| row.periods.cut.term())
        .column("counted", "", "every report, or each known snake once in each period", |row| row.counted)
        .column("period", "", "name of the period", |row| row.period.name.clone())
        .column("period_reports", "", "reports looked at in the period, mean over draws", |row| {
            row.period.n_reports
        })
        .column(
            "period_allotted",
            "",
            "reports on trails that the season-hour curve gave the period, mean over draws",
            |row| row.period.n_allotted,
        )
        .column(
            "cut_allotted",
            "",
            "reports whose time does not tell the period, given one by the curve",
            |row| row.periods.n_allotted,
        )
        .column("cut_left_out", "", "reports whose time does not tell the period, in none", |row| {
            row.periods.n_untimed
        })
        .column("tested", "", "segments times periods of the cut, tested together", |row| {
            row.periods.n_tested
        })
        .column(
            "found",
            "",
            "whether segments with their neighbours stand out, or why not looked at",
            |row| row.words(),
        )
        .column("name", "", "trails with the numbers of the segments", |row| {
            row.cluster.map(|it| it.name.clone())
        })
        .column("segments", "", "how many segments it holds", |row| row.cluster.map(|it| it.segments.len()))
        .column("side", "", "more or fewer reports than walking lets expect", |row| {
            row.cluster.map(|it| side(it.side))
        })
        .column("reports", "", "reports in it, mean over draws", |row| row.cluster.map(|it| it.count))
        .column("expected", "reports", "reports expected from the walking", |row| {
            row.cluster.map(|it| it.expected)
        })
        .limits("ratio", "times expectation", "reports over expectation", |row| {
            row.cluster.map(|it| it.ratio)
        })
        .column("p_value", "probability", "smallest of its segments", |row| row.cluster.map(|it| it.p_value))
        .column("q_value", "share", "smallest adjusted over segments and periods", |row| {
            row.cluster.and_then(|it| it.q_value)
        })
        .done())
}

/// One segment in one way of counting.
struct Segment<'a> {
    counted: &'static str,
    name: &'a str,
    finding: Option<LocalFinding>,
    moran: Option<LocalMoranFinding>,
}

pub(super) fn segments(layers: &Layers) -> Result<Table, String> {
    let set = &need(&layers.rates)?.segments;
    let (mut rows, mut n_withheld) = (Vec::new(), 0);
    for (counted, variant) in variants(answer(layers)?) {
        rows.extend(set.names.iter().zip(&set.members).filter_map(|(name, members)| {
            let segment = *members.first()?;
            if layers.withheld.holds(segment) {
                n_withheld += 1;
                return None;
            }
            let finding = match variant.segments.get(segment)? {
                SegmentFinding::Tested(finding) => Some(*finding),
                SegmentFinding::LeftOut => None,
            };
            let moran = match variant.moran.get(segment)? {
                SegmentMoran::Tested(finding) => Some(*finding),
                SegmentMoran::LeftOut => None,
            };
            Some(Segment { counted, name, finding, moran })
        }));
    }
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("counted", "", "every report, or each known snake once", |row| row.counted)
        .column("name", "", "name of the segment", |row| row.name)
        .column("is", "", "whether it was looked at: walking known and not zero", |row| {
            if row.finding.is_some() { "tested" } else { "left out" }
        })
        .column("reports", "", "reports on it and its neighbours, mean over draws", |row| {
            row.finding.map(|it| it.count)
        })
        .column("expected", "reports", "reports expected there", |row| row.finding.map(|it| it.expected))
        .column("gi_z", "standard deviations", "Gi*: reports less expectation", |row| {
            row.finding.map(|it| it.z_score)
        })
        .column("gi_p_value", "probability", "two-sided, exact under the walking null", |row| {
            row.finding.map(|it| it.p_value)
        })
        .column("gi_q_value", "share", "adjusted over all that were tested", |row| {
            row.finding.map(|it| it.q_value)
        })
        .column("moran", "reports squared", "local Moran's I, mean over draws", |row| {
            row.moran.map(|it| it.statistic)
        })
        .column("moran_quadrant", "", "the segment, then its neighbours, against expectation", |row| {
            row.moran.map(|it| quadrant(it.quadrant))
        })
        .column("moran_p_value", "probability", "two-sided", |row| row.moran.map(|it| it.p_value))
        .column("moran_q_value", "share", "adjusted over all that were tested", |row| {
            row.moran.map(|it| it.q_value)
        })
        .done())
}

fn side(side: Side) -> &'static str {
    match side {
        Side::More => "more",
        Side::Fewer => "fewer",
    }
}

fn quadrant(quadrant: Quadrant) -> &'static str {
    match quadrant {
        Quadrant::HighHigh => "more, more",
        Quadrant::LowHigh => "fewer, more",
        Quadrant::LowLow => "fewer, fewer",
        Quadrant::HighLow => "more, fewer",
    }
}
