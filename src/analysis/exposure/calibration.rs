//! Calibration: what one device count stands for, from paired sessions.

use crate::analysis::exposure::error::{InvalidExposure, at_least};
use crate::analysis::exposure::params::ExposureParams;

/// One session in which somebody counted by hand beside the device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Session {
    /// Passages counted by hand, both directions.
    pub manual: f64,
    /// What the device counted in the same time.
    pub device: f64,
}

/// Where the calibration of a counter comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CalibrationSource {
    /// From its own paired sessions.
    Own {
        /// How many.
        n_sessions: usize,
    },
    /// From the sessions of other counters, widened by the spread between devices.
    Pooled {
        /// How many other counters have sessions.
        n_counters: usize,
    },
    /// From the stated prior: no counter has a session.
    Prior,
}

/// The factor (manual over device count) of one counter, log-normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Calibration {
    /// Log of the median factor.
    pub log_ratio: f64,
    /// Log standard deviation, the shared part included.
    pub log_sd: f64,
    /// The part of it that all counters without own sessions share: they err together.
    pub shared_log_sd: f64,
    /// Where it comes from.
    pub source: CalibrationSource,
}

impl Calibration {
    /// Median factor with its 95 % interval: `(ratio, lower, upper)`.
    pub fn interval(&self) -> (f64, f64, f64) {
        let reach = 1.959_963_984_540_054 * self.log_sd;
        (self.log_ratio.exp(), (self.log_ratio - reach).exp(), (self.log_ratio + reach).exp())
    }
}

/// Degrees of freedom and size of the prior on the overdispersion of sessions.
const PRIOR_DF: f64 = 4.0;
const PRIOR_DISPERSION: f64 = 2.0;

/// The calibration of every counter from the paired sessions of all.
///
/// The ratio of a counter with sessions is Σ manual / Σ device. A manual count is taken as quasi-Poisson about
/// ratio × device with one dispersion for all sessions (Pearson, shrunk towards 2 with 4 degrees of freedom, at least 1),
/// so that the delta method gives the log ratio the variance dispersion / Σ manual. Counters without sessions, or whose
/// sessions saw nothing, take the random-effects mean of the others (DerSimonian & Laird 1986, *Controlled Clinical
/// Trials* 7, 177) with the spread between devices added; with no sessions anywhere all take the prior. The order of
/// sessions does not matter.
///
/// # Errors
/// [`InvalidExposure::Value`] when a count is negative or not finite.
pub fn calibrate(
    sessions: &[&[Session]],
    params: &ExposureParams,
) -> Result<Vec<Calibration>, InvalidExposure> {
    for session in sessions.iter().copied().flatten() {
        at_least("calibration session", "manual count, at least 0", session.manual, 0.0)?;
        at_least("calibration session", "device count, at least 0", session.device, 0.0)?;
    }
    let ratios: Vec<Option<OwnRatio>> = sessions.iter().map(|own| OwnRatio::of(own)).collect();
    let dispersion = session_dispersion(sessions, &ratios);
    let pooled = pool(&ratios, dispersion, params);
    Ok(ratios
        .iter()
        .map(|ratio| match ratio {
            Some(own) => Calibration {
                log_ratio: own.ratio.ln(),
                log_sd: (dispersion / own.manual).sqrt(),
                shared_log_sd: 0.0,
                source: CalibrationSource::Own { n_sessions: own.n_sessions },
            },
            None => pooled,
        })
        .collect())
}

struct OwnRatio {
    ratio: f64,
    manual: f64,
    n_sessions: usize,
}

impl OwnRatio {
    fn of(sessions: &[Session]) -> Option<Self> {
        let manual: f64 = sessions.iter().map(|s| s.manual).sum();
        let device: f64 = sessions.iter().map(|s| s.device).sum();
        // A device that saw nothing, or sessions in which nobody came, say nothing about the ratio.
        (manual > 0.0 && device > 0.0).then(|| Self {
            ratio: manual / device,
            manual,
            n_sessions: sessions.len(),
        })
    }
}

