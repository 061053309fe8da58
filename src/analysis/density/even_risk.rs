//! Densities of maps on which risk is even: encounters fall where parties walk.
//!
//! Many maps are made side by side. Encounters of a map lie at the middle of short equal cells of the edges, so that the kernel
//! between a cell and a place is computed once for all maps of a batch and only multiplied by how many each has there. Cells are
//! a twentieth of a bandwidth long or less, which where parties walk changes a density by a thousandth or less of its spread.

use rand::RngExt;
use rayon::prelude::*;

use crate::analysis::density::network::NetworkParams;
use crate::analysis::density::network::walker;
use crate::analysis::density::relative::EdgeExposure;
use crate::analysis::density::spread::Targets;
use crate::analysis::density::walk::KeptWalks;
use crate::analysis::density::walk::Walks;
use crate::analysis::graph::EdgeIdx;
use crate::analysis::graph::Graph;
use crate::analysis::permutation::Sampling;
use crate::analysis::random::Stream;
use crate::analysis::random::{multinomial, seed_of, stream};

/// Maps of a batch.
const BATCH: usize = 32;

/// Cells within one bandwidth, at least.
const CELLS_A_BANDWIDTH: f64 = 20.0;

/// Above so many encounters a cell they are dealt out cell by cell, else one by one.
const DEALT_A_CELL: usize = 16;

/// Walks that are kept at most for all batches, 64 MB; where there are more, every batch follows them anew.
const MOST_KEPT_WALKS: usize = 2_000_000;

/// What all maps of a batch have at one place. Single precision: each is a sum of terms that are none below zero.
type OfMaps = [f32; BATCH];

/// Encounters that fall where parties walk.
pub(super) struct EvenRisk<'g> {
    pub(super) graph: &'g Graph,
    pub(super) walked: EdgeExposure<'g>,
    pub(super) n_encounters: usize,
    /// Where densities are wanted.
    pub(super) targets: &'g Targets,
    pub(super) params: &'g NetworkParams,
}

impl EvenRisk<'_> {
    /// Folds the densities of all maps, per metre in the order of the targets; map i uses stream i of the seed.
    ///
    /// The fold must not depend on the order of the maps.
    pub(super) fn fold<T: Send>(
        &self,
        sampling: Sampling,
        none: impl Fn() -> T + Sync + Send,
        add: impl Fn(&mut T, usize, &[f32]) + Sync + Send,
        join: impl Fn(T, T) -> T + Sync + Send,
    ) -> T {
        let (targets, params) = (self.targets, self.params);
        let is_walked = |edge: usize| self.walked.mean_km[edge] > 0.0;
        let kept = KeptWalks::of(walker(self.graph, params), params.bandwidth_m, MOST_KEPT_WALKS, is_walked);
        let firsts = (0..sampling.n_draws).into_par_iter().step_by(BATCH);
        firsts
            .map(|first| {
                let n_maps = BATCH.min(sampling.n_draws - first);
                let mut batch = Batch::new(self, first, n_maps, sampling.seed);
                let values = match &kept {
                    Some(kept) => batch.densities(targets, params, &mut &*kept),
                    None => batch.densities(targets, params, &mut walker(self.graph, params)),
                };
                let mut folded = none();
                for (target, of_maps) in values.iter().enumerate() {
                    add(&mut folded, target, &of_maps[..n_maps]);
                }
                folded
            })
            .reduce(&none, join)
    }
}

/// Some maps side by side.
struct Batch<'g> {
    graph: &'g Graph,
    /// How many encounters each edge has, by edge and map.
    on_edge: Vec<[u32; BATCH]>,
    rngs: Vec<Stream>,
    /// Of the edge at hand by cell.
    cells: Vec<OfMaps>,
}

impl<'g> Batch<'g> {
    fn new(risk: &EvenRisk<'g>, first: usize, n_maps: usize, seed: u64) -> Self {
        let seed = seed_of(seed, "even risk");
        let mut rngs: Vec<Stream> = (first..first + n_maps).map(|map| stream(seed, map as u64)).collect();
        let mut on_edge = vec![[0; BATCH]; risk.graph.n_edges()];
        for (map, rng) in rngs.iter_mut().enumerate() {
            let rows = risk.walked.of_draw(first + map).iter().zip(risk.walked.mean_km);
            let walked_km: Vec<f64> =
                rows.map(|(km, mean_km)| if *mean_km > 0.0 { *km } else { 0.0 }).collect();
            multinomial(risk.n_encounters as u64, &walked_km, rng, |edge, count| {
                on_edge[edge][map] = count as u32;
            });
        }
        Self { graph: risk.graph, on_edge, rngs, cells: Vec::new() }
    }

