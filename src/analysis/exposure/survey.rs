//! Exposure of survey walks: kept apart from the exposure of people out walking.

use std::collections::BTreeMap;

use crate::analysis::exposure::error::{InvalidExposure, at_least};
use crate::analysis::exposure::time::YearMonth;

/// Why a survey walk went where it went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SurveyPurpose {
    /// Along a route fixed beforehand: informs every rate.
    Planned,
    /// To where snakes were expected: informs its own segments only.
    Targeted,
    /// Records taken along the way.
    Opportunistic,
}

/// One passage of a survey walk over (a part of) a segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurveyLeg {
    /// The segment.
    pub segment: usize,
    /// Kilometres walked on it, at least zero.
    pub km: f64,
    /// Purpose of the walk.
    pub purpose: SurveyPurpose,
    /// Local month.
    pub year_month: YearMonth,
    /// Local hour, 0 to 23.
    pub hour: usize,
}

/// Survey-kilometres by segment, by purpose.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyExposure {
    /// On planned walks.
    pub planned_km: Vec<f64>,
    /// On targeted walks.
    pub targeted_km: Vec<f64>,
    /// On opportunistic walks.
    pub opportunistic_km: Vec<f64>,
    /// All purposes by (month, hour).
    pub cell_km: BTreeMap<(YearMonth, usize), f64>,
}

impl SurveyExposure {
    /// Kilometres on walks of any purpose, by segment.
    pub fn total_km(&self) -> Vec<f64> {
        let others = self.targeted_km.iter().zip(&self.opportunistic_km);
        self.planned_km.iter().zip(others).map(|(p, (t, o))| p + t + o).collect()
    }
}

/// Sums the legs of survey walks; give only those of a period to get the exposure of that period.
///
/// # Errors
/// [`InvalidExposure`] when a leg names a segment that does not exist, or its length is negative or not finite.
pub fn survey_exposure<'a>(
    n_segments: usize,
    legs: impl IntoIterator<Item = &'a SurveyLeg>,
) -> Result<SurveyExposure, InvalidExposure> {
    let mut exposure = SurveyExposure {
        planned_km: vec![0.0; n_segments],
        targeted_km: vec![0.0; n_segments],
        opportunistic_km: vec![0.0; n_segments],
        cell_km: BTreeMap::new(),
    };
    for leg in legs {
        at_least("survey leg", "kilometres, at least 0", leg.km, 0.0)?;
        let by_segment = match leg.purpose {
            SurveyPurpose::Planned => &mut exposure.planned_km,
            SurveyPurpose::Targeted => &mut exposure.targeted_km,
            SurveyPurpose::Opportunistic => &mut exposure.opportunistic_km,
        };
        let Some(total) = by_segment.get_mut(leg.segment) else {
            let who = "survey leg".to_owned();
            return Err(InvalidExposure::NoSuchThing { who, what: "segment", index: leg.segment });
        };
        *total += leg.km;
        *exposure.cell_km.entry((leg.year_month, leg.hour)).or_default() += leg.km;
    }
    Ok(exposure)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn legs_add_up_by_purpose_and_cell() {
        let year_month = YearMonth { year: 2024, month: 5 };
        let leg = |segment, km, purpose| SurveyLeg { segment, km, purpose, year_month, hour: 7 };
        let legs = [
            leg(0, 0.1, SurveyPurpose::Planned),
            leg(0, 0.1, SurveyPurpose::Targeted),
            leg(1, 0.05, SurveyPurpose::Opportunistic),
        ];
        let got = survey_exposure(2, &legs).unwrap();
        assert_eq!(got.planned_km, [0.1, 0.0]);
        assert_eq!(got.total_km(), [0.2, 0.05]);
        assert!((got.cell_km[&(year_month, 7)] - 0.25).abs() < 1e-12);
        assert!(survey_exposure(1, &legs).is_err());
    }
}
