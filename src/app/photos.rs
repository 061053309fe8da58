//! Photos: drawn anew off the async threads, few at a time, then written in one go.
//!
//! The write begins when all pictures are drawn, so that decoding never holds up another writer; what is drawn waits in
//! memory, about half a megabyte each, which is why only [`MOST_IN_A_BATCH`] go in together.

use std::io::Read;
use std::sync::Arc;

use crate::app::App;
use crate::app::Trust;
use crate::app::bring_in::BringInError;
use crate::app::bring_in::BroughtIn;
use crate::app::bring_in::Opener;
use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::domain::ids::AreaId;
use crate::domain::ids::EncounterId;
use crate::domain::photo::GeotaggedPhoto;
use crate::domain::photo::PhotoDraft;
use crate::domain::photo::kept_file_name;
use crate::ingest;
use crate::ingest::photo::MOST_BYTES;
use crate::ingest::photo::PhotoError;
use crate::store::AddedPhoto;
use crate::store::BatchDraft;
use crate::store::FileDraft;
use crate::store::FileFormat;
use crate::store::Tally;
use crate::store::Target;
use crate::store::Writer;

/// Photos that are decoded at the same time: each may take some hundred megabytes while it is.
pub(super) const N_AT_ONCE: usize = 2;
/// Photos that go in together.
pub const MOST_IN_A_BATCH: usize = 200;

/// A photo as it came.
#[derive(Clone)]
pub struct PhotoFile {
    /// Its name, without folders. It is kept only where a camera gave it.
    pub name: String,
    /// The file.
    pub open: Opener,
}

/// What became of photos that were added to an encounter.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PhotosAdded {
    /// Photos that are there now.
    pub n_added: usize,
    /// Photos that the encounter had already.
    pub n_known: usize,
    /// Names of the files that were not taken, and why.
    pub refused: Vec<(String, PhotoError)>,
}

/// What became of photos that say where and when they were taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PhotosBroughtIn {
    /// The batch and its counts.
    pub brought_in: BroughtIn,
    /// Names of the files that were not taken, as they were given, and why.
    pub refused: Vec<(String, RowError)>,
}

/// A photo that is drawn, or why it is not.
struct Prepared {
    n_bytes: u64,
    blake3: String,
    outcome: Result<GeotaggedPhoto, RowError>,
}

impl App {
    /// Adds photos to an encounter, all that can be taken in one write.
    ///
    /// # Errors
    /// [`BringInError::Store`] when there is no such encounter or the facts could not be written; [`BringInError::Read`]
    /// when a file cannot be read. Nothing is kept then.
    pub async fn add_photos(
        &self,
        (area, encounter): (AreaId, EncounterId),
        files: Vec<PhotoFile>,
        actor: &str,
    ) -> Result<PhotosAdded, BringInError> {
        let mut added = PhotosAdded::default();
        let mut drafts: Vec<PhotoDraft> = Vec::new();
        for file in files {
            match self.off_thread(&file, |bytes| ingest::photo::photo(&bytes)).await? {
                Ok(draft) => drafts.push(draft),
                Err(error) => added.refused.push((file.name, error)),
            }
        }
        if drafts.is_empty() {
            return Ok(added);
        }
        let summary = format!("photos of encounter {encounter}");
        let mut writer = self.store().write(actor, &summary, self.clock().now_s()).await?;
        let target = Target { area, source: None };
        for draft in &drafts {
            match writer.add_photo(&target, 0, encounter, draft).await? {
                AddedPhoto::New(_) => added.n_added += 1,
                AddedPhoto::Known(_) => added.n_known += 1,
            }
        }
        writer.commit().await?;
        Ok(added)
    }

