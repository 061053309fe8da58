//! From what a camera wrote to an encounter: as a row of Darwin Core fields, read like any other row.
//!
//! Position: `coordinateUncertaintyInMeters` is what the receiver gives as its error, else the dilution of precision times
//! [`RANGE_ERROR_M`]; to both the half diagonal of the step in which the coordinates are written is added.
//!
//! Time: with an offset from UTC it is that instant; without one the satellites' time tells the offset; without either it is
//! local to the area.

use jiff::SignedDuration;
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::Offset;

use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::photo::USUAL_RADIUS_M;
use crate::ingest::Draft;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::photo::tags;
use crate::ingest::photo::tags::Angle;
use crate::ingest::photo::tags::Tags;
use crate::ingest::row::Pairs;
use crate::ingest::row::Raw;
use crate::ingest::row::Row;
use crate::ingest::rows;

/// The error of one range, one standard deviation, metres: what the dilution of precision is multiplied with. Common practice
/// for one frequency without corrections, no source.
const RANGE_ERROR_M: f64 = 5.0;
/// A degree of a great circle, metres (mean radius 6,371,008.8 m).
const METRES_A_DEGREE: f64 = 111_195.08;
/// A step coarser than this says something of its own where no accuracy is given, metres.
const FINE_M: f64 = 5.0;
/// A fix older than this, or a clock that is off by more, is of another moment, seconds. Common practice, no source.
const OLDEST_FIX_S: f64 = 300.0;
/// Offsets from UTC are whole quarters of an hour, at most 14 hours (IANA time zone database).
const QUARTER_S: f64 = 900.0;
const LARGEST_OFFSET_S: f64 = 14.0 * 3600.0;

/// Names of the two columns that say how precise position and time are: Darwin Core terms that no field of ours takes.
const POSITION_REMARKS: &str = "georeferenceRemarks";
const TIME_REMARKS: &str = "eventRemarks";

/// Reads an encounter from the EXIF of a photo, with the row that it was read as.
#[expect(clippy::result_large_err, reason = "called once a file")]
pub(super) fn encounter(
    exif: Option<&[u8]>,
    source_blake3: &str,
    context: &Context,
) -> Result<(EncounterDraft, Raw), RowError> {
    let tags = exif.map(tags::read).unwrap_or_default();
    let usual = context.effort_kind.unwrap_or(EffortKind::Chance);
    let mut pairs = Raw::new();
    let mut put = |field: Field, value: String| pairs.push((field.name().to_owned(), value));
    put(Field::OccurrenceId, format!("photo:{}", source_blake3.get(..24).unwrap_or_default()));
    put(Field::EffortKind, usual.term().to_owned());
    let position = position(&tags);
    let time = time(&tags);
    let mut remarks = Vec::new();
    match &position {
        Ok(position) => {
            put(Field::DecimalLatitude, decimal(position.lat));
            put(Field::DecimalLongitude, decimal(position.lon));
            if let Some((metres, meaning)) = position.accuracy {
                put(Field::CoordinateUncertainty, format!("{metres:.1}"));
                put(Field::UncertaintyMeaning, meaning.term().to_owned());
            }
            remarks.push((POSITION_REMARKS, position.remarks.clone()));
        }
        // As written, so that it can be mended.
        Err(_) => {
            put(Field::DecimalLatitude, tags.latitude.as_ref().map(Angle::words).unwrap_or_default());
            put(Field::DecimalLongitude, tags.longitude.as_ref().map(Angle::words).unwrap_or_default());
        }
    }
    match &time {
        Ok(time) => {
            put(Field::EventDate, time.text.clone());
            remarks.push((TIME_REMARKS, time.remarks.clone()));
        }
        Err(problem) => put(Field::EventDate, problem.value.clone()),
    }
    pairs.extend(remarks.into_iter().map(|(name, words)| (name.to_owned(), words)));
    let row = Pairs::new(Content::Photos, 1, pairs, context);
    let parsed = position.and(time.map(|_| ())).and_then(|()| rows::parse(Content::Photos, &row, context));
    match parsed {
        Ok(Draft::Encounter(draft)) => Ok((draft, row.raw())),
        Ok(_) => Err(Problem::new("photo", "", "this is no encounter", "").into_row_error(&row)),
        Err(problem) => Err(problem.into_row_error(&row)),
    }
}

struct Position {
    lat: f64,
    lon: f64,
    accuracy: Option<(f64, UncertaintyMeaning)>,
    remarks: String,
}

