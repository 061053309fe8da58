//! Circular statistics of times of day and of year.
//!
//! Unweighted, these describe when records were made, which is mostly when people walked. Weighted by one over the
//! exposure at each record's time they describe the rate. Whether the rate depends on the hour is tested in `season`
//! with the exposure as offset, not here.

use std::f64::consts::PI;
use std::f64::consts::TAU;

/// Below this resultant length the mean direction is rounding noise.
const LEAST_RESULTANT_LENGTH: f64 = 1e-12;

/// Why circular statistics could not be computed.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CircularError {
    /// There is no direction at all.
    #[error("no directions were given")]
    Empty,
    /// A direction or time is not finite.
    #[error("direction {index} is not a finite number")]
    NotFinite {
        /// Its position in the input.
        index: usize,
    },
    /// A weight is not positive and finite.
    #[error("weight {index} is not a positive finite number")]
    InvalidWeight {
        /// Its position in the input.
        index: usize,
    },
    /// There are not as many weights as directions.
    #[error("{directions} directions but {weights} weights")]
    LengthMismatch {
        /// Number of directions.
        directions: usize,
        /// Number of weights.
        weights: usize,
    },
    /// The concentration of a kernel is negative or not finite.
    #[error("a kernel concentration must be finite and at least zero, not {0}")]
    InvalidConcentration(f64),
}

/// The angle of a time of day: hours in, radians out, midnight at zero. Hours outside [0, 24) wrap.
pub fn hours_to_radians(hours: f64) -> f64 {
    (hours / 24.0).rem_euclid(1.0) * TAU
}

/// The time of day of an angle, in hours in [0, 24).
pub fn radians_to_hours(radians: f64) -> f64 {
    let hours = (radians / TAU).rem_euclid(1.0) * 24.0;
    if hours < 24.0 { hours } else { 0.0 }
}

/// A mean direction, which opposite directions can cancel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MeanDirection {
    /// The mean, in radians in [0, 2 pi).
    Radians(f64),
    /// The directions cancel: the resultant is shorter than 1e-12.
    Undefined,
}

impl MeanDirection {
    /// The mean as a time of day in hours, if it is defined.
    pub fn hours(self) -> Option<f64> {
        match self {
            Self::Radians(radians) => Some(radians_to_hours(radians)),
            Self::Undefined => None,
        }
    }
}

/// Where the mean of unit vectors points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resultant {
    /// Mean cosine.
    pub cosine: f64,
    /// Mean sine.
    pub sine: f64,
    /// Number of directions that the sum is worth: their number, or (sum w)^2 / sum w^2 with weights.
    pub effective_n: f64,
}

impl Resultant {
    /// The length of the mean vector, in [0, 1].
    pub fn length(&self) -> f64 {
        self.cosine.hypot(self.sine).min(1.0)
    }

    /// One minus the length: 0 when all directions agree, 1 when they cancel.
    pub fn variance(&self) -> f64 {
        1.0 - self.length()
    }

    /// Circular standard deviation in radians, sqrt(-2 ln R); infinite where directions cancel exactly.
    ///
    /// Mardia, K. V. & Jupp, P. E. (2000). *Directional Statistics*, section 2.3.1.
    pub fn standard_deviation(&self) -> f64 {
        (-2.0 * self.length().ln()).max(0.0).sqrt()
    }

    /// The concentration of the von Mises law whose mean resultant length this is: its maximum-likelihood estimate, within
    /// one in a hundred. None where the length is 1.
    ///
    /// Best, D. J. & Fisher, N. I. (1981). *Communications in Statistics B* 10, 493-502; Fisher, N. I. (1993). *Statistical
    /// Analysis of Circular Data*, (4.40).
    pub fn concentration(&self) -> Option<f64> {
        match self.length() {
            1.0.. => None,
            r if r < 0.53 => Some(2.0 * r + r.powi(3) + 5.0 * r.powi(5) / 6.0),
            r if r < 0.85 => Some(-0.4 + 1.39 * r + 0.43 / (1.0 - r)),
            r => Some(1.0 / (r.powi(3) - 4.0 * r * r + 3.0 * r)),
        }
    }

    /// The mean direction, undefined where the directions cancel.
    pub fn mean(&self) -> MeanDirection {
        if self.length() < LEAST_RESULTANT_LENGTH {
            MeanDirection::Undefined
        } else {
            MeanDirection::Radians(self.argument())
        }
    }