    /// Brings in photos that say where and when they were taken, as one batch: each is added to the encounter met then and
    /// there, or makes a new one. At most [`MOST_IN_A_BATCH`] go in together: give more in several calls.
    ///
    /// `progress` is told how many photos have been read so far.
    ///
    /// # Errors
    /// [`BringInError`]; nothing is kept then.
    pub async fn bring_in_photos(
        &self,
        area: AreaId,
        files: &[PhotoFile],
        (actor, trust): (&str, Trust),
        progress: impl Fn(u64) + Send,
    ) -> Result<PhotosBroughtIn, BringInError> {
        if files.len() > MOST_IN_A_BATCH {
            return Err(BringInError::TooMany { most: MOST_IN_A_BATCH });
        }
        let context = Arc::new(self.context(area).await?.with_author(trust.knows_of(actor)));
        let mut known = None;
        let mut n_known = 0;
        let mut prepared = Vec::new();
        for (idx, file) in files.iter().enumerate() {
            let blake3 = self.off_thread(file, |bytes| blake3::hash(&bytes).to_hex().to_string()).await?;
            if let Some(batch) = self.known(area, Content::Photos, &blake3, trust.knows_of(actor)).await? {
                n_known += 1;
                known = Some(batch);
            } else {
                let context = Arc::clone(&context);
                let photo = self.off_thread(file, move |bytes| Prepared {
                    n_bytes: bytes.len() as u64,
                    blake3,
                    outcome: ingest::photo::geotagged(&bytes, &context),
                });
                prepared.push((idx, photo.await?));
            }
            progress(idx as u64 + 1);
        }
        if let Some(known) = known.filter(|_| prepared.is_empty()) {
            let brought_in = BroughtIn { n_unchanged: n_known, ..known };
            return Ok(PhotosBroughtIn { brought_in, refused: Vec::new() });
        }
        let summary = format!("{} photos", prepared.len());
        let mut writer = self.store().write(actor, &summary, self.clock().now_s()).await?;
        trust.bind(&mut writer);
        let batch = writer.begin_batch(&BatchDraft { area, content: Content::Photos }).await?;
        let mut total = Tally { n_unchanged: n_known, ..Tally::default() };
        let mut refused = Vec::new();
        for (idx, photo) in prepared {
            let name = kept_file_name(&files[idx].name, idx + 1);
            let draft = FileDraft {
                name,
                format: FileFormat::Photo,
                encoding: String::new(),
                n_bytes: photo.n_bytes,
                blake3: photo.blake3,
                mapping: Vec::new(),
            };
            let file = writer.add_file(batch, &draft).await?;
            let target = Target { area, source: Some((batch, file)) };
            let errors = put(&mut writer, &target, photo.outcome, &mut total).await?;
            writer.add_row_errors(file, &errors).await?;
            refused.extend(errors.into_iter().map(|error| (files[idx].name.clone(), error)));
        }
        let n_refused = refused.len() as u64;
        writer.count_batch(batch, &total, n_refused).await?;
        let revision = writer.commit().await?;
        let (n_accepted, n_unchanged) = (total.n_accepted(), total.n_unchanged);
        let n_changed = total.n_updated;
        let brought_in =
            BroughtIn { batch, revision, n_accepted, n_changed, n_unchanged, n_refused, is_known: false };
        Ok(PhotosBroughtIn { brought_in, refused })
    }

    /// Does something with the bytes of a photo, off the async threads, when it is its turn. Of a file that is larger than
    /// what is taken one byte more is read.
    async fn off_thread<T: Send + 'static>(
        &self,
        file: &PhotoFile,
        work: impl FnOnce(Vec<u8>) -> T + Send + 'static,
    ) -> Result<T, BringInError> {
        let ended = |error: &dyn std::fmt::Display| BringInError::Ended(error.to_string());
        let turn = Arc::clone(&self.0.photo_turns).acquire_owned().await.map_err(|error| ended(&error))?;
        let (open, name) = (Arc::clone(&file.open), file.name.clone());
        let done = tokio::task::spawn_blocking(move || {
            // Until the work is done, even when nobody waits for it any more.
            let _turn = turn;
            let mut bytes = Vec::new();
            let read = open().and_then(|reader| reader.take(MOST_BYTES + 1).read_to_end(&mut bytes));
            read.map_err(|error| BringInError::Read { file: name, error })?;
            Ok(work(bytes))
        });
        done.await.map_err(|error| ended(&error))?
    }
}

/// Puts a photo into the store; what is wrong with it comes back.
async fn put(
    writer: &mut Writer,
    target: &Target,
    outcome: Result<GeotaggedPhoto, RowError>,
    total: &mut Tally,
) -> Result<Vec<RowError>, BringInError> {
    let photo = match outcome {
        Ok(photo) => photo,
        Err(error) => return Ok(vec![error]),
    };
    let mut tally = writer.put_geotagged_photo(target, 1, &photo).await?;
    let problems = std::mem::take(&mut tally.problems);
    total.add(tally);
    Ok(problems.into_iter().map(|problem| problem.into_row_error(photo.raw.clone())).collect())
}
