//! The fields of all contents, with the spellings under which headers know them.

use crate::domain::batch::Content;

macro_rules! fields {
    ($($variant:ident => $name:literal [$($alias:literal),*];)+) => {
        /// A field.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(crate) enum Field {
            $($variant),+
        }

        impl Field {
            pub(crate) const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Its Darwin Core or Coilway name.
            pub(crate) fn name(self) -> &'static str {
                match self {
                    $(Self::$variant => $name),+
                }
            }

            fn aliases(self) -> &'static [&'static str] {
                match self {
                    $(Self::$variant => &[$($alias),*]),+
                }
            }
        }
    };
}

// Spellings are compared without case, spaces and punctuation.
fields! {
    OccurrenceId => "occurrenceID" ["id", "record", "recordid", "recordnumber"];
    EventId => "eventID" ["walk", "walkid", "survey"];
    ParentEventId => "parentEventID" [];
    EffortKind => "effortKind" ["effort", "kindofeffort"];
    EventDate => "eventDate" ["date", "datetime", "observedon"];
    EventTime => "eventTime" ["time", "timeofday"];
    Year => "year" [];
    Month => "month" [];
    Day => "day" [];
    DecimalLatitude => "decimalLatitude" ["latitude", "lat", "y"];
    DecimalLongitude => "decimalLongitude" ["longitude", "long", "lon", "lng", "x"];
    CoordinateUncertainty => "coordinateUncertaintyInMeters" ["accuracy", "uncertainty", "gpsaccuracy", "precision"];
    UncertaintyMeaning => "uncertaintyMeaning" [];
    Generalised => "generalised" ["generalized"];
    ScientificName => "scientificName" ["species", "taxon"];
    IdentifiedBy => "identifiedBy" [];
    IdentificationQualifier => "identificationQualifier" [];
    VerificationStatus => "identificationVerificationStatus" ["verificationstatus", "review"];
    OrganismId => "organismID" ["snake", "snakeid", "mark"];
    IndividualCount => "individualCount" ["count", "numberofsnakes"];
    LifeStage => "lifeStage" ["age", "ageclass"];
    Sex => "sex" [];
    ReproductiveCondition => "reproductiveCondition" [];
    Behavior => "behavior" ["behaviour"];
    RecordedBy => "recordedBy" ["observer", "observers", "recorder"];
    SamplingProtocol => "samplingProtocol" ["protocol"];
    OccurrenceRemarks => "occurrenceRemarks" ["remarks", "notes", "comments", "comment", "desc"];
    DataGeneralizations => "dataGeneralizations" [];
    InformationWithheld => "informationWithheld" [];
    Cue => "cue" [];
    FirstNoticed => "distanceFirstNoticedInMeters" ["distancefirstnoticed"];
    FirstReaction => "distanceFirstReactionInMeters" ["distancefirstreaction"];
    PostureBefore => "postureBefore" ["posture"];
    Cover => "cover" [];
    Substrate => "substrate" [];
    LengthClass => "lengthClass" [];
    AirTemperature => "airTemperatureInCelsius" ["airtemperature"];
    GroundTemperature => "groundTemperatureInCelsius" ["groundtemperature"];
    BodyTemperature => "bodyTemperatureInCelsius" ["bodytemperature"];
    MaxTemperature => "maxTemperatureInCelsius" ["maxtemperature", "tmax", "max", "maximumtemperature"];
    NumberOfPeople => "numberOfPeople" ["people", "partysize"];
    NumberOfDogs => "numberOfDogs" ["dogs"];
    Footwear => "footwear" [];
    Alive => "alive" [];
    Outcome => "outcome" [];
    ApproachNumber => "approachNumber" ["approach"];
    Contact => "contact" [];
    ClosestDistance => "closestDistanceInMeters" ["closestdistance"];
    Agent => "agent" [];
    AppliedLoad => "appliedLoadInKilograms" ["appliedload"];
    Duration => "durationInSeconds" ["duration"];
    TrialProtocol => "trialProtocol" ["trial"];
    Permit => "permit" [];
    EndOfWatch => "endOfWatchInSeconds" ["endofwatch"];
    Reactions => "reactions" ["reaction", "response"];
    Name => "name" ["trail", "title"];
    Habitat => "habitat" [];
    Footprint => "footprintWKT" ["wkt", "track", "geometry"];
    TrackTimes => "trackTimes" ["tracktime", "times"];
    RelativeVolume => "relativeVolume" ["volume", "parkingplaces"];
    Kind => "kind" ["type"];
    Radius => "radiusInMeters" ["radius"];
    Trailhead => "trailhead" [];
    Trail => "trail" ["trailname"];
    VisitsPerDay => "visitsPerDay" ["visits"];
    Buffer => "bufferInMeters" ["buffer"];
    Reason => "reason" [];
    ReviewDate => "reviewDate" [];
    VernacularName => "vernacularName" ["commonname"];
    Venomous => "venomous" [];
    SensitivityCategory => "sensitivityCategory" ["category"];
    SensitivityReason => "sensitivityReason" [];
    Counter => "counter" ["devicename", "site"];
    Device => "device" [];
    From => "from" ["since"];
    Until => "until" ["to"];
    Start => "start" ["starttime", "begin"];
    End => "end" ["endtime"];
    Minutes => "minutes" ["lengthminutes", "binminutes"];
    CountIn => "in" ["countin", "count"];
    CountOut => "out" ["countout"];
    ManualCount => "manualCount" ["manual"];
    DeviceCount => "deviceCount" [];
    MeanWalkers => "meanWalkers" ["meanpartysize"];
    StandardError => "standardError" ["se"];
    Parties => "parties" ["n"];
    Purpose => "purpose" [];
    Standing => "standing" [];
    PermitNeeded => "permitNeeded" [];
    OnRock => "onRock" ["rock"];
    Heritage => "heritage" [];
    Protocol => "protocol" ["observerprotocol"];
    FirstObserver => "firstObserver" ["first", "leader"];
    SecondObserver => "secondObserver" ["second", "follower"];
    FirstObserverKind => "firstObserverKind" ["firstkind", "leaderkind"];
    SecondObserverKind => "secondObserverKind" ["secondkind", "followerkind"];
    ByFirst => "byFirst" ["seenbyfirst"];
    BySecond => "bySecond" ["seenbysecond"];
    Up => "up" ["putup", "from", "since"];
    Down => "down" ["takendown", "until", "to"];
    Sign => "sign" ["signname", "name"];
    InspectedAt => "inspectedAt" ["inspected", "date", "when"];
    Condition => "condition" ["state"];
    Locality => "locality" ["place", "placename", "sign", "signname", "name"];
    PartiesPassed => "partiesPassed" ["passed", "parties", "n"];
    PartiesRead => "partiesRead" ["read", "readthesign"];
    PartiesDidAsAsked => "partiesDidAsAsked" ["didasasked", "did", "heeded"];
    Asked => "asked" ["whatwasasked", "behavior", "behaviour"];
    Watcher => "watcher" ["watcherseen", "observerseen"];
    EventRemarks => "eventRemarks" ["remarks", "notes", "comments", "comment", "occurrenceRemarks"];
}

