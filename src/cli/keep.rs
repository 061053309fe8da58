//! Backup, restore, check, and the rule for personal data.

use std::path::PathBuf;

use anyhow::Context;
use anyhow::bail;

use crate::app::Clock;
use crate::app::restore as put_back;
use crate::cli::open;
use crate::store::Checkup;
use crate::store::check_file;

/// Writes a backup; a server may be at work meanwhile.
pub(super) async fn backup(database: PathBuf, out: PathBuf) -> anyhow::Result<()> {
    exists(&database)?;
    let app = open(database).await?;
    let checkup = app.backup(&out).await?;
    println!("{}: {}", out.display(), words(&checkup));
    Ok(())
}

/// Puts a backup in the place of a database.
pub(super) async fn restore(database: PathBuf, from: PathBuf) -> anyhow::Result<()> {
    let (checkup, former) = put_back(&from, &database, Clock::System.now_s()).await?;
    println!("{}: {}", database.display(), words(&checkup));
    if let Some(former) = former {
        println!("What was there is kept as {}", former.display());
    }
    Ok(())
}

/// Checks that a database is whole.
pub(super) async fn check(database: PathBuf) -> anyhow::Result<()> {
    exists(&database)?;
    let checkup = check_file(&database).await?;
    println!("{}: {}", database.display(), words(&checkup));
    if !checkup.is_whole() {
        bail!("the data are not whole:\n{}", checkup.findings.join("\n"));
    }
    Ok(())
}

/// Applies the rule for personal data.
pub(super) async fn retention(database: PathBuf, is_trial: bool) -> anyhow::Result<()> {
    exists(&database)?;
    let app = open(database).await?;
    let areas = app.store().snapshot().await?.areas().await?;
    for area in &areas {
        match app.apply_personal_data_rule(area, is_trial).await? {
            None => println!("{}: names and remarks are kept as long as the records", area.name),
            Some((rule, emptied)) => {
                let done = if is_trial { "would be emptied" } else { "emptied" };
                println!("{}: of more than {} months ago, {done}: {emptied}", area.name, rule.months);
            }
        }
    }
    Ok(())
}

fn exists(database: &PathBuf) -> anyhow::Result<()> {
    std::fs::metadata(database).with_context(|| format!("there is no database {}", database.display()))?;
    Ok(())
}

fn words(checkup: &Checkup) -> String {
    let state = if checkup.is_whole() { "whole" } else { "not whole" };
    let Checkup { revision, n_encounters, n_photos, .. } = checkup;
    format!("{state}, revision {revision}, {n_encounters} encounters and {n_photos} photos")
}
