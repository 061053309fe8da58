//! What encounters are tied to: the card on the encounter's page, placing by hand, and the list of those in doubt.

mod list;

use crate::analysis::network::SegmentId;
use crate::analysis::snap::OnTrail;
use crate::analysis::snap::Sigma;
use crate::analysis::snap::Snap;
use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::snaps;
use crate::derived::snaps::HandStanding;
use crate::derived::snaps::HandTie;
use crate::derived::snaps::SnapLayer;
use crate::domain::encounter::RecordedPosition;
use crate::domain::ids::EncounterId;
use crate::domain::ids::PlaceId;
use crate::store::Encounter;
use crate::store::HandSnap;
use crate::store::HandSnapDraft;
use crate::store::SnapTarget;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
use crate::web::pages::common::when;
use crate::web::pages::encounters;
use crate::web::pages::encounters::Forms;
use crate::web::pages::unit::segment_href;
use crate::web::query::key;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::MapPlace;
use crate::web::views::svg_map::MapShape;
use crate::web::views::svg_map::MapSign;
use crate::web::views::svg_map::Stroke;
use crate::web::views::ties::CandidateRow;
use crate::web::views::ties::HandNote;
use crate::web::views::ties::TieCard;
use axum::extract::Form;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;

pub use crate::web::pages::ties::list::list;

/// Segments and places farther than this are not offered, metres.
const NEARBY_M: f64 = 400.0;
/// Most segments and places offered beside the candidates.
const N_NEARBY: usize = 40;
/// The map shows at least this much around the position, metres.
const LEAST_VIEW_M: f64 = 120.0;
/// Radius of the circle that holds 95 % of a normal error, in standard deviations on each axis.
const CIRCLE_SIGMAS: f64 = 2.448;
/// Corners of a drawn circle.
const N_CORNERS: usize = 48;
/// What encounters are tied to, with the facts it rests on.
pub(super) struct Scene<'a> {
    pub(super) facts: &'a Derived<Facts>,
    pub(super) network: &'a NetworkLayer,
    pub(super) snaps: &'a SnapLayer,
}