fn session_dispersion(sessions: &[&[Session]], ratios: &[Option<OwnRatio>]) -> f64 {
    let (mut pearson, mut df) = (PRIOR_DF * PRIOR_DISPERSION, PRIOR_DF);
    for (own, ratio) in sessions.iter().zip(ratios) {
        let Some(ratio) = ratio else { continue };
        df -= 1.0;
        for session in own.iter() {
            df += 1.0;
            // Half a passage keeps a session in which the device saw nothing from having an infinite weight.
            let expected = (ratio.ratio * session.device).max(0.5);
            pearson += (session.manual - expected).powi(2) / expected;
        }
    }
    (pearson / df).max(1.0)
}

fn pool(ratios: &[Option<OwnRatio>], dispersion: f64, params: &ExposureParams) -> Calibration {
    let known: Vec<(f64, f64)> =
        ratios.iter().flatten().map(|own| (own.ratio.ln(), dispersion / own.manual)).collect();
    if known.is_empty() {
        return Calibration {
            log_ratio: params.calibration_ratio.ln(),
            log_sd: params.calibration_log_sd.hypot(params.calibration_between_log_sd),
            shared_log_sd: params.calibration_log_sd,
            source: CalibrationSource::Prior,
        };
    }
    let between = between_variance(&known, params.calibration_between_log_sd);
    let (mean, precision) = weighted_mean(&known, between);
    Calibration {
        log_ratio: mean,
        log_sd: (1.0 / precision + between).sqrt(),
        shared_log_sd: (1.0 / precision).sqrt(),
        source: CalibrationSource::Pooled { n_counters: known.len() },
    }
}

/// Mean of `(value, variance)` pairs under an added variance, and its precision.
fn weighted_mean(known: &[(f64, f64)], between: f64) -> (f64, f64) {
    let precision: f64 = known.iter().map(|(_, v)| 1.0 / (v + between)).sum();
    (known.iter().map(|(x, v)| x / (v + between)).sum::<f64>() / precision, precision)
}

/// DerSimonian-Laird variance between devices, never below the stated one: two or three devices that happen to agree do
/// not prove that the next one will.
fn between_variance(known: &[(f64, f64)], stated_log_sd: f64) -> f64 {
    let stated = stated_log_sd.powi(2);
    if known.len() < 2 {
        return stated;
    }
    let (mean, w1) = weighted_mean(known, 0.0);
    let q: f64 = known.iter().map(|(x, v)| (x - mean).powi(2) / v).sum();
    let w2: f64 = known.iter().map(|(_, v)| 1.0 / (v * v)).sum();
    let moment = (q - (known.len() as f64 - 1.0)) / (w1 - w2 / w1);
    moment.max(stated)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn session(manual: f64, device: f64) -> Session {
        Session { manual, device }
    }

    #[test]
    fn a_ratio_by_hand() {
        // 60 + 90 by hand against 50 + 50 by the device. Pearson terms with ratio 1.5: 15²/75 twice = 6;
        // dispersion (8 + 6) / (4 + 1) = 2.8; log sd = sqrt(2.8 / 150).
        let own = [session(60.0, 50.0), session(90.0, 50.0)];
        let got = calibrate(&[&own], &ExposureParams::default()).unwrap()[0];
        assert!((got.log_ratio - 1.5f64.ln()).abs() < 1e-12);
        assert!((got.log_sd - (2.8f64 / 150.0).sqrt()).abs() < 1e-12);
        assert_eq!(got.source, CalibrationSource::Own { n_sessions: 2 });
    }

    #[test]
    fn a_counter_without_sessions_is_wider_than_those_with() {
        let a = [session(110.0, 100.0), session(125.0, 100.0)];
        let b = [session(140.0, 100.0), session(150.0, 100.0)];
        let none: [Session; 0] = [];
        let got = calibrate(&[&a, &b, &none], &ExposureParams::default()).unwrap();
        assert_eq!(got[2].source, CalibrationSource::Pooled { n_counters: 2 });
        assert!(got[2].log_sd > got[0].log_sd && got[2].log_sd > got[1].log_sd);
        assert!(got[0].log_ratio < got[2].log_ratio && got[2].log_ratio < got[1].log_ratio);
        assert!(got[2].shared_log_sd < got[2].log_sd);
    }

    #[test]
    fn without_sessions_anywhere_the_prior_is_named() {
        let dead = [session(12.0, 0.0)];
        let got = calibrate(&[&dead, &[]], &ExposureParams::default()).unwrap();
        assert!(got.iter().all(|c| c.source == CalibrationSource::Prior));
        assert!(calibrate(&[&[session(-1.0, 2.0)]], &ExposureParams::default()).is_err());
    }
}
