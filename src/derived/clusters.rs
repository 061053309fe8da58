//! Clusters of reports: parts of the network that stand out given how far parties walk there.

use std::collections::BTreeMap;

use geo::Buffer;
use geo_types::LineString;
use geo_types::MultiLineString;
use rand::RngExt;

use crate::analysis::clusters;
use crate::analysis::clusters::ClusterError;
use crate::analysis::clusters::Dispersion;
use crate::analysis::clusters::Evidence;
use crate::analysis::clusters::Null;
use crate::analysis::clusters::ScanParams;
use crate::analysis::clusters::SegmentFinding;
use crate::analysis::clusters::SegmentMoran;
use crate::analysis::clusters::Side;
use crate::analysis::exposure::Provenance;
use crate::analysis::random::seed_of;
use crate::analysis::random::stream;
use crate::analysis::rates::CountDraws;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::weights::Weights;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::rates::Limits;
use crate::derived::season::SeasonLayer;
use crate::derived::settings::Settings;
use crate::derived::snaps::SnapLayer;
use crate::derived::timing;
use crate::derived::timing::Timing;

/// Clusters of reports in the study period.
#[derive(Debug)]
pub struct ClusterLayer {
    /// What takes no part, and why.
    pub left_out: LeftOut,
    /// Segments that are looked at.
    pub is_looked_at: Vec<bool>,
    /// The answer, or why there is none.
    pub answer: Result<Box<Answer>, String>,
}

/// What takes no part in the search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeftOut {
    /// Segments whose walking is assumed from priors.
    pub n_assumed: usize,
    /// Reports on them, mean over draws.
    pub reports_assumed: f64,
    /// Segments where no walking is recorded.
    pub n_not_walked: usize,
    /// Reports on them, mean over draws: exposure contradicts records there.
    pub reports_not_walked: f64,
}

/// All reports, and every known snake once.
#[derive(Debug)]
pub struct Answer {
    /// Every report counted.
    pub all: Variant,
    /// Every known snake counted once; none where no known snake was reported twice.
    pub once: Option<Variant>,
    /// Known snakes that were reported more than once.
    pub n_repeated: usize,
}

/// What was found in one way of counting.
#[derive(Debug)]
pub struct Variant {
    /// Reports on the segments looked at, mean over draws.
    pub n_reports: f64,
    /// How far reports come in clumps.
    pub dispersion: Dispersion,
    /// Windows of the scan that do not overlap, the likeliest first; those above the level say how far from standing out
    /// they are.
    pub windows: Vec<Cluster>,
    /// How many windows were compared.
    pub n_windows: usize,
    /// Groups of segments that stand out with their neighbours.
    pub groups: Vec<Cluster>,
    /// Gi* by segment.
    pub segments: Vec<SegmentFinding>,
    /// Local Moran's I by segment.
    pub moran: Vec<SegmentMoran>,
}

/// Segments that were found together.
#[derive(Debug, Clone)]
pub struct Cluster {
    /// Ascending.
    pub segments: Vec<usize>,
    /// Trails with the numbers of the segments.
    pub name: String,
    /// More or fewer than expected.
    pub side: Side,
    /// Reports, mean over draws.
    pub count: f64,
    /// Reports expected from the walking.
    pub expected: f64,
    /// Reports over expectation with 95 % limits.
    pub ratio: Limits,
    /// Of a window, its p-value over all windows; of a group, the smallest of its segments.
    pub p_value: f64,
    /// Of a group, the smallest q-value of its segments; none for a window.
    pub q_value: Option<f64>,
    /// Whether it stands out at the area's level.
    pub stands_out: bool,
}

impl Variant {
    /// Windows and groups that stand out.
    pub fn standing_out(&self) -> impl Iterator<Item = &Cluster> {
        self.windows.iter().chain(&self.groups).filter(|cluster| cluster.stands_out)
    }
}

