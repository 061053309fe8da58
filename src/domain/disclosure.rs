//! How much of a sensitive position may be shown.
//!
//! Positions are rounded to a grid, never moved at random: a random offset makes false data that look exact (Chapman
//! 2020, section 4.1).

use crate::domain::geography::LonLat;
use crate::domain::units::Length;

/// Sensitivity of a species or place (Chapman, A.D. 2020, *Current Best Practices for Generalizing Sensitive Species
/// Occurrence Data*, GBIF, doi 10.15468/doc-5jp4-5g10, tables 6 and 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SensitivityCategory {
    /// Category 1, extreme: no position is shown, at most a large region.
    Extreme,
    /// Category 2, high: 0.1 degree, about 10 km.
    High,
    /// Category 3, medium: 0.01 degree, about 1 km.
    Medium,
    /// Category 4, low: 0.001 degree, about 100 m.
    Low,
    /// Not sensitive: as held.
    NotSensitive,
}

impl SensitivityCategory {
    /// The category by its number, 1 to 4; `None` for any other number.
    pub fn from_number(number: u8) -> Option<Self> {
        match number {
            1 => Some(Self::Extreme),
            2 => Some(Self::High),
            3 => Some(Self::Medium),
            4 => Some(Self::Low),
            _ => None,
        }
    }

    /// Its number, 1 to 4; `None` when not sensitive.
    pub fn number(self) -> Option<u8> {
        match self {
            Self::Extreme => Some(1),
            Self::High => Some(2),
            Self::Medium => Some(3),
            Self::Low => Some(4),
            Self::NotSensitive => None,
        }
    }

    /// Decimal places of a degree that may be shown; `None` where no position is shown or nothing is rounded.
    pub fn decimals(self) -> Option<u8> {
        match self {
            Self::High => Some(1),
            Self::Medium => Some(2),
            Self::Low => Some(3),
            Self::Extreme | Self::NotSensitive => None,
        }
    }
}

/// What may be shown of a position.
#[derive(Debug, Clone, PartialEq)]
pub enum Disclosed {
    /// The position as held.
    AsHeld {
        /// The position.
        position: LonLat,
        /// Its uncertainty, where known.
        coordinate_uncertainty: Option<Length>,
    },
    /// The position rounded to a grid.
    Generalised {
        /// The rounded position.
        position: LonLat,
        /// The original uncertainty plus the diagonal of a grid cell; without an original one, the diagonal alone.
        coordinate_uncertainty: Length,
        /// Text for `dataGeneralizations`.
        data_generalizations: String,
    },
    /// No position.
    Withheld {
        /// Text for `informationWithheld`.
        information_withheld: String,
    },
}

/// What may be shown of a position of the given category.
pub fn disclose(
    position: LonLat,
    coordinate_uncertainty: Option<Length>,
    category: SensitivityCategory,
) -> Disclosed {
    match category.decimals() {
        Some(decimals) => {
            let rounded = rounded(position, decimals);
            let original = coordinate_uncertainty.unwrap_or(Length::ZERO);
            let diagonal = cell_diagonal(rounded.lat(), step_degrees(decimals));
            let sum = Length::metres(original.in_metres() + diagonal.in_metres()).unwrap_or(diagonal);
            let data_generalizations = generalisation_text(decimals);
            Disclosed::Generalised { position: rounded, coordinate_uncertainty: sum, data_generalizations }
        }
        None if category == SensitivityCategory::NotSensitive => {
            Disclosed::AsHeld { position, coordinate_uncertainty }
        }
        None => Disclosed::Withheld {
            information_withheld: "location information not given for a sensitive species or place"
                .to_owned(),
        },
    }
}

/// The text for `dataGeneralizations` of positions rounded to so many decimal places of a degree.
pub fn generalisation_text(decimals: u8) -> String {
    let step = step_degrees(decimals);
    format!(
        "Coordinates generalised from the original coordinates to the nearest {step} degree of a decimal \
         geographic grid, because the species or place is sensitive; better data may be available on request"
    )
}

/// One step of a grid of so many decimal places, degrees.
pub fn step_degrees(decimals: u8) -> f64 {
    1.0 / 10f64.powi(i32::from(decimals))
}

/// A position rounded to so many decimal places of a degree, half away from zero.
pub fn rounded(position: LonLat, decimals: u8) -> LonLat {
    LonLat::wrapped(rounded_degrees(position.lon(), decimals), rounded_degrees(position.lat(), decimals))
}

