//! Photos of encounters: pictures drawn anew from what people took, without anything else their cameras wrote.

use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::UncertaintyMeaning;
use crate::domain::geography::LonLat;
use crate::domain::ids::BatchId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::PhotoId;

/// The one media type that photos are kept in.
pub const MEDIA_TYPE: &str = "image/jpeg";
/// Longer sides of a photo are scaled down to this, pixels.
pub const LONGEST_SIDE_PX: u32 = 1600;
/// Longer sides of a thumbnail are scaled down to this, pixels.
pub const THUMBNAIL_SIDE_PX: u32 = 320;

/// Photos farther apart in time than this are of different meetings, seconds. Common practice, no source.
pub const SAME_MEETING_S: i64 = 300;
/// The radius of a position of which no accuracy is known, metres: the example that Darwin Core gives for a GPS reading under
/// good conditions from May 2020 on.
pub const USUAL_RADIUS_M: f64 = 30.0;
/// Radii of the circles that hold 95 and 68 % of a normal error, in standard deviations on each axis: √(−2 ln(1 − p)).
const CIRCLE_95_SIGMAS: f64 = 2.448;
const CIRCLE_68_SIGMAS: f64 = 1.510;
/// Mean radius of the earth, metres (Moritz 2000, Geodetic Reference System 1980, R₁).
const EARTH_RADIUS_M: f64 = 6_371_008.8;

/// A picture as it is kept: a JPEG without metadata.
#[derive(Clone, PartialEq, Eq)]
pub struct Picture {
    /// The whole file.
    pub bytes: Vec<u8>,
    /// The BLAKE3 hash of those bytes, in hexadecimal digits.
    pub blake3: String,
    /// Width, pixels.
    pub width_px: u32,
    /// Height, pixels.
    pub height_px: u32,
}

impl std::fmt::Debug for Picture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Picture({}, {} × {} px)", self.blake3, self.width_px, self.height_px)
    }
}

/// A photo before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PhotoDraft {
    /// The BLAKE3 hash of the file as it came: the same file is known by it. The file itself is not kept.
    pub source_blake3: String,
    /// The picture, its longer side at most [`LONGEST_SIDE_PX`].
    pub whole: Picture,
    /// The same, its longer side at most [`THUMBNAIL_SIDE_PX`].
    pub thumbnail: Picture,
}

/// A photo that says where and when it was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct GeotaggedPhoto {
    /// The encounter that it shows, if there is no record of it yet: of no known species.
    pub encounter: EncounterDraft,
    /// The photo.
    pub photo: PhotoDraft,
    /// What it said of where and when, header and value, as a row that can be mended.
    pub raw: Vec<(String, String)>,
}

/// A picture that is stored, without its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredPicture {
    /// The BLAKE3 hash of its bytes.
    pub blake3: String,
    /// Width, pixels.
    pub width_px: u32,
    /// Height, pixels.
    pub height_px: u32,
}

/// What is recorded about a photo.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PhotoRecord {
    /// The encounter it was added to.
    pub encounter: EncounterId,
    /// The hash of the file as it came.
    pub source_blake3: String,
    /// The picture.
    pub whole: StoredPicture,
    /// The thumbnail.
    pub thumbnail: StoredPicture,
    /// Who added it.
    pub added_by: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub added_at_s: i64,
}

/// A stored photo.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photo {
    /// The stored row.
    pub id: PhotoId,
    /// What is recorded about it.
    pub record: PhotoRecord,
    /// The batch that brought it, none for one that was added by hand.
    pub batch: Option<BatchId>,
}

/// Where and when something was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sighting {
    /// Seconds since 1970-01-01T00:00:00Z.
    pub instant_s: i64,
    /// The position with its accuracy.
    pub at: RecordedPosition,
}

impl Sighting {
    /// Whether both can be of one meeting: no more than [`SAME_MEETING_S`] apart, and the circles that hold each position 95
    /// times in 100 meet.
    pub fn is_same_meeting(&self, other: &Self) -> bool {
        let apart_s = self.instant_s.saturating_sub(other.instant_s).saturating_abs();
        let reach_m = radius_95_m(&self.at) + radius_95_m(&other.at);
        apart_s <= SAME_MEETING_S && distance_m(self.at.position, other.at.position) <= reach_m
    }
}

/// The radius that holds the true place 95 times in 100, metres.
fn radius_95_m(at: &RecordedPosition) -> f64 {
    let Some(stated) = at.coordinate_uncertainty else { return USUAL_RADIUS_M };
    let factor = match at.meaning {
        UncertaintyMeaning::Radius95 => 1.0,
        UncertaintyMeaning::Radius68 => CIRCLE_95_SIGMAS / CIRCLE_68_SIGMAS,
        UncertaintyMeaning::StandardDeviation => CIRCLE_95_SIGMAS,
    };
    stated.in_metres() * factor
}

