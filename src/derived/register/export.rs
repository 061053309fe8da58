//! The register as a table and as JSON: every decision with its figure as it was, and the stretches that wait.

use jiff::tz::TimeZone;
use serde::Serialize;

use crate::derived::register::Entry;
use crate::derived::register::Now;
use crate::derived::register::Register;
use crate::derived::register::Standing;
use crate::derived::register::StretchFigure;
use crate::derived::register::figure::FigureWire;
use crate::derived::register::figure::segment_text;
use crate::domain::csv_text::guarded;

const HEADER: [&str; 31] = [
    "decision",
    "standing",
    "subject",
    "choice",
    "reason",
    "decidedBy",
    "decidedOn",
    "basedOnRevision",
    "firstDay",
    "lastDay",
    "ratePer1000km",
    "rateLower",
    "rateUpper",
    "noRate",
    "encounters",
    "walkedKm",
    "walkedKmLower",
    "walkedKmUpper",
    "provenance",
    "exceedance",
    "exceedanceMultiple",
    "callLevel",
    "isCalled",
    "referencePer1000km",
    "referenceLower",
    "referenceUpper",
    "lengthM",
    "settings",
    "segments",
    "stretchNow",
    "changedSince",
];

/// The register as CSV: a row a decision, newest first, then one for each stretch that waits. Empty cells are what is not
/// known; words that a spreadsheet would take for a formula have a single quote in front. `revision` is that of now; dates are in the area's zone.
///
/// # Errors
/// What the CSV writer refuses, in words.
pub fn to_csv(register: &Register, zone: &TimeZone, revision: u64) -> Result<String, String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let refused = |error: csv::Error| error.to_string();
    writer.write_record(HEADER).map_err(refused)?;
    for entry in &register.entries {
        writer.write_record(entry_row(register, entry, zone)).map_err(refused)?;
    }
    for idx in &register.waiting {
        let figure = &register.now[*idx];
        let mut row = ["", "waiting", &guarded(&figure.name), "", "", "", "", &revision.to_string()]
            .map(str::to_owned)
            .to_vec();
        row.extend(figure_cells(Some(figure)));
        row.push(segments_text(&figure.segment_ids));
        row.extend([guarded(&figure.name).into_owned(), String::new()]);
        writer.write_record(row).map_err(refused)?;
    }
    let bytes = writer.into_inner().map_err(|error| error.to_string())?;
    String::from_utf8(bytes).map_err(|error| error.to_string())
}

fn entry_row(register: &Register, entry: &Entry, zone: &TimeZone) -> Vec<String> {
    let given = &entry.decision.given;
    let mut row = vec![
        entry.decision.id.to_string(),
        standing_words(entry.standing),
        guarded(&given.subject).into_owned(),
        given.choice.term().to_owned(),
        guarded(&given.reason).into_owned(),
        guarded(&given.decided_by).into_owned(),
        day(given.decided_at_s, zone),
        given.based_on.to_string(),
    ];
    row.extend(figure_cells(entry.then.as_ref()));
    row.push(segments_text(&given.segment_ids));
    row.push(guarded(&now_names(register, entry).join("; ")).into_owned());
    row.push(register.changed_since(entry).join("; "));
    row
}

/// The cells from the first day to the settings.
fn figure_cells(figure: Option<&StretchFigure>) -> Vec<String> {
    let Some(figure) = figure else { return vec![String::new(); 20] };
    let number = |value: f64| format!("{value:.4}");
    let optional = |value: Option<f64>| value.map(number).unwrap_or_default();
    vec![
        figure.period.0.clone(),
        figure.period.1.clone(),
        optional(figure.rate.map(|rate| rate.value)),
        optional(figure.rate.map(|rate| rate.lower)),
        optional(figure.rate.map(|rate| rate.upper)),
        figure.no_rate.clone(),
        format!("{:.2}", figure.count),
        number(figure.walked_km.value),
        number(figure.walked_km.lower),
        number(figure.walked_km.upper),
        figure.provenance.clone(),
        figure.exceedance.map_or_else(|| "not judged".to_owned(), number),
        figure.multiple.to_string(),
        figure.call_level.to_string(),
        if figure.is_called { "yes" } else { "no" }.to_owned(),
        number(figure.reference.value),
        number(figure.reference.lower),
        number(figure.reference.upper),
        format!("{:.1}", figure.length_m),
        figure.settings.clone(),
    ]
}

fn segments_text(ids: &[i64]) -> String {
    ids.iter().map(|id| segment_text(*id)).collect::<Vec<_>>().join(" ")
}

fn standing_words(standing: Standing) -> String {
    match standing {
        Standing::InForce => "in force".to_owned(),
        Standing::InPart(by) => format!("in force in part, the rest superseded by {by}"),
        Standing::Superseded(by) => format!("superseded by {by}"),
    }
}

