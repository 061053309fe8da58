//! Bringing in a file: bytes to drafts to facts, in one transaction, with bounded memory.
//!
//! A thread reads and parses; chunks of rows go through a short queue to the one writer. When the file breaks off, or the
//! process ends, nothing of it is kept; rows that cannot be taken are kept with their reasons.

use std::fmt;
use std::io::Read;
use std::ops::ControlFlow;
use std::sync::Arc;

use tokio::sync::mpsc;

use crate::app::App;
use crate::app::retention::RetentionError;
use crate::domain::area::Area;
use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::encounter::EncounterDraft;
use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::revision::Revision;
use crate::ingest;
use crate::ingest::DayOrder;
use crate::ingest::Draft;
use crate::ingest::FileError;
use crate::ingest::FileReport;
use crate::ingest::Format;
use crate::ingest::Item;
use crate::store;
use crate::store::BatchDraft;
use crate::store::FileDraft;
use crate::store::FileFormat;
use crate::store::Reach;
use crate::store::Tally;
use crate::store::Target;
use crate::store::Writer;
use crate::store::boxed;

/// Rows in a chunk.
const CHUNK: usize = 2_000;
/// Chunks that may wait for the writer.
const QUEUE: usize = 4;

/// Opens the file from its start; it is read three times: for its hash, for the order of day and month, and for its rows.
pub type Opener = Arc<dyn Fn() -> std::io::Result<Box<dyn Read + Send>> + Send + Sync>;

/// What to bring in.
#[derive(Clone)]
pub struct BringIn {
    /// What its rows are.
    pub content: Content,
    /// The file's name, without folders.
    pub file_name: String,
    /// Who brings it in.
    pub actor: String,
    /// The file.
    pub open: Opener,
    /// What is theirs to change.
    pub trust: Trust,
}

/// What is left to somebody who brings in files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trust {
    /// Which records they may change.
    pub reach: Reach,
    /// Whether what they say of a review counts: otherwise their records wait for one.
    pub reviews: bool,
}

impl Trust {
    /// Staff, and whoever sits at the machine.
    pub const FULL: Self = Self { reach: Reach::Everything, reviews: true };

    /// Keeps a write to it.
    pub(super) fn bind(self, writer: &mut Writer) {
        writer.set_reach(self.reach);
        if !self.reviews {
            writer.keep_reviewed();
        }
    }

    /// The one whose files are known again: a file of somebody else is none to those who reach own records only.
    pub(super) fn knows_of(self, actor: &str) -> Option<&str> {
        match self.reach {
            Reach::Everything => None,
            Reach::OwnRecords => Some(actor),
        }
    }
}

/// What became of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BroughtIn {
    /// The batch it is in.
    pub batch: BatchId,
    /// The revision of the data now.
    pub revision: Revision,
    /// Rows that went in.
    pub n_accepted: u64,
    /// Of these, rows that changed a record that was there.
    pub n_changed: u64,
    /// Rows that were there already.
    pub n_unchanged: u64,
    /// Rows that did not go in.
    pub n_refused: u64,
    /// Whether the whole file had come before, so that nothing was read again.
    pub is_known: bool,
}

impl fmt::Display for BroughtIn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_known {
            return write!(f, "came before, as batch {}; nothing changed", self.batch);
        }
        let changed = match self.n_changed {
            0 => String::new(),
            n => format!(" ({} new, {n} changed a record that was there)", self.n_accepted.saturating_sub(n)),
        };
        write!(
            f,
            "{} rows went in{changed}, {} were there already, {} did not go in (batch {})",
            self.n_accepted, self.n_unchanged, self.n_refused, self.batch
        )
    }
}

