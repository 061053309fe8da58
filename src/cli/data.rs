//! Area, settings, imports and the rows that did not go in.

use std::io::Read;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;

use anyhow::Context;
use anyhow::bail;

use crate::app::App;
use crate::app::BringIn;
use crate::app::BroughtIn;
use crate::app::MOST_IN_A_BATCH;
use crate::app::Opener;
use crate::app::PhotoFile;
use crate::app::Trust;
use crate::cli::DatabaseFile;
use crate::cli::open;
use crate::derived::settings::Settings;
use crate::domain::batch::Content;
use crate::domain::batch::StoredRowError;
use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::ids::RowErrorId;
use crate::domain::units::Length;
use crate::store::AreaDraft;
use crate::store::RowErrorState;

/// The area.
#[derive(Debug, clap::Args)]
pub(super) struct AreaArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// A file with name, time_zone, emergency_number and keep_distance_m (TOML), instead of the options.
    #[arg(long, conflicts_with_all = ["name", "zone", "emergency_number", "keep_distance_m"])]
    file: Option<PathBuf>,
    /// Its name.
    #[arg(long, required_unless_present = "file")]
    name: Option<String>,
    /// Its IANA time zone, such as Europe/Vienna.
    #[arg(long, required_unless_present = "file")]
    zone: Option<String>,
    /// The local emergency number.
    #[arg(long, required_unless_present = "file")]
    emergency_number: Option<String>,
    /// The distance to keep from a snake, metres: the land manager's setting.
    #[arg(long)]
    keep_distance_m: Option<f64>,
}

/// The shape of an area file.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct AreaFile {
    name: String,
    time_zone: String,
    emergency_number: String,
    keep_distance_m: Option<f64>,
}

/// Reads an area file.
pub(super) fn read_area(text: &str) -> anyhow::Result<AreaDraft> {
    let file: AreaFile = toml::from_str(text)?;
    draft_area(file)
}

fn draft_area(file: AreaFile) -> anyhow::Result<AreaDraft> {
    if jiff::tz::TimeZone::get(&file.time_zone).is_err() {
        bail!("\"{}\" is not an IANA time zone, such as Europe/Vienna", file.time_zone);
    }
    Ok(AreaDraft {
        name: file.name,
        time_zone: file.time_zone,
        emergency_number: file.emergency_number,
        keep_distance: file.keep_distance_m.map(Length::metres).transpose()?,
    })
}

/// Creates or changes the area.
pub(super) async fn area(arguments: AreaArguments) -> anyhow::Result<()> {
    let draft = match &arguments.file {
        Some(path) => {
            let text =
                std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?;
            read_area(&text).with_context(|| format!("{} is not an area file", path.display()))?
        }
        None => draft_area(AreaFile {
            name: arguments.name.unwrap_or_default(),
            time_zone: arguments.zone.unwrap_or_default(),
            emergency_number: arguments.emergency_number.unwrap_or_default(),
            keep_distance_m: arguments.keep_distance_m,
        })?,
    };
    let app = open(arguments.database.database).await?;
    put_area(&app, &draft, "command line").await?;
    println!("The area is {}, in the zone {}.", draft.name, draft.time_zone);
    Ok(())
}

/// Puts the area into the store.
pub(super) async fn put_area(app: &App, draft: &AreaDraft, actor: &str) -> anyhow::Result<AreaId> {
    let mut writer = app.store().write(actor, &format!("area {}", draft.name), app.clock().now_s()).await?;
    let area = writer.put_area(draft).await?;
    writer.commit().await?;
    Ok(area)
}

async fn the_area(app: &App) -> anyhow::Result<AreaId> {
    let mut snapshot = app.store().snapshot().await?;
    let area = snapshot.areas().await?.into_iter().next();
    Ok(area.context("there is no area yet: create one with `coilway area`")?.id)
}

