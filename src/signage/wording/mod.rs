//! What signs say: catalogues of texts that park staff may edit, one a language.
//!
//! There is a text for the panel at a trailhead and one for the sign where a stretch begins. There is none for where a
//! stretch ends: two signs that bracket a stretch would point at what lies between them.

pub(in crate::signage) mod lint;

pub use crate::signage::wording::lint::{Finding, lint};

use serde::Deserialize;

use crate::domain::units::Length;
use crate::signage::sizing::rounded_up;

/// The catalogues that come with the program: language and text.
pub const SHIPPED: [(&str, &str); 2] = [
    ("en", include_str!("../../../templates/wording/en.toml")),
    ("es", include_str!("../../../templates/wording/es.toml")),
];

/// The kinds of sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SignKind {
    /// A panel at a trailhead, read standing.
    TrailheadPanel,
    /// A sign on the trail where a stretch begins, read walking.
    TrailSign,
}

/// The texts of one language. Placeholders stand in braces: see [`fill`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Catalogue {
    /// Language tag, for example `en`.
    pub language: String,
    /// Names of the months, January first.
    pub months: [String; 12],
    /// A season, with `{from}` and `{to}`.
    pub season_span: String,
    /// A season without end.
    pub all_year: String,
    /// Text of a trailhead panel.
    pub trailhead_panel: SignTemplate,
    /// Text of a trail sign.
    pub trail_sign: SignTemplate,
    /// The distance to keep, with `{keep_distance}`; printed only where the land manager has set one.
    pub keep_distance: String,
    /// Whom to call, with `{emergency_number}`.
    pub emergency: String,
    /// First aid: what to do.
    pub dos: Vec<String>,
    /// First aid: what not to do.
    pub do_nots: Vec<String>,
    /// Whose word comes before the sign's.
    pub authority: String,
}

/// The text of one kind of sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignTemplate {
    /// Signal word at the head.
    pub signal_word: String,
    /// Title.
    pub title: String,
    /// Lines below it.
    pub lines: Vec<String>,
}

