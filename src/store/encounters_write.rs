//! How encounters go in: new ones in bulk, those that are there compared, those that differ changed.

use std::collections::HashMap;

use sqlx::SqliteConnection;

use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::store::boxed;
use crate::store::constraints;
use crate::store::encounters_insert;
use crate::store::encounters_insert::NewEncounter;
use crate::store::encounters_read;
use crate::store::error::Error;
use crate::store::error::Fault;
use crate::store::error::Problem;
use crate::store::error::RowProblem;
use crate::store::history::RecordKind;
use crate::store::kept;
use crate::store::kept::Kept;
use crate::store::kept::Put;
use crate::store::kept::RowKey;
use crate::store::kept::Stored;
use crate::store::organisms;
use crate::store::walks;
use crate::store::writer::Tally;
use crate::store::writer::Target;
use crate::store::writer::Writer;

/// Encounters that go in together.
const CHUNK: usize = 2_000;

type Row = (u64, EncounterDraft);

/// The rows of a chunk, by what is to be done with them.
#[derive(Default)]
struct Sorted<'a> {
    new: Vec<(u64, &'a EncounterDraft)>,
    /// With the key of the row that is there.
    known: Vec<(i64, u64, &'a EncounterDraft)>,
    n_repeated: u64,
    problems: Vec<RowProblem>,
}

impl Writer {
    /// Puts encounters, by `occurrenceID`, with approaches, reactions, details and outcome.
    ///
    /// One that is there and says the same, or said so before somebody changed it, is left alone; one that says something
    /// else is changed, and the history keeps what it was. Give thousands at a time: they go in together.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be written; what is wrong with a row is in the tally.
    pub async fn put_encounters(&mut self, target: &Target, rows: &[Row]) -> Result<Tally, Error> {
        let mut tally = Tally::default();
        for chunk in rows.chunks(CHUNK) {
            let sorted = boxed(self.sort(target, chunk)).await?;
            tally.n_unchanged += sorted.n_repeated;
            tally.problems.extend(sorted.problems);
            boxed(self.insert_encounters(target, &sorted.new, &mut tally)).await?;
            boxed(self.compare_encounters(target, &sorted.known, &mut tally)).await?;
        }
        tally.problems.sort_by_key(|problem| problem.row_number);
        Ok(tally)
    }

    /// Changes an encounter by hand; it keeps its origin. The same again changes nothing.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such encounter; [`Error::Rule`] when the new state breaks a rule;
    /// [`Error`] when the database cannot be written.
    pub async fn change_encounter(&mut self, id: EncounterId, draft: &EncounterDraft) -> Result<(), Error> {
        let (area, old) = self.present_encounter(id).await?;
        if old.record == *draft {
            return Ok(());
        }
        organisms::know(self, area, std::iter::once(draft)).await?;
        let new = Stored { record: draft, origin: old.origin };
        boxed(kept::replace(self, RowKey { area, id: id.0 }, new, Some(&old), None)).await.map_err(|fault| {
            match fault {
                Fault::Store(error) => error,
                Fault::Row(problem) => Error::Rule { constraint: problem.reason },
            }
        })
    }

    /// Gives an encounter a state of review; everything else stays as it is at this moment.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such encounter; [`Error`] when the database cannot be written.
    pub async fn review_encounter(
        &mut self,
        id: EncounterId,
        status: VerificationStatus,
    ) -> Result<(), Error> {
        let (_, old) = self.present_encounter(id).await?;
        let reviewed = EncounterDraft { verification_status: status, ..old.record };
        self.change_encounter(id, &reviewed).await
    }

    /// Takes an encounter out. It stays in the history.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such encounter; [`Error`] when the database cannot be written.
    pub async fn remove_encounter(&mut self, id: EncounterId) -> Result<(), Error> {
        self.take_out(RecordKind::Encounter, id.0).await
    }

    async fn present_encounter(
        &mut self,
        id: EncounterId,
    ) -> Result<(AreaId, Stored<EncounterDraft>), Error> {
        let area = sqlx::query_scalar!("SELECT area_id FROM encounters WHERE id = ?", id.0)
            .fetch_optional(self.connection())
            .await?;
        let old = EncounterDraft::load(self.connection(), id.0).await?;
        area.map(AreaId).zip(old).ok_or(Error::Missing { what: "encounter", id: id.0 })
    }

    /// Looks up which rows are there, and refuses those that cannot go in.
    async fn sort<'a>(&mut self, target: &Target, rows: &'a [Row]) -> Result<Sorted<'a>, Error> {
        self.know_reaction_terms(target.area).await?;
        let stored = by_occurrence(self.connection(), target.area, rows).await?;
        let no_terms = HashMap::new();
        let terms = self.known.reaction_terms.get(&target.area).unwrap_or(&no_terms);
        let mut sorted = Sorted::default();
        let mut first_rows: HashMap<&str, (u64, &EncounterDraft)> = HashMap::new();
        for (row_number, draft) in rows {
            if let Some(problem) = problem_of(draft, terms) {
                sorted.problems.push(problem.at(*row_number));
                continue;
            }
            if let Some(id) = stored.get(draft.occurrence_id.as_str()) {
                sorted.known.push((*id, *row_number, draft));
                continue;
            }
            match first_rows.get(draft.occurrence_id.as_str()) {
                Some((_, first)) if *first == draft => sorted.n_repeated += 1,
                Some((first_row, _)) => {
                    sorted.problems.push(kept::twice::<EncounterDraft>(*first_row).at(*row_number));
                }
                None => {
                    first_rows.insert(&draft.occurrence_id, (*row_number, draft));
                    sorted.new.push((*row_number, draft));
                }
            }
        }
        Ok(sorted)
    }

    async fn know_reaction_terms(&mut self, area: AreaId) -> Result<(), Error> {
        if !self.known.reaction_terms.contains_key(&area) {
            let terms = encounters_insert::reaction_terms(self.connection(), area).await?;
            self.known.reaction_terms.insert(area, terms);
        }
        Ok(())
    }

    async fn insert_encounters(
        &mut self,
        target: &Target,
        new: &[(u64, &EncounterDraft)],
        tally: &mut Tally,
    ) -> Result<(), Error> {
        if new.is_empty() {
            return Ok(());
        }
        organisms::know(self, target.area, new.iter().map(|(_, draft)| *draft)).await?;
        let rows = self.new_rows(target.area, new).await?;
        let stamp = self.stamp(target.origin(0));
        let refused =
            boxed(encounters_insert::insert_main(self.connection(), target.area, &rows, &stamp)).await?;
        let mut is_refused = vec![false; rows.len()];
        for row in &refused {
            is_refused[row.index] = true;
            tally.problems.push(constraints::problem(&row.constraint).at(rows[row.index].row_number));
        }
        let accepted: Vec<(i64, &EncounterDraft)> = rows
            .iter()
            .zip(&is_refused)
            .filter(|(_, is_refused)| !**is_refused)
            .map(|(row, _)| (row.id, row.draft))
            .collect();
        if accepted.is_empty() {
            return Ok(());
        }
        let terms = self.known.reaction_terms.remove(&target.area).unwrap_or_default();
        let inserted =
            boxed(encounters_insert::insert_parts(self.connection(), &terms, &accepted, &stamp)).await;
        self.known.reaction_terms.insert(target.area, terms);
        inserted?;
        if target.source.is_none() {
            for (id, draft) in &accepted {
                kept::record_new(self, *id, *draft).await?;
            }
        }
        tally.n_inserted += accepted.len() as u64;
        self.touch();
        Ok(())
    }

    /// Gives keys to new encounters and ties them to their snake and their survey walk.
    async fn new_rows<'a>(
        &mut self,
        area: AreaId,
        new: &[(u64, &'a EncounterDraft)],
    ) -> Result<Vec<NewEncounter<'a>>, Error> {
        let greatest = sqlx::query_scalar!(r#"SELECT coalesce(max(id), 0) AS "id!: i64" FROM encounters"#)
            .fetch_one(self.connection())
            .await?;
        self.make_way(greatest as u64, new.len() as u64).await?;
        let mut rows = Vec::with_capacity(new.len());
        for (id, (row_number, draft)) in (greatest + 1..).zip(new) {
            let organism_id = match draft.organism_id.as_str() {
                "" => None,
                _ => self.known.organisms.get(&(area, draft.organism_id.clone())).copied(),
            };
            let walk_id = self.walk_id(area, &draft.event_id).await?;
            rows.push(NewEncounter { id, row_number: *row_number, draft, organism_id, walk_id });
        }
        Ok(rows)
    }

    /// The survey walk of that `eventID`, looked up once a write.
    async fn walk_id(&mut self, area: AreaId, event_id: &str) -> Result<Option<i64>, Error> {
        if event_id.is_empty() {
            return Ok(None);
        }
        let key = (area, event_id.to_owned());
        if let Some(known) = self.known.walks.get(&key) {
            return Ok(*known);
        }
        let id = walks::by_event(self.connection(), area, event_id).await?;
        self.known.walks.insert(key, id);
        Ok(id)
    }

    async fn compare_encounters(
        &mut self,
        target: &Target,
        known: &[(i64, u64, &EncounterDraft)],
        tally: &mut Tally,
    ) -> Result<(), Error> {
        if known.is_empty() {
            return Ok(());
        }
        let ids: Vec<i64> = known.iter().map(|(id, ..)| *id).collect();
        let mut stored = boxed(encounters_read::load(self.connection(), &ids, false)).await?;
        for (id, row_number, draft) in known {
            // The second row for the same encounter meets what the first one made of it.
            let old = match stored.remove(id) {
                Some(whole) => Some(whole.stored),
                None => EncounterDraft::load(self.connection(), *id).await?,
            };
            let Some(old) = old else { continue };
            if !self.reaches(old.origin).await? {
                tally.problems.push(kept::foreign::<EncounterDraft>().at(*row_number));
                continue;
            }
            let key = RowKey { area: target.area, id: *id };
            let new = Stored { record: *draft, origin: target.origin(*row_number) };
            match compare(self, key, new, &old).await {
                Ok(put) => tally.count(put),
                Err(Fault::Row(problem)) => tally.problems.push(problem.at(*row_number)),
                Err(Fault::Store(error)) => return Err(error),
            }
        }
        Ok(())
    }
}