/// Lists settings, or changes one.
pub(super) async fn set(
    database: &DatabaseFile,
    key: Option<String>,
    value: Option<String>,
) -> anyhow::Result<()> {
    let app = open(database.database.clone()).await?;
    let area = the_area(&app).await?;
    let stored = app.store().snapshot().await?.settings(area).await?;
    let settings = Settings::from_stored(&stored)?;
    let (Some(key), Some(value)) = (key, value) else {
        for setting in settings.list() {
            println!("{} = {} {}  ({})", setting.key, setting.value, setting.unit, setting.why);
        }
        return Ok(());
    };
    settings.with(&key, &value)?;
    let mut writer =
        app.store().write("command line", &format!("setting {key}"), app.clock().now_s()).await?;
    writer.set_setting(area, &key, value.trim()).await?;
    let revision = writer.commit().await?;
    println!("{key} = {} at revision {revision}", value.trim());
    Ok(())
}

/// Files to bring in.
#[derive(Debug, clap::Args)]
pub(super) struct ImportArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// What the rows are: trails, trailheads, places, sensitive-places, species, counters, readings, calibrations,
    /// party-sizes, closures, daily-weather, walks, encounters, signs or photos.
    content: String,
    /// The files: CSV, GeoJSON or GPX; of photos JPEG, PNG or WebP.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Who brings them in.
    #[arg(long, default_value = "command line")]
    actor: String,
}

