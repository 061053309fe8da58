//! All texts that speak to visitors: those that come with the program, or those of a folder that staff wrote.

use crate::signage::cautions;
use crate::signage::cautions::Cautions;
use crate::signage::fact_sheet;
use crate::signage::fact_sheet::SheetCatalogue;
use crate::signage::notice;
use crate::signage::notice::NoticeCatalogue;
use crate::signage::wording;
use crate::signage::wording::Catalogue;

/// The texts in use, all of them read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Texts {
    /// What pages say about snakes and bites.
    pub cautions: Cautions,
    /// What signs say, one catalogue a language.
    pub wording: Vec<Catalogue>,
    /// What notices say, in the same languages.
    pub notices: Vec<NoticeCatalogue>,
    /// What the fact sheet says, in the same languages.
    pub fact_sheets: Vec<SheetCatalogue>,
}

/// Why texts cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum InvalidTexts {
    /// The folder or a file of it cannot be read.
    #[error("{file} cannot be read: {error}")]
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        error: std::io::Error,
    },
    /// A file is no catalogue, or says what must not be said.
    #[error("{file} cannot be used: {problem}")]
    Unusable {
        /// The file.
        file: String,
        /// What is wrong.
        problem: String,
    },
}

impl Texts {
    /// Those of a folder, laid out as `templates/` is: `cautions/en.toml`, `wording/en.toml` and `es.toml`, `notices/…`,
    /// `fact-sheet/…`. `own` gives the text of a file, none where the folder lacks it: then that of the program is used.
    ///
    /// # Errors
    /// [`InvalidTexts`] naming the file: a text that cannot be read, lacks a placeholder, or invites to what it must not is
    /// not used.
    pub fn read(own: Own<'_>) -> Result<Self, InvalidTexts> {
        let [shipped] = cautions::SHIPPED;
        Ok(Self {
            cautions: one(own, "cautions", shipped, cautions::parse, cautions::lint)?,
            wording: all(own, "wording", &wording::SHIPPED, wording::parse, wording::lint)?,
            notices: all(own, "notices", &notice::SHIPPED, notice::parse, notice::lint)?,
            fact_sheets: all(own, "fact-sheet", &fact_sheet::SHIPPED, fact_sheet::parse, fact_sheet::lint)?,
        })
    }
}

/// The text of a file, such as `cautions/en.toml`, where there is one.
pub type Own<'a> = &'a dyn Fn(&str) -> std::io::Result<Option<String>>;

fn all<T, E: std::fmt::Display, F: std::fmt::Debug>(
    own: Own<'_>,
    kind: &str,
    shipped: &[(&str, &str)],
    parse: impl Fn(&str) -> Result<T, E>,
    lint: impl Fn(&T) -> Vec<F>,
) -> Result<Vec<T>, InvalidTexts> {
    shipped.iter().map(|language| one(own, kind, *language, &parse, &lint)).collect()
}

fn one<T, E: std::fmt::Display, F: std::fmt::Debug>(
    own: Own<'_>,
    kind: &str,
    (language, shipped): (&str, &str),
    parse: impl Fn(&str) -> Result<T, E>,
    lint: impl Fn(&T) -> Vec<F>,
) -> Result<T, InvalidTexts> {
    let file = format!("{kind}/{language}.toml");
    let own = match own(&file) {
        Ok(own) => own,
        Err(error) => return Err(InvalidTexts::Unreadable { file, error }),
    };
    let unusable = |problem: String| InvalidTexts::Unusable { file: file.clone(), problem };
    let texts = parse(own.as_deref().unwrap_or(shipped)).map_err(|error| unusable(error.to_string()))?;
    let findings = lint(&texts);
    if findings.is_empty() { Ok(texts) } else { Err(unusable(format!("{findings:?}"))) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_replaces_what_it_holds_and_nothing_else() {
        let shipped = Texts::read(&|_| Ok(None)).unwrap();
        let with = |own: String| {
            let read = move |file: &str| Ok((file == "cautions/en.toml").then(|| own.clone()));
            Texts::read(&read)
        };
        let own = cautions::SHIPPED[0].1.replace("leash dogs.\"\nmeeting", "keep dogs at home.\"\nmeeting");
        let texts = with(own.clone()).unwrap();
        assert!(texts.cautions.walking.ends_with("keep dogs at home."), "{}", texts.cautions.walking);
        assert_eq!(texts.wording, shipped.wording);
        let refused = with(own.replace("{emergency_number}", "us")).unwrap_err().to_string();
        assert!(refused.contains("cautions/en.toml cannot be used"), "{refused}");
        let unreadable = Texts::read(&|_| Err(std::io::Error::other("gone"))).unwrap_err().to_string();
        assert!(unreadable.contains("cautions/en.toml cannot be read: gone"), "{unreadable}");
    }
}
