//! What temporary notices say: catalogues of texts that park staff may edit, one a language.
//!
//! A notice is about a whole trail under its public name. There is no placeholder for a place on it: a notice that named
//! or bracketed one would lead people to what lies there.

use jiff::civil::Date;
use serde::Deserialize;

use crate::domain::units::Length;
use crate::signage::wording::Catalogue;
use crate::signage::wording::Fields;
use crate::signage::wording::Finding;
use crate::signage::wording::Months;
use crate::signage::wording::SignKind;
use crate::signage::wording::SignTemplate;
use crate::signage::wording::SignText;
use crate::signage::wording::fill;
use crate::signage::wording::lint::checked_language;
use crate::signage::wording::lint::shape_findings;
use crate::signage::wording::lint::word_findings;

/// The catalogues that come with the program: language and text.
pub const SHIPPED: [(&str, &str); 2] = [
    ("en", include_str!("../../templates/notices/en.toml")),
    ("es", include_str!("../../templates/notices/es.toml")),
];

/// The key of the wording that says more than usual was reported: true only where more stands out now.
pub const MORE_THAN_USUAL: &str = "more-than-usual";
/// How a date is written where a catalogue does not say.
const PLAIN_DATE: &str = "{day} {month} {year}";

/// The texts of notices in one language. Placeholders stand in braces: `{trail}`, `{start}`, `{expiry}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticeCatalogue {
    /// Language tag, for example `en`.
    pub language: String,
    /// The line that says from when to when.
    pub until: String,
    /// How a date is written, of `{day}`, `{month}` and `{year}`.
    pub date: String,
    /// The wordings, in the order in which they are offered.
    pub wordings: Vec<NoticeWording>,
}

/// One wording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticeWording {
    /// Its key, the same in every language.
    pub key: String,
    /// Title.
    pub title: String,
    /// Lines below it.
    pub lines: Vec<String>,
}

/// Why a text is not a catalogue of notices.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("not a catalogue of notices: {problem}")]
pub struct InvalidNotices {
    /// What is wrong, with line and column.
    pub problem: String,
}

