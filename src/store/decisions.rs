//! What staff decided on the strength of a figure.

use crate::domain::ids::AreaId;
use crate::domain::ids::DecisionId;
use crate::domain::revision::Revision;
use crate::domain::terms::terms;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Writer;

terms! {
    /// What was decided.
    Choice, "choices", {
        /// Something is done.
        Act => "act",
        /// More is awaited.
        Wait => "wait",
        /// Nothing is done.
        NoAction => "no action",
    }
}

/// A decision before it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DecisionDraft {
    /// What it is about, in words.
    pub subject: String,
    /// The lasting identifiers of the segments it is about; may be empty.
    pub segment_ids: Vec<i64>,
    /// What was decided.
    pub choice: Choice,
    /// Why.
    pub reason: String,
    /// Who decided, which need not be who wrote it down.
    pub decided_by: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub decided_at_s: i64,
    /// The revision of the figure.
    pub based_on: Revision,
    /// The figure as it was shown, as JSON.
    pub figure_json: String,
}

/// A stored decision.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// The stored row.
    pub id: DecisionId,
    /// What was given.
    pub given: DecisionDraft,
}

impl Writer {
    /// Adds a decision to the register. Decisions stay as they were made.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such area; [`Error`] when the database cannot be written.
    pub async fn add_decision(&mut self, area: AreaId, draft: &DecisionDraft) -> Result<DecisionId, Error> {
        let (choice, based_on, revision) = (draft.choice.term(), draft.based_on.0 as i64, self.revision());
        let segment_ids = serde_json::json!(draft.segment_ids).to_string();
        let inserted = sqlx::query!(
            "INSERT INTO decisions (area_id, subject, segment_ids_json, choice, reason, decided_by, decided_at_s,
                based_on_revision, figure_json, revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            draft.subject,
            segment_ids,
            choice,
            draft.reason,
            draft.decided_by,
            draft.decided_at_s,
            based_on,
            draft.figure_json,
            revision
        )
        .execute(self.connection())
        .await?;
        let id = inserted.last_insert_rowid();
        let record = serde_json::json!({
            "subject": draft.subject,
            "choice": choice,
            "reason": draft.reason,
            "decided_by": draft.decided_by,
            "based_on_revision": based_on,
        });
        let after = Some(history::to_json("decisions", id, &Version::new(record, None))?);
        let kind = RecordKind::Decision;
        history::record(self, Entry { kind, record_id: id, batch_id: None, before: None, after }).await?;
        Ok(DecisionId(id))
    }
}

impl Snapshot {
    /// The decisions of an area, newest first. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn decisions(&mut self, area: AreaId) -> Result<Vec<Decision>, Error> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", subject, segment_ids_json, choice, reason, decided_by, decided_at_s, based_on_revision,
                figure_json
             FROM decisions WHERE area_id = ? ORDER BY decided_at_s DESC, id DESC"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter()
            .map(|row| {
                let segment_ids = serde_json::from_str(&row.segment_ids_json);
                Ok(Decision {
                    id: DecisionId(row.id),
                    given: DecisionDraft {
                        subject: row.subject,
                        segment_ids: stored(segment_ids, "decisions", "segment_ids_json", row.id)?,
                        choice: stored(row.choice.parse(), "decisions", "choice", row.id)?,
                        reason: row.reason,
                        decided_by: row.decided_by,
                        decided_at_s: row.decided_at_s,
                        based_on: Revision(row.based_on_revision as u64),
                        figure_json: row.figure_json,
                    },
                })
            })
            .collect()
    }
}
