//! Clusters by period: parts of the network that stand out in a month, a season or a part of the day.
//!
//! Where several periods are looked at, each segment has as many chances to stand out as there are periods: q-values are
//! Benjamini and Hochberg's over segments and periods together.

use std::collections::HashSet;

use crate::analysis::clusters;
use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::Evidence;
use crate::analysis::clusters::Null;
use crate::analysis::clusters::SegmentFinding;
use crate::analysis::exposure::Provenance;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::ExposureDraws;
use crate::derived::DeriveError;
use crate::derived::clusters::Cluster;
use crate::derived::clusters::Search;
use crate::derived::clusters::counted_once;
use crate::derived::clusters::draws;
use crate::derived::clusters::repeated;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::snaps::SnapLayer;
use crate::domain::time::EventTime;
use crate::domain::time::PartOfDay;

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];
const QUARTERS: [&str; 4] =
    ["December to February", "March to May", "June to August", "September to November"];

/// Into what periods reports are sorted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum PeriodCut {
    /// Twelve months.
    #[default]
    Months,
    /// Four quarters of three months, the first from December on.
    Quarters,
    /// Four parts of the day.
    PartsOfDay,
}

impl PeriodCut {
    /// All cuts.
    pub const ALL: [Self; 3] = [Self::Months, Self::Quarters, Self::PartsOfDay];

    /// Its name in addresses.
    pub fn term(self) -> &'static str {
        match self {
            Self::Months => "months",
            Self::Quarters => "quarters",
            Self::PartsOfDay => "parts",
        }
    }

    /// The cut of a name, if there is one.
    pub fn from_term(term: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|cut| cut.term() == term)
    }

    /// The names of its periods.
    pub fn names(self) -> Vec<String> {
        match self {
            Self::Months => MONTHS.map(str::to_owned).to_vec(),
            Self::Quarters => QUARTERS.map(str::to_owned).to_vec(),
            Self::PartsOfDay => PartOfDay::ALL.iter().map(|part| part.term().to_owned()).collect(),
        }
    }

    /// The period that a time lies in; none where the time is not known well enough.
    fn of(self, time: &EventTime) -> Option<usize> {
        match self {
            Self::Months => time.month().map(|month| usize::from(month.unsigned_abs()) - 1),
            Self::Quarters => time.month().map(|month| usize::from(month.unsigned_abs()) % 12 / 3),
            Self::PartsOfDay => {
                let part = PartOfDay::of_hour(time.hour()?);
                PartOfDay::ALL.iter().position(|known| *known == part)
            }
        }
    }
}

/// What stands out in each period.
#[derive(Debug)]
pub struct ClusterPeriods {
    /// By what reports are sorted.
    pub cut: PeriodCut,
    /// The periods in order, every report counted.
    pub periods: Vec<PeriodFinding>,
    /// The same with every known snake counted once in each period; none where no known snake was reported twice in one.
    pub once: Option<Vec<PeriodFinding>>,
    /// Known snakes that were reported more than once in some period.
    pub n_repeated: usize,
    /// Segments times periods that were tested together.
    pub n_tested: usize,
    /// Reports on trails whose time does not tell the period.
    pub n_untimed: usize,
}

/// One period.
#[derive(Debug)]
pub struct PeriodFinding {
    /// Its name.
    pub name: String,
    /// Reports looked at, mean over draws.
    pub n_reports: f64,
    /// Groups of segments that stand out with their neighbours, or why the period cannot be looked at.
    pub groups: Result<Vec<Cluster>, String>,
}

