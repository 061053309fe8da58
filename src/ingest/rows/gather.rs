//! Rows that belong together: several approaches of one encounter stand in consecutive rows.
//!
//! An encounter goes in whole or not at all: when one of its rows is refused, all of them wait, kept together in one row
//! error. The headers of the second row and of those after it are then numbered, as in "contact \[2\]".

use std::ops::ControlFlow;

use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::encounter::EncounterDetails;
use crate::domain::encounter::EncounterDraft;
use crate::ingest::Draft;
use crate::ingest::Item;
use crate::ingest::Sink;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Raw;
use crate::ingest::row::Row;
use crate::ingest::row::trimmed;

/// Holds back the last encounter until a row of another one comes.
pub(crate) struct Gather {
    content: Content,
    held: Option<Held>,
}

/// An encounter that may go on in the next row.
struct Held {
    occurrence_id: String,
    row_number: u64,
    state: Result<EncounterDraft, Problem>,
    /// The number of each approach, where given.
    numbers: Vec<String>,
    /// Its rows: left out while there is only one and nothing is wrong with it.
    rows: Vec<Raw>,
}

impl Gather {
    pub(crate) fn new(content: Content) -> Self {
        Self { content, held: None }
    }

    /// Takes a row with what it was read as, and hands over what is complete. `previous` gives the row taken before.
    pub(crate) fn take(
        &mut self,
        row: &dyn Row,
        parsed: Result<Draft, Problem>,
        previous: &dyn Fn() -> Raw,
        sink: Sink<'_>,
    ) -> ControlFlow<()> {
        let row_number = row.number();
        let is_encounter = matches!(self.content, Content::Encounters | Content::Form);
        let occurrence_id = if is_encounter { row.get(Field::OccurrenceId) } else { "" };
        // Without an identifier a row stands alone.
        if occurrence_id.is_empty() {
            self.finish(sink)?;
            return sink(match parsed {
                Ok(draft) => Item::Draft { row_number, draft },
                Err(problem) => Item::Refused(problem.into_row_error(row)),
            });
        }
        let state = match parsed {
            Ok(Draft::Encounter(draft)) => Ok(draft),
            Ok(draft) => return sink(Item::Draft { row_number, draft }),
            Err(problem) => Err(problem),
        };
        match &mut self.held {
            Some(held) if held.occurrence_id == occurrence_id && held.goes_on_in(&state) => {
                held.join(row, state, previous);
                ControlFlow::Continue(())
            }
            _ => {
                let rows = if state.is_err() { vec![row.raw()] } else { Vec::new() };
                let numbers = vec![row.get(Field::ApproachNumber).to_owned()];
                let occurrence_id = occurrence_id.to_owned();
                let next = Held { occurrence_id, row_number, state, numbers, rows };
                self.held.replace(next).map_or(ControlFlow::Continue(()), |held| sink(held.into_item()))
            }
        }
    }

    /// Hands over what is still held.
    pub(crate) fn finish(&mut self, sink: Sink<'_>) -> ControlFlow<()> {
        self.held.take().map_or(ControlFlow::Continue(()), |held| sink(held.into_item()))
    }
}

impl Held {
    /// Whether a row of the same identifier is one more approach; where it is not, the store compares the two.
    fn goes_on_in(&self, state: &Result<EncounterDraft, Problem>) -> bool {
        match (&self.state, state) {
            (Ok(held), Ok(draft)) => {
                !held.approaches.is_empty() && !draft.approaches.is_empty() && is_same_meeting(held, draft)
            }
            _ => true,
        }
    }

    fn join(&mut self, row: &dyn Row, state: Result<EncounterDraft, Problem>, previous: &dyn Fn() -> Raw) {
        if self.rows.is_empty() {
            self.rows.push(previous());
        }
        self.rows.push(row.raw());
        let number = row.get(Field::ApproachNumber);
        let is_repeated = !number.is_empty() && self.numbers.iter().any(|known| known == number);
        self.numbers.push(number.to_owned());
        match (&mut self.state, state) {
            (Ok(_), Ok(_)) if is_repeated => {
                let name = Field::ApproachNumber.name();
                let reason = "this approach of the encounter is given twice";
                self.refuse(row.number(), Problem::new(name, number, reason, "number the approaches"));
            }
            (Ok(held), Ok(draft)) => held.approaches.extend(draft.approaches),
            (Ok(_), Err(problem)) => self.refuse(row.number(), problem),
            (Err(_), _) => {}
        }
    }

    fn refuse(&mut self, row_number: u64, problem: Problem) {
        self.row_number = row_number;
        self.state = Err(problem);
    }

    fn into_item(self) -> Item {
        let n_rows = self.rows.len();
        match self.state {
            Ok(mut draft) => {
                in_order(&mut draft, &self.numbers);
                Item::Draft { row_number: self.row_number, draft: Draft::Encounter(draft) }
            }
            Err(problem) => {
                let hint = match n_rows {
                    0 | 1 => problem.hint,
                    _ => format!("{} (all {n_rows} rows of this encounter wait for it)", problem.hint),
                };
                let raw = joined(self.rows);
                let Problem { field, value, reason, .. } = problem;
                Item::Refused(RowError { row_number: self.row_number, field, value, reason, hint, raw })
            }
        }
    }
}

