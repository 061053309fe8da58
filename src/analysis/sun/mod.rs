//! Sunrise, sunset and solar elevation, and what wall clocks mean.
//!
//! Positions and crossings come from the solar position algorithm of Reda & Andreas (2004), good to 0.0003 degrees; the
//! short formulas of Meeus stand beside it where a quantity is not among its results. Local days and wall clocks are
//! those of an IANA zone.

mod clock;

pub use clock::LocalTime;
pub use clock::WallClock;
pub use clock::local_time;
pub use clock::wall_clock;

use crate::domain::geography::LonLat;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use solar_positioning::Horizon;
use solar_positioning::HorizonState;
use solar_positioning::Location;
use solar_positioning::RefractionCorrection;
use solar_positioning::SolarEvents;
use solar_positioning::SolarPositions;
use solar_positioning::time::JulianDate;

/// The Julian date of 1970-01-01T00:00:00Z.
const JULIAN_DATE_OF_UNIX_EPOCH: f64 = 2_440_587.5;
const SECONDS_PER_DAY: f64 = 86_400.0;

/// Why the sun or a local time could not be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SunError {
    /// The instant, air or height lies outside what the algorithm covers.
    #[error("the sun cannot be computed: {0}")]
    OutOfRange(String),
    /// The zone skipped this calendar day as a whole.
    #[error("{0} did not happen in this time zone")]
    SkippedDay(Date),
    /// The date or time lies outside what the calendar covers.
    #[error("the calendar does not reach that far: {0}")]
    Calendar(String),
}

impl From<solar_positioning::Error> for SunError {
    fn from(error: solar_positioning::Error) -> Self {
        Self::OutOfRange(error.to_string())
    }
}

impl From<jiff::Error> for SunError {
    fn from(error: jiff::Error) -> Self {
        Self::Calendar(error.to_string())
    }
}

/// The air that bends the light of a low sun.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Pressure in hectopascal, in (0, 2000].
    pub pressure_hpa: f64,
    /// Temperature in degrees Celsius, in (-273, 100].
    pub temperature_c: f64,
}

impl Default for Air {
    /// The standard atmosphere at sea level: 1013.25 hPa and 15 degrees.
    fn default() -> Self {
        Self { pressure_hpa: 1013.25, temperature_c: 15.0 }
    }
}

/// Who looks, and through what.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Observer {
    /// Height above sea level in metres.
    pub height_m: f64,
    /// The air, for the refraction.
    pub air: Air,
    /// Terrestrial minus universal time in seconds; `None` takes an estimate for the date (Espenak & Meeus).
    pub delta_t_s: Option<f64>,
}

/// Where the sun stands, in degrees unless the name says otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SunPosition {
    /// Days since noon of 1 January 4713 BC, universal time.
    pub julian_day: f64,
    /// Elevation of the sun's centre above the horizon, without air.
    pub true_elevation_deg: f64,
    /// How far the air lifts the sun; zero when it is below the horizon.
    pub refraction_deg: f64,
    /// Direction of the sun, from north clockwise, in [0, 360).
    pub azimuth_deg: f64,
    /// Geocentric apparent declination.
    pub declination_deg: f64,
    /// Geocentric apparent right ascension, in [0, 360).
    pub right_ascension_deg: f64,
    /// Distance of earth and sun in astronomical units.
    pub radius_au: f64,
    /// Apparent minus mean solar time in minutes.
    pub equation_of_time_min: f64,
}

impl SunPosition {
    /// Elevation as seen through the air.
    pub fn apparent_elevation_deg(&self) -> f64 {
        self.true_elevation_deg + self.refraction_deg
    }

    /// Angle from the zenith as seen through the air.
    pub fn apparent_zenith_deg(&self) -> f64 {
        90.0 - self.apparent_elevation_deg()
    }
}

/// The position of the sun at an instant and a place.
///
/// # Errors
/// [`SunError::OutOfRange`] outside the years -500 to 3000 (unless `delta_t_s` is given), for air that cannot exist, and
/// for a height that is not finite.
///
/// # References
/// Reda, I. & Andreas, A. (2004). Solar position algorithm for solar radiation applications. *Solar Energy* 76, 577-589.
pub fn position(at: Timestamp, place: LonLat, observer: &Observer) -> Result<SunPosition, SunError> {
    let julian_day = julian_date(at);
    let delta_t_s = delta_t_s(julian_day, observer)?;
    let prepared = SolarPositions::new().for_time_from_julian(JulianDate::new(julian_day, delta_t_s)?)?;
    let location = location(place);
    let air = RefractionCorrection::new(observer.air.pressure_hpa, observer.air.temperature_c)?;
    let airless = prepared.at(location, observer.height_m, None)?;
    let seen = prepared.at(location, observer.height_m, Some(air))?;
    let right_ascension_deg = prepared.right_ascension();
    let Some(radius_au) = prepared.earth_radius_vector() else {
        return Err(SunError::OutOfRange("the model gives no distance".to_owned()));
    };
    Ok(SunPosition {
        julian_day,
        true_elevation_deg: airless.elevation_angle(),
        refraction_deg: seen.elevation_angle() - airless.elevation_angle(),
        azimuth_deg: airless.azimuth(),
        declination_deg: prepared.declination(),
        right_ascension_deg,
        radius_au,
        equation_of_time_min: equation_of_time_min(
            julian_day + delta_t_s / SECONDS_PER_DAY,
            right_ascension_deg,
        ),
    })
}