/// Why a text is not a catalogue.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("not a catalogue of sign texts: {problem}")]
pub struct InvalidCatalogue {
    /// What is wrong, with line and column.
    pub problem: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CatalogueFile {
    language: String,
    season: SeasonFile,
    trailhead_panel: SignFile,
    trail_sign: SignFile,
    advice: AdviceFile,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SeasonFile {
    months: [String; 12],
    span: String,
    all_year: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SignFile {
    signal_word: String,
    title: String,
    lines: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AdviceFile {
    keep_distance: String,
    emergency: String,
    #[serde(rename = "do")]
    dos: Vec<String>,
    #[serde(rename = "do_not")]
    do_nots: Vec<String>,
    authority: String,
}

/// Reads a catalogue. It may still say what a sign must not: see [`lint()`].
///
/// # Errors
/// [`InvalidCatalogue`] when the text is not TOML, a key is missing, or there is one that is not known (a text for the
/// end of a stretch among them).
pub fn parse(text: &str) -> Result<Catalogue, InvalidCatalogue> {
    let file: CatalogueFile =
        toml::from_str(text).map_err(|error| InvalidCatalogue { problem: error.to_string() })?;
    let sign =
        |file: SignFile| SignTemplate { signal_word: file.signal_word, title: file.title, lines: file.lines };
    Ok(Catalogue {
        language: file.language,
        months: file.season.months,
        season_span: file.season.span,
        all_year: file.season.all_year,
        trailhead_panel: sign(file.trailhead_panel),
        trail_sign: sign(file.trail_sign),
        keep_distance: file.advice.keep_distance,
        emergency: file.advice.emergency,
        dos: file.advice.dos,
        do_nots: file.advice.do_nots,
        authority: file.advice.authority,
    })
}

/// The months a sign is up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Months {
    /// All year.
    All,
    /// From one month to another, 1 to 12, both included; may run over the turn of the year.
    Span {
        /// First month.
        from: u8,
        /// Last month.
        to: u8,
    },
}

/// What is filled into a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fields {
    /// How far the warning reaches; rounded up here.
    pub distance: Length,
    /// When the sign is up.
    pub months: Months,
    /// The local emergency number, as the land manager writes it.
    pub emergency_number: String,
    /// The distance to keep from a snake: the land manager's own setting, never computed. `None`: not printed.
    pub keep_distance: Option<Length>,
}

/// A sign's text, filled in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignText {
    /// Signal word at the head.
    pub signal_word: String,
    /// Title.
    pub title: String,
    /// Lines below it, the distance to keep among them where it is set.
    pub lines: Vec<String>,
    /// Whom to call.
    pub emergency: String,
    /// First aid, what to do and then what not to do; on trailhead panels only.
    pub first_aid: Vec<String>,
    /// Whose word comes before the sign's.
    pub authority: String,
}

/// The text of a sign, with its placeholders filled in.
pub fn fill(catalogue: &Catalogue, kind: SignKind, fields: &Fields) -> SignText {
    let template = match kind {
        SignKind::TrailheadPanel => &catalogue.trailhead_panel,
        SignKind::TrailSign => &catalogue.trail_sign,
    };
    let kept = fields.keep_distance.map(written).unwrap_or_default();
    let filled = |text: &String| {
        text.replace("{distance}", &written(rounded_up(fields.distance)))
            .replace("{months}", &months_in_words(catalogue, fields.months))
            .replace("{emergency_number}", &fields.emergency_number)
            .replace("{keep_distance}", &kept)
    };
    let mut lines: Vec<String> = template.lines.iter().map(filled).collect();
    if fields.keep_distance.is_some() {
        lines.push(filled(&catalogue.keep_distance));
    }
    let first_aid = match kind {
        SignKind::TrailheadPanel => catalogue.dos.iter().chain(&catalogue.do_nots).map(filled).collect(),
        SignKind::TrailSign => Vec::new(),
    };
    SignText {
        signal_word: template.signal_word.clone(),
        title: filled(&template.title),
        lines,
        emergency: filled(&catalogue.emergency),
        first_aid,
        authority: filled(&catalogue.authority),
    }
}

fn months_in_words(catalogue: &Catalogue, months: Months) -> String {
    let name =
        |month: u8| catalogue.months.get(usize::from(month).wrapping_sub(1)).cloned().unwrap_or_default();
    match months {
        Months::All => catalogue.all_year.clone(),
        Months::Span { from, to } if from == to => name(from),
        Months::Span { from, to } => {
            catalogue.season_span.replace("{from}", &name(from)).replace("{to}", &name(to))
        }
    }
}

/// A distance as it stands on a sign: whole kilometres from one on, else metres.
fn written(distance: Length) -> String {
    let metres = distance.in_metres().round();
    if metres >= 1000.0 && metres % 1000.0 == 0.0 {
        format!("{} km", metres / 1000.0)
    } else {
        format!("{metres} m")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields() -> Fields {
        Fields {
            distance: Length::metres(760.0).unwrap(),
            months: Months::Span { from: 11, to: 2 },
            emergency_number: "999 (invented)".to_owned(),
            keep_distance: None,
        }
    }

    #[test]
    fn shipped_texts_fill_without_a_placeholder_left() {
        for (language, text) in SHIPPED {
            let catalogue = parse(text).unwrap();
            assert_eq!(catalogue.language, language);
            for kind in [SignKind::TrailheadPanel, SignKind::TrailSign] {
                for keep_distance in [None, Length::metres(3.0).ok()] {
                    let sign = fill(&catalogue, kind, &Fields { keep_distance, ..fields() });
                    let all = format!("{sign:?}");
                    let text = all.replace("SignText {", "").replace(" }", "");
                    assert!(!text.contains('{') && !text.contains('}'), "{all}");
                    assert!(sign.emergency.contains("999 (invented)"));
                    assert_eq!(all.contains("3 m"), keep_distance.is_some());
                }
            }
        }
    }

    #[test]
    fn the_distance_is_rounded_up_and_the_season_named() {
        let catalogue = parse(SHIPPED[0].1).unwrap();
        let sign = fill(&catalogue, SignKind::TrailSign, &fields());
        assert!(sign.lines[0].contains("800 m") && sign.lines[0].contains("November to February"));
        let spanish = parse(SHIPPED[1].1).unwrap();
        let all_year = fill(&spanish, SignKind::TrailSign, &Fields { months: Months::All, ..fields() });
        assert!(all_year.lines[0].contains("todo el año"));
        assert_eq!(written(Length::metres(2000.0).unwrap()), "2 km");
        assert_eq!(written(Length::metres(1500.0).unwrap()), "1500 m");
    }

    #[test]
    fn a_text_for_the_end_of_a_stretch_is_refused() {
        let text = SHIPPED[0].1.to_owned() + "\n[end_of_stretch]\nlines = []\n";
        assert!(parse(&text).unwrap_err().problem.contains("end_of_stretch"));
        assert!(parse("language = 'en'").is_err());
        assert!(parse("= not toml").is_err());
    }
}
