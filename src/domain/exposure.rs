//! Counters and what they recorded, calibrations, party sizes.

use crate::domain::geography::LonLat;
use crate::domain::ids::CounterId;
use crate::domain::ids::TrailId;
use crate::domain::ids::TrailheadId;

/// Where a counter stood, from when to when (seconds since 1970-01-01T00:00:00Z; open ends are none).
#[derive(Debug, Clone, PartialEq)]
pub struct CounterDraft {
    /// The counter's name.
    pub name: String,
    /// What device it is, or empty.
    pub device: String,
    /// Where it stood.
    pub position: LonLat,
    /// Since when.
    pub from_s: Option<i64>,
    /// Until when.
    pub until_s: Option<i64>,
}

/// A stored counter with all its locations.
#[derive(Debug, Clone, PartialEq)]
pub struct Counter {
    /// The stored row.
    pub id: CounterId,
    /// Its name.
    pub name: String,
    /// What device it is, or empty.
    pub device: String,
    /// Where it stood, in order of time: from, until, position.
    pub locations: Vec<CounterLocation>,
    /// Periods in which its clock was off.
    pub clock_corrections: Vec<ClockCorrection>,
}

/// One location of a counter.
#[derive(Debug, Clone, PartialEq)]
pub struct CounterLocation {
    /// Since when, or since ever.
    pub from_s: Option<i64>,
    /// Until when, or still.
    pub until_s: Option<i64>,
    /// Where.
    pub position: LonLat,
}

/// A period in which a clock was off.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClockCorrection {
    /// Since when.
    pub from_s: i64,
    /// Until when.
    pub until_s: i64,
    /// Seconds to add to the stated time.
    pub offset_s: i64,
}

/// One bin of a counter as read from a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadingDraft {
    /// The counter's name.
    pub counter: String,
    /// Start of the bin.
    pub start_s: i64,
    /// Length of the bin, seconds.
    pub length_s: i64,
    /// Walkers counted in, or in either direction where the device does not tell.
    pub count_in: u32,
    /// Walkers counted out, where the device tells.
    pub count_out: Option<u32>,
}

/// One stored bin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// The counter.
    pub counter_id: CounterId,
    /// Start of the bin.
    pub start_s: i64,
    /// Length of the bin, seconds.
    pub length_s: i64,
    /// Walkers counted in, or in either direction.
    pub count_in: u32,
    /// Walkers counted out.
    pub count_out: Option<u32>,
}

/// A person counted beside the device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalibrationDraft {
    /// The counter's name.
    pub counter: String,
    /// Start of the session.
    pub start_s: i64,
    /// Length, seconds.
    pub length_s: i64,
    /// What the person counted.
    pub manual_count: u32,
    /// What the device counted.
    pub device_count: u32,
}

/// A stored session of calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Calibration {
    /// The counter.
    pub counter_id: CounterId,
    /// What the person counted.
    pub manual_count: u32,
    /// What the device counted.
    pub device_count: u32,
}

/// Mean party size, as read from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct PartySizeDraft {
    /// The trailhead's name, where it is that of those who start there, or empty.
    pub trailhead: String,
    /// The trail's name, where it is that of those who walk on it, or empty. Where neither is named it holds for the whole area;
    /// both together are refused.
    pub trail: String,
    /// First date it holds for, ISO, or empty.
    pub from_date: String,
    /// Last date, ISO, or empty.
    pub until_date: String,
    /// Mean number of walkers in a party, at least 1.
    pub mean_walkers: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// How many parties were counted.
    pub n_parties: Option<u32>,
}

/// Whose parties a mean size is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PartiesOf {
    /// All of the area's.
    Area,
    /// Those who start at a trailhead.
    Trailhead(TrailheadId),
    /// Those who walk on a trail, wherever they started.
    Trail(TrailId),
}

/// A stored mean party size.
#[derive(Debug, Clone, PartialEq)]
pub struct PartySize {
    /// Whose parties.
    pub of: PartiesOf,
    /// First date it holds for, ISO, or empty.
    pub from_date: String,
    /// Last date, ISO, or empty.
    pub until_date: String,
    /// How many parties were counted.
    pub n_parties: Option<u32>,
    /// Mean number of walkers in a party.
    pub mean_walkers: f64,
    /// Its standard error.
    pub standard_error: f64,
}
