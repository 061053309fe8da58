//! How much people report where they have passed a sign and where not, and how much of their walking is of either kind.

use crate::analysis::rates::ExposureDraws;
use crate::analysis::rates::Interval;
use crate::analysis::rates::KnownGroup;
use crate::analysis::rates::ReportingRatio;
use crate::analysis::rates::quotient;
use crate::analysis::rates::reporting_factor;
use crate::derived::DeriveError;
use crate::derived::effect::LEVEL;
use crate::derived::effect::SegmentRole;
use crate::derived::effect::cells::Ground;
use crate::derived::effect::cells::ratio_params;
use crate::derived::effect::windows::Windows;
use crate::derived::rates as report_rates;
use crate::derived::timing;
use crate::derived::timing::Timing;

/// Numbers of the ratios of the two states among those that take draws of their own; those of groups of species follow.
const FIRST_CELL: u64 = 8;
/// Numbers of their factors.
const FIRST_FACTOR: u64 = 1 << 20;

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
    /// Neither: some may have passed a sign, or one is gone, or the first of the area stands somewhere else.
    Between,
}

/// Reporting ratios and visitors' walking by what walkers have read.
#[derive(Debug, Clone)]
pub struct ReportingByState {
    /// The ratios of all species together.
    pub all: SignedReporting,
    /// The ratios of each group of species: unsigned, signed.
    pub of_group: Vec<[ReportingRatio; 2]>,
    /// By how much the ratios of all groups are larger there than on all stretches: unsigned, signed.
    pub factor: [ReportingRatio; 2],
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
            Self::Between => "in between: some may have passed a sign, or one is gone",
        }
    }
}

impl Ground<'_> {
    /// The times in which a segment is in a state. All signs at the spot of its sign are one: many stand for a season and come
    /// back in the next.
    fn windows(&self, role: SegmentRole, state: SignState, vertices: &[Option<usize>]) -> Windows {
        let signs = &self.facts.signs_in_place;
        let first_up_s = signs.iter().map(|sign| sign.given.up_s).min().unwrap_or(i64::MAX);
        match (role, state) {
            (SegmentRole::Signed(sign), SignState::Signed) => {
                let here = signs.iter().zip(vertices).filter(|(_, vertex)| **vertex == vertices[sign]);
                let stands = here.map(|(sign, _)| (sign.given.up_s, sign.given.down_s.unwrap_or(i64::MAX)));
                let mut windows: Windows = stands.collect();
                windows.sort_unstable();
                windows.dedup();
                windows
            }
            (SegmentRole::Control, SignState::Unsigned) => vec![(i64::MIN, i64::MAX)],
            (SegmentRole::Signed(_) | SegmentRole::Mixed, SignState::Unsigned) => {
                vec![(i64::MIN, first_up_s)]
            }
            _ => Vec::new(),
        }
    }

    /// How much people report with and without signs, on segments whose walking counters identify. `vertices` are those of the
    /// signs.
    pub(super) fn signed_reporting(
        &self,
        roles: &[SegmentRole],
        vertices: &[Option<usize>],
    ) -> Result<SignedReporting, DeriveError> {
        Ok(self.reporting_by_state(roles, vertices, &SpeciesGroups { ratios: &[], group_of: &|_| 0 })?.all)
    }

    /// The same, for each of some groups of species too, with the walking of each state.
    pub(super) fn reporting_by_state(
        &self,
        roles: &[SegmentRole],
        vertices: &[Option<usize>],
        groups: &SpeciesGroups<'_>,
    ) -> Result<ReportingByState, DeriveError> {
        let of_state = |state: SignState| {
            let windows: Vec<Windows> =
                roles.iter().map(|role| self.windows(*role, state, vertices)).collect();
            self.of_state(&windows, state, groups)
        };
        let unsigned = of_state(SignState::Unsigned)?;
        let signed = of_state(SignState::Signed)?;
        let factor = quotient(&signed.all.ratio, &unsigned.all.ratio, LEVEL);
        let visitor_km = self.split(unsigned.walked, signed.walked);
        let of_group = unsigned.of_group.into_iter().zip(signed.of_group).map(|(a, b)| [a, b]).collect();
        Ok(ReportingByState {
            all: SignedReporting { signed: signed.all, unsigned: unsigned.all, factor },
            of_group,
            factor: [unsigned.factor, signed.factor],
            visitor_km,
        })
    }

    fn of_state(
        &self,
        windows: &[Windows],
        state: SignState,
        groups: &SpeciesGroups<'_>,
    ) -> Result<OfState, DeriveError> {
        let provenance = &self.exposure.field.provenance;
        let is_measured = |segment: &usize| report_rates::provenance(provenance[*segment]).is_measured();
        // Encounters of no group count with all.
        let n_groups = groups.ratios.len();
        let group_of = |encounter: usize| (groups.group_of)(encounter).min(n_groups);
        let mut data = self.cell(windows, n_groups + 1, &group_of)?;
        data.segments.retain(is_measured);
        let is_walked = |km: &ExposureDraws, segment: usize| km.party_km[segment] > 0.0;
        let is_shared = |it: &&usize| is_walked(&data.survey_km, **it) && is_walked(&data.walked, **it);
        let n_cells = data.segments.iter().filter(is_shared).count();
        let number = u64::from(state == SignState::Signed);
        let all = SignedRatio { n_cells, ratio: data.ratio_of_all(self.facts, FIRST_CELL + number)? };
        let of_group = (0..n_groups)
            .map(|group| data.ratio(self.facts, group, FIRST_CELL + number + 2 * (group as u64 + 1)))
            .collect::<Result<_, _>>()?;
        let known = (0..n_groups).filter_map(|group| {
            let ratio = groups.ratios[group].draws()?;
            Some(KnownGroup { survey: &data.survey[group], reports: &data.reports[group], ratio })
        });
        let params = ratio_params(self.facts, FIRST_FACTOR + number);
        let known: Vec<KnownGroup<'_>> = known.collect();
        let factor = reporting_factor(&known, &data.survey_km, &data.walked, &data.segments, &params);
        Ok(OfState { all, of_group, factor: factor.map_err(DeriveError::internal)?, walked: data.walked })
    }

    /// Visitors' walking in each state; together it stays what the exposure says, as it counts in rates.
    fn split(&self, unsigned: ExposureDraws, signed: ExposureDraws) -> Vec<ExposureDraws> {
        let field = &self.exposure.field;
        let whole_km = timing::weighed(self.exposure, Timing::of(self.exposure, self.season).as_ref());
        let mut between = unsigned.clone();
        for (draw, row) in between.party_km.chunks_mut(field.n_segments.max(1)).enumerate() {
            let whole = &whole_km.party_km[draw % field.n_draws * field.n_segments..][..field.n_segments];
            let signed = &signed.party_km[draw * field.n_segments..];
            for ((left, whole), signed) in row.iter_mut().zip(whole).zip(signed) {
                *left = (whole - *left - signed).max(0.0);
            }
        }
        vec![unsigned, signed, between]
    }
}

/// Groups of species, and what is known of them on all stretches.
pub struct SpeciesGroups<'a> {
    /// The ratio of each.
    pub ratios: &'a [&'a ReportingRatio],
    /// The group of an encounter; no number below that of the ratios where it belongs to none.
    pub group_of: &'a dyn Fn(usize) -> usize,
}

/// Ratios and walking of one state.
struct OfState {
    all: SignedRatio,
    of_group: Vec<ReportingRatio>,
    factor: ReportingRatio,
    walked: ExposureDraws,
}
