//! The sign plan: which locations, why, and how much of what is expected they would warn of.

use std::collections::BTreeMap;

use crate::analysis::exposure::Direction;
use crate::analysis::plane::distance_m;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates::Limits;
use crate::derived::rates::RateLayer;
use crate::derived::timing;
use crate::derived::timing::Timing;
use crate::domain::geography::LonLat;
use crate::domain::place::SensitivePlace;
use crate::domain::sign::Standing;
use crate::domain::units::Length;
use crate::signage::placement::demand::Risk;
use crate::signage::placement::evaluate::HeedRange;
use crate::signage::placement::evaluate::WarnedShare;
use crate::signage::placement::rules::AtMost;
use crate::signage::placement::rules::Rules;
use crate::signage::placement::spacing::around_sensitive_place;
use crate::signage::placement::spacing::least_spacing;
use crate::signage::placement::spacing::most_per_km;
use crate::signage::placement::walk::Heading;
use crate::signage::placement::walk::Site;
use crate::signage::placement::walk::Spot;
use crate::signage::placement::walk::WalkedLeg;
use crate::signage::placement::walk::WalkedTrip;
use crate::signage::placement::walk::end_of;
use crate::signage::placement::walk::sites_at_vertices;
use crate::signage::plan;
use crate::signage::plan::Candidate;
use crate::signage::plan::Location;
use crate::signage::plan::PlanError;
use crate::signage::plan::PlanInputs;
use crate::signage::wording::SignKind;

/// Where no sign may stand, none stands this near.
const FORBIDDEN_WITHIN_M: f64 = 75.0;
/// How far beyond its buffer a sensitive place has one sign at most, whatever the reach of signs, metres.
const LEAST_RING_M: f64 = 400.0;

/// How far beyond its buffer a sensitive place has one sign at most, metres: two would bracket it. Signs speak of what lies within
/// their reach, so that two which both reach it would, however far from it they stand.
pub(super) fn ring_m(reach: Length) -> f64 {
    LEAST_RING_M.max(reach.in_metres())
}

/// What a plan is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct PlanParams {
    /// How many signs, those in place not counted.
    pub n_signs: usize,
    /// How far walkers remember a sign.
    pub reach: Length,
    /// Least spacing along the trails.
    pub spacing: Length,
}

/// Signs of the standard plan.
pub const STANDARD_SIGNS: usize = 6;

impl PlanParams {
    /// The plan that the map shows: the area's settings, [`STANDARD_SIGNS`] new signs.
    ///
    /// # Errors
    /// [`DeriveError::Internal`] when a setting is no length.
    pub fn standard(facts: &Facts) -> Result<Self, DeriveError> {
        let length = |metres: f64| Length::metres(metres).map_err(DeriveError::internal);
        Ok(Self {
            n_signs: STANDARD_SIGNS,
            reach: length(facts.settings.reach_m)?,
            spacing: length(facts.settings.spacing_m)?,
        })
    }
}

/// A plan.
#[derive(Debug)]
pub struct PlanLayer {
    /// The signs: those in place first, then new ones; of each, those first that warn first of most.
    pub sites: Vec<PlannedSite>,
    /// The warned share of all of them, on draws that did not choose.
    pub warned: Limits,
    /// The share of encounters whose walker heeds, from the lowest to the highest.
    pub heeded: (f64, f64),
    /// The heed probabilities.
    pub heed_range: (f64, f64),
    /// What signs at every location allowed would warn of, on the draws that choose.
    pub reachable: f64,
    /// What no other choice of as many can exceed, on the draws that choose.
    pub bound: f64,
    /// What this choice reaches on the draws that chose it.
    pub chosen_value: f64,
    /// Whether no choice is better.
    pub proven: bool,
    /// Best share by number of new signs, on the draws that choose.
    pub curve: Vec<(usize, f64)>,
    /// How many locations could be chosen.
    pub n_candidates: usize,
    /// Locations left out and why.
    pub left_out: Vec<String>,
}

