//! Bytes in, drafts and row errors out.
#![allow(missing_docs)]
use crate::domain::area::Species;
use crate::domain::batch::{Content, RowError};
use crate::domain::encounter::EncounterDraft;
use crate::domain::exposure::*;
use crate::domain::geography::LonLat;
use crate::domain::place::{PlaceDraft, SensitivePlace};
use crate::domain::sign::SignLocationDraft;
use crate::domain::trail::{TrailDraft, TrailheadDraft};
use crate::domain::walk::WalkDraft;
use std::io::Read;
use std::ops::ControlFlow;
#[derive(Debug, Clone, PartialEq)]
pub enum Draft {
    Trail(TrailDraft),
    Trailhead(TrailheadDraft),
    Place(PlaceDraft),
    SensitivePlace(SensitivePlace),
    Species(Species),
    Counter(CounterDraft),
    Reading(ReadingDraft),
    Calibration(CalibrationDraft),
    PartySize(PartySizeDraft),
    Walk(WalkDraft),
    SignLocation(SignLocationDraft),
    Encounter(EncounterDraft),
}
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    Csv,
    GeoJson,
    Gpx,
}
pub enum Item {
    Draft { row_number: u64, draft: Draft },
    Refused(RowError),
}
#[derive(Debug, Clone)]
pub struct Context;
impl Context {
    pub fn new(
        _zone: &str,
        _today: jiff::civil::Date,
        _species: Vec<String>,
        _trails: impl Iterator<Item = LonLat>,
    ) -> Self {
        Self
    }
}
#[derive(Debug, Clone)]
pub struct FileReport {
    pub encoding: String,
    pub mapping: Vec<(String, String)>,
}
#[derive(Debug, thiserror::Error)]
#[error("no")]
pub struct FileError;
pub fn read(
    _c: Content,
    _f: Format,
    _r: impl Read,
    _x: &Context,
    _s: &mut dyn FnMut(Item) -> ControlFlow<()>,
) -> Result<FileReport, FileError> {
    Err(FileError)
}
pub fn retry(_c: Content, _r: Vec<(String, String)>, _x: &Context) -> Result<Draft, RowError> {
    Err(RowError {
        row_number: 0,
        field: String::new(),
        value: String::new(),
        reason: String::new(),
        hint: String::new(),
        raw: vec![],
    })
}
pub fn raw_rows(
    _c: Content,
    _f: Format,
    _r: impl Read,
    _x: &Context,
    _w: &[u64],
) -> Result<Vec<(u64, Vec<(String, String)>)>, FileError> {
    Err(FileError)
}