/// A header without case, spaces and punctuation.
pub(crate) fn plain(header: &str) -> String {
    header.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// The field that a header stands for in a content.
pub(crate) fn field_of(content: Content, header: &str) -> Option<Field> {
    let wanted = plain(header);
    let known = fields_of(content);
    let by_name = known.iter().find(|field| plain(field.name()) == wanted);
    let by_alias = || known.iter().find(|field| field.aliases().iter().any(|alias| plain(alias) == wanted));
    by_name.or_else(by_alias).copied()
}

/// The fields of a content.
pub(crate) fn fields_of(content: Content) -> &'static [Field] {
    use Field::*;
    match content {
        Content::Trails => &[Name, Habitat, Footprint],
        Content::Trailheads => &[Name, DecimalLatitude, DecimalLongitude, RelativeVolume],
        Content::Places => {
            &[Name, Kind, DecimalLatitude, DecimalLongitude, Radius, Trailhead, VisitsPerDay, Footprint]
        }
        Content::SensitivePlaces => &[Name, DecimalLatitude, DecimalLongitude, Buffer, Reason, ReviewDate],
        Content::Species => {
            &[ScientificName, VernacularName, Venomous, SensitivityCategory, SensitivityReason, ReviewDate]
        }
        Content::Counters => &[Counter, Device, DecimalLatitude, DecimalLongitude, From, Until],
        Content::Readings => &[Counter, Start, Minutes, CountIn, CountOut],
        Content::Calibrations => &[Counter, Start, Minutes, ManualCount, DeviceCount],
        Content::PartySizes => &[Trailhead, Trail, From, Until, MeanWalkers, StandardError, Parties],
        Content::Closures => &[Name, From, Until, Reason],
        Content::DailyWeather => &[EventDate, Day, MaxTemperature],
        Content::Walks => &[
            EventId,
            ParentEventId,
            Purpose,
            RecordedBy,
            Start,
            End,
            SamplingProtocol,
            Footprint,
            TrackTimes,
        ],
        Content::Signs => {
            &[Name, DecimalLatitude, DecimalLongitude, Standing, PermitNeeded, OnRock, Heritage, Reason]
        }
        Content::DoubleObserver => &[
            EventId,
            Protocol,
            FirstObserver,
            SecondObserver,
            FirstObserverKind,
            SecondObserverKind,
            OccurrenceId,
            ByFirst,
            BySecond,
        ],
        Content::SignsInPlace => &[Name, DecimalLatitude, DecimalLongitude, Kind, Up, Down],
        Content::SignInspections => &[Sign, InspectedAt, RecordedBy, Condition, OccurrenceRemarks],
        Content::SignWatches => &[
            EventId,
            Locality,
            DecimalLatitude,
            DecimalLongitude,
            Start,
            Minutes,
            PartiesPassed,
            PartiesRead,
            PartiesDidAsAsked,
            Asked,
            Watcher,
            RecordedBy,
            EventRemarks,
        ],
        Content::Encounters | Content::Form | Content::Photos => ENCOUNTER,
    }
}