/// One sign of a plan.
#[derive(Debug, Clone)]
pub struct PlannedSite {
    /// Its vertex.
    pub vertex: usize,
    /// Where.
    pub position: LonLat,
    /// Whether a sign stands there.
    pub standing: bool,
    /// The trails that meet here.
    pub trails: Vec<String>,
    /// The leg along which those walk on from here whom it warns of most; of most who pass, where it warns nobody first.
    pub towards: Option<WalkedLeg>,
    /// The direction in which they walk on, degrees from north.
    pub towards_deg: Option<f64>,
    /// Parties that pass it in a day, either way, each once on its trip.
    pub parties_per_day: f64,
    /// The share of expected encounters of which this sign is the first warning, by trail, largest first.
    pub warns_on: Vec<(String, f64)>,
    /// How far the warning reaches, as it is written on the sign: rounded up.
    pub distance: Length,
    /// The least height of its letters.
    pub letter_height: Length,
    /// What it adds to the warned share of those before it.
    pub adds: f64,
    /// The warned share of all signs up to this one, on draws that did not choose.
    pub together: Limits,
    /// The share of draws in which it is chosen.
    pub chosen_share: f64,
}

/// Plans signs.
///
/// # Errors
/// [`DeriveError::Unanswerable`] when there are no trips or the rules cannot be kept.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    rates: &RateLayer,
    params: &PlanParams,
) -> Result<PlanLayer, DeriveError> {
    let trips = walked_trips(layer, exposure);
    if trips.is_empty() {
        return Err(DeriveError::missing("No trips start at any trailhead, so no sign would be passed."));
    }
    let graph = layer.network.graph();
    let sites = sites_at_vertices(graph);
    let reading_distance = Length::metres(facts.settings.reading_m).map_err(DeriveError::internal)?;
    let is_trailhead = |site: &Site| match site.spot {
        Spot::Vertex(vertex) => layer.trailhead_vertices.contains(&Some(vertex)),
        Spot::MidSegment(_) => false,
    };
    let candidates: Vec<Candidate> = sites
        .iter()
        .map(|site| Candidate {
            site: *site,
            kind: if is_trailhead(site) { SignKind::TrailheadPanel } else { SignKind::TrailSign },
            reading_distance,
            cost: 1.0,
        })
        .collect();
    let (rules, left_out) = rules(facts, layer, &sites, params)?;
    let n_candidates = sites.len() - rules.forbidden.len();
    let fit = &rates.segments.fit;
    let n_days = exposure.period.days().count() as f64;
    let rate_per_km = on_trips(&fit.rates.per_km, rates.timing.as_ref(), exposure, &layer.outside_places);
    let inputs = PlanInputs {
        graph,
        trips: &trips,
        n_days,
        risk: Risk { n_draws: fit.rates.n_draws, rate_per_km: &rate_per_km, contact_share: None },
        candidates: &candidates,
    };
    let heed = HeedRange { low: facts.settings.heed_low, high: facts.settings.heed_high };
    let asked =
        plan::PlanParams { reach: params.reach, rules, heed, ..plan::PlanParams::signs(params.n_signs) };
    let made = plan::plan(&inputs, &asked).map_err(|error| match error {
        PlanError::Rules(error) => DeriveError::missing(error.to_string()),
        other => DeriveError::internal(other),
    })?;
    let nothing =
        || DeriveError::missing("No encounter is expected on any trip, so no sign would warn of one.");
    let selection = made.selection.ok_or_else(nothing)?;
    let describe = Describe { layer, total: selection.expected_encounters };
    let mut before = 0.0;
    let planned = made.locations.iter().map(|location| {
        let mut site = describe.site(location);
        site.adds = (site.together.value - before).max(0.0);
        before = site.together.value;
        site
    });
    Ok(PlanLayer {
        sites: planned.collect(),
        warned: limits(made.warned),
        heeded: made.heeded.unwrap_or((0.0, 0.0)),
        heed_range: (heed.low, heed.high),
        reachable: selection.ceiling,
        bound: selection.upper,
        chosen_value: selection.warned,
        proven: selection.proven,
        curve: selection.curve.iter().map(|point| (point.n_signs, point.best)).collect(),
        n_candidates,
        left_out,
    })
}

fn limits(share: WarnedShare) -> Limits {
    match share {
        WarnedShare::Estimated { mean, lower, upper } => Limits { value: mean, lower, upper },
        WarnedShare::NotEstimable => Limits { value: 0.0, lower: 0.0, upper: 1.0 },
    }
}

