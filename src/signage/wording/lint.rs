//! Checks that a catalogue says what it must and nothing that it must not.

use crate::signage::wording::Catalogue;

/// What is wrong with a catalogue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// A text is empty.
    Empty {
        /// The key of the text.
        key: String,
    },
    /// A text lacks a placeholder.
    MissingPlaceholder {
        /// The key of the text.
        key: String,
        /// The placeholder, with its braces.
        placeholder: String,
    },
    /// A text has a placeholder that is never filled there.
    UnknownPlaceholder {
        /// The key of the text.
        key: String,
        /// The placeholder, with its braces.
        placeholder: String,
    },
    /// A text has a figure: distances, dates and numbers are the land manager's settings and are filled in.
    Figure {
        /// The key of the text.
        key: String,
    },
    /// A text invites going near, touching, probing or an action that harms, without a "not" before it.
    Invites {
        /// The key of the text.
        key: String,
        /// The word found.
        word: String,
    },
    /// A text claims safety, or gives away what lies there.
    Forbidden {
        /// The key of the text.
        key: String,
        /// The word found.
        word: String,
    },
    /// The line on whose word comes first does not name all of them.
    AuthorityIncomplete {
        /// What is not named.
        lacks: String,
    },
    /// The words of this language cannot be checked; somebody who reads it must.
    LanguageNotChecked {
        /// The language tag.
        language: String,
    },
}

/// The words of one language.
#[derive(Clone, Copy)]
struct Vocabulary {
    language: &'static str,
    /// Words that turn a clause into advice against.
    negations: &'static [&'static str],
    /// Words that begin a new clause.
    breaks: &'static [&'static str],
    /// Beginnings of words that may only stand after a negation.
    only_negated: &'static [&'static str],
    /// Beginnings of words and phrases that may not stand at all.
    never: &'static [&'static str],
    /// Whom the authority line must name, each by one of several beginnings.
    authorities: &'static [&'static [&'static str]],
}

const VOCABULARIES: [Vocabulary; 2] = [
    Vocabulary {
        language: "en",
        negations: &["not", "never", "no", "don't", "avoid"],
        breaks: &["but", "instead", "then", "unless"],
        only_negated: &[
            "touch",
            "handl",
            "catch",
            "chase",
            "chasing",
            "kill",
            "poke",
            "poking",
            "prod",
            "probe",
            "probing",
            "lift",
            "pick",
            "grab",
            "hold",
            "approach",
            "nearer",
            "closer",
            "tease",
            "teasing",
            "provok",
            "test",
            "tap",
            "stir",
            "throw",
            "step over",
            "step on",
            "cut",
            "suck",
            "ice",
            "tourniquet",
            "tie off",
            "alcohol",
            "drive",
        ],
        never: &["safe", "harmless", "no danger", "no risk", "no snakes", "den", "dens", "hibernac", "nest"],
        authorities: &[
            &["emergency"],
            &["poison"],
            &["code", "law"],
            &["practitioner", "professional", "doctor"],
        ],
    },
    Vocabulary {
        language: "es",
        negations: &["no", "nunca", "jamás", "evite"],
        breaks: &["pero", "sino", "luego", "salvo"],
        only_negated: &[
            "toque",
            "tocar",
            "manipul",
            "captur",
            "persig",
            "mate",
            "matar",
            "pinch",
            "hurg",
            "sonde",
            "levant",
            "agarr",
            "coja",
            "sujet",
            "acerque",
            "acérque",
            "acercar",
            "más cerca",
            "moleste",
            "provoque",
            "pruebe",
            "golpe",
            "lance",
            "pase por encima",
            "pise",
            "corte",
            "succion",
            "hielo",
            "torniquete",
            "alcohol",
            "conduzca",
        ],
        never: &[
            "segura",
            "seguro",
            "inofensiv",
            "sin peligro",
            "sin riesgo",
            "madriguera",
            "guarida",
            "nido",
        ],
        authorities: &[&["emergencia"], &["toxicolog"], &["normas", "ley"], &["profesional", "médic"]],
    },
];

