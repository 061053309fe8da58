//! Survey walks: a track with observers and a purpose, zero encounters included.

use crate::domain::geography::LonLat;
use crate::domain::ids::WalkId;
use crate::domain::terms::terms;

terms! {
    /// Why a survey walk was made where it was.
    Purpose, "purposes of a walk", {
        /// Chosen beforehand without regard to where snakes are known.
        Planned => "planned",
        /// Sent where snakes are known.
        Targeted => "targeted",
        /// Whatever came up.
        Opportunistic => "opportunistic",
    }
}

/// A survey walk as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct WalkDraft {
    /// `eventID`.
    pub event_id: String,
    /// `parentEventID`, or empty.
    pub parent_event_id: String,
    /// Why it was made where it was.
    pub purpose: Purpose,
    /// Who walked.
    pub observers: String,
    /// Start, seconds since 1970-01-01T00:00:00Z.
    pub start_s: i64,
    /// End.
    pub end_s: Option<i64>,
    /// `samplingProtocol`, or empty.
    pub sampling_protocol: String,
    /// The track, in order; empty where none was recorded.
    pub track: Vec<LonLat>,
    /// Instants of the track's positions; as many as positions, or none.
    pub track_times_s: Vec<i64>,
}

/// A stored survey walk.
#[derive(Debug, Clone, PartialEq)]
pub struct Walk {
    /// The stored row.
    pub id: WalkId,
    /// What was given.
    pub given: WalkDraft,
}
