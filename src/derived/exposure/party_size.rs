//! The mean party size over the study period, from what was counted when.

use jiff::civil::Date;

use crate::analysis::exposure::PartySize;
use crate::analysis::exposure::StudyPeriod;
use crate::domain::exposure::PartiesOf;
use crate::domain::exposure::PartySize as Counted;

/// The mean over the days of the study period, for a trail, a trailhead or the whole area; none where nothing was counted.
///
/// Each day has the size that holds on it; where several do, their mean weighed by the parties that were counted. A day
/// that none holds on takes that of the nearest day that has one. Sizes err independently of each other. In what order they are
/// listed changes nothing.
pub fn over(sizes: &[Counted], of: PartiesOf, period: &StudyPeriod) -> Option<PartySize> {
    let of_it = held_by(sizes, of);
    let shares = shares(&of_it, period)?;
    let weighed = || of_it.iter().zip(&shares);
    let variance: f64 = weighed().map(|(size, share)| (share * size.standard_error).powi(2)).sum();
    Some(PartySize {
        mean: weighed().map(|(size, share)| share * size.mean_walkers).sum(),
        standard_error: variance.sqrt(),
    })
}

/// The sizes of the same parties, by period: sums over them do not depend on the order of rows.
fn held_by(sizes: &[Counted], of: PartiesOf) -> Vec<&Counted> {
    let mut of_it: Vec<&Counted> = sizes.iter().filter(|size| size.of == of).collect();
    of_it.sort_by(|a, b| (&a.from_date, &a.until_date).cmp(&(&b.from_date, &b.until_date)));
    of_it
}

/// The share of the study period's days that each size stands for; none without sizes.
fn shares(sizes: &[&Counted], period: &StudyPeriod) -> Option<Vec<f64>> {
    let spans: Vec<(Date, Date)> = sizes.iter().map(|size| span(size)).collect();
    let mut days = vec![0.0; sizes.len()];
    let mut n_days = 0.0;
    for day in period.days() {
        let apart =
            |(from, until): &(Date, Date)| (*from - day).get_days().max((day - *until).get_days()).max(0);
        let nearest = spans.iter().map(apart).min()?;
        let holds =
            || spans.iter().enumerate().filter(|(_, span)| apart(span) == nearest).map(|(idx, _)| idx);
        let parties = |idx: usize| f64::from(sizes[idx].n_parties.unwrap_or(1).max(1));
        let all: f64 = holds().map(parties).sum();
        holds().for_each(|idx| days[idx] += parties(idx) / all);
        n_days += 1.0;
    }
    (n_days > 0.0 && !sizes.is_empty()).then(|| days.iter().map(|days| days / n_days).collect())
}

/// The share of the study period that one of the sizes stands for among those of the same parties, from 0 to 1.
pub fn share(sizes: &[Counted], size: &Counted, period: &StudyPeriod) -> f64 {
    let of_it = held_by(sizes, size.of);
    let idx = of_it.iter().position(|other| std::ptr::eq(*other, size));
    shares(&of_it, period).zip(idx).map_or(0.0, |(shares, idx)| shares[idx])
}

/// The days that a size holds for; without an end it holds for ever.
fn span(size: &Counted) -> (Date, Date) {
    let parsed = |text: &str, open: Date| text.parse().unwrap_or(open);
    (parsed(&size.from_date, Date::MIN), parsed(&size.until_date, Date::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ids::TrailId;
    use crate::domain::ids::TrailheadId;
    use jiff::civil::date;

    fn size(from: &str, until: &str, mean_walkers: f64, n_parties: u32) -> Counted {
        Counted {
            of: PartiesOf::Area,
            from_date: from.to_owned(),
            until_date: until.to_owned(),
            n_parties: Some(n_parties),
            mean_walkers,
            standard_error: 0.2,
        }
    }

    /// The naive way took the first row for all years.
    #[test]
    fn sizes_count_for_their_days() {
        let period = StudyPeriod::new(date(2024, 1, 1), date(2024, 12, 31)).unwrap();
        let december = size("2024-12-01", "2024-12-31", 4.4, 30);
        let before = size("2023-01-01", "2024-11-30", 2.2, 400);
        let of = |sizes: &[Counted]| over(sizes, PartiesOf::Area, &period).unwrap();
        let both = of(&[december.clone(), before.clone()]);
        let share_of_december = 31.0 / 366.0;
        assert!((both.mean - (share_of_december * 4.4 + (1.0 - share_of_december) * 2.2)).abs() < 1e-12);
        assert!(
            (both.standard_error - 0.2 * f64::hypot(share_of_december, 1.0 - share_of_december)).abs()
                < 1e-12
        );
        assert_eq!(of(&[before.clone(), december.clone()]).mean, both.mean);
        // Alone it stands for all days; of two on the same days the one with more parties weighs more.
        assert_eq!(of(std::slice::from_ref(&december)).mean, 4.4);
        let again = size("2023-01-01", "2024-12-31", 3.2, 100);
        let mixed = of(&[size("", "", 2.2, 300), again]);
        assert!((mixed.mean - 2.45).abs() < 1e-12, "{mixed:?}");
        let later = [before, size("2025-02-01", "", 9.0, 10), december];
        let shares = [0, 1, 2].map(|idx| share(&later, &later[idx], &period));
        assert!(
            (shares[0] - (1.0 - share_of_december)).abs() < 1e-12
                && (shares[2] - share_of_december).abs() < 1e-12
        );
        assert_eq!(shares[1], 0.0);
        assert_eq!(over(&later, PartiesOf::Trailhead(TrailheadId(1)), &period), None);
    }

    /// A trail and a trailhead may have the same number among their kind; neither takes the other's size, nor the area's.
    #[test]
    fn sizes_of_a_trail_count_for_that_trail_by_the_same_rule() {
        let period = StudyPeriod::new(date(2024, 1, 1), date(2024, 12, 31)).unwrap();
        let of = |of: PartiesOf, size: Counted| Counted { of, ..size };
        let (trail, head) = (PartiesOf::Trail(TrailId(1)), PartiesOf::Trailhead(TrailheadId(1)));
        let mut sizes = vec![
            size("", "", 2.2, 400),
            of(head, size("", "", 1.5, 80)),
            of(trail, size("2024-07-01", "", 5.0, 60)),
            of(trail, size("", "2024-06-30", 3.1, 20)),
            of(trail, size("", "", 4.7, 35)),
        ];
        let found = over(&sizes, trail, &period).unwrap();
        // 182 days up to June, 184 from July on; on each the two that hold weighed by their parties.
        let (early, late) = ((20.0 * 3.1 + 35.0 * 4.7) / 55.0, (60.0 * 5.0 + 35.0 * 4.7) / 95.0);
        assert!((found.mean - (182.0 * early + 184.0 * late) / 366.0).abs() < 1e-12, "{found:?}");
        assert!(
            (sizes[2..].iter().map(|size| share(&sizes, size, &period)).sum::<f64>() - 1.0).abs() < 1e-12
        );
        assert_eq!(over(&sizes, head, &period).unwrap().mean, 1.5);
        assert_eq!(over(&sizes, PartiesOf::Trail(TrailId(2)), &period), None);
        sizes.reverse();
        assert_eq!(over(&sizes, trail, &period), Some(found));
        sizes.rotate_left(2);
        assert_eq!(over(&sizes, trail, &period), Some(found));
    }
}
