//! A database a test, with a fixed clock and sample records.

use std::path::PathBuf;
use std::time::Duration;

use jiff::civil::Date;
use tempfile::TempDir;

use crate::domain::approach::Approach;
use crate::domain::approach::Contact;
use crate::domain::approach::Reaction;
use crate::domain::approach::Trial;
use crate::domain::batch::Content;
use crate::domain::encounter::Cue;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::EncounterDetails;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::Outcome;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::encounter::VerificationStatus;
use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::time::EventDate;
use crate::domain::time::EventTime;
use crate::domain::units::Length;
use crate::domain::units::Mass;
use crate::domain::units::Span;
use crate::domain::units::Temperature;
use crate::store::AreaDraft;
use crate::store::BatchDraft;
use crate::store::Durability;
use crate::store::FileDraft;
use crate::store::FileFormat;
use crate::store::OpenParams;
use crate::store::Store;
use crate::store::Target;
use crate::store::Writer;

/// 2024-07-01T00:00:00Z.
pub(super) const NOW_S: i64 = 1_719_792_000;

/// A database of its own, with one area, gone when dropped.
pub(super) struct TestStore {
    pub(super) store: Store,
    pub(super) area: AreaId,
    folder: TempDir,
}

/// Short waits and no waiting for the disk.
pub(super) fn params() -> OpenParams {
    OpenParams { busy_timeout: Duration::from_millis(200), n_readers: 2, durability: Durability::ProcessEnd }
}

impl TestStore {
    /// With one area at revision 1.
    pub(super) async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("test.db"), &params()).await.unwrap();
        let mut writer = store.write("tester", "new area", NOW_S).await.unwrap();
        let area = writer.put_area(&area("Test park")).await.unwrap();
        writer.commit().await.unwrap();
        Self { store, area, folder }
    }

    pub(super) fn path(&self) -> PathBuf {
        self.folder.path().join("test.db")
    }

    pub(super) async fn write(&self) -> Writer {
        self.store.write("tester", "test", NOW_S).await.unwrap()
    }

    /// A target outside of any batch.
    pub(super) fn by_hand(&self) -> Target {
        Target { area: self.area, source: None }
    }

    /// A target in a new batch with one file of that name.
    pub(super) async fn batch_named(&self, writer: &mut Writer, content: Content, name: &str) -> Target {
        let batch = writer.begin_batch(&BatchDraft { area: self.area, content }).await.unwrap();
        let draft = FileDraft { name: name.to_owned(), ..file(name) };
        let file = writer.add_file(batch, &draft).await.unwrap();
        Target { area: self.area, source: Some((batch, file)) }
    }

    /// A target in a new batch with one file of these bytes.
    pub(super) async fn batch(&self, writer: &mut Writer, content: Content, bytes: &str) -> Target {
        let batch = writer.begin_batch(&BatchDraft { area: self.area, content }).await.unwrap();
        let file = writer.add_file(batch, &file(bytes)).await.unwrap();
        Target { area: self.area, source: Some((batch, file)) }
    }
}

/// An area of that name.
pub(super) fn area(name: &str) -> AreaDraft {
    AreaDraft {
        name: name.to_owned(),
        time_zone: "America/Phoenix".to_owned(),
        emergency_number: "911".to_owned(),
        keep_distance: Some(Length::metres(5.0).unwrap()),
    }
}

/// A file of these bytes.
pub(super) fn file(bytes: &str) -> FileDraft {
    FileDraft {
        name: "rows.csv".to_owned(),
        format: FileFormat::Csv,
        encoding: "utf-8".to_owned(),
        n_bytes: bytes.len() as u64,
        blake3: blake3::hash(bytes.as_bytes()).to_hex().to_string(),
        mapping: vec![("Species".to_owned(), "scientificName".to_owned())],
    }
}

pub(super) fn at(lon: f64, lat: f64) -> LonLat {
    LonLat::new(lon, lat).unwrap()
}

/// Numbers a list of drafts from row 2, as in a file with a header.
pub(super) fn rows<T>(drafts: impl IntoIterator<Item = T>) -> Vec<(u64, T)> {
    (2..).zip(drafts).collect()
}