    /// The angle of the components as computed, in [0, 2 pi), even where it is only rounding noise: show
    /// [`Resultant::mean`] instead.
    pub fn argument(&self) -> f64 {
        let angle = self.sine.atan2(self.cosine).rem_euclid(TAU);
        if angle < TAU { angle } else { 0.0 }
    }

    /// The Rayleigh test of uniform directions against one preferred direction.
    pub fn rayleigh(&self) -> Rayleigh {
        if self.effective_n < 2.0 {
            return Rayleigh::TooFew;
        }
        let n = self.effective_n;
        let length = self.length();
        let z = n * length * length;
        Rayleigh::Tested(RayleighTest {
            z,
            p_first_order: (-z).exp(),
            p_series: series_p(z, n),
            p_zar: zar_p(n * length, n),
        })
    }
}

/// The outcome of a Rayleigh test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rayleigh {
    /// A single direction tells nothing about uniformity.
    TooFew,
    /// The test was made.
    Tested(RayleighTest),
}

/// Rayleigh's statistic and its p-value in the three forms in use; each is in [0, 1], small speaks against uniformity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RayleighTest {
    /// n times the squared resultant length.
    pub z: f64,
    /// exp(-z), the limit for many directions.
    pub p_first_order: f64,
    /// Series of Mardia & Jupp (2000), section 6.3.1, used below 50 directions and clamped to [0, 1].
    pub p_series: f64,
    /// Zar (1999), *Biostatistical Analysis*, equation 27.4, after Greenwood & Durand (1955); the one to show.
    pub p_zar: f64,
}

fn series_p(z: f64, n: f64) -> f64 {
    let correction = if n < 50.0 {
        let second = 24.0 * z - 132.0 * z.powi(2) + 76.0 * z.powi(3) - 9.0 * z.powi(4);
        1.0 + (2.0 * z - z * z) / (4.0 * n) - second / (288.0 * n * n)
    } else {
        1.0
    };
    ((-z).exp() * correction).clamp(0.0, 1.0)
}

fn zar_p(length_times_n: f64, n: f64) -> f64 {
    let root = (1.0 + 4.0 * n + 4.0 * (n * n - length_times_n * length_times_n)).sqrt();
    (root - (1.0 + 2.0 * n)).exp().clamp(0.0, 1.0)
}

/// The resultant of directions in radians.
///
/// # Errors
/// [`CircularError::Empty`] without directions, [`CircularError::NotFinite`] for a value that is no direction.
pub fn resultant(radians: &[f64]) -> Result<Resultant, CircularError> {
    check_directions(radians)?;
    let (cosines, sines) = radians
        .iter()
        .fold((0.0, 0.0), |(cosines, sines), angle| (cosines + angle.cos(), sines + angle.sin()));
    let n = radians.len() as f64;
    Ok(Resultant { cosine: cosines / n, sine: sines / n, effective_n: n })
}

/// The resultant of directions in radians, each with a weight.
///
/// With weights of one over the exposure at each direction the resultant describes the rate: where the rate is flat its
/// expectation is zero however unevenly people walk. Its Rayleigh test takes the effective number of directions and is
/// descriptive only.
///
/// # Errors
/// As [`resultant`], and for weights that are not positive or not as many as the directions.
pub fn weighted_resultant(radians: &[f64], weights: &[f64]) -> Result<Resultant, CircularError> {
    check_directions(radians)?;
    check_weights(radians, weights)?;
    // Scaled by the largest weight, so that sums of squares cannot overflow or vanish.
    let largest = weights.iter().copied().fold(0.0, f64::max);
    let mut sums = [0.0; 4];
    for (angle, weight) in radians.iter().zip(weights) {
        let weight = weight / largest;
        sums[0] += weight * angle.cos();
        sums[1] += weight * angle.sin();
        sums[2] += weight;
        sums[3] += weight * weight;
    }
    let [cosines, sines, total, squares] = sums;
    Ok(Resultant { cosine: cosines / total, sine: sines / total, effective_n: total * total / squares })
}

