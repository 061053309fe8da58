//! The settings of an area: every parameter of every figure, with its default and what it does.

use std::collections::BTreeMap;

/// One setting.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Its key in the database and on the command line.
    pub key: &'static str,
    /// Its words on pages.
    pub words: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// The value in use.
    pub value: f64,
    /// The default.
    pub default: f64,
    /// The range allowed.
    pub range: (f64, f64),
    /// What it does and why the default is what it is.
    pub why: &'static str,
}

macro_rules! settings {
    ($($(#[$doc:meta])* $field:ident: $key:literal, $words:literal, $unit:literal, $default:literal, $low:literal, $high:literal, $why:literal;)+) => {
        /// All settings with their values.
        #[derive(Debug, Clone, PartialEq)]
        pub struct Settings {
            $($(#[$doc])* pub $field: f64,)+
        }

        impl Default for Settings {
            fn default() -> Self {
                Self { $($field: $default,)+ }
            }
        }

        impl Settings {
            /// All settings, in the order of pages.
            pub fn list(&self) -> Vec<Setting> {
                vec![$(Setting {
                    key: $key, words: $words, unit: $unit, value: self.$field, default: $default,
                    range: ($low, $high), why: $why,
                },)+]
            }

            fn set(&mut self, key: &str, value: f64) -> bool {
                match key {
                    $($key => self.$field = value,)+
                    _ => return false,
                }
                true
            }
        }
    };
}

settings! {
    /// Target length of a segment, metres.
    segment_m: "segment-length", "Segment length", "m", 100.0, 20.0, 1000.0,
        "target length of a segment; shorter ones need better positions than phones give";
    /// Number of draws.
    n_draws: "draws", "Draws", "", 200.0, 50.0, 2000.0,
        "draws of walking, of where records lie, and of rates; more takes longer and changes little";
    /// Seed of all draws.
    seed: "seed", "Seed", "", 1.0, 0.0, 4_294_967_295.0, "the same seed gives the same figures; any number does, so the first";
    /// Multiple of the reference rate.
    multiple: "exceedance-multiple", "Exceedance multiple", "times", 1.5, 1.0, 10.0,
        "a stretch is looked at for a rate above this multiple of that of all trails whose walking is known; half as much again is worth a walk to a sign, less is within what trails differ by anyway";
    /// Call level.
    call_level: "call-level", "Call level", "probability", 0.8, 0.5, 0.99,
        "a stretch is called above the multiple when the probability is at least this; at 0.8 fewer than one call in five is expected to be wrong";
    /// Log standard deviation of a stratum's mean rate around the others.
    rate_mean_log_sd: "rate-mean-spread", "Spread of mean rates between trails", "log sd", 1.0, 0.1, 5.0,
        "prior of the mean rate of a trail (or habitat) around that of all others: 1 lets one without records be 7 times busier or quieter";
    /// The same where there is no other stratum.
    rate_lone_log_sd: "rate-mean-spread-alone", "Spread of the mean rate of a single trail", "log sd", 3.0, 0.5, 10.0,
        "the same where there is no other trail or habitat to lean on: next to nothing is claimed beforehand";
    /// Scale of the half-normal prior on the coefficient of variation within a stratum.
    rate_variation: "rate-variation", "Variation of rates along a trail", "coefficient of variation", 1.0, 0.05, 5.0,
        "scale of the half-normal prior of how far rates differ within a trail or habitat: at 1 a standard deviation as large as the mean is usual";
    /// Log standard deviation of a stratum's variation around the shared one.
    rate_variation_log_sd: "rate-variation-spread", "Spread of that variation between trails", "log sd", 0.5, 0.05, 3.0,
        "how far the variation within one trail lies from what all share, as a factor; small values pool trails tightly";
    /// Expected encounters that a stretch is merged to.
    stretch_expected: "stretch-expected", "Encounters expected in a stretch", "", 3.0, 1.0, 50.0,
        "neighbouring segments are joined until this many encounters are expected; with three, one stretch in twenty has none by chance";
    /// Lowest class bound, per 1,000 km.
    lowest_bound: "lowest-class-bound", "Lowest class bound", "per 1,000 km", 0.5, 0.01, 1000.0,
        "the first of four class bounds on a doubling scale; fixed, so that colours mean the same next year";
    /// Whether strata are habitats rather than trails.
    habitat_strata: "strata-by-habitat", "Strata by habitat", "1 for yes", 0.0, 0.0, 1.0,
        "rates of one stratum share a distribution: each trail by itself (0), or all trails of a habitat (1); trails are known everywhere, habitats are not";
    /// Share of expected encounters that the season holds.
    season_share: "season-share", "Share held by the season", "share", 0.9, 0.5, 1.0,
        "the season is the shortest time that holds this share of expected encounters; nine in ten leave out stray ones without halving what signs warn of";
    /// Height of an elevation band, metres.
    band_height_m: "elevation-band", "Height of an elevation band", "m", 300.0, 25.0, 2000.0,
        "seasons are compared between bands of elevation this high, counted from sea level; over 300 m air is some 2 °C cooler (standard atmosphere: 6.5 °C a km)";
    /// Bandwidth of densities, metres.
    bandwidth_m: "bandwidth", "Bandwidth", "m", 250.0, 25.0, 5000.0,
        "how far an encounter speaks for its surroundings in the density; wide enough for positions that are 50 m off, narrow enough to tell bends apart; the density page gives what the records themselves ask for";
    /// How far beyond the hull of the trails was looked at, metres.
    density_margin_m: "density-margin", "Looked at around the trails", "m", 0.0, 0.0, 5000.0,
        "the density in the plane takes this much around the convex hull of the trails for looked at, and at least what records may lie off the trail; a bandwidth or more leaves densities at the edge uncorrected";
    /// Whether densities are smoothed by a Gaussian rather than the quartic kernel.
    density_gaussian: "density-gaussian", "Gaussian kernel for densities", "1 for yes", 0.0, 0.0, 1.0,
        "the quartic kernel (0) ends at one bandwidth; a Gaussian (1) with a standard deviation of a third of it is rounder and takes longer; the pictures differ little";
    /// Whether densities along the trails are discontinuous at junctions and absorbed at dead ends.
    density_discontinuous: "density-discontinuous", "Discontinuous rule at junctions", "1 for yes", 0.0, 0.0, 1.0,
        "the continuous rule (0) is smooth at junctions, and dead ends reflect, so that no encounter is lost; the discontinuous one (1) jumps at junctions, and what runs over a dead end is lost; published densities use either";
    /// Largest share of all walking in a window of the scan.
    cluster_share: "cluster-largest-window", "Largest window of the scan", "share of walking", 0.1, 0.01, 0.5,
        "clusters are looked for in windows that hold at most this share of all walking; a part that a crew can act on, and larger ones are the trail rates' matter";
    /// Level of clusters.
    cluster_level: "cluster-level", "Level of clusters", "p or q", 0.05, 0.001, 0.2,
        "a cluster is shown when chance alone would give it at most so often, after correction for looking everywhere; one in twenty is convention";
    /// Distance between neighbours, metres; zero for segments that touch.
    cluster_band_m: "cluster-band", "Distance between neighbours", "m", 0.0, 0.0, 2000.0,
        "segments up to this far apart along the trails are looked at together; 0 takes those that touch, which asks for no distance to be chosen";
    /// Replicates of the scan.
    cluster_replicates: "cluster-replicates", "Replicates of the scan", "", 999.0, 99.0, 9999.0,
        "how often chance is tried; 999 tell p-values down to 0.001";
    /// Reach of a sign, metres of walking.
    reach_m: "sign-reach", "Reach of a sign", "m", 800.0, 100.0, 5000.0,
        "how far walkers remember a sign; common practice, no source";
    /// Least spacing of signs, metres.
    spacing_m: "sign-spacing", "Least spacing of signs", "m", 300.0, 0.0, 5000.0,
        "signs closer than this along the trails add little; common practice, no source";
    /// Most signs in any kilometre; zero for as many as the spacing allows.
    signs_per_km: "signs-per-km", "Most signs in any kilometre", "signs", 0.0, 0.0, 50.0,
        "within 500 m of walking of any place there are at most so many, those in place counted; 0 for as many as the least spacing allows";
    /// Distance at which a sign is read, metres.
    reading_m: "reading-distance", "Reading distance", "m", 9.0, 2.0, 50.0,
        "letters are sized to be read from here, 1 inch of letter height for 30 ft";
    /// Error of the positions of survey tracks, metres on each axis.
    track_error_m: "track-error", "Error of survey tracks", "m", 10.0, 2.0, 50.0,
        "standard deviation of the positions of survey tracks on each axis; handheld devices reach 5 to 15 m";
    /// Speed above which a survey track is a drive, km/h.
    vehicle_km_per_h: "vehicle-speed", "Speed of a vehicle", "km/h", 14.0, 7.0, 60.0,
        "a stretch of a survey track faster than this for a minute is a drive and left out; nobody looks for snakes at a run of 14 km/h";
    /// Survey encounters that a reporting ratio needs.
    ratio_least: "ratio-least", "Survey encounters for a reporting ratio", "", 20.0, 20.0, 500.0,
        "below this many survey encounters where visitors walk too, reports are not joined to surveys; with twenty, chance alone moves a ratio by some 44 % (95 % limits)";
    /// Low heed probability.
    heed_low: "heed-low", "Heed probability, low", "share", 0.2, 0.0, 1.0,
        "the least share of warned walkers that heed a sign; assumption";
    /// High heed probability.
    heed_high: "heed-high", "Heed probability, high", "share", 0.8, 0.0, 1.0,
        "the greatest share of warned walkers that heed a sign; assumption";
    /// Share of walkers in reach from which a segment is a sign's.
    effect_warned: "effect-warned-share", "Warned where a sign is judged", "share", 0.5, 0.1, 1.0,
        "what signs did is judged where at least this share of walkers are in reach of one; below one half a stretch tells more of those who are not";
    /// Share of walkers that passed a sign up to which a segment is a control.
    effect_passed: "effect-passed-share", "Passed a sign on a control", "share", 0.05, 0.0, 0.3,
        "controls are stretches where at most this share of walkers passed a sign; where trails meet, somebody always has";
    /// Coefficient of variation of how rates change from sign to sign.
    effect_variation: "effect-variation", "Variation of change between places", "share", 0.3, 0.0, 3.0,
        "how much rates, and in log odds watched behaviour, change on their own from place to place over the years, for planning a comparison; assumption";
    /// Intraclass correlation of parties watched at one place.
    watched_correlation: "watched-correlation", "Likeness of parties at a place", "correlation", 0.05, 0.0, 0.5,
        "how alike parties that pass one place behave, for planning how many to watch at how many places; assumption";
    /// Longest window of the watch on the season, weeks.
    watch_weeks: "watch-weeks", "Longest window of the watch", "weeks", 4.0, 1.0, 12.0,
        "this season is compared with expectation over the last one to so many weeks; four find slow rises, and longer ones come too late to act on";
    /// False alarms of the watch in a season, over all units.
    watch_false_alarms: "watch-false-alarms", "False alarms of the watch", "a season", 1.0, 0.05, 50.0,
        "expected when nothing has changed, over all stretches together; fewer make real changes harder to see";
    /// Prior variation between years.
    watch_year_variation: "watch-year-variation", "Variation between years", "share", 0.2, 0.0, 1.0,
        "how much whole years differ before the records speak, as a coefficient of variation; counts as two years; assumption";
    /// Second weight above which a position is ambiguous.
    ambiguous_weight: "ambiguous-weight", "Ambiguous above a second weight of", "share", 0.25, 0.05, 0.5,
        "a record is listed as ambiguous when its second segment holds more than this share of it; below a fourth, of two segments the first is more than three times as likely";
    /// Distance from every trail beyond which a record is off trail, metres.
    off_trail_m: "off-trail-distance", "Off trail beyond", "m", 50.0, 10.0, 500.0,
        "farther than this, and than three standard deviations of its position, a record is off trail; canyon walls put positions 30 m off, and half a segment is 50 m";
    /// How far stated positions lie east of true ones, metres.
    bias_east_m: "position-bias-east", "Bias of positions, east", "m", 0.0, -100.0, 100.0,
        "how far stated positions lie east of true ones on average, from points of known position; 0 where nobody has measured";
    /// How far stated positions lie north of true ones, metres.
    bias_north_m: "position-bias-north", "Bias of positions, north", "m", 0.0, -100.0, 100.0,
        "how far stated positions lie north of true ones on average, from points of known position; 0 where nobody has measured";
    /// Walkers a day for each unit of a trailhead's relative volume.
    walkers_per_unit_day: "walkers-per-unit", "Walkers a day and unit of volume", "", 3.0, 0.05, 1000.0,
        "prior of how many walkers start in a day for each unit (a parking place) of a trailhead's relative volume; assumption";
    /// Log standard deviation of that figure.
    volume_scale_log_sd: "walkers-per-unit-spread", "Spread of walkers a day and unit", "log sd", 1.0, 0.05, 3.0,
        "shared by all trailheads; 95 % of a prior lies within a factor exp(1.96 × its spread), so 1 is a factor of 7 each way; assumption";
    /// Log standard deviation of a trailhead's volume.
    volume_log_sd: "trailhead-spread", "Spread of one trailhead's volume", "log sd", 0.6, 0.05, 3.0,
        "prior of one trailhead around what its relative volume says, as a factor; assumption";
    /// Log standard deviation of attractiveness.
    attractiveness_log_sd: "attractiveness-spread", "Spread of a trail's attractiveness", "log sd", 0.7, 0.05, 3.0,
        "prior of how walkers divide where trails meet, as a factor; assumption";
    /// Mean turning distance, metres.
    mean_distance_m: "turning-distance", "Mean turning distance", "m", 3500.0, 200.0, 20_000.0,
        "prior of how far from the trailhead walkers turn back where the trail does not end before; assumption";
    /// Log standard deviation of the mean turning distance.
    mean_distance_log_sd: "turning-distance-spread", "Spread of the mean turning distance", "log sd", 0.4, 0.05, 2.0,
        "prior of the mean turning distance, as a factor; assumption";
    /// Weibull shape of the turning distance.
    distance_shape: "turning-shape", "Shape of the turning distance", "", 1.5, 0.5, 5.0,
        "Weibull shape: 1 turns walkers back evenly from the start, more spares the first stretch; assumption";
    /// Attractiveness of an edge that leads round and home.
    loop_weight: "loop-weight", "Weight of a way round and home", "times", 0.5, 0.01, 10.0,
        "how much a way that leads round a loop and home attracts, against one that leads farther out; assumption";
    /// Mean party size where none was observed.
    party_size_mean: "party-size", "Mean party size", "walkers", 2.4, 1.0, 20.0,
        "used only where no party sizes were brought in, for a trailhead or for the area; assumption";
    /// Standard error of that mean.
    party_size_standard_error: "party-size-error", "Standard error of the mean party size", "walkers", 0.2, 0.0, 5.0,
        "prior error of the mean party size where none was observed; assumption";
    /// Manual over device count without sessions.
    calibration_ratio: "calibration-ratio", "Passages for each count", "times", 1.2, 0.2, 10.0,
        "prior of manual over device count, where no counter has a calibration session; assumption";
    /// Log standard deviation of that ratio.
    calibration_log_sd: "calibration-spread", "Spread of passages for each count", "log sd", 0.25, 0.01, 2.0,
        "prior of the calibration ratio, as a factor; assumption";
    /// Farthest that anybody walks from a trailhead, metres.
    walk_reach_m: "walking-reach", "Farthest anybody walks", "m", 30_000.0, 1000.0, 200_000.0,
        "nobody is taken to walk farther than this from a trailhead; a long day's walk; assumption";
    /// Log standard deviation of what the walker model gets wrong at a counter.
    model_log_sd: "model-error", "Error of the walker model at a counter", "log sd", 0.1, 0.0, 1.0,
        "what the model and the pooled time profile get wrong at a counter, as a factor; assumption";
    /// Log standard deviation of the walking between two junctions around what the walker model expects there, where nobody counts.
    place_log_sd: "model-error-elsewhere", "Error of the walker model where nobody counts", "log sd", 0.2, 0.0, 1.0,
        "how far the walking between two junctions lies from what the model expects there where no counter \
         stands, as a factor; assumption; with 0.2, 95 % limits held 88 to 97 of 100 segments of invented parks where people walk \
         otherwise than the model says";
    /// Log standard deviation of calibration between devices.
    calibration_between_log_sd: "calibration-between-devices", "Spread of calibration between devices", "log sd", 0.15, 0.0, 1.0,
        "how much one device differs from another where fewer than two have sessions, as a factor; assumption";
    /// Log standard deviation of a month filled from other years.
    month_between_years_log_sd: "month-between-years", "A month filled from other years", "log sd", 0.2, 0.0, 2.0,
        "how far the walking of a month without readings lies from that of the same month in other years, as a factor; assumption";
    /// Log standard deviation of a month or hour filled from the stated profile.
    profile_log_sd: "profile-error", "A month or hour filled from the profile", "log sd", 0.4, 0.0, 2.0,
        "how far a month or hour that no counter read lies from the stated profile, as a factor; assumption";
    /// Counts that month times hour weighs against an observed cell.
    interaction_prior_count: "month-hour-weight", "Weight of month by hour", "counts", 30.0, 1.0, 10_000.0,
        "so many counts does month times hour weigh against what was counted in that month and hour; assumption";
    /// Share of its prior's spread below which a parameter is fitted.
    fitted_sd_share: "fitted-share", "A parameter is fitted below", "share of its prior's spread", 0.5, 0.05, 0.95,
        "a parameter of the walking is fitted where counts bring its spread under this share of its prior's; at one half they say more than the prior";
    /// Log standard deviation that may be left open where walking is known.
    fitted_log_sd: "known-walking", "Walking is known up to", "log sd", 0.2, 0.02, 1.0,
        "what priors may leave open of a segment's walking for it to be ranked and called; 0.2 is within a factor of one and a half, 95 times in a hundred";
    /// Encounters that the prior of snakes stepped on is worth.
    underfoot_prior: "underfoot-prior", "Prior of snakes stepped on", "encounters", 10.0, 1.0, 10_000.0,
        "the prior is worth so many encounters, half of one with the snake stepped on: with ten a mean of 5 %; assumption";
    /// Encounters that the prior of bites is worth.
    bite_prior: "bite-prior", "Prior of bites", "encounters", 50.0, 1.0, 10_000.0,
        "the prior is worth so many encounters, half of one with a bite: with fifty a mean of 1 %; assumption";
    /// Months for which names and words of people are kept; zero for as long as the records.
    personal_data_months: "personal-data-months", "Names and remarks are kept for", "months", 0.0, 0.0, 600.0,
        "so long after the day of a record, names, remarks and columns that no field takes are emptied in it and in its history, once a day, and rows that wait are set aside; what was emptied cannot be brought back; 0 keeps them; no figure rests on it";
}

/// The setting that no figure rests on.
const ABOUT_PEOPLE: &str = "personal-data-months";

/// The settings that are whole numbers.
const WHOLE: [&str; 9] = [
    "draws",
    "seed",
    "strata-by-habitat",
    "density-gaussian",
    "density-discontinuous",
    "cluster-replicates",
    "watch-weeks",
    "signs-per-km",
    ABOUT_PEOPLE,
];

/// A heading for pages, and the keys of the settings that stand under it.
pub type Group = (&'static str, &'static [&'static str]);

/// The settings by what they are for. Each stands in one of them.
pub const GROUPS: [Group; 12] = [
    ("Trails and draws", &["segment-length", "draws", "seed"]),
    (
        "Where records lie",
        &["ambiguous-weight", "off-trail-distance", "position-bias-east", "position-bias-north"],
    ),
    (
        "Rates",
        &[
            "exceedance-multiple",
            "call-level",
            "rate-mean-spread",
            "rate-mean-spread-alone",
            "rate-variation",
            "rate-variation-spread",
            "stretch-expected",
            "lowest-class-bound",
            "strata-by-habitat",
        ],
    ),
    (
        "Season and density",
        &[
            "season-share",
            "elevation-band",
            "bandwidth",
            "density-margin",
            "density-gaussian",
            "density-discontinuous",
        ],
    ),
    (
        "Clusters of encounters",
        &["cluster-largest-window", "cluster-level", "cluster-band", "cluster-replicates"],
    ),
    ("Survey walks", &["track-error", "vehicle-speed", "ratio-least"]),
    ("This season against expectation", &["watch-weeks", "watch-false-alarms", "watch-year-variation"]),
    ("Signs", &["sign-reach", "sign-spacing", "signs-per-km", "reading-distance", "heed-low", "heed-high"]),
    (
        "What signs did",
        &["effect-warned-share", "effect-passed-share", "effect-variation", "watched-correlation"],
    ),
    (
        "How people walk, before counters speak",
        &[
            "walkers-per-unit",
            "walkers-per-unit-spread",
            "trailhead-spread",
            "attractiveness-spread",
            "turning-distance",
            "turning-distance-spread",
            "turning-shape",
            "loop-weight",
            "party-size",
            "party-size-error",
            "calibration-ratio",
            "calibration-spread",
            "calibration-between-devices",
            "walking-reach",
            "model-error",
            "model-error-elsewhere",
            "month-between-years",
            "profile-error",
            "month-hour-weight",
            "fitted-share",
            "known-walking",
        ],
    ),
    ("Contacts and bites, before reports speak", &["underfoot-prior", "bite-prior"]),
    ("Personal data", &[ABOUT_PEOPLE]),
];

/// Why a setting is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum InvalidSetting {
    /// There is no such setting.
    #[error("there is no setting \"{0}\"")]
    Unknown(String),
    /// Not a whole number.
    #[error("\"{value}\" is not a whole number, as \"{key}\" needs")]
    NotWhole {
        /// The setting.
        key: String,
        /// The value given.
        value: String,
    },
    /// Not a number in the range.
    #[error("\"{value}\" is not a number from {low} to {high}, as \"{key}\" needs")]
    Value {
        /// The setting.
        key: String,
        /// The value given.
        value: String,
        /// Least value.
        low: f64,
        /// Greatest value.
        high: f64,
    },
}

impl Settings {
    /// The defaults, changed by what an area has stored.
    ///
    /// A fraction stored by a version that took one where a count is meant is rounded.
    ///
    /// # Errors
    /// [`InvalidSetting`] for a stored key or value that this version does not take.
    pub fn from_stored(stored: &BTreeMap<String, String>) -> Result<Self, InvalidSetting> {
        let mut settings = Self::default();
        for (key, value) in stored {
            settings = match (settings.with(key, value), value.trim().parse::<f64>()) {
                (Err(InvalidSetting::NotWhole { .. }), Ok(number)) => {
                    settings.with(key, &number.round().to_string())?
                }
                (changed, _) => changed?,
            };
        }
        Ok(settings)
    }

    /// The settings with one changed.
    ///
    /// # Errors
    /// [`InvalidSetting`] when there is no such setting or the value is not a number in its range.
    pub fn with(&self, key: &str, value: &str) -> Result<Self, InvalidSetting> {
        let known = self.list().into_iter().find(|setting| setting.key == key);
        let (low, high) = known.ok_or_else(|| InvalidSetting::Unknown(key.to_owned()))?.range;
        let number = value.trim().parse::<f64>().ok().filter(|number| (low..=high).contains(number));
        let number = number.ok_or_else(|| InvalidSetting::Value {
            key: key.to_owned(),
            value: value.to_owned(),
            low,
            high,
        })?;
        if WHOLE.contains(&key) && number.fract() != 0.0 {
            return Err(InvalidSetting::NotWhole { key: key.to_owned(), value: value.to_owned() });
        }
        let mut changed = self.clone();
        changed.set(key, number);
        Ok(changed)
    }

    /// The number of draws as a count.
    pub fn draws(&self) -> usize {
        self.n_draws as usize
    }

    /// The seed as a whole number.
    pub fn seed(&self) -> u64 {
        self.seed as u64
    }

    /// Months for which names and words of people are kept; none where they are kept as long as the records.
    pub fn personal_data_months(&self) -> Option<u32> {
        (self.personal_data_months >= 1.0).then_some(self.personal_data_months as u32)
    }

    /// Those that figures rest on and that differ from the defaults, in words; "default settings" when none does.
    pub fn words(&self) -> String {
        let words = |setting: &Setting| {
            let words = format!("{} {} {}", setting.words.to_lowercase(), setting.value, setting.unit);
            words.trim_end().to_owned()
        };
        let changed: Vec<String> = self.changed().iter().map(words).collect();
        if changed.is_empty() { "default settings".to_owned() } else { changed.join(", ") }
    }

    /// The same by key, for sheets in any language; empty when none differs.
    pub fn keys_and_values(&self) -> String {
        let pair = |setting: &Setting| format!("{}={}", setting.key, setting.value);
        self.changed().iter().map(pair).collect::<Vec<_>>().join(", ")
    }

    fn changed(&self) -> Vec<Setting> {
        let differs = |setting: &Setting| setting.value != setting.default && setting.key != ABOUT_PEOPLE;
        self.list().into_iter().filter(differs).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_lie_in_their_ranges() {
        for setting in Settings::default().list() {
            let (low, high) = setting.range;
            assert!((low..=high).contains(&setting.default), "{}", setting.key);
        }
    }

    #[test]
    fn every_setting_stands_in_one_group() {
        let mut known: Vec<&str> = Settings::default().list().iter().map(|setting| setting.key).collect();
        let mut grouped: Vec<&str> = GROUPS.iter().flat_map(|(_, keys)| keys.iter().copied()).collect();
        known.sort_unstable();
        grouped.sort_unstable();
        assert_eq!(grouped, known);
    }

    #[test]
    fn settings_are_checked_by_name_and_range() {
        let settings = Settings::default();
        assert_eq!(settings.with("segment-length", "50").unwrap().segment_m, 50.0);
        assert!(matches!(settings.with("segment-length", "NaN"), Err(InvalidSetting::Value { .. })));
        assert!(matches!(settings.with("segment-length", "5"), Err(InvalidSetting::Value { .. })));
        assert!(matches!(settings.with("colour", "5"), Err(InvalidSetting::Unknown(_))));
        for (key, value) in [
            ("draws", "200.5"),
            ("strata-by-habitat", "0.5"),
            ("cluster-replicates", "999.5"),
            ("watch-weeks", "2.5"),
        ] {
            assert!(matches!(settings.with(key, value), Err(InvalidSetting::NotWhole { .. })), "{key}");
        }
        assert!(WHOLE.iter().all(|key| settings.list().iter().any(|setting| setting.key == *key)));
    }

    #[test]
    fn a_stored_fraction_of_a_count_is_rounded() {
        let stored = BTreeMap::from([("watch-weeks".to_owned(), "2.5".to_owned())]);
        assert_eq!(Settings::from_stored(&stored).unwrap().watch_weeks, 3.0);
        assert!(Settings::default().with("watch-weeks", "2.5").is_err(), "a new one is refused");
    }
}
