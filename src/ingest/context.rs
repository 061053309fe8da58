//! What is known before a file is read.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::batch::Content;
use crate::domain::encounter::EffortKind;
use crate::domain::geography::LonLat;
use crate::ingest::error::FileError;
use crate::ingest::field;
use crate::ingest::field::Field;

/// How far beyond the trails records may lie, degrees.
const MARGIN_DEG: f64 = 1.0;

/// The largest file taken unless said otherwise, bytes.
const MAX_BYTES: u64 = 2 << 30;

/// The order of day and month in dates of numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DayOrder {
    /// Not known: a date that can be read both ways is refused.
    Unknown,
    /// Day, month, year.
    DayFirst,
    /// Month, day, year.
    MonthFirst,
}

impl DayOrder {
    /// What the report of a file calls its order of day and month.
    pub const NAME: &'static str = "day and month in dates of numbers";

    /// The order in words; none where it is not known.
    pub fn words(self) -> Option<&'static str> {
        match self {
            Self::Unknown => None,
            Self::DayFirst => Some("day first, as other rows of the file show"),
            Self::MonthFirst => Some("month first, as other rows of the file show"),
        }
    }

    /// The order that the report of a file names, [`DayOrder::Unknown`] where it names none: for a row of it that is mended
    /// later.
    pub fn of_report(mapping: &[(String, String)]) -> Self {
        let is_named = |order: &Self| {
            mapping.iter().any(|(name, words)| name == Self::NAME && Some(words.as_str()) == order.words())
        };
        [Self::DayFirst, Self::MonthFirst].into_iter().find(is_named).unwrap_or(Self::Unknown)
    }
}

/// What is known of the area that a file is for.
#[derive(Debug, Clone)]
pub struct Context {
    /// The area's zone: local dates and times are in it.
    pub(crate) zone: TimeZone,
    /// Today, in the area's zone: nothing happened after it.
    pub(crate) today: Date,
    /// The species the area lists; empty when it lists none, and then any name is taken.
    pub(crate) species: Vec<String>,
    /// West, south, east, north of the trails with a margin, where there are trails that do not cross the antimeridian.
    pub(crate) bounds: Option<[f64; 4]>,
    /// The order of day and month.
    pub(crate) day_order: DayOrder,
    /// The effort kind of encounters that do not say theirs; none when they must.
    pub(crate) effort_kind: Option<EffortKind>,
    /// The largest file taken, bytes.
    pub(crate) max_bytes: u64,
    /// Who brings the rows in, where that one must not find out what others did.
    pub(crate) author: Option<String>,
    /// Which header is which field, where that was said: headers without case, spaces and punctuation.
    mapping: Vec<(String, Field)>,
}

impl Context {
    /// What is known of an area. An unknown zone is taken as UTC; `trails` are positions of its trails.
    pub fn new(
        time_zone: &str,
        today: Date,
        species: Vec<String>,
        trails: impl Iterator<Item = LonLat>,
    ) -> Self {
        let mut bounds: Option<[f64; 4]> = None;
        for at in trails {
            let (lon, lat) = (at.lon(), at.lat());
            bounds = Some(match bounds {
                None => [lon, lat, lon, lat],
                Some([w, s, e, n]) => [w.min(lon), s.min(lat), e.max(lon), n.max(lat)],
            });
        }
        let bounds = bounds.filter(|[w, _, e, _]| e - w < 180.0);
        Self {
            zone: TimeZone::get(time_zone).unwrap_or(TimeZone::UTC),
            today,
            species,
            bounds: bounds
                .map(|[w, s, e, n]| [w - MARGIN_DEG, s - MARGIN_DEG, e + MARGIN_DEG, n + MARGIN_DEG]),
            day_order: DayOrder::Unknown,
            effort_kind: None,
            max_bytes: MAX_BYTES,
            author: None,
            mapping: Vec::new(),
        }
    }

