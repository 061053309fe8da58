//! The distribution of position errors, and its integral along a straight edge.

use std::f64::consts::PI;
use std::f64::consts::SQRT_2;

use geo::Coord;
use statrs::function::erf::erf;
use statrs::function::erf::erfc;

/// Sigma taken where none is stated, metres.
pub const MISSING_SIGMA_M: f64 = 10.0;
/// Sigmas below this are raised to it: no hand-held receiver is better, and the trail line itself is not.
const LEAST_SIGMA_M: f64 = 0.5;
/// Radius that holds 95 % of a circular normal distribution, in sigmas: sqrt(-2 ln 0.05).
const SIGMAS_OF_RADIUS_95: f64 = 2.447_746_830_680_816;
/// Radius that holds 68 % (Android's stated meaning), rounded to 68.27 % as the one-sigma share: sqrt(-2 ln 0.3173).
const SIGMAS_OF_RADIUS_68: f64 = 1.515_172_8;

/// What a stated accuracy means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AccuracyMeaning {
    /// Radius that holds the true place in 95 of 100 cases: Darwin Core `coordinateUncertaintyInMeters`, W3C geolocation.
    Radius95,
    /// Radius that holds it in 68 of 100 cases: Android's location accuracy.
    Radius68,
    /// Standard deviation of each axis.
    StandardDeviation,
}

/// The scale of a position's error on each axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sigma {
    metres: f64,
    assumed: bool,
}

impl Sigma {
    /// In metres; at least 0.5.
    pub fn metres(self) -> f64 {
        self.metres
    }

    /// Whether it was not stated but assumed.
    pub fn is_assumed(self) -> bool {
        self.assumed
    }

    /// The one assumed where none is stated: 10 m.
    pub fn missing() -> Self {
        Self { metres: MISSING_SIGMA_M, assumed: true }
    }
}

/// The sigma of a stated accuracy in metres.
///
/// A stated accuracy of zero, a negative or a non-finite one is none: devices write it where they do not know. Values
/// under 0.5 m are raised to that.
pub fn sigma_from_accuracy(accuracy_m: Option<f64>, meaning: AccuracyMeaning) -> Sigma {
    let Some(stated_m) = accuracy_m.filter(|m| m.is_finite() && *m > 0.0) else {
        return Sigma::missing();
    };
    let sigmas = match meaning {
        AccuracyMeaning::Radius95 => SIGMAS_OF_RADIUS_95,
        AccuracyMeaning::Radius68 => SIGMAS_OF_RADIUS_68,
        AccuracyMeaning::StandardDeviation => 1.0,
    };
    Sigma { metres: (stated_m / sigmas).max(LEAST_SIGMA_M), assumed: false }
}

/// The shape of the error density about the true place, circular in the plane.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ErrorModel {
    /// Student's t in two dimensions with 4 degrees of freedom and scale sigma: the middle of the normal with the heavy
    /// tails of reflections from canyon walls.
    #[default]
    StudentT4,
    /// Normal with standard deviation sigma on each axis.
    Normal,
}

/// The distribution of position errors in an area.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PositionError {
    /// Its shape.
    pub model: ErrorModel,
    /// How far stated positions lie from true ones on average, metres east and north.
    pub bias_m: [f64; 2],
}

impl PositionError {
    /// A stated position freed of the bias.
    pub fn unbiased(&self, stated: Coord<f64>) -> Coord<f64> {
        Coord { x: stated.x - self.bias_m[0], y: stated.y - self.bias_m[1] }
    }
}

/// The integral of the error density about `point` along the straight edge from `from` to `to`, per metre.
///
/// The plane's density per square metre integrates along a line to a density per metre of offset. `sigma_m` must be more
/// than zero; an edge without length gives zero.
pub fn edge_integral(model: ErrorModel, point: Coord<f64>, edge: [Coord<f64>; 2], sigma_m: f64) -> f64 {
    match (model, OnEdge::new(point, edge)) {
        (_, None) => 0.0,
        (ErrorModel::Normal, Some(on_edge)) => log_normal(on_edge, sigma_m).exp(),
        (ErrorModel::StudentT4, Some(on_edge)) => student_t4(on_edge, sigma_m),
    }
}

/// The natural logarithm of [`edge_integral`]; minus infinity for an edge without length.
pub(super) fn log_edge_integral(
    model: ErrorModel,
    point: Coord<f64>,
    edge: [Coord<f64>; 2],
    sigma_m: f64,
) -> f64 {
    match (model, OnEdge::new(point, edge)) {
        (_, None) => f64::NEG_INFINITY,
        (ErrorModel::Normal, Some(on_edge)) => log_normal(on_edge, sigma_m),
        (ErrorModel::StudentT4, Some(on_edge)) => student_t4(on_edge, sigma_m).ln(),
    }
}