/// Those of which one is enough where a field is missing: a date may come in parts.
pub(crate) fn made_up_for_by(field: Field) -> &'static [Field] {
    match field {
        Field::EventDate => &[Field::Year, Field::Day],
        _ => &[],
    }
}

/// The fields without which a content cannot be read; for encounters others make up for a missing one.
pub(crate) fn required(content: Content) -> &'static [Field] {
    use Field::*;
    match content {
        Content::Trails => &[Name],
        Content::Trailheads | Content::Signs | Content::SensitivePlaces => {
            &[Name, DecimalLatitude, DecimalLongitude]
        }
        Content::Places => &[Name, Kind, DecimalLatitude, DecimalLongitude],
        Content::Species => &[ScientificName, Venomous],
        Content::Counters => &[Counter, DecimalLatitude, DecimalLongitude],
        Content::Readings => &[Counter, Start, Minutes, CountIn],
        Content::Calibrations => &[Counter, Start, Minutes, ManualCount, DeviceCount],
        Content::PartySizes => &[MeanWalkers, StandardError],
        Content::Closures => &[Name, From],
        Content::DailyWeather => &[EventDate, MaxTemperature],
        Content::Walks => &[EventId, Purpose, Start],
        Content::DoubleObserver => &[EventId, Protocol, FirstObserver, SecondObserver],
        Content::SignsInPlace => &[Name, DecimalLatitude, DecimalLongitude, Up],
        Content::SignInspections => &[Sign, InspectedAt, Condition],
        Content::SignWatches => &[
            EventId,
            Locality,
            DecimalLatitude,
            DecimalLongitude,
            Start,
            Minutes,
            PartiesPassed,
            PartiesDidAsAsked,
            Asked,
            Watcher,
        ],
        Content::Encounters | Content::Form | Content::Photos => {
            &[EffortKind, EventDate, DecimalLatitude, DecimalLongitude]
        }
    }
}

const ENCOUNTER: &[Field] = {
    use Field::*;
    &[
        OccurrenceId,
        EventId,
        ParentEventId,
        EffortKind,
        EventDate,
        EventTime,
        Year,
        Month,
        Day,
        DecimalLatitude,
        DecimalLongitude,
        CoordinateUncertainty,
        UncertaintyMeaning,
        Generalised,
        ScientificName,
        IdentifiedBy,
        IdentificationQualifier,
        VerificationStatus,
        OrganismId,
        IndividualCount,
        LifeStage,
        Sex,
        ReproductiveCondition,
        Behavior,
        RecordedBy,
        SamplingProtocol,
        OccurrenceRemarks,
        DataGeneralizations,
        InformationWithheld,
        Cue,
        FirstNoticed,
        FirstReaction,
        PostureBefore,
        Cover,
        Substrate,
        LengthClass,
        AirTemperature,
        GroundTemperature,
        BodyTemperature,
        NumberOfPeople,
        NumberOfDogs,
        Footwear,
        Alive,
        Outcome,
        ApproachNumber,
        Contact,
        ClosestDistance,
        Agent,
        AppliedLoad,
        Duration,
        TrialProtocol,
        Permit,
        EndOfWatch,
        Reactions,
    ]
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_spellings_are_understood() {
        let check = |content, header, field| assert_eq!(field_of(content, header), field, "{header}");
        check(Content::Encounters, "Decimal Latitude", Some(Field::DecimalLatitude));
        check(Content::Encounters, "LAT", Some(Field::DecimalLatitude));
        check(Content::Encounters, "coordinate_uncertainty_in_meters", Some(Field::CoordinateUncertainty));
        check(Content::Encounters, "count", Some(Field::IndividualCount));
        check(Content::Readings, "count", Some(Field::CountIn));
        check(Content::Encounters, "weather", None);
        check(Content::PartySizes, "Trail name", Some(Field::Trail));
        check(Content::Trails, "trail", Some(Field::Name));
        check(Content::Closures, "Trail", Some(Field::Name));
        check(Content::Closures, "to", Some(Field::Until));
    }

    #[test]
    fn every_required_field_belongs_to_its_content() {
        for content in Content::ALL {
            for field in required(*content) {
                assert!(fields_of(*content).contains(field), "{content}: {}", field.name());
            }
        }
        assert_eq!(Field::ALL.len(), Field::EventRemarks as usize + 1);
    }
}
