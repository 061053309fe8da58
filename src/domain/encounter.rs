//! Encounters: one meeting of one party with one or more snakes at a place and time.

use crate::domain::approach::Approach;
use crate::domain::geography::LonLat;
use crate::domain::terms::terms;
use crate::domain::time::EventTime;
use crate::domain::units::Length;
use crate::domain::units::Temperature;

terms! {
    /// What an encounter may be divided by.
    EffortKind, "effort kinds", {
        /// On a walk whose track is known.
        Survey => "survey",
        /// By people out walking.
        Report => "report",
        /// Led there by telemetry, a den visit or a tip: never in a rate.
        Located => "located",
        /// No effort known.
        Chance => "chance",
    }
}

terms! {
    /// What a stated accuracy means.
    UncertaintyMeaning, "meanings of a stated accuracy", {
        /// A radius that holds the true place about 95 times in 100 (Darwin Core, W3C geolocation).
        Radius95 => "radius-95",
        /// About 68 times in 100 (Android).
        Radius68 => "radius-68",
        /// One standard deviation along each axis.
        StandardDeviation => "standard-deviation",
    }
}

terms! {
    /// The state of review, `identificationVerificationStatus`.
    VerificationStatus, "verification states", {
        /// Nobody has checked it.
        Unverified => "unverified",
        /// Checked and accepted.
        Verified => "verified",
        /// Checked, but in doubt.
        NeedsSecondLook => "needs a second look",
        /// Checked and not accepted; left out of every figure.
        Rejected => "rejected",
    }
}

terms! {
    /// What gave the snake away.
    Cue, "cues", {
        /// Seen.
        Seen => "seen",
        /// Heard.
        Heard => "heard",
        /// Touched.
        Touched => "touched",
        /// Only a second observer or a camera noticed it.
        NobodyNoticed => "nobody noticed",
    }
}

terms! {
    /// What the meeting did to people: health data.
    Outcome, "outcomes", {
        /// Nobody was hurt.
        NoInjury => "no injury",
        /// A bite was reported.
        BiteReported => "bite reported",
        /// A bite was treated.
        BiteTreated => "bite treated",
        /// Hurt in another way, a fall for example.
        OtherInjury => "other injury",
    }
}

/// A position as recorded, with its accuracy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordedPosition {
    /// Where.
    pub position: LonLat,
    /// The stated accuracy, if any.
    pub coordinate_uncertainty: Option<Length>,
    /// What the stated accuracy means.
    pub meaning: UncertaintyMeaning,
    /// Whether the position was made coarser before it reached us.
    pub is_generalised: bool,
}

/// An encounter as read from a file or a form, before it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct EncounterDraft {
    /// The record's lasting identifier; made from the content where the file has none.
    pub occurrence_id: String,
    /// What it may be divided by.
    pub effort_kind: EffortKind,
    /// When.
    pub time: EventTime,
    /// Where; none when the file gives no position.
    pub position: Option<RecordedPosition>,
    /// The species, as written, or empty.
    pub scientific_name: String,
    /// The state of review.
    pub verification_status: VerificationStatus,
    /// The marked or recognised snake, or empty.
    pub organism_id: String,
    /// How many snakes, where counted.
    pub individual_count: Option<u32>,
    /// The survey walk's `eventID`, or empty.
    pub event_id: String,
    /// The approaches in their order.
    pub approaches: Vec<Approach>,
    /// All else that was recorded.
    pub details: EncounterDetails,
    /// What it did to people, where recorded.
    pub outcome: Option<Outcome>,
}

/// What is kept of an encounter beside what figures are computed from. Empty text means not recorded.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EncounterDetails {
    /// `parentEventID`.
    pub parent_event_id: String,
    /// The date and time as written.
    pub verbatim_event_date: String,
    /// The coordinates as written.
    pub verbatim_coordinates: String,
    /// `identifiedBy`.
    pub identified_by: String,
    /// `identificationQualifier`.
    pub identification_qualifier: String,
    /// `lifeStage`.
    pub life_stage: String,
    /// `sex`.
    pub sex: String,
    /// `reproductiveCondition`.
    pub reproductive_condition: String,
    /// `behavior`.
    pub behavior: String,
    /// `recordedBy`.
    pub recorded_by: String,
    /// `samplingProtocol`.
    pub sampling_protocol: String,
    /// `occurrenceRemarks`.
    pub occurrence_remarks: String,
    /// `dataGeneralizations`.
    pub data_generalizations: String,
    /// `informationWithheld`.
    pub information_withheld: String,
    /// What gave the snake away.
    pub cue: Option<Cue>,
    /// How far away it was first noticed.
    pub distance_first_noticed: Option<Length>,
    /// How far away people were at the first reaction.
    pub distance_first_reaction: Option<Length>,
    /// Posture before the approach.
    pub posture_before: String,
    /// Cover.
    pub cover: String,
    /// Substrate.
    pub substrate: String,
    /// Length class.
    pub length_class: String,
    /// Air temperature.
    pub air_temperature: Option<Temperature>,
    /// Ground temperature.
    pub ground_temperature: Option<Temperature>,
    /// Body temperature of the snake.
    pub body_temperature: Option<Temperature>,
    /// People in the party.
    pub n_people: Option<u32>,
    /// Dogs in the party.
    pub n_dogs: Option<u32>,
    /// Footwear.
    pub footwear: String,
    /// Alive or dead, where recorded.
    pub is_alive: Option<bool>,
    /// Columns that no field takes, header and value.
    pub other: Vec<(String, String)>,
}
