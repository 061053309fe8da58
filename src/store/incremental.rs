//! Rows remembered by key, brought up to date with what changed.

/// Rows in the order of their keys.
#[derive(Debug)]
pub(super) struct Incremental<T> {
    ids: Vec<i64>,
    rows: Vec<T>,
    n_rows_read: usize,
}

impl<T> Default for Incremental<T> {
    fn default() -> Self {
        Self { ids: Vec::new(), rows: Vec::new(), n_rows_read: 0 }
    }
}

impl<T: Clone> Incremental<T> {
    pub(super) fn rows(&self) -> &[T] {
        &self.rows
    }

    /// Rows given to the last merge.
    pub(super) fn n_rows_read(&self) -> usize {
        self.n_rows_read
    }

    /// Says that nothing had to be read.
    pub(super) fn read_nothing(&mut self) {
        self.n_rows_read = 0;
    }

    /// Takes in changed rows, in the order of their keys; none stands for a row that was taken out.
    pub(super) fn merge(&mut self, changed: Vec<(i64, Option<T>)>) {
        self.n_rows_read = changed.len();
        let mut inserted = Vec::new();
        let mut n_removed = 0;
        let mut is_kept = Vec::new();
        for (id, row) in changed {
            match (self.ids.binary_search(&id), row) {
                (Ok(at), Some(row)) => self.rows[at] = row,
                (Ok(at), None) => {
                    is_kept.resize(self.ids.len(), true);
                    is_kept[at] = false;
                    n_removed += 1;
                }
                (Err(_), Some(row)) => inserted.push((id, row)),
                (Err(_), None) => {}
            }
        }
        if n_removed > 0 {
            retain(&mut self.ids, &is_kept);
            retain(&mut self.rows, &is_kept);
        }
        self.insert(inserted);
    }

    /// Adds rows with new keys, in order. Nearly always they come after all others.
    fn insert(&mut self, inserted: Vec<(i64, T)>) {
        let Some((first, _)) = inserted.first() else { return };
        let tail_at = self.ids.partition_point(|id| id < first);
        let ids = self.ids.split_off(tail_at);
        let rows = self.rows.split_off(tail_at);
        let mut tail = ids.into_iter().zip(rows).peekable();
        for (id, row) in inserted {
            while let Some((id, row)) = tail.next_if(|(other, _)| *other < id) {
                self.ids.push(id);
                self.rows.push(row);
            }
            self.ids.push(id);
            self.rows.push(row);
        }
        for (id, row) in tail {
            self.ids.push(id);
            self.rows.push(row);
        }
    }
}

fn retain<T>(list: &mut Vec<T>, is_kept: &[bool]) {
    let mut kept = is_kept.iter();
    list.retain(|_| kept.next().copied().unwrap_or(true));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    proptest! {
        #[test]
        fn merging_is_the_same_as_a_map(
            steps in proptest::collection::vec(
                proptest::collection::btree_map(0i64..40, proptest::option::of(0u8..200), 0..12), 0..8)
        ) {
            let mut map: BTreeMap<i64, u8> = BTreeMap::new();
            let mut rows = Incremental::default();
            for step in steps {
                for (id, row) in &step {
                    match row {
                        Some(row) => drop(map.insert(*id, *row)),
                        None => drop(map.remove(id)),
                    }
                }
                let n = step.len();
                rows.merge(step.into_iter().collect());
                prop_assert_eq!(rows.n_rows_read(), n);
                prop_assert_eq!(rows.rows().to_vec(), map.values().copied().collect::<Vec<_>>());
                prop_assert_eq!(&rows.ids, &map.keys().copied().collect::<Vec<_>>());
            }
        }
    }
}
