//! The priors and settings of an exposure, each with where it comes from.

use crate::analysis::exposure::error::{InvalidExposure, at_least, positive};
use crate::analysis::exposure::party_size::PartySize;

/// Priors and settings of an exposure. [`Default`] gives the stated ones; [`ExposureParams::assumptions`] lists them in
/// words for the reader.
///
/// A log standard deviation `s` means that 95 % of the prior lies within a factor `exp(1.96 s)` of its median.
#[derive(Debug, Clone, PartialEq)]
pub struct ExposureParams {
    /// Seed of every draw.
    pub seed: u64,
    /// Whole draws of the exposure field to keep; at least 2, 200 by default.
    pub n_draws: usize,
    /// Walkers a day for each unit of a trailhead's relative volume (a parking place).
    pub walkers_per_unit_day: f64,
    /// Log standard deviation of that figure: shared by all trailheads, so one counter informs the others.
    pub volume_scale_log_sd: f64,
    /// Log standard deviation of one trailhead's volume around what its relative volume says.
    pub volume_log_sd: f64,
    /// Log standard deviation of a trail's attractiveness at a junction around its prior.
    pub attractiveness_log_sd: f64,
    /// Mean distance from the trailhead, metres, at which walkers turn back where the trail does not end before.
    pub mean_distance_m: f64,
    /// Log standard deviation of the mean distance.
    pub mean_distance_log_sd: f64,
    /// Weibull shape of the turning distance; 1 is a constant hazard, more spares the first stretch.
    pub distance_shape: f64,
    /// Nobody is taken to walk farther than this from a trailhead, metres.
    pub reach_m: f64,
    /// Attractiveness of an edge that leads round a loop and home, against one that leads farther out.
    pub loop_weight: f64,
    /// Log standard deviation of what the walker model and the pooled time profile get wrong at a counter.
    pub model_log_sd: f64,
    /// Log standard deviation of the walking between two junctions around what the walker model expects there, where no
    /// counter stands.
    pub place_log_sd: f64,
    /// Party size where a trailhead has none of its own.
    pub party_size: PartySize,
    /// Manual over device count where no counter has calibration sessions.
    pub calibration_ratio: f64,
    /// Log standard deviation of that ratio.
    pub calibration_log_sd: f64,
    /// Log standard deviation of calibration between devices where fewer than two have sessions.
    pub calibration_between_log_sd: f64,
    /// Share of a day's walkers by local hour where no counter reads by the hour; any scale, more than zero.
    pub hour_profile: [f64; 24],
    /// Relative walkers a day by calendar month where no counter covers the month; any scale, more than zero.
    pub month_profile: [f64; 12],
    /// Log standard deviation of a month filled from the same month of other years.
    pub month_between_years_log_sd: f64,
    /// Log standard deviation of a month, or an hour, filled from the stated profile.
    pub profile_log_sd: f64,
    /// Counted passages that the product month × hour weighs against the observed month-and-hour cell.
    pub interaction_prior_count: f64,
    /// A run of zeros less probable than this under the counter's own profile is a gap.
    pub zero_run_probability: f64,
    /// Bins longer than this many hours are apportioned over hours by a profile and marked.
    pub coarse_hours: f64,
    /// A parameter is fitted only if the fit brings its log standard deviation under this share of the prior's.
    pub fitted_sd_share: f64,
    /// A parameter is fitted only while the condition number of the counts' Jacobian stays below this.
    pub condition_limit: f64,
    /// The walking of a segment is known if parameters that are not fitted leave at most this log standard deviation open.
    pub fitted_log_sd: f64,
    /// A segment with fewer expected passages of parties in the whole study period is not walked.
    pub not_walked_below: f64,
}

/// One prior or setting in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Assumption {
    /// What it is about.
    pub name: &'static str,
    /// Its value with unit.
    pub value: String,
    /// Where it comes from.
    pub source: &'static str,
    /// What it can be changed by.
    pub set_by: SetBy,
}

/// What a prior or rule can be changed by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetBy {
    /// A setting of the area.
    Setting,
    /// A new version of the program only.
    Program,
}

