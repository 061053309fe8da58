//! The terms of a season model and their values.

use crate::analysis::season::HOURS;
use crate::analysis::season::cells::YEAR_DAYS;
use std::f64::consts::TAU;

/// Cosine or sine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Wave {
    /// Cosine: highest at the start of the cycle.
    Cosine,
    /// Sine: highest a quarter of the cycle later.
    Sine,
}

/// A term of the log rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Term {
    /// The log rate of reference level and year, where groups share rates by level.
    Intercept,
    /// A level against the level with the most records.
    Level(usize),
    /// A year against the year with the most records.
    Year(i32),
    /// Ten degrees of daily maximum temperature, from the mean.
    Temperature,
    /// A harmonic of the day of the year.
    Season {
        /// How often it peaks in a year.
        order: usize,
        /// Its phase.
        wave: Wave,
    },
    /// How a level's season departs from that of the level with the most records.
    LevelSeason {
        /// The level.
        level: usize,
        /// How often it peaks in a year.
        order: usize,
        /// Its phase.
        wave: Wave,
    },
    /// A harmonic of the hour.
    Hour {
        /// How often it peaks in a day.
        order: usize,
        /// Its phase.
        wave: Wave,
    },
}

/// Which terms a model has.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Model {
    /// Whether there is an intercept; otherwise groups have free rates.
    pub(super) has_intercept: bool,
    /// Levels with a term of their own.
    pub(super) levels: Vec<usize>,
    /// Years with a term of their own.
    pub(super) years: Vec<i32>,
    /// The temperature from which the temperature term counts, if there is one.
    pub(super) mean_temperature_c: Option<f64>,
    pub(super) season_harmonics: usize,
    pub(super) hour_harmonics: usize,
    /// Levels with a season of their own.
    pub(super) season_levels: Vec<usize>,
}

/// A place in the year for which a model is evaluated.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moment {
    pub(super) day: f64,
    pub(super) max_temperature_c: Option<f64>,
}

impl Model {
    /// The terms that vary between rows (level and period), in order; the intercept apart.
    pub(super) fn row_terms(&self) -> Vec<Term> {
        let mut terms: Vec<Term> = self.levels.iter().map(|&level| Term::Level(level)).collect();
        terms.extend(self.years.iter().map(|&year| Term::Year(year)));
        terms.extend(self.mean_temperature_c.map(|_| Term::Temperature));
        terms.extend(self.waves(self.season_harmonics, |order, wave| Term::Season { order, wave }));
        for &level in &self.season_levels {
            terms.extend(self.waves(self.season_harmonics, |order, wave| Term::LevelSeason {
                level,
                order,
                wave,
            }));
        }
        terms
    }

    /// The terms that vary between hours, in order.
    pub(super) fn hour_terms(&self) -> Vec<Term> {
        self.waves(self.hour_harmonics, |order, wave| Term::Hour { order, wave })
    }

    /// The coefficients of the row terms.
    pub(super) fn row_coefficients<'a>(&self, coefficients: &'a [f64]) -> &'a [f64] {
        &coefficients[usize::from(self.has_intercept)..coefficients.len() - 2 * self.hour_harmonics]
    }

    /// All terms in the order of the coefficients.
    pub(super) fn terms(&self) -> Vec<Term> {
        let mut terms: Vec<Term> = self.has_intercept.then_some(Term::Intercept).into_iter().collect();
        terms.extend(self.row_terms());
        terms.extend(self.hour_terms());
        terms
    }

    fn waves(&self, n_harmonics: usize, term: impl Fn(usize, Wave) -> Term) -> Vec<Term> {
        (1..=n_harmonics).flat_map(|order| [term(order, Wave::Cosine), term(order, Wave::Sine)]).collect()
    }

    /// The value of a row term.
    pub(super) fn row_value(&self, term: Term, level: usize, year: i32, moment: Moment) -> f64 {
        let season = |order, wave| wave_value(moment.day / YEAR_DAYS, order, wave);
        match term {
            Term::Intercept => 1.0,
            Term::Level(own) => f64::from(u8::from(own == level)),
            Term::Year(own) => f64::from(u8::from(own == year)),
            Term::Temperature => match (moment.max_temperature_c, self.mean_temperature_c) {
                (Some(temperature), Some(mean)) => (temperature - mean) / 10.0,
                _ => 0.0,
            },
            Term::Season { order, wave } => season(order, wave),
            Term::LevelSeason { level: own, order, wave } if own == level => season(order, wave),
            Term::LevelSeason { .. } | Term::Hour { .. } => 0.0,
        }
    }

    /// What the time of the year adds to a level's log rate, years and the level itself apart.
    pub(super) fn season_log(&self, coefficients: &[f64], level: usize, moment: Moment) -> f64 {
        let terms = self.row_terms();
        let seasonal = terms.iter().zip(self.row_coefficients(coefficients)).filter(|(term, _)| {
            matches!(term, Term::Temperature | Term::Season { .. } | Term::LevelSeason { .. })
        });
        // The year does not enter a seasonal term.
        seasonal.map(|(&term, value)| value * self.row_value(term, level, i32::MIN, moment)).sum()
    }

    /// What a time of day, in hours, adds to the log rate.
    pub(super) fn hour_log(&self, coefficients: &[f64], hour: f64) -> f64 {
        let own = &coefficients[coefficients.len() - 2 * self.hour_harmonics..];
        self.hour_terms().iter().zip(own).map(|(&term, value)| value * hour_value(term, hour)).sum()
    }
}

/// The value of an hour term at a time of day, in hours; zero for the other terms.
pub(super) fn hour_value(term: Term, hour: f64) -> f64 {
    match term {
        Term::Hour { order, wave } => wave_value(hour / HOURS as f64, order, wave),
        _ => 0.0,
    }
}

fn wave_value(share_of_cycle: f64, order: usize, wave: Wave) -> f64 {
    let angle = TAU * order as f64 * share_of_cycle;
    match wave {
        Wave::Cosine => angle.cos(),
        Wave::Sine => angle.sin(),
    }
}
