//! The educator's sheet about reactions: one page, in natural frequencies, with icon arrays.
//!
//! The law of the sheet: whose word comes first and "do not test this" stand above every number, and no share stands
//! without its upper limit and its counts.

mod catalogue;
pub mod frequency;
pub mod icons;

pub use crate::signage::fact_sheet::catalogue::FrequencyWords;
pub use crate::signage::fact_sheet::catalogue::LegendWords;
pub use crate::signage::fact_sheet::catalogue::SHIPPED;
pub use crate::signage::fact_sheet::catalogue::SheetCatalogue;
pub use crate::signage::fact_sheet::catalogue::lint;
pub use crate::signage::fact_sheet::catalogue::parse;

use serde::Serialize;

use crate::domain::approach::Contact;
use crate::domain::encounter::EffortKind;
use crate::domain::units::Length;
use crate::signage::export;
use crate::signage::export::Document;
use crate::signage::export::ExportError;
use crate::signage::fact_sheet::frequency::About;
use crate::signage::fact_sheet::frequency::BASE;
use crate::signage::fact_sheet::frequency::Counted;
use crate::signage::fact_sheet::frequency::Frequency;
use crate::signage::fact_sheet::frequency::frequency;
use crate::signage::fact_sheet::icons::Dots;
use crate::signage::fact_sheet::icons::Look;
use crate::signage::wording;

/// The kinds of contact on the sheet: what befalls walkers. Nobody handles a snake by chance, and a share beside it would
/// read as a way to do it.
pub const CONTACTS: [Contact; 4] = [Contact::Passed, Contact::Beside, Contact::Over, Contact::Underfoot];
/// The confidence level of the ranges, out of 100.
const LEVEL: u8 = 95;
const TEMPLATE: &str = include_str!("../../../templates/fact-sheet/sheet.typ");

/// What the sheet tells.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetFacts {
    /// The area.
    pub area_name: String,
    /// The local emergency number, as staff gave it.
    pub emergency_number: String,
    /// The distance to keep, where the land manager has set one.
    pub keep_distance: Option<Length>,
    /// The kind of encounters told about: kinds are never pooled.
    pub effort: EffortKind,
    /// Approaches of that kind.
    pub n_approaches: u64,
    /// Recognised snakes among them.
    pub n_snakes: u64,
    /// The first and the last year of the approaches, where known.
    pub years: Option<(i16, i16)>,
    /// What was counted, one entry a kind of contact that has approaches, in the order of [`CONTACTS`].
    pub contacts: Vec<ContactFacts>,
    /// The data revision.
    pub revision: u64,
    /// The day on which it was written, as 2026-11-29 in every language; empty where none was.
    pub written_on: String,
    /// The settings that differ from the defaults, by key; empty when none does.
    pub settings: String,
}

/// What was counted of one kind of contact.
#[derive(Debug, Clone, PartialEq)]
pub struct ContactFacts {
    /// The kind of contact.
    pub contact: Contact,
    /// Strikes and bites of any kind.
    pub strike: Counted,
    /// The reaction shown most often, strikes apart.
    pub commonest: Option<(String, Counted)>,
}

/// The sheet in words, ready to be drawn.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sheet {
    /// Language tag.
    pub language: String,
    /// Title.
    pub title: String,
    /// Below the title.
    pub subtitle: String,
    /// Whose word comes first.
    pub authority: String,
    /// Whom to call.
    pub emergency: String,
    /// That nobody should try.
    pub do_not_test: String,
    /// Why not.
    pub do_not_test_reason: String,
    /// How many approaches and snakes, and how the records came about.
    pub records: String,
    /// What the dots say, of those that the sheet draws.
    pub legend: Vec<LegendLine>,
    /// One block a kind of contact.
    pub contacts: Vec<ContactBlock>,
    /// Heading of the cautions.
    pub cautions_heading: String,
    /// The cautions.
    pub cautions: Vec<String>,
    /// Heading of first aid.
    pub first_aid_heading: String,
    /// First aid.
    pub first_aid: Vec<String>,
    /// Heading of how to read.
    pub reading_heading: String,
    /// How to read.
    pub reading: Vec<String>,
}

/// A dot of the icon arrays and what it says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LegendLine {
    /// The dot as SVG.
    pub icon: String,
    /// What it says.
    pub words: String,
}

/// One kind of contact in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ContactBlock {
    /// What happened.
    pub heading: String,
    /// The icon array as SVG; empty where there is too little to say.
    pub icons: String,
    /// Words about the icon array for those who do not see it.
    pub icons_words: String,
    /// The lines: heading, share, limits and counts.
    pub lines: Vec<ShareLine>,
}

/// One share in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShareLine {
    /// What the share is of.
    pub heading: String,
    /// The share.
    pub share: String,
    /// Its limits; empty only where there is no share.
    pub limits: String,
    /// The counts behind it.
    pub counts: String,
}