/// Days since noon of 1 January 4713 BC, universal time.
pub fn julian_date(at: Timestamp) -> f64 {
    let seconds = at.as_second() as f64 + f64::from(at.subsec_nanosecond()) * 1e-9;
    JULIAN_DATE_OF_UNIX_EPOCH + seconds / SECONDS_PER_DAY
}

/// What the sun did about one horizon on a local day.
#[derive(Debug, Clone, PartialEq)]
pub enum Crossings {
    /// It stayed above all day: midnight sun, or twilight all night.
    AlwaysAbove,
    /// It stayed below all day: polar night.
    AlwaysBelow,
    /// It crossed. Each list is in order of time; one of them may be empty, or hold two, near the ends of polar day.
    Crosses {
        /// Instants of rising.
        rises: Vec<Timestamp>,
        /// Instants of setting.
        sets: Vec<Timestamp>,
    },
}

impl Crossings {
    /// The first rising of the day, if there is one.
    pub fn rise(&self) -> Option<Timestamp> {
        match self {
            Self::Crosses { rises, .. } => rises.first().copied(),
            Self::AlwaysAbove | Self::AlwaysBelow => None,
        }
    }

    /// The setting that ends the day's light: the first after the rising, else the first of the day.
    ///
    /// In high summer a sunset may fall just after midnight; it belongs to the local day on which it falls.
    pub fn set(&self) -> Option<Timestamp> {
        let Self::Crosses { sets, .. } = self else { return None };
        let rise = self.rise();
        sets.iter().find(|&&set| rise.is_some_and(|rise| set > rise)).or_else(|| sets.first()).copied()
    }
}

/// The light of one local calendar day.
#[derive(Debug, Clone, PartialEq)]
pub struct SunDay {
    /// First instant of the day.
    pub starts: Timestamp,
    /// First instant of the next day: 23, 24 or 25 hours later.
    pub ends: Timestamp,
    /// When the sun stood highest; empty or two only where clocks change around noon.
    pub transits: Vec<Timestamp>,
    /// Sunrise and sunset: the centre of the sun truly at -50 minutes of arc.
    pub sun: Crossings,
    /// Civil twilight: dawn and dusk at -6 degrees.
    pub civil: Crossings,
}

/// Sunrise, sunset, transit and civil twilight of a calendar day in a zone, at sea level.
///
/// # Errors
/// [`SunError::SkippedDay`] when the zone skipped the day (Samoa, 30 December 2011), [`SunError::Calendar`] at the end of
/// the calendar, [`SunError::OutOfRange`] outside the years -500 to 3000.
pub fn sun_day(date: Date, zone: &TimeZone, place: LonLat) -> Result<SunDay, SunError> {
    let starts = date.to_zoned_datetime(zone.clone())?.timestamp();
    let ends = date.tomorrow()?.to_zoned_datetime(zone.clone())?.timestamp();
    if starts >= ends {
        return Err(SunError::SkippedDay(date));
    }
    let (start, end) = (julian_date(starts), julian_date(ends));
    let delta_t_s = delta_t_s(start, &Observer::default())?;
    let crossings = |horizon: Horizon| -> Result<(Vec<Timestamp>, Crossings), SunError> {
        let events =
            SolarEvents::new().for_interval_from_julian(start, end, location(place), delta_t_s, horizon)?;
        let crossings = if !(events.rises.is_empty() && events.sets.is_empty()) {
            Crossings::Crosses { rises: timestamps(&events.rises)?, sets: timestamps(&events.sets)? }
        } else if events.state_at_start == HorizonState::Below {
            Crossings::AlwaysBelow
        } else {
            Crossings::AlwaysAbove
        };
        Ok((timestamps(&events.transits)?, crossings))
    };
    let (transits, sun) = crossings(Horizon::SunriseSunset)?;
    let (_, civil) = crossings(Horizon::CivilTwilight)?;
    Ok(SunDay { starts, ends, transits, sun, civil })
}

