//! Two observers on one survey walk, and who of them noticed which encounter.

use crate::domain::ids::EncounterId;
use crate::domain::ids::WalkId;
use crate::domain::terms::terms;
use crate::domain::units::Length;

terms! {
    /// How two observers share a stretch.
    ObserverProtocol, "protocols of two observers", {
        /// Each looks without knowing what the other saw.
        Independent => "independent",
        /// The second notes only what the first missed.
        LeadFollow => "lead-follow",
    }
}

terms! {
    /// What kind of observer somebody is: each notices as its kind does, and none speaks for another.
    ObserverKind, "kinds of observer", {
        /// Walks to look for snakes, and was trained to.
        Surveyor => "surveyor",
        /// Works in the park.
        Ranger => "ranger",
        /// Helps with surveys now and then.
        Volunteer => "volunteer",
        /// Came to walk.
        Visitor => "visitor",
    }
}

/// Which kinds of observer walked together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum PairKind {
    /// Two of one kind.
    Of(ObserverKind),
    /// One of each of two kinds.
    Mixed,
    /// The kind of one or both was not said.
    NotSaid,
}

impl PairKind {
    /// The pair of two observers.
    pub fn of(first: Option<ObserverKind>, second: Option<ObserverKind>) -> Self {
        match (first, second) {
            (Some(first), Some(second)) if first == second => Self::Of(first),
            (Some(_), Some(_)) => Self::Mixed,
            _ => Self::NotSaid,
        }
    }
}

/// One row of a double-observer walk as read from a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DoubleObservationDraft {
    /// `eventID` of the survey walk.
    pub event_id: String,
    /// How the two shared the stretch.
    pub protocol: ObserverProtocol,
    /// The first observer, or the leader.
    pub first_observer: String,
    /// The second observer, or the follower.
    pub second_observer: String,
    /// The kind of the first; none where this row does not say it. What any row of the walk says holds for the walk.
    pub first_kind: Option<ObserverKind>,
    /// The kind of the second; none where this row does not say it.
    pub second_kind: Option<ObserverKind>,
    /// Who noticed which encounter; none in the row of a walk on which neither noticed any.
    pub noticed: Option<NoticedDraft>,
}

/// Who noticed an encounter: at least one of the two.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticedDraft {
    /// `occurrenceID` of the encounter.
    pub occurrence_id: String,
    /// By whom.
    pub by: NoticedBy,
}

/// Who of the two noticed an encounter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoticedBy {
    /// The first only.
    First,
    /// The second only.
    Second,
    /// Both.
    Both,
}

impl NoticedBy {
    /// From a mark for each; `None` where neither noticed it.
    pub fn from_marks(first: bool, second: bool) -> Option<Self> {
        match (first, second) {
            (true, true) => Some(Self::Both),
            (true, false) => Some(Self::First),
            (false, true) => Some(Self::Second),
            (false, false) => None,
        }
    }

    /// Whether the first noticed it.
    pub fn first(self) -> bool {
        self != Self::Second
    }

    /// Whether the second noticed it.
    pub fn second(self) -> bool {
        self != Self::First
    }
}

/// A stored double-observer walk with what was noticed on it.
#[derive(Debug, Clone, PartialEq)]
pub struct DoubleObserverWalk {
    /// The survey walk.
    pub walk_id: WalkId,
    /// Its `eventID`.
    pub event_id: String,
    /// How the two shared the stretch.
    pub protocol: ObserverProtocol,
    /// The first observer, or the leader.
    pub first_observer: String,
    /// The second observer, or the follower.
    pub second_observer: String,
    /// Which kinds of observer they were.
    pub pair: PairKind,
    /// Who noticed which encounter.
    pub noticed: Vec<Noticed>,
}

/// Who noticed a stored encounter, with what detection may depend on.
#[derive(Debug, Clone, PartialEq)]
pub struct Noticed {
    /// The encounter.
    pub encounter_id: EncounterId,
    /// By whom.
    pub by: NoticedBy,
    /// The distance at which it was first noticed.
    pub distance_first_noticed: Option<Length>,
    /// What covered it, or empty where not recorded.
    pub cover: String,
    /// The air temperature, degrees Celsius.
    pub air_temperature_c: Option<f64>,
}
