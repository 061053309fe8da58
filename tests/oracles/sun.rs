//! The sun's position and day, and wall clocks.

use std::str::FromStr;

use coilway::analysis::sun::Air;
use coilway::analysis::sun::Crossings;
use coilway::analysis::sun::Observer;
use coilway::analysis::sun::SunDay;
use coilway::analysis::sun::WallClock;
use coilway::analysis::sun::local_time;
use coilway::analysis::sun::low_accuracy_sun;
use coilway::analysis::sun::position;
use coilway::analysis::sun::sun_day;
use coilway::analysis::sun::wall_clock;
use coilway::domain::geography::LonLat;
use jiff::SignedDuration;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::real;
use crate::record::Record;

fn place(record: &Record) -> Result<LonLat, Problem> {
    Ok(LonLat::new(record.get("lon")?, record.get("lat")?)?)
}

/// An instant, date or wall-clock reading.
fn time<T: FromStr<Err = jiff::Error>>(record: &Record, name: &str) -> Result<T, Problem> {
    Ok(record.get::<String>(name)?.parse()?)
}

fn zone(record: &Record) -> Result<TimeZone, Problem> {
    Ok(TimeZone::get(&record.get::<String>("tz")?)?)
}

fn written(instant: Option<Timestamp>) -> Value {
    instant.map_or(Value::Null, |instant| instant.to_string().into())
}

pub(crate) fn positions(record: &Record) -> Answered {
    if record.asks("apparent right ascension and declination") {
        let sun = low_accuracy_sun(record.get("jde")?);
        return Ok(Answer::of(json!({
            "ra_deg": real(sun.right_ascension_deg),
            "dec_deg": real(sun.declination_deg),
            "true_longitude_deg": real(sun.true_longitude_deg),
            "radius_au": real(sun.radius_au),
        })));
    }
    let observer = if record.asks("true (airless) elevation") {
        Observer::default()
    } else if record.asks("NREL SPA example") || record.asks("same example") {
        let air =
            Air { pressure_hpa: record.get("pressure_hpa")?, temperature_c: record.get("temperature_c")? };
        Observer { height_m: record.get("elevation_m")?, air, delta_t_s: Some(record.get("delta_t")?) }
    } else {
        return Err(Problem::Unknown);
    };
    let sun = position(time(record, "utc")?, place(record)?, &observer)?;
    Ok(Answer::of(json!({
        "topocentric_zenith": real(sun.apparent_zenith_deg()),
        "azimuth": real(sun.azimuth_deg),
        "true_elevation": real(sun.true_elevation_deg),
        "elevation": real(sun.true_elevation_deg),
        "declination": real(sun.declination_deg),
        "right_ascension": real(sun.right_ascension_deg),
        "julian_day": real(sun.julian_day),
        "refraction": real(sun.refraction_deg),
        "radius_au": real(sun.radius_au),
        "equation_of_time_min": real(sun.equation_of_time_min),
    })))
}

pub(crate) fn days(record: &Record) -> Answered {
    let (date, zone, place): (Date, _, _) = (time(record, "date")?, zone(record)?, place(record)?);
    if record.asks("sunrise, sunset, transit") {
        return events_of_utc_date(date, &zone, place);
    }
    if !(record.asks("London, to the minute")
        || record.asks("sunrise, sunset (true altitude of centre -0.8333"))
    {
        return Err(Problem::Unknown);
    }
    let day = sun_day(date, &zone, place)?;
    Ok(Answer::of(json!({
        "sunrise": written(day.sun.rise()),
        "sunset": written(day.sun.set()),
        "civil_dawn": written(day.civil.rise()),
        "civil_dusk": written(day.civil.set()),
        "sun_state": state(&day.sun),
        "civil_state": state(&day.civil),
    })))
}

fn state(crossings: &Crossings) -> &'static str {
    match crossings {
        Crossings::AlwaysAbove => "always above",
        Crossings::AlwaysBelow => "always below",
        Crossings::Crosses { .. } => "crosses",
    }
}

/// Sunrise, sunset and transit as the source gives them.
///
/// The source solves each event within the universal date and only then moves it, by whole days, to where the local day
/// puts it. In Colorado the sunset that it prints for 3 August at 02:14 is thus the one of 2 August at 02:14, a minute
/// later than the one that happened. So the event that falls in the universal date is taken, from whichever local day it
/// belongs to, and moved the same way.
fn events_of_utc_date(date: Date, zone: &TimeZone, place: LonLat) -> Answered {
    let local_day = sun_day(date, zone, place)?;
    let days = [
        sun_day(date.yesterday()?, zone, place)?,
        local_day.clone(),
        sun_day(date.tomorrow()?, zone, place)?,
    ];
    let event = |events_of: fn(&SunDay) -> Vec<Timestamp>| -> Result<Value, Problem> {
        let all = days.iter().flat_map(events_of);
        let mut in_date = all.filter(|at| TimeZone::UTC.to_datetime(*at).date() == date);
        let Some(mut at) = in_date.next() else { return failed("no event in this universal date") };
        while at < local_day.starts {
            at += SignedDuration::from_hours(24);
        }
        while at >= local_day.ends {
            at -= SignedDuration::from_hours(24);
        }
        Ok(written(Some(at)))
    };
    Ok(Answer::of(json!({
        "sunrise": event(|day| day.sun.rise().into_iter().collect())?,
        "sunset": event(|day| day.sun.set().into_iter().collect())?,
        "transit": event(|day| day.transits.clone())?,
    })))
}

pub(crate) fn clocks(record: &Record) -> Answered {
    let zone = zone(record)?;
    let value = if record.asks("wall clock and offset in a zone") {
        let local = local_time(time(record, "utc")?, &zone);
        json!({ "local": local.wall_clock.to_string(), "offset_minutes": local.offset_s / 60 })
    } else if record.asks("what a wall-clock reading means") {
        match wall_clock(time::<DateTime>(record, "local")?, &zone)? {
            WallClock::Unique(at) => json!({ "kind": "unique", "utc": at.to_string() }),
            WallClock::Ambiguous { earlier, later } => {
                json!({ "kind": "ambiguous", "utc": [earlier.to_string(), later.to_string()] })
            }
            WallClock::Nonexistent => json!({ "kind": "nonexistent" }),
        }
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}
