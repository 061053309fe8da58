//! Clusters by period: parts of the network that stand out in a month, a season or a part of the day.
//!
//! Where several periods are looked at, each segment has as many chances to stand out as there are periods: q-values are
//! Benjamini and Hochberg's over segments and periods together.
//!
//! Reports whose time does not tell the period are given one by the fitted curve, anew in every draw
//! (`derived/cluster_times.rs`).

use crate::analysis::clusters;
use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::Evidence;
use crate::analysis::clusters::Null;
use crate::analysis::clusters::SegmentFinding;
use crate::analysis::exposure::Provenance;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::weights::Weights;
use crate::derived::DeriveError;
use crate::derived::cluster_times::Curves;
use crate::derived::cluster_times::PeriodCounts;
use crate::derived::cluster_times::Report;
use crate::derived::cluster_times::Times;
use crate::derived::clusters::Cluster;
use crate::derived::clusters::Search;
use crate::derived::clusters::counted_once;
use crate::derived::clusters::draws;
use crate::derived::clusters::repeated;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::season::SeasonLayer;
use crate::derived::season::Timed;
use crate::derived::snaps::SnapLayer;
use crate::derived::timing;
use crate::derived::timing::Timing;
use crate::domain::time::EventTime;
use crate::domain::time::MONTHS;
use crate::domain::time::PartOfDay;

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

    /// The period that a time lies in, with its hour as far as that is taken at its word; none where it does not tell.
    fn of(self, time: &EventTime, hour: Option<usize>) -> Option<usize> {
        match self {
            Self::Months | Self::Quarters => {
                time.month().map(|month| self.class(usize::from(month.unsigned_abs()).saturating_sub(1), 0))
            }
            Self::PartsOfDay => hour.map(|hour| self.class(0, hour)),
        }
    }

    /// The period of a month (0 to 11) and hour (0 to 23).
    pub(super) fn class(self, month: usize, hour: usize) -> usize {
        match self {
            Self::Months => month,
            Self::Quarters => (month + 1) % 12 / 3,
            Self::PartsOfDay => {
                let part = PartOfDay::of_hour(hour as u8);
                PartOfDay::ALL.iter().position(|known| *known == part).unwrap_or_default()
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
    /// Known snakes that were reported more than once in some period, in some draw where the curve gives their periods.
    pub n_repeated: usize,
    /// Segments times periods that were tested together.
    pub n_tested: usize,
    /// Reports on trails whose time does not tell the period, and which the fitted curve gives one in every draw.
    pub n_allotted: usize,
    /// Reports on trails whose time does not tell the period, and which are in none: there is no curve, or nobody walks at
    /// the times that are possible.
    pub n_untimed: usize,
}

/// One period.
#[derive(Debug)]
pub struct PeriodFinding {
    /// Its name.
    pub name: String,
    /// Reports looked at, mean over draws.
    pub n_reports: f64,
    /// Reports on trails that the fitted curve gave this period, mean over draws.
    pub n_allotted: f64,
    /// Groups of segments that stand out with their neighbours, or why the period cannot be looked at.
    pub groups: Result<Vec<Cluster>, String>,
}

/// What periods are looked for in.
#[derive(Clone, Copy)]
pub struct Ground<'a> {
    /// The facts.
    pub facts: &'a Facts,
    /// The segments.
    pub network: &'a NetworkLayer,
    /// Their walking.
    pub exposure: &'a ExposureLayer,
    /// Where reports lie.
    pub snaps: &'a SnapLayer,
    /// When encounters are frequent.
    pub season: &'a SeasonLayer,
}

/// Looks at every segment with its neighbours in every period.
///
/// The walking of a period is shared over the segments as that of the whole time is, since that is what the walker model
/// knows, but for what was closed in it: there it is less by as much, and a segment that was closed nearly all of the period is
/// not looked at in it. Clumps are those found in all reports together.
///
/// # Errors
/// [`DeriveError::Internal`] when layers do not fit together; [`DeriveError::Unanswerable`] when nothing is looked at.
pub fn compute(ground: Ground<'_>, cut: PeriodCut) -> Result<ClusterPeriods, DeriveError> {
    let Ground { facts, network: layer, exposure, snaps, season } = ground;
    let n_segments = layer.network.segments.len();
    let (field, seed) = (&exposure.field, facts.settings.seed());
    let timing = Timing::of(exposure, Some(season));
    let walked = timing::weighed(exposure, timing.as_ref());
    let known = |provenance: &Provenance| matches!(provenance, Provenance::Counted | Provenance::Fitted);
    let is_looked_at: Vec<bool> = field.provenance.iter().map(known).collect();
    let search = Search { settings: &facts.settings, layer, walked: &walked, is_looked_at: &is_looked_at };
    let each = Each::of(exposure, season, (cut, timing.is_some()), &is_looked_at);
    let counted = rates::counted_reports(facts, exposure, snaps);
    let curves = Curves {
        shares: &field.time,
        courses: &field.courses,
        curves: season.curves(),
        curve_of: &|segment| season.curve_of(segment),
    };
    let times = Times::new(&reports(ground, &counted, cut), &snaps.allocation, &curves, cut, seed);
    let all = draws(snaps, n_segments, |record| counted[record]);
    let (periods, n_tested) =
        in_periods((&search, &each), cut, &all, &times.counts(&snaps.allocation, n_segments))?;
    let snakes = repeated(facts, snaps, &counted);
    let n_repeated = times.n_repeated(&snakes);
    let once = match n_repeated {
        0 => None,
        _ => {
            let all = counted_once(snaps, n_segments, &counted, &snakes, seed);
            let by_period = times.counts_once(&snaps.allocation, n_segments, &snakes, seed);
            Some(in_periods((&search, &each), cut, &all, &by_period)?.0)
        }
    };
    let (n_allotted, n_untimed) = (times.n_allotted(), times.n_left_out());
    Ok(ClusterPeriods { cut, periods, once, n_repeated, n_tested, n_allotted, n_untimed })
}

/// Of what would be walked on a segment in a period at least so much must not have been shut out for it to be looked at.
const LEAST_OPEN: f64 = 0.05;

/// The walking of the periods in which something was closed.
struct Each {
    /// By period: its walking, and the segments that are looked at; none where that of the whole time is shared out alike.
    of: Vec<Option<(ExposureDraws, Vec<bool>)>>,
    /// The walking of all other periods; none where it is that of the whole time.
    unweighed: Option<ExposureDraws>,
}

impl Each {
    fn of(
        exposure: &ExposureLayer,
        season: &SeasonLayer,
        (cut, is_weighed): (PeriodCut, bool),
        is_looked_at: &[bool],
    ) -> Self {
        if exposure.field.courses.is_plain() {
            return Self { of: Vec::new(), unweighed: None };
        }
        let of_period = |period: usize| {
            let timing =
                Timing::over(exposure, Some(season), |month, hour| cut.class(month, hour) == period)?;
            let n_draws = exposure.field.n_draws;
            let open = |segment: usize| {
                let all = (0..n_draws).map(|draw| timing.factor(exposure, segment, draw));
                all.sum::<f64>() / n_draws.max(1) as f64
            };
            let looked =
                is_looked_at.iter().enumerate().map(|(segment, is)| *is && open(segment) >= LEAST_OPEN);
            Some((timing::weighed(exposure, Some(&timing)), looked.collect()))
        };
        Self {
            of: (0..cut.names().len()).map(of_period).collect(),
            unweighed: is_weighed.then(|| timing::weighed(exposure, None)),
        }
    }
}

/// What is known of the times of the records that are counted. Their streams are those of their rows.
fn reports(ground: Ground<'_>, counted: &[bool], cut: PeriodCut) -> Vec<Option<Report>> {
    let Ground { facts, exposure, snaps, .. } = ground;
    let timed = Timed::new(facts, exposure, snaps);
    let report = |(row, counted): (&usize, &bool)| {
        let row = &facts.encounters.rows[*row];
        counted.then(|| Report {
            key: row.id.0.cast_unsigned(),
            period: cut.of(&row.time, timed.hour(row)),
            known: timed.known(row),
        })
    };
    snaps.records.iter().zip(counted).map(report).collect()
}

/// What stands out in each period in one way of counting, and how many segments and periods were tested together. `all` is
/// the same way of counting over all periods: it says how far reports come in clumps.
fn in_periods(
    (search, each): (&Search<'_>, &Each),
    cut: PeriodCut,
    all: &CountDraws,
    by_period: &PeriodCounts,
) -> Result<(Vec<PeriodFinding>, usize), DeriveError> {
    let weights = search.weights();
    let Search { walked, is_looked_at, .. } = *search;
    let whole = Evidence { counts: all, exposure: walked, is_looked_at };
    let of_periods = by_period.counts.iter().enumerate().map(|(period, counts)| {
        let own = each.of.get(period).and_then(Option::as_ref);
        let common = each.unweighed.as_ref().unwrap_or(walked);
        let (exposure, is_looked_at) = own.map_or((common, is_looked_at), |(km, looked)| (km, looked));
        Evidence { counts, exposure, is_looked_at }
    });
    let of_periods: Vec<Evidence<'_>> = of_periods.collect();
    let tested = test(&weights, whole, &of_periods)?;
    let is_tested = |finding: &&SegmentFinding| matches!(finding, SegmentFinding::Tested(_));
    let n_tested = tested.iter().flat_map(|(_, findings)| findings).filter(is_tested).count();
    let mut periods = Vec::new();
    let named = cut.names().into_iter().zip(&by_period.allotted).zip(&of_periods);
    for (((name, n_allotted), evidence), (null, found)) in named.zip(&tested) {
        let groups = match null {
            Ok(null) => Ok(search.groups(null, found).map_err(DeriveError::internal)?),
            Err(reason) => Err(reason.words().to_owned()),
        };
        let n_reports = looked_at(evidence.counts, evidence.is_looked_at);
        periods.push(PeriodFinding { name, n_reports, n_allotted: *n_allotted, groups });
    }
    Ok((periods, n_tested))
}

/// Reports on segments that are looked at, mean over draws.
fn looked_at(counts: &CountDraws, is_looked_at: &[bool]) -> f64 {
    let rows = counts.counts.chunks(is_looked_at.len().max(1));
    let n_draws = rows.len().max(1) as f64;
    let of_row = |row: &[u32]| {
        row.iter().zip(is_looked_at).filter(|(_, is)| **is).map(|(n, _)| f64::from(*n)).sum::<f64>()
    };
    rows.map(of_row).sum::<f64>() / n_draws
}

/// Why a period cannot be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Untested {
    /// In some draw no report lies on a segment that is looked at.
    TooFewReports,
    /// Nobody walks then on any such segment: all was closed.
    NoWalking,
}

impl Untested {
    fn words(self) -> &'static str {
        match self {
            Self::TooFewReports => "too few reports on segments whose walking is known",
            Self::NoWalking => "no walking then on segments whose walking is known",
        }
    }
}