/// Looks for clusters of the reports that go into rates. Where something was closed, `season` says what the walking of the times that
/// were open is worth.
///
/// # Errors
/// [`DeriveError::Internal`] when layers do not fit together.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    snaps: &SnapLayer,
    season: Option<&SeasonLayer>,
) -> Result<ClusterLayer, DeriveError> {
    let n_segments = layer.network.segments.len();
    let counted = rates::counted_reports(facts, exposure, snaps);
    let field = &exposure.field;
    let walked = timing::weighed(exposure, Timing::of(exposure, season).as_ref());
    let known = |provenance: &Provenance| matches!(provenance, Provenance::Counted | Provenance::Fitted);
    let is_looked_at: Vec<bool> = field.provenance.iter().map(known).collect();
    let counts = draws(snaps, n_segments, |record| counted[record]);
    let left_out = left_out(&field.provenance, &counts);
    let search = Search { settings: &facts.settings, layer, walked: &walked, is_looked_at: &is_looked_at };
    let repeated = repeated(facts, snaps, &counted);
    let answer = match search.run(&counts) {
        Ok(all) => {
            let once = match repeated.is_empty() {
                true => None,
                false => {
                    let counts = counted_once(snaps, n_segments, &counted, &repeated, facts.settings.seed());
                    Some(search.run(&counts).map_err(DeriveError::internal)?)
                }
            };
            Ok(Box::new(Answer { all, once, n_repeated: repeated.len() }))
        }
        Err(ClusterError::NoExposure) => {
            Err("No trail has walking that counters identify, so nothing can stand out from it.".to_owned())
        }
        Err(ClusterError::NoEncounters) => {
            Err("No report lies on a trail whose walking is known from counters.".to_owned())
        }
        Err(error) => return Err(DeriveError::internal(error)),
    };
    Ok(ClusterLayer { left_out, is_looked_at, answer })
}

pub(super) fn draws(snaps: &SnapLayer, n_segments: usize, is_counted: impl Fn(usize) -> bool) -> CountDraws {
    CountDraws {
        n_draws: snaps.allocation.n_draws(),
        n_units: n_segments,
        counts: snaps.allocation.counts_by_draw_where(n_segments, is_counted),
    }
}

fn left_out(provenance: &[Provenance], counts: &CountDraws) -> LeftOut {
    let of = |kind: Provenance| {
        let segments = (0..provenance.len()).filter(|segment| provenance[*segment] == kind);
        segments.fold((0, 0.0), |(n, reports), segment| {
            let on: u64 =
                counts.counts.iter().skip(segment).step_by(counts.n_units).map(|n| u64::from(*n)).sum();
            (n + 1, reports + on as f64 / counts.n_draws.max(1) as f64)
        })
    };
    let (n_assumed, reports_assumed) = of(Provenance::Assumed);
    let (n_not_walked, reports_not_walked) = of(Provenance::NotWalked);
    LeftOut { n_assumed, reports_assumed, n_not_walked, reports_not_walked }
}

/// The records of each known snake that was reported more than once.
pub(super) fn repeated(facts: &Facts, snaps: &SnapLayer, counted: &[bool]) -> Vec<Vec<usize>> {
    let mut by_snake: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    for (record, row) in snaps.records.iter().enumerate().filter(|(record, _)| counted[*record]) {
        if let Some(snake) = facts.encounters.rows[*row].organism_id {
            by_snake.entry(snake.0).or_default().push(record);
        }
    }
    by_snake.into_values().filter(|records| records.len() > 1).collect()
}

/// Counts with one report of each known snake, picked anew in every draw.
pub(super) fn counted_once(
    snaps: &SnapLayer,
    n_segments: usize,
    counted: &[bool],
    repeated: &[Vec<usize>],
    seed: u64,
) -> CountDraws {
    let mut is_alone = counted.to_vec();
    repeated.iter().flatten().for_each(|record| is_alone[*record] = false);
    let mut counts = draws(snaps, n_segments, |record| is_alone[record]);
    let seed = seed_of(seed, "one report of each snake");
    for draw in 0..counts.n_draws {
        let mut rng = stream(seed, draw as u64);
        for records in repeated {
            let picked = records[rng.random_range(0..records.len())];
            if let Some(segment) = snaps.allocation.segment(draw, picked) {
                counts.counts[draw * n_segments + segment] += 1;
            }
        }
    }
    counts
}

/// What all ways of counting share.
pub(super) struct Search<'a> {
    pub(super) settings: &'a Settings,
    pub(super) layer: &'a NetworkLayer,
    pub(super) walked: &'a ExposureDraws,
    pub(super) is_looked_at: &'a [bool],
}