/// Looks at every segment with its neighbours in every period.
///
/// The walking of a period is shared over the segments as that of the whole time is, since that is what the walker model
/// knows. Clumps are those found in all reports together.
///
/// # Errors
/// [`DeriveError::Internal`] when layers do not fit together; [`DeriveError::Unanswerable`] when nothing is looked at.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
    cut: PeriodCut,
) -> Result<ClusterPeriods, DeriveError> {
    let n_segments = layer.network.segments.len();
    let field = &exposure.field;
    let walked =
        ExposureDraws { n_draws: field.n_draws, n_units: n_segments, party_km: field.party_km.clone() };
    let known = |provenance: &Provenance| matches!(provenance, Provenance::Counted | Provenance::Fitted);
    let is_looked_at: Vec<bool> = field.provenance.iter().map(known).collect();
    let search = Search { settings: &facts.settings, layer, walked: &walked, is_looked_at: &is_looked_at };
    let counted = rates::counted_reports(facts, exposure, snaps);
    let period_of: Vec<Option<usize>> =
        snaps.records.iter().map(|row| cut.of(&facts.encounters.rows[*row].time)).collect();
    let n_periods = cut.names().len();
    let of_period = |period: usize| -> Vec<bool> {
        let each = counted.iter().zip(&period_of);
        each.map(|(counted, of)| *counted && *of == Some(period)).collect()
    };
    let all = draws(snaps, n_segments, |record| counted[record]);
    let by_period: Vec<CountDraws> = (0..n_periods)
        .map(|period| {
            let is_of = of_period(period);
            draws(snaps, n_segments, |record| is_of[record])
        })
        .collect();
    let (periods, n_tested) = in_periods(&search, cut, &all, &by_period)?;
    let repeated_in: Vec<Vec<Vec<usize>>> =
        (0..n_periods).map(|period| repeated(facts, snaps, &of_period(period))).collect();
    let snake = |records: &Vec<usize>| facts.encounters.rows[snaps.records[records[0]]].organism_id;
    let n_repeated = repeated_in.iter().flatten().filter_map(snake).collect::<HashSet<_>>().len();
    let once = match n_repeated {
        0 => None,
        _ => {
            let seed = facts.settings.seed();
            let by_period: Vec<CountDraws> = repeated_in
                .iter()
                .enumerate()
                .map(|(period, repeated)| {
                    counted_once(snaps, n_segments, &of_period(period), repeated, seed ^ period as u64)
                })
                .collect();
            let ever = repeated(facts, snaps, &counted);
            let all = counted_once(snaps, n_segments, &counted, &ever, seed);
            Some(in_periods(&search, cut, &all, &by_period)?.0)
        }
    };
    let untimed = counted.iter().zip(&period_of).filter(|(counted, period)| **counted && period.is_none());
    Ok(ClusterPeriods { cut, periods, once, n_repeated, n_tested, n_untimed: untimed.count() })
}

/// What stands out in each period in one way of counting, and how many segments and periods were tested together. `all` is
/// the same way of counting over all periods: it says how far reports come in clumps.
fn in_periods(
    search: &Search<'_>,
    cut: PeriodCut,
    all: &CountDraws,
    by_period: &[CountDraws],
) -> Result<(Vec<PeriodFinding>, usize), DeriveError> {
    let weights = search.weights();
    let evidence = |counts| Evidence { counts, exposure: search.walked, is_looked_at: search.is_looked_at };
    let spread = clusters::dispersion(&evidence(all), &weights).map_err(unanswerable)?;
    let mut nulls = Vec::new();
    let mut findings: Vec<Vec<SegmentFinding>> = Vec::new();
    for counts in by_period {
        let null = match Null::new(evidence(counts), spread.factor()) {
            // In some draw no report of the period lies on a segment that is looked at.
            Err(ClusterError::NoEncounters) => None,
            null => Some(null.map_err(unanswerable)?),
        };
        findings.push(match &null {
            Some(null) => clusters::gi_star(null, &weights).map_err(DeriveError::internal)?,
            None => Vec::new(),
        });
        nulls.push(null);
    }
    clusters::adjust(&mut findings.iter_mut().collect::<Vec<_>>());
    let is_tested = |finding: &&SegmentFinding| matches!(finding, SegmentFinding::Tested(_));
    let n_tested = findings.iter().flatten().filter(is_tested).count();
    let mut periods = Vec::new();
    for ((name, null), found) in cut.names().into_iter().zip(&nulls).zip(&findings) {
        let groups = match null {
            Some(null) => Ok(search.groups(null, found).map_err(DeriveError::internal)?),
            None => Err("too few reports on segments whose walking is known".to_owned()),
        };
        periods.push(PeriodFinding { name, n_reports: null.as_ref().map_or(0.0, Null::mean_total), groups });
    }
    Ok((periods, n_tested))
}

fn unanswerable(error: ClusterError) -> DeriveError {
    match error {
        ClusterError::NoExposure => DeriveError::missing(
            "No trail has walking that counters identify, so nothing can stand out from it.",
        ),
        ClusterError::NoEncounters => {
            DeriveError::missing("No report lies on a trail whose walking is known from counters.")
        }
        error => DeriveError::internal(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::time::EventDate;

    #[test]
    fn times_fall_into_their_periods() {
        let time = |date, minute_of_day| EventTime { date, minute_of_day, instant_s: None };
        let december = time(EventDate::Month { year: 2024, month: 12 }, None);
        let day = EventDate::Day(jiff::civil::date(2024, 2, 29));
        let evening = time(day, Some(18 * 60));
        let cuts = |time: &EventTime| PeriodCut::ALL.map(|cut| cut.of(time));
        assert_eq!(cuts(&december), [Some(11), Some(0), None]);
        assert_eq!(cuts(&evening), [Some(1), Some(0), Some(2)]);
        assert_eq!(cuts(&time(EventDate::Unknown, None)), [None; 3]);
        for cut in PeriodCut::ALL {
            assert_eq!(PeriodCut::from_term(cut.term()), Some(cut));
        }
    }
}
