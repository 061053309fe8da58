//! Icon arrays: 100 dots, of which some are full, some ringed, the rest pale.
//!
//! Galesic, M., Garcia-Retamero, R. and Gigerenzer, G. (2009). Using icon arrays to communicate medical risks: overcoming
//! low numeracy. *Health Psychology* 28, 210-216.

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

/// How one dot is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Look {
    /// Full.
    Full,
    /// A ring with a small dot in it: full in part.
    Part,
    /// A ring.
    Ring,
    /// Pale and small.
    Pale,
}

impl Dots {
    /// How the dot of a number, counted from the top row by row, is drawn.
    pub fn look(&self, idx: u8) -> Look {
        let (full, part) = (self.full, self.full + self.part);
        match idx {
            idx if idx < full => Look::Full,
            idx if idx < part => Look::Part,
            idx if idx < part + self.ringed => Look::Ring,
            _ => Look::Pale,
        }
    }
}

/// Side of the drawing, in its own units.
const SIDE: u32 = 100;
/// Side of one dot's square.
const STEP: u32 = SIDE / 10;

/// A dot about a point.
fn dot(look: Look, (x, y): (u32, u32)) -> String {
    let circle = |attributes: &str| format!(r#"<circle cx="{x}" cy="{y}" {attributes}/>"#);
    match look {
        Look::Full => circle(r##"r="3.8" fill="#1b2226""##),
        Look::Part => {
            circle(r##"r="1.8" fill="#1b2226""##) + &circle(r##"r="3.3" fill="none" stroke="#1b2226""##)
        }
        Look::Ring => circle(r##"r="3.3" fill="none" stroke="#1b2226""##),
        Look::Pale => circle(r##"r="2.2" fill="#cfcbbf""##),
    }
}

fn drawing(side: u32, drawn: &str) -> String {
    format!(r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}">{drawn}</svg>"#)
}

/// One dot as SVG, for the legend.
pub fn key(look: Look) -> String {
    drawing(STEP, &dot(look, (STEP / 2, STEP / 2)))
}

/// The icon array as SVG: ten rows of ten, filled row by row from the top.
pub fn svg(dots: &Dots) -> String {
    let at = |idx: u8| (u32::from(idx % 10) * STEP + STEP / 2, u32::from(idx / 10) * STEP + STEP / 2);
    let drawn: String = (0..BASE).map(|idx| dot(dots.look(idx), at(idx))).collect();
    drawing(SIDE, &drawn)
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

    #[test]
    fn the_legend_draws_dots_as_the_array_does() {
        let drawn = svg(&Dots { full: 1, part: 1, ringed: 1 });
        for look in [Look::Full, Look::Part, Look::Ring, Look::Pale] {
            let alone = key(look);
            let style = alone.split("cy=\"5\" ").nth(1).unwrap().split("/>").next().unwrap();
            assert!(drawn.contains(style), "{look:?}: {style}");
        }
        assert_eq!(key(Look::Part).matches("<circle").count(), 2);
    }
}
