//! The one `App`: configuration, store, derived layers, clock.

mod back_off;
pub mod bring_in;
mod clock;
mod health;
mod metrics;
mod photos;
mod retention;
mod safe_keeping;
mod secrets;
mod spool;
mod uploads;
mod warm;

use std::path::Path;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;

use tokio::sync::Semaphore;

use crate::config::Config;
use crate::derived::Deriver;
use crate::derived::Memo;
use crate::domain::revision::Revision;
use crate::signage::texts::InvalidTexts;
use crate::signage::texts::Texts;
use crate::store::OpenParams;
use crate::store::Store;

pub use crate::app::back_off::BackOff;
pub use crate::app::back_off::Key as BackOffKey;
pub use crate::app::bring_in::BringIn;
pub use crate::app::bring_in::BringInError;
pub use crate::app::bring_in::BroughtIn;
pub use crate::app::bring_in::Opener;
pub use crate::app::bring_in::Trust;
pub use crate::app::clock::Clock;
pub use crate::app::clock::Stopwatch;
pub use crate::app::health::Health;
pub use crate::app::metrics::Connected;
pub use crate::app::metrics::Metrics;
pub use crate::app::metrics::MetricsError;
pub use crate::app::photos::MOST_IN_A_BATCH;
pub use crate::app::photos::PhotoFile;
pub use crate::app::photos::PhotosAdded;
pub use crate::app::photos::PhotosBroughtIn;
pub use crate::app::retention::PersonalDataRule;
pub use crate::app::retention::RetentionError;
pub use crate::app::retention::keep_personal_data_rule;
pub use crate::app::safe_keeping::SafeKeepingError;
pub use crate::app::safe_keeping::restore;
pub use crate::app::secrets::Passwords;
pub use crate::app::secrets::SecretError;
pub use crate::app::secrets::Token;
pub use crate::app::secrets::hash_of;
pub use crate::app::spool::Spool;
pub use crate::app::uploads::NoTurn;
pub use crate::app::uploads::UploadTurn;
pub use crate::app::uploads::Uploads;
pub use crate::app::warm::Progress;
pub use crate::app::warm::SinglePage;
pub use crate::app::warm::Step;
pub use crate::app::warm::keep_warm;
pub use crate::config::Front;
pub use crate::config::is_host;

/// How many answers of one revision are remembered as bytes.
const N_ANSWERS: usize = 64;

/// Everything a handler needs. Cheap to clone.
#[derive(Clone)]
pub struct App(Arc<Inner>);

struct Inner {
    config: Config,
    store: Store,
    deriver: Deriver,
    answers: Memo<String, Vec<u8>>,
    clock: Clock,
    progress: Mutex<Progress>,
    last_ready: Mutex<Option<Revision>>,
    passwords: Passwords,
    back_off: BackOff,
    uploads: Uploads,
    photo_turns: Arc<Semaphore>,
    /// Once there is an account there always is one: none is ever deleted.
    has_accounts: AtomicBool,
    metrics: Metrics,
    texts: Texts,
    started_s: i64,
}

/// Why an app could not be made.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The database.
    #[error(transparent)]
    Store(#[from] crate::store::Error),
    /// The secrets.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The counts for instruments.
    #[error(transparent)]
    Metrics(#[from] MetricsError),
    /// The texts for visitors.
    #[error(transparent)]
    Texts(#[from] InvalidTexts),
}

/// The texts of a folder, which must be there, and those of the program for what it lacks.
fn texts_of(folder: Option<&Path>) -> Result<Texts, InvalidTexts> {
    let Some(folder) = folder else { return Texts::read(&|_| Ok(None)) };
    std::fs::read_dir(folder)
        .map_err(|error| InvalidTexts::Unreadable { file: folder.display().to_string(), error })?;
    Texts::read(&|file| match std::fs::read_to_string(folder.join(file)) {
        Ok(text) => Ok(Some(text)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    })
}

impl App {
    /// Opens the database and makes the app around it.
    ///
    /// # Errors
    /// [`OpenError`] when the database cannot be opened or brought up to date, texts cannot be used, or there are no random
    /// numbers.
    pub async fn open(config: Config, clock: Clock) -> Result<Self, OpenError> {
        let texts = texts_of(config.texts.as_deref())?;
        let store = Store::open(&config.database, &OpenParams::default()).await?;
        let deriver = Deriver::new(store.clone());
        Ok(Self(Arc::new(Inner {
            config,
            store,
            deriver,
            answers: Memo::new(N_ANSWERS),
            clock,
            progress: Mutex::default(),
            last_ready: Mutex::default(),
            passwords: Passwords::new()?,
            back_off: BackOff::default(),
            uploads: Uploads::default(),
            photo_turns: Arc::new(Semaphore::new(photos::N_AT_ONCE)),
            has_accounts: AtomicBool::new(false),
            metrics: Metrics::new()?,
            texts,
            started_s: clock.now_s(),
        })))
    }

    /// The configuration.
    pub fn config(&self) -> &Config {
        &self.0.config
    }

    /// The texts for visitors.
    pub fn texts(&self) -> &Texts {
        &self.0.texts
    }

    /// The facts.
    pub fn store(&self) -> &Store {
        &self.0.store
    }

    /// The derived layers.
    pub fn deriver(&self) -> &Deriver {
        &self.0.deriver
    }

    /// Answers already made, as bytes, by revision and address.
    pub fn answers(&self) -> &Memo<String, Vec<u8>> {
        &self.0.answers
    }

    /// How far the layers of the present revision are.
    pub fn progress(&self) -> Progress {
        self.0.progress.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The last revision whose layers were all there, while those of `now` are being derived; none where `now` is as
    /// far as it gets, or nobody derives anything ahead.
    pub fn standing_in(&self, now: Revision) -> Option<Revision> {
        match self.progress() {
            Progress::NotFollowed => None,
            Progress::Ready(revision) | Progress::Stopped(revision, _) if revision >= now => None,
            _ => {
                let former = *self.0.last_ready.lock().unwrap_or_else(PoisonError::into_inner);
                former.filter(|former| *former < now)
            }
        }
    }

    fn set_progress(&self, progress: Progress) {
        if let Progress::Ready(revision) = progress {
            *self.0.last_ready.lock().unwrap_or_else(PoisonError::into_inner) = Some(revision);
        }
        *self.0.progress.lock().unwrap_or_else(PoisonError::into_inner) = progress;
    }

    /// What is counted while the server runs.
    pub fn metrics(&self) -> &Metrics {
        &self.0.metrics
    }

    fn started_s(&self) -> i64 {
        self.0.started_s
    }

    /// Hashes and checks passwords.
    pub fn passwords(&self) -> &Passwords {
        &self.0.passwords
    }

    /// Slows down who guesses.
    pub fn back_off(&self) -> &BackOff {
        &self.0.back_off
    }

    /// Uploads under way.
    pub fn uploads(&self) -> &Uploads {
        &self.0.uploads
    }

    /// Whether there is any account. While there is none, the server is open to whoever sits at this machine.
    ///
    /// # Errors
    /// [`crate::store::Error`] when the database cannot be read.
    pub async fn has_accounts(&self) -> Result<bool, crate::store::Error> {
        if self.0.has_accounts.load(Ordering::Relaxed) {
            return Ok(true);
        }
        let found = self.store().has_accounts().await?;
        self.0.has_accounts.store(found, Ordering::Relaxed);
        Ok(found)
    }

    /// The clock.
    pub fn clock(&self) -> &Clock {
        &self.0.clock
    }
}