async fn compare(
    writer: &mut Writer,
    key: RowKey,
    new: Stored<&EncounterDraft>,
    old: &Stored<EncounterDraft>,
) -> Result<Put, Fault> {
    if !kept::is_change(writer, key.id, &new, old).await? {
        return Ok(Put::Unchanged);
    }
    if writer.keeps_reviewed() && old.record.verification_status != VerificationStatus::Unverified {
        let reason = "the record was reviewed; a change of it waits for somebody who reviews";
        let hint = "ask a manager to look at this row";
        return Err(Problem::of("occurrenceID", &new.record.occurrence_id, reason, hint).into());
    }
    organisms::know(writer, key.area, std::iter::once(new.record)).await?;
    let batch_id = new.origin.map(|origin| origin.batch_id.0);
    boxed(kept::replace(writer, key, new, Some(old), batch_id)).await?;
    Ok(Put::Updated)
}

/// What keeps a row out before the database has seen it.
fn problem_of(draft: &EncounterDraft, terms: &HashMap<String, i64>) -> Option<Problem> {
    if draft.occurrence_id.is_empty() {
        let hint = "give each record an identifier that lasts";
        return Some(Problem::of("occurrenceID", "", "the record has no identifier", hint));
    }
    let reactions = draft.approaches.iter().flat_map(|approach| &approach.reactions);
    let unknown = reactions.into_iter().find(|reaction| !terms.contains_key(&reaction.term))?;
    let hint = "write one of the known reactions, or add it to the area's own on the settings page";
    Some(Problem::of("reaction", &unknown.term, "the area has no such reaction", hint))
}

/// The keys of the rows that are there, by `occurrenceID`.
async fn by_occurrence<'a>(
    connection: &mut SqliteConnection,
    area: AreaId,
    rows: &'a [Row],
) -> Result<HashMap<String, i64>, Error> {
    let wanted: Vec<&'a str> = rows.iter().map(|(_, draft)| draft.occurrence_id.as_str()).collect();
    let wanted = serde_json::json!(wanted).to_string();
    let rows = sqlx::query!(
        r#"SELECT encounters.id AS "id!", occurrence_id
         FROM json_each(?) AS wanted CROSS JOIN encounters
         WHERE area_id = ? AND occurrence_id = wanted.value AND removed_revision IS NULL"#,
        wanted,
        area.0
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(|row| (row.occurrence_id, row.id)).collect())
}