fn check_directions(radians: &[f64]) -> Result<(), CircularError> {
    if radians.is_empty() {
        return Err(CircularError::Empty);
    }
    match radians.iter().position(|angle| !angle.is_finite()) {
        Some(index) => Err(CircularError::NotFinite { index }),
        None => Ok(()),
    }
}

fn check_weights(radians: &[f64], weights: &[f64]) -> Result<(), CircularError> {
    if radians.len() != weights.len() {
        return Err(CircularError::LengthMismatch { directions: radians.len(), weights: weights.len() });
    }
    match weights.iter().position(|weight| !(weight.is_finite() && *weight > 0.0)) {
        Some(index) => Err(CircularError::InvalidWeight { index }),
        None => Ok(()),
    }
}

/// What each record counts in a kernel density.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weighting<'a> {
    /// All records alike: when records are made.
    Equal,
    /// One weight a record, such as one over the exposure at its time: when the rate is high.
    Each(&'a [f64]),
}

/// Von Mises kernel density of directions, per radian: it integrates to one over the circle.
///
/// `concentration` is the kernel's kappa: 0 gives the uniform density, larger values narrower kernels (the standard
/// deviation is about 1/sqrt(kappa) radians). Returns one value for each direction of `at`.
///
/// # Errors
/// [`CircularError`] for empty or invalid directions (also in `at`), weights, or concentration.
///
/// # References
/// Taylor, C. C. (2008). Automatic bandwidth selection for circular density estimation. *Computational Statistics &
/// Data Analysis* 52, 3493-3500.
pub fn von_mises_density(
    radians: &[f64],
    weighting: Weighting<'_>,
    concentration: f64,
    at: &[f64],
) -> Result<Vec<f64>, CircularError> {
    check_directions(radians)?;
    if let Some(index) = at.iter().position(|angle| !angle.is_finite()) {
        return Err(CircularError::NotFinite { index });
    }
    if !(concentration.is_finite() && concentration >= 0.0) {
        return Err(CircularError::InvalidConcentration(concentration));
    }
    let shares = match weighting {
        Weighting::Equal => vec![1.0 / radians.len() as f64; radians.len()],
        Weighting::Each(weights) => {
            check_weights(radians, weights)?;
            let total: f64 = weights.iter().sum();
            weights.iter().map(|weight| weight / total).collect()
        }
    };
    let height = 1.0 / (TAU * scaled_bessel(0, concentration));
    let density = |at: f64| {
        let kernel = |angle: f64| (concentration * ((at - angle).cos() - 1.0)).exp();
        height * radians.iter().zip(&shares).map(|(&angle, share)| share * kernel(angle)).sum::<f64>()
    };
    Ok(at.iter().map(|&at| density(at)).collect())
}

/// A density per radian of the day's circle as one per hour: it integrates to one over 24 hours.
pub fn per_hour(density_per_radian: f64) -> f64 {
    density_per_radian * TAU / 24.0
}

/// The concentration of the kernel with the smallest error if the directions follow the von Mises law of this resultant; 0
/// where they have no preferred direction, none where they are all alike.
///
/// # References
/// Taylor, C. C. (2008), as for [`von_mises_density`], the plug-in rule of section 2: (3 n kappa² I2(2 kappa) /
/// (4 sqrt(pi) I0(kappa)²)) to the power of 2/5.
pub fn kernel_concentration(resultant: &Resultant) -> Option<f64> {
    let kappa = resultant.concentration()?;
    // The factors exp(-2 kappa) of both Bessel functions cancel.
    let level = scaled_bessel(0, kappa);
    let curvature = 3.0 * kappa * kappa * scaled_bessel(2, 2.0 * kappa) / (4.0 * PI.sqrt() * level * level);
    Some((resultant.effective_n * curvature).powf(0.4))
}