    /// Places the encounters of an edge in its cells. Returns whether there are any.
    fn place(&mut self, edge: EdgeIdx, n_cells: usize) -> bool {
        let on_edge = &self.on_edge[edge];
        if on_edge.iter().all(|count| *count == 0) {
            return false;
        }
        self.cells.clear();
        self.cells.resize(n_cells, [0.0; BATCH]);
        let even = vec![1.0; n_cells];
        for (map, (rng, count)) in self.rngs.iter_mut().zip(on_edge).enumerate() {
            if *count as usize > DEALT_A_CELL * n_cells {
                multinomial(u64::from(*count), &even, rng, |cell, n| self.cells[cell][map] = n as f32);
            } else {
                for _ in 0..*count {
                    self.cells[rng.random_range(0..n_cells)][map] += 1.0;
                }
            }
        }
        true
    }

    /// Adds a kernel over the cells to what a target has; `distance_m` is that of a cell's middle, by its offset.
    fn add(&self, sum: &mut OfMaps, cell_m: f64, kernel: impl Fn(f64) -> f64) {
        for (cell, counts) in self.cells.iter().enumerate() {
            let value = kernel((cell as f64 + 0.5) * cell_m) as f32;
            if value != 0.0 {
                sum.iter_mut().zip(counts).for_each(|(sum, count)| *sum += value * count);
            }
        }
    }