/// What is filled into a notice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticeFields {
    /// The trail's public name.
    pub trail: String,
    /// The first day, in words.
    pub start: String,
    /// The last day, in words.
    pub expiry: String,
    /// The local emergency number.
    pub emergency_number: String,
    /// The distance to keep, where the land manager has set one.
    pub keep_distance: Option<Length>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CatalogueFile {
    language: String,
    until: String,
    date: Option<String>,
    notice: Vec<NoticeFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NoticeFile {
    key: String,
    title: String,
    lines: Vec<String>,
}

/// Reads a catalogue of notices.
///
/// # Errors
/// [`InvalidNotices`] when the text is not TOML, or a key is missing or not known.
pub fn parse(text: &str) -> Result<NoticeCatalogue, InvalidNotices> {
    let file: CatalogueFile =
        toml::from_str(text).map_err(|error| InvalidNotices { problem: error.to_string() })?;
    let wording = |file: NoticeFile| NoticeWording { key: file.key, title: file.title, lines: file.lines };
    Ok(NoticeCatalogue {
        language: file.language,
        until: file.until,
        date: file.date.unwrap_or_else(|| PLAIN_DATE.to_owned()),
        wordings: file.notice.into_iter().map(wording).collect(),
    })
}

/// Everything that is wrong with a catalogue of notices; empty when it may be shown: placeholders, figures, keys of the shipped
/// notices that are not there (notices that stand are known by them), and words that invite nearer, claim safety or give away what
/// lies there.
pub fn lint(notices: &NoticeCatalogue) -> Vec<Finding> {
    let mut findings: Vec<Finding> = checked_language(&notices.language).into_iter().collect();
    let mut check = |key: &str, text: &str, allowed: &[&str], needs: &[&str]| {
        findings.extend(shape_findings(key, text, allowed));
        findings.extend(word_findings(&notices.language, key, text));
        let missing = needs.iter().filter(|needed| !text.contains(**needed));
        findings.extend(missing.map(|placeholder| Finding::MissingPlaceholder {
            key: key.to_owned(),
            placeholder: (*placeholder).to_owned(),
        }));
    };
    check("until", &notices.until, &["{start}", "{expiry}"], &["{start}", "{expiry}"]);
    let of_date = ["{day}", "{month}", "{year}"];
    check("date", &notices.date, &of_date, &of_date);
    let everywhere = ["{trail}", "{start}", "{expiry}"];
    for wording in &notices.wordings {
        check(&format!("{}.title", wording.key), &wording.title, &everywhere, &["{trail}"]);
        for (idx, line) in wording.lines.iter().enumerate() {
            check(&format!("{}.lines[{idx}]", wording.key), line, &everywhere, &[]);
        }
    }
    let shipped = SHIPPED.first().and_then(|(_, text)| parse(text).ok());
    for known in shipped.iter().flat_map(|shipped| &shipped.wordings) {
        if !notices.wordings.iter().any(|wording| wording.key == known.key && !wording.lines.is_empty()) {
            findings.push(Finding::Empty { key: known.key.clone() });
        }
    }
    findings
}

impl NoticeCatalogue {
    /// A date as its readers write it; the name of the month is that of the catalogue of signs.
    pub fn day(&self, signs: &Catalogue, date: Date) -> String {
        let idx = usize::from(date.month().unsigned_abs()) - 1;
        let month = signs.months.get(idx).map_or("", String::as_str);
        self.date
            .replace("{day}", &date.day().to_string())
            .replace("{month}", month)
            .replace("{year}", &date.year().to_string())
    }

    /// The title of a wording that may be said of a trail at any time; none where there is no other.
    pub fn general(&self) -> Option<&NoticeWording> {
        self.wordings.iter().find(|wording| wording.key != MORE_THAN_USUAL)
    }
}

/// The text of a notice, with first aid, the emergency number and whose word comes first from the catalogue of signs.
///
/// None when the catalogue has no such key.
pub fn text(
    notices: &NoticeCatalogue,
    signs: &Catalogue,
    key: &str,
    fields: &NoticeFields,
) -> Option<SignText> {
    let wording = notices.wordings.iter().find(|wording| wording.key == key)?;
    let given = Fields {
        distance: Length::ZERO,
        months: Months::All,
        emergency_number: fields.emergency_number.clone(),
        keep_distance: fields.keep_distance,
    };
    let mut text = fill(&as_panel(signs, notices, wording), SignKind::TrailheadPanel, &given);
    text.title = filled(&text.title, fields);
    text.lines = text.lines.iter().map(|line| filled(line, fields)).collect();
    Some(text)
}

/// The trail's name comes last, so that braces in it stay what they are.
fn filled(line: &str, fields: &NoticeFields) -> String {
    line.replace("{start}", &fields.start)
        .replace("{expiry}", &fields.expiry)
        .replace("{trail}", &fields.trail)
}

/// The catalogue of signs with a notice in place of its trailhead panel.
fn as_panel(signs: &Catalogue, notices: &NoticeCatalogue, wording: &NoticeWording) -> Catalogue {
    let mut lines = vec![notices.until.clone()];
    lines.extend(wording.lines.iter().cloned());
    let signal_word = signs.trailhead_panel.signal_word.clone();
    let trailhead_panel = SignTemplate { signal_word, title: wording.title.clone(), lines };
    Catalogue { trailhead_panel, ..signs.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signage::wording;
    use crate::signage::wording::lint;

    fn catalogues() -> Vec<(NoticeCatalogue, Catalogue)> {
        let pair = |((_, notices), (_, signs)): (&(&str, &str), &(&str, &str))| {
            (parse(notices).unwrap(), wording::parse(signs).unwrap())
        };
        SHIPPED.iter().zip(&wording::SHIPPED).map(pair).collect()
    }

    #[test]
    fn shipped_notices_say_nothing_that_a_sign_must_not() {
        for (notices, signs) in catalogues() {
            assert_eq!(notices.language, signs.language);
            for wording in &notices.wordings {
                let mut panel = as_panel(&signs, &notices, wording);
                // The lint knows the placeholders of signs only; a panel must name the months.
                let plain = |line: &mut String| {
                    *line = line.replace("{trail}", "X").replace("{start}", "X").replace("{expiry}", "X");
                };
                plain(&mut panel.trailhead_panel.title);
                panel.trailhead_panel.lines.iter_mut().for_each(plain);
                panel.trailhead_panel.lines.push("{months}.".to_owned());
                assert_eq!(lint(&panel), [], "{} {}", notices.language, wording.key);
            }
        }
    }

    #[test]
    fn every_language_has_every_key_and_names_a_whole_trail() {
        let keys = |catalogue: &NoticeCatalogue| -> Vec<String> {
            catalogue.wordings.iter().map(|wording| wording.key.clone()).collect()
        };
        let all = catalogues();
        for (notices, _) in &all {
            assert_eq!(keys(notices), keys(&all[0].0));
            assert!(notices.until.contains("{start}") && notices.until.contains("{expiry}"));
            assert!(notices.wordings.iter().all(|wording| wording.title.contains("{trail}")));
        }
    }

    #[test]
    fn a_catalogue_of_notices_is_searched_as_signs_are() {
        for (notices, _) in catalogues() {
            assert_eq!(super::lint(&notices), [], "{}", notices.language);
        }
        let changed = |change: &dyn Fn(&mut NoticeCatalogue)| {
            let (mut notices, _) = catalogues().remove(0);
            change(&mut notices);
            super::lint(&notices)
        };
        let invites = changed(&|it| it.wordings[0].lines.push("Go closer and look.".to_owned()));
        assert!(matches!(invites.as_slice(), [Finding::Invites { .. }]), "{invites:?}");
        let place = changed(&|it| it.wordings[1].lines[0] = "There is a den at {place}.".to_owned());
        assert!(place.iter().any(|it| matches!(it, Finding::Forbidden { .. })), "{place:?}");
        assert!(place.iter().any(|it| matches!(it, Finding::UnknownPlaceholder { .. })), "{place:?}");
        let endless = changed(&|it| it.until = "This notice stands.".to_owned());
        assert_eq!(endless.len(), 2, "{endless:?}");
        let gone = changed(&|it| it.wordings.truncate(1));
        assert_eq!(gone, [Finding::Empty { key: "take-care".to_owned() }]);
        let other = changed(&|it| it.language = "fr".to_owned());
        assert_eq!(other, [Finding::LanguageNotChecked { language: "fr".to_owned() }]);
    }

    #[test]
    fn days_are_written_as_their_readers_write_them() {
        let day = jiff::civil::date(2026, 11, 29);
        let written: Vec<String> =
            catalogues().iter().map(|(notices, signs)| notices.day(signs, day)).collect();
        assert_eq!(written, ["29 November 2026", "29 de noviembre de 2026"]);
        // A catalogue that does not say how is read all the same.
        let (_, text) = SHIPPED[0];
        let silent: String =
            text.lines().filter(|line| !line.starts_with("date =")).fold(String::new(), |mut all, line| {
                all.push_str(line);
                all.push('\n');
                all
            });
        assert_eq!(parse(&silent).unwrap().date, PLAIN_DATE);
    }

    #[test]
    fn a_notice_is_filled_in() {
        let (notices, signs) = catalogues().remove(0);
        let fields = NoticeFields {
            trail: "Ledge {expiry} Walk".to_owned(),
            start: "1 May 2026".to_owned(),
            expiry: "31 May 2026".to_owned(),
            emergency_number: "112".to_owned(),
            keep_distance: None,
        };
        let text = text(&notices, &signs, "more-than-usual", &fields).unwrap();
        assert_eq!(text.title, "More snakes than usual have been reported along Ledge {expiry} Walk");
        assert_eq!(text.lines[0], "This notice stands from 1 May 2026 to 31 May 2026.");
        assert!(text.emergency.contains("112") && !text.first_aid.is_empty());
        assert_eq!(super::text(&notices, &signs, "no-such", &fields), None);
    }
}