fn now_names(register: &Register, entry: &Entry) -> Vec<String> {
    let name = |idx: &usize| register.now[*idx].name.clone();
    match &entry.now {
        Now::Same(idx) => vec![name(idx)],
        Now::Divided(stretches) => stretches.iter().map(name).collect(),
        Now::Gone => Vec::new(),
    }
}

/// A day in a zone, as an ISO date.
fn day(instant_s: i64, zone: &TimeZone) -> String {
    let instant = jiff::Timestamp::from_second(instant_s);
    instant.map(|instant| zone.to_datetime(instant).date().to_string()).unwrap_or_default()
}

#[derive(Serialize)]
struct RegisterWire<'a> {
    revision: u64,
    decisions: Vec<EntryWire<'a>>,
    waiting: Vec<FigureWire>,
}

#[derive(Serialize)]
struct EntryWire<'a> {
    decision: i64,
    standing: String,
    subject: &'a str,
    choice: &'static str,
    reason: &'a str,
    decided_by: &'a str,
    decided_on: String,
    based_on_revision: u64,
    figure_then: Option<FigureWire>,
    figures_now: Vec<FigureWire>,
    changed_since: Vec<String>,
}

/// The register as JSON: decisions with the figure of then and those of now, and the figures of the stretches that wait.
///
/// # Errors
/// What the JSON writer refuses, in words.
pub fn to_json(register: &Register, zone: &TimeZone, revision: u64) -> Result<String, String> {
    let now = |entry: &Entry| -> Vec<FigureWire> {
        let figure = |idx: &usize| FigureWire::from(&register.now[*idx]);
        match &entry.now {
            Now::Same(idx) => vec![figure(idx)],
            Now::Divided(stretches) => stretches.iter().map(figure).collect(),
            Now::Gone => Vec::new(),
        }
    };
    let decisions = register.entries.iter().map(|entry| EntryWire {
        decision: entry.decision.id.0,
        standing: standing_words(entry.standing),
        subject: &entry.decision.given.subject,
        choice: entry.decision.given.choice.term(),
        reason: &entry.decision.given.reason,
        decided_by: &entry.decision.given.decided_by,
        decided_on: day(entry.decision.given.decided_at_s, zone),
        based_on_revision: entry.decision.given.based_on.0,
        figure_then: entry.then.as_ref().map(FigureWire::from),
        figures_now: now(entry),
        changed_since: register.changed_since(entry),
    });
    let waiting = register.waiting.iter().map(|idx| FigureWire::from(&register.now[*idx]));
    let wire = RegisterWire { revision, decisions: decisions.collect(), waiting: waiting.collect() };
    serde_json::to_string_pretty(&wire).map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rates::FalseShare;
    use crate::derived::register::compile;
    use crate::derived::register::figure::tests::figure;
    use crate::domain::csv_text::unguarded;
    use crate::domain::ids::DecisionId;
    use crate::domain::revision::Revision;
    use crate::store::Choice;
    use crate::store::Decision;
    use crate::store::DecisionDraft;

    fn register() -> Register {
        let given = DecisionDraft {
            subject: "Ledge \"Walk\", km 0.00 to 0.52".to_owned(),
            segment_ids: vec![1],
            choice: Choice::NoAction,
            reason: "=HYPERLINK(\"x\"), a comma, and\na second line".to_owned(),
            decided_by: "A. Warden".to_owned(),
            decided_at_s: 1_717_200_000,
            based_on: Revision(3),
            figure_json: figure("Ledge \"Walk\", km 0.00 to 0.52", &[1]).to_json(),
        };
        compile(
            vec![Decision { id: DecisionId(7), given }],
            Ok((vec![figure("a", &[1]), figure("b", &[2])], FalseShare::Expected(0.1))),
        )
    }

    #[test]
    fn the_table_is_read_back_as_it_was_written() {
        let text = to_csv(&register(), &TimeZone::UTC, 9).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), 2);
        assert_eq!(&rows[0][2], "Ledge \"Walk\", km 0.00 to 0.52");
        assert_eq!(&rows[0][4], "'=HYPERLINK(\"x\"), a comma, and\na second line");
        assert_eq!(unguarded(&rows[0][4]), register().entries[0].decision.given.reason);
        assert_eq!(&rows[0][6], "2024-06-01");
        assert_eq!((&rows[1][1], &rows[1][2], &rows[1][7]), ("waiting", "b", "9"));
        assert_eq!(rows[0].len(), HEADER.len());
    }

    #[test]
    fn json_holds_both_figures() {
        let json: serde_json::Value =
            serde_json::from_str(&to_json(&register(), &TimeZone::UTC, 9).unwrap()).unwrap();
        let decision = &json["decisions"][0];
        assert_eq!(decision["figure_then"]["rate_per_1000_km"], 5.8);
        assert_eq!(decision["figures_now"][0]["stretch"], "a");
        assert_eq!(decision["choice"], "no action");
        assert_eq!(json["waiting"][0]["segments"][0], "0000000000000002");
    }
}