/// Lays the sheet out in words. `signs` gives first aid and the emergency line in the same language.
pub fn lay_out(facts: &SheetFacts, texts: &SheetCatalogue, signs: &wording::Catalogue) -> Sheet {
    let distance = facts.keep_distance.map(|length| format!("{} m", length.in_metres()));
    let beside = [&facts.written_on, &facts.settings];
    let beside: Vec<&str> = beside.into_iter().map(String::as_str).filter(|it| !it.is_empty()).collect();
    let basis = match beside.is_empty() {
        true => facts.revision.to_string(),
        false => format!("{} ({})", facts.revision, beside.join("; ")),
    };
    let filled = |text: &String| {
        text.replace("{area}", &facts.area_name)
            .replace("{approaches}", &facts.n_approaches.to_string())
            .replace("{snakes}", &facts.n_snakes.to_string())
            .replace("{base}", &BASE.to_string())
            .replace("{level}", &LEVEL.to_string())
            .replace("{revision}", &basis)
    };
    let of_term = |map: &std::collections::BTreeMap<String, String>, term: &str| {
        map.get(term).cloned().unwrap_or_else(|| term.to_owned())
    };
    let mut cautions: Vec<String> = texts.cautions.clone();
    if let Some(distance) = distance {
        cautions.insert(1.min(cautions.len()), signs.keep_distance.replace("{keep_distance}", &distance));
    }
    let blocks = facts.contacts.iter().map(|contact| {
        let strike = frequency(&contact.strike);
        let mut lines = vec![line(&texts.frequency, &texts.strike_heading, &contact.strike)];
        if let Some((term, counted)) = &contact.commonest {
            let heading = format!("{}: {}", texts.commonest_heading, of_term(&texts.reaction, term));
            lines.push(line(&texts.frequency, &heading, counted));
        }
        ContactBlock {
            heading: of_term(&texts.contact, contact.contact.term()),
            icons: icons::dots(&strike).map(|dots| icons::svg(&dots)).unwrap_or_default(),
            icons_words: format!("{}: {}. {}", lines[0].heading, lines[0].share, lines[0].limits),
            lines,
        }
    });
    let effort = texts.effort.get(facts.effort.term()).cloned().unwrap_or_default();
    let records = filled(if facts.n_snakes == 0 { &texts.records_unrecognised } else { &texts.records });
    let years = match facts.years {
        None => String::new(),
        Some((year, last)) if year == last => texts.records_year.replace("{first}", &year.to_string()),
        Some((first, last)) => {
            texts.records_years.replace("{first}", &first.to_string()).replace("{last}", &last.to_string())
        }
    };
    let words = &texts.legend;
    let all = [
        (Look::Full, &words.full),
        (Look::Part, &words.part),
        (Look::Ring, &words.ring),
        (Look::Pale, &words.pale),
    ];
    let drawn: Vec<Dots> =
        facts.contacts.iter().filter_map(|contact| icons::dots(&frequency(&contact.strike))).collect();
    let is_drawn = |look: Look| drawn.iter().any(|dots| (0..BASE).any(|idx| dots.look(idx) == look));
    let legend = all.into_iter().filter(|(look, _)| is_drawn(*look));
    Sheet {
        legend: legend
            .map(|(look, words)| LegendLine { icon: icons::key(look), words: filled(words) })
            .collect(),
        contacts: blocks.collect(),
        language: texts.language.clone(),
        title: texts.title.clone(),
        subtitle: filled(&texts.subtitle),
        authority: texts.authority.clone(),
        emergency: signs.emergency.replace("{emergency_number}", &facts.emergency_number),
        do_not_test: texts.do_not_test.clone(),
        do_not_test_reason: texts.do_not_test_reason.clone(),
        records: [records, years, effort]
            .into_iter()
            .filter(|words| !words.is_empty())
            .collect::<Vec<_>>()
            .join(" "),
        cautions_heading: texts.cautions_heading.clone(),
        cautions,
        first_aid_heading: texts.first_aid_heading.clone(),
        first_aid: signs.dos.iter().chain(&signs.do_nots).cloned().collect(),
        reading_heading: texts.reading_heading.clone(),
        reading: texts.reading.iter().map(filled).collect(),
    }
}

/// The number of snakes; the most there can be where not all were recognised.
fn snakes(words: &FrequencyWords, counted: &Counted) -> String {
    let number = counted.n_snakes.to_string();
    match counted.n_recognised == counted.n_snakes {
        true => number,
        false => words.snakes_at_most.replace("{count}", &number),
    }
}

/// A share in words with its limits and counts.
pub fn line(words: &FrequencyWords, heading: &str, counted: &Counted) -> ShareLine {
    let fill = |text: &str, count: u8| {
        text.replace("{count}", &count.to_string())
            .replace("{base}", &BASE.to_string())
            .replace("{k}", &counted.k.to_string())
            .replace("{n}", &counted.n.to_string())
            .replace("{snakes}", &snakes(words, counted))
    };
    let between = |lower: u8, upper: u8| {
        let low = if lower == 0 { fill(&words.below, 1) } else { lower.to_string() };
        fill(&words.limits.replace("{low}", &low).replace("{high}", &upper.to_string()), 0)
    };
    let (share, limits) = match frequency(counted) {
        Frequency::TooFew => (words.too_few.clone(), String::new()),
        Frequency::Never { upper } => {
            (fill(&words.none, 0), fill(&words.limits_none.replace("{high}", &upper.to_string()), 0))
        }
        Frequency::Always { lower } => (fill(&words.all, BASE), between(lower, BASE)),
        Frequency::Some { about, lower, upper } => {
            let share = match about {
                About::FewerThanOne => fill(&words.fewer, 1),
                About::Whole(whole) => fill(&words.about, whole),
                About::MoreThan99 => fill(&words.more, BASE - 1),
            };
            (share, between(lower, upper))
        }
    };
    ShareLine { heading: heading.to_owned(), share, limits, counts: fill(&words.counts, 0) }
}

/// Draws a sheet as a PDF of one page: tagged, with title and language.
///
/// # Errors
/// [`ExportError`] when printing is not built in.
pub fn pdf(sheet: &Sheet) -> Result<Vec<u8>, ExportError> {
    let data = serde_json::to_vec(sheet).map_err(|error| ExportError::Template(error.to_string()))?;
    export::pdf(&Document { template: TEMPLATE.to_owned(), files: vec![("data.json".to_owned(), data)] })
}

#[cfg(test)]
mod tests;