impl Scene<'_> {
    /// The card of an encounter; none where it has no position.
    pub(super) fn card(&self, found: &Encounter, given: Given) -> Option<TieCard> {
        let recorded = found.given.position?;
        let row = self.facts.encounters.rows.binary_search_by_key(&found.id, |row| row.id).ok()?;
        let snap = self.snaps.snaps.get(row)?.as_ref()?;
        let tie = self.snaps.by_hand.get(&row);
        let computed = tie.map_or(snap, |tie| &tie.computed);
        let sigma = snaps::record_position(&recorded).sigma;
        let candidates = self.candidates(computed);
        let is_ambiguous = matches!(computed, Snap::OnTrail(on_trail) if on_trail.is_ambiguous);
        Some(TieCard {
            address: format!("/encounters/{}", found.id),
            drawing: self.drawing(&recorded, sigma, computed, snap),
            now: self.now_words(snap),
            is_ambiguous,
            ambiguous_weight: self.facts.settings.ambiguous_weight,
            error_words: error_words(sigma),
            nearby: self.nearby(&recorded, &candidates),
            by_hand: tie.and_then(|tie| self.hand_note(found, tie)),
            candidates,
            given,
        })
    }

    fn segment_words(&self, segment: usize) -> String {
        self.network.segment_words(segment)
    }

    fn segment_value(&self, segment: usize) -> String {
        format!("segment:{:016x}", self.network.network.segments[segment].id.number())
    }

    fn place_value(&self, place: usize) -> String {
        format!("place:{}", self.facts.places[place].id)
    }

    fn now_words(&self, snap: &Snap) -> String {
        match snap {
            Snap::OnTrail(OnTrail { candidates, .. }) => {
                let best = candidates.first().map(|best| self.segment_words(best.nearest.segment_idx));
                let others = if candidates.len() > 1 { ", or one of the others below" } else { "" };
                format!("On {}{others}", best.unwrap_or_default())
            }
            Snap::ByHand { segment_idx } => format!("On {}", self.segment_words(*segment_idx)),
            Snap::AtPlace { place_idx } => {
                format!("At {}, a place: not on a trail", self.facts.places[*place_idx].given.name)
            }
            Snap::TooVague { .. } => {
                "Too vague for a segment: it counts for the most probable trail as a whole".to_owned()
            }
            Snap::OffTrail { nearest_m: Some(metres) } => {
                format!("Off the trail, {metres:.0} m from the nearest: in no rate")
            }
            Snap::OffTrail { nearest_m: None } => "Off the trail: in no rate".to_owned(),
        }
    }

    fn candidates(&self, computed: &Snap) -> Vec<CandidateRow> {
        match computed {
            Snap::OnTrail(OnTrail { candidates, .. }) => candidates
                .iter()
                .map(|candidate| {
                    let segment = candidate.nearest.segment_idx;
                    CandidateRow {
                        value: self.segment_value(segment),
                        words: self.segment_words(segment),
                        href: segment_href(self.network, segment),
                        distance_m: Some(candidate.nearest.distance_m),
                        weight: Some(candidate.weight),
                    }
                })
                .collect(),
            Snap::AtPlace { place_idx } => vec![CandidateRow {
                value: self.place_value(*place_idx),
                words: format!("{}, which holds the position", self.facts.places[*place_idx].given.name),
                href: String::new(),
                distance_m: None,
                weight: None,
            }],
            Snap::TooVague { trails } => trails
                .iter()
                .map(|trail| CandidateRow {
                    value: String::new(),
                    words: format!("{}, somewhere", self.network.network.trails[trail.trail_idx].name),
                    href: String::new(),
                    distance_m: None,
                    weight: Some(trail.weight),
                })
                .collect(),
            Snap::ByHand { .. } | Snap::OffTrail { .. } => Vec::new(),
        }
    }

    /// Segments and places near the position that are no candidates, nearest first.
    fn nearby(&self, recorded: &RecordedPosition, candidates: &[CandidateRow]) -> Vec<(String, String)> {
        let plane = &self.network.network.plane;
        let at = plane.to_plane(recorded.position);
        let segments = self.network.index.segments_within(at, NEARBY_M).into_iter().map(|nearest| {
            let segment = nearest.segment_idx;
            let words = format!("{}, {:.0} m away", self.segment_words(segment), nearest.distance_m);
            (nearest.distance_m, self.segment_value(segment), words)
        });
        let places = self.facts.places.iter().enumerate().filter_map(|(idx, place)| {
            let centre = plane.to_plane(place.given.position);
            let distance_m = (centre.x - at.x).hypot(centre.y - at.y);
            let words = format!("{} (a place), its middle {distance_m:.0} m away", place.given.name);
            (distance_m <= NEARBY_M + place.given.radius.in_metres())
                .then(|| (distance_m, self.place_value(idx), words))
        });
        let is_candidate = |value: &String| candidates.iter().any(|row| row.value == *value);
        let mut found: Vec<_> = segments.chain(places).filter(|(_, value, _)| !is_candidate(value)).collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.cmp(&b.1)));
        found.into_iter().take(N_NEARBY).map(|(_, value, words)| (value, words)).collect()
    }

    fn drawing(&self, recorded: &RecordedPosition, sigma: Sigma, computed: &Snap, now: &Snap) -> MapDrawing {
        let at = self.network.network.plane.to_plane(recorded.position);
        let circle_m = CIRCLE_SIGMAS * sigma.metres();
        let candidates = match computed {
            Snap::OnTrail(OnTrail { candidates, .. }) => candidates.as_slice(),
            _ => &[],
        };
        let farthest_m =
            candidates.iter().map(|candidate| candidate.nearest.distance_m).fold(circle_m, f64::max);
        let view_m = farthest_m.clamp(LEAST_VIEW_M, 2.0 * NEARBY_M);
        let line = |segment: usize| MapLine {
            points: common::course(self.network, &[segment]),
            stroke: Stroke::TooWide,
            href: segment_href(self.network, segment),
            title: self.segment_words(segment),
            picked: matches!(now, Snap::ByHand { segment_idx } if *segment_idx == segment),
        };
        let mut shown: Vec<usize> =
            self.network.index.segments_within(at, view_m).iter().map(|near| near.segment_idx).collect();
        if let Snap::ByHand { segment_idx } = now
            && !shown.contains(segment_idx)
        {
            shown.push(*segment_idx);
        }
        let signs = candidates.iter().enumerate().map(|(idx, candidate)| {
            let segment = candidate.nearest.segment_idx;
            // Feet of neighbouring segments fall together at their common end; their middles never do.
            let middle = common::along(&common::course(self.network, &[segment]), 0.5);
            MapSign { at: middle, number: idx + 1, standing: false, title: self.segment_words(segment) }
        });
        MapDrawing {
            description: "The recorded position with its error circle, and the numbered candidates"
                .to_owned(),
            lines: shown.into_iter().map(line).collect(),
            labels: Vec::new(),
            places: vec![MapPlace { at: [at.x, at.y], words: "recorded position".to_owned(), link: None }],
            signs: signs.collect(),
            notices: Vec::new(),
            shapes: vec![MapShape { rings: vec![circle([at.x, at.y], circle_m)], class: 0, opacity: 0.3 }],
            outlines: Vec::new(),
        }
    }

    fn hand_note(&self, found: &Encounter, tie: &HandTie) -> Option<HandNote> {
        let set = self.hand_snap(found.id)?;
        let changed = found.changes.iter().rev().find(|change| change.changed_at_s > set.set_at_s);
        Some(HandNote {
            target: self.target_words(set.given.target),
            by: format!("{}, {}", set.actor, when(set.set_at_s)),
            reason: set.given.reason.clone(),
            not_used: not_used_words(tie.standing).to_owned(),
            changed_since: changed.map_or_else(String::new, |change| {
                format!(
                    "The record was changed by {} ({}) after it was placed: see whether the place still holds.",
                    change.actor,
                    when(change.changed_at_s)
                )
            }),
        })
    }

    fn hand_snap(&self, id: EncounterId) -> Option<&HandSnap> {
        let idx = self.facts.hand_snaps.binary_search_by_key(&id, |snap| snap.given.encounter_id).ok()?;
        self.facts.hand_snaps.get(idx)
    }

    fn target_words(&self, target: SnapTarget) -> String {
        match target {
            SnapTarget::OffTrail => "off the trail".to_owned(),
            SnapTarget::Place(id) => match self.facts.places.iter().find(|place| place.id == id) {
                Some(place) => place.given.name.clone(),
                None => "a place that is no longer there".to_owned(),
            },
            SnapTarget::Segment(id) => {
                let number = id.cast_unsigned();
                match self.network.by_id.get(&SegmentId::from_number(number)) {
                    Some(segment) => self.segment_words(*segment),
                    None => format!("segment {number:016x}"),
                }
            }
        }
    }

    /// What the form chose; what is wrong with it is said at the field.
    fn target(&self, given: &mut Given) -> Option<SnapTarget> {
        let chosen = match given.get("target") {
            "other" => given.get("other").to_owned(),
            chosen => chosen.to_owned(),
        };
        let target = match chosen.split_once(':') {
            None if chosen == "off" => Some(SnapTarget::OffTrail),
            Some(("segment", digits)) => u64::from_str_radix(digits, 16)
                .ok()
                .filter(|number| self.network.by_id.contains_key(&SegmentId::from_number(*number)))
                .map(|number| SnapTarget::Segment(number.cast_signed())),
            Some(("place", digits)) => digits
                .parse()
                .ok()
                .map(PlaceId)
                .filter(|id| self.facts.places.iter().any(|place| place.id == *id))
                .map(SnapTarget::Place),
            _ => None,
        };
        if target.is_none() {
            let words = if chosen.is_empty() {
                "Choose where it happened."
            } else {
                "That is no longer there: choose again."
            };
            given.refuse("target", words);
        }
        target
    }
}

