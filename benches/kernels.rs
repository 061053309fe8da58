//! CPU time of the computations that every park needs, at the size of a large one: 50,000 segments, a million
//! encounters.
//!
//! `cargo bench --bench kernels` prints one line a computation: the least CPU seconds of a few repeats, all threads
//! together.

#![allow(clippy::expect_used)]

mod common;

use rand::RngExt;

use coilway::analysis::clusters::Evidence;
use coilway::analysis::clusters::Null;
use coilway::analysis::clusters::ScanParams;
use coilway::analysis::clusters::Windows;
use coilway::analysis::clusters::gi_star;
use coilway::analysis::clusters::scan;
use coilway::analysis::counts::PoissonLimitsTable;
use coilway::analysis::density::planar::Grid;
use coilway::analysis::density::planar::Placement;
use coilway::analysis::density::planar::PlanarKernel;
use coilway::analysis::density::planar::PlanarParams;
use coilway::analysis::density::planar::PlanarPoint;
use coilway::analysis::density::planar::StudyArea;
use coilway::analysis::density::planar::grid_density;
use coilway::analysis::graph::Graph;
use coilway::analysis::random::stream;
use coilway::analysis::rates::CountDraws;
use coilway::analysis::rates::ExposureDraws;
use coilway::analysis::season::Design;
use coilway::analysis::season::Strata;
use coilway::analysis::season::Table;
use coilway::analysis::season::fit_table;
use coilway::analysis::weights::Weights;
use coilway::signage::placement::coverage::Coverage;
use coilway::signage::placement::exact::SearchParams;
use coilway::signage::placement::exact::best_choice;
use coilway::signage::placement::rules::Rules;

use common::cpu_s;
use common::lattice;

const REPEATS: usize = 5;
/// Encounters a segment.
const COUNT: u32 = 20;

fn main() {
    exact_intervals();
    poisson_regression();
    let park = Park::new(50_000);
    local_clusters(&park);
    planar_density();
    window_scan(&Park::new(10_000));
    sign_sites();
}

fn report(what: &str, repeats: usize, mut work: impl FnMut()) {
    let least = (0..repeats).map(|_| cpu_s(&mut work)).fold(f64::INFINITY, f64::min);
    println!("{what}: {least:.4} CPU s");
}

fn exact_intervals() {
    let mut rng = stream(1, 0);
    let counts: Vec<u64> = (0..1_000_000).map(|_| rng.random_range(0..400)).collect();
    report("1,000,000 exact Poisson intervals", REPEATS, || {
        let mut table = PoissonLimitsTable::new(0.95).expect("a level");
        std::hint::black_box(table.limits_of(&counts));
    });
}

/// 50,000 segments by 12 months; intercept, two terms of the segment, four of the month.
fn poisson_regression() {
    const ROWS: usize = 50_000;
    const COLUMNS: usize = 12;
    let mut rng = stream(2, 0);
    let exposure: Vec<f64> = (0..ROWS * COLUMNS).map(|_| rng.random_range(0.1..5.0)).collect();
    let counts: Vec<u32> = exposure.iter().map(|km| rng.random_range(0..=(2.0 * km) as u32)).collect();
    let rows: Vec<f64> = (0..2 * ROWS).map(|_| rng.random_range(-1.0..1.0)).collect();
    let columns: Vec<f64> = (0..COLUMNS)
        .flat_map(|month| {
            let turn = std::f64::consts::TAU * month as f64 / COLUMNS as f64;
            [turn.sin(), turn.cos(), (2.0 * turn).sin(), (2.0 * turn).cos()]
        })
        .collect();
    let design = Design { rows: &rows, n_row_terms: 2, columns: &columns, n_column_terms: 4 };
    report("Poisson regression, 600,000 cells, 7 terms", REPEATS, || {
        let table = Table::new(&counts, &exposure, COLUMNS, Strata::None).expect("a table");
        let fit = fit_table(&table, &design).expect("a design");
        assert!(fit.fitted().is_some(), "the regression has no answer");
    });
}

/// Flat risk on a lattice: encounters follow an uneven exposure that is known exactly.
struct Park {
    graph: Graph,
    counts: CountDraws,
    exposure: ExposureDraws,
}

