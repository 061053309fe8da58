//! What each encounter is tied to, and the seeded allocations behind every count.

use std::collections::BTreeMap;
use std::collections::HashMap;

use crate::analysis::network::Segment;
use crate::analysis::network::SegmentId;
use crate::analysis::snap;
use crate::analysis::snap::AccuracyMeaning;
use crate::analysis::snap::Allocation;
use crate::analysis::snap::PositionError;
use crate::analysis::snap::Precision;
use crate::analysis::snap::RecordPosition;
use crate::analysis::snap::Snap;
use crate::analysis::snap::SnapParams;
use crate::analysis::snap::levels::Trails;
use crate::analysis::snap::levels::levels;
use crate::derived::DeriveError;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::season;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::UncertaintyMeaning;
use crate::store::SnapTarget;

/// The ties of all encounters.
#[derive(Debug)]
pub struct SnapLayer {
    /// For each encounter of the facts what it is tied to; none without a position.
    pub snaps: Vec<Option<Snap>>,
    /// The encounters with a position, as indices into the facts' encounters: the records of the allocation.
    pub records: Vec<usize>,
    /// Where each record lies in each draw.
    pub allocation: Allocation,
    /// The ties that staff set by hand, by index into the facts' encounters.
    pub by_hand: BTreeMap<usize, HandTie>,
}

/// What became of a tie set by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct HandTie {
    /// What the computation says by itself.
    pub computed: Snap,
    /// Whether the tie is used.
    pub standing: HandStanding,
}

/// Whether a tie set by hand is used. One that is not used is kept all the same, and the computation counts meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HandStanding {
    /// It is.
    Used,
    /// Its segment is no longer there: the trail, or the length of segments, was changed.
    SegmentGone,
    /// Its place is no longer there.
    PlaceGone,
}

/// Ties all encounters: the error density along the trails times walking, for reports times the level of reports over walking
/// of their trail. Without exposure all metres of trail are alike.
///
/// # Errors
/// [`DeriveError::Internal`] when the parameters do not fit the network.
pub fn compute(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: Option<&ExposureLayer>,
) -> Result<SnapLayer, DeriveError> {
    let rows = &facts.encounters.rows;
    let records: Vec<usize> = (0..rows.len()).filter(|idx| rows[*idx].position.is_some()).collect();
    let positions: Vec<RecordPosition> =
        records.iter().filter_map(|idx| rows[*idx].position.as_ref().map(record_position)).collect();
    let segments = &layer.network.segments;
    let prior: Option<Vec<f64>> = exposure.map(|exposure| {
        let outside = segments.iter().zip(&layer.outside_places);
        let per_metre = |(km, (segment, outside)): (&f64, (&Segment, &f64))| {
            if *outside > 0.0 { km / (segment.length_m * outside) } else { 0.0 }
        };
        exposure.mean_km.iter().zip(outside).map(per_metre).collect()
    });
    let mut tied =
        layer.index.snap_all(&positions, prior.as_deref(), &params(facts)).map_err(DeriveError::internal)?;
    let mut by_hand = set_by_hand(facts, layer, &records, &mut tied);
    if let Some(exposure) = exposure {
        set_levels(facts, layer, exposure, (&records, &mut tied, &mut by_hand));
    }
    let allocation = snap::allocate(&tied, facts.settings.draws(), facts.settings.seed());
    let mut snaps = vec![None; rows.len()];
    for (idx, snap) in records.iter().zip(tied) {
        snaps[*idx] = Some(snap);
    }
    Ok(SnapLayer { snaps, records, allocation, by_hand })
}