/// Why a file was not brought in. Nothing of it was kept.
#[derive(Debug, thiserror::Error)]
pub enum BringInError {
    /// The file is not what it should be.
    #[error("{file}: {error}")]
    File {
        /// Its name.
        file: String,
        /// What is wrong.
        error: FileError,
    },
    /// The file cannot be read.
    #[error("{file} cannot be read: {error}")]
    Read {
        /// Its name.
        file: String,
        /// Why.
        error: std::io::Error,
    },
    /// The name does not say what format it is.
    #[error("{0}: its name must end in .csv, .tsv, .txt, .geojson, .json or .gpx")]
    Format(String),
    /// More photos than go in together.
    #[error("at most {most} photos go in together: bring them in in several parts")]
    TooMany {
        /// How many do.
        most: usize,
    },
    /// The facts could not be written.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// The rule for personal data could not be applied to what came in.
    #[error(transparent)]
    Rule(#[from] RetentionError),
    /// There is no area to bring it into.
    #[error("there is no area yet; create one first")]
    NoArea,
    /// The reading thread ended early.
    #[error("reading ended early: {0}")]
    Ended(String),
}

/// What the reading thread sends.
#[derive(Default)]
struct Chunk {
    drafts: Vec<(u64, Draft)>,
    refused: Vec<RowError>,
}

impl App {
    /// Brings in one file as one batch.
    ///
    /// `progress` is told how many rows have been read so far.
    ///
    /// # Errors
    /// [`BringInError`]; nothing of the file is kept then.
    pub async fn bring_in(
        &self,
        area: AreaId,
        request: BringIn,
        progress: impl Fn(u64) + Send,
    ) -> Result<BroughtIn, BringInError> {
        let format =
            format_of(&request.file_name).ok_or_else(|| BringInError::Format(request.file_name.clone()))?;
        let (n_bytes, blake3) = hash(&request).await?;
        let of = request.trust.knows_of(&request.actor);
        let context = boxed(self.context(area)).await?.with_author(of);
        if let Some(known) = boxed(self.known(area, request.content, &blake3, of)).await? {
            return Ok(known);
        }
        let context = with_day_order(&request, format, context).await?;
        let summary = format!("{} from {}", request.content, request.file_name);
        let mut writer = self.store().write(&request.actor, &summary, self.clock().now_s()).await?;
        request.trust.bind(&mut writer);
        let batch = writer.begin_batch(&BatchDraft { area, content: request.content }).await?;
        let file = FileDraft {
            name: request.file_name.clone(),
            format: file_format(format),
            encoding: String::new(),
            n_bytes,
            blake3,
            mapping: Vec::new(),
        };
        let file_id = boxed(writer.add_file(batch, &file)).await?;
        let target = Target { area, source: Some((batch, file_id)) };
        let (sender, mut receiver) = mpsc::channel(QUEUE);
        let reading = tokio::task::spawn_blocking({
            let (request, context) = (request.clone(), context.clone());
            move || read(&request, format, &context, &sender)
        });
        let mut total = Tally::default();
        let (mut n_refused, mut n_read) = (0, 0);
        while let Some(chunk) = receiver.recv().await {
            n_read += (chunk.drafts.len() + chunk.refused.len()) as u64;
            let mut tally = boxed(put(&mut writer, &target, request.trust, chunk.drafts)).await?;
            let problems = std::mem::take(&mut tally.problems);
            let mut errors = chunk.refused;
            errors.extend(problems.into_iter().map(|problem| problem.into_row_error(Vec::new())));
            n_refused += errors.len() as u64;
            let errors = self.with_rows(&request, format, &context, errors).await?;
            boxed(writer.add_row_errors(file_id, &errors)).await?;
            total.add(tally);
            progress(n_read);
        }
        let report = reading.await.map_err(|error| BringInError::Ended(error.to_string()))??;
        writer.describe_file(file_id, &report.encoding, &report.mapping).await?;
        writer.count_batch(batch, &total, n_refused).await?;
        let has_emptied = boxed(self.keep_rule(&mut writer, area)).await?;
        let revision = boxed(writer.commit()).await?;
        if has_emptied {
            self.store().fold_log().await?;
        }
        Ok(BroughtIn {
            batch,
            revision,
            n_accepted: total.n_accepted(),
            n_changed: total.n_updated,
            n_unchanged: total.n_unchanged,
            n_refused,
            is_known: false,
        })
    }

