//! From a row to a draft: one file for the encounters, one for the network, one for what counters and surveys say.

mod closures;
mod encounters;
mod exposure;
mod gather;
mod observers;
mod places;
mod signs;
mod watches;
mod weather;

use crate::domain::batch::Content;
use crate::ingest::Draft;
use crate::ingest::context::Context;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::row::Row;

pub(crate) use crate::ingest::rows::gather::Finder;
pub(crate) use crate::ingest::rows::gather::Gather;
pub(crate) use crate::ingest::rows::gather::parted;

/// Parses one row.
pub(crate) fn parse(content: Content, row: &dyn Row, context: &Context) -> Result<Draft, Problem> {
    match content {
        Content::Trails => places::trail(row, context).map(Draft::Trail),
        Content::Trailheads => places::trailhead(row, context).map(Draft::Trailhead),
        Content::Places => places::place(row, context).map(Draft::Place),
        Content::SensitivePlaces => places::sensitive_place(row, context).map(Draft::SensitivePlace),
        Content::Species => places::species(row).map(Draft::Species),
        Content::Signs => places::sign_location(row, context).map(Draft::SignLocation),
        Content::SignsInPlace => signs::in_place(row, context).map(Draft::SignInPlace),
        Content::SignInspections => signs::inspection(row, context).map(Draft::SignInspection),
        Content::SignWatches => watches::watch(row, context).map(Draft::SignWatch),
        Content::DoubleObserver => observers::observation(row).map(Draft::DoubleObservation),
        Content::Counters => exposure::counter(row, context).map(Draft::Counter),
        Content::Readings => exposure::reading(row, context).map(Draft::Reading),
        Content::Calibrations => exposure::calibration(row, context).map(Draft::Calibration),
        Content::DailyWeather => weather::day(row).map(Draft::DailyWeather),
        Content::PartySizes => exposure::party_size(row).map(Draft::PartySize),
        Content::Closures => closures::closure(row, context).map(Draft::Closure),
        Content::Walks => exposure::walk(row, context).map(Draft::Walk),
        Content::Encounters | Content::Form | Content::Photos => {
            encounters::encounter(row, context).map(Draft::Encounter)
        }
    }
}

/// A text that must be there.
fn needed_text(row: &dyn Row, field: Field) -> Result<String, Problem> {
    let text = row.get(field);
    if text.is_empty() {
        return Err(Problem::new(field.name(), "", "there is no value", "enter it"));
    }
    Ok(text.to_owned())
}

/// One of a closed list, or none where the field is empty.
fn optional_term<T>(row: &dyn Row, field: Field) -> Result<Option<T>, Problem>
where
    T: std::str::FromStr<Err = crate::domain::terms::UnknownTerm>,
{
    let text = row.get(field);
    if text.is_empty() {
        return Ok(None);
    }
    let refused = |error: crate::domain::terms::UnknownTerm| {
        let hint = format!("use one of: {}", error.known);
        Problem::new(field.name(), text, format!("this is not one of the {}", error.list), hint)
    };
    text.parse().map(Some).map_err(refused)
}

/// One of a closed list that must be there.
fn needed_term<T>(row: &dyn Row, field: Field) -> Result<T, Problem>
where
    T: std::str::FromStr<Err = crate::domain::terms::UnknownTerm>,
{
    // An empty text is in no list, so its error names the list.
    match optional_term(row, field)? {
        Some(term) => Ok(term),
        None => "".parse().map_err(|error: crate::domain::terms::UnknownTerm| {
            Problem::new(field.name(), "", "there is no value", format!("use one of: {}", error.known))
        }),
    }
}
