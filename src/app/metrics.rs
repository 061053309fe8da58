//! What the server counts while it runs, for instruments that ask. No label names a place, a person or an address of the
//! network: routes are those of the route table, with their keys left open.

use std::time::Duration;

pub use prometheus::Error as MetricsError;
use prometheus::HistogramOpts;
use prometheus::HistogramVec;
use prometheus::IntCounterVec;
use prometheus::IntGauge;
use prometheus::Opts;
use prometheus::Registry;
use prometheus::TextEncoder;

use crate::app::health::Health;

/// What every name begins with.
const NAMESPACE: &str = "coilway";
/// Upper ends of the classes of durations, in seconds; 0.3 s is what a page should take at most.
const DURATIONS_S: [f64; 8] = [0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0];
/// Classes of statuses, 1xx to 5xx.
const CLASSES: [&str; 5] = ["1xx", "2xx", "3xx", "4xx", "5xx"];

/// Counts of one running server.
pub struct Metrics {
    registry: Registry,
    answers: IntCounterVec,
    durations: HistogramVec,
    connections: IntGauge,
}

impl Metrics {
    /// Nothing counted yet.
    ///
    /// # Errors
    /// [`MetricsError`] when two of them had the same name.
    pub fn new() -> Result<Self, MetricsError> {
        let metrics = Self {
            registry: Registry::new(),
            answers: IntCounterVec::new(opts("answers_total", "Answers since the start."), &["status"])?,
            durations: HistogramVec::new(
                HistogramOpts::new("answer_seconds", "Time until the head of an answer was ready.")
                    .namespace(NAMESPACE)
                    .buckets(DURATIONS_S.to_vec()),
                &["route"],
            )?,
            connections: IntGauge::with_opts(opts("connections", "Connections that are open."))?,
        };
        for class in CLASSES {
            metrics.answers.with_label_values(&[class]);
        }
        metrics.registry.register(Box::new(metrics.answers.clone()))?;
        metrics.registry.register(Box::new(metrics.durations.clone()))?;
        metrics.registry.register(Box::new(metrics.connections.clone()))?;
        Ok(metrics)
    }

    /// Counts an answer; `route` as the route table has it.
    pub fn answered(&self, route: &str, status: u16, took: Duration) {
        let class = CLASSES[usize::from(status / 100).clamp(1, CLASSES.len()) - 1];
        self.answers.with_label_values(&[class]).inc();
        self.durations.with_label_values(&[route]).observe(took.as_secs_f64());
    }

    /// Answers since the start, of the classes 1xx to 5xx.
    pub fn answers(&self) -> [u64; 5] {
        CLASSES.map(|class| self.answers.with_label_values(&[class]).get())
    }

    /// Counts a connection as open until the return value is dropped.
    pub fn connected(&self) -> Connected {
        self.connections.inc();
        Connected(self.connections.clone())
    }

    /// Connections that are open.
    pub fn n_connections(&self) -> u64 {
        self.connections.get().try_into().unwrap_or(0)
    }

    /// All of it with the server's health, in the Prometheus text format, version 0.0.4.
    ///
    /// # Errors
    /// [`MetricsError`] when two of them had the same name.
    pub fn text(&self, health: &Health) -> Result<String, MetricsError> {
        let moment = Registry::new();
        let gauge = |name: &str, help: &str, value: u64| {
            let gauge = IntGauge::with_opts(opts(name, help))?;
            gauge.set(value.try_into().unwrap_or(i64::MAX));
            moment.register(Box::new(gauge))
        };
        gauge("data_revision", "Revision of the data.", health.revision)?;
        gauge("database_bytes", "Size of the database.", health.database_bytes)?;
        gauge("database_unused_bytes", "Unused part of the database.", health.unused_bytes)?;
        gauge("uptime_seconds", "Time since the start.", health.up_s)?;
        gauge("failed_sign_ins_last_day", "Sign-ins that failed in the last day.", health.n_failed_sign_ins)?;
        if let Some(bytes) = health.free_bytes {
            gauge("disk_free_bytes", "Room left on the disk of the database.", bytes)?;
        }
        if let Some(at_s) = health.last_backup_s {
            gauge("last_backup_timestamp_seconds", "When the last backup was written.", at_s.max(0) as u64)?;
        }
        let mut families = moment.gather();
        families.extend(self.registry.gather());
        TextEncoder::new().encode_to_string(&families)
    }
}

/// A connection that is open.
pub struct Connected(IntGauge);

impl Drop for Connected {
    fn drop(&mut self) {
        self.0.dec();
    }
}

fn opts(name: &str, help: &str) -> Opts {
    Opts::new(name, help).namespace(NAMESPACE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn health() -> Health {
        Health {
            revision: 7,
            database_bytes: 4096,
            unused_bytes: 0,
            free_bytes: Some(1_000_000),
            last_backup_s: None,
            n_failed_sign_ins: 2,
            answers: [0; 5],
            n_connections: 0,
            up_s: 60,
        }
    }

    #[test]
    fn every_status_has_a_class() {
        let metrics = Metrics::new().unwrap();
        for status in [0, 101, 200, 204, 303, 404, 429, 500, 599, 999] {
            metrics.answered("/map", status, Duration::from_millis(2));
        }
        assert_eq!(metrics.answers(), [2, 2, 1, 2, 3]);
    }

    #[test]
    fn connections_are_counted_while_they_are_open() {
        let metrics = Metrics::new().unwrap();
        let (first, second) = (metrics.connected(), metrics.connected());
        assert_eq!(metrics.n_connections(), 2);
        drop(first);
        assert_eq!(metrics.n_connections(), 1);
        drop(second);
        assert_eq!(metrics.n_connections(), 0);
    }

    #[test]
    fn the_text_has_what_was_counted() {
        let metrics = Metrics::new().unwrap();
        metrics.answered("/encounters/{id}", 200, Duration::from_millis(200));
        metrics.answered("/encounters/{id}", 404, Duration::from_secs(20));
        let text = metrics.text(&health()).unwrap();
        for line in [
            "coilway_data_revision 7",
            "coilway_disk_free_bytes 1000000",
            "coilway_answers_total{status=\"5xx\"} 0",
            "coilway_answers_total{status=\"4xx\"} 1",
            "coilway_answer_seconds_bucket{route=\"/encounters/{id}\",le=\"0.1\"} 0",
            "coilway_answer_seconds_bucket{route=\"/encounters/{id}\",le=\"0.3\"} 1",
            "coilway_answer_seconds_bucket{route=\"/encounters/{id}\",le=\"+Inf\"} 2",
            "coilway_answer_seconds_sum{route=\"/encounters/{id}\"} 20.2",
            "coilway_connections 0",
        ] {
            assert!(text.lines().any(|had| had == line), "{line} is missing in\n{text}");
        }
        assert!(!text.contains("last_backup"), "none is known");
    }
}
