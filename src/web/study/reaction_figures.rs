//! Figures of reactions and waiting times: one for each effort kind that has approaches, since kinds are never pooled.

use crate::analysis::response::Occasion;
use crate::analysis::response::table::CellEstimate;
use crate::analysis::response::table::ReactionCell;
use crate::analysis::response::table::ReactionTable;
use crate::derived::reactions::ReactionLayer;
use crate::derived::reactions::details::Until;
use crate::derived::reactions::details::Wait;
use crate::derived::reactions::effort_kind;
use crate::derived::reactions::snakes_words;
use crate::derived::study::Layers;
use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::web::pages;
use crate::web::study::figures::Drawn;
use crate::web::study::figures::PAPER;
use crate::web::study::figures::Part;
use crate::web::study::more_figures::need;
use crate::web::views::charts;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::StackedBar;
use crate::web::views::forest;
use crate::web::views::forest::Axis;
use crate::web::views::forest::Forest;
use crate::web::views::forest::ForestRow;
use crate::web::views::line_chart;

/// One effort kind with its approaches, and recognised snakes among them.
#[derive(Clone, Copy)]
struct OfKind {
    effort: EffortKind,
    n_approaches: usize,
    n_snakes: usize,
}

/// A figure for each effort kind that has approaches.
fn by_kind(
    layers: &Layers,
    draw: fn(&ReactionLayer, OfKind) -> Result<Drawn, String>,
) -> Result<Vec<Part>, String> {
    let layer = need(&layers.reactions)?;
    let kinds = EffortKind::ALL.iter().zip(&layer.sizes).filter(|(_, (n_approaches, _))| *n_approaches > 0);
    let part = |(effort, (n_approaches, n_snakes)): (&EffortKind, &(usize, usize))| {
        let kind = OfKind { effort: *effort, n_approaches: *n_approaches, n_snakes: *n_snakes };
        Part {
            term: effort.term().to_owned(),
            words: format!("{effort} encounters"),
            drawn: draw(layer, kind),
        }
    };
    let parts: Vec<Part> = kinds.map(part).collect();
    if parts.is_empty() { Err("No approaches are recorded.".to_owned()) } else { Ok(parts) }
}

fn table(layer: &ReactionLayer, effort: EffortKind, occasion: Occasion) -> Option<&ReactionTable> {
    layer.tables.iter().find(|it| it.effort_kind == effort_kind(effort) && it.occasion == occasion)
}

/// Shares of approaches that showed each reaction at any time.
pub(super) fn any(layers: &Layers) -> Result<Vec<Part>, String> {
    by_kind(layers, any_of_kind)
}

fn any_of_kind(layer: &ReactionLayer, kind: OfKind) -> Result<Drawn, String> {
    let OfKind { effort, n_approaches, n_snakes } = kind;
    let rows = table(layer, effort, Occasion::Any).map(|it| share_rows(layer, it)).unwrap_or_default();
    if rows.is_empty() {
        return Err(format!(
            "None of the {n_approaches} approaches of {effort} encounters has its reactions on record."
        ));
    }
    let notes = vec![
        format!("Any reaction shown, {effort} encounters only: {n_approaches} approaches, recognised snakes among them: {n_snakes}."),
        "Bars: 95 % limits that hold when snakes differ. Beside each: approaches that showed it, of all. Do not test this."
            .to_owned(),
    ];
    let forest = Forest {
        also: Vec::new(),
        description: "Share of approaches that showed each reaction, by kind of contact, with 95 % limits"
            .to_owned(),
        unit: "share of approaches".to_owned(),
        axis: Axis::Share,
        rows,
    };
    Ok(Drawn { drawing: forest::draw(&forest), ground: PAPER, notes })
}