impl Park {
    fn new(n_segments: usize) -> Self {
        let graph = lattice(n_segments);
        let n_units = graph.n_edges();
        let mut rng = stream(3, 0);
        let party_km: Vec<f64> = (0..n_units).map(|_| rng.random_range(10.0..200.0)).collect();
        let counts = party_km.iter().map(|km| rng.random_range(0..=(km / 100.0 * f64::from(COUNT)) as u32));
        let counts = CountDraws { n_draws: 1, n_units, counts: counts.collect() };
        Self { graph, counts, exposure: ExposureDraws { n_draws: 1, n_units, party_km } }
    }
}

fn local_clusters(park: &Park) {
    let weights = Weights::sharing_a_vertex(&park.graph);
    let is_looked_at = vec![true; park.graph.n_edges()];
    let what = format!("Gi* under the exposure null, exact tails, {} segments", park.graph.n_edges());
    report(&what, REPEATS, || {
        let evidence =
            Evidence { counts: &park.counts, exposure: &park.exposure, is_looked_at: &is_looked_at };
        let null = Null::new(evidence, 1.0).expect("evidence");
        std::hint::black_box(gi_star(&null, &weights).expect("weights of the park"));
    });
}

fn window_scan(park: &Park) {
    let is_looked_at = vec![true; park.graph.n_edges()];
    let evidence = Evidence { counts: &park.counts, exposure: &park.exposure, is_looked_at: &is_looked_at };
    let null = Null::new(evidence, 1.0).expect("evidence");
    let total_km: f64 = park.exposure.party_km.iter().sum();
    let shares: Vec<f64> = park.exposure.party_km.iter().map(|km| km / total_km).collect();
    let what = format!("scan, 999 replicates, {} segments", park.graph.n_edges());
    report(&what, 1, || {
        let windows = Windows::grow(&park.graph, &shares, 0.1);
        std::hint::black_box(scan(&null, &windows, &ScanParams::default()).expect("windows"));
    });
}

/// A million positions in an area of 51.2 km by 51.2 km, in 5,000 heaps so that some cells are crowded, as trails are.
fn planar_density() {
    let mut rng = stream(4, 0);
    let heaps: Vec<[f64; 2]> =
        (0..5_000).map(|_| [rng.random_range(0.0..51_200.0), rng.random_range(0.0..51_200.0)]).collect();
    let points: Vec<PlanarPoint> = (0..1_000_000)
        .map(|nth| {
            let [x, y] = heaps[nth % heaps.len()];
            let position_m = [x + rng.random_range(-60.0..60.0), y + rng.random_range(-60.0..60.0)];
            PlanarPoint { position_m, weight: 1.0 }
        })
        .collect();
    let grid = Grid { origin_m: [0.0, 0.0], cell_m: 50.0, nx: 1024, ny: 1024 };
    for placement in [Placement::CellCentre, Placement::Exact] {
        let params = PlanarParams { kernel: PlanarKernel::Quartic, bandwidth_m: 250.0, placement };
        report(&format!("planar density, quartic, 1024 x 1024, {placement:?}"), REPEATS, || {
            std::hint::black_box(
                grid_density(&points, &grid, StudyArea::Unbounded, &params).expect("points in the plane"),
            );
        });
    }
}

/// 100 of 10,000 sites, each of which covers its neighbourhood of 20,000 elements of uneven weight.
fn sign_sites() {
    const SITES: usize = 10_000;
    const ELEMENTS: usize = 20_000;
    let mut rng = stream(5, 0);
    let places: Vec<[f64; 2]> = (0..ELEMENTS).map(|_| [rng.random(), rng.random()]).collect();
    let weights: Vec<f64> = (0..ELEMENTS).map(|_| -rng.random::<f64>().max(1e-12).ln()).collect();
    let cover: Vec<Vec<usize>> = (0..SITES)
        .map(|_| {
            let [x, y]: [f64; 2] = [rng.random(), rng.random()];
            let near = |place: &[f64; 2]| (place[0] - x).hypot(place[1] - y) < 0.012;
            (0..ELEMENTS).filter(|element| near(&places[*element])).collect()
        })
        .collect();
    let coverage = Coverage::new(&cover, weights).expect("sites and elements");
    report("choose 100 of 10,000 sites", 1, || {
        let choice = best_choice(&coverage, &Rules::sites(100), &SearchParams::default())
            .expect("rules that can be kept");
        println!("  covers {:.1}, bound {:.1}, proven: {}", choice.value, choice.upper, choice.proven);
    });
}