/// exp(-x) I(x) for x >= 0, where I is the modified Bessel function of the first kind of an order.
///
/// Power series below 60 and Hankel's expansion above: Abramowitz & Stegun (1964), 9.6.10 and 9.7.1. Both are good to
/// rounding where they are used, for orders of a few.
fn scaled_bessel(order: u32, x: f64) -> f64 {
    if x < 60.0 {
        let mut term = (1..=order).fold(1.0, |term, k| term * x / (2.0 * f64::from(k)));
        let mut sum = term;
        for k in 1..200 {
            term *= x * x / (4.0 * f64::from(k) * f64::from(k + order));
            sum += term;
            if term < sum * 1e-17 {
                break;
            }
        }
        return sum * (-x).exp();
    }
    let squared = f64::from(4 * order * order);
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..20 {
        let odd = f64::from(2 * k - 1);
        term *= (odd * odd - squared) / (8.0 * f64::from(k) * x);
        sum += term;
    }
    sum / (TAU * x).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{got} instead of {expected}");
    }

    fn of_hours(hours: &[f64]) -> Resultant {
        resultant(&hours.iter().map(|&hour| hours_to_radians(hour)).collect::<Vec<_>>()).unwrap()
    }

    fn test_of(resultant: Resultant) -> RayleighTest {
        match resultant.rayleigh() {
            Rayleigh::Tested(test) => test,
            Rayleigh::TooFew => panic!("too few"),
        }
    }

    /// I1(k) / I0(k) = length, solved by bisection on the integrals.
    #[test]
    fn concentrations_are_those_of_the_length() {
        for (length, expected) in [(0.3, 0.62922), (0.5, 1.15932), (0.8, 2.87129), (0.9, 5.30469)] {
            let found = Resultant { cosine: 0.0, sine: length, effective_n: 1.0 };
            close(found.concentration().unwrap(), expected, 0.012 * expected);
        }
        assert_eq!(Resultant { cosine: 1.0, sine: 0.0, effective_n: 1.0 }.concentration(), None);
    }

    /// Jammalamadaka & SenGupta (2001) by way of R's CircStats.
    #[test]
    fn mean_and_variance_of_the_published_examples() {
        let degrees = [51.0, 67.0, 40.0, 109.0, 31.0, 358.0].map(f64::to_radians);
        let result = resultant(&degrees).unwrap();
        let MeanDirection::Radians(mean) = result.mean() else { panic!("no mean") };
        close(mean.to_degrees(), 48.63, 0.006);
        close(result.variance(), 0.1635635, 6e-8);
        let degrees = [190.18, 175.48, 155.95, 217.83, 156.36].map(f64::to_radians);
        let result = resultant(&degrees).unwrap();
        close(result.length(), 0.9202565, 1e-6);
        close(test_of(result).p_series, 0.00640418, 1e-6);
    }

    /// Computed with the formulas and checked against two statistics packages.
    #[test]
    fn times_of_day() {
        let result = of_hours(&[6.5, 7.25, 8.0, 9.75, 10.5, 18.25, 19.0, 7.75]);
        close(result.mean().hours().unwrap(), 9.10387677969, 1e-7);
        close(result.length(), 0.486415060713, 1e-9);
        close(result.standard_deviation(), 1.20057734876, 1e-9);
        let test = test_of(result);
        close(test.z, 1.8927968903, 1e-9);
        close(test.p_zar, 0.151664779918, 1e-9);
        close(test.p_series, 0.151830968726, 1e-9);
        close(test.p_first_order, 0.150649867895, 1e-9);
        close(of_hours(&[22.5, 23.25, 0.25, 1.0, 0.75, 21.0]).mean().hours().unwrap(), 23.4770016144, 1e-7);
    }

    #[test]
    fn cancelling_directions_have_no_mean() {
        for hours in [[3.0, 15.0], [0.0, 12.0], [7.3, 19.3]] {
            let result = of_hours(&hours);
            assert_eq!(result.mean(), MeanDirection::Undefined);
            close(test_of(result).p_zar, 1.0, 1e-12);
        }
    }

    #[test]
    fn one_time_is_its_own_mean_and_is_not_tested() {
        let result = of_hours(&[5.5]);
        close(result.mean().hours().unwrap(), 5.5, 1e-9);
        assert_eq!(result.rayleigh(), Rayleigh::TooFew);
        assert_eq!(resultant(&[]), Err(CircularError::Empty));
    }

    /// The average of a statistics library's von Mises densities.
    #[test]
    fn kernel_density_of_times() {
        let times = [6.5, 7.25, 8.0, 9.75, 10.5, 18.25, 19.0, 7.75].map(hours_to_radians);
        let at = [0.0, 8.0, 23.9].map(hours_to_radians);
        let density = von_mises_density(&times, Weighting::Equal, 4.0, &at).unwrap();
        for (got, expected) in density.iter().zip([0.00941953648777, 0.457029631476, 0.00999580375115]) {
            close(*got, expected, 1e-10);
        }
        close(per_hour(density[1]), 0.119650077726, 1e-10);
    }

    /// Abramowitz & Stegun (1964), table 9.8: exp(-x) I0(x).
    #[test]
    fn bessel_function_of_the_table() {
        close(scaled_bessel(0, 0.0), 1.0, 0.0);
        close(scaled_bessel(0, 1.0), 0.46575_96077, 2e-10);
        close(scaled_bessel(0, 5.0), 0.18354_08126, 2e-10);
        close(scaled_bessel(0, 10.0), 0.12783_33372, 2e-10);
        // The two expansions meet.
        close(scaled_bessel(0, 59.999_999), scaled_bessel(0, 60.0), 1e-9);
        assert!(scaled_bessel(0, 1e6) > 0.0);
        // The same table: exp(-x) I1(x); order two by the recurrence 9.6.26, I0 - I2 = (2 / x) I1.
        close(scaled_bessel(1, 1.0), 0.20791_04154, 2e-10);
        close(scaled_bessel(1, 10.0), 0.12126_26814, 2e-10);
        for x in [0.5, 1.0, 10.0, 59.0, 61.0, 400.0] {
            close(scaled_bessel(0, x) - scaled_bessel(2, x), 2.0 / x * scaled_bessel(1, x), 1e-12);
        }
    }

    /// By a statistics library's Bessel functions: 100 directions with concentration 2 ask for a kernel of 8.48; what has no
    /// direction for none, and more directions for a narrower one.
    #[test]
    fn kernels_get_narrower_with_more_directions() {
        let of = |length: f64, effective_n: f64| Resultant { cosine: length, sine: 0.0, effective_n };
        // The resultant length of concentration 2 is I1(2) / I0(2) = 0.697775.
        let kernel = |n: f64| kernel_concentration(&of(0.697_774_658, n)).unwrap();
        close(kernel(100.0), 8.476_315_08, 0.01 * 8.476_315_08);
        close(kernel(3_200.0) / kernel(100.0), 4.0, 1e-9);
        close(kernel_concentration(&of(0.0, 100.0)).unwrap(), 0.0, 1e-9);
        assert_eq!(kernel_concentration(&of(1.0, 100.0)), None);
    }

    #[test]
    fn weights_of_one_over_exposure_undo_uneven_walking() {
        // Twelve records at 9 h where 12 parties walked, one at each of three hours where one did: the rate is flat.
        let mut hours = vec![9.0; 12];
        hours.extend([3.0, 15.0, 21.0]);
        let radians: Vec<f64> = hours.iter().map(|&hour| hours_to_radians(hour)).collect();
        let weights: Vec<f64> =
            hours.iter().map(|&hour| if hour == 9.0 { 1.0 / 12.0 } else { 1.0 }).collect();
        assert!(resultant(&radians).unwrap().length() > 0.7);
        assert_eq!(weighted_resultant(&radians, &weights).unwrap().mean(), MeanDirection::Undefined);
    }

    proptest! {
        #[test]
        fn density_integrates_to_one(times in prop::collection::vec(0.0..24.0f64, 1..20), kappa in 0.0..800.0f64) {
            let radians: Vec<f64> = times.iter().map(|&hour| hours_to_radians(hour)).collect();
            let at: Vec<f64> = (0..2000).map(|step| f64::from(step) * TAU / 2000.0).collect();
            let density = von_mises_density(&radians, Weighting::Equal, kappa, &at).unwrap();
            let integral = density.iter().sum::<f64>() * TAU / 2000.0;
            prop_assert!((integral - 1.0).abs() < 1e-6);
        }

        #[test]
        fn turning_all_times_turns_the_mean(
            times in prop::collection::vec(0.0..6.0f64, 2..20), turn in 0.0..24.0f64,
        ) {
            let before = of_hours(&times);
            let turned = of_hours(&times.iter().map(|hour| hour + turn).collect::<Vec<_>>());
            prop_assert!((before.length() - turned.length()).abs() < 1e-9);
            let gap = turned.mean().hours().unwrap() - before.mean().hours().unwrap() - turn;
            prop_assert!((gap - 24.0 * (gap / 24.0).round()).abs() < 1e-6);
        }
    }
}