/// A day hike seen from a trailhead, local hours 0 to 23.
const HOUR_PROFILE: [f64; 24] = [
    0.1, 0.1, 0.1, 0.1, 0.3, 1.0, 3.0, 6.0, 9.0, 11.0, 11.5, 11.0, 10.0, 8.5, 7.5, 6.5, 5.5, 4.0, 2.5, 1.2,
    0.5, 0.3, 0.2, 0.1,
];

impl Default for ExposureParams {
    fn default() -> Self {
        Self {
            seed: 1,
            n_draws: 200,
            walkers_per_unit_day: 3.0,
            volume_scale_log_sd: 1.0,
            volume_log_sd: 0.6,
            attractiveness_log_sd: 0.7,
            mean_distance_m: 3500.0,
            mean_distance_log_sd: 0.4,
            distance_shape: 1.5,
            reach_m: 30_000.0,
            loop_weight: 0.5,
            model_log_sd: 0.1,
            place_log_sd: 0.2,
            party_size: PartySize { mean: 2.4, standard_error: 0.2 },
            calibration_ratio: 1.2,
            calibration_log_sd: 0.25,
            calibration_between_log_sd: 0.15,
            hour_profile: HOUR_PROFILE,
            month_profile: [1.0; 12],
            month_between_years_log_sd: 0.2,
            profile_log_sd: 0.4,
            interaction_prior_count: 30.0,
            zero_run_probability: 1e-4,
            coarse_hours: 6.0,
            fitted_sd_share: 0.5,
            condition_limit: 1000.0,
            // Within a factor of one and a half, 95 times in a hundred.
            fitted_log_sd: 0.2,
            not_walked_below: 1.0,
        }
    }
}

const ASSUMED: &str = "assumption, to be replaced by local figures";
const RULE: &str = "rule of this program";

impl ExposureParams {
    /// The priors and rules in words, for the page that shows exposure.
    pub fn assumptions(&self) -> Vec<Assumption> {
        let mut list = self.volume_assumptions();
        list.extend(self.reading_assumptions());
        list.extend(self.rules());
        list
    }

    fn volume_assumptions(&self) -> Vec<Assumption> {
        let assume = |name, value| Assumption { name, value, source: ASSUMED, set_by: SetBy::Setting };
        vec![
            assume(
                "walkers a day for each unit of relative volume",
                spread(self.walkers_per_unit_day, self.volume_scale_log_sd),
            ),
            assume("volume of one trailhead around its relative volume", spread(1.0, self.volume_log_sd)),
            assume("attractiveness of a trail at a junction", spread(1.0, self.attractiveness_log_sd)),
            assume(
                "mean turning distance, km",
                spread(self.mean_distance_m / 1000.0, self.mean_distance_log_sd),
            ),
            assume("Weibull shape of the turning distance", format!("{}", self.distance_shape)),
            assume("farthest anybody walks, km", format!("{}", self.reach_m / 1000.0)),
            assume("weight of an edge that leads round and home", format!("{}", self.loop_weight)),
            assume(
                "mean party size",
                format!("{} ± {}", self.party_size.mean, self.party_size.standard_error),
            ),
            assume("what the walker model gets wrong at a counter", spread(1.0, self.model_log_sd)),
            assume(
                "walking between two junctions where nobody counts, around the walker model",
                spread(1.0, self.place_log_sd),
            ),
        ]
    }

    fn reading_assumptions(&self) -> Vec<Assumption> {
        let assume = |name, value| Assumption { name, value, source: ASSUMED, set_by: SetBy::Setting };
        vec![
            assume(
                "manual over device count without any session",
                spread(self.calibration_ratio, self.calibration_log_sd),
            ),
            assume("calibration between devices", spread(1.0, self.calibration_between_log_sd)),
            assume("a month filled from other years", spread(1.0, self.month_between_years_log_sd)),
            assume("a month or hour filled from the stated profile", spread(1.0, self.profile_log_sd)),
            assume(
                "counts that month × hour weighs against a cell",
                format!("{}", self.interaction_prior_count),
            ),
        ]
    }