/// Everything that is wrong with a catalogue; empty when it may be printed.
///
/// The content of other languages than English and Spanish is not checked, and a finding says so.
pub fn lint(catalogue: &Catalogue) -> Vec<Finding> {
    let mut findings = Vec::new();
    let texts = texts(catalogue);
    for (key, text, placeholders) in &texts {
        check_shape(key, text, placeholders, &mut findings);
    }
    check_required(catalogue, &mut findings);
    for (key, text, _) in &texts {
        findings.extend(word_findings(&catalogue.language, key, text));
    }
    findings.extend(authority_findings(&catalogue.language, &catalogue.authority));
    findings
}

/// What is wrong with the shape of one text: it is empty, has a figure, or a placeholder that is not filled there.
pub(in crate::signage) fn shape_findings(key: &str, text: &str, allowed: &[&str]) -> Vec<Finding> {
    let mut findings = Vec::new();
    check_shape(key, text, allowed, &mut findings);
    findings
}

/// What is wrong with the words of one text; nothing where the language is not one that can be checked.
pub(in crate::signage) fn word_findings(language: &str, key: &str, text: &str) -> Vec<Finding> {
    let mut findings = Vec::new();
    if let Some(vocabulary) = vocabulary(language) {
        check_words(key, text, vocabulary, &mut findings);
    }
    findings
}

/// Words that first aid needs and a sign has no use for: to have somebody drive, to hold the limb still, to cut off a ring.
const OF_FIRST_AID: [&str; 7] = ["hold", "lift", "pick", "tap", "drive", "cut", "test"];
/// What those words must not be about.
const NOT_FIRST_AID: [&str; 8] = [
    "cut the bite",
    "cut the wound",
    "cut the skin",
    "cut into",
    "cut it",
    "hold the snake",
    "lift the snake",
    "pick up the snake",
];

/// What is wrong with the words of a text about first aid: as [`word_findings`], but for words that first aid needs.
pub(in crate::signage) fn first_aid_findings(language: &str, key: &str, text: &str) -> Vec<Finding> {
    let mut findings = word_findings(language, key, text);
    findings.retain(|finding| match finding {
        Finding::Invites { word, .. } => !OF_FIRST_AID.contains(&word.as_str()),
        _ => true,
    });
    if let Some(vocabulary) = vocabulary(language) {
        let against = Vocabulary { only_negated: &NOT_FIRST_AID, never: &[], ..*vocabulary };
        check_words(key, text, &against, &mut findings);
    }
    findings
}

/// That the words of a language cannot be checked, where they cannot.
pub(in crate::signage) fn checked_language(language: &str) -> Option<Finding> {
    vocabulary(language).is_none().then(|| Finding::LanguageNotChecked { language: language.to_owned() })
}

/// What the line on whose word comes first does not name; that the language cannot be checked, where it cannot.
pub(in crate::signage) fn authority_findings(language: &str, authority: &str) -> Vec<Finding> {
    let Some(vocabulary) = vocabulary(language) else {
        return vec![Finding::LanguageNotChecked { language: language.to_owned() }];
    };
    let authority = authority.to_lowercase();
    let unnamed =
        vocabulary.authorities.iter().filter(|names| !names.iter().any(|name| authority.contains(name)));
    unnamed.map(|names| Finding::AuthorityIncomplete { lacks: names[0].to_owned() }).collect()
}

fn vocabulary(language: &str) -> Option<&'static Vocabulary> {
    let language = language.split('-').next().unwrap_or_default();
    VOCABULARIES.iter().find(|vocabulary| vocabulary.language == language)
}

type Text<'a> = (String, &'a str, &'static [&'static str]);

const ON_SIGNS: &[&str] = &["{distance}", "{months}"];