    /// Densities at the targets by map, per metre.
    fn densities<W: Walks>(
        &mut self,
        targets: &Targets,
        params: &NetworkParams,
        walks: &mut W,
    ) -> Vec<OfMaps> {
        let bandwidth_m = params.bandwidth_m;
        let kernel = |distance_m: f64| params.kernel.density_per_m(distance_m, bandwidth_m);
        let mut values = vec![[0.0; BATCH]; targets.offsets_m.len()];
        let edges = self.graph.edges();
        for (edge, ends) in edges.iter().enumerate() {
            let n_cells = (ends.length_m * CELLS_A_BANDWIDTH / bandwidth_m).ceil().max(1.0);
            let cell_m = ends.length_m / n_cells;
            if !self.place(edge, n_cells as usize) {
                continue;
            }
            for target in targets.of_edge(edge) {
                let at_m = targets.offsets_m[target];
                self.add(&mut values[target], cell_m, |offset_m| kernel(at_m - offset_m));
            }
            for at_start in [true, false] {
                for walk in walks.arrivals(edge, at_start, bandwidth_m) {
                    let entered_m = edges[walk.edge].length_m;
                    for target in targets.of_edge(walk.edge) {
                        let at_m = targets.offsets_m[target];
                        let beyond_m = walk.distance_m + if walk.at_start { at_m } else { entered_m - at_m };
                        if beyond_m >= bandwidth_m {
                            continue;
                        }
                        self.add(&mut values[target], cell_m, |offset_m| {
                            let out_m = if at_start { offset_m } else { ends.length_m - offset_m };
                            walk.weight * kernel(beyond_m + out_m)
                        });
                    }
                }
            }
        }
        values
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::density::DeadEnd;
    use crate::analysis::density::Lixels;
    use crate::analysis::density::NetworkKernel;
    use crate::analysis::density::SplitRule;
    use crate::analysis::density::network::Event;
    use crate::analysis::density::network::Position;
    use crate::analysis::density::network::centres;
    use crate::analysis::density::network::lixel_density;
    use crate::analysis::graph::Edge;

    /// A trail with a junction, a loop and two dead ends; nobody walks the last edge.
    fn park() -> (Graph, Vec<f64>) {
        let edges = vec![
            Edge { from: 0, to: 1, length_m: 90.0 },
            Edge { from: 1, to: 2, length_m: 110.0 },
            Edge { from: 2, to: 2, length_m: 140.0 },
            Edge { from: 1, to: 3, length_m: 35.0 },
            Edge { from: 3, to: 4, length_m: 100.0 },
        ];
        (Graph::new(5, edges).unwrap(), vec![40.0, 10.0, 5.0, 12.0, 0.0])
    }

    /// Mean and variance of every lixel's density over the maps.
    fn moments(of_maps: &[Vec<f64>]) -> Vec<(f64, f64)> {
        let moments = |drawn: &Vec<f64>| {
            let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
            let spread = drawn.iter().map(|drawn| (drawn - mean).powi(2)).sum::<f64>();
            (mean, spread / drawn.len() as f64)
        };
        of_maps.iter().map(moments).collect()
    }

    #[test]
    fn cells_give_the_densities_of_encounters_anywhere_along_the_edges() {
        let (graph, walked_km) = park();
        let lixels = Lixels::new(&graph, 25.0).unwrap();
        let targets = centres(&lixels);
        let n_draws = 4000;
        for (kernel, bandwidth_m, rule, dead_end) in [
            (NetworkKernel::Quartic, 40.0, SplitRule::Continuous, DeadEnd::Reflect),
            (NetworkKernel::Quartic, 200.0, SplitRule::Discontinuous, DeadEnd::Absorb),
            (NetworkKernel::Gaussian, 120.0, SplitRule::Continuous, DeadEnd::Reflect),
        ] {
            let params = NetworkParams { kernel, bandwidth_m, rule, dead_end };
            let walked = EdgeExposure { mean_km: &walked_km, draws_km: &[] };
            let risk =
                EvenRisk { graph: &graph, walked, n_encounters: 60, targets: &targets, params: &params };
            let by_cells = risk.fold(
                Sampling { n_draws, seed: 4 },
                || vec![Vec::new(); lixels.len()],
                |all: &mut Vec<Vec<f64>>, target, drawn| {
                    all[target].extend(drawn.iter().map(|drawn| f64::from(*drawn)));
                },
                |mut all, more| {
                    all.iter_mut().zip(more).for_each(|(all, more)| all.extend(more));
                    all
                },
            );
            assert!(by_cells.iter().all(|drawn| drawn.len() == n_draws));
            let mut anywhere = vec![Vec::new(); lixels.len()];
            for map in 0..n_draws {
                let rng = &mut stream(9, map as u64);
                let mut events = Vec::new();
                multinomial(60, &walked_km, rng, |edge, n| {
                    events.extend((0..n).map(|_| (edge, 0.0)));
                });
                let events: Vec<Event> = events
                    .into_iter()
                    .map(|(edge, _)| {
                        let offset_m = rng.random::<f64>() * graph.edges()[edge].length_m;
                        Event { position: Position { edge, offset_m }, weight: 1.0 }
                    })
                    .collect();
                let drawn = lixel_density(&graph, &events, &lixels, &params).unwrap();
                anywhere.iter_mut().zip(drawn).for_each(|(all, drawn)| all.push(drawn));
            }
            for (lixel, (cells, anywhere)) in
                moments(&by_cells).into_iter().zip(moments(&anywhere)).enumerate()
            {
                // Of what lies where nobody walks no density is asked for.
                if lixels.edge_of(lixel) == 4 {
                    continue;
                }
                // Five standard errors of the difference of two means, and of two variances.
                let error = (2.0 * anywhere.1 / n_draws as f64).sqrt();
                assert!(
                    (cells.0 - anywhere.0).abs() <= 5.0 * error + 1e-6,
                    "{lixel}: {cells:?} {anywhere:?}"
                );
                assert!(
                    (cells.1 / anywhere.1 - 1.0).abs() < 0.2 || anywhere.1 < 1e-9,
                    "{lixel}: {cells:?} {anywhere:?}"
                );
            }
        }
    }

    #[test]
    fn many_encounters_a_cell_are_dealt_like_few() {
        let (graph, walked_km) = park();
        let walked = EdgeExposure { mean_km: &walked_km, draws_km: &[] };
        let (targets, params) =
            (centres(&Lixels::new(&graph, 25.0).unwrap()), NetworkParams::continuous(60.0));
        let risk = EvenRisk { graph: &graph, walked, n_encounters: 6700, targets: &targets, params: &params };
        let mut batch = Batch::new(&risk, 0, BATCH, 2);
        for n_cells in [3, 3000] {
            assert!(batch.place(0, n_cells));
            for map in 0..BATCH {
                let placed: f32 = batch.cells.iter().map(|cell| cell[map]).sum();
                assert_eq!(placed, batch.on_edge[0][map] as f32);
                let third: f32 = batch.cells[..n_cells / 3].iter().map(|cell| cell[map]).sum();
                // A third of 4,000, within five standard errors.
                assert!((third / placed - 1.0 / 3.0).abs() < 0.04, "{third} of {placed}");
            }
        }
        assert!(!batch.place(4, 3), "nobody walks there");
    }

    #[test]
    fn the_last_batch_may_be_short() {
        let (graph, walked_km) = park();
        let targets = centres(&Lixels::new(&graph, 25.0).unwrap());
        let walked = EdgeExposure { mean_km: &walked_km, draws_km: &[] };
        let params = NetworkParams::continuous(60.0);
        let risk = EvenRisk { graph: &graph, walked, n_encounters: 20, targets: &targets, params: &params };
        let sums = |n_draws| -> Vec<Vec<f32>> {
            let none = || vec![Vec::new(); targets.offsets_m.len()];
            let add = |all: &mut Vec<Vec<f32>>, target: usize, drawn: &[f32]| all[target].extend(drawn);
            let join = |mut all: Vec<Vec<f32>>, more: Vec<Vec<f32>>| {
                all.iter_mut().zip(more).for_each(|(all, more)| all.extend(more));
                all
            };
            risk.fold(Sampling { n_draws, seed: 1 }, none, add, join)
        };
        let (few, many) = (sums(40), sums(70));
        for (few, many) in few.iter().zip(&many) {
            assert_eq!((few.len(), many.len()), (40, 70));
            assert_eq!(few[..], many[..40], "map i uses stream i");
        }
    }
}