impl Search<'_> {
    fn run(&self, counts: &CountDraws) -> Result<Variant, ClusterError> {
        let (settings, graph) = (self.settings, self.layer.network.graph());
        let weights = self.weights();
        let evidence = Evidence { counts, exposure: self.walked, is_looked_at: self.is_looked_at };
        let dispersion = clusters::dispersion(&evidence, &weights)?;
        let null = Null::new(evidence, dispersion.factor())?;
        let segments = clusters::gi_star(&null, &weights)?;
        let moran = clusters::local_moran(&null, &weights)?;
        let params = ScanParams {
            n_replicates: settings.cluster_replicates as usize,
            p_level: settings.cluster_level,
            seed: settings.seed(),
            ..ScanParams::default()
        };
        let found = clusters::scan(&null, &null.windows(graph, settings.cluster_share)?, &params)?;
        let windows: Result<Vec<Cluster>, ClusterError> = found
            .windows
            .into_iter()
            .map(|window| {
                let cluster = self.cluster(&null, window.segments, window.side)?;
                let stands_out = window.p_value <= settings.cluster_level;
                Ok(Cluster { p_value: window.p_value, stands_out, ..cluster })
            })
            .collect();
        let groups = self.groups(&null, &segments)?;
        Ok(Variant {
            n_reports: null.mean_total(),
            dispersion,
            windows: windows?,
            n_windows: found.n_windows,
            groups,
            segments,
            moran,
        })
    }

    /// Which segments are neighbours.
    pub(super) fn weights(&self) -> Weights {
        let graph = self.layer.network.graph();
        match self.settings.cluster_band_m {
            band_m if band_m > 0.0 => Weights::within_network_distance(graph, band_m),
            _ => Weights::sharing_a_vertex(graph),
        }
    }

    /// Groups of segments that stand out on the same side, the smallest q-value first.
    pub(super) fn groups(
        &self,
        null: &Null<'_>,
        segments: &[SegmentFinding],
    ) -> Result<Vec<Cluster>, ClusterError> {
        let level = self.settings.cluster_level;
        let mut found = Vec::new();
        for side in [Side::More, Side::Fewer] {
            let stands_out = |segment: usize| match segments[segment] {
                SegmentFinding::Tested(it) => it.side == side && it.q_value <= level,
                SegmentFinding::LeftOut => false,
            };
            for group in clusters::groups(self.layer.network.graph(), stands_out) {
                let least = |of: &dyn Fn(&clusters::LocalFinding) -> f64| {
                    let values = group.iter().map(|segment| match &segments[*segment] {
                        SegmentFinding::Tested(it) => of(it),
                        SegmentFinding::LeftOut => 1.0,
                    });
                    values.fold(1.0, f64::min)
                };
                let (p_value, q_value) = (least(&|it| it.p_value), least(&|it| it.q_value));
                let cluster = self.cluster(null, group, side)?;
                found.push(Cluster { p_value, q_value: Some(q_value), ..cluster });
            }
        }
        found.sort_by(|one, other| one.p_value.total_cmp(&other.p_value));
        Ok(found)
    }

    fn cluster(&self, null: &Null<'_>, segments: Vec<usize>, side: Side) -> Result<Cluster, ClusterError> {
        let ratio = clusters::ratio(null, &segments, 0.95)?;
        Ok(Cluster {
            name: name(self.layer, &segments),
            side,
            count: null.count(&segments),
            expected: null.expected(&segments),
            ratio: Limits { value: ratio.value, lower: ratio.lower, upper: ratio.upper },
            p_value: 1.0,
            q_value: None,
            stands_out: true,
            segments,
        })
    }
}

/// "Ledge Walk, km 0.20 to 0.70 and 1.10 to 1.20; Swale Path, km 0.00 to 0.10", in the order of the trails.
fn name(layer: &NetworkLayer, segments: &[usize]) -> String {
    let order = |segment: &usize| layer.network.segments[*segment].order;
    let mut by_trail: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for segment in segments {
        by_trail.entry(layer.network.segments[*segment].trail_idx).or_default().push(*segment);
    }
    let words = by_trail.into_iter().map(|(trail, mut segments)| {
        segments.sort_unstable_by_key(order);
        let runs = segments.chunk_by(|one, next| order(next) == order(one) + 1);
        let runs: Vec<String> = runs.map(|run| layer.span_words(run)).collect();
        format!("{}, {}", layer.network.trails[trail].name, runs.join(" and ").replace(" and km", " and"))
    });
    words.collect::<Vec<_>>().join("; ")
}

/// The outline of some segments, `distance_m` around them: rings in the network's plane.
pub fn outline(layer: &NetworkLayer, segments: &[usize], distance_m: f64) -> Vec<Vec<[f64; 2]>> {
    let line = |segment: &usize| LineString::from(layer.network.segments[*segment].planar.clone());
    let around = MultiLineString(segments.iter().map(line).collect()).buffer(distance_m);
    let ring = |ring: &LineString<f64>| ring.coords().map(|at| [at.x, at.y]).collect();
    let rings =
        around.iter().flat_map(|polygon| std::iter::once(polygon.exterior()).chain(polygon.interiors()));
    rings.map(ring).collect()
}
