//! Signs in place and their inspections.

use crate::domain::sign::SignInPlaceDraft;
use crate::domain::sign::SignInspectionDraft;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::coordinates;
use crate::ingest::fields::dates;
use crate::ingest::row::Row;
use crate::ingest::rows::needed_term;
use crate::ingest::rows::needed_text;

/// The kind of a sign that does not say its own.
const USUAL_KIND: &str = "trail sign";

pub(super) fn in_place(row: &dyn Row, context: &Context) -> Result<SignInPlaceDraft, Problem> {
    let up_s = dates::instant(row, Field::Up, context)?;
    let down_s = dates::optional_instant(row, Field::Down, context)?;
    if down_s.is_some_and(|down_s| down_s <= up_s) {
        let reason = "the sign came down before it was up";
        return Err(Problem::new(Field::Down.name(), row.get(Field::Down), reason, "check both dates"));
    }
    let kind = row.get(Field::Kind);
    Ok(SignInPlaceDraft {
        name: needed_text(row, Field::Name)?,
        position: coordinates::needed(row, context)?,
        kind: if kind.is_empty() { USUAL_KIND } else { kind }.to_owned(),
        plan: None,
        up_s,
        down_s,
    })
}

pub(super) fn inspection(row: &dyn Row, context: &Context) -> Result<SignInspectionDraft, Problem> {
    Ok(SignInspectionDraft {
        sign: needed_text(row, Field::Sign)?,
        inspected_at_s: dates::instant(row, Field::InspectedAt, context)?,
        inspected_by: row.get(Field::RecordedBy).to_owned(),
        condition: needed_term(row, Field::Condition)?,
        remarks: row.get(Field::OccurrenceRemarks).to_owned(),
    })
}
