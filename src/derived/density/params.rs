//! What a density is asked for: part of the key of the layer, and printed on everything drawn from it.

use crate::analysis::density::DeadEnd;
use crate::analysis::density::NetworkKernel;
use crate::analysis::density::NetworkParams;
use crate::analysis::density::SplitRule;
use crate::derived::settings::Settings;
use crate::domain::encounter::EffortKind;

/// Least and greatest bandwidth that can be asked for, metres.
pub const BANDWIDTH_RANGE_M: (u32, u32) = (25, 5000);

/// Which density, and how it is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct DensityParams {
    /// The effort kind whose encounters are smoothed: kinds are never pooled.
    pub effort: EffortKind,
    /// The kernel's shape.
    pub kernel: Kernel,
    /// How junctions and dead ends are passed.
    pub rule: JunctionRule,
    /// Where the bandwidth comes from.
    pub bandwidth: BandwidthChoice,
}

impl DensityParams {
    /// What the area has set, for an effort kind.
    pub fn set(settings: &Settings, effort: EffortKind) -> Self {
        let kernel = if settings.density_gaussian < 0.5 { Kernel::Quartic } else { Kernel::Gaussian };
        let rule = match settings.density_discontinuous < 0.5 {
            true => JunctionRule::Continuous,
            false => JunctionRule::Discontinuous,
        };
        Self { effort, kernel, rule, bandwidth: BandwidthChoice::default() }
    }

    /// The parameters in words, but for the bandwidth in metres, which may only be known once it was chosen.
    pub fn words(&self) -> String {
        format!("{}, {}", self.kernel.words(), self.rule.words())
    }

    pub(super) fn network(&self, bandwidth_m: f64) -> NetworkParams {
        let kernel = match self.kernel {
            Kernel::Quartic => NetworkKernel::Quartic,
            Kernel::Gaussian => NetworkKernel::Gaussian,
        };
        let (rule, dead_end) = match self.rule {
            JunctionRule::Continuous => (SplitRule::Continuous, DeadEnd::Reflect),
            JunctionRule::Discontinuous => (SplitRule::Discontinuous, DeadEnd::Absorb),
        };
        NetworkParams { kernel, bandwidth_m, rule, dead_end }
    }
}

/// The shape in which an encounter is spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kernel {
    /// Quartic, ending at one bandwidth.
    Quartic,
    /// Gaussian, whose standard deviation is a third of the bandwidth; along trails it is cut at the bandwidth.
    Gaussian,
}

impl Kernel {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::Quartic, Self::Gaussian];

    /// The term in addresses.
    pub fn term(self) -> &'static str {
        match self {
            Self::Quartic => "quartic",
            Self::Gaussian => "gaussian",
        }
    }

    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Quartic => "quartic kernel",
            Self::Gaussian => "Gaussian kernel, standard deviation a third of the bandwidth",
        }
    }
}

/// How an encounter spreads past junctions and dead ends (equal-split rules of Okabe & Sugihara 2012).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum JunctionRule {
    /// Continuous at junctions, reflecting at dead ends: no encounter is lost.
    Continuous,
    /// Discontinuous at junctions, absorbing at dead ends: what runs over an end is lost.
    Discontinuous,
}

impl JunctionRule {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Continuous, Self::Discontinuous];

    /// The term in addresses.
    pub fn term(self) -> &'static str {
        match self {
            Self::Continuous => "continuous",
            Self::Discontinuous => "discontinuous",
        }
    }

    /// The words on pages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Continuous => "equal split, continuous at junctions, reflecting at dead ends",
            Self::Discontinuous => "equal split, discontinuous at junctions, absorbing at dead ends",
        }
    }
}

/// Where the bandwidth comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum BandwidthChoice {
    /// The area's setting.
    #[default]
    Setting,
    /// Given for this question, metres, in [`BANDWIDTH_RANGE_M`].
    Metres(u32),
    /// The most likely of a series, by leave-one-out likelihood along the trails.
    Likelihood,
}
