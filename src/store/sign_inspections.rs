//! Inspections of signs in place.

use serde::Deserialize;
use serde::Serialize;
use sqlx::SqliteConnection;

use crate::domain::ids::AreaId;
use crate::domain::ids::SignId;
use crate::domain::sign::SignInspectionDraft;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::error::stored;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Keyed;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Origin;
use crate::store::writer::Stamp;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

/// A stored inspection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignInspection {
    /// The sign.
    pub sign_id: SignId,
    /// What was given.
    pub given: SignInspectionDraft,
}

#[derive(Serialize, Deserialize)]
pub(super) struct SignInspectionWire {
    sign: String,
    inspected_at_s: i64,
    inspected_by: String,
    condition: String,
    remarks: String,
}

struct SignInspectionRow {
    id: i64,
    sign_id: i64,
    sign: String,
    inspected_at_s: i64,
    actor: String,
    condition: String,
    remarks: String,
    batch_id: Option<i64>,
    file_id: Option<i64>,
    row_number: Option<i64>,
}

impl TryFrom<SignInspectionRow> for SignInspection {
    type Error = Error;

    fn try_from(row: SignInspectionRow) -> Result<Self, Error> {
        let given = SignInspectionDraft {
            sign: row.sign,
            inspected_at_s: row.inspected_at_s,
            inspected_by: row.actor,
            condition: stored(row.condition.parse(), "sign_inspections", "condition", row.id)?,
            remarks: row.remarks,
        };
        Ok(Self { sign_id: SignId(row.sign_id), given })
    }
}

impl Kept for SignInspectionDraft {
    const KIND: RecordKind = RecordKind::SignInspection;
    const TABLE: &'static str = "sign_inspections";
    const KEY: &'static str = "sign and time";
    type Wire = SignInspectionWire;

    fn to_wire(&self) -> SignInspectionWire {
        SignInspectionWire {
            sign: self.sign.clone(),
            inspected_at_s: self.inspected_at_s,
            inspected_by: self.inspected_by.clone(),
            condition: self.condition.term().to_owned(),
            remarks: self.remarks.clone(),
        }
    }

    fn from_wire(wire: SignInspectionWire) -> Result<Self, String> {
        Ok(Self {
            sign: wire.sign,
            inspected_at_s: wire.inspected_at_s,
            inspected_by: wire.inspected_by,
            condition: wire.condition.parse().map_err(|error| format!("{error}"))?,
            remarks: wire.remarks,
        })
    }

    async fn load_row(
        connection: &mut SqliteConnection,
        id: i64,
        even_taken_out: bool,
    ) -> Result<Option<Stored<Self>>, Error> {
        let row = sqlx::query_as!(
            SignInspectionRow,
            r#"SELECT sign_inspections.id AS "id!", sign_id, signs_in_place.name AS sign, inspected_at_s, actor, condition,
                remarks, sign_inspections.batch_id, sign_inspections.file_id, sign_inspections.row_number
             FROM sign_inspections JOIN signs_in_place ON signs_in_place.id = sign_id
             WHERE sign_inspections.id = ? AND (sign_inspections.removed_revision IS NULL OR ?)"#,
            id,
            even_taken_out
        )
        .fetch_optional(connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let origin = Origin::from_columns(row.batch_id, row.file_id, row.row_number);
        Ok(Some(Stored { record: SignInspection::try_from(row)?.given, origin }))
    }

    async fn overwrite(
        &self,
        connection: &mut SqliteConnection,
        key: RowKey,
        stamp: &Stamp,
    ) -> Result<(), Fault> {
        let condition = self.condition.term();
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "UPDATE sign_inspections SET inspected_at_s = ?, actor = ?, condition = ?, remarks = ?, batch_id = ?,
                file_id = ?, row_number = ?, revision = ?, removed_revision = NULL
             WHERE id = ?",
            self.inspected_at_s,
            self.inspected_by,
            condition,
            self.remarks,
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

impl Keyed for SignInspectionDraft {
    async fn find(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<Option<i64>, Fault> {
        let sign_id = self.sign_id(connection, area).await?;
        let id = sqlx::query_scalar!(
            "SELECT id FROM sign_inspections WHERE sign_id = ? AND inspected_at_s = ? AND removed_revision IS NULL",
            sign_id,
            self.inspected_at_s
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
        let sign_id = self.sign_id(connection, area).await?;
        let condition = self.condition.term();
        let (batch_id, file_id, row_number) = (stamp.batch_id(), stamp.file_id(), stamp.row_number());
        sqlx::query!(
            "INSERT INTO sign_inspections (sign_id, inspected_at_s, actor, condition, remarks, batch_id, file_id, row_number,
                revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            sign_id,
            self.inspected_at_s,
            self.inspected_by,
            condition,
            self.remarks,
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

/// Named together, a sign's name and the time of its inspection tell which of several signs of the name is meant.
trait OfSign {
    async fn sign_id(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<i64, Fault>;
}

impl OfSign for SignInspectionDraft {
    /// The sign of that name that was up at the time. A sign just taken down can still be found missing.
    async fn sign_id(&self, connection: &mut SqliteConnection, area: AreaId) -> Result<i64, Fault> {
        let id = sqlx::query_scalar!(
            r#"SELECT id AS "id!" FROM signs_in_place
             WHERE area_id = ? AND name = ? AND up_s <= ? AND removed_revision IS NULL ORDER BY up_s DESC LIMIT 1"#,
            area.0,
            self.sign,
            self.inspected_at_s
        )
        .fetch_optional(connection)
        .await?;
        let none = || {
            let hint = "bring in the signs in place first, and check name and time";
            Problem::of("sign", &self.sign, "no sign of that name was up by then", hint).into()
        };
        id.ok_or_else(none)
    }
}

impl Writer {
    /// Puts inspections, by sign and instant.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_sign_inspections(
        &mut self,
        target: &Target,
        rows: &[(u64, SignInspectionDraft)],
    ) -> Result<Tally, Error> {
        kept::put_rows(self, target, rows).await
    }
}

impl Snapshot {
    /// The inspections of an area's signs, newest first. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn sign_inspections(&mut self, area: AreaId) -> Result<Vec<SignInspection>, Error> {
        let rows = sqlx::query_as!(
            SignInspectionRow,
            r#"SELECT sign_inspections.id AS "id!", sign_id, signs_in_place.name AS sign, inspected_at_s, actor, condition,
                remarks, sign_inspections.batch_id, sign_inspections.file_id, sign_inspections.row_number
             FROM sign_inspections JOIN signs_in_place ON signs_in_place.id = sign_id
             WHERE area_id = ? AND sign_inspections.removed_revision IS NULL AND signs_in_place.removed_revision IS NULL
             ORDER BY inspected_at_s DESC, sign_inspections.id DESC"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(SignInspection::try_from).collect()
    }
}
