//! The counters of the page.

use jiff::tz::TimeZone;

use crate::analysis::exposure::Calibration;
use crate::analysis::exposure::CalibrationSource;
use crate::analysis::exposure::CounterSite;
use crate::analysis::exposure::ReadingReport;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::domain::exposure::Counter;
use crate::web::views::charts::Estimate;
use crate::web::views::exposure::CounterCard;

/// One card a counter. The layers' lists of readings and calibrations are in the order of the facts' counters.
pub(super) fn cards(facts: &Facts, network: &NetworkLayer, exposure: &ExposureLayer) -> Vec<CounterCard> {
    let zone = TimeZone::get(&facts.area.time_zone).unwrap_or(TimeZone::UTC);
    let each = facts.counters.iter().zip(&exposure.field.readings).zip(&exposure.field.calibrations);
    each.enumerate()
        .map(|(idx, ((counter, report), calibration))| {
            let fits = exposure.field.counters.iter().filter(|fit| fit.counter == idx);
            let sessions = facts.calibrations.iter().filter(|session| session.counter_id == counter.id);
            let instant = |instant_s: i64| moment(instant_s, &zone);
            CounterCard {
                name: counter.name.clone(),
                places: places(counter, facts, network, &zone),
                coverage: fits.map(|fit| fit.share_observed).collect(),
                used: (report.used, report.apportioned),
                left_out: left_out(report),
                outages: report
                    .outages
                    .iter()
                    .map(|outage| format!("{} to {}", instant(outage.from_s), instant(outage.to_s)))
                    .collect(),
                calibration: factor(calibration),
                sessions: sessions.map(|session| (session.manual_count, session.device_count)).collect(),
                clock: counter
                    .clock_corrections
                    .iter()
                    .map(|correction| {
                        format!(
                            "{} to {}: {} minutes added",
                            instant(correction.from_s),
                            instant(correction.until_s),
                            correction.offset_s / 60
                        )
                    })
                    .collect(),
            }
        })
        .collect()
}

fn left_out(report: &ReadingReport) -> Vec<(usize, &'static str)> {
    let all = [
        (report.outage, "zero readings within an outage: missing, not zero"),
        (report.missing, "readings without a count, or with one of two directions missing"),
        (report.unplaced, "readings while it stood nowhere, or across a move"),
        (report.overlapping, "readings that overlap an earlier one"),
    ];
    all.into_iter().filter(|(n, _)| *n > 0).collect()
}

fn factor(calibration: &Calibration) -> (Estimate, String) {
    let (value, lower, upper) = calibration.interval();
    let source = match calibration.source {
        CalibrationSource::Own { n_sessions: 1 } => "from its own session".to_owned(),
        CalibrationSource::Own { n_sessions } => format!("from its own {n_sessions} sessions"),
        CalibrationSource::Pooled { n_counters } => {
            format!("from the sessions of {n_counters} other counters, widened by how devices differ")
        }
        CalibrationSource::Prior => "from the stated prior: no counter has a session".to_owned(),
    };
    (Estimate { value, lower, upper }, source)
}

/// Where a counter stood and when; more than one place is a move.
fn places(counter: &Counter, facts: &Facts, network: &NetworkLayer, zone: &TimeZone) -> Vec<String> {
    let words = |location: &crate::domain::exposure::CounterLocation| {
        let site = crate::derived::exposure::site(facts, network, location.position);
        let place = site.map_or("off every trail, so it counts nobody who walks one".to_owned(), |site| {
            site_words(site, facts, network)
        });
        let since = location.from_s.map_or(String::new(), |at| format!(" since {}", moment(at, zone)));
        let until = location.until_s.map_or(String::new(), |at| format!(" until {}", moment(at, zone)));
        format!("{place}{since}{until}")
    };
    counter.locations.iter().map(words).collect()
}

/// "at Mill car park" or "on Ledge Walk, km 0.40 to 0.50".
pub(in crate::web) fn site_words(site: CounterSite, facts: &Facts, network: &NetworkLayer) -> String {
    match site {
        CounterSite::Vertex(vertex) => {
            let heads = facts.trailheads.iter().zip(&network.trailhead_vertices);
            let head = heads.filter(|(_, at)| **at == Some(vertex)).map(|(head, _)| head.name.clone()).next();
            head.map_or("at a junction".to_owned(), |name| format!("at {name}"))
        }
        CounterSite::Segment(segment) => {
            format!("on {}", network.segment_words(segment))
        }
        CounterSite::Place(place) => {
            let name = facts.places.get(place).map(|place| place.given.name.as_str());
            format!("at {}", name.unwrap_or("a place"))
        }
    }
}

/// "3 Jun 2023 10:00", local time.
fn moment(instant_s: i64, zone: &TimeZone) -> String {
    jiff::Timestamp::from_second(instant_s)
        .map(|at| zone.to_datetime(at).strftime("%-d %b %Y %H:%M").to_string())
        .unwrap_or_default()
}