/// An encounter of which only what figures need is known.
pub(super) fn plain_encounter(occurrence_id: &str) -> EncounterDraft {
    EncounterDraft {
        occurrence_id: occurrence_id.to_owned(),
        effort_kind: EffortKind::Report,
        time: EventTime {
            date: EventDate::Day(Date::constant(2024, 5, 17)),
            minute_of_day: Some(615),
            instant_s: Some(1_715_966_100),
        },
        position: Some(RecordedPosition {
            position: at(-111.123_456_789_012_3, 34.198_765_432_109_8),
            coordinate_uncertainty: Some(Length::metres(7.3).unwrap()),
            meaning: UncertaintyMeaning::Radius68,
            is_generalised: false,
        }),
        scientific_name: "Crotalus atrox".to_owned(),
        verification_status: VerificationStatus::Unverified,
        organism_id: String::new(),
        individual_count: Some(1),
        event_id: String::new(),
        approaches: Vec::new(),
        details: EncounterDetails::default(),
        outcome: None,
    }
}

/// An encounter of which everything is known.
pub(super) fn full_encounter(occurrence_id: &str) -> EncounterDraft {
    EncounterDraft {
        organism_id: "snake-7".to_owned(),
        event_id: "walk-1".to_owned(),
        approaches: vec![trial(), passing()],
        details: full_details(),
        outcome: Some(Outcome::NoInjury),
        ..plain_encounter(occurrence_id)
    }
}

fn trial() -> Approach {
    let reaction = |term: &str, latency_s: Option<f64>| Reaction {
        term: term.to_owned(),
        latency: latency_s.map(|latency_s| Span::seconds(latency_s).unwrap()),
    };
    Approach {
        contact: Contact::Underfoot,
        closest_distance: Some(Length::ZERO),
        agent: "artificial foot".to_owned(),
        applied_load: Some(Mass::kilograms(4.1).unwrap()),
        duration: Some(Span::seconds(10.0).unwrap()),
        trial: Some(Trial { protocol: "P2".to_owned(), permit: "2024-17".to_owned() }),
        end_of_watch: Some(Span::seconds(60.0).unwrap()),
        reactions: vec![reaction("still", None), reaction("withdrew", Some(0.1 + 0.2))],
    }
}

fn passing() -> Approach {
    Approach {
        contact: Contact::Passed,
        closest_distance: None,
        agent: String::new(),
        applied_load: None,
        duration: None,
        trial: None,
        end_of_watch: None,
        reactions: Vec::new(),
    }
}

fn full_details() -> EncounterDetails {
    let text = |text: &str| text.to_owned();
    let celsius = |celsius: f64| Some(Temperature::celsius(celsius).unwrap());
    EncounterDetails {
        parent_event_id: text("season-3"),
        verbatim_event_date: text("17 May 2024, 10.15"),
        verbatim_coordinates: text("34° 11' 55.6\" N"),
        identified_by: text("A. Observer"),
        identification_qualifier: text("cf."),
        life_stage: text("adult"),
        sex: text("female"),
        reproductive_condition: text("gravid"),
        behavior: text("basking"),
        recorded_by: text("A. Observer"),
        sampling_protocol: text("visual"),
        occurrence_remarks: text("beside the \"log\""),
        data_generalizations: text("none"),
        information_withheld: text("den"),
        cue: Some(Cue::Heard),
        distance_first_noticed: Some(Length::metres(3.4).unwrap()),
        distance_first_reaction: Some(Length::metres(2.1).unwrap()),
        posture_before: text("coiled"),
        cover: text("rock"),
        substrate: text("sand"),
        length_class: text("60-90 cm"),
        air_temperature: celsius(27.3),
        ground_temperature: celsius(31.7),
        body_temperature: celsius(29.9),
        n_people: Some(2),
        n_dogs: Some(1),
        footwear: text("boots"),
        is_alive: Some(true),
        other: vec![(text("Moon"), text("full"))],
    }
}
