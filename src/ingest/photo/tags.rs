//! What a camera wrote of where and when: the few fields of EXIF that are read (CIPA DC-008, version 2.32).

use ::exif::Exif;
use ::exif::In;
use ::exif::Rational;
use ::exif::Reader;
use ::exif::Tag;
use ::exif::Value;

/// The fields that are read; none where the file has none. Who took the photo and with which device is not among them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Tags {
    pub(super) latitude: Option<Angle>,
    pub(super) longitude: Option<Angle>,
    /// `GPSStatus`: A while measuring, V where there was no fix.
    pub(super) status: String,
    /// `GPSMapDatum`.
    pub(super) datum: String,
    /// `GPSHPositioningError`, metres; none where it is not above zero.
    pub(super) error_m: Option<f64>,
    /// `GPSDOP`, of the plane in two dimensions, of space in three; none where it is not above zero.
    pub(super) dilution: Option<f64>,
    /// `DateTimeOriginal`, as written.
    pub(super) taken: String,
    /// `SubSecTimeOriginal`, as written.
    pub(super) taken_fraction: String,
    /// `OffsetTimeOriginal`, as written.
    pub(super) taken_offset: String,
    /// `GPSDateStamp`, as written.
    pub(super) fix_date: String,
    /// `GPSTimeStamp`, seconds after midnight, UTC.
    pub(super) fix_second: Option<f64>,
}

/// Degrees, minutes and seconds as written, with the letter of the hemisphere.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Angle {
    /// Numerators and denominators.
    parts: [(u32, u32); 3],
    /// N, S, E or W; empty where it is missing.
    pub(super) hemisphere: String,
}

/// How much of a degree a degree, a minute and a second are.
const UNITS_DEG: [f64; 3] = [1.0, 1.0 / 60.0, 1.0 / 3600.0];

impl Angle {
    /// The size in degrees, never negative; none where a part is divided by zero or a minute or second is 60 or more.
    pub(super) fn degrees(&self) -> Option<f64> {
        let mut degrees = 0.0;
        for (idx, ((numerator, denominator), unit_deg)) in self.parts.iter().zip(UNITS_DEG).enumerate() {
            // Some cameras write a part that they leave out as 0/0.
            if *denominator == 0 {
                if *numerator == 0 && idx > 0 {
                    continue;
                }
                return None;
            }
            let value = f64::from(*numerator) / f64::from(*denominator);
            if idx > 0 && value >= 60.0 {
                return None;
            }
            degrees += value * unit_deg;
        }
        Some(degrees)
    }

    /// The step in which it is written, degrees: of the finest part that says anything.
    pub(super) fn step_deg(&self) -> f64 {
        let says_something = |part: &(u32, u32)| part.1 > 1 || (part.1 == 1 && part.0 > 0);
        let told = self.parts.iter().zip(UNITS_DEG).filter(|(part, _)| says_something(part));
        let steps = told.map(|((_, denominator), unit_deg)| unit_deg / f64::from(*denominator));
        steps.fold(UNITS_DEG[0], f64::min)
    }

    /// As written, for whoever has to mend it.
    pub(super) fn words(&self) -> String {
        let parts = self.parts.map(|(numerator, denominator)| format!("{numerator}/{denominator}"));
        format!("{} {}", parts.join(" "), self.hemisphere).trim().to_owned()
    }
}

/// Reads the fields. What is malformed beside them is passed over; of what cannot be read at all nothing comes back.
pub(super) fn read(exif: &[u8]) -> Tags {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader.read_raw(exif.to_vec()).or_else(|error| error.distill_partial_result(|_| ()));
    let Ok(exif) = read else { return Tags::default() };
    let text = |tag| text(&exif, tag);
    let one = |tag| rationals(&exif, tag).and_then(|values| values.first().and_then(ratio));
    let above_zero = |tag| one(tag).filter(|value| *value > 0.0);
    Tags {
        latitude: angle(&exif, Tag::GPSLatitude, Tag::GPSLatitudeRef),
        longitude: angle(&exif, Tag::GPSLongitude, Tag::GPSLongitudeRef),
        status: text(Tag::GPSStatus),
        datum: text(Tag::GPSMapDatum),
        error_m: above_zero(Tag::GPSHPositioningError),
        dilution: above_zero(Tag::GPSDOP),
        taken: text(Tag::DateTimeOriginal),
        taken_fraction: text(Tag::SubSecTimeOriginal),
        taken_offset: text(Tag::OffsetTimeOriginal),
        fix_date: text(Tag::GPSDateStamp),
        fix_second: fix_second(&exif),
    }
}

/// Text without what is no letter, digit or sign of ASCII, which is all that these fields may hold.
fn text(exif: &Exif, tag: Tag) -> String {
    let Some(Value::Ascii(parts)) = exif.get_field(tag, In::PRIMARY).map(|field| &field.value) else {
        return String::new();
    };
    let bytes = parts.first().map(Vec::as_slice).unwrap_or_default();
    let visible = bytes.iter().map(|byte| if (b' '..=b'~').contains(byte) { char::from(*byte) } else { '?' });
    visible.take(64).collect::<String>().trim().to_owned()
}

fn rationals(exif: &Exif, tag: Tag) -> Option<&[Rational]> {
    match exif.get_field(tag, In::PRIMARY).map(|field| &field.value) {
        Some(Value::Rational(values)) => Some(values),
        _ => None,
    }
}

fn ratio(value: &Rational) -> Option<f64> {
    (value.denom != 0).then(|| f64::from(value.num) / f64::from(value.denom))
}

fn angle(exif: &Exif, tag: Tag, reference: Tag) -> Option<Angle> {
    let values = rationals(exif, tag)?;
    let mut parts = [(0, 0); 3];
    for (part, value) in parts.iter_mut().zip(values) {
        *part = (value.num, value.denom);
    }
    Some(Angle { parts, hemisphere: text(exif, reference).to_ascii_uppercase() })
}

fn fix_second(exif: &Exif) -> Option<f64> {
    let &[hours, minutes, seconds] = rationals(exif, Tag::GPSTimeStamp)? else { return None };
    let (hours, minutes, seconds) = (ratio(&hours)?, ratio(&minutes)?, ratio(&seconds)?);
    // A leap second is the 61st of its minute.
    let is_time = hours < 24.0 && minutes < 60.0 && seconds < 61.0;
    is_time.then_some(hours * 3600.0 + minutes * 60.0 + seconds)
}