    fn rules(&self) -> Vec<Assumption> {
        let rule = |name, value| Assumption { name, value, source: RULE, set_by: SetBy::Program };
        let chosen = |name, value| Assumption { name, value, source: RULE, set_by: SetBy::Setting };
        vec![
            rule("a run of zeros is a gap below the probability", format!("{:e}", self.zero_run_probability)),
            rule("bins are apportioned above, hours", format!("{}", self.coarse_hours)),
            chosen(
                "a parameter is fitted below this share of its prior's spread",
                format!("{}", self.fitted_sd_share),
            ),
            rule("and while the condition number stays below", format!("{}", self.condition_limit)),
            chosen(
                "a segment's walking is known up to this log standard deviation from priors",
                format!("{}", self.fitted_log_sd),
            ),
            rule("a segment is not walked below, passages", format!("{}", self.not_walked_below)),
        ]
    }

    /// Refuses priors that are not proper.
    pub(crate) fn check(&self) -> Result<(), InvalidExposure> {
        let who = "exposure parameters";
        for (quantity, value) in [
            ("walkers a day and unit, more than 0", self.walkers_per_unit_day),
            ("log sd of the volume scale, more than 0", self.volume_scale_log_sd),
            ("log sd of volume, more than 0", self.volume_log_sd),
            ("log sd of attractiveness, more than 0", self.attractiveness_log_sd),
            ("mean distance, more than 0", self.mean_distance_m),
            ("log sd of mean distance, more than 0", self.mean_distance_log_sd),
            ("distance shape, more than 0", self.distance_shape),
            ("reach, more than 0", self.reach_m),
            ("loop weight, more than 0", self.loop_weight),
            ("calibration ratio, more than 0", self.calibration_ratio),
            ("log sd of calibration, more than 0", self.calibration_log_sd),
            ("interaction prior count, more than 0", self.interaction_prior_count),
            ("coarse bin length, more than 0", self.coarse_hours),
        ] {
            positive(who, quantity, value)?;
        }
        for (quantity, value) in [
            ("log sd between devices, at least 0", self.calibration_between_log_sd),
            ("log sd of the model, at least 0", self.model_log_sd),
            ("log sd of the model by place, at least 0", self.place_log_sd),
            ("log sd between years, at least 0", self.month_between_years_log_sd),
            ("log sd of the profile, at least 0", self.profile_log_sd),
            ("zero-run probability, at least 0", self.zero_run_probability),
            ("least passages, at least 0", self.not_walked_below),
        ] {
            at_least(who, quantity, value, 0.0)?;
        }
        for value in self.hour_profile.iter().chain(&self.month_profile) {
            positive(who, "a profile value, more than 0", *value)?;
        }
        if self.distance_shape > 10.0 {
            // Beyond, distances to that power overflow, and nobody turns but at one distance.
            let value = self.distance_shape;
            return Err(InvalidExposure::Value {
                who: who.to_owned(),
                quantity: "distance shape, at most 10",
                value,
            });
        }
        at_least(who, "number of draws, at least 2", self.n_draws as f64, 2.0)?;
        self.party_size.check(who)
    }
}

/// A log-normal prior as its median and 95 % limits.
fn spread(median: f64, log_sd: f64) -> String {
    let factor = (1.96 * log_sd).exp();
    format!("{median:.2} ({:.2} to {:.2})", median / factor, median * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_defaults_are_proper_and_every_prior_names_its_source() {
        let params = ExposureParams::default();
        params.check().unwrap();
        assert!(
            params.assumptions().iter().all(|line| !line.source.is_empty() && !line.value.contains("NaN"))
        );
    }

    #[test]
    fn improper_priors_are_refused() {
        let bad = ExposureParams { volume_log_sd: 0.0, ..ExposureParams::default() };
        assert!(matches!(bad.check(), Err(InvalidExposure::Value { .. })));
        let bad = ExposureParams { loop_weight: f64::NAN, ..ExposureParams::default() };
        assert!(bad.check().is_err());
    }
}