/// An edge in coordinates of its own line: it runs from `start_m` to `end_m`, and the point is `offset_m` beside zero.
#[derive(Debug, Clone, Copy)]
struct OnEdge {
    offset_m: f64,
    start_m: f64,
    end_m: f64,
}

impl OnEdge {
    /// `None` for an edge without length.
    fn new(point: Coord<f64>, [from, to]: [Coord<f64>; 2]) -> Option<Self> {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        let edge_m = (dx * dx + dy * dy).sqrt();
        let (px, py) = (point.x - from.x, point.y - from.y);
        let start_m = -(px * dx + py * dy) / edge_m;
        let offset_m = (px * dy - py * dx) / edge_m;
        (edge_m > 0.0).then_some(Self { offset_m, start_m, end_m: start_m + edge_m })
    }
}

/// The density is (1 / 2 pi s^2) (1 + r^2 / 4 s^2)^-3, the bivariate t with 4 degrees of freedom (Kotz & Nadarajah 2004,
/// *Multivariate t Distributions*, section 1.1). With a^2 = 4 s^2 + offset^2 its integral along u is that of
/// (32 s^4 / pi) (a^2 + u^2)^-3, which is elementary.
fn student_t4(OnEdge { offset_m, start_m, end_m }: OnEdge, sigma_m: f64) -> f64 {
    let a_squared = 4.0 * sigma_m * sigma_m + offset_m * offset_m;
    let a = a_squared.sqrt();
    let rational = |u: f64| {
        let r_squared = a_squared + u * u;
        u / (4.0 * a_squared * r_squared * r_squared) + 3.0 * u / (8.0 * a_squared * a_squared * r_squared)
    };
    // One arctangent of the difference, not a difference of two.
    let angle = (a * (end_m - start_m)).atan2(a_squared + start_m * end_m);
    let integral = rational(end_m) - rational(start_m) + 3.0 / (8.0 * a_squared * a_squared * a) * angle;
    // Rounding may eat a hopelessly far edge; what stays above zero keeps its logarithm finite.
    32.0 * sigma_m.powi(4) / PI * integral.max(1e-300)
}

fn log_normal(OnEdge { offset_m, start_m, end_m }: OnEdge, sigma_m: f64) -> f64 {
    let scale = sigma_m * SQRT_2;
    let offset_term = (offset_m / scale).powi(2);
    ln_erf_difference(start_m / scale, end_m / scale) - offset_term - (2.0 * sigma_m * (2.0 * PI).sqrt()).ln()
}

/// ln(erf(b) - erf(a)) for a < b, without loss where both are far on one side.
fn ln_erf_difference(a: f64, b: f64) -> f64 {
    let (near, far) = if a >= 0.0 {
        (a, b)
    } else if b <= 0.0 {
        (-b, -a)
    } else {
        return (erf(b) + erf(-a)).ln();
    };
    let rest = (near * near - far * far).exp() * scaled_erfc(far);
    (scaled_erfc(near) - rest).ln() - near * near
}