/// Every text with its key and the placeholders it may have.
fn texts(catalogue: &Catalogue) -> Vec<Text<'_>> {
    let mut texts: Vec<Text> = Vec::new();
    for (name, sign) in
        [("trailhead_panel", &catalogue.trailhead_panel), ("trail_sign", &catalogue.trail_sign)]
    {
        texts.push((format!("{name}.signal_word"), &sign.signal_word, &[]));
        texts.push((format!("{name}.title"), &sign.title, ON_SIGNS));
        let lines = sign.lines.iter().enumerate();
        texts.extend(lines.map(|(idx, line)| (format!("{name}.lines[{idx}]"), line.as_str(), ON_SIGNS)));
    }
    texts.push(("season.span".to_owned(), &catalogue.season_span, &["{from}", "{to}"]));
    texts.push(("season.all_year".to_owned(), &catalogue.all_year, &[]));
    texts.push(("advice.keep_distance".to_owned(), &catalogue.keep_distance, &["{keep_distance}"]));
    texts.push(("advice.emergency".to_owned(), &catalogue.emergency, &["{emergency_number}"]));
    texts.push(("advice.authority".to_owned(), &catalogue.authority, &[]));
    for (name, list) in [("do", &catalogue.dos), ("do_not", &catalogue.do_nots)] {
        let lines = list.iter().enumerate();
        texts.extend(lines.map(|(idx, line)| (format!("advice.{name}[{idx}]"), line.as_str(), &[][..])));
    }
    let months = catalogue.months.iter().enumerate();
    texts.extend(months.map(|(idx, month)| (format!("season.months[{idx}]"), month.as_str(), &[][..])));
    texts
}

fn check_shape(key: &str, text: &str, allowed: &[&str], findings: &mut Vec<Finding>) {
    if text.trim().is_empty() {
        findings.push(Finding::Empty { key: key.to_owned() });
    }
    let mut rest = text.to_owned();
    for placeholder in allowed {
        rest = rest.replace(placeholder, "");
    }
    if let Some(start) = rest.find(['{', '}']) {
        let end = rest[start..].find('}').map_or(rest.len(), |end| start + end + 1);
        let placeholder = rest[start..end].to_owned();
        findings.push(Finding::UnknownPlaceholder { key: key.to_owned(), placeholder });
    }
    if rest.chars().any(char::is_numeric) {
        findings.push(Finding::Figure { key: key.to_owned() });
    }
}

fn check_required(catalogue: &Catalogue, findings: &mut Vec<Finding>) {
    let panel = catalogue.trailhead_panel.lines.join("\n");
    let sign = catalogue.trail_sign.lines.join("\n");
    for (key, text, placeholder) in [
        ("trailhead_panel.lines", &panel, "{months}"),
        ("trail_sign.lines", &sign, "{months}"),
        ("trail_sign.lines", &sign, "{distance}"),
        ("season.span", &catalogue.season_span, "{from}"),
        ("season.span", &catalogue.season_span, "{to}"),
        ("advice.keep_distance", &catalogue.keep_distance, "{keep_distance}"),
        ("advice.emergency", &catalogue.emergency, "{emergency_number}"),
    ] {
        if !text.contains(placeholder) {
            findings.push(Finding::MissingPlaceholder {
                key: key.to_owned(),
                placeholder: placeholder.to_owned(),
            });
        }
    }
    for (key, list) in [("advice.do", &catalogue.dos), ("advice.do_not", &catalogue.do_nots)] {
        if list.is_empty() {
            findings.push(Finding::Empty { key: key.to_owned() });
        }
    }
}

fn check_words(key: &str, text: &str, vocabulary: &Vocabulary, findings: &mut Vec<Finding>) {
    let text = text.to_lowercase().replace('\u{2019}', "'");
    // The list of what not to do may not drop its "not" either: each clause stands for itself.
    for clause in text.split(['.', '!', '?', ';', ':', '¡', '¿', '\n']) {
        let mut negated = false;
        let words: Vec<&str> = clause
            .split(|c: char| !(c.is_alphanumeric() || c == '\''))
            .filter(|word| !word.is_empty())
            .collect();
        for (idx, word) in words.iter().enumerate() {
            let rest = words[idx..].join(" ");
            if let Some(found) = vocabulary.never.iter().find(|phrase| begins_with(&rest, phrase)) {
                findings.push(Finding::Forbidden { key: key.to_owned(), word: (*found).to_owned() });
            }
            if vocabulary.negations.contains(word) {
                negated = true;
            } else if vocabulary.breaks.contains(word) {
                negated = false;
            }
            let found = vocabulary.only_negated.iter().find(|phrase| begins_with(&rest, phrase));
            if let Some(found) = found.filter(|_| !negated) {
                findings.push(Finding::Invites { key: key.to_owned(), word: (*found).to_owned() });
            }
        }
    }
}

