//! A uniform grid over straight edges, its cells in compressed rows.

use geo::Coord;

/// Cells of the largest grid; beyond it cells grow.
const MAX_CELLS: f64 = 4_000_000.0;

/// The cells that a box touches, inclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::analysis) struct CellRange {
    pub(in crate::analysis) min_x: usize,
    pub(in crate::analysis) min_y: usize,
    pub(in crate::analysis) max_x: usize,
    pub(in crate::analysis) max_y: usize,
}

/// Which edges come near which cell.
#[derive(Debug, Clone)]
pub(in crate::analysis) struct EdgeGrid {
    origin: Coord<f64>,
    cell_m: f64,
    n_x: usize,
    n_y: usize,
    row_starts: Vec<u32>,
    entries: Vec<u32>,
    pad_m: f64,
}

impl EdgeGrid {
    /// A grid whose cells are at least `least_cell_m` wide; an edge is in every cell that its box, grown by `pad_m`,
    /// touches.
    pub(in crate::analysis) fn new(edges: &[[Coord<f64>; 2]], least_cell_m: f64, pad_m: f64) -> Self {
        let (min, max) = extent(edges);
        let (width_m, height_m) = (max.x - min.x + 2.0 * pad_m, max.y - min.y + 2.0 * pad_m);
        let cell_m = least_cell_m
            .max((width_m * height_m / MAX_CELLS).sqrt())
            .max(width_m.max(height_m) / (MAX_CELLS / 4.0));
        let count = |length_m: f64| (length_m / cell_m) as usize + 1;
        let mut grid = Self {
            origin: Coord { x: min.x - pad_m, y: min.y - pad_m },
            cell_m,
            n_x: count(width_m),
            n_y: count(height_m),
            row_starts: Vec::new(),
            entries: Vec::new(),
            pad_m,
        };
        grid.fill(edges);
        grid
    }

    fn fill(&mut self, edges: &[[Coord<f64>; 2]]) {
        let mut starts = vec![0u32; self.n_x * self.n_y + 1];
        for edge in edges {
            self.for_each_cell(edge, |cell| starts[cell + 1] += 1);
        }
        for cell in 1..starts.len() {
            starts[cell] += starts[cell - 1];
        }
        let mut next = starts.clone();
        let mut entries = vec![0u32; starts.last().map_or(0, |&n| n as usize)];
        for (edge_idx, edge) in edges.iter().enumerate() {
            self.for_each_cell(edge, |cell| {
                entries[next[cell] as usize] = edge_idx as u32;
                next[cell] += 1;
            });
        }
        self.row_starts = starts;
        self.entries = entries;
    }

    fn for_each_cell(&self, edge: &[Coord<f64>; 2], mut visit: impl FnMut(usize)) {
        let range = self.range_of(edge);
        for y in range.min_y..=range.max_y {
            for x in range.min_x..=range.max_x {
                visit(y * self.n_x + x);
            }
        }
    }

    /// The cells in which an edge is entered.
    pub(in crate::analysis) fn range_of(&self, edge: &[Coord<f64>; 2]) -> CellRange {
        let [a, b] = *edge;
        self.range(
            Coord { x: a.x.min(b.x) - self.pad_m, y: a.y.min(b.y) - self.pad_m },
            Coord { x: a.x.max(b.x) + self.pad_m, y: a.y.max(b.y) + self.pad_m },
        )
    }

    /// The cells that a box touches, clamped to the grid.
    pub(in crate::analysis) fn range(&self, min: Coord<f64>, max: Coord<f64>) -> CellRange {
        CellRange {
            min_x: self.column(min.x),
            min_y: self.row(min.y),
            max_x: self.column(max.x),
            max_y: self.row(max.y),
        }
    }

    /// Column of an x, clamped to the grid.
    pub(in crate::analysis) fn column(&self, x: f64) -> usize {
        // A cast from a float saturates, so what lies west of the grid is in column zero.
        (((x - self.origin.x) / self.cell_m) as usize).min(self.n_x - 1)
    }

    /// Row of a y, clamped to the grid.
    pub(in crate::analysis) fn row(&self, y: f64) -> usize {
        (((y - self.origin.y) / self.cell_m) as usize).min(self.n_y - 1)
    }

    /// Columns and rows.
    pub(in crate::analysis) fn shape(&self) -> (usize, usize) {
        (self.n_x, self.n_y)
    }

    /// Entries of neighbouring cells of one row: their range in [`EdgeGrid::entries`]. An edge may appear more than once.
    pub(in crate::analysis) fn slots(
        &self,
        row: usize,
        min_x: usize,
        max_x: usize,
    ) -> std::ops::Range<usize> {
        let base = row * self.n_x;
        self.row_starts[base + min_x] as usize..self.row_starts[base + max_x + 1] as usize
    }

    /// Edge indices of all cells, cell after cell.
    pub(in crate::analysis) fn entries(&self) -> &[u32] {
        &self.entries
    }

    /// Distinct edges entered in the cells that a box touches, in ascending order.
    pub(in crate::analysis) fn edges_near(&self, min: Coord<f64>, max: Coord<f64>) -> Vec<usize> {
        let range = self.range(min, max);
        let mut found: Vec<usize> = (range.min_y..=range.max_y)
            .flat_map(|row| self.entries[self.slots(row, range.min_x, range.max_x)].iter())
            .map(|&edge| edge as usize)
            .collect();
        found.sort_unstable();
        found.dedup();
        found
    }
}

fn extent(edges: &[[Coord<f64>; 2]]) -> (Coord<f64>, Coord<f64>) {
    let mut points = edges.iter().flatten();
    let Some(&first) = points.next() else {
        return (Coord::zero(), Coord::zero());
    };
    points.fold((first, first), |(min, max), p| {
        (Coord { x: min.x.min(p.x), y: min.y.min(p.y) }, Coord { x: max.x.max(p.x), y: max.y.max(p.y) })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_are_found_from_every_cell_they_touch() {
        let at = |x: f64, y: f64| Coord { x, y };
        let edges = [[at(0.0, 0.0), at(100.0, 0.0)], [at(95.0, 80.0), at(95.0, 90.0)]];
        let grid = EdgeGrid::new(&edges, 10.0, 1.0);
        assert_eq!(grid.edges_near(at(40.0, 0.0), at(42.0, 2.0)), [0]);
        assert_eq!(grid.edges_near(at(90.0, 0.0), at(99.0, 99.0)), [0, 1]);
        assert!(grid.edges_near(at(40.0, 40.0), at(42.0, 42.0)).is_empty());
        assert_eq!(grid.edges_near(at(-500.0, -500.0), at(500.0, 500.0)), [0, 1]);
    }

    #[test]
    fn a_grid_without_edges_finds_nothing() {
        let grid = EdgeGrid::new(&[], 10.0, 1.0);
        assert!(grid.edges_near(Coord::zero(), Coord::zero()).is_empty());
    }
}
