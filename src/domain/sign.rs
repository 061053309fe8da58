//! Sign locations given by staff, and signs in place.

use crate::domain::geography::LonLat;
use crate::domain::ids::SignPlanId;
use crate::domain::terms::terms;

terms! {
    /// What a plan may do with a location.
    Standing, "standings of a sign location", {
        /// A sign may stand here.
        Candidate => "candidate",
        /// A sign stands here and stays.
        Fixed => "fixed",
        /// No sign may stand here.
        Forbidden => "forbidden",
    }
}

/// A sign location as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct SignLocationDraft {
    /// Its name.
    pub name: String,
    /// Where.
    pub position: LonLat,
    /// What a plan may do with it.
    pub standing: Standing,
    /// Whether a permit is needed.
    pub permit_needed: bool,
    /// Whether it is on rock.
    pub on_rock: bool,
    /// Whether it is a heritage site.
    pub heritage: bool,
    /// Why, or empty.
    pub reason: String,
}

/// A sign in place, before it is stored. The same name with another `up_s` is another sign.
#[derive(Debug, Clone, PartialEq)]
pub struct SignInPlaceDraft {
    /// Its name.
    pub name: String,
    /// Where it stands.
    pub position: LonLat,
    /// What kind of sign it is.
    pub kind: String,
    /// The kept plan it was put up for, if any.
    pub plan: Option<SignPlanId>,
    /// Since when, in seconds since 1970-01-01T00:00:00Z.
    pub up_s: i64,
    /// Until when, or still.
    pub down_s: Option<i64>,
}

terms! {
    /// How a sign was found.
    SignCondition, "conditions of a sign", {
        /// As it should be.
        Good => "good",
        /// Readable, but aged.
        Worn => "worn",
        /// Not readable in part.
        Damaged => "damaged",
        /// Gone.
        Missing => "missing",
    }
}

/// An inspection of a sign in place, before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignInspectionDraft {
    /// The sign's name.
    pub sign: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub inspected_at_s: i64,
    /// By whom.
    pub inspected_by: String,
    /// How it was found.
    pub condition: SignCondition,
    /// Remarks, or empty.
    pub remarks: String,
}
