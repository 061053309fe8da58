//! What a broken CHECK means to whoever wrote the row.
//!
//! The CHECKs that a row of a file can break have words here; the others guard against the program itself.

use crate::store::error::Problem;

/// Constraint, field, what is wrong, what would mend it.
const WORDS: &[(&str, &str, &str, &str)] = &[
    (
        "encounters_uncertainty_positive",
        "coordinateUncertaintyInMeters",
        "the accuracy is not above zero",
        "leave it empty where it is not known",
    ),
    ("encounters_month_range", "eventDate", "the month is not 1 to 12", "write the date as year-month-day"),
    ("encounters_day_range", "eventDate", "the day is not 1 to 31", "write the date as year-month-day"),
    (
        "encounters_minute_range",
        "eventDate",
        "the time of day is not 0:00 to 23:59",
        "write the time as hour:minute",
    ),
    (
        "trailheads_volume_positive",
        "relativeVolume",
        "the share of walkers is not above zero",
        "give parking places or an estimate, the same unit for all trailheads",
    ),
    ("places_radius_positive", "radius", "the radius is not above zero", "give the radius in metres"),
    (
        "places_visits_not_negative",
        "visitsPerDay",
        "the visits are below zero",
        "leave them empty where not known",
    ),
    (
        "sensitive_places_buffer_positive",
        "buffer",
        "the buffer is not above zero",
        "give the buffer in metres",
    ),
    ("counter_locations_order", "until", "the counter left before it came", "give an end after the start"),
    ("counter_readings_length_positive", "length", "the bin has no length", "give the length of the bin"),
    ("calibrations_length_positive", "length", "the session has no length", "give how long it lasted"),
    (
        "party_sizes_mean_at_least_one",
        "meanWalkers",
        "the mean party is smaller than one walker",
        "count walkers over parties",
    ),
    (
        "party_sizes_error_not_negative",
        "standardError",
        "the standard error is below zero",
        "give it as a positive number",
    ),
    (
        "party_sizes_one_place",
        "trail",
        "the row names a trailhead too",
        "name the trailhead, or the trail, or neither",
    ),
    ("closures_order", "until", "the closure ends before it begins", "check both ends, or exchange them"),
    (
        "daily_weather_temperature_range",
        "maxTemperatureInCelsius",
        "no day on earth has had such a temperature",
        "give degrees Celsius",
    ),
    ("areas_keep_distance_positive", "keepDistance", "the distance is not above zero", "give it in metres"),
    (
        "species_category_known",
        "sensitivityCategory",
        "the category is not 1 to 4",
        "leave it empty where not sensitive",
    ),
];

/// The problem of a row that broke the constraint.
pub(super) fn problem(constraint: &str) -> Problem {
    match WORDS.iter().find(|(name, ..)| *name == constraint) {
        Some((_, field, reason, hint)) => Problem::of(field, "", reason, hint),
        None => {
            Problem::of(constraint, "", "the row breaks a rule of the database", "check the row's values")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_constraint_with_words_is_in_the_schema() {
        let schema = [
            include_str!("../../migrations/0001_facts.sql"),
            include_str!("../../migrations/0008_daily_weather.sql"),
            include_str!("../../migrations/0012_party_sizes_of_trails.sql"),
            include_str!("../../migrations/0015_closures.sql"),
        ]
        .concat();
        for (name, ..) in WORDS {
            assert!(schema.contains(&format!("CONSTRAINT {name} CHECK")), "{name}");
        }
    }

    #[test]
    fn every_check_has_a_name() {
        let schema = include_str!("../../migrations/0001_facts.sql");
        let statements = schema.lines().filter(|line| !line.trim_start().starts_with("--"));
        for line in statements {
            let n_checks = line.matches("CHECK (").count();
            assert_eq!(n_checks, line.matches(" CHECK (").count() - unnamed(line), "{line}");
        }
    }

    /// CHECKs not preceded by `CONSTRAINT name`.
    fn unnamed(line: &str) -> usize {
        let words: Vec<&str> = line.split_whitespace().collect();
        (0..words.len())
            .filter(|&at| words[at] == "CHECK" && (at < 2 || words[at - 2] != "CONSTRAINT"))
            .count()
    }
}
