//! What pages say about snakes and bites: a catalogue of texts that park staff may replace, sentence by sentence.

use serde::Deserialize;

use crate::signage::wording::Finding;
use crate::signage::wording::InvalidCatalogue;
use crate::signage::wording::lint::authority_findings;
use crate::signage::wording::lint::first_aid_findings;
use crate::signage::wording::lint::shape_findings;
use crate::signage::wording::lint::word_findings;

/// The catalogue that comes with the program: language and text.
pub const SHIPPED: [(&str, &str); 1] = [("en", include_str!("../../templates/cautions/en.toml"))];

/// The sentences. Placeholders stand in braces: `{emergency_number}` in `bite`, `{keep_distance}` in `keep_distance`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cautions {
    /// Language tag, for example `en`.
    pub language: String,
    /// Whose word comes first.
    pub authority: String,
    /// How to walk.
    pub walking: String,
    /// What to do when a snake is met.
    pub meeting: String,
    /// The distance that the land manager asks for; said only where one is set.
    pub keep_distance: String,
    /// What to do first after a bite.
    pub bite: String,
    /// The list for the trail.
    pub on_the_trail: Vec<String>,
    /// The list for after a bite.
    pub after_a_bite: Vec<String>,
    /// What differs from country to country.
    pub differs: String,
}

/// The sentences that come with the program, in its first language.
pub fn shipped() -> Cautions {
    SHIPPED.first().and_then(|(_, text)| parse(text).ok()).unwrap_or_default()
}

/// Reads a catalogue.
///
/// # Errors
/// [`InvalidCatalogue`] when it is no TOML, or a text is missing or unknown.
pub fn parse(text: &str) -> Result<Cautions, InvalidCatalogue> {
    toml::from_str(text).map_err(|error| InvalidCatalogue { problem: error.to_string() })
}

/// The texts about what to do after a bite.
const FIRST_AID: [&str; 3] = ["bite", "after_a_bite", "differs"];

/// Everything that is wrong with a catalogue; empty when it may be shown.
pub fn lint(cautions: &Cautions) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut check = |key: &str, text: &str, needs: &[&str]| {
        findings.extend(shape_findings(key, text, needs));
        // A safe distance is advice, not a claim that something is safe.
        let text_of_words = text.to_lowercase().replace("safe distance", "distance");
        let of_words =
            if FIRST_AID.iter().any(|of| key.starts_with(of)) { first_aid_findings } else { word_findings };
        findings.extend(of_words(&cautions.language, key, &text_of_words));
        let missing = needs.iter().filter(|needed| !text.contains(**needed));
        findings.extend(missing.map(|placeholder| Finding::MissingPlaceholder {
            key: key.to_owned(),
            placeholder: (*placeholder).to_owned(),
        }));
    };
    check("authority", &cautions.authority, &[]);
    check("walking", &cautions.walking, &[]);
    check("meeting", &cautions.meeting, &[]);
    check("keep_distance", &cautions.keep_distance, &["{keep_distance}"]);
    check("bite", &cautions.bite, &["{emergency_number}"]);
    check("differs", &cautions.differs, &[]);
    for (key, list) in [("on_the_trail", &cautions.on_the_trail), ("after_a_bite", &cautions.after_a_bite)] {
        for (idx, text) in list.iter().enumerate() {
            check(&format!("{key}[{idx}]"), text, &[]);
        }
        if list.is_empty() {
            check(key, "", &[]);
        }
    }
    findings.extend(authority_findings(&cautions.language, &cautions.authority));
    findings
}

impl Cautions {
    /// What to do first after a bite, with the number to call; that of the place where none is known.
    pub fn bite(&self, emergency_number: &str) -> String {
        let number =
            if emergency_number.is_empty() { "the local emergency number" } else { emergency_number };
        self.bite.replace("{emergency_number}", number)
    }

    /// The distance to keep; none where the land manager has set none.
    pub fn keep_distance(&self, distance: &str) -> Option<String> {
        (!distance.is_empty()).then(|| self.keep_distance.replace("{keep_distance}", distance))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_shipped_may_be_shown() {
        for (language, text) in SHIPPED {
            let cautions = parse(text).unwrap();
            assert_eq!(cautions.language, language);
            assert_eq!(lint(&cautions), []);
        }
    }

    #[test]
    fn a_catalogue_that_leaves_out_the_number_or_who_comes_first_is_refused() {
        let shipped = parse(SHIPPED[0].1).unwrap();
        let silent = Cautions { bite: "Wait and see.".to_owned(), ..shipped.clone() };
        assert!(lint(&silent).iter().any(|it| matches!(it, Finding::MissingPlaceholder { .. })));
        let alone = Cautions { authority: "We know best.".to_owned(), ..shipped.clone() };
        assert!(!lint(&alone).is_empty());
        assert!(!lint(&Cautions { after_a_bite: Vec::new(), ..shipped.clone() }).is_empty());
        for line in
            ["Lift it with a stick to look.", "Cut the bite and suck.", "This trail is safe in winter."]
        {
            let inviting = Cautions { meeting: line.to_owned(), ..shipped.clone() };
            let found = lint(&inviting);
            assert!(
                matches!(found[0], Finding::Invites { .. } | Finding::Forbidden { .. }),
                "{line}: {found:?}"
            );
        }
        for line in [
            "Have somebody drive you to hospital.",
            "Hold the bitten limb still.",
            "Cut off rings that are tight.",
            "Safe distance first: move away.",
        ] {
            let aid = Cautions { after_a_bite: vec![line.to_owned()], ..shipped.clone() };
            assert_eq!(lint(&aid), [], "{line}");
        }
        for line in [
            "Cut the bite with a clean blade.",
            "Suck the venom out.",
            "Apply ice.",
            "Hold the snake behind its head.",
        ] {
            let harm = Cautions { after_a_bite: vec![line.to_owned()], ..shipped.clone() };
            assert!(matches!(lint(&harm).as_slice(), [Finding::Invites { .. }]), "{line}: {:?}", lint(&harm));
        }
        assert!(parse("language = \"en\"").is_err());
        assert_eq!(shipped.keep_distance(""), None);
        assert!(shipped.bite("").contains("call the local emergency number at once"));
        assert!(shipped.bite("911").contains("call 911 at once"));
    }
}
