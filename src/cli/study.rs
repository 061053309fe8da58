//! A study as one archive, its check, and the fact sheet.

use std::path::PathBuf;

use anyhow::Context;
use anyhow::bail;

use crate::cli::DatabaseFile;
use crate::cli::open;
use crate::derived::fact_sheet::tell;
use crate::derived::study::Layers;
use crate::domain::encounter::EffortKind;
use crate::signage::fact_sheet;
use crate::signage::wording;
use crate::web::study::archive;
use crate::web::study::check;

/// What to do with an archive.
#[derive(Debug, clap::Args)]
pub(super) struct StudyArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// Write every table and figure into this archive (ZIP).
    #[arg(long, required_unless_present = "check", conflicts_with = "check")]
    out: Option<PathBuf>,
    /// Compute everything anew and say what differs from this archive.
    #[arg(long)]
    check: Option<PathBuf>,
}

/// Writes an archive, or checks one.
pub(super) async fn study(arguments: StudyArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let layers = Layers::read(app.deriver()).await?;
    let files = archive::files(&layers)?;
    if let Some(path) = &arguments.check {
        let bytes = std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))?;
        let comparison = check::compare(&bytes, &files)?;
        println!("{comparison}");
        if !comparison.is_same() {
            bail!("{} was not made again", path.display());
        }
        return Ok(());
    }
    let Some(path) = &arguments.out else { bail!("give --out or --check") };
    std::fs::write(path, archive::pack(&files)?)
        .with_context(|| format!("cannot write {}", path.display()))?;
    println!("{}: {} files, data revision {}", path.display(), files.len(), layers.facts.revision);
    Ok(())
}

/// Which fact sheet.
#[derive(Debug, clap::Args)]
pub(super) struct FactSheetArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// The language: en or es.
    #[arg(long, default_value = "en")]
    lang: String,
    /// The kind of encounters. When left out, one in which snakes were looked for, where its approaches are enough for a
    /// share; else, and of several, the one with most approaches.
    #[arg(long)]
    effort: Option<String>,
    /// Texts of your own instead of those that come with the program (TOML, as templates/fact-sheet has them).
    #[arg(long)]
    texts: Option<PathBuf>,
    /// Where to write it (PDF).
    #[arg(long)]
    out: PathBuf,
}

/// Writes the fact sheet about reactions.
pub(super) async fn sheet(arguments: FactSheetArguments) -> anyhow::Result<()> {
    let shipped = |list: &[(&str, &str); 2]| {
        list.iter().find(|(language, _)| *language == arguments.lang).map(|it| it.1.to_owned())
    };
    let unknown = || format!("\"{}\" is not a language of the sheet: en, es", arguments.lang);
    let signs = wording::parse(&shipped(&wording::SHIPPED).with_context(unknown)?)?;
    let texts = match &arguments.texts {
        None => shipped(&fact_sheet::SHIPPED).with_context(unknown)?,
        Some(path) => {
            std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?
        }
    };
    let texts = fact_sheet::parse(&texts)?;
    let findings = fact_sheet::lint(&texts);
    if !findings.is_empty() {
        bail!("these texts cannot be printed: {findings:?}");
    }
    let effort: Option<EffortKind> = match &arguments.effort {
        None => None,
        Some(word) => Some(word.parse().map_err(|error| anyhow::anyhow!("{error}"))?),
    };
    let app = open(arguments.database.database).await?;
    let facts = app.deriver().facts().await?;
    let layer = app.deriver().reactions(&facts).await?;
    let told = tell(&facts, &layer, effort)?;
    let printed = fact_sheet::pdf(&fact_sheet::lay_out(&told, &texts, &signs))?;
    std::fs::write(&arguments.out, printed)
        .with_context(|| format!("cannot write {}", arguments.out.display()))?;
    println!("{}: data revision {}", arguments.out.display(), facts.revision);
    Ok(())
}