/// A period with its findings by segment.
pub(super) type Tested<'a> = (Result<Null<'a>, Untested>, Vec<SegmentFinding>);

/// Tests all segments in all periods, q over both. A period in which nothing can be looked at takes none from the others.
pub(super) fn test<'a>(
    weights: &Weights,
    all: Evidence<'_>,
    of_periods: &[Evidence<'a>],
) -> Result<Vec<Tested<'a>>, DeriveError> {
    let spread = clusters::dispersion(&all, weights).map_err(unanswerable)?;
    let mut tested: Vec<Tested<'_>> = Vec::new();
    for evidence in of_periods {
        let null = match Null::new(*evidence, spread.factor()) {
            Err(ClusterError::NoEncounters) => Err(Untested::TooFewReports),
            Err(ClusterError::NoExposure) => Err(Untested::NoWalking),
            null => Ok(null.map_err(unanswerable)?),
        };
        let findings = match &null {
            Ok(null) => clusters::gi_star(null, weights).map_err(DeriveError::internal)?,
            Err(_) => Vec::new(),
        };
        tested.push((null, findings));
    }
    if tested.iter().all(|(null, _)| matches!(null, Err(Untested::NoWalking))) {
        return Err(unanswerable(ClusterError::NoExposure));
    }
    clusters::adjust(&mut tested.iter_mut().map(|(_, findings)| findings).collect::<Vec<_>>());
    Ok(tested)
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
        let hour = |time: &EventTime| time.hour().map(usize::from);
        let cuts = |time: &EventTime| PeriodCut::ALL.map(|cut| cut.of(time, hour(time)));
        assert_eq!(cuts(&december), [Some(11), Some(0), None]);
        assert_eq!(cuts(&evening), [Some(1), Some(0), Some(2)]);
        assert_eq!(cuts(&time(EventDate::Unknown, None)), [None; 3]);
        for cut in PeriodCut::ALL {
            assert_eq!(PeriodCut::from_term(cut.term()), Some(cut));
        }
    }
}
