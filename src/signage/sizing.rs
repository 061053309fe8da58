//! Letters large enough to read, colours that can be told apart, distances rounded to what a walker remembers.

use crate::domain::units::Length;

/// Metres in a foot (international foot, exact).
pub const METRES_PER_FOOT: f64 = 0.3048;
/// Millimetres in an inch (exact).
pub const MILLIMETRES_PER_INCH: f64 = 25.4;

/// How far a letter of given height can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LegibilityRule {
    /// 30 ft of reading distance per inch of letter height: the rule since the MUTCD of 2009, and the default.
    ThirtyFeetPerInch,
    /// 40 ft per inch (25 mm per 12 m): the older rule (MUTCD, Millennium edition, section 2A.14).
    FortyFeetPerInch,
}

impl LegibilityRule {
    /// Feet of reading distance per inch of letter height.
    pub fn feet_per_inch(self) -> f64 {
        match self {
            Self::ThirtyFeetPerInch => 30.0,
            Self::FortyFeetPerInch => 40.0,
        }
    }
}

/// The smallest letter height, in inches, for a reading distance in feet.
pub fn letter_height_in(distance_ft: f64, rule: LegibilityRule) -> f64 {
    distance_ft / rule.feet_per_inch()
}

/// The smallest letter height for a reading distance.
///
/// # Examples
/// ```
/// use coilway::domain::units::Length;
/// use coilway::signage::sizing::{LegibilityRule, letter_height};
/// let thirty_feet = Length::metres(30.0 * 0.3048)?;
/// let height = letter_height(thirty_feet, LegibilityRule::ThirtyFeetPerInch);
/// assert!((height.in_millimetres() - 25.4).abs() < 1e-9);
/// # Ok::<(), coilway::domain::units::InvalidQuantity>(())
/// ```
pub fn letter_height(distance: Length, rule: LegibilityRule) -> Length {
    let height_in = letter_height_in(distance.in_metres() / METRES_PER_FOOT, rule);
    // A finite, non-negative distance gives a finite, non-negative height.
    Length::millimetres(height_in * MILLIMETRES_PER_INCH).unwrap_or(Length::ZERO)
}

/// The smallest height of a character, in inches, on a sign under the ADA Standards (2010), table 703.5.5.
///
/// `baseline_in` is the height of the baseline above the ground and `distance_in` the horizontal viewing distance, both
/// in inches. `None` where the table has no row: a baseline below 40 inches, or a number that is not one. Between whole
/// feet the table is taken as proportional.
pub fn accessible_character_height_in(baseline_in: f64, distance_in: f64) -> Option<f64> {
    if !(distance_in >= 0.0 && distance_in.is_finite() && baseline_in.is_finite()) {
        return None;
    }
    // Height up to a nearest distance, then 1/8 inch more for every further foot.
    let (smallest_in, near_in) = match baseline_in {
        below if below < 40.0 => return None,
        low if low <= 70.0 => (0.625, 72.0),
        middle if middle <= 120.0 => (2.0, 180.0),
        _ => (3.0, 252.0),
    };
    Some(smallest_in + 0.125 * (distance_in - near_in).max(0.0) / 12.0)
}

/// A signal word at the head of a sign, after the definitions of ANSI Z535.4-2007, clause 4.14, in our own words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignalWord {
    /// Will result in death or serious injury if not avoided; for the most extreme situations only.
    Danger,
    /// Could result in death or serious injury.
    Warning,
    /// Could result in minor or moderate injury.
    Caution,
    /// Not about injury; carries no alert triangle.
    Notice,
}

impl SignalWord {
    /// The word as it is written.
    pub fn word(self) -> &'static str {
        match self {
            Self::Danger => "DANGER",
            Self::Warning => "WARNING",
            Self::Caution => "CAUTION",
            Self::Notice => "NOTICE",
        }
    }

    /// How surely, and how badly, somebody may be hurt: `certainty:outcome`.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Danger => "will:death_or_serious",
            Self::Warning => "could:death_or_serious",
            Self::Caution => "could:minor_or_moderate",
            Self::Notice => "no_injury",
        }
    }
}

/// A colour by its red, green and blue parts, 0 to 255 each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Colour {
    /// Red.
    pub red: u8,
    /// Green.
    pub green: u8,
    /// Blue.
    pub blue: u8,
}

impl Colour {
    /// A colour from `#rrggbb`; `None` for anything else.
    pub fn from_hex(text: &str) -> Option<Self> {
        let digits =
            text.strip_prefix('#').filter(|d| d.len() == 6 && d.bytes().all(|b| b.is_ascii_hexdigit()))?;
        let part = |from: usize| u8::from_str_radix(&digits[from..from + 2], 16).ok();
        Some(Self { red: part(0)?, green: part(2)?, blue: part(4)? })
    }