/// The great-circle distance on the sphere, metres: within 0.6 % of the ellipsoid's, which is enough to tell whether two
/// circles meet. By the haversine, since the cosine says nothing at short distances (Sinnott 1984).
fn distance_m(from: LonLat, to: LonLat) -> f64 {
    let (lat_1, lat_2) = (from.lat().to_radians(), to.lat().to_radians());
    let half = |degrees: f64| (degrees.to_radians() / 2.0).sin().powi(2);
    let haversine = half(to.lat() - from.lat()) + lat_1.cos() * lat_2.cos() * half(to.lon() - from.lon());
    2.0 * EARTH_RADIUS_M * haversine.clamp(0.0, 1.0).sqrt().asin()
}

/// Beginnings of names that cameras and telephones give to their files, in upper case.
const CAMERA_NAMES: [&str; 22] = [
    "", "IMG", "MVIMG", "PXL", "DSC", "DSCN", "DSCF", "DSCI", "PIC", "PICT", "PHOTO", "PANO", "BURST",
    "CIMG", "DJI", "GOPR", "HPIM", "IMAG", "P", "SAM", "SDC", "WP",
];

/// The name of a photo's file as it may be kept: a name that a camera gave stays, any other is replaced by its place in the
/// upload, since names that people give can name people. `nth` counts from 1.
pub fn kept_file_name(name: &str, nth: usize) -> String {
    let (stem, extension) = name.rsplit_once('.').unwrap_or((name, ""));
    let extension = extension.to_ascii_lowercase();
    let extension =
        if ["jpg", "jpeg", "png", "webp"].contains(&extension.as_str()) { extension } else { String::new() };
    let dotted = if extension.is_empty() { String::new() } else { format!(".{extension}") };
    let upper = stem.to_ascii_uppercase();
    let letters = upper.trim_end_matches(|letter: char| letter.is_ascii_digit() || "_-".contains(letter));
    let is_a_cameras = CAMERA_NAMES.contains(&letters) && stem.len() > letters.len() && stem.len() <= 40;
    if is_a_cameras { format!("{stem}{dotted}") } else { format!("photo {nth}{dotted}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::units::Length;

    fn seen(instant_s: i64, lon: f64, lat: f64, accuracy: Option<(f64, UncertaintyMeaning)>) -> Sighting {
        let at = RecordedPosition {
            position: LonLat::new(lon, lat).unwrap(),
            coordinate_uncertainty: accuracy.map(|(metres, _)| Length::metres(metres).unwrap()),
            meaning: accuracy.map_or(UncertaintyMeaning::Radius95, |(_, meaning)| meaning),
            is_generalised: false,
        };
        Sighting { instant_s, at }
    }

    #[test]
    fn distances_are_those_of_the_sphere() {
        // A degree of a great circle: π · 6,371,008.8 / 180 = 111,195.08 m.
        let at = |lon, lat| LonLat::new(lon, lat).unwrap();
        assert!((distance_m(at(0.0, 0.0), at(0.0, 1.0)) - 111_195.08).abs() < 0.01);
        assert!((distance_m(at(179.5, 0.0), at(-179.5, 0.0)) - 111_195.08).abs() < 0.01);
        // Poles are half a circumference apart.
        assert!((distance_m(at(0.0, 90.0), at(0.0, -90.0)) - 20_015_114.4).abs() < 1.0);
    }

    #[test]
    fn one_meeting_is_near_in_time_and_place() {
        let first = seen(1000, -109.38, 37.61, Some((10.0, UncertaintyMeaning::Radius95)));
        // 0.0003 degrees of latitude are 33.4 m.
        let near = |accuracy| seen(1000 + SAME_MEETING_S, -109.38, 37.6103, accuracy);
        let cases = [
            (Some((24.0, UncertaintyMeaning::Radius95)), true),
            (Some((23.0, UncertaintyMeaning::Radius95)), false),
            (Some((15.0, UncertaintyMeaning::Radius68)), true),
            (Some((14.0, UncertaintyMeaning::Radius68)), false),
            (Some((10.0, UncertaintyMeaning::StandardDeviation)), true),
            (Some((9.0, UncertaintyMeaning::StandardDeviation)), false),
            (None, true),
        ];
        for (accuracy, expected) in cases {
            assert_eq!(first.is_same_meeting(&near(accuracy)), expected, "{accuracy:?}");
            assert_eq!(near(accuracy).is_same_meeting(&first), expected, "{accuracy:?}");
        }
        let later = seen(1001 + SAME_MEETING_S, -109.38, 37.61, None);
        assert!(!first.is_same_meeting(&later));
        assert!(!first.is_same_meeting(&seen(i64::MIN, -109.38, 37.61, None)));
    }

    #[test]
    fn names_that_people_give_are_not_kept() {
        let cases = [
            ("IMG_20240504_091007.jpg", "IMG_20240504_091007.jpg"),
            ("DSC00012.JPG", "DSC00012.jpg"),
            ("PXL_20240504_151007123.jpeg", "PXL_20240504_151007123.jpeg"),
            ("20240504-0910.png", "20240504-0910.png"),
            ("Anna Smith bitten.jpg", "photo 3.jpg"),
            ("IMG_1234 (Anna).jpg", "photo 3.jpg"),
            ("img.jpg", "photo 3.jpg"),
            ("anna.html", "photo 3"),
            ("", "photo 3"),
            ("Ünal_1.webp", "photo 3.webp"),
        ];
        for (name, kept) in cases {
            assert_eq!(kept_file_name(name, 3), kept, "{name}");
        }
    }
}
