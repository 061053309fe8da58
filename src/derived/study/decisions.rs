//! What was decided, without the people who decided and without their words, which may name people and places.

use crate::derived::register::Entry;
use crate::derived::register::Now;
use crate::derived::register::Standing;
use crate::derived::study::Layers;
use crate::derived::study::table::Table;

pub(super) fn decisions(layers: &Layers) -> Result<Table, String> {
    let entries = &layers.register.entries;
    if entries.is_empty() {
        return Err("Nothing was decided yet.".to_owned());
    }
    Ok(of(entries.iter().collect()))
}

/// The table of some decisions.
pub(super) fn of(entries: Vec<&Entry>) -> Table {
    Table::of(entries)
        .column("decision", "", "number of the decision", |it: &&Entry| it.decision.id.to_string())
        .column("stretch", "", "name of the stretch when it was decided on", |it| {
            it.decision.given.subject.clone()
        })
        .column("choice", "", "what was chosen", |it| it.decision.given.choice.term())
        .column("based_on_revision", "", "data revision of the figure that was shown", |it| {
            it.decision.given.based_on.0
        })
        .column("standing", "", "whether it is in force", |it| match it.standing {
            Standing::InForce => "in force",
            Standing::InPart(_) => "in force in part",
            Standing::Superseded(_) => "superseded",
        })
        .column("segments", "", "segments it is about", |it| it.decision.given.segment_ids.len())
        .column("stretch_now", "", "what became of the stretch", |it| match it.now {
            Now::Same(_) => "the same",
            Now::Divided(_) => "divided anew",
            Now::Gone => "gone",
        })
        .limits("rate_per_1000_km_then", "per 1,000 km walked", "encounter rate as it was shown", |it| {
            it.then.as_ref()?.rate
        })
        .done()
}
