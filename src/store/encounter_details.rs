//! The columns of `encounter_details`, and what an encounter puts in them.
//!
//! A file fills few of them, the same in every row. So a statement names only those that some row of the chunk fills, and
//! an encounter that fills none has no row.

use crate::domain::encounter::EncounterDraft;
use crate::domain::units::Length;
use crate::domain::units::Temperature;
use crate::store::bulk::Values;

/// What goes into one column.
pub(super) enum Cell<'a> {
    Text(&'a str),
    Json(String),
    Real(Option<f64>),
    Integer(Option<i64>),
}

impl Cell<'_> {
    /// Whether it is the column's default.
    pub(super) fn is_empty(&self) -> bool {
        match self {
            Self::Text(text) => text.is_empty(),
            Self::Json(json) => json.is_empty(),
            Self::Real(value) => value.is_none(),
            Self::Integer(value) => value.is_none(),
        }
    }

    pub(super) fn bind(self, values: Values) -> Values {
        match self {
            Self::Text(text) => values.bind(text.to_owned()),
            Self::Json(json) => values.bind(json),
            Self::Real(value) => values.bind(value),
            Self::Integer(value) => values.bind(value),
        }
    }
}

/// A column and how to fill it.
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) cell: for<'a> fn(&'a EncounterDraft) -> Cell<'a>,
}

/// All columns but the key.
pub(super) static COLUMNS: &[Column] = &[
    Column { name: "event_id", cell: |draft| Cell::Text(&draft.event_id) },
    Column { name: "parent_event_id", cell: |draft| Cell::Text(&draft.details.parent_event_id) },
    Column { name: "verbatim_event_date", cell: |draft| Cell::Text(&draft.details.verbatim_event_date) },
    Column { name: "verbatim_coordinates", cell: |draft| Cell::Text(&draft.details.verbatim_coordinates) },
    Column { name: "identified_by", cell: |draft| Cell::Text(&draft.details.identified_by) },
    Column {
        name: "identification_qualifier",
        cell: |draft| Cell::Text(&draft.details.identification_qualifier),
    },
    Column { name: "life_stage", cell: |draft| Cell::Text(&draft.details.life_stage) },
    Column { name: "sex", cell: |draft| Cell::Text(&draft.details.sex) },
    Column {
        name: "reproductive_condition",
        cell: |draft| Cell::Text(&draft.details.reproductive_condition),
    },
    Column { name: "behavior", cell: |draft| Cell::Text(&draft.details.behavior) },
    Column { name: "recorded_by", cell: |draft| Cell::Text(&draft.details.recorded_by) },
    Column { name: "sampling_protocol", cell: |draft| Cell::Text(&draft.details.sampling_protocol) },
    Column { name: "occurrence_remarks", cell: |draft| Cell::Text(&draft.details.occurrence_remarks) },
    Column { name: "data_generalizations", cell: |draft| Cell::Text(&draft.details.data_generalizations) },
    Column { name: "information_withheld", cell: |draft| Cell::Text(&draft.details.information_withheld) },
    Column { name: "cue", cell: |draft| Cell::Text(draft.details.cue.map_or("", |cue| cue.term())) },
    Column { name: "distance_first_noticed_m", cell: |draft| metres(draft.details.distance_first_noticed) },
    Column { name: "distance_first_reaction_m", cell: |draft| metres(draft.details.distance_first_reaction) },
    Column { name: "posture_before", cell: |draft| Cell::Text(&draft.details.posture_before) },
    Column { name: "cover", cell: |draft| Cell::Text(&draft.details.cover) },
    Column { name: "substrate", cell: |draft| Cell::Text(&draft.details.substrate) },
    Column { name: "length_class", cell: |draft| Cell::Text(&draft.details.length_class) },
    Column { name: "air_temperature_c", cell: |draft| celsius(draft.details.air_temperature) },
    Column { name: "ground_temperature_c", cell: |draft| celsius(draft.details.ground_temperature) },
    Column { name: "body_temperature_c", cell: |draft| celsius(draft.details.body_temperature) },
    Column { name: "n_people", cell: |draft| Cell::Integer(draft.details.n_people.map(i64::from)) },
    Column { name: "n_dogs", cell: |draft| Cell::Integer(draft.details.n_dogs.map(i64::from)) },
    Column { name: "footwear", cell: |draft| Cell::Text(&draft.details.footwear) },
    Column { name: "is_alive", cell: |draft| Cell::Integer(draft.details.is_alive.map(i64::from)) },
    Column { name: "other_json", cell: other },
];

fn metres(length: Option<Length>) -> Cell<'static> {
    Cell::Real(length.map(Length::in_metres))
}

fn celsius(temperature: Option<Temperature>) -> Cell<'static> {
    Cell::Real(temperature.map(Temperature::in_celsius))
}

fn other(draft: &EncounterDraft) -> Cell<'_> {
    if draft.details.other.is_empty() {
        return Cell::Text("");
    }
    Cell::Json(serde_json::json!(draft.details.other).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::testing;

    #[test]
    fn a_full_encounter_fills_every_column_and_an_empty_one_none() {
        let full = testing::full_encounter("a");
        let empty = testing::plain_encounter("a");
        for column in COLUMNS {
            assert!(!(column.cell)(&full).is_empty(), "{}", column.name);
            assert!((column.cell)(&empty).is_empty(), "{}", column.name);
        }
    }
}
