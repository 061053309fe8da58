//! Kernels along a line.

use std::f64::consts::PI;

use statrs::function::erf::erf;

/// Half-width of the truncated Gaussian, in standard deviations.
const GAUSSIAN_CUT: f64 = 3.0;
/// The probability that a standard normal lies within [`GAUSSIAN_CUT`] of zero.
const GAUSSIAN_KEPT: f64 = 0.997_300_203_936_739_8;

/// The shape in which one encounter is spread along the network.
///
/// Every kernel is symmetric, integrates to one along an unbranched line, and ends at one bandwidth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum NetworkKernel {
    /// 15/16 (1 - u²)², u = distance / bandwidth: smooth at its end. The default.
    #[default]
    Quartic,
    /// 3/4 (1 - u²).
    Epanechnikov,
    /// A normal density with a standard deviation of a third of the bandwidth, cut at the bandwidth (three standard
    /// deviations) and divided by the 0.9973 that is left, so that no mass is lost.
    Gaussian,
}

impl NetworkKernel {
    /// The kernel's value at a distance, per metre: zero from one bandwidth on.
    ///
    /// The sign of `distance_m` does not matter; `bandwidth_m` must be positive.
    pub fn density_per_m(self, distance_m: f64, bandwidth_m: f64) -> f64 {
        let u = distance_m / bandwidth_m;
        if u.abs() >= 1.0 {
            return 0.0;
        }
        let rest = 1.0 - u * u;
        let scaled = match self {
            Self::Quartic => 0.9375 * rest * rest,
            Self::Epanechnikov => 0.75 * rest,
            Self::Gaussian => {
                let z = GAUSSIAN_CUT * u;
                GAUSSIAN_CUT * (-0.5 * z * z).exp() / ((2.0 * PI).sqrt() * GAUSSIAN_KEPT)
            }
        };
        scaled / bandwidth_m
    }

    /// The kernel's integral from zero to a signed distance: from -1/2 at minus one bandwidth to 1/2 at one bandwidth.
    pub fn mass_to(self, distance_m: f64, bandwidth_m: f64) -> f64 {
        let u = (distance_m / bandwidth_m).clamp(-1.0, 1.0);
        let square = u * u;
        match self {
            Self::Quartic => u * (15.0 - 10.0 * square + 3.0 * square * square) / 16.0,
            Self::Epanechnikov => u * (3.0 - square) / 4.0,
            Self::Gaussian => {
                0.5 * gaussian_mass(GAUSSIAN_CUT * u.abs()).copysign(u) / gaussian_mass(GAUSSIAN_CUT)
            }
        }
    }
}

/// The probability that a standard normal lies within `z` of zero.
fn gaussian_mass(z: f64) -> f64 {
    erf(z / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [NetworkKernel; 3] =
        [NetworkKernel::Quartic, NetworkKernel::Epanechnikov, NetworkKernel::Gaussian];

    #[test]
    fn what_the_cut_leaves_is_the_error_function() {
        assert!((gaussian_mass(GAUSSIAN_CUT) - GAUSSIAN_KEPT).abs() < 1e-12);
    }

    #[test]
    fn along_a_line_the_quartic_constant_is_15_16() {
        for (distance, expected) in [(0.0, 0.133928571429), (3.5, 0.0753348214286), (6.999, 1.0931382813e-08)]
        {
            let got = NetworkKernel::Quartic.density_per_m(distance, 7.0);
            assert!((got - expected).abs() < 1e-10 * expected, "{distance}: {got}");
        }
    }

    #[test]
    fn each_kernel_has_mass_one_and_its_integral_is_its_own() {
        for kernel in ALL {
            assert!((kernel.mass_to(250.0, 250.0) - 0.5).abs() < 1e-12);
            assert_eq!(kernel.mass_to(-300.0, 250.0), -0.5);
            let step = 0.01;
            let mut sum = 0.0;
            for k in 0..12_000 {
                sum += step * kernel.density_per_m((k as f64 + 0.5) * step, 250.0);
            }
            assert!((sum - kernel.mass_to(120.0, 250.0)).abs() < 1e-9, "{kernel:?}");
        }
    }
}
