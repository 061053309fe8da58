//! Plans to be kept: as they are, or by lot, where a draw says which of two places of like worth gets its sign first.

use geo_types::Coord;

use crate::derived::DeriveError;
use crate::derived::network::NetworkLayer;
use crate::derived::plan::PlanLayer;
use crate::derived::plan::PlanParams;
use crate::derived::plan::PlannedSite;
use crate::domain::geography::LonLat;
use crate::domain::revision::Revision;
use crate::signage::placement::lottery;
use crate::store::PlanSite;
use crate::store::SignPlan;
use crate::store::SignPlanDraft;
use crate::store::SignPlanParameters;

/// Sites nearer to each other than this are one, metres.
const SAME_PLACE_M: f64 = 25.0;

/// What is asked of a draw.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawAsked {
    /// The name of the plan.
    pub name: String,
    /// The seed; the same seed gives the same draw.
    pub seed: u64,
    /// Why it is drawn again, where a draw already had one of the sites.
    pub again_because: Option<String>,
    /// The revision of the figures it rests on.
    pub based_on: Revision,
}

/// Why nothing was drawn.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DrawRefused {
    /// The plan has no two new sites.
    #[error("a draw needs at least two new sites, and the plan has {0}")]
    TooFew(usize),
    /// Lots were drawn for these sites before.
    #[error("lots were drawn for these places before, in {}", names.join(", "))]
    DrawnBefore {
        /// The names of the plans, oldest first.
        names: Vec<String>,
    },
}

/// The plan with its draw, to be kept. Pairs are neighbours in the order of what new signs warn of first, so that the two halves
/// differ by chance alone and by little.
///
/// # Errors
/// [`DrawRefused`] within when there is nothing to draw, or lots were drawn for one of the sites before and nobody said why
/// they should be drawn again; [`DeriveError::Internal`] when the parameters cannot be written.
pub fn draw(
    layer: &NetworkLayer,
    plan: &PlanLayer,
    params: &PlanParams,
    kept: &[SignPlan],
    asked: &DrawAsked,
) -> Result<Result<SignPlanDraft, DrawRefused>, DeriveError> {
    let sites: Vec<&PlannedSite> = plan.sites.iter().filter(|site| !site.standing).collect();
    if sites.len() < 2 {
        return Ok(Err(DrawRefused::TooFew(sites.len())));
    }
    let mut before: Vec<&SignPlan> =
        kept.iter().filter(|known| sites.iter().any(|site| has_drawn(layer, known, site.position))).collect();
    before.sort_by_key(|known| known.id.0);
    let again_because = asked.again_because.as_deref().map(str::trim).unwrap_or_default();
    if !before.is_empty() && again_because.is_empty() {
        let names = before.iter().map(|known| known.given.name.clone()).collect();
        return Ok(Err(DrawRefused::DrawnBefore { names }));
    }
    let ranked: Vec<usize> = (0..sites.len()).collect();
    let drawn = lottery::draw(&ranked, asked.seed);
    let pairs = drawn.pairs.iter().filter_map(|pair| Some((pair.now + 1, pair.next_season? + 1)));
    let parameters = SignPlanParameters {
        n_signs: params.n_signs,
        reach_m: params.reach.in_metres(),
        spacing_m: params.spacing.in_metres(),
        lottery_pairs: pairs.collect(),
        seed: Some(asked.seed),
        drawn_before: before.iter().map(|known| known.id.0).collect(),
        drawn_again_because: if before.is_empty() { String::new() } else { again_because.to_owned() },
    };
    draft(layer, plan, &sites, (&asked.name, asked.based_on), &parameters).map(Ok)
}

/// The plan as it is, to be kept, so that it is known later which records chose its places; none where it has no new sites.
///
/// # Errors
/// [`DeriveError::Internal`] when the parameters cannot be written.
pub fn keep(
    layer: &NetworkLayer,
    plan: &PlanLayer,
    params: &PlanParams,
    named: (&str, Revision),
) -> Result<Option<SignPlanDraft>, DeriveError> {
    let sites: Vec<&PlannedSite> = plan.sites.iter().filter(|site| !site.standing).collect();
    if sites.is_empty() {
        return Ok(None);
    }
    let parameters = SignPlanParameters {
        n_signs: params.n_signs,
        reach_m: params.reach.in_metres(),
        spacing_m: params.spacing.in_metres(),
        lottery_pairs: Vec::new(),
        seed: None,
        drawn_before: Vec::new(),
        drawn_again_because: String::new(),
    };
    draft(layer, plan, &sites, named, &parameters).map(Some)
}

fn draft(
    layer: &NetworkLayer,
    plan: &PlanLayer,
    sites: &[&PlannedSite],
    (name, based_on): (&str, Revision),
    parameters: &SignPlanParameters,
) -> Result<SignPlanDraft, DeriveError> {
    Ok(SignPlanDraft {
        name: name.to_owned(),
        parameters_json: parameters.to_json().map_err(DeriveError::Store)?,
        result_json: format!("{{\"warned_share\":{:.4}}}", plan.warned.value),
        based_on,
        sites: sites.iter().map(|site| kept_site(layer, site)).collect(),
    })
}

/// Whether lots were drawn in a plan for a place.
fn has_drawn(layer: &NetworkLayer, plan: &SignPlan, position: LonLat) -> bool {
    let is_here = |site: usize| is_same_place(layer, plan.given.sites[site].position, position);
    plan.lottery_pairs().iter().any(|(won, lost)| is_here(*won) || is_here(*lost))
}

/// Whether two positions are one place of a draw.
pub(super) fn is_same_place(layer: &NetworkLayer, one: LonLat, other: LonLat) -> bool {
    let at = |position: LonLat| -> Coord<f64> { layer.network.plane.to_plane(position) };
    let (one, other) = (at(one), at(other));
    (one.x - other.x).hypot(one.y - other.y) < SAME_PLACE_M
}

fn kept_site(layer: &NetworkLayer, site: &PlannedSite) -> PlanSite {
    let is_trailhead = layer.trailhead_vertices.contains(&Some(site.vertex));
    PlanSite {
        position: site.position,
        kind: if is_trailhead { "trailhead panel" } else { "trail sign" }.to_owned(),
        // Read by those who walk on this way, so it faces the other.
        facing_deg: site.towards_deg.map(|degrees| (degrees + 180.0) % 360.0),
        wording_key: if is_trailhead { "trailhead_panel" } else { "trail_sign" }.to_owned(),
        up_date: None,
        down_date: None,
        letter_height: Some(site.letter_height),
        reason: site.trails.join(" and "),
    }
}
