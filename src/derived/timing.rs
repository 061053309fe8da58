//! How frequent encounters are at the times at which a segment was walked, where some of its time was closed.
//!
//! A rate is one of the common course: at any time it is the rate times the curve of season and hour. Walking that was shut out in
//! some months fell on the others, and is worth as many kilometres of the common course as the curve says of the times at which it
//! was. So reports are divided by kilometres times a factor: the mean of the curve over the course of the segment, over its mean
//! over the common course, draw by draw. It is one for all segments of which nothing was closed.

use crate::analysis::rates::ExposureDraws;
use crate::analysis::season::HOURS;
use crate::derived::exposure::ExposureLayer;
use crate::derived::season::SeasonLayer;

/// The factors, where some are not one.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    n_draws: usize,
    n_curves: usize,
    n_courses: usize,
    /// Index `(draw * n_curves + curve) * n_courses + course`.
    factor: Vec<f64>,
    /// The curve of each segment; empty where all follow the first.
    curve_of: Vec<usize>,
}

impl Timing {
    /// The factors over the whole study period; none where nothing was closed or no season can be estimated.
    pub fn of(exposure: &ExposureLayer, season: Option<&SeasonLayer>) -> Option<Self> {
        Self::over(exposure, season, |_, _| true)
    }

    /// The factors in some months (0 to 11) and hours: how much of a segment's walking of the whole period falls into them, weighted
    /// by the curve, over what it would be on the common course. None where all of them are one.
    pub(super) fn over(
        exposure: &ExposureLayer,
        season: Option<&SeasonLayer>,
        is_in: impl Fn(usize, usize) -> bool,
    ) -> Option<Self> {
        let field = &exposure.field;
        let season = season.filter(|season| !field.courses.is_plain() && season.fit.is_ok())?;
        let curves = season.curves();
        let months = &field.time.cells.year_months;
        // Each cell of the study period that counts, with that of the curve.
        let cells: Vec<(usize, usize)> = (0..field.time.cells.n_cells())
            .map(|cell| (cell, usize::from(months[cell / HOURS].month.unsigned_abs()).saturating_sub(1)))
            .filter(|(cell, month)| is_in(*month, cell % HOURS))
            .map(|(cell, month)| (cell, month * HOURS + cell % HOURS))
            .collect();
        let n_courses = field.courses.n_courses();
        let n_draws = curves.iter().map(|curve| curve.n_draws).chain([field.n_draws]).max().unwrap_or(1);
        let mut factor = Vec::with_capacity(n_draws * curves.len() * n_courses);
        for draw in 0..n_draws {
            let shares: Vec<_> =
                (0..n_courses).map(|course| field.course(course, draw % field.n_draws)).collect();
            for curve in &curves {
                let relative = curve.draw(draw % curve.n_draws);
                let mean = |course: usize| -> f64 {
                    cells.iter().map(|(cell, of_curve)| shares[course][*cell] * relative[*of_curve]).sum()
                };
                let common = mean(0);
                factor.extend((0..n_courses).map(|course| match course {
                    0 => 1.0,
                    _ if common > 0.0 => mean(course) / common,
                    _ => 1.0,
                }));
            }
        }
        let is_moved = factor.iter().any(|factor| (factor - 1.0).abs() > 1e-9);
        let n_segments = field.n_segments;
        let curve_of = if curves.len() > 1 {
            (0..n_segments).map(|it| season.curve_of(it)).collect()
        } else {
            Vec::new()
        };
        is_moved.then_some(Self { n_draws, n_curves: curves.len(), n_courses, factor, curve_of })
    }

    /// The factor of a segment in a draw, counted round again where there are fewer draws.
    pub fn factor(&self, exposure: &ExposureLayer, segment: usize, draw: usize) -> f64 {
        let curve = self.curve_of.get(segment).copied().unwrap_or(0);
        let row = &self.factor[(draw % self.n_draws * self.n_curves + curve) * self.n_courses..];
        exposure.field.courses.of(segment).iter().map(|(course, share)| share * row[*course]).sum()
    }
}

/// Party-kilometres by segment and draw, times the factors where there are some.
pub(super) fn weighed(exposure: &ExposureLayer, timing: Option<&Timing>) -> ExposureDraws {
    let field = &exposure.field;
    let mut party_km = field.party_km.clone();
    if let Some(timing) = timing {
        for (draw, row) in party_km.chunks_mut(field.n_segments.max(1)).enumerate() {
            let each = row.iter_mut().enumerate().filter(|(_, km)| **km > 0.0);
            each.for_each(|(segment, km)| *km *= timing.factor(exposure, segment, draw));
        }
    }
    ExposureDraws { n_draws: field.n_draws, n_units: field.n_segments, party_km }
}
