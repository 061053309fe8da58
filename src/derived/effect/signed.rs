//! How much people report where they have passed a sign and where not, and how much of their walking is of either kind.

use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Interval;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::quotient;
use crate::derived::DeriveError;
use crate::derived::effect::LEVEL;
use crate::derived::effect::SegmentRole;
use crate::derived::effect::cells::Ground;
use crate::derived::effect::cells::Window;
use crate::derived::rates as report_rates;

/// Numbers of the two ratios among those that take draws of their own; those of groups of species follow.
const FIRST_CELL: u64 = 8;

/// How much people report with and without signs.
#[derive(Debug, Clone, PartialEq)]
pub struct SignedReporting {
    /// Where most walkers are in reach of a sign, while it stands.
    pub signed: SignedRatio,
    /// Where walkers have passed no sign, and everywhere before the first one stood.
    pub unsigned: SignedRatio,
    /// The first ratio over the second, where both are known.
    pub factor: Option<Interval>,
}

/// The reporting ratio of some segments and times.
#[derive(Debug, Clone, PartialEq)]
pub struct SignedRatio {
    /// Segments that planned surveys and identified walking both cover.
    pub n_cells: usize,
    /// The ratio, or that it cannot be estimated.
    pub ratio: ReportingRatio,
}

/// What walkers of a segment have read at a time, as far as it bears on what they report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignState {
    /// No sign has been passed.
    Unsigned,
    /// Most walkers are in reach of a sign.
    Signed,
    /// Some have passed a sign, or one stood and is gone.
    Between,
}

/// Reporting ratios and visitors' walking by what walkers have read.
#[derive(Debug, Clone)]
pub struct ReportingByState {
    /// The ratios of all species together.
    pub all: SignedReporting,
    /// The ratios of each group of species: unsigned, signed.
    pub of_group: Vec<[ReportingRatio; 2]>,
    /// Visitors' kilometres by segment in each of [`SignState::ALL`]; together those of the exposure.
    pub visitor_km: Vec<ExposureDraws>,
}

impl SignState {
    /// Every state, in the order in which they are handed about.
    pub const ALL: [Self; 3] = [Self::Unsigned, Self::Signed, Self::Between];

    /// In words, of a stretch and a time.
    pub fn words(self) -> &'static str {
        match self {
            Self::Unsigned => "no sign passed, or none stood yet",
            Self::Signed => "most walkers in reach of a sign, while it stands",
            Self::Between => "some walkers have passed a sign, or one is gone",
        }
    }
}

impl Ground<'_> {
    /// The time in which a segment is in a state, if ever.
    fn window(&self, role: SegmentRole, state: SignState) -> Option<Window> {
        let signs = &self.facts.signs_in_place;
        let first_up_s = signs.iter().map(|sign| sign.given.up_s).min().unwrap_or(i64::MAX);
        match (role, state) {
            (SegmentRole::Signed(sign), SignState::Signed) => {
                let given = &signs[sign].given;
                Some((given.up_s, given.down_s.unwrap_or(i64::MAX)))
            }
            (SegmentRole::Control, SignState::Unsigned) => Some((i64::MIN, i64::MAX)),
            (SegmentRole::Signed(_) | SegmentRole::Mixed, SignState::Unsigned) => {
                Some((i64::MIN, first_up_s))
            }
            _ => None,
        }
    }

    /// How much people report with and without signs, on segments whose walking counters identify.
    pub(super) fn signed_reporting(&self, roles: &[SegmentRole]) -> Result<SignedReporting, DeriveError> {
        Ok(self.reporting_by_state(roles, 0, &|_| 0)?.all)
    }

    /// The same, for each of some groups of species too, with the walking of each state. `group_of` gives the group of an
    /// encounter, which is no number below `n_groups` where it belongs to none.
    pub(super) fn reporting_by_state(
        &self,
        roles: &[SegmentRole],
        n_groups: usize,
        group_of: &dyn Fn(usize) -> usize,
    ) -> Result<ReportingByState, DeriveError> {
        let unsigned = self.of_state(roles, SignState::Unsigned, n_groups, group_of)?;
        let signed = self.of_state(roles, SignState::Signed, n_groups, group_of)?;
        let everywhere = vec![Some((i64::MIN, i64::MAX)); roles.len()];
        let whole = self.cell_km(&everywhere)?.walked;
        let factor = quotient(&signed.all.ratio, &unsigned.all.ratio, LEVEL);
        let visitor_km = self.split(&whole, &unsigned.walked, &signed.walked);
        let of_group = unsigned.of_group.into_iter().zip(signed.of_group).map(|(a, b)| [a, b]).collect();
        Ok(ReportingByState {
            all: SignedReporting { signed: signed.all, unsigned: unsigned.all, factor },
            of_group,
            visitor_km,
        })
    }

    fn of_state(
        &self,
        roles: &[SegmentRole],
        state: SignState,
        n_groups: usize,
        group_of: &dyn Fn(usize) -> usize,
    ) -> Result<OfState, DeriveError> {
        let windows: Vec<Option<Window>> = roles.iter().map(|role| self.window(*role, state)).collect();
        let provenance = &self.exposure.field.provenance;
        let is_measured = |segment: &usize| report_rates::provenance(provenance[*segment]).is_measured();
        let mut data = self.cell_km(&windows)?;
        data.segments.retain(is_measured);
        let is_walked = |km: &ExposureDraws, segment: usize| km.party_km[segment] > 0.0;
        let is_shared = |it: &&usize| is_walked(&data.survey_km, **it) && is_walked(&data.walked, **it);
        let n_cells = data.segments.iter().filter(is_shared).count();
        let number = FIRST_CELL + u64::from(state == SignState::Signed);
        self.count(&mut data, &windows, &|_| true)?;
        let all = SignedRatio { n_cells, ratio: data.ratio(self.facts, number)? };
        let mut of_group = Vec::new();
        for group in 0..n_groups {
            self.count(&mut data, &windows, &|encounter| group_of(encounter) == group)?;
            of_group.push(data.ratio(self.facts, number + 2 * (group as u64 + 1))?);
        }
        Ok(OfState { all, of_group, walked: data.walked })
    }

    /// Shares the walking of each segment among the states; together it stays what the exposure says.
    fn split(
        &self,
        whole: &ExposureDraws,
        unsigned: &ExposureDraws,
        signed: &ExposureDraws,
    ) -> Vec<ExposureDraws> {
        let field = &self.exposure.field;
        let mut km = SignState::ALL.map(|_| vec![0.0; field.n_draws * field.n_segments]);
        for draw in 0..field.n_draws {
            let of_draw =
                |km: &ExposureDraws, segment: usize| km.party_km[(draw % km.n_draws) * km.n_units + segment];
            for (segment, walked) in field.draw(draw).iter().enumerate() {
                let whole = of_draw(whole, segment).max(f64::MIN_POSITIVE);
                let [unsigned, signed] = [unsigned, signed].map(|km| (of_draw(km, segment) / whole).min(1.0));
                let signed = signed.min(1.0 - unsigned);
                let shares = [unsigned, signed, (1.0 - unsigned - signed).max(0.0)];
                let at = draw * field.n_segments + segment;
                km.iter_mut().zip(shares).for_each(|(km, share)| km[at] = walked * share);
            }
        }
        let draws = |party_km| ExposureDraws { n_draws: field.n_draws, n_units: field.n_segments, party_km };
        km.into_iter().map(draws).collect()
    }
}

/// Ratios and walking of one state.
struct OfState {
    all: SignedRatio,
    of_group: Vec<ReportingRatio>,
    walked: ExposureDraws,
}