/// Whether the words begin with the phrase. Its last word may be the beginning of a longer one, unless it is so short
/// that too many words begin like it.
fn begins_with(words: &str, phrase: &str) -> bool {
    words
        .strip_prefix(phrase)
        .is_some_and(|after| phrase.len() > 4 || after.is_empty() || after.starts_with(' '))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signage::wording::{SHIPPED, parse};

    #[test]
    fn shipped_texts_pass() {
        for (language, text) in SHIPPED {
            assert_eq!(lint(&parse(text).unwrap()), [], "{language}");
        }
    }

    /// The English catalogue with one text replaced.
    fn changed(change: impl FnOnce(&mut Catalogue)) -> Vec<Finding> {
        let mut catalogue = parse(SHIPPED[0].1).unwrap();
        change(&mut catalogue);
        lint(&catalogue)
    }

    #[test]
    fn inviting_texts_fail() {
        for line in [
            "Touch it gently.",
            "Do not run, but prod it with a stick.",
            "Do not worry. Approach the snake slowly.",
            "Step closer for a photograph.",
            "Step over the snake if it does not move.",
            "Lift stones with care.",
            "You may HANDLE small snakes.",
            "Test whether it strikes.",
        ] {
            let findings = changed(|catalogue| catalogue.trail_sign.lines.push(line.to_owned()));
            assert!(matches!(findings.as_slice(), [Finding::Invites { .. }, ..]), "{line}: {findings:?}");
        }
        let mut spanish = parse(SHIPPED[1].1).unwrap();
        for line in ["Acérquese despacio.", "No corra, pero toque la serpiente.", "Levante las piedras."] {
            spanish.trail_sign.lines = vec![line.to_owned(), "{distance} {months}".to_owned()];
            let findings = lint(&spanish);
            assert!(matches!(findings.as_slice(), [Finding::Invites { .. }, ..]), "{line}: {findings:?}");
        }
    }

    #[test]
    fn claims_of_safety_and_dens_fail() {
        for line in ["Beyond this point it is safe.", "There is no danger here.", "A den lies ahead."] {
            let findings = changed(|catalogue| catalogue.trailhead_panel.lines.push(line.to_owned()));
            assert!(matches!(findings.as_slice(), [Finding::Forbidden { .. }]), "{line}: {findings:?}");
        }
    }

    #[test]
    fn figures_and_stray_placeholders_fail() {
        let figure =
            changed(|catalogue| catalogue.keep_distance = "Keep {keep_distance} or 2 m away.".to_owned());
        assert_eq!(figure, [Finding::Figure { key: "advice.keep_distance".to_owned() }]);
        let stray = changed(|catalogue| catalogue.trail_sign.title = "Snakes at {place}".to_owned());
        let expected = Finding::UnknownPlaceholder {
            key: "trail_sign.title".to_owned(),
            placeholder: "{place}".to_owned(),
        };
        assert_eq!(stray, [expected]);
    }

    #[test]
    fn required_texts_must_be_there() {
        let emergency = changed(|catalogue| catalogue.emergency = "Call for help.".to_owned());
        let expected = Finding::MissingPlaceholder {
            key: "advice.emergency".to_owned(),
            placeholder: "{emergency_number}".to_owned(),
        };
        assert_eq!(emergency, [expected]);
        let silent = changed(|catalogue| catalogue.do_nots.clear());
        assert_eq!(silent, [Finding::Empty { key: "advice.do_not".to_owned() }]);
        let alone =
            changed(|catalogue| catalogue.authority = "Local emergency services come first.".to_owned());
        assert_eq!(alone.len(), 3);
    }

    #[test]
    fn another_language_is_said_to_be_unchecked() {
        let findings = changed(|catalogue| catalogue.language = "de".to_owned());
        assert_eq!(findings, [Finding::LanguageNotChecked { language: "de".to_owned() }]);
        assert_eq!(changed(|catalogue| catalogue.language = "en-GB".to_owned()), []);
    }
}