    /// Relative luminance, 0 (black) to 1 (white), after WCAG 2.2.
    pub fn relative_luminance(self) -> f64 {
        0.2126 * linear(self.red) + 0.7152 * linear(self.green) + 0.0722 * linear(self.blue)
    }
}

/// An sRGB part as light.
fn linear(part: u8) -> f64 {
    let part = f64::from(part) / 255.0;
    if part <= 0.04045 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
}

/// The contrast ratio of two colours, 1 to 21, in either order (WCAG 2.2, success criterion 1.4.3).
pub fn contrast_ratio(a: Colour, b: Colour) -> f64 {
    let (a, b) = (a.relative_luminance(), b.relative_luminance());
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// How much contrast is enough.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ContrastLevel {
    /// 4.5: text, level AA.
    Text,
    /// 3: large text, level AA.
    LargeText,
    /// 7: text, level AAA.
    EnhancedText,
}

impl ContrastLevel {
    /// The least ratio.
    pub fn least_ratio(self) -> f64 {
        match self {
            Self::Text => 4.5,
            Self::LargeText => 3.0,
            Self::EnhancedText => 7.0,
        }
    }

    /// Whether a ratio is enough.
    pub fn is_met_by(self, ratio: f64) -> bool {
        ratio >= self.least_ratio()
    }
}

/// A distance for a sign, rounded up so that the warned stretch is never said to end before it does.
///
/// Steps of 50 m up to 500 m, 100 m up to 1 km, 500 m beyond. No distance stays none.
pub fn rounded_up(distance: Length) -> Length {
    let metres = distance.in_metres();
    let step = match metres {
        short if short <= 500.0 => 50.0,
        middle if middle <= 1000.0 => 100.0,
        _ => 500.0,
    };
    // A micrometre of slack, so that 300 m computed as 300.000000001 m stays 300 m.
    let steps = ((metres - 1e-6) / step).ceil().max(0.0);
    Length::metres(steps * step).unwrap_or(distance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_follow_the_ratio() {
        let check = |distance_ft, thirty_mm: f64, forty_mm: f64| {
            let distance = Length::metres(distance_ft * METRES_PER_FOOT).unwrap();
            let height = |rule| letter_height(distance, rule).in_millimetres();
            assert!((height(LegibilityRule::ThirtyFeetPerInch) - thirty_mm).abs() < 1e-6);
            assert!((height(LegibilityRule::FortyFeetPerInch) - forty_mm).abs() < 1e-6);
        };
        check(0.0, 0.0, 0.0);
        check(30.0, 25.4, 19.05);
        check(100.0, 84.666_666_7, 63.5);
    }

    /// ADA Standards (2010), table 703.5.5; 2.5 in at 21 ft is a figure worked in public.
    #[test]
    fn accessible_characters_follow_the_table() {
        let check = |baseline, distance, expected| {
            assert_eq!(accessible_character_height_in(baseline, distance), expected, "{baseline} {distance}");
        };
        check(60.0, 72.0, Some(0.625));
        check(60.0, 252.0, Some(2.5));
        check(70.0, 120.0, Some(1.125));
        check(70.1, 120.0, Some(2.0));
        check(100.0, 300.0, Some(3.25));
        check(130.0, 240.0, Some(3.0));
        check(130.0, 372.0, Some(4.25));
        check(36.0, 60.0, None);
        check(60.0, f64::NAN, None);
    }

    /// White on black and the greys: samples in a colour library's documentation. The others: formula of WCAG 2.2.
    #[test]
    fn contrast_follows_the_formula() {
        let check = |a, b, expected: f64, tolerance| {
            let ratio = contrast_ratio(Colour::from_hex(a).unwrap(), Colour::from_hex(b).unwrap());
            assert!((ratio - expected).abs() < tolerance, "{a} {b} {ratio}");
        };
        check("#ffffff", "#000000", 21.0, 1e-9);
        check("#767676", "#ffffff", 4.54, 0.006);
        check("#ffffff", "#ffff00", 1.07, 0.006);
        check("#ffcc00", "#000000", 13.889146255, 1e-8);
        check("#777777", "#ffffff", 4.47808945358, 1e-9);
        assert!(!ContrastLevel::Text.is_met_by(4.478) && ContrastLevel::LargeText.is_met_by(4.478));
        for bad in ["ffffff", "#fff", "#gggggg", "#ééé", ""] {
            assert_eq!(Colour::from_hex(bad), None, "{bad}");
        }
    }

    #[test]
    fn distances_are_rounded_up_to_friendly_steps() {
        let check = |metres, expected: f64| {
            let rounded = rounded_up(Length::metres(metres).unwrap());
            assert!((rounded.in_metres() - expected).abs() < 1e-9, "{metres}");
        };
        check(0.0, 0.0);
        check(1.0, 50.0);
        check(300.000_000_001, 300.0);
        check(301.0, 350.0);
        check(501.0, 600.0);
        check(1000.0, 1000.0);
        check(1001.0, 1500.0);
        check(2600.0, 3000.0);
    }
}
