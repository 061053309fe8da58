//! Times from an instant until before another, and what they have in common.

/// A time from an instant until before another, seconds since 1970-01-01T00:00:00Z.
pub(super) type Window = (i64, i64);

/// Times that belong together, for example to a segment; none where nothing does.
pub(super) type Windows = Vec<Window>;

/// Whether an instant lies in one of the times.
pub(super) fn is_in(windows: &[Window], at_s: i64) -> bool {
    windows.iter().any(|(from, until)| (*from..*until).contains(&at_s))
}

/// The same times in their order, those that overlap or touch as one; empty ones left out.
pub(super) fn joined(windows: impl IntoIterator<Item = Window>) -> Windows {
    let mut sorted: Windows = windows.into_iter().filter(|(from, until)| from < until).collect();
    sorted.sort_unstable();
    let mut joined: Windows = Vec::new();
    for (from, until) in sorted {
        match joined.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(until),
            _ => joined.push((from, until)),
        }
    }
    joined
}

/// What lies in both.
pub(super) fn common(one: &[Window], other: &[Window]) -> Windows {
    let with = |window: &Window| -> Windows {
        other.iter().map(|(from, until)| (window.0.max(*from), window.1.min(*until))).collect()
    };
    joined(one.iter().flat_map(with))
}

/// What of the first lies in none of the second.
pub(super) fn without(windows: &[Window], taken: &[Window]) -> Windows {
    let taken = joined(taken.iter().copied());
    let starts = std::iter::once(i64::MIN).chain(taken.iter().map(|(_, until)| *until));
    let ends = taken.iter().map(|(from, _)| *from).chain([i64::MAX]);
    let free: Windows = starts.zip(ends).collect();
    common(windows, &free)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_joined_shared_and_taken_out() {
        assert_eq!(joined([(5, 7), (1, 3), (3, 4), (6, 9), (8, 8), (9, 2)]), [(1, 4), (5, 9)]);
        assert_eq!(common(&[(1, 4), (6, i64::MAX)], &[(3, 7), (9, 10)]), [(3, 4), (6, 7), (9, 10)]);
        assert_eq!(common(&[(1, 4)], &[(4, 7)]), []);
        assert_eq!(without(&[(i64::MIN, 10)], &[(7, 20), (2, 4)]), [(i64::MIN, 2), (4, 7)]);
        assert_eq!(without(&[(3, 5)], &[]), [(3, 5)]);
        assert_eq!(without(&[(3, 5)], &[(0, 9)]), []);
        assert!(is_in(&[(3, 5)], 3) && is_in(&[(3, 5)], 4) && !is_in(&[(3, 5)], 5));
    }
}