/// Nine decimals are a tenth of a millimetre.
fn decimal(degrees: f64) -> String {
    let text = format!("{degrees:.9}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn position(tags: &Tags) -> Result<Position, Problem> {
    let (lat_name, lon_name) = (Field::DecimalLatitude.name(), Field::DecimalLongitude.name());
    let (Some(latitude), Some(longitude)) = (&tags.latitude, &tags.longitude) else {
        let missing = if tags.latitude.is_none() { lat_name } else { lon_name };
        let hint = "add the photo on the page of its encounter, or enter the position";
        return Err(Problem::new(missing, "", "the photo does not say where it was taken", hint));
    };
    if tags.status.eq_ignore_ascii_case("V") {
        let reason = "the receiver had no fix (GPSStatus V)";
        return Err(Problem::new(lat_name, &latitude.words(), reason, "enter the position"));
    }
    if !is_wgs_84(&tags.datum) {
        let reason = format!("the position is given on the datum {}, not on WGS 84", tags.datum);
        return Err(Problem::new(lat_name, &latitude.words(), reason, "enter the position in WGS 84"));
    }
    let lat = signed(lat_name, latitude, ["N", "S"])?;
    let lon = signed(lon_name, longitude, ["E", "W"])?;
    // A camera writes both in the same way: the finer of the two steps is the one it uses.
    let step_deg = latitude.step_deg().min(longitude.step_deg());
    let rounding_m = rounding_m(step_deg, lat);
    let (accuracy, source) = match (tags.error_m, tags.dilution) {
        // The standard names no level; 68 of 100 is the cautious reading.
        (Some(error_m), _) => (
            Some((error_m + rounding_m, UncertaintyMeaning::Radius68)),
            format!("GPSHPositioningError {error_m} m"),
        ),
        // The distance root mean square holds 63 to 68 of 100 (van Diggelen 2007, from memory).
        (None, Some(dilution)) => {
            let metres = dilution * RANGE_ERROR_M + rounding_m;
            (
                Some((metres, UncertaintyMeaning::Radius68)),
                format!("GPSDOP {dilution}, {RANGE_ERROR_M} m a range"),
            )
        }
        (None, None) if rounding_m > FINE_M => {
            let metres = USUAL_RADIUS_M + rounding_m;
            (Some((metres, UncertaintyMeaning::Radius95)), "no accuracy given".to_owned())
        }
        (None, None) => (None, "no accuracy given".to_owned()),
    };
    let remarks = format!("{source}; coordinates written to {rounding_m:.1} m");
    Ok(Position { lat, lon, accuracy, remarks })
}

/// Half the diagonal of one step in both coordinates, metres.
fn rounding_m(step_deg: f64, lat: f64) -> f64 {
    let north_m = step_deg * METRES_A_DEGREE;
    0.5 * north_m.hypot(north_m * lat.to_radians().cos())
}

/// Ways to write WGS 84, and nothing at all, which is what most cameras write.
fn is_wgs_84(datum: &str) -> bool {
    let plain: String = datum.chars().filter(char::is_ascii_alphanumeric).collect();
    plain.is_empty() || ["WGS84", "WGS1984", "EPSG4326"].iter().any(|known| plain.eq_ignore_ascii_case(known))
}

fn signed(field: &str, angle: &Angle, [positive, negative]: [&str; 2]) -> Result<f64, Problem> {
    let hint = "enter the position in decimal degrees, negative in the south and west";
    let degrees = angle.degrees().ok_or_else(|| {
        Problem::new(field, &angle.words(), "these are no degrees, minutes and seconds", hint)
    })?;
    match angle.hemisphere.as_str() {
        letter if letter == positive => Ok(degrees),
        letter if letter == negative => Ok(-degrees),
        _ => {
            let reason = format!("the photo does not say whether this is {positive} or {negative}");
            Err(Problem::new(field, &angle.words(), reason, hint))
        }
    }
}

struct Time {
    text: String,
    remarks: String,
}

fn time(tags: &Tags) -> Result<Time, Problem> {
    let field = Field::EventDate.name();
    let fix = fix(tags);
    let Some(written) = written(&tags.taken) else {
        return match fix {
            Some(at) => Ok(Time { text: at.to_string(), remarks: "time of the satellites' fix".to_owned() }),
            None => {
                let hint = "add the photo on the page of its encounter, or enter the date";
                Err(Problem::new(field, "", "the photo does not say when it was taken", hint))
            }
        };
    };
    let fraction = fraction(&tags.taken_fraction);
    let to_the = if fraction.is_empty() { "to the second" } else { "to a fraction of a second" };
    let Ok(local) = written.parse::<DateTime>() else {
        let reason = "this is no date with a time of day";
        return Err(Problem::new(field, &tags.taken, reason, "enter them as 2024-05-04T09:10"));
    };
    let offset = offset(&tags.taken_offset);
    if offset.is_none() && !tags.taken_offset.is_empty() {
        let value = format!("{} {}", tags.taken, tags.taken_offset);
        return Err(Problem::new(field, &value, "the offset from UTC cannot be read", "enter date and time"));
    }
    let (offset, remarks) = match (offset, fix) {
        (Some(offset), Some(fix)) => {
            agree(tags, apart_s(local, fix) - f64::from(offset.seconds()))?;
            (Some(offset), format!("{to_the}, with its offset from UTC"))
        }
        (Some(offset), None) => (Some(offset), format!("{to_the}, with its offset from UTC")),
        (None, Some(fix)) => {
            let apart_s = apart_s(local, fix);
            let offset_s = (apart_s / QUARTER_S).round() * QUARTER_S;
            if offset_s.abs() > LARGEST_OFFSET_S {
                agree(tags, f64::INFINITY)?;
            }
            agree(tags, apart_s - offset_s)?;
            let offset = Offset::from_seconds(offset_s as i32).ok();
            (offset, format!("{to_the}, its offset from UTC told by the satellites' time"))
        }
        (None, None) => (None, format!("{to_the}, local to the area")),
    };
    let offset = offset.map(offset_text).unwrap_or_default();
    Ok(Time { text: format!("{written}{fraction}{offset}"), remarks })
}

/// "2024:05:04 09:10:07" as "2024-05-04T09:10:07"; none where it is empty or says that it is not known. What is something else
/// is left as it is.
fn written(taken: &str) -> Option<String> {
    let says_nothing = taken.chars().all(|letter| matches!(letter, ' ' | ':' | '0' | '-'));
    if says_nothing {
        return None;
    }
    match taken.split_once(' ') {
        Some((date, time)) if date.matches(':').count() == 2 => {
            Some(format!("{}T{}", date.replace(':', "-"), time.trim()))
        }
        _ => Some(taken.to_owned()),
    }
}

/// ".25" of "25"; empty where there are no digits.
fn fraction(text: &str) -> String {
    let digits: String = text.chars().take_while(char::is_ascii_digit).take(9).collect();
    if digits.is_empty() { digits } else { format!(".{digits}") }
}

/// "+02:00" or "Z".
fn offset(text: &str) -> Option<Offset> {
    if text == "Z" {
        return Some(Offset::UTC);
    }
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let two_digits = |text: &str| (text.len() == 2).then(|| text.parse::<u8>().ok()).flatten();
    let (hours, minutes) = (two_digits(hours)?, two_digits(minutes).filter(|minutes| *minutes < 60)?);
    let seconds = sign * (i32::from(hours) * 3600 + i32::from(minutes) * 60);
    (f64::from(seconds.abs()) <= LARGEST_OFFSET_S).then(|| Offset::from_seconds(seconds).ok()).flatten()
}

fn offset_text(offset: Offset) -> String {
    let seconds = offset.seconds();
    let sign = if seconds < 0 { '-' } else { '+' };
    format!("{sign}{:02}:{:02}", seconds.abs() / 3600, seconds.abs() % 3600 / 60)
}

/// When the satellites were heard, where date and time are both given.
fn fix(tags: &Tags) -> Option<Timestamp> {
    let day: DateTime = format!("{}T00:00:00", tags.fix_date.replace(':', "-")).parse().ok()?;
    let midnight = Offset::UTC.to_timestamp(day).ok()?;
    midnight.checked_add(SignedDuration::from_secs(tags.fix_second? as i64)).ok()
}

/// By how much a local time is ahead of an instant, if it were UTC, seconds.
fn apart_s(local: DateTime, fix: Timestamp) -> f64 {
    Offset::UTC.to_timestamp(local).map_or(f64::INFINITY, |at| at.duration_since(fix).as_secs_f64())
}

/// Refuses a photo whose fix is of another moment.
fn agree(tags: &Tags, apart_s: f64) -> Result<(), Problem> {
    if apart_s.abs() <= OLDEST_FIX_S {
        return Ok(());
    }
    let value = format!("{} {}", tags.taken, tags.taken_offset);
    let reason =
        "the clock of the camera and the time of its position do not agree: one of them is of another moment";
    Err(Problem::new(
        Field::EventDate.name(),
        value.trim(),
        reason,
        "enter date, time and position as they were",
    ))
}