/// exp(x^2) erfc(x) for x >= 0.
fn scaled_erfc(x: f64) -> f64 {
    if x < 20.0 {
        return (x * x).exp() * erfc(x);
    }
    // Asymptotic series, Abramowitz & Stegun 7.1.23; the next term is below 1e-10 of the sum here.
    let y = 0.5 / (x * x);
    (1.0 - y * (1.0 - 3.0 * y * (1.0 - 5.0 * y * (1.0 - 7.0 * y)))) / (x * PI.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(x: f64, y: f64) -> Coord<f64> {
        Coord { x, y }
    }

    fn density(model: ErrorModel, r_m: f64, sigma_m: f64) -> f64 {
        let scaled = (r_m / sigma_m).powi(2);
        let shape = match model {
            ErrorModel::Normal => (-scaled / 2.0).exp(),
            ErrorModel::StudentT4 => (1.0 + scaled / 4.0).powi(-3),
        };
        shape / (2.0 * PI * sigma_m * sigma_m)
    }

    /// Composite Simpson rule.
    fn quadrature(model: ErrorModel, point: Coord<f64>, edge: [Coord<f64>; 2], sigma_m: f64) -> f64 {
        let n = 20_000;
        let [a, b] = edge;
        let step_m = (b.x - a.x).hypot(b.y - a.y) / f64::from(n);
        let value = |k: i32| {
            let t = f64::from(k) / f64::from(n);
            let (x, y) = (a.x + t * (b.x - a.x), a.y + t * (b.y - a.y));
            density(model, (x - point.x).hypot(y - point.y), sigma_m)
        };
        let inner: f64 = (1..n).map(|k| value(k) * if k % 2 == 1 { 4.0 } else { 2.0 }).sum();
        (value(0) + inner + value(n)) * step_m / 3.0
    }

    #[test]
    fn accuracies_become_sigmas() {
        let sigma = |u, meaning| sigma_from_accuracy(Some(u), meaning).metres();
        assert!((sigma(2.448, AccuracyMeaning::Radius95) - 1.0).abs() < 2e-4);
        assert!((sigma(15.15, AccuracyMeaning::Radius68) - 10.0).abs() < 2e-3);
        assert_eq!(sigma(7.0, AccuracyMeaning::StandardDeviation), 7.0);
        assert_eq!(sigma(0.01, AccuracyMeaning::StandardDeviation), 0.5);
        for missing in [None, Some(0.0), Some(-3.0), Some(f64::NAN), Some(f64::INFINITY)] {
            let found = sigma_from_accuracy(missing, AccuracyMeaning::Radius95);
            assert!(found.is_assumed() && found.metres() == 10.0);
        }
    }

    #[test]
    fn a_whole_line_gives_the_density_of_one_axis() {
        let long = [at(-1e6, 3.0), at(1e6, 3.0)];
        // Normal density at 3 with sigma 2; t with 4 degrees of freedom at 1.5: (3/8) (1 + t^2/4)^-2.5, over sigma.
        let normal = edge_integral(ErrorModel::Normal, at(0.0, 0.0), long, 2.0);
        assert!((normal - (-9.0f64 / 8.0).exp() / (2.0 * (2.0 * PI).sqrt())).abs() < 1e-14);
        let student = edge_integral(ErrorModel::StudentT4, at(0.0, 0.0), long, 2.0);
        assert!((student - 0.375 * (1.0f64 + 2.25 / 4.0).powf(-2.5) / 2.0).abs() < 1e-12);
    }

    #[test]
    fn far_edges_keep_a_finite_logarithm() {
        let edge = [at(400.0, 0.0), at(500.0, 0.0)];
        let log = log_edge_integral(ErrorModel::Normal, at(0.0, 0.0), edge, 1.0);
        // ln of phi(400) / 400 times 1 / sqrt(2 pi): both axes' densities, tail by Mills' ratio.
        let expected = -80_000.0 - (2.0 * PI).ln() - 400f64.ln();
        assert!((log - expected).abs() < 1e-4, "{log} {expected}");
        assert!(log_edge_integral(ErrorModel::StudentT4, at(0.0, 0.0), edge, 0.5).is_finite());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]

        #[test]
        fn closed_forms_match_quadrature(
            px in -60.0..60.0f64, py in -60.0..60.0f64, x in 1.0..150.0f64, y in -100.0..100.0f64, sigma in 3.0..60.0f64,
        ) {
            let edge = [at(0.0, 0.0), at(x, y)];
            for model in [ErrorModel::Normal, ErrorModel::StudentT4] {
                let closed = edge_integral(model, at(px, py), edge, sigma);
                let numeric = quadrature(model, at(px, py), edge, sigma);
                // Far out in the tails the quadrature itself is coarser.
                let relative = if numeric > 1e-30 { 1e-9 } else { 1e-6 };
                prop_assert!((closed - numeric).abs() <= relative * numeric + 1e-300, "{model:?} {closed} {numeric}");
            }
        }

        #[test]
        fn parts_of_an_edge_sum_to_the_whole(
            px in -60.0..60.0f64, py in -60.0..60.0f64, cut in 0.05..0.95f64, sigma in 0.5..60.0f64,
        ) {
            let (a, b) = (at(-30.0, 5.0), at(70.0, -20.0));
            let middle = at(a.x + cut * (b.x - a.x), a.y + cut * (b.y - a.y));
            for model in [ErrorModel::Normal, ErrorModel::StudentT4] {
                let integral = |edge| edge_integral(model, at(px, py), edge, sigma);
                let (whole, parts) = (integral([a, b]), integral([a, middle]) + integral([middle, b]));
                prop_assert!((whole - parts).abs() <= 1e-7 * whole + 1e-300);
            }
        }
    }
}