/// Reports for each party-kilometre of the trips, draw by draw like `rates`, which are for each of the draw's own.
///
/// Trips are those of the mean walking. What a draw takes for walked more is walked at a lower rate: their product, the reports to be
/// expected on a segment, is what its records tell, and the trips say whose they are.
fn on_trips(
    rates: &[f64],
    timing: Option<&Timing>,
    exposure: &ExposureLayer,
    outside_places: &[f64],
) -> Vec<f64> {
    // What trips meet inside places with visits is in no segment's records.
    let share = |((km, mean), outside): ((&f64, &f64), &f64)| {
        if *mean > 0.0 { km / mean * outside } else { *outside }
    };
    let weighed = timing::weighed(exposure, timing);
    let shares = weighed.party_km.chunks(exposure.mean_km.len().max(1));
    let shares = shares.flat_map(|row| row.iter().zip(&exposure.mean_km).zip(outside_places).map(share));
    rates.iter().zip(shares).map(|(rate, share)| rate * share).collect()
}

/// The trips of the walker model, as signs see them, with the parties that the exposure has on each leg.
pub(super) fn walked_trips(layer: &NetworkLayer, exposure: &ExposureLayer) -> Vec<WalkedTrip> {
    let heading = |direction: Direction| match direction {
        Direction::Forward => Heading::Forward,
        Direction::Backward => Heading::Backward,
    };
    let start = |head: usize| layer.trailhead_vertices[exposure.trailheads[head]];
    let trips = exposure.trips.iter().filter(|trip| !trip.legs.is_empty());
    trips
        .filter_map(|trip| {
            Some(WalkedTrip {
                trailhead: start(trip.trailhead)?,
                parties: trip.parties,
                leg_parties: exposure.parties_on_legs(trip, layer),
                legs: trip
                    .legs
                    .iter()
                    .map(|leg| WalkedLeg { segment: leg.segment, heading: heading(leg.direction) })
                    .collect(),
            })
        })
        .collect()
}

/// The rules of the plan, and what was left out for which reason.
fn rules(
    facts: &Facts,
    layer: &NetworkLayer,
    sites: &[Site],
    params: &PlanParams,
) -> Result<(Rules, Vec<String>), DeriveError> {
    let graph = layer.network.graph();
    let mut rules = Rules::sites(params.n_signs);
    let mut left_out = Vec::new();
    let given =
        |standing: Standing| facts.sign_locations.iter().filter(move |at| at.given.standing == standing);
    for location in given(Standing::Fixed) {
        rules.existing.extend(layer.sign_vertex(location.given.position));
    }
    for sign in facts.signs_in_place.iter().filter(|sign| sign.given.down_s.is_none()) {
        rules.existing.extend(layer.sign_vertex(sign.given.position));
    }
    for location in given(Standing::Forbidden) {
        rules.forbidden.extend(layer.vertices_within(location.given.position, FORBIDDEN_WITHIN_M));
        rules.forbidden.extend(layer.sign_vertex(location.given.position));
        left_out
            .push(format!("{}: no sign may stand there ({})", location.given.name, location.given.reason));
    }
    let mut n_sensitive = 0;
    // Standing signs are looked at with the reach that is set, whatever was asked for here.
    let ring_m = ring_m(params.reach).max(Length::metres(facts.settings.reach_m).map_or(0.0, ring_m));
    for place in &facts.sensitive_places {
        let at = layer.network.plane.to_plane(place.position);
        let buffer_m = place.buffer.in_metres();
        let near = layer.index.segments_within(at, buffer_m);
        let segments: Vec<usize> = near.iter().map(|nearest| nearest.segment_idx).collect();
        let around = around_sensitive_place(graph, sites, &segments, 0.0, ring_m);
        n_sensitive += around.inside.len();
        let (mut near, is_beside_one) = near_place(facts, layer, place, ring_m);
        near.extend(around.inside.iter().chain(&around.ring.sites));
        rules.forbidden.extend(around.inside);
        if is_beside_one {
            rules.forbidden.extend(near);
        } else {
            rules.at_most.push(AtMost { sites: near, most: 1 });
        }
    }
    if n_sensitive > 0 {
        left_out.push(format!("{n_sensitive} locations within the buffer of a sensitive place"));
    }
    if given(Standing::Candidate).next().is_some() {
        let allowed: Vec<usize> = given(Standing::Candidate)
            .filter_map(|location| layer.sign_vertex(location.given.position))
            .collect();
        rules.forbidden.extend((0..sites.len()).filter(|site| !allowed.contains(site)));
        left_out.push("All but the candidates that staff gave".to_owned());
    }
    rules.existing.sort_unstable();
    rules.existing.dedup();
    rules.forbidden.sort_unstable();
    rules.forbidden.dedup();
    let spacing = least_spacing(graph, sites, params.spacing.in_metres());
    rules.at_most.extend(spacing.map_err(|error| DeriveError::missing(error.to_string()))?);
    let most = facts.settings.signs_per_km as usize;
    if most > 0 {
        rules.at_most.extend(most_per_km(graph, sites, most));
        left_out.push(format!("More than {most} sign{} in any kilometre", if most == 1 { "" } else { "s" }));
    }
    Ok((rules, left_out))
}

