//! What the fact sheet tells, from the reactions.

use crate::analysis::response::Occasion;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionCell;
use crate::analysis::response::table::ReactionTable;
use crate::derived::DeriveError;
use crate::derived::facts::Facts;
use crate::derived::reactions::ANY_STRIKE;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::effort_kind;
use crate::derived::reactions::is_looked_for;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::signage::fact_sheet::CONTACTS;
use crate::signage::fact_sheet::ContactFacts;
use crate::signage::fact_sheet::SheetFacts;
use crate::signage::fact_sheet::frequency::Counted;
use crate::signage::fact_sheet::frequency::Frequency;
use crate::signage::fact_sheet::frequency::frequency;

/// What the sheet tells of one effort kind. When none is named, of one in which snakes were looked for, where such records
/// are enough for a share: reports leave undramatic meetings out, so that their shares are too high. Else, and of several,
/// the one with most approaches among those that have any by contacts that the sheet tells of; of two with as many, the
/// first in the order of [`EffortKind::ALL`].
///
/// # Errors
/// [`DeriveError::Unanswerable`] when there are no approaches of that kind, or of any, by contacts that the sheet tells of.
pub fn tell(
    facts: &Facts,
    layer: &ReactionLayer,
    effort: Option<EffortKind>,
) -> Result<SheetFacts, DeriveError> {
    let sizes = || EffortKind::ALL.iter().copied().zip(layer.sizes.iter().copied());
    let told: Vec<(EffortKind, (usize, usize), Vec<ContactFacts>)> = sizes()
        .filter(|(kind, _)| effort.is_none_or(|asked| asked == *kind))
        .map(|(kind, size)| (kind, size, contacts(layer, kind)))
        .filter(|(_, _, contacts)| !contacts.is_empty())
        .collect();
    // The last of those with as many is taken, so they are looked at from behind.
    let says_a_share =
        |contacts: &[ContactFacts]| contacts.iter().any(|it| frequency(&it.strike) != Frequency::TooFew);
    let most = told.into_iter().rev().max_by_key(|(kind, (n_approaches, _), contacts)| {
        (is_looked_for(*kind) && says_a_share(contacts), *n_approaches)
    });
    let Some((effort, (n_approaches, n_snakes), contacts)) = most else {
        return Err(DeriveError::missing(match effort {
            Some(effort) => format!("No approaches of {effort} encounters are recorded."),
            None => "No approaches of any kind are recorded that the sheet could tell of.".to_owned(),
        }));
    };
    Ok(SheetFacts {
        area_name: facts.area.name.clone(),
        emergency_number: facts.area.emergency_number.clone(),
        keep_distance: facts.area.keep_distance,
        effort,
        n_approaches: n_approaches as u64,
        n_snakes: n_snakes as u64,
        years: EffortKind::ALL
            .iter()
            .zip(&layer.years)
            .find(|(kind, _)| **kind == effort)
            .and_then(|it| *it.1),
        contacts,
        revision: facts.revision.0,
        written_on: facts.written_on.map(|day| day.to_string()).unwrap_or_default(),
        settings: facts.settings.keys_and_values(),
    })
}

/// What is known of an effort kind by contact; empty without approaches by contacts that the sheet tells of.
fn contacts(layer: &ReactionLayer, effort: EffortKind) -> Vec<ContactFacts> {
    let of_kind =
        |table: &&ReactionTable| table.effort_kind == effort_kind(effort) && table.occasion == Occasion::Any;
    match layer.tables.iter().find(of_kind) {
        Some(table) => CONTACTS.iter().filter_map(|contact| of_contact(layer, table, *contact)).collect(),
        None => Vec::new(),
    }
}

fn of_contact(layer: &ReactionLayer, table: &ReactionTable, contact: Contact) -> Option<ContactFacts> {
    let n_terms = layer.terms.len();
    let position = Contact::ALL.iter().position(|known| *known == contact)?;
    let cells = table.cells.get(position * n_terms..(position + 1) * n_terms)?;
    let named = || cells.iter().zip(&layer.terms);
    let strike = named().find(|(_, term)| *term == ANY_STRIKE).and_then(|(cell, _)| counted(cell))?;
    // An area's own terms may be strikes, too: they are counted above, and are no reaction beside strikes.
    let others =
        named().zip(&layer.is_strike).filter(|((cell, _), is_strike)| cell.n_shown > 0 && !**is_strike);
    // Of two shown as often the one earlier in the list.
    let commonest = others.rev().max_by_key(|((cell, _), _)| cell.n_shown);
    let commonest = commonest.and_then(|((cell, term), _)| Some((term.clone(), counted(cell)?)));
    Some(ContactFacts { contact, strike, commonest })
}

/// The count with the wider of exact limits and limits by snake.
fn counted(cell: &ReactionCell) -> Option<Counted> {
    match &cell.estimate {
        CellEstimate::NoApproaches => None,
        CellEstimate::Share { clopper_pearson, clustered, .. } => Some(Counted {
            k: cell.n_shown,
            n: cell.n_approaches,
            n_snakes: cell.n_organisms,
            n_recognised: cell.n_recognised,
            lower: clopper_pearson.0.min(clustered.lower),
            upper: clopper_pearson.1.max(clustered.upper),
        }),
    }
}
