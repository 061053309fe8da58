//! Temporary notices about a whole trail.

use jiff::civil::Date;

use crate::domain::ids::NoticeId;
use crate::domain::revision::Revision;

/// The longest a notice may stand, days.
pub const MOST_DAYS: i32 = 60;

/// A notice before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticeDraft {
    /// The trail's public name.
    pub trail: String,
    /// The key of its wording.
    pub wording_key: String,
    /// The first day it stands.
    pub start: Date,
    /// The last day it stands.
    pub expiry: Date,
    /// Why it was made, for staff.
    pub reason: String,
    /// Who made it.
    pub made_by: String,
    /// The revision of the figures it rests on.
    pub based_on: Revision,
    /// The settings of those figures, in words; empty for notices made before they were kept.
    pub settings: String,
}

/// Who took a notice back, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Withdrawal {
    /// Who.
    pub by: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub at_s: i64,
}

/// A stored notice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// The stored row.
    pub id: NoticeId,
    /// What was given.
    pub given: NoticeDraft,
    /// When it was made, in seconds since 1970-01-01T00:00:00Z.
    pub made_at_s: i64,
    /// Who took it back, if anybody did.
    pub withdrawal: Option<Withdrawal>,
}

/// Whether a notice stands on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoticeState {
    /// Its first day is still to come.
    ToCome,
    /// It stands.
    Active,
    /// Its last day has passed.
    Expired,
    /// It was taken back.
    Withdrawn,
}

/// What is wrong with a notice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum InvalidNotice {
    /// A text is missing.
    #[error("{0} is missing")]
    Missing(&'static str),
    /// It ends before it starts.
    #[error("the last day is before the first")]
    Order,
    /// It would stand too long.
    #[error("a notice stands at most {MOST_DAYS} days; make another when it ends")]
    TooLong,
}

impl NoticeDraft {
    /// Checks the rules of a notice.
    ///
    /// # Errors
    /// [`InvalidNotice`] for the first rule broken.
    pub fn check(&self) -> Result<(), InvalidNotice> {
        let texts = [
            ("the trail", &self.trail),
            ("the wording", &self.wording_key),
            ("the reason", &self.reason),
            ("the name", &self.made_by),
        ];
        if let Some((what, _)) = texts.iter().find(|(_, text)| text.trim().is_empty()) {
            return Err(InvalidNotice::Missing(what));
        }
        if self.expiry < self.start {
            return Err(InvalidNotice::Order);
        }
        match self.start.until(self.expiry).map(|span| span.get_days()) {
            Ok(days) if days <= MOST_DAYS => Ok(()),
            _ => Err(InvalidNotice::TooLong),
        }
    }
}

impl Notice {
    /// Whether it stands on a day.
    pub fn state(&self, today: Date) -> NoticeState {
        match () {
            () if self.withdrawal.is_some() => NoticeState::Withdrawn,
            () if today < self.given.start => NoticeState::ToCome,
            () if today > self.given.expiry => NoticeState::Expired,
            () => NoticeState::Active,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn draft() -> NoticeDraft {
        NoticeDraft {
            trail: "Ledge Walk".to_owned(),
            wording_key: "more-than-usual".to_owned(),
            start: date(2026, 5, 1),
            expiry: date(2026, 5, 31),
            reason: "eight where two are expected".to_owned(),
            made_by: "R. Example".to_owned(),
            based_on: Revision(4),
            settings: "default settings, 200 draws, seed 1".to_owned(),
        }
    }

    #[test]
    fn a_notice_ends_within_sixty_days() {
        let until = |expiry| NoticeDraft { expiry, ..draft() }.check();
        assert_eq!(until(date(2026, 6, 30)), Ok(()));
        assert_eq!(until(date(2026, 7, 1)), Err(InvalidNotice::TooLong));
        assert_eq!(until(date(2027, 5, 2)), Err(InvalidNotice::TooLong));
        assert_eq!(until(date(2026, 5, 1)), Ok(()));
        assert_eq!(until(date(2026, 4, 30)), Err(InvalidNotice::Order));
        let nameless = NoticeDraft { made_by: " ".to_owned(), ..draft() };
        assert_eq!(nameless.check(), Err(InvalidNotice::Missing("the name")));
    }

    #[test]
    fn a_notice_has_its_days() {
        let mut notice = Notice { id: NoticeId(1), given: draft(), made_at_s: 0, withdrawal: None };
        assert_eq!(notice.state(date(2026, 4, 30)), NoticeState::ToCome);
        assert_eq!(notice.state(date(2026, 5, 31)), NoticeState::Active);
        assert_eq!(notice.state(date(2026, 6, 1)), NoticeState::Expired);
        notice.withdrawal = Some(Withdrawal { by: "R. Example".to_owned(), at_s: 1 });
        assert_eq!(notice.state(date(2026, 5, 2)), NoticeState::Withdrawn);
    }
}
