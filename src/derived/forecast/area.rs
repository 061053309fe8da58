//! What to expect over the whole area: of a party that walks the average of all walking, and of all walking of a period.

use crate::analysis::exposure::ExposureField;
use crate::analysis::forecast::ForecastParams;
use crate::analysis::forecast::ForecastRates;
use crate::analysis::forecast::PeriodKnown;
use crate::analysis::forecast::RouteKm;
use crate::analysis::forecast::UnitKnown;
use crate::analysis::forecast::area;
use crate::analysis::forecast::area::AreaForecast;
use crate::analysis::forecast::area::AreaPart;
use crate::analysis::forecast::area::AreaWalking;
use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::UnitFactors;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::forecast::Ground;
use crate::derived::forecast::all_periods;
use crate::derived::forecast::dispersion;
use crate::derived::forecast::draws;
use crate::derived::forecast::known;
use crate::derived::rates;
use crate::derived::season;
use crate::derived::season::PeriodChoice;

/// Hours of a day.
const HOURS: usize = 24;
/// Days of each month in a mean year.
const DAYS: [f64; 12] = [31.0, 28.25, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0];

/// What is said of the whole area in a period of a mean year.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaAnswer {
    /// Parties that were asked about, or as many as an average day has in the period; at least one.
    pub n_parties: u32,
    /// Whether that is what an average day has.
    pub is_usual: bool,
    /// Kilometres of trail by what is known of them, each counted once.
    pub trail_km: RouteKm,
    /// Months of the period without a day in the study period: in no figure.
    pub n_months_unknown: usize,
    /// Whether something was closed for a time: it counts as open, unless it is closed without a known end.
    pub is_reopened: bool,
    /// The figures, or why there are none.
    pub figures: AreaFigures,
}

/// The figures of the whole area.
#[derive(Debug, Clone, PartialEq)]
pub enum AreaFigures {
    /// There are some.
    Estimated(Box<AreaForecast>),
    /// Too little walking is known in the period for a figure.
    TooLittleKnown(PeriodKnown),
    /// Nobody is known to walk where there is a rate.
    NotEstimable,
}

/// The whole area in one period.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaPeriod {
    /// The period.
    pub period: PeriodChoice,
    /// The answer for as many parties as an average day has; or why there is none, in words.
    pub answer: Result<AreaAnswer, String>,
}

/// Walking by stretch, made once for all periods.
struct Walked<'a> {
    ground: &'a Ground<'a>,
    /// Party-kilometres of the study period without closures that are over, index `draw * n_stretches + stretch`.
    party_km: Vec<f64>,
    /// Parties who would have started in the study period without closures that are over, by draw.
    parties: Vec<f64>,
    /// Share of each stretch's party-kilometres that a party walks for the first time.
    first_pass: Vec<f64>,
    known: Vec<UnitKnown>,
    trail_km: RouteKm,
    /// Days of the study period by month.
    n_days: [f64; 12],
    /// Share of all walking by month and hour, `month * 24 + hour`.
    shares: Vec<f64>,
}

/// Answers for the whole area in a period of a mean year: all that is walked then, and `n_parties` that each walk the average of
/// it; as many as an average day has where none is given.
///
/// Walking of a month is that of the study period by day, times the days of the month, as it would be if nothing were closed but what
/// is closed without a known end. Assumed walking is in the figures, and how
/// much of it is said; stretches without known walking are in none.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when nobody walks in the period or no season can be estimated.
pub fn area(
    ground: &Ground<'_>,
    period: PeriodChoice,
    n_parties: Option<u32>,
) -> Result<AreaAnswer, DeriveError> {
    Walked::of(ground)?.answer(period, n_parties)
}

/// [`area()`] in the year and all its months, each as a whole and by part of the day.
///
/// # Errors
/// [`DeriveError::Internal`] when the layers do not fit together.
pub(super) fn area_periods(ground: &Ground<'_>) -> Result<Vec<AreaPeriod>, DeriveError> {
    let walked = Walked::of(ground)?;
    let of_period = |period: PeriodChoice| match walked.answer(period, None) {
        Ok(answer) => Ok(AreaPeriod { period, answer: Ok(answer) }),
        Err(DeriveError::Unanswerable(reason)) => Ok(AreaPeriod { period, answer: Err(reason) }),
        Err(error) => Err(error),
    };
    all_periods().into_iter().map(of_period).collect()
}

impl<'a> Walked<'a> {
    fn of(ground: &'a Ground<'a>) -> Result<Self, DeriveError> {
        let (field, members) = (&ground.exposure.field, &ground.rates.stretches.members);
        let party_km = rates::by_unit(&ground.rates.stretches, &from_now_on(field))?.party_km;
        let parties = (0..field.n_draws).map(|draw| field.parties_from_now_on(draw)).collect();
        let known = known(ground.rates);
        let mut trail_km = RouteKm::default();
        for (segments, known) in members.iter().zip(&known) {
            for segment in segments {
                let length_km = ground.network.network.segments[*segment].length_m / 1000.0;
                let outside_km = length_km * ground.network.outside_places[*segment];
                trail_km.add(*known, outside_km);
                trail_km.at_places += length_km - outside_km;
            }
        }
        let cells = &field.time.cells;
        let mut n_days = [0.0; 12];
        let mut shares = vec![0.0; 12 * HOURS];
        for (days, month) in cells.days.iter().zip(&cells.year_months) {
            n_days[month_idx(month.month)] += days.iter().sum::<f64>();
        }
        for (cell, share) in field.time.mean().iter().enumerate() {
            shares[month_idx(cells.year_months[cell / HOURS].month) * HOURS + cell % HOURS] += share;
        }
        let first_pass = first_pass(ground, ground.exposure);
        Ok(Self { ground, party_km, parties, first_pass, known, trail_km, n_days, shares })
    }

