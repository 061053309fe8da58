//! Snaps set by hand: staff say where an encounter was, against what the computation finds.

use serde::Serialize;

use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::ids::PlaceId;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Writer;

/// Where an encounter was, as set by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SnapTarget {
    /// On the segment with this lasting identifier.
    Segment(i64),
    /// At a place.
    Place(PlaceId),
    /// Off the trail.
    OffTrail,
}

/// A snap before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HandSnapDraft {
    /// The encounter.
    pub encounter_id: EncounterId,
    /// Where it was.
    pub target: SnapTarget,
    /// Why.
    pub reason: String,
}

/// A stored snap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HandSnap {
    /// What was given.
    pub given: HandSnapDraft,
    /// Who set it.
    pub actor: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub set_at_s: i64,
}

#[derive(Serialize)]
struct HandSnapWire<'a> {
    segment: Option<i64>,
    place: Option<i64>,
    reason: &'a str,
}

impl SnapTarget {
    fn columns(self) -> (Option<i64>, Option<i64>) {
        match self {
            Self::Segment(segment) => (Some(segment), None),
            Self::Place(place) => (None, Some(place.0)),
            Self::OffTrail => (None, None),
        }
    }

    fn from_columns(segment_id: Option<i64>, place_id: Option<i64>) -> Result<Self, &'static str> {
        match (segment_id, place_id) {
            (Some(segment), None) => Ok(Self::Segment(segment)),
            (None, Some(place)) => Ok(Self::Place(PlaceId(place))),
            (None, None) => Ok(Self::OffTrail),
            (Some(_), Some(_)) => Err("both a segment and a place"),
        }
    }
}

struct HandSnapRow {
    encounter_id: i64,
    segment_id: Option<i64>,
    place_id: Option<i64>,
    reason: String,
    actor: String,
    set_at_s: i64,
}

impl TryFrom<HandSnapRow> for HandSnap {
    type Error = Error;

    fn try_from(row: HandSnapRow) -> Result<Self, Error> {
        let target = SnapTarget::from_columns(row.segment_id, row.place_id);
        let given = HandSnapDraft {
            encounter_id: EncounterId(row.encounter_id),
            target: stored(target, "hand_snaps", "segment_id, place_id", row.encounter_id)?,
            reason: row.reason,
        };
        Ok(Self { given, actor: row.actor, set_at_s: row.set_at_s })
    }
}

impl Writer {
    /// Sets where an encounter was. The same again changes nothing.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such encounter or place; [`Error`] when the database cannot be written.
    pub async fn set_hand_snap(&mut self, draft: &HandSnapDraft) -> Result<(), Error> {
        self.carry_hand_snap(draft.encounter_id).await?;
        let old = self.hand_snap(draft.encounter_id).await?;
        if old.as_ref().is_some_and(|old| old.given == *draft) {
            return Ok(());
        }
        let (segment_id, place_id) = draft.target.columns();
        let (actor, now_s, revision) = (self.actor().to_owned(), self.now_s(), self.revision());
        sqlx::query!(
            "INSERT INTO hand_snaps (encounter_id, segment_id, place_id, reason, actor, set_at_s, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?)
             ON CONFLICT (encounter_id) DO UPDATE SET segment_id = excluded.segment_id, place_id = excluded.place_id,
                reason = excluded.reason, actor = excluded.actor, set_at_s = excluded.set_at_s,
                revision = excluded.revision",
            draft.encounter_id.0,
            segment_id,
            place_id,
            draft.reason,
            actor,
            now_s,
            revision
        )
        .execute(self.connection())
        .await?;
        self.record_hand_snap(draft.encounter_id, old.as_ref().map(|old| &old.given), Some(draft)).await
    }

    /// Leaves it to the computation again where an encounter was.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn clear_hand_snap(&mut self, encounter_id: EncounterId) -> Result<(), Error> {
        self.carry_hand_snap(encounter_id).await?;
        let Some(old) = self.hand_snap(encounter_id).await? else { return Ok(()) };
        sqlx::query!("DELETE FROM hand_snaps WHERE encounter_id = ?", encounter_id.0)
            .execute(self.connection())
            .await?;
        self.record_hand_snap(encounter_id, Some(&old.given), None).await
    }

    /// Gives an encounter the snap of an earlier row with the same `occurrenceID` that was taken out with its batch.
    async fn carry_hand_snap(&mut self, encounter_id: EncounterId) -> Result<(), Error> {
        sqlx::query!(
            "UPDATE OR IGNORE hand_snaps SET encounter_id = ?1
             WHERE encounter_id = (
                SELECT earlier.id
                FROM hand_snaps AS kept JOIN encounters AS earlier ON earlier.id = kept.encounter_id
                    JOIN encounters AS living ON living.area_id = earlier.area_id
                        AND living.occurrence_id = earlier.occurrence_id
                WHERE living.id = ?1 AND earlier.id <> ?1 AND earlier.removed_revision IS NOT NULL
                ORDER BY kept.set_at_s DESC, earlier.id DESC LIMIT 1)",
            encounter_id.0
        )
        .execute(self.connection())
        .await?;
        Ok(())
    }

    async fn hand_snap(&mut self, encounter_id: EncounterId) -> Result<Option<HandSnap>, Error> {
        sqlx::query_as!(
            HandSnapRow,
            "SELECT encounter_id, segment_id, place_id, reason, actor, set_at_s FROM hand_snaps WHERE encounter_id = ?",
            encounter_id.0
        )
        .fetch_optional(self.connection())
        .await?
        .map(HandSnap::try_from)
        .transpose()
    }

    async fn record_hand_snap(
        &mut self,
        encounter_id: EncounterId,
        before: Option<&HandSnapDraft>,
        after: Option<&HandSnapDraft>,
    ) -> Result<(), Error> {
        let json = |draft: &HandSnapDraft| {
            let (segment, place) = draft.target.columns();
            let record = HandSnapWire { segment, place, reason: &draft.reason };
            history::to_json("hand_snaps", encounter_id.0, &Version::new(record, None))
        };
        let (before, after) = (before.map(json).transpose()?, after.map(json).transpose()?);
        let (kind, record_id) = (RecordKind::HandSnap, encounter_id.0);
        history::record(self, Entry { kind, record_id, batch_id: None, before, after }).await
    }
}

impl Snapshot {
    /// The snaps set by hand in an area, by encounter. Empty when there are none.
    ///
    /// A record that was taken out with its batch and brought in again is another row: it keeps the snap of the earlier one by
    /// its `occurrenceID`, unless it has one of its own.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn hand_snaps(&mut self, area: AreaId) -> Result<Vec<HandSnap>, Error> {
        let rows = sqlx::query_as!(
            HandSnapRow,
            r#"SELECT living.id AS "encounter_id!", segment_id, place_id, reason, actor, set_at_s
             FROM hand_snaps JOIN encounters AS snapped ON snapped.id = encounter_id
                JOIN encounters AS living ON living.area_id = snapped.area_id
                    AND living.occurrence_id = snapped.occurrence_id AND living.removed_revision IS NULL
             WHERE snapped.area_id = ?
             ORDER BY living.id, snapped.id = living.id DESC, set_at_s DESC, snapped.id DESC"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut snaps: Vec<HandSnap> = rows.into_iter().map(HandSnap::try_from).collect::<Result<_, _>>()?;
        snaps.dedup_by_key(|snap| snap.given.encounter_id);
        Ok(snaps)
    }
}