    /// Tries a row again that did not go in, as mended by a person.
    ///
    /// # Errors
    /// [`BringInError::Store`] when the facts could not be written. A row that is still wrong comes back as the inner
    /// error, and its entry stays open.
    pub async fn retry(
        &self,
        area: AreaId,
        stored: &crate::domain::batch::StoredRowError,
        raw: Vec<(String, String)>,
        (actor, trust): (&str, Trust),
    ) -> Result<Result<Revision, RowError>, BringInError> {
        let file = self.store().snapshot().await?.file(stored.file_id).await?;
        let day_order = file.map_or(DayOrder::Unknown, |file| DayOrder::of_report(&file.given.mapping));
        let context =
            boxed(self.context(area)).await?.with_day_order(day_order).with_author(trust.knows_of(actor));
        let draft = match ingest::retry(stored.content, raw.clone(), &context) {
            Ok(draft) => draft,
            Err(error) => return Ok(Err(error)),
        };
        let summary = format!("row {} of {} mended", stored.error.row_number, stored.file_name);
        let mut writer = self.store().write(actor, &summary, self.clock().now_s()).await?;
        trust.bind(&mut writer);
        let batch = writer.batch_of_file(stored.file_id).await?;
        let target = Target { area, source: Some((batch, stored.file_id)) };
        let tally = boxed(put(&mut writer, &target, trust, vec![(stored.error.row_number, draft)])).await?;
        if let Some(problem) = tally.problems.into_iter().next() {
            return Ok(Err(problem.into_row_error(raw)));
        }
        writer.settle_row_error(stored.id, store::RowErrorState::Mended).await?;
        let has_emptied = boxed(self.keep_rule(&mut writer, area)).await?;
        let revision = boxed(writer.commit()).await?;
        if has_emptied {
            self.store().fold_log().await?;
        }
        Ok(Ok(revision))
    }

    pub(super) async fn context(&self, area: AreaId) -> Result<ingest::Context, BringInError> {
        let mut snapshot = self.store().snapshot().await?;
        let areas: Vec<Area> = snapshot.areas().await?;
        let area = areas.into_iter().find(|known| known.id == area).ok_or(BringInError::NoArea)?;
        let species = snapshot.species(area.id).await?;
        let trails = snapshot.trails(area.id).await?;
        let positions = trails.iter().flat_map(|trail| trail.parts.iter().flatten().copied());
        Ok(ingest::Context::new(
            &area.time_zone,
            self.clock().today(&area.time_zone),
            species.into_iter().map(|species| species.scientific_name).collect(),
            positions,
        ))
    }

    /// The batch that a file came with before; of batches of one person only, where `of` names one.
    pub(super) async fn known(
        &self,
        area: AreaId,
        content: Content,
        blake3: &str,
        of: Option<&str>,
    ) -> Result<Option<BroughtIn>, BringInError> {
        let mut snapshot = self.store().snapshot().await?;
        let files = snapshot.files_with_hash(area, blake3).await?;
        let batches = snapshot.batches(area).await?;
        let batch = batches.into_iter().find(|batch| {
            batch.content == content
                && batch.undone_at_s.is_none()
                && of.is_none_or(|of| batch.actor == of)
                && files.iter().any(|file| file.batch_id == batch.id)
        });
        Ok(batch.map(|batch| BroughtIn {
            batch: batch.id,
            revision: snapshot.revision(),
            n_accepted: 0,
            n_changed: 0,
            n_unchanged: batch.n_accepted + batch.n_unchanged,
            n_refused: 0,
            is_known: true,
        }))
    }

