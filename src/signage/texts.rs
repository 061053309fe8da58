//! All texts that speak to visitors: those that come with the program, or those of a folder that staff wrote.

use std::path::Path;
use std::path::PathBuf;

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
        file: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// A file is no catalogue, or says what must not be said.
    #[error("{file} cannot be used: {problem}")]
    Unusable {
        /// The file.
        file: PathBuf,
        /// What is wrong.
        problem: String,
    },
}

impl Texts {
    /// Those of a folder, laid out as `templates/` is: `cautions/en.toml`, `wording/en.toml` and `es.toml`, `notices/…`,
    /// `fact-sheet/…`. What the folder lacks comes with the program; without a folder all of it.
    ///
    /// # Errors
    /// [`InvalidTexts`] naming the file: a text that cannot be read, is missing a placeholder, or invites to what pages and
    /// signs must not invite to, is not used.
    pub fn read(folder: Option<&Path>) -> Result<Self, InvalidTexts> {
        if let Some(folder) = folder {
            std::fs::read_dir(folder)
                .map_err(|error| InvalidTexts::Unreadable { file: folder.to_owned(), error })?;
        }
        let [(language, text)] = cautions::SHIPPED;
        let cautions = one(folder, "cautions", (language, text), cautions::parse, |it| cautions::lint(it))?;
        Ok(Self {
            cautions,
            wording: all(folder, "wording", &wording::SHIPPED, wording::parse, |it| wording::lint(it))?,
            notices: all(folder, "notices", &notice::SHIPPED, notice::parse, |_| Vec::<String>::new())?,
            fact_sheets: all(folder, "fact-sheet", &fact_sheet::SHIPPED, fact_sheet::parse, |it| {
                fact_sheet::lint(it)
            })?,
        })
    }
}

fn all<T, E: std::fmt::Display, F: std::fmt::Debug>(
    folder: Option<&Path>,
    kind: &str,
    shipped: &[(&str, &str)],
    parse: impl Fn(&str) -> Result<T, E>,
    lint: impl Fn(&T) -> Vec<F>,
) -> Result<Vec<T>, InvalidTexts> {
    shipped.iter().map(|language| one(folder, kind, *language, &parse, &lint)).collect()
}

fn one<T, E: std::fmt::Display, F: std::fmt::Debug>(
    folder: Option<&Path>,
    kind: &str,
    (language, shipped): (&str, &str),
    parse: impl Fn(&str) -> Result<T, E>,
    lint: impl Fn(&T) -> Vec<F>,
) -> Result<T, InvalidTexts> {
    let name = Path::new(kind).join(format!("{language}.toml"));
    let file = folder.map_or_else(|| name.clone(), |folder| folder.join(&name));
    let own = match folder {
        Some(_) => match std::fs::read_to_string(&file) {
            Ok(text) => Some(text),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
            Err(error) => return Err(InvalidTexts::Unreadable { file, error }),
        },
        None => None,
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
        let shipped = Texts::read(None).unwrap();
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Texts::read(Some(folder.path())).unwrap(), shipped);
        let own = cautions::SHIPPED[0].1.replace("leash dogs.\"\nmeeting", "keep dogs at home.\"\nmeeting");
        std::fs::create_dir(folder.path().join("cautions")).unwrap();
        let file = folder.path().join("cautions/en.toml");
        std::fs::write(&file, &own).unwrap();
        let texts = Texts::read(Some(folder.path())).unwrap();
        assert!(texts.cautions.walking.ends_with("keep dogs at home."), "{}", texts.cautions.walking);
        assert_eq!(texts.wording, shipped.wording);
        std::fs::write(&file, own.replace("{emergency_number}", "us")).unwrap();
        let refused = Texts::read(Some(folder.path())).unwrap_err().to_string();
        assert!(refused.contains("cautions/en.toml cannot be used"), "{refused}");
        assert!(Texts::read(Some(&folder.path().join("none"))).is_err());
    }
}
