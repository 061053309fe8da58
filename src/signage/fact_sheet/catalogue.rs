//! The texts of the fact sheet, one catalogue a language, which park staff may edit, and the check of what they say.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::signage::wording::Finding;
use crate::signage::wording::InvalidCatalogue;
use crate::signage::wording::lint::authority_findings;
use crate::signage::wording::lint::shape_findings;
use crate::signage::wording::lint::word_findings;

/// The catalogues that come with the program: language and text.
pub const SHIPPED: [(&str, &str); 2] = [
    ("en", include_str!("../../../templates/fact-sheet/en.toml")),
    ("es", include_str!("../../../templates/fact-sheet/es.toml")),
];

/// The texts of one language, with placeholders in braces.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetCatalogue {
    pub(super) language: String,
    pub(super) title: String,
    pub(super) subtitle: String,
    pub(super) authority: String,
    pub(super) do_not_test: String,
    pub(super) do_not_test_reason: String,
    pub(super) records: String,
    pub(super) records_unrecognised: String,
    pub(super) records_year: String,
    pub(super) records_years: String,
    pub(super) first_aid_heading: String,
    pub(super) cautions_heading: String,
    pub(super) reading_heading: String,
    pub(super) reading: Vec<String>,
    pub(super) legend: LegendWords,
    pub(super) strike_heading: String,
    pub(super) commonest_heading: String,
    pub(super) cautions: Vec<String>,
    pub(super) effort: BTreeMap<String, String>,
    pub(super) contact: BTreeMap<String, String>,
    pub(super) reaction: BTreeMap<String, String>,
    pub(super) frequency: FrequencyWords,
}

/// What the dots of an icon array say.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LegendWords {
    pub(super) full: String,
    pub(super) part: String,
    pub(super) ring: String,
    pub(super) pale: String,
}

/// The words of natural frequencies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FrequencyWords {
    pub(super) about: String,
    pub(super) fewer: String,
    pub(super) more: String,
    pub(super) none: String,
    pub(super) all: String,
    pub(super) too_few: String,
    pub(super) below: String,
    pub(super) limits: String,
    pub(super) limits_none: String,
    pub(super) counts: String,
    pub(super) snakes_at_most: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CatalogueFile {
    language: String,
    title: String,
    subtitle: String,
    authority: String,
    do_not_test: String,
    do_not_test_reason: String,
    records: String,
    records_unrecognised: String,
    records_year: String,
    records_years: String,
    first_aid_heading: String,
    cautions_heading: String,
    reading_heading: String,
    reading: Vec<String>,
    legend: LegendWords,
    strike_heading: String,
    commonest_heading: String,
    cautions: Vec<String>,
    effort: BTreeMap<String, String>,
    contact: BTreeMap<String, String>,
    reaction: BTreeMap<String, String>,
    frequency: FrequencyFile,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FrequencyFile {
    about: String,
    fewer: String,
    more: String,
    none: String,
    all: String,
    too_few: String,
    below: String,
    limits: String,
    limits_none: String,
    counts: String,
    snakes_at_most: String,
}

/// Reads a catalogue. It may still say what the sheet must not: see [`lint`].
///
/// # Errors
/// [`InvalidCatalogue`] when the text is not TOML, a key is missing, or there is one that is not known.
pub fn parse(text: &str) -> Result<SheetCatalogue, InvalidCatalogue> {
    let file: CatalogueFile =
        toml::from_str(text).map_err(|error| InvalidCatalogue { problem: error.to_string() })?;
    let words = file.frequency;
    Ok(SheetCatalogue {
        language: file.language,
        title: file.title,
        subtitle: file.subtitle,
        authority: file.authority,
        do_not_test: file.do_not_test,
        do_not_test_reason: file.do_not_test_reason,
        records: file.records,
        records_unrecognised: file.records_unrecognised,
        records_year: file.records_year,
        records_years: file.records_years,
        first_aid_heading: file.first_aid_heading,
        cautions_heading: file.cautions_heading,
        reading_heading: file.reading_heading,
        reading: file.reading,
        legend: file.legend,
        strike_heading: file.strike_heading,
        commonest_heading: file.commonest_heading,
        cautions: file.cautions,
        effort: file.effort,
        contact: file.contact,
        reaction: file.reaction,
        frequency: FrequencyWords {
            about: words.about,
            fewer: words.fewer,
            more: words.more,
            none: words.none,
            all: words.all,
            too_few: words.too_few,
            below: words.below,
            limits: words.limits,
            limits_none: words.limits_none,
            counts: words.counts,
            snakes_at_most: words.snakes_at_most,
        },
    })
}

/// A text with its key, the placeholders it must have, and whether it speaks to the reader: then it may not invite.
struct Text<'a> {
    key: String,
    text: &'a str,
    needs: &'static [&'static str],
    voice: Voice,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Voice {
    /// Says what was recorded: it must be able to name what people did.
    Tells,
    /// Tells the reader what to do.
    Advises,
}