/// Gives the weights of reports the level of the rate of each trail, beside the walking that they have already.
///
/// The level is that of reports over walking: what surveys met, was located or met by chance does not follow it.
fn set_levels(
    facts: &Facts,
    layer: &NetworkLayer,
    exposure: &ExposureLayer,
    (records, tied, by_hand): (&[usize], &mut [Snap], &mut BTreeMap<usize, HandTie>),
) {
    let of_segment: Vec<usize> = layer.network.segments.iter().map(|segment| segment.trail_idx).collect();
    let mut exposure_km = vec![0.0; layer.network.trails.len()];
    exposure.mean_km.iter().zip(&of_segment).for_each(|(km, trail)| exposure_km[*trail] += km);
    let is_report = |row: usize| facts.encounters.rows[row].effort_kind == EffortKind::Report;
    let is_counted = |record: usize| {
        let row = &facts.encounters.rows[records[record]];
        is_report(records[record]) && facts.counts(row) && season::in_period(exposure, &row.time)
    };
    let trails = Trails { of_segment: &of_segment, exposure_km: &exposure_km };
    let levels = levels(tied, is_counted, trails);
    let least = facts.settings.ambiguous_weight;
    let reports = records.iter().zip(tied).filter(|(row, _)| is_report(**row));
    reports.for_each(|(_, snap)| snap.reweigh(&levels, &of_segment, least));
    let placed = by_hand.iter_mut().filter(|(row, _)| is_report(**row));
    placed.for_each(|(_, tie)| tie.computed.reweigh(&levels, &of_segment, least));
}

/// How positions are tied, by the area's settings.
pub fn params(facts: &Facts) -> SnapParams {
    let settings = &facts.settings;
    SnapParams {
        error: PositionError {
            bias_m: [settings.bias_east_m, settings.bias_north_m],
            ..PositionError::default()
        },
        off_trail_m: settings.off_trail_m,
        ambiguous_weight: settings.ambiguous_weight,
        ..SnapParams::default()
    }
}

/// A stored position with its error.
pub fn record_position(recorded: &RecordedPosition) -> RecordPosition {
    let meaning = accuracy_meaning(recorded.meaning);
    let accuracy_m = recorded.coordinate_uncertainty.map(|length| length.in_metres());
    RecordPosition {
        position: recorded.position,
        sigma: snap::sigma_from_accuracy(accuracy_m, meaning),
        precision: if recorded.is_generalised { Precision::Generalised } else { Precision::AsMeasured },
    }
}

/// The same meaning in the analysis' own list.
pub(crate) fn accuracy_meaning(meaning: UncertaintyMeaning) -> AccuracyMeaning {
    match meaning {
        UncertaintyMeaning::Radius95 => AccuracyMeaning::Radius95,
        UncertaintyMeaning::Radius68 => AccuracyMeaning::Radius68,
        UncertaintyMeaning::StandardDeviation => AccuracyMeaning::StandardDeviation,
    }
}

/// What staff set by hand stands, as long as its segment or place is still there.
pub(super) fn set_by_hand(
    facts: &Facts,
    layer: &NetworkLayer,
    records: &[usize],
    tied: &mut [Snap],
) -> BTreeMap<usize, HandTie> {
    let by_hand: HashMap<_, _> =
        facts.hand_snaps.iter().map(|snap| (snap.given.encounter_id, snap.given.target)).collect();
    let mut set = BTreeMap::new();
    for (record, snap) in records.iter().zip(tied) {
        let Some(target) = by_hand.get(&facts.encounters.rows[*record].id) else { continue };
        let (found, lost) = match *target {
            SnapTarget::Segment(id) => (on_segment(layer, id), HandStanding::SegmentGone),
            SnapTarget::Place(id) => {
                let place_idx = facts.places.iter().position(|place| place.id == id);
                (place_idx.map(|place_idx| Snap::AtPlace { place_idx }), HandStanding::PlaceGone)
            }
            SnapTarget::OffTrail => (Some(Snap::OffTrail { nearest_m: None }), HandStanding::Used),
        };
        let tie = match found {
            Some(found) => HandTie { computed: std::mem::replace(snap, found), standing: HandStanding::Used },
            None => HandTie { computed: snap.clone(), standing: lost },
        };
        set.insert(*record, tie);
    }
    set
}

fn on_segment(layer: &NetworkLayer, id: i64) -> Option<Snap> {
    let id = SegmentId::from_number(id.cast_unsigned());
    layer.by_id.get(&id).map(|segment_idx| Snap::ByHand { segment_idx: *segment_idx })
}
