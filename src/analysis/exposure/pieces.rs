//! Bins cut at the local hours they cover.

use jiff::ToSpan;
use jiff::civil::{Date, DateTime};

use crate::analysis::exposure::time::HOURS;

/// A part of a bin within one local hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourPiece {
    /// Local day.
    pub day: Date,
    /// Local hour, 0 to 23.
    pub hour: usize,
    /// Hours observed, in (0, 1].
    pub hours: f64,
    /// Share of the bin's count that falls here; need not be whole.
    pub count: f64,
    /// Whether the bin was longer than an hour, so that the split over hours is assumed.
    pub split: bool,
    /// What was closed then, an index into the states of its series; 0 is the open time.
    pub state: u32,
}

/// The pieces of a bin, the count split in proportion to time × hour profile.
///
/// Hours run on from the local start; a long bin across a clock change is an hour off after the change.
pub(crate) fn pieces_of(
    local: DateTime,
    length_s: u32,
    count: f64,
    hour_profile: &[f64; HOURS],
) -> Vec<HourPiece> {
    let mut pieces = Vec::with_capacity(1 + length_s as usize / 3600);
    let mut left_s = f64::from(length_s);
    let mut day = local.date();
    let mut hour = usize::from(local.hour().unsigned_abs());
    let mut room_s = 3600.0 - 60.0 * f64::from(local.minute()) - f64::from(local.second());
    while left_s > 0.0 {
        let taken_s = left_s.min(room_s);
        let split = length_s > 3600;
        pieces.push(HourPiece { day, hour, hours: taken_s / 3600.0, count: 0.0, split, state: 0 });
        left_s -= taken_s;
        room_s = 3600.0;
        hour += 1;
        if hour == HOURS {
            hour = 0;
            day = day.saturating_add(1.day());
        }
    }
    // A bin of at most an hour is split by time alone: a profile has nothing to say within it.
    let weight = |piece: &HourPiece| {
        if piece.split { piece.hours * hour_profile[piece.hour] } else { piece.hours }
    };
    let total: f64 = pieces.iter().map(weight).sum();
    for piece in &mut pieces {
        piece.count = count * weight(piece) / total;
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn a_bin_across_midnight_and_hours() {
        let start = date(2024, 5, 31).at(23, 45, 0, 0);
        let pieces = pieces_of(start, 1800, 10.0, &[1.0; 24]);
        assert_eq!(pieces.len(), 2);
        assert_eq!((pieces[0].day, pieces[0].hour, pieces[0].hours), (date(2024, 5, 31), 23, 0.25));
        assert_eq!((pieces[1].day, pieces[1].hour, pieces[1].count), (date(2024, 6, 1), 0, 5.0));
    }

    #[test]
    fn a_day_follows_the_profile() {
        let mut profile = [1.0; 24];
        profile[9] = 25.0;
        let pieces = pieces_of(date(2024, 5, 31).at(0, 0, 0, 0), 86_400, 96.0, &profile);
        assert_eq!(pieces.len(), 24);
        assert!((pieces[9].count - 50.0).abs() < 1e-9);
        assert!((pieces.iter().map(|p| p.count).sum::<f64>() - 96.0).abs() < 1e-9);
        assert!(pieces.iter().all(|p| p.split));
    }
}