/// Everything that is wrong with a catalogue; empty when it may be printed.
///
/// Texts that tell what was recorded may name contacts; those that advise may not invite to any. A frequency without
/// its upper limit, and a sheet without "do not test this" or without whose word comes first, are findings.
pub fn lint(catalogue: &SheetCatalogue) -> Vec<Finding> {
    let mut findings = Vec::new();
    for text in texts(catalogue) {
        findings.extend(shape_findings(&text.key, text.text, text.needs));
        let missing = text.needs.iter().filter(|needed| !text.text.contains(**needed));
        findings.extend(missing.map(|placeholder| Finding::MissingPlaceholder {
            key: text.key.clone(),
            placeholder: (*placeholder).to_owned(),
        }));
        let words = word_findings(&catalogue.language, &text.key, text.text);
        let counts =
            |finding: &Finding| text.voice == Voice::Advises || !matches!(finding, Finding::Invites { .. });
        findings.extend(words.into_iter().filter(counts));
    }
    for (key, list) in [("reading", &catalogue.reading), ("cautions", &catalogue.cautions)] {
        if list.is_empty() {
            findings.push(Finding::Empty { key: key.to_owned() });
        }
    }
    for (name, map, keys) in
        [("effort", &catalogue.effort, &EFFORTS[..]), ("contact", &catalogue.contact, &CONTACTS[..])]
    {
        let missing = keys.iter().filter(|key| !map.contains_key(**key));
        findings.extend(missing.map(|key| Finding::Empty { key: format!("{name}.{key}") }));
    }
    findings.extend(authority_findings(&catalogue.language, &catalogue.authority));
    findings
}

const EFFORTS: [&str; 4] = ["survey", "report", "located", "chance"];
/// Contacts on the sheet; see [`crate::signage::fact_sheet::CONTACTS`].
const CONTACTS: [&str; 4] = ["passed", "beside", "over", "underfoot"];

fn texts(catalogue: &SheetCatalogue) -> Vec<Text<'_>> {
    use Voice::Advises;
    use Voice::Tells;
    let words = &catalogue.frequency;
    let single: [(&str, &str, &'static [&'static str], Voice); 29] = [
        ("title", &catalogue.title, &[], Tells),
        ("subtitle", &catalogue.subtitle, &["{area}"], Tells),
        ("authority", &catalogue.authority, &[], Advises),
        ("do_not_test", &catalogue.do_not_test, &[], Advises),
        ("do_not_test_reason", &catalogue.do_not_test_reason, &[], Tells),
        ("records", &catalogue.records, &["{approaches}", "{snakes}"], Tells),
        ("records_unrecognised", &catalogue.records_unrecognised, &["{approaches}"], Tells),
        ("records_year", &catalogue.records_year, &["{first}"], Tells),
        ("records_years", &catalogue.records_years, &["{first}", "{last}"], Tells),
        ("first_aid_heading", &catalogue.first_aid_heading, &[], Advises),
        ("cautions_heading", &catalogue.cautions_heading, &[], Advises),
        ("reading_heading", &catalogue.reading_heading, &[], Advises),
        ("legend.full", &catalogue.legend.full, &[], Tells),
        ("legend.part", &catalogue.legend.part, &["{base}"], Tells),
        ("legend.ring", &catalogue.legend.ring, &[], Tells),
        ("legend.pale", &catalogue.legend.pale, &[], Tells),
        ("strike_heading", &catalogue.strike_heading, &[], Tells),
        ("commonest_heading", &catalogue.commonest_heading, &[], Tells),
        ("frequency.about", &words.about, &["{count}", "{base}"], Tells),
        ("frequency.fewer", &words.fewer, &["{count}", "{base}"], Tells),
        ("frequency.more", &words.more, &["{count}", "{base}"], Tells),
        ("frequency.none", &words.none, &["{n}"], Tells),
        ("frequency.all", &words.all, &["{n}"], Tells),
        ("frequency.too_few", &words.too_few, &[], Tells),
        ("frequency.below", &words.below, &["{count}"], Tells),
        ("frequency.limits", &words.limits, &["{low}", "{high}", "{base}"], Tells),
        ("frequency.limits_none", &words.limits_none, &["{high}", "{base}"], Tells),
        ("frequency.counts", &words.counts, &["{k}", "{n}", "{snakes}"], Tells),
        ("frequency.snakes_at_most", &words.snakes_at_most, &["{count}"], Tells),
    ];
    let mut texts: Vec<Text<'_>> = single
        .into_iter()
        .map(|(key, text, needs, voice)| Text { key: key.to_owned(), text, needs, voice })
        .collect();
    let text = |key: String, text, voice| Text { key, text, needs: &[], voice };
    for (name, map) in
        [("effort", &catalogue.effort), ("contact", &catalogue.contact), ("reaction", &catalogue.reaction)]
    {
        texts.extend(map.iter().map(|(key, words)| text(format!("{name}.{key}"), words, Tells)));
    }
    let cautions = catalogue.cautions.iter().enumerate();
    texts.extend(cautions.map(|(idx, words)| text(format!("cautions[{idx}]"), words, Advises)));
    // How to read may name the base, the level and the revision, each where it likes.
    let reading = catalogue.reading.iter().enumerate();
    texts.extend(reading.map(|(idx, words)| Text {
        key: format!("reading[{idx}]"),
        text: words,
        needs: READING[idx.min(READING.len() - 1)],
        voice: Tells,
    }));
    texts
}