/// Brings in files, one batch each; photos together.
pub(super) async fn import(arguments: ImportArguments) -> anyhow::Result<()> {
    let content: Content = arguments.content.parse()?;
    let app = open(arguments.database.database.clone()).await?;
    let area = the_area(&app).await?;
    if content == Content::Photos {
        return import_photos(&app, area, &arguments).await;
    }
    for path in arguments.files {
        let name = name_of(&path);
        let request = BringIn {
            content,
            file_name: name.clone(),
            actor: arguments.actor.clone(),
            open: opener(path),
            trust: Trust::FULL,
        };
        let progress = |n_rows: u64| {
            if n_rows.is_multiple_of(100_000) {
                eprintln!("  {n_rows} rows read");
            }
        };
        let brought_in = app.bring_in(area, request, progress).await?;
        println!("{name}: {brought_in}");
        if brought_in.n_refused > 0 {
            println!("  see `coilway rows` for the rows that did not go in, and why");
        }
    }
    Ok(())
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn opener(path: PathBuf) -> Opener {
    Arc::new(move || Ok(Box::new(std::fs::File::open(&path)?) as Box<dyn Read + Send>))
}

/// Brings in photos, as few batches as hold them.
async fn import_photos(app: &App, area: AreaId, arguments: &ImportArguments) -> anyhow::Result<()> {
    let photo = |path: &PathBuf| PhotoFile { name: name_of(path), open: opener(path.clone()) };
    let files: Vec<PhotoFile> = arguments.files.iter().map(photo).collect();
    for files in files.chunks(MOST_IN_A_BATCH) {
        let photos = app.bring_in_photos(area, files, (&arguments.actor, Trust::FULL), |_| {}).await?;
        println!("{} photos: {}", files.len(), photos.brought_in);
        // Names that people gave are not kept, so this is the only place that tells them.
        for (name, error) in &photos.refused {
            println!("  {name}: {} \"{}\": {}; {}", error.field, error.value, error.reason, error.hint);
        }
    }
    Ok(())
}

/// Brings in bytes that the program carries.
pub(super) async fn bring_in_bytes(
    app: &App,
    area: AreaId,
    (content, name): (Content, &str),
    bytes: &'static [u8],
    actor: &str,
) -> anyhow::Result<BroughtIn> {
    let request = BringIn {
        trust: Trust::FULL,
        content,
        file_name: name.to_owned(),
        actor: actor.to_owned(),
        open: Arc::new(move || Ok(Box::new(bytes) as Box<dyn Read + Send>)),
    };
    Ok(app.bring_in(area, request, |_| {}).await?)
}

/// Rows that did not go in.
#[derive(Debug, clap::Args)]
pub(super) struct RowsArguments {
    #[command(flatten)]
    database: DatabaseFile,
    /// Try this row again, with the changed fields given as header=value.
    #[arg(long, conflicts_with = "set_aside")]
    retry: Option<i64>,
    /// Set this row aside.
    #[arg(long)]
    set_aside: Option<i64>,
    /// Changed fields: header=value.
    fields: Vec<String>,
    /// Who mends them.
    #[arg(long, default_value = "command line")]
    actor: String,
}

/// Lists, mends or sets aside rows.
pub(super) async fn rows(arguments: RowsArguments) -> anyhow::Result<()> {
    let app = open(arguments.database.database).await?;
    let area = the_area(&app).await?;
    if let Some(id) = arguments.set_aside {
        let mut writer = app
            .store()
            .write(&arguments.actor, &format!("row error {id} set aside"), app.clock().now_s())
            .await?;
        writer.settle_row_error(RowErrorId(id), RowErrorState::SetAside).await?;
        writer.commit().await?;
        println!("Row error {id} is set aside.");
        return Ok(());
    }
    if let Some(id) = arguments.retry {
        return retry(&app, area, id, &arguments.fields, &arguments.actor).await;
    }
    let mut snapshot = app.store().snapshot().await?;
    let (mut n, mut after) = (0, RowErrorId(0));
    loop {
        let open_errors = snapshot.open_row_errors(area, after, N_READ).await?;
        let Some(last) = open_errors.last() else { break };
        after = last.id;
        n += open_errors.len();
        open_errors.iter().for_each(print_error);
    }
    println!("{n} rows wait.");
    Ok(())
}

/// Rows that wait are read so many at a time.
const N_READ: u32 = 500;

fn print_error(stored: &StoredRowError) {
    let error = &stored.error;
    println!(
        "{}  {} row {}: {} \"{}\": {}. {}",
        stored.id, stored.file_name, error.row_number, error.field, error.value, error.reason, error.hint
    );
}

async fn retry(app: &App, area: AreaId, id: i64, fields: &[String], actor: &str) -> anyhow::Result<()> {
    let stored = app.store().snapshot().await?.row_error(RowErrorId(id)).await?;
    let stored = stored.with_context(|| format!("there is no row error {id}"))?;
    let mut raw = stored.error.raw.clone();
    for field in fields {
        let (header, value) =
            field.split_once('=').with_context(|| format!("\"{field}\" is not header=value"))?;
        match raw.iter_mut().find(|(known, _)| known == header) {
            Some((_, old)) => *old = value.to_owned(),
            None => raw.push((header.to_owned(), value.to_owned())),
        }
    }
    match app.retry(area, &stored, raw, (actor, Trust::FULL)).await? {
        Ok(revision) => println!("The row went in, at revision {revision}."),
        Err(error) => bail!("{} \"{}\": {}. {}", error.field, error.value, error.reason, error.hint),
    }
    Ok(())
}

/// Lists batches.
pub(super) async fn batches(database: &DatabaseFile) -> anyhow::Result<()> {
    let app = open(database.database.clone()).await?;
    let area = the_area(&app).await?;
    for batch in app.store().snapshot().await?.batches(area).await? {
        println!(
            "{}  {} from {}: {} in, {} there already, {} not in{}",
            batch.id,
            batch.content,
            batch.file_names.join(", "),
            batch.n_accepted,
            batch.n_unchanged,
            batch.n_refused,
            if batch.undone_at_s.is_some() { " (undone)" } else { "" }
        );
    }
    Ok(())
}

/// Takes a batch back.
pub(super) async fn undo(database: &DatabaseFile, batch: i64, actor: &str) -> anyhow::Result<()> {
    let app = open(database.database.clone()).await?;
    let mut writer = app.store().write(actor, &format!("batch {batch} undone"), app.clock().now_s()).await?;
    let undone = writer.undo_batch(BatchId(batch)).await?;
    let revision = writer.commit().await?;
    println!(
        "{} records taken out, {} put back, {} changed since and kept; revision {revision}.",
        undone.n_removed, undone.n_restored, undone.n_kept
    );
    Ok(())
}