fn timestamps(julian_dates: &[f64]) -> Result<Vec<Timestamp>, SunError> {
    julian_dates
        .iter()
        .map(|date| {
            let milliseconds = (date - JULIAN_DATE_OF_UNIX_EPOCH) * SECONDS_PER_DAY * 1000.0;
            Ok(Timestamp::from_millisecond(milliseconds.round() as i64)?)
        })
        .collect()
}

fn location(place: LonLat) -> Location {
    Location { latitude: place.lat(), longitude: place.lon() }
}

fn delta_t_s(julian_day: f64, observer: &Observer) -> Result<f64, SunError> {
    match observer.delta_t_s {
        Some(seconds) => Ok(seconds),
        None => Ok(solar_positioning::delta_t::estimate(2000.0 + (julian_day - 2_451_544.5) / 365.2425)?),
    }
}

/// The sun by Meeus' method of low accuracy: about 0.01 degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowAccuracySun {
    /// Apparent right ascension in degrees, in [0, 360).
    pub right_ascension_deg: f64,
    /// Apparent declination in degrees.
    pub declination_deg: f64,
    /// True geocentric longitude, of the mean equinox of the date, in degrees in [0, 360).
    pub true_longitude_deg: f64,
    /// Distance of earth and sun in astronomical units.
    pub radius_au: f64,
}

/// The sun's geocentric position at a Julian ephemeris day by the short formulas.
///
/// # References
/// Meeus, J. (1998). *Astronomical Algorithms*, 2nd ed., chapter 25, formulas 25.2 to 25.8.
pub fn low_accuracy_sun(julian_ephemeris_day: f64) -> LowAccuracySun {
    let t = (julian_ephemeris_day - 2_451_545.0) / 36_525.0;
    let mean_longitude = 280.466_46 + t * (36_000.769_83 + t * 0.000_303_2);
    let mean_anomaly = (357.529_11 + t * (35_999.050_29 - t * 0.000_153_7)).to_radians();
    let eccentricity = 0.016_708_634 - t * (0.000_042_037 + t * 0.000_000_126_7);
    let centre = (1.914_602 - t * (0.004_817 + t * 0.000_014)) * mean_anomaly.sin()
        + (0.019_993 - t * 0.000_101) * (2.0 * mean_anomaly).sin()
        + 0.000_289 * (3.0 * mean_anomaly).sin();
    let true_longitude = mean_longitude + centre;
    let true_anomaly = mean_anomaly + centre.to_radians();
    let node = ascending_node_rad(t);
    let longitude = (true_longitude - 0.005_69 - 0.004_78 * node.sin()).to_radians();
    let obliquity = (mean_obliquity_deg(t) + 0.002_56 * node.cos()).to_radians();
    let right_ascension = (obliquity.cos() * longitude.sin()).atan2(longitude.cos());
    LowAccuracySun {
        right_ascension_deg: right_ascension.to_degrees().rem_euclid(360.0),
        declination_deg: (obliquity.sin() * longitude.sin()).asin().to_degrees(),
        true_longitude_deg: true_longitude.rem_euclid(360.0),
        radius_au: 1.000_001_018 * (1.0 - eccentricity * eccentricity)
            / (1.0 + eccentricity * true_anomaly.cos()),
    }
}

/// Apparent minus mean solar time: Meeus (1998), formulas 28.1 and 28.2, with the nutation's largest term.
fn equation_of_time_min(julian_ephemeris_day: f64, right_ascension_deg: f64) -> f64 {
    let t = (julian_ephemeris_day - 2_451_545.0) / 365_250.0;
    let mean_longitude = 280.466_456_7 + t * (360_007.698_277_9 + t * (0.030_320_28 + t / 49_931.0));
    let nutation = -0.004_78 * ascending_node_rad(10.0 * t).sin();
    let obliquity = mean_obliquity_deg(10.0 * t).to_radians();
    let difference_deg = mean_longitude - 0.005_718_3 - right_ascension_deg + nutation * obliquity.cos();
    ((difference_deg + 180.0).rem_euclid(360.0) - 180.0) * 4.0
}

fn ascending_node_rad(centuries: f64) -> f64 {
    (125.04 - 1_934.136 * centuries).to_radians()
}