/// Finds rows again by their numbers, with the rows after them that go on about the same encounter.
pub(crate) struct Finder<'a> {
    wanted: &'a [u64],
    last: u64,
    found: Vec<(u64, Vec<Raw>)>,
    /// The encounter that the last row found tells of, as long as every row does.
    going_on: String,
}

impl<'a> Finder<'a> {
    pub(crate) fn new(wanted: &'a [u64]) -> Self {
        let last = wanted.iter().max().copied().unwrap_or(0);
        Self { wanted, last, found: Vec::new(), going_on: String::new() }
    }

    /// Looks at the next row; breaks when no row to come is wanted.
    pub(crate) fn see(&mut self, row: &dyn Row) -> ControlFlow<()> {
        let occurrence_id = row.get(Field::OccurrenceId);
        if self.wanted.contains(&row.number()) {
            self.found.push((row.number(), vec![row.raw()]));
            self.going_on = occurrence_id.to_owned();
        } else if !self.going_on.is_empty() && self.going_on == occurrence_id {
            self.found.iter_mut().next_back().into_iter().for_each(|(_, rows)| rows.push(row.raw()));
        } else if row.number() > self.last {
            return ControlFlow::Break(());
        } else {
            self.going_on.clear();
        }
        ControlFlow::Continue(())
    }

    pub(crate) fn found(self) -> Vec<(u64, Raw)> {
        self.found.into_iter().map(|(number, rows)| (number, joined(rows))).collect()
    }
}

/// Puts approaches that are all numbered in the order of their numbers.
fn in_order(draft: &mut EncounterDraft, numbers: &[String]) {
    if draft.approaches.len() < 2 {
        return;
    }
    let numbers: Option<Vec<u32>> = numbers.iter().map(|number| number.parse().ok()).collect();
    if let Some(numbers) = numbers.filter(|numbers| numbers.len() == draft.approaches.len()) {
        let mut pairs: Vec<_> = numbers.into_iter().zip(std::mem::take(&mut draft.approaches)).collect();
        pairs.sort_by_key(|(number, _)| *number);
        draft.approaches = pairs.into_iter().map(|(_, approach)| approach).collect();
    }
}

/// Whether two rows say the same of all but the approach; how a date or position was written does not matter.
fn is_same_meeting(held: &EncounterDraft, draft: &EncounterDraft) -> bool {
    let details = EncounterDetails {
        verbatim_event_date: held.details.verbatim_event_date.clone(),
        verbatim_coordinates: held.details.verbatim_coordinates.clone(),
        ..draft.details.clone()
    };
    let meeting = |draft: &EncounterDraft| {
        (draft.time, draft.effort_kind, draft.individual_count, draft.verification_status, draft.outcome)
    };
    let names = |draft: &EncounterDraft| {
        [&draft.scientific_name, &draft.organism_id, &draft.event_id].map(|name| trimmed(name).to_owned())
    };
    held.position == draft.position
        && meeting(held) == meeting(draft)
        && names(held) == names(draft)
        && held.details == details
}

/// The rows of one encounter as one list of headers and values.
fn joined(rows: Vec<Raw>) -> Raw {
    let numbered = |(idx, row): (usize, Raw)| {
        row.into_iter().map(move |(header, value)| match idx {
            0 => (header, value),
            _ => (format!("{header} [{}]", idx + 1), value),
        })
    };
    rows.into_iter().enumerate().flat_map(numbered).collect()
}

/// The rows that [`joined`] made one list of.
pub(crate) fn parted(raw: Raw) -> Vec<Raw> {
    let mut rows: Vec<Raw> = vec![Vec::new()];
    for (header, value) in raw {
        let numbered = header.strip_suffix(']').and_then(|start| start.rsplit_once(" ["));
        let place = numbered.and_then(|(plain, number)| Some((plain, number.parse::<usize>().ok()?)));
        match place {
            // Rows come one after the other, so that a number out of turn is part of a header.
            Some((plain, number)) if number == rows.len() + 1 || number > 1 && number == rows.len() => {
                if number > rows.len() {
                    rows.push(Vec::new());
                }
                rows[number - 1].push((plain.to_owned(), value));
            }
            _ => rows[0].push((header, value)),
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_joined_and_parted() {
        let row = |value: &str| vec![("a".to_owned(), value.to_owned()), ("b [9]".to_owned(), String::new())];
        let rows = vec![row("1"), row("2"), row("3")];
        let raw = joined(rows.clone());
        assert_eq!(raw[2], ("a [2]".to_owned(), "2".to_owned()));
        assert_eq!(parted(raw), rows);
        assert_eq!(parted(Vec::new()), [Vec::new()]);
    }
}
