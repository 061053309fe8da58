//! Who of two observers noticed what.

use crate::domain::double_observer::DoubleObservationDraft;
use crate::domain::double_observer::NoticedBy;
use crate::domain::double_observer::NoticedDraft;
use crate::domain::double_observer::ObserverProtocol;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::numbers;
use crate::ingest::row::Row;
use crate::ingest::rows::needed_term;
use crate::ingest::rows::needed_text;
use crate::ingest::rows::optional_term;

pub(super) fn observation(row: &dyn Row) -> Result<DoubleObservationDraft, Problem> {
    let protocol = needed_term(row, Field::Protocol)?;
    let (first_observer, second_observer) =
        (needed_text(row, Field::FirstObserver)?, needed_text(row, Field::SecondObserver)?);
    if first_observer == second_observer {
        let reason = "the second observer is the first one";
        let hint = "name two people, or give them two codes";
        return Err(Problem::new(Field::SecondObserver.name(), &second_observer, reason, hint));
    }
    Ok(DoubleObservationDraft {
        event_id: needed_text(row, Field::EventId)?,
        protocol,
        first_observer,
        second_observer,
        first_kind: optional_term(row, Field::FirstObserverKind)?,
        second_kind: optional_term(row, Field::SecondObserverKind)?,
        noticed: noticed(row, protocol)?,
    })
}

/// Who noticed the encounter of the row, where it has one.
fn noticed(row: &dyn Row, protocol: ObserverProtocol) -> Result<Option<NoticedDraft>, Problem> {
    let occurrence_id = row.get(Field::OccurrenceId).to_owned();
    let mark = |field: Field| numbers::optional_yes(row, field);
    let (first, second) = (mark(Field::ByFirst)?, mark(Field::BySecond)?);
    if occurrence_id.is_empty() {
        return match (first, second) {
            (Some(true), _) | (_, Some(true)) => Err(Problem::new(
                Field::OccurrenceId.name(),
                "",
                "somebody noticed a snake, but it is not said which",
                "enter the occurrenceID of the encounter",
            )),
            _ => Ok(None),
        };
    }
    let missing = |field: Field| Problem::new(field.name(), "", "there is no value", "enter yes or no");
    let first = first.ok_or_else(|| missing(Field::ByFirst))?;
    let second = second.ok_or_else(|| missing(Field::BySecond))?;
    let by = NoticedBy::from_marks(first, second).ok_or_else(|| {
        let hint = "leave out encounters that a third person noticed";
        Problem::new(Field::BySecond.name(), row.get(Field::BySecond), "neither of the two noticed it", hint)
    })?;
    if protocol == ObserverProtocol::LeadFollow && by == NoticedBy::Both {
        let reason = "in lead-follow the second observer notes only what the first missed";
        let hint = "enter no, or the protocol independent";
        return Err(Problem::new(Field::BySecond.name(), row.get(Field::BySecond), reason, hint));
    }
    Ok(Some(NoticedDraft { occurrence_id, by }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::batch::Content;
    use crate::domain::double_observer::ObserverKind;
    use crate::ingest::context::testing::context;
    use crate::ingest::row::Pairs;

    fn read(values: [&str; 7]) -> Result<DoubleObservationDraft, Problem> {
        let headers = [
            "eventID",
            "protocol",
            "first_observer",
            "second_observer",
            "occurrenceID",
            "by_first",
            "by_second",
        ];
        let pairs =
            headers.iter().zip(values).map(|(header, value)| ((*header).to_owned(), value.to_owned()));
        observation(&Pairs::new(Content::DoubleObserver, 2, pairs.collect(), &context()))
    }

    #[test]
    fn rows_say_who_noticed_what() {
        let both = read(["W-1", "independent", "A", "B", "O-1", "yes", "1"]).unwrap();
        assert_eq!(both.noticed.unwrap().by, NoticedBy::Both);
        assert_eq!(read(["W-1", "lead-follow", "A", "B", "", "", ""]).unwrap().noticed, None);
        assert_eq!(read(["W-1", "lead-follow", "A", "B", "", "no", "no"]).unwrap().noticed, None);
    }

    #[test]
    fn the_kind_of_each_observer_is_one_of_a_closed_list_or_not_said() {
        let read = |first: &str, second: &str| {
            let pairs = [
                ("eventID", "W-1"),
                ("protocol", "independent"),
                ("firstObserver", "A"),
                ("secondObserver", "B"),
                ("firstObserverKind", first),
                ("second_kind", second),
            ];
            let pairs = pairs.map(|(header, value)| (header.to_owned(), value.to_owned())).to_vec();
            observation(&Pairs::new(Content::DoubleObserver, 2, pairs, &context()))
        };
        let kinds = read("Ranger", "visitor").unwrap();
        assert_eq!(
            (kinds.first_kind, kinds.second_kind),
            (Some(ObserverKind::Ranger), Some(ObserverKind::Visitor))
        );
        assert_eq!(read("", "").unwrap().first_kind, None);
        let refused = read("surveyor", "guide").unwrap_err();
        assert_eq!((refused.field.as_str(), refused.value.as_str()), ("secondObserverKind", "guide"));
        assert_eq!(refused.reason, "this is not one of the kinds of observer");
        assert_eq!(refused.hint, "use one of: surveyor, ranger, volunteer, visitor");
    }

    #[test]
    fn what_cannot_be_is_refused_at_its_field() {
        let field = |values| read(values).unwrap_err().field;
        assert_eq!(field(["W-1", "", "A", "B", "O-1", "yes", "no"]), "protocol");
        assert_eq!(field(["W-1", "together", "A", "B", "O-1", "yes", "no"]), "protocol");
        assert_eq!(field(["W-1", "independent", "A", "A", "O-1", "yes", "no"]), "secondObserver");
        assert_eq!(field(["W-1", "independent", "A", "B", "O-1", "no", "no"]), "bySecond");
        assert_eq!(field(["W-1", "independent", "A", "B", "O-1", "", "no"]), "byFirst");
        assert_eq!(field(["W-1", "lead-follow", "A", "B", "O-1", "yes", "yes"]), "bySecond");
        assert_eq!(field(["W-1", "independent", "A", "B", "", "yes", "no"]), "occurrenceID");
        assert_eq!(field(["", "independent", "A", "B", "O-1", "yes", "no"]), "eventID");
    }
}
