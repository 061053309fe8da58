//! Which functions answer which record.

use crate::answer::Answered;
use crate::answer::Problem;
use crate::areas;
use crate::circular;
use crate::clusters;
use crate::counts;
use crate::coverage;
use crate::density;
use crate::effects;
use crate::geometry;
use crate::record::Record;
use crate::signs;
use crate::sun;

/// What the library answers to the record.
pub(crate) fn answer(record: &Record) -> Answered {
    match record.topic.as_str() {
        "poisson-interval" => counts::poisson(record),
        "binomial-interval" => counts::binomial(record),
        "rate-ratio" => counts::rate_ratios(record),
        "fisher" => counts::fisher(record),
        "trend" => counts::trend(record),
        "cmh" => counts::tables(record),
        "empirical-bayes" => areas::empirical_bayes(record),
        "bh-q" => areas::benjamini_hochberg(record),
        "dataset" => clusters::dataset(record),
        "gi-star" => clusters::gi_star_of(record),
        "gi" => clusters::gi_of(record),
        "conditional-permutation" => clusters::permutation(record),
        "moran" => clusters::moran(record),
        "local-moran" => clusters::local(record),
        "planar-kde" => density::planar(record),
        "network-kde" => density::network(record),
        "geodesic" => geometry::geodesics(record),
        "point-to-line" => geometry::point_to_line(record),
        "local-projection" => geometry::projection(record),
        "geojson" => geometry::geojson(record),
        "sun-position" => sun::positions(record),
        "sun-day" => sun::days(record),
        "local-time" => sun::clocks(record),
        "circular" => circular::directions(record),
        "harmonic-poisson" => circular::harmonics(record),
        "sign-letter" => signs::letters(record),
        "sign-words" => signs::words(record),
        "contrast" => signs::contrast(record),
        "generalise" => signs::generalise(record),
        "double-observer" => effects::observers(record),
        "before-after" => effects::before_after(record),
        "max-coverage" => coverage::most_covered(record),
        _ => Err(Problem::Unknown),
    }
}