/// What each line on how to read must name.
const READING: [&[&str]; 3] = [&["{base}"], &["{level}", "{base}"], &["{revision}"]];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shipped_texts_pass() {
        for (language, text) in SHIPPED {
            let catalogue = parse(text).unwrap();
            assert_eq!(catalogue.language, language);
            assert_eq!(lint(&catalogue), [], "{language}");
        }
    }

    #[test]
    fn both_languages_say_the_same_things() {
        let [english, spanish] = SHIPPED.map(|(_, text)| parse(text).unwrap());
        let keys = |map: &BTreeMap<String, String>| map.keys().cloned().collect::<Vec<_>>();
        assert_eq!(keys(&english.reaction), keys(&spanish.reaction));
        assert_eq!(keys(&english.contact), keys(&spanish.contact));
        assert_eq!(english.cautions.len(), spanish.cautions.len());
        assert_eq!(english.reading.len(), spanish.reading.len());
    }

    fn changed(change: impl FnOnce(&mut SheetCatalogue)) -> Vec<Finding> {
        let mut catalogue = parse(SHIPPED[0].1).unwrap();
        change(&mut catalogue);
        lint(&catalogue)
    }

    #[test]
    fn texts_that_invite_claim_safety_or_drop_limits_fail() {
        let invites = changed(|it| it.cautions[0] = "Step over the snake if it does not move.".to_owned());
        assert!(matches!(invites.as_slice(), [Finding::Invites { .. }]), "{invites:?}");
        let tests = changed(|it| it.do_not_test = "Test this.".to_owned());
        assert!(matches!(tests.as_slice(), [Finding::Invites { .. }]), "{tests:?}");
        let safe = changed(|it| it.do_not_test_reason = "Snakes are harmless.".to_owned());
        assert!(matches!(safe.as_slice(), [Finding::Forbidden { .. }]), "{safe:?}");
        let bare = changed(|it| it.frequency.limits = "At least {low} in {base}.".to_owned());
        let expected = Finding::MissingPlaceholder {
            key: "frequency.limits".to_owned(),
            placeholder: "{high}".to_owned(),
        };
        assert_eq!(bare, [expected]);
        let figure = changed(|it| it.cautions[1] = "Keep 3 m away.".to_owned());
        assert_eq!(figure, [Finding::Figure { key: "cautions[1]".to_owned() }]);
        let alone = changed(|it| it.authority = "Rangers come first.".to_owned());
        assert_eq!(alone.len(), 4);
        assert!(!changed(|it| drop(it.effort.remove("report"))).is_empty());
    }
}