    /// The same, with the order of day and month known.
    pub fn with_day_order(self, day_order: DayOrder) -> Self {
        Self { day_order, ..self }
    }

    /// The same, with an effort kind for encounters that do not say theirs.
    pub fn with_effort_kind(self, effort_kind: EffortKind) -> Self {
        Self { effort_kind: Some(effort_kind), ..self }
    }

    /// The same, for rows of somebody who must not find out what others brought in: identifiers that are made of the content
    /// of a row differ from theirs then.
    pub fn with_author(self, author: Option<&str>) -> Self {
        Self { author: author.map(str::to_owned), ..self }
    }

    /// The same, with another limit on the size of a file, which is 2 GiB.
    pub fn with_max_bytes(self, max_bytes: u64) -> Self {
        Self { max_bytes, ..self }
    }

    /// The same, with headers that stand for fields; a header named here is read as nothing else, and a field named here from
    /// no other header.
    ///
    /// # Errors
    /// [`FileError::NoSuchField`] when the content has no field of that name.
    pub fn with_mapping(self, content: Content, mapping: &[(String, String)]) -> Result<Self, FileError> {
        let known = field::fields_of(content);
        let named = |name: &str| known.iter().find(|field| field.name().eq_ignore_ascii_case(name)).copied();
        let missing = |name: &str| FileError::NoSuchField {
            field: name.to_owned(),
            content: content.term(),
            known: known.iter().map(|field| field.name()).collect::<Vec<_>>().join(", "),
        };
        let mapping: Result<Vec<_>, FileError> = mapping
            .iter()
            .map(|(header, name)| Ok((field::plain(header), named(name).ok_or_else(|| missing(name))?)))
            .collect();
        Ok(Self { mapping: mapping?, ..self })
    }

    /// The field that a header stands for.
    pub(crate) fn field_of(&self, content: Content, header: &str) -> Option<Field> {
        if self.mapping.is_empty() {
            return field::field_of(content, header);
        }
        let wanted = field::plain(header);
        if let Some((_, field)) = self.mapping.iter().find(|(known, _)| *known == wanted) {
            return Some(*field);
        }
        field::field_of(content, header)
            .filter(|field| self.mapping.iter().all(|(_, mapped)| mapped != field))
    }

    /// Whether a position lies where the area's records do; true when that is not known.
    pub(crate) fn is_near(&self, lon: f64, lat: f64) -> bool {
        self.bounds.is_none_or(|[w, s, e, n]| (w..=e).contains(&lon) && (s..=n).contains(&lat))
    }
}

#[cfg(test)]
pub(crate) mod testing {
    use super::*;

    /// An area in a zone with clock changes, with one trail.
    pub(crate) fn context() -> Context {
        let trail = [LonLat::new(-109.4, 37.6).unwrap(), LonLat::new(-109.3, 37.7).unwrap()];
        let species = vec!["Crotalus viridis".to_owned(), "Pituophis catenifer".to_owned()];
        Context::new("America/Denver", jiff::civil::date(2026, 1, 15), species, trail.into_iter())
    }
}

#[cfg(test)]
mod tests {
    use super::testing::context;
    use super::*;

    #[test]
    fn a_mapping_goes_before_the_spellings() {
        let pairs = [("Northing (deg)".to_owned(), "decimalLatitude".to_owned())];
        let context = context().with_mapping(Content::Encounters, &pairs).unwrap();
        let check =
            |header, field| assert_eq!(context.field_of(Content::Encounters, header), field, "{header}");
        check("northing deg", Some(Field::DecimalLatitude));
        check("lat", None);
        check("lon", Some(Field::DecimalLongitude));
    }

    #[test]
    fn a_mapping_to_no_field_is_refused() {
        let pairs = [("a".to_owned(), "altitude".to_owned())];
        let error = context().with_mapping(Content::Encounters, &pairs).unwrap_err();
        assert!(error.to_string().contains("no field altitude"), "{error}");
    }
}