    /// Fills in the whole row, header and value, of errors that the store found: it reads the file once more, up to the
    /// last of them, which only happens for the few rows that break a rule across rows.
    async fn with_rows(
        &self,
        request: &BringIn,
        format: Format,
        context: &ingest::Context,
        mut errors: Vec<RowError>,
    ) -> Result<Vec<RowError>, BringInError> {
        let wanted: Vec<u64> =
            errors.iter().filter(|error| error.raw.is_empty()).map(|error| error.row_number).collect();
        if wanted.is_empty() {
            return Ok(errors);
        }
        let (open, content) = (Arc::clone(&request.open), request.content);
        let context = context.clone();
        let rows = tokio::task::spawn_blocking(move || {
            let reader = open().ok()?;
            ingest::rows_as_read(content, format, reader, &context, &wanted).ok()
        })
        .await
        .map_err(|error| BringInError::Ended(error.to_string()))?
        .unwrap_or_default();
        for error in errors.iter_mut().filter(|error| error.raw.is_empty()) {
            if let Some((_, raw)) = rows.iter().find(|(row_number, _)| *row_number == error.row_number) {
                error.raw.clone_from(raw);
            }
        }
        Ok(errors)
    }
}

/// The format that a file's name says.
pub fn format_of(file_name: &str) -> Option<Format> {
    let (_, extension) = file_name.rsplit_once('.')?;
    match extension.to_ascii_lowercase().as_str() {
        "csv" | "tsv" | "txt" => Some(Format::Csv),
        "geojson" | "json" => Some(Format::GeoJson),
        "gpx" => Some(Format::Gpx),
        _ => None,
    }
}

fn file_format(format: Format) -> FileFormat {
    match format {
        Format::Csv => FileFormat::Csv,
        Format::GeoJson => FileFormat::GeoJson,
        Format::Gpx => FileFormat::Gpx,
    }
}

/// The context with the order of day and month that the file's own dates settle: rows that can be read in two ways follow
/// those that cannot. Where they settle nothing, or contradict each other, such rows wait.
async fn with_day_order(
    request: &BringIn,
    format: Format,
    context: ingest::Context,
) -> Result<ingest::Context, BringInError> {
    let request = request.clone();
    let settled = tokio::task::spawn_blocking(move || {
        let file = request.file_name.clone();
        let reader = (request.open)().map_err(|error| BringInError::Read { file: file.clone(), error })?;
        let order = ingest::settled_day_order(request.content, format, reader, &context)
            .map_err(|error| BringInError::File { file, error })?;
        Ok(context.with_day_order(order))
    });
    settled.await.map_err(|error| BringInError::Ended(error.to_string()))?
}

/// The size of the file and the hash of its bytes.
async fn hash(request: &BringIn) -> Result<(u64, String), BringInError> {
    let open = Arc::clone(&request.open);
    let hashed = tokio::task::spawn_blocking(move || -> std::io::Result<(u64, String)> {
        let mut hasher = blake3::Hasher::new();
        hasher.update_reader(open()?)?;
        Ok((hasher.count(), hasher.finalize().to_hex().to_string()))
    });
    let hashed = hashed.await.map_err(|error| BringInError::Ended(error.to_string()))?;
    hashed.map_err(|error| BringInError::Read { file: request.file_name.clone(), error })
}

/// Reads and parses the file, chunk by chunk. Ends early when nobody listens any more.
fn read(
    request: &BringIn,
    format: Format,
    context: &ingest::Context,
    sender: &mpsc::Sender<Chunk>,
) -> Result<FileReport, BringInError> {
    let file = request.file_name.clone();
    let reader = (request.open)().map_err(|error| BringInError::Read { file: file.clone(), error })?;
    let mut chunk = Chunk::default();
    let mut sink = |item: Item| {
        match item {
            Item::Draft { row_number, draft } => chunk.drafts.push((row_number, draft)),
            Item::Refused(error) => chunk.refused.push(error),
        }
        if chunk.drafts.len() + chunk.refused.len() < CHUNK {
            return ControlFlow::Continue(());
        }
        match sender.blocking_send(std::mem::take(&mut chunk)) {
            Ok(()) => ControlFlow::Continue(()),
            Err(_) => ControlFlow::Break(()),
        }
    };
    let report = ingest::read(request.content, format, reader, context, &mut sink)
        .map_err(|error| BringInError::File { file, error })?;
    // A writer that has given up says why itself.
    let _ = sender.blocking_send(chunk);
    Ok(report)
}

/// An encounter whose own word on its review does not count; the word is kept among what no field takes.
fn unreviewed(mut draft: EncounterDraft) -> EncounterDraft {
    let said = std::mem::replace(&mut draft.verification_status, VerificationStatus::Unverified);
    if said != VerificationStatus::Unverified {
        draft.details.other.push(("identificationVerificationStatus".to_owned(), said.term().to_owned()));
    }
    draft
}

/// Puts drafts of one content into the store.
async fn put(
    writer: &mut Writer,
    target: &Target,
    trust: Trust,
    mut drafts: Vec<(u64, Draft)>,
) -> Result<Tally, store::Error> {
    if !trust.reviews {
        for (_, draft) in &mut drafts {
            if let Draft::Encounter(encounter) = draft {
                *encounter = unreviewed(encounter.clone());
            }
        }
    }
    macro_rules! rows {
        ($variant:ident) => {
            drafts
                .into_iter()
                .filter_map(|(row, draft)| match draft {
                    Draft::$variant(draft) => Some((row, draft)),
                    _ => None,
                })
                .collect::<Vec<_>>()
        };
    }
    match drafts.first() {
        None => Ok(Tally::default()),
        Some((_, Draft::Trail(_))) => boxed(writer.put_trails(target, &rows!(Trail))).await,
        Some((_, Draft::Trailhead(_))) => boxed(writer.put_trailheads(target, &rows!(Trailhead))).await,
        Some((_, Draft::Place(_))) => boxed(writer.put_places(target, &rows!(Place))).await,
        Some((_, Draft::SensitivePlace(_))) => {
            boxed(writer.put_sensitive_places(target, &rows!(SensitivePlace))).await
        }
        Some((_, Draft::Species(_))) => boxed(writer.put_species(target, &rows!(Species))).await,
        Some((_, Draft::Counter(_))) => boxed(writer.put_counters(target, &rows!(Counter))).await,
        Some((_, Draft::Reading(_))) => boxed(writer.put_readings(target, &rows!(Reading))).await,
        Some((_, Draft::Calibration(_))) => boxed(writer.put_calibrations(target, &rows!(Calibration))).await,
        Some((_, Draft::PartySize(_))) => boxed(writer.put_party_sizes(target, &rows!(PartySize))).await,
        Some((_, Draft::Closure(_))) => boxed(writer.put_closures(target, &rows!(Closure))).await,
        Some((_, Draft::Walk(_))) => boxed(writer.put_walks(target, &rows!(Walk))).await,
        Some((_, Draft::SignLocation(_))) => {
            boxed(writer.put_sign_locations(target, &rows!(SignLocation))).await
        }
        Some((_, Draft::SignInPlace(_))) => {
            boxed(writer.put_signs_in_place(target, &rows!(SignInPlace))).await
        }
        Some((_, Draft::SignInspection(_))) => {
            boxed(writer.put_sign_inspections(target, &rows!(SignInspection))).await
        }
        Some((_, Draft::SignWatch(_))) => boxed(writer.put_sign_watches(target, &rows!(SignWatch))).await,
        Some((_, Draft::DoubleObservation(_))) => {
            boxed(writer.put_double_observations(target, &rows!(DoubleObservation))).await
        }
        Some((_, Draft::DailyWeather(_))) => {
            boxed(writer.put_daily_weather(target, &rows!(DailyWeather))).await
        }
        Some((_, Draft::Encounter(_))) => boxed(writer.put_encounters(target, &rows!(Encounter))).await,
    }
}