fn not_used_words(standing: HandStanding) -> &'static str {
    match standing {
        HandStanding::Used => "",
        HandStanding::SegmentGone => {
            "that segment is no longer there, since the trails or the segment length were changed. Until it is placed again, the position decides"
        }
        HandStanding::PlaceGone => {
            "that place is no longer there. Until it is placed again, the position decides"
        }
    }
}

fn error_words(sigma: Sigma) -> String {
    let metres = sigma.metres();
    let assumed = if sigma.is_assumed() { ", assumed since the record gives none" } else { "" };
    format!(
        "The circle, {:.0} m around the recorded position, holds the true place about 95 times in 100 (standard deviation \
         {metres:.0} m on each axis{assumed}).",
        CIRCLE_SIGMAS * metres
    )
}

fn circle(centre: [f64; 2], radius_m: f64) -> Vec<[f64; 2]> {
    let corner = |idx: usize| {
        let angle = std::f64::consts::TAU * idx as f64 / N_CORNERS as f64;
        [centre[0] + radius_m * angle.cos(), centre[1] + radius_m * angle.sin()]
    };
    (0..N_CORNERS).map(corner).collect()
}

/// Places an encounter by hand.
pub async fn place(
    app: Exact,
    asker: Who,
    Path(id): Path<String>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let id = EncounterId(key(&id, "encounter")?);
    let mut given = Given::new(pairs).with_signer(&asker);
    let who = given.signer();
    let reason = given.required("reason", "Say what you know that the position does not say.");
    let facts = app.deriver().facts().await?;
    let (network, snaps) = (app.deriver().network(&facts).await?, app.deriver().snaps(&facts).await?);
    let scene = Scene { facts: &facts, network: &network, snaps: &snaps };
    match scene.target(&mut given) {
        Some(target) if given.is_good() => {
            let found = encounters::found(&app, id).await?;
            let summary = format!("{} placed by hand", found.given.occurrence_id);
            let mut writer = app.store().write(&who, &summary, app.clock().now_s()).await?;
            writer.set_hand_snap(&HandSnapDraft { encounter_id: id, target, reason }).await?;
            writer.commit().await?;
            Ok(Redirect::to(&format!("/encounters/{id}#tie")).into_response())
        }
        _ => {
            let page = encounters::page(&app, &asker, id, Forms { tie: given, photos: None }).await?;
            Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
        }
    }
}

/// Leaves it to the position again.
pub async fn clear(
    app: Exact,
    asker: Who,
    Path(id): Path<String>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let id = EncounterId(key(&id, "encounter")?);
    let mut given = Given::new(pairs).with_signer(&asker);
    let who = given.signer_in("clear-who");
    let reason = given.required("clear-reason", "Say why the position should decide again.");
    if !given.is_good() {
        let page = encounters::page(&app, &asker, id, Forms { tie: given, photos: None }).await?;
        return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
    }
    let found = encounters::found(&app, id).await?;
    let summary = format!("{} left to its position again: {reason}", found.given.occurrence_id);
    let mut writer = app.store().write(&who, &summary, app.clock().now_s()).await?;
    writer.clear_hand_snap(id).await?;
    writer.commit().await?;
    Ok(Redirect::to(&format!("/encounters/{id}#tie")).into_response())
}
