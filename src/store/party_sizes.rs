//! Mean party sizes, by trailhead or trail, and period, where known.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::exposure::PartiesOf;
use crate::domain::exposure::PartySize;
use crate::domain::exposure::PartySizeDraft;
use crate::domain::ids::AreaId;
use crate::domain::ids::TrailId;
use crate::domain::ids::TrailheadId;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Keyed;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::trailheads;
use crate::store::trails;
use crate::store::wire::Exact;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

#[derive(Serialize, Deserialize)]
pub(super) struct PartySizeWire {
    trailhead: String,
    /// Left out where there is none, as in changes that were kept before sizes had trails: the two are then the same record.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    trail: String,
    from_date: String,
    until_date: String,
    mean_walkers: Exact,
    standard_error: Exact,
    n_parties: Option<u32>,
}

impl Kept for PartySizeDraft {
    const KIND: RecordKind = RecordKind::PartySize;
    const TABLE: &'static str = "party_sizes";
    const KEY: &'static str = "trailhead or trail, and period";
    type Wire = PartySizeWire;

    fn to_wire(&self) -> PartySizeWire {
        PartySizeWire {
            trailhead: self.trailhead.clone(),
            trail: self.trail.clone(),
            from_date: self.from_date.clone(),
            until_date: self.until_date.clone(),
            mean_walkers: Exact(self.mean_walkers),
            standard_error: Exact(self.standard_error),
            n_parties: self.n_parties,
        }
    }

