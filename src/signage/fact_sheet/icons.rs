//! Icon arrays: 100 dots, of which some are full, some ringed, the rest pale.
//!
//! Galesic, M., Garcia-Retamero, R. and Gigerenzer, G. (2009). Using icon arrays to communicate medical risks: overcoming
//! low numeracy. *Health Psychology* 28, 210-216.

use std::fmt::Write;

use crate::signage::fact_sheet::frequency::About;
use crate::signage::fact_sheet::frequency::BASE;
use crate::signage::fact_sheet::frequency::Frequency;

/// How many dots of an icon array are drawn in which way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dots {
    /// Full dots.
    pub full: u8,
    /// A dot that is full in part, for a share below 1 in 100.
    pub part: u8,
    /// Dots with a ring: up to the upper limit.
    pub ringed: u8,
}

/// The dots of a frequency; none where there is too little to say.
pub fn dots(frequency: &Frequency) -> Option<Dots> {
    let (full, part, upper) = match *frequency {
        Frequency::TooFew => return None,
        Frequency::Never { upper } => (0, 0, upper),
        Frequency::Always { .. } => (BASE, 0, BASE),
        Frequency::Some { about, upper, .. } => match about {
            About::FewerThanOne => (0, 1, upper),
            About::Whole(whole) => (whole, 0, upper),
            About::MoreThan99 => (BASE - 1, 1, upper),
        },
    };
    Some(Dots { full, part, ringed: upper.min(BASE).saturating_sub(full + part) })
}

/// Side of the drawing, in its own units.
const SIDE: u32 = 100;

/// The icon array as SVG: ten rows of ten, filled row by row from the top.
pub fn svg(dots: &Dots) -> String {
    let mut drawn = format!(r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIDE} {SIDE}">"#);
    for idx in 0..BASE {
        let (x, y) = (u32::from(idx % 10) * 10 + 5, u32::from(idx / 10) * 10 + 5);
        let (full, part) = (dots.full, dots.full + dots.part);
        let look = match idx {
            idx if idx < full => r##"r="3.8" fill="#1b2226""##,
            idx if idx < part => {
                // Writing to a string cannot fail.
                let _ = write!(drawn, r##"<circle cx="{x}" cy="{y}" r="1.8" fill="#1b2226"/>"##);
                r##"r="3.3" fill="none" stroke="#1b2226""##
            }
            idx if idx < part + dots.ringed => r##"r="3.3" fill="none" stroke="#1b2226""##,
            _ => r##"r="2.2" fill="#cfcbbf""##,
        };
        let _ = write!(drawn, r#"<circle cx="{x}" cy="{y}" {look}/>"#);
    }
    drawn + "</svg>"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dots_add_up_to_the_upper_limit() {
        let check = |frequency, full, part, ringed| {
            assert_eq!(dots(&frequency), Some(Dots { full, part, ringed }), "{frequency:?}");
        };
        check(Frequency::Never { upper: 4 }, 0, 0, 4);
        check(Frequency::Always { lower: 70 }, 100, 0, 0);
        check(Frequency::Some { about: About::Whole(3), lower: 1, upper: 8 }, 3, 0, 5);
        check(Frequency::Some { about: About::FewerThanOne, lower: 0, upper: 4 }, 0, 1, 3);
        check(Frequency::Some { about: About::MoreThan99, lower: 96, upper: 100 }, 99, 1, 0);
        assert_eq!(dots(&Frequency::TooFew), None);
    }

    #[test]
    fn there_are_always_a_hundred() {
        let drawn = svg(&Dots { full: 3, part: 0, ringed: 5 });
        assert_eq!(drawn.matches("<circle").count(), 100);
        assert_eq!(drawn.matches("stroke").count(), 5);
        assert_eq!(drawn.matches(r#"r="3.8""#).count(), 3);
    }
}