/// Meeus (1998), formula 22.2.
fn mean_obliquity_deg(centuries: f64) -> f64 {
    let t = centuries;
    23.439_291_111 - t * (46.815_0 + t * (0.000_59 - t * 0.001_813)) / 3600.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(lon: f64, lat: f64) -> LonLat {
        LonLat::new(lon, lat).unwrap()
    }

    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).unwrap()
    }

    fn close(got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{got} instead of {expected}");
    }

    /// Reda & Andreas, NREL/TP-560-34302, example: Golden, 17 October 2003.
    #[test]
    fn position_of_the_published_example() {
        let observer = Observer {
            height_m: 1830.14,
            air: Air { pressure_hpa: 820.0, temperature_c: 11.0 },
            delta_t_s: Some(67.0),
        };
        let at = "2003-10-17T19:30:30Z".parse().unwrap();
        let sun = position(at, place(-105.1786, 39.742476), &observer).unwrap();
        close(sun.apparent_zenith_deg(), 50.11162, 1e-4);
        close(sun.azimuth_deg, 194.340241, 1e-4);
        close(sun.true_elevation_deg, 39.872046, 1e-4);
        close(sun.declination_deg, -9.31434, 1e-4);
        close(sun.right_ascension_deg, 202.22741, 1e-4);
        close(sun.julian_day, 2_452_930.312847, 1e-6);
        close(sun.refraction_deg, 0.016332, 1e-5);
        close(sun.radius_au, 0.9965422974, 1e-8);
        // Equation of time of the same example in NREL's listing, 14.64 minutes.
        close(sun.equation_of_time_min, 14.64, 0.01);
    }

    /// Meeus (1998), example 25.a: 1992 October 13.0.
    #[test]
    fn short_formulas_of_the_published_example() {
        let sun = low_accuracy_sun(2_448_908.5);
        close(sun.right_ascension_deg, 198.380833, 3e-4);
        close(sun.declination_deg, -7.785, 3e-4);
        close(sun.true_longitude_deg, 199.91, 3e-4);
        close(sun.radius_au, 0.99766, 1e-5);
    }

    fn check_day(date: &str, zone_name: &str, at: LonLat, expected: [&str; 2], tolerance_s: i64) {
        let day = sun_day(date.parse().unwrap(), &zone(zone_name), at).unwrap();
        for (got, expected) in [day.sun.rise(), day.sun.set()].into_iter().zip(expected) {
            let expected: Timestamp = expected.parse().unwrap();
            let got = got.unwrap();
            let off = (got.as_second() - expected.as_second()).abs();
            assert!(off <= tolerance_s, "{date} {zone_name}: {got} instead of {expected}");
        }
    }

    /// The NREL web calculator, to the second; London after a public almanac, rounded to minutes.
    #[test]
    fn sunrise_and_sunset_against_published_tables() {
        let golden = place(-105.1786, 39.742476);
        let south = place(0.0, -35.0);
        let london = place(-0.1333333, 51.5);
        check_day("1996-07-05", "UTC", south, ["1996-07-05T07:08:15Z", "1996-07-05T17:01:04Z"], 5);
        check_day("2015-01-02", "Etc/GMT+7", golden, ["2015-01-02T14:21:55Z", "2015-01-02T23:47:43Z"], 5);
        check_day(
            "2015-12-01",
            "Europe/London",
            london,
            ["2015-12-01T07:43:00Z", "2015-12-01T15:55:00Z"],
            60,
        );
    }

    /// The same calculator lists 19:13:58 as the sunset of 2 August 2015 in Golden. It solves within the UTC date, which
    /// in local time gives the sunset of 1 August: that of 2 August is 65 s earlier by the clock.
    #[test]
    fn a_sunset_belongs_to_its_local_day_not_to_the_utc_day() {
        let set = |date: &str| {
            let day =
                sun_day(date.parse().unwrap(), &zone("Etc/GMT+7"), place(-105.1786, 39.742476)).unwrap();
            day.sun.set().unwrap().as_second()
        };
        let listed = "2015-08-02T02:13:58Z".parse::<Timestamp>().unwrap().as_second();
        assert!((set("2015-08-01") - listed).abs() <= 1);
        let next = set("2015-08-02") - listed;
        assert!((86_400 - 70..=86_400 - 60).contains(&next), "{next} s later");
    }

    #[test]
    fn polar_days_are_variants() {
        let tromso = place(18.96, 69.65);
        let oslo = zone("Europe/Oslo");
        let june = sun_day("2024-06-21".parse().unwrap(), &oslo, tromso).unwrap();
        assert_eq!((june.sun, june.civil), (Crossings::AlwaysAbove, Crossings::AlwaysAbove));
        let december = sun_day("2024-12-21".parse().unwrap(), &oslo, tromso).unwrap();
        assert_eq!(december.sun, Crossings::AlwaysBelow);
        assert!(december.civil.rise() < december.civil.set());
    }

    #[test]
    fn odd_days_of_the_calendar() {
        let denver =
            sun_day("2025-03-09".parse().unwrap(), &zone("America/Denver"), place(-104.99, 39.74)).unwrap();
        assert_eq!(denver.ends.as_second() - denver.starts.as_second(), 23 * 3600);
        let date = "2011-12-30".parse().unwrap();
        let skipped = sun_day(date, &zone("Pacific/Apia"), place(-171.8, -13.8));
        assert_eq!(skipped, Err(SunError::SkippedDay(date)));
    }
}