    fn answer(&self, period: PeriodChoice, n_parties: Option<u32>) -> Result<AreaAnswer, DeriveError> {
        let months = || (0..12).filter(|month| period.month.is_none_or(|it| month_idx(it) == *month));
        let n_months_unknown = months().filter(|month| self.n_days[*month] <= 0.0).count();
        let n_days: f64 = months().filter(|month| self.n_days[*month] > 0.0).map(|month| DAYS[month]).sum();
        let mut factors = Vec::new();
        for month in months() {
            let of_month = PeriodChoice { month: Some(month as i8 + 1), part: period.part };
            let chosen =
                (0..12 * HOURS).filter(|cell| season::is_chosen(of_month, cell / HOURS, cell % HOURS));
            let share: f64 = chosen.map(|cell| self.shares[cell]).sum();
            if self.n_days[month] > 0.0 && share > 0.0 {
                factors.push((self.factors(period, of_month)?, share * DAYS[month] / self.n_days[month]));
            }
        }
        if factors.is_empty() {
            return Err(DeriveError::missing("Nobody walks here in that month and part of the day."));
        }
        let given = |factors| ForecastRates { draws: draws(self.ground.rates), factors, known: &self.known };
        let parts: Vec<AreaPart<'_>> = factors
            .iter()
            .map(|(factors, amount)| AreaPart { rates: given(factors), amount: *amount })
            .collect();
        let walking =
            AreaWalking { party_km: &self.party_km, parties: &self.parties, first_pass: &self.first_pass };
        let sums = area::area_draws(&parts, &walking).map_err(DeriveError::internal)?;
        let usual = (sums.mean_parties() / n_days).round().clamp(1.0, f64::from(u32::MAX)) as u32;
        let params = ForecastParams {
            n_parties: n_parties.unwrap_or(usual),
            dispersion: dispersion(self.ground.season),
            confidence_level: 0.95,
        };
        let too_little = self.ground.season.known_in(period).filter(PeriodKnown::is_too_little);
        let figures = match (sums.forecast(&params).map_err(DeriveError::internal)?, too_little) {
            (None, _) => AreaFigures::NotEstimable,
            (Some(_), Some(known)) => AreaFigures::TooLittleKnown(known),
            (Some(forecast), None) => AreaFigures::Estimated(Box::new(forecast)),
        };
        Ok(AreaAnswer {
            n_parties: params.n_parties,
            is_usual: n_parties.is_none(),
            trail_km: self.trail_km,
            n_months_unknown,
            is_reopened: !self.ground.exposure.field.courses.is_plain(),
            figures,
        })
    }

    /// The factors of a month; ones where no season can be estimated and the whole year is asked about.
    fn factors(&self, period: PeriodChoice, of_month: PeriodChoice) -> Result<UnitFactors, DeriveError> {
        let season = self.ground.season;
        if season.fit.is_err() && period == PeriodChoice::default() {
            return Ok(UnitFactors::common(vec![1.0]));
        }
        season.unit_factors(&self.ground.rates.stretches.members, of_month)
    }
}

/// Party-kilometres of the study period by segment as they would be without closures that are over.
fn from_now_on(field: &ExposureField) -> ExposureDraws {
    let mut party_km = field.party_km.clone();
    if !field.courses.is_plain() {
        for (draw, row) in party_km.chunks_mut(field.n_segments.max(1)).enumerate() {
            row.iter_mut().enumerate().for_each(|(segment, km)| *km *= field.from_now_on(segment, draw));
        }
    }
    ExposureDraws { n_draws: field.n_draws, n_units: field.n_segments, party_km }
}

/// The position of a month, 1 to 12.
fn month_idx(month: i8) -> usize {
    usize::from(month.unsigned_abs()).saturating_sub(1).min(11)
}

/// Of the party-kilometres of each stretch the share that a party walks for the first time on its trip, from the representative
/// trips; where none comes by, the share of all of them.
fn first_pass(ground: &Ground<'_>, exposure: &ExposureLayer) -> Vec<f64> {
    let network = &ground.network.network;
    let n_stretches = ground.rates.stretches.members.len();
    let mut sums = vec![(0.0, 0.0); n_stretches];
    let mut last_trip = vec![usize::MAX; network.segments.len()];
    for (number, trip) in exposure.trips.iter().enumerate() {
        let on_legs = exposure.parties_on_legs(trip, ground.network);
        for (at, leg) in trip.legs.iter().enumerate() {
            let outside_m =
                network.segments[leg.segment].length_m * ground.network.outside_places[leg.segment];
            let walked_m = outside_m * on_legs.get(at).copied().unwrap_or(trip.parties);
            let (first, all) = &mut sums[ground.rates.stretch_of[leg.segment]];
            *all += walked_m;
            if last_trip[leg.segment] != number {
                last_trip[leg.segment] = number;
                *first += walked_m;
            }
        }
    }
    let share = |(first, all): (f64, f64)| (all > 0.0).then(|| first / all);
    let total = sums.iter().fold((0.0, 0.0), |sum, it| (sum.0 + it.0, sum.1 + it.1));
    let otherwise = share(total).unwrap_or(1.0);
    sums.into_iter().map(|sum| share(sum).unwrap_or(otherwise)).collect()
}