/// Degrees rounded to so many decimal places, half away from zero as written in decimals; never minus zero.
fn rounded_degrees(degrees: f64, decimals: u8) -> f64 {
    let scale = 10f64.powi(i32::from(decimals));
    let scaled = degrees.abs() * scale;
    // 18.955 is held as slightly less than it reads; a half as written must still go up.
    let steps = (scaled + 0.5 + scaled * 4.0 * f64::EPSILON).floor();
    // Dividing a whole number by a power of ten gives the double nearest to the decimal.
    let magnitude = steps / scale;
    if degrees < 0.0 && magnitude > 0.0 { -magnitude } else { magnitude }
}

/// The diagonal of a grid cell: how far apart two positions with the same rounded coordinates may be.
///
/// `lat` and `step_deg` are in degrees; on the WGS 84 ellipsoid (Chapman, A.D. & Wieczorek, J.R. 2020, *Georeferencing
/// Best Practices*, GBIF, doi 10.15468/doc-gg7h-s853, uncertainty from coordinate precision). Rounding to the nearest
/// moves a position by half of it at most; publishing the whole is the careful reading.
pub fn cell_diagonal(lat: f64, step_deg: f64) -> Length {
    // WGS 84: equatorial radius and square of the first eccentricity.
    const A_M: f64 = 6_378_137.0;
    const E2: f64 = 6.694_379_990_141_316_5e-3;
    let sine = lat.to_radians().sin();
    let curvature = 1.0 - E2 * sine * sine;
    let meridian_m = A_M * (1.0 - E2) / curvature.powf(1.5);
    let parallel_m = A_M / curvature.sqrt() * lat.to_radians().cos();
    let step = step_deg.to_radians();
    Length::metres((meridian_m * step).hypot(parallel_m * step)).unwrap_or(Length::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chapman & Wieczorek (2020), table of uncertainty from precision (Wieczorek 2001), values rounded up there.
    #[test]
    fn the_diagonal_follows_the_published_table() {
        let check = |lat, expected: [f64; 4]| {
            for (step, expected) in [1.0, 0.1, 0.01, 0.001].into_iter().zip(expected) {
                let diagonal = cell_diagonal(lat, step).in_metres();
                assert!((diagonal - expected).abs() <= 1.5 + 0.0012 * expected, "{lat} {step} {diagonal}");
            }
        };
        check(0.0, [156_904.0, 15_691.0, 1_570.0, 157.0]);
        check(30.0, [146_962.0, 14_697.0, 1_470.0, 147.0]);
        check(60.0, [124_605.0, 12_461.0, 1_246.0, 125.0]);
        check(85.0, [112_109.0, 11_211.0, 1_121.0, 112.0]);
    }

    #[test]
    fn rounding_is_half_away_from_zero_and_never_minus_zero() {
        let check = |degrees, decimals, expected: f64| {
            let rounded = rounded_degrees(degrees, decimals);
            assert_eq!(rounded.to_bits(), expected.to_bits(), "{degrees} {decimals} {rounded}");
        };
        check(36.10692, 1, 36.1);
        check(-112.11294, 2, -112.11);
        check(18.955, 2, 18.96);
        check(-16.85, 1, -16.9);
        check(0.04999, 1, 0.0);
        check(-0.04999, 1, 0.0);
        check(179.9996, 3, 180.0);
        check(1.005, 2, 1.01);
    }

    #[test]
    fn categories_round_add_uncertainty_or_withhold() {
        let position = LonLat::new(151.20732, -33.86785).unwrap();
        let original = Length::metres(30.0).ok();
        let Disclosed::Generalised { position: public, coordinate_uncertainty, data_generalizations } =
            disclose(position, original, SensitivityCategory::Medium)
        else {
            panic!("a medium category is generalised")
        };
        assert_eq!((public.lon(), public.lat()), (151.21, -33.87));
        // WGS 84 radii: a full cell there is 1,444.4 m across its diagonal.
        assert!((coordinate_uncertainty.in_metres() - 1474.4).abs() < 3.0);
        assert!(data_generalizations.contains("0.01 degree"));
        assert!(matches!(
            disclose(position, original, SensitivityCategory::Extreme),
            Disclosed::Withheld { .. }
        ));
        let held = disclose(position, original, SensitivityCategory::NotSensitive);
        assert_eq!(held, Disclosed::AsHeld { position, coordinate_uncertainty: original });
    }

    #[test]
    fn categories_have_numbers() {
        for number in 1..=4 {
            assert_eq!(
                SensitivityCategory::from_number(number).and_then(SensitivityCategory::number),
                Some(number)
            );
        }
        assert_eq!(SensitivityCategory::from_number(0), None);
        assert_eq!(SensitivityCategory::NotSensitive.number(), None);
    }
}