    fn from_wire(wire: PartySizeWire) -> Result<Self, String> {
        Ok(Self {
            trailhead: wire.trailhead,
            trail: wire.trail,
            from_date: wire.from_date,
            until_date: wire.until_date,
            mean_walkers: wire.mean_walkers.0,
            standard_error: wire.standard_error.0,
            n_parties: wire.n_parties,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        // One whose trailhead or trail was taken out still names it: without the name it would be that of the whole area.
        let row = sqlx::query!(
            r#"SELECT trailheads.name AS "trailhead?", trails.name AS "trail?", from_date, until_date, mean_walkers,
                standard_error, n_parties AS "n_parties: u32", party_sizes.batch_id, party_sizes.file_id,
                party_sizes.row_number
             FROM party_sizes
             LEFT JOIN trailheads ON trailheads.id = trailhead_id
             LEFT JOIN trails ON trails.id = trail_id
             WHERE party_sizes.id = ? AND (party_sizes.removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        Ok(row.map(|row| Stored {
            record: Self {
                trailhead: row.trailhead.unwrap_or_default(),
                trail: row.trail.unwrap_or_default(),
                from_date: row.from_date.unwrap_or_default(),
                until_date: row.until_date.unwrap_or_default(),
                mean_walkers: row.mean_walkers,
                standard_error: row.standard_error,
                n_parties: row.n_parties,
            },
            origin: Origin::from_columns(row.batch_id, row.file_id, row.row_number),
        }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let trailhead_id = trailheads::by_name(connection, key.area, &self.trailhead).await?;
        let trail_id = trails::by_name(connection, key.area, &self.trail).await?;
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE party_sizes SET trailhead_id = ?, trail_id = ?, from_date = nullif(?, ''),
                until_date = nullif(?, ''), mean_walkers = ?, standard_error = ?, n_parties = ?, batch_id = ?,
                file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            trailhead_id,
            trail_id,
            self.from_date,
            self.until_date,
            self.mean_walkers,
            self.standard_error,
            self.n_parties,
            batch_id,
            file_id,
            row_number,
            stamp.revision,
            key.id
        )
        .execute(connection)
        .await?;
        Ok(())
    }
}

impl Keyed for PartySizeDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        for (field, value) in [("meanWalkers", self.mean_walkers), ("standardError", self.standard_error)] {
            if !value.is_finite() {
                let hint = "give it as a decimal number";
                return Err(Problem::of(field, &value.to_string(), "it is not a number", hint).into());
            }
        }
        trailheads::by_name(connection, area, &self.trailhead).await?;
        trails::by_name(connection, area, &self.trail).await?;
        // By name: a trail that was taken out and brought in again is another row, and the size still that of the trail.
        let id = sqlx::query_scalar!(
            r#"SELECT party_sizes.id AS "id!" FROM party_sizes
             LEFT JOIN trailheads ON trailheads.id = trailhead_id
             LEFT JOIN trails ON trails.id = trail_id
             WHERE party_sizes.area_id = ? AND coalesce(trailheads.name, '') = ? AND coalesce(trails.name, '') = ?
               AND coalesce(from_date, '') = ? AND coalesce(until_date, '') = ? AND party_sizes.removed_revision IS NULL
             ORDER BY party_sizes.id DESC"#,
            area.0,
            self.trailhead,
            self.trail,
            self.from_date,
            self.until_date
        )
        .fetch_optional(connection)
        .await?;
        Ok(id)
    }

    async fn insert(
        &self,
        connection: &mut SqliteConnection,
        area: AreaId,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let trailhead_id = trailheads::by_name(connection, area, &self.trailhead).await?;
        let trail_id = trails::by_name(connection, area, &self.trail).await?;
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO party_sizes (area_id, trailhead_id, trail_id, from_date, until_date, mean_walkers,
                standard_error, n_parties, batch_id, file_id, row_number, revision)
             VALUES (?, ?, ?, nullif(?, ''), nullif(?, ''), ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            trailhead_id,
            trail_id,
            self.from_date,
            self.until_date,
            self.mean_walkers,
            self.standard_error,
            self.n_parties,
            batch_id,
            file_id,
            row_number,
            stamp.revision
        )
        .execute(connection)
        .await?;
        Ok(())
    }
}

impl Writer {
    /// Puts mean party sizes, by trailhead or trail, and period. Bring in the trailheads and trails that they name before.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_party_sizes(
        &mut self,
        target: &Target,
        rows: &[(u64, PartySizeDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The mean party sizes of an area, by key. Empty when there are none.
    ///
    /// One that names a trailhead or trail which was taken out is left out with it, until one of that name is there again.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn party_sizes(&mut self, area: AreaId) -> Result<Vec<PartySize>, Error> {
        let rows = sqlx::query!(
            r#"SELECT heads.id AS "trailhead_id?", walked.id AS "trail_id?", from_date, until_date, n_parties, mean_walkers,
                standard_error
             FROM party_sizes
             LEFT JOIN trailheads ON trailheads.id = trailhead_id
             LEFT JOIN trailheads AS heads ON heads.area_id = party_sizes.area_id AND heads.name = trailheads.name
                AND heads.removed_revision IS NULL
             LEFT JOIN trails ON trails.id = trail_id
             LEFT JOIN trails AS walked ON walked.area_id = party_sizes.area_id AND walked.name = trails.name
                AND walked.removed_revision IS NULL
             WHERE party_sizes.area_id = ? AND party_sizes.removed_revision IS NULL
               AND (trailhead_id IS NULL OR heads.id IS NOT NULL) AND (trail_id IS NULL OR walked.id IS NOT NULL)
             ORDER BY party_sizes.id"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let sizes = rows.into_iter().map(|row| PartySize {
            // A rule of the table: never both.
            of: match (row.trailhead_id, row.trail_id) {
                (Some(id), _) => PartiesOf::Trailhead(TrailheadId(id)),
                (None, Some(id)) => PartiesOf::Trail(TrailId(id)),
                (None, None) => PartiesOf::Area,
            },
            from_date: row.from_date.unwrap_or_default(),
            until_date: row.until_date.unwrap_or_default(),
            n_parties: row.n_parties.and_then(|n| u32::try_from(n).ok()),
            mean_walkers: row.mean_walkers,
            standard_error: row.standard_error,
        });
        Ok(sizes.collect())
    }

    /// Names of trailheads and trails that were taken out and have party sizes, which hold nowhere until they are there again.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn party_sizes_apart(&mut self, area: AreaId) -> Result<Vec<String>, Error> {
        let names = sqlx::query_scalar!(
            r#"SELECT DISTINCT coalesce(trailheads.name, trails.name) AS "name!: String"
             FROM party_sizes
             LEFT JOIN trailheads ON trailheads.id = trailhead_id
             LEFT JOIN trailheads AS heads ON heads.area_id = party_sizes.area_id AND heads.name = trailheads.name
                AND heads.removed_revision IS NULL
             LEFT JOIN trails ON trails.id = trail_id
             LEFT JOIN trails AS walked ON walked.area_id = party_sizes.area_id AND walked.name = trails.name
                AND walked.removed_revision IS NULL
             WHERE party_sizes.area_id = ? AND party_sizes.removed_revision IS NULL
               AND ((trailhead_id IS NOT NULL AND heads.id IS NULL) OR (trail_id IS NOT NULL AND walked.id IS NULL))
             ORDER BY 1"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        Ok(names)
    }
}