/// The vertices at which a sign is one of those near a sensitive place, and those of signs that stand there: as the crow flies,
/// as [`crate::derived::effect::shows_place`] looks at standing signs. Its buffer may touch no trail at all. Also whether a sign
/// stands there that is at no vertex.
fn near_place(
    facts: &Facts,
    layer: &NetworkLayer,
    place: &SensitivePlace,
    ring_m: f64,
) -> (Vec<usize>, bool) {
    // A metre more than signs are looked at with, since distances in the plane are good to millimetres.
    let within_m = place.buffer.in_metres() + ring_m + 1.0;
    let standing = facts.signs_in_place.iter().filter(|sign| {
        sign.given.down_s.is_none() && distance_m(sign.given.position, place.position) <= within_m
    });
    let standing: Vec<Option<usize>> = standing.map(|sign| layer.sign_vertex(sign.given.position)).collect();
    let mut near = layer.vertices_within(place.position, within_m);
    near.extend(standing.iter().flatten());
    (near, standing.contains(&None))
}

/// What a site's description is made from.
struct Describe<'a> {
    layer: &'a NetworkLayer,
    total: f64,
}

impl Describe<'_> {
    fn site(&self, location: &Location) -> PlannedSite {
        let network = &self.layer.network;
        // Candidates are the vertices, in their order.
        let (vertex, credit) = (location.candidate, &location.credit);
        let at = &network.vertices[vertex];
        let mut trails: Vec<String> = network
            .graph()
            .at(vertex)
            .iter()
            .map(|incidence| self.layer.trail_name(incidence.edge).to_owned())
            .collect();
        trails.dedup();
        let towards = credit.main_way();
        let mut by_trail: BTreeMap<&str, f64> = BTreeMap::new();
        for (segment, encounters) in &credit.warned_first {
            *by_trail.entry(self.layer.trail_name(*segment)).or_insert(0.0) += encounters / self.total;
        }
        let mut warns_on: Vec<(String, f64)> =
            by_trail.into_iter().map(|(name, share)| (name.to_owned(), share)).collect();
        warns_on.sort_by(|a, b| b.1.total_cmp(&a.1));
        PlannedSite {
            vertex,
            position: at.position,
            standing: location.standing == plan::Standing::Already,
            trails,
            towards,
            towards_deg: towards.map(|leg| self.bearing_deg(leg)),
            parties_per_day: location.parties_per_day,
            warns_on,
            distance: location.distance,
            letter_height: location.letter_height,
            adds: 0.0,
            together: limits(location.together),
            chosen_share: location.chosen_share,
        }
    }

    /// The direction of a leg, degrees from north.
    fn bearing_deg(&self, leg: WalkedLeg) -> f64 {
        let network = &self.layer.network;
        let end = network.vertices[end_of(network.graph(), leg)].planar;
        let segment = &network.segments[leg.segment];
        let start = match leg.heading {
            Heading::Forward => network.vertices[segment.from].planar,
            Heading::Backward => network.vertices[segment.to].planar,
        };
        (end.x - start.x).atan2(end.y - start.y).to_degrees().rem_euclid(360.0)
    }
}
