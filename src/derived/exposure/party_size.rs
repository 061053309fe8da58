//! The mean party size over the study period, from what was counted when.

use jiff::civil::Date;

use crate::analysis::exposure::PartySize;
use crate::analysis::exposure::StudyPeriod;
use crate::domain::exposure::PartySize as Counted;
use crate::domain::ids::TrailheadId;

/// The mean over the days of the study period, for a trailhead or else the whole area; none where nothing was counted.
///
/// Each day has the size that holds on it; where several do, their mean weighed by the parties that were counted. A day
/// that none holds on takes that of the nearest day that has one. Sizes err independently of each other.
pub fn over(sizes: &[Counted], trailhead: Option<TrailheadId>, period: &StudyPeriod) -> Option<PartySize> {
    let of_it: Vec<&Counted> = sizes.iter().filter(|size| size.trailhead_id == trailhead).collect();
    let shares = shares(&of_it, period)?;
    let weighed = || of_it.iter().zip(&shares);
    let variance: f64 = weighed().map(|(size, share)| (share * size.standard_error).powi(2)).sum();
    Some(PartySize {
        mean: weighed().map(|(size, share)| share * size.mean_walkers).sum(),
        standard_error: variance.sqrt(),
    })
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

/// Whether a size counts for any day of the period.
pub fn is_used(sizes: &[Counted], size: &Counted, period: &StudyPeriod) -> bool {
    let of_it: Vec<&Counted> = sizes.iter().filter(|other| other.trailhead_id == size.trailhead_id).collect();
    let idx = of_it.iter().position(|other| std::ptr::eq(*other, size));
    shares(&of_it, period).zip(idx).is_some_and(|(shares, idx)| shares[idx] > 0.0)
}

/// The days that a size holds for; without an end it holds for ever.
fn span(size: &Counted) -> (Date, Date) {
    let parsed = |text: &str, open: Date| text.parse().unwrap_or(open);
    (parsed(&size.from_date, Date::MIN), parsed(&size.until_date, Date::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn size(from: &str, until: &str, mean_walkers: f64, n_parties: u32) -> Counted {
        Counted {
            trailhead_id: None,
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
        let of = |sizes: &[Counted]| over(sizes, None, &period).unwrap();
        let both = of(&[december.clone(), before.clone()]);
        let share = 31.0 / 366.0;
        assert!((both.mean - (share * 4.4 + (1.0 - share) * 2.2)).abs() < 1e-12);
        assert!((both.standard_error - 0.2 * f64::hypot(share, 1.0 - share)).abs() < 1e-12);
        assert_eq!(of(&[before.clone(), december.clone()]).mean, both.mean);
        // Alone it stands for all days; of two on the same days the one with more parties weighs more.
        assert_eq!(of(std::slice::from_ref(&december)).mean, 4.4);
        let again = size("2023-01-01", "2024-12-31", 3.2, 100);
        let mixed = of(&[size("", "", 2.2, 300), again]);
        assert!((mixed.mean - 2.45).abs() < 1e-12, "{mixed:?}");
        let later = [before, size("2025-02-01", "", 9.0, 10), december];
        assert_eq!([0, 1, 2].map(|idx| is_used(&later, &later[idx], &period)), [true, false, true]);
        assert_eq!(over(&later, Some(TrailheadId(1)), &period), None);
    }
}
