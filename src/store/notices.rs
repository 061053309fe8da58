//! Temporary notices: what staff told visitors about a trail, and until when.

use jiff::civil::Date;
use serde_json::Value;

use crate::domain::ids::AreaId;
use crate::domain::ids::NoticeId;
use crate::domain::notice::InvalidNotice;
use crate::domain::notice::Notice;
use crate::domain::notice::NoticeDraft;
use crate::domain::notice::Withdrawal;
use crate::domain::revision::Revision;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Writer;

struct NoticeRow {
    id: i64,
    trail: String,
    wording_key: String,
    start_date: String,
    expiry_date: String,
    reason: String,
    made_by: String,
    made_at_s: i64,
    based_on_revision: i64,
    settings: String,
    withdrawn_by: Option<String>,
    withdrawn_at_s: Option<i64>,
}

impl TryFrom<NoticeRow> for Notice {
    type Error = Error;

    fn try_from(row: NoticeRow) -> Result<Self, Error> {
        let date = |text: &str, column| stored(text.parse::<Date>(), "notices", column, row.id);
        let given = NoticeDraft {
            start: date(&row.start_date, "start_date")?,
            expiry: date(&row.expiry_date, "expiry_date")?,
            trail: row.trail,
            wording_key: row.wording_key,
            reason: row.reason,
            made_by: row.made_by,
            based_on: Revision(row.based_on_revision as u64),
            settings: row.settings,
        };
        let withdrawal = match (row.withdrawn_by, row.withdrawn_at_s) {
            (Some(by), Some(at_s)) => Some(Withdrawal { by, at_s }),
            _ => None,
        };
        Ok(Self { id: NoticeId(row.id), given, made_at_s: row.made_at_s, withdrawal })
    }
}

impl Writer {
    /// Adds a notice.
    ///
    /// # Errors
    /// [`InvalidNotice`] within when the notice breaks a rule; [`Error`] when the database cannot be written.
    pub async fn add_notice(
        &mut self,
        area: AreaId,
        draft: &NoticeDraft,
    ) -> Result<Result<NoticeId, InvalidNotice>, Error> {
        if let Err(invalid) = draft.check() {
            return Ok(Err(invalid));
        }
        let (start, expiry) = (draft.start.to_string(), draft.expiry.to_string());
        let (based_on, now_s, revision) = (draft.based_on.0 as i64, self.now_s(), self.revision());
        let inserted = sqlx::query!(
            "INSERT INTO notices (area_id, trail, wording_key, start_date, expiry_date, reason, made_by, made_at_s,
                based_on_revision, settings, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            draft.trail,
            draft.wording_key,
            start,
            expiry,
            draft.reason,
            draft.made_by,
            now_s,
            based_on,
            draft.settings,
            revision
        )
        .execute(self.connection())
        .await?;
        let id = inserted.last_insert_rowid();
        let record = serde_json::json!({
            "trail": draft.trail,
            "wording": draft.wording_key,
            "start": start,
            "expiry": expiry,
            "reason": draft.reason,
            "made_by": draft.made_by,
            "based_on_revision": based_on,
            "settings": draft.settings,
            "withdrawn_by": "",
        });
        self.record_notice(id, None, Some(record)).await?;
        Ok(Ok(NoticeId(id)))
    }

    /// Takes a notice back; it stays in the list. False where there is none, or it was withdrawn before.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written.
    pub async fn withdraw_notice(&mut self, notice: NoticeId, by: &str) -> Result<bool, Error> {
        let (now_s, revision) = (self.now_s(), self.revision());
        let updated = sqlx::query!(
            "UPDATE notices SET withdrawn_by = ?, withdrawn_at_s = ?, revision = ?
             WHERE id = ? AND withdrawn_at_s IS NULL",
            by,
            now_s,
            revision,
            notice.0
        )
        .execute(self.connection())
        .await?;
        let is_changed = updated.rows_affected() > 0;
        if is_changed {
            let withdrawn_by = |by: &str| Some(serde_json::json!({ "withdrawn_by": by }));
            self.record_notice(notice.0, withdrawn_by(""), withdrawn_by(by)).await?;
        }
        Ok(is_changed)
    }

    async fn record_notice(
        &mut self,
        id: i64,
        before: Option<Value>,
        after: Option<Value>,
    ) -> Result<(), Error> {
        let json = |record: Option<Value>| {
            record.map(|record| history::to_json("notices", id, &Version::new(record, None))).transpose()
        };
        let (before, after) = (json(before)?, json(after)?);
        let kind = RecordKind::Notice;
        history::record(self, Entry { kind, record_id: id, batch_id: None, before, after }).await
    }
}

impl Snapshot {
    /// The notices of an area, those that expire last first. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn notices(&mut self, area: AreaId) -> Result<Vec<Notice>, Error> {
        let rows = sqlx::query_as!(
            NoticeRow,
            r#"SELECT id AS "id!", trail, wording_key, start_date, expiry_date, reason, made_by, made_at_s,
                based_on_revision, settings, withdrawn_by, withdrawn_at_s
             FROM notices WHERE area_id = ? ORDER BY expiry_date DESC, id DESC"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter().map(Notice::try_from).collect()
    }

    /// One notice.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn notice(&mut self, notice: NoticeId) -> Result<Option<Notice>, Error> {
        let row = sqlx::query_as!(
            NoticeRow,
            r#"SELECT id AS "id!", trail, wording_key, start_date, expiry_date, reason, made_by, made_at_s,
                based_on_revision, settings, withdrawn_by, withdrawn_at_s
             FROM notices WHERE id = ?"#,
            notice.0
        )
        .fetch_optional(self.connection())
        .await?;
        row.map(Notice::try_from).transpose()
    }
}