fn share_rows(layer: &ReactionLayer, table: &ReactionTable) -> Vec<ForestRow> {
    let shown = table.cells.iter().filter(|cell| cell.n_approaches > 0);
    let row = |cell: &ReactionCell| {
        let term = layer.terms.get(cell.term)?;
        let CellEstimate::Share { share, clustered, .. } = &cell.estimate else { return None };
        let contact = Contact::ALL.get(cell.contact.index())?;
        // Of what was never seen, strikes alone: zero with its upper limit is what is asked of them.
        (cell.n_shown > 0 || layer.is_strike[cell.term]).then(|| ForestRow {
            label: format!("{}: {term}", contact.term()),
            counts: format!("{} of {}", cell.n_shown, cell.n_approaches),
            estimate: Estimate { value: *share, lower: clustered.lower, upper: clustered.upper },
            class: None,
        })
    };
    shown.filter_map(row).collect()
}

/// First reactions as parts of the approaches.
pub(super) fn first(layers: &Layers) -> Result<Vec<Part>, String> {
    by_kind(layers, first_of_kind)
}

fn first_of_kind(layer: &ReactionLayer, kind: OfKind) -> Result<Drawn, String> {
    let OfKind { effort, n_approaches, .. } = kind;
    let rows =
        table(layer, effort, Occasion::First).map(|it| pages::reactions::bars(layer, it)).unwrap_or_default();
    if rows.is_empty() {
        return Err(format!(
            "None of the {n_approaches} approaches of {effort} encounters has a first reaction on record."
        ));
    }
    let notes = vec![
        format!("First reaction shown, {effort} encounters only."),
        "The number of approaches stands in each part. Do not test this.".to_owned(),
    ];
    let bars: Vec<StackedBar> =
        rows.into_iter().map(|row| StackedBar { label: row.contact, parts: row.parts }).collect();
    let drawing = charts::stacked_bars_with_key("First reactions by kind of contact", &bars);
    Ok(Drawn { drawing, ground: PAPER, notes })
}

/// Waiting for any reaction, which more approaches show than a strike: one for each effort kind and contact.
pub(super) fn latency(layers: &Layers) -> Result<Vec<Part>, String> {
    let details = need(&layers.reaction_details)?;
    let waits = details.waits.iter().filter(|wait| wait.until == Until::Reaction);
    let parts: Vec<Part> = waits.map(of_wait).collect();
    match parts.is_empty() {
        true => Err("No approach has the times that a curve of waiting needs.".to_owned()),
        false => Ok(parts),
    }
}

fn of_wait(wait: &Wait) -> Part {
    let contact = Contact::ALL[wait.contact.index()].term();
    Part {
        term: format!("{}-{contact}", wait.effort.term()),
        words: format!("{} encounters, {contact}", wait.effort),
        drawn: drawn_wait(wait, contact),
    }
}

fn drawn_wait(wait: &Wait, contact: &str) -> Result<Drawn, String> {
    let (effort, n_known) = (wait.effort, wait.curve.n_approaches);
    let n = n_known as u64 + wait.n_unknown;
    if n_known == 0 {
        return Err(format!("None of {n} approaches has the times that a curve of waiting needs."));
    }
    if !wait.is_representative {
        return Err(format!(
            "{} of {n} approaches ended without a reaction, and nobody noted how long the snake was watched.",
            wait.n_unwatched
        ));
    }
    let nothing = || format!("In none of {n_known} approaches did the snake react while it was watched.");
    let chart = pages::latency::curve(wait, contact).ok_or_else(nothing)?;
    let mut notes = vec![
        format!(
            "Share that had reacted by time, {effort} encounters, {contact}: {n_known} approaches to {}; the band has the \
             95 % limits, by snake where snakes repeat, else Greenwood's.",
            snakes_words(wait.n_organisms as u64, wait.n_recognised as u64)
        ),
        "An approach whose watch ended without a reaction counts as watched up to then. Do not test this."
            .to_owned(),
    ];
    if wait.n_unknown > 0 {
        notes.push(format!("{} approaches without times are left out.", wait.n_unknown));
    }
    Ok(Drawn { drawing: line_chart::draw(&chart), ground: PAPER, notes })
}
