//! Rows that belong together: several approaches of one encounter stand in consecutive rows.

use crate::domain::batch::Content;
use crate::domain::encounter::EncounterDraft;
use crate::ingest::Draft;
use crate::ingest::Item;
use crate::ingest::row::Row;

/// Holds back the last encounter until a row of another one comes.
pub(crate) struct Gather {
    content: Content,
    held: Option<(u64, EncounterDraft)>,
}

impl Gather {
    pub(crate) fn new(content: Content) -> Self {
        Self { content, held: None }
    }

    pub(crate) fn content(&self) -> Content {
        self.content
    }

    /// Takes a draft; returns what is complete.
    pub(crate) fn take(&mut self, row: &dyn Row, draft: Draft) -> Vec<Item> {
        let Draft::Encounter(draft) = draft else {
            return vec![Item::Draft { row_number: row.number(), draft }];
        };
        if let Some((_, held)) = &mut self.held
            && held.occurrence_id == draft.occurrence_id
            && !held.approaches.is_empty()
            && !draft.approaches.is_empty()
            && is_same_meeting(held, &draft)
        {
            held.approaches.extend(draft.approaches);
            return Vec::new();
        }
        let complete = self.held.replace((row.number(), draft));
        complete.map(item).into_iter().collect()
    }

    /// Hands over what is still held.
    pub(crate) fn finish(&mut self) -> Vec<Item> {
        self.held.take().map(item).into_iter().collect()
    }
}

fn item((row_number, draft): (u64, EncounterDraft)) -> Item {
    Item::Draft { row_number, draft: Draft::Encounter(draft) }
}

/// Whether two rows of one identifier tell of the same meeting; where they do not, the store compares them.
fn is_same_meeting(held: &EncounterDraft, draft: &EncounterDraft) -> bool {
    held.time == draft.time && held.position == draft.position && held.effort_kind == draft.effort_kind
}
