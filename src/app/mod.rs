//! The one `App`: configuration, store, derived layers, clock.

pub mod bring_in;
mod clock;
mod spool;
mod warm;

use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;

use crate::config::Config;
use crate::derived::Deriver;
use crate::derived::Memo;
use crate::store::OpenParams;
use crate::store::Store;

pub use crate::app::bring_in::BringIn;
pub use crate::app::bring_in::BringInError;
pub use crate::app::bring_in::BroughtIn;
pub use crate::app::clock::Clock;
pub use crate::app::spool::Spool;
pub use crate::app::warm::Progress;
pub use crate::app::warm::Step;
pub use crate::app::warm::keep_warm;

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
}

impl App {
    /// Opens the database and makes the app around it.
    ///
    /// # Errors
    /// [`crate::store::Error`] when the database cannot be opened or brought up to date.
    pub async fn open(config: Config, clock: Clock) -> Result<Self, crate::store::Error> {
        let store = Store::open(&config.database, &OpenParams::default()).await?;
        let deriver = Deriver::new(store.clone());
        let (answers, progress) = (Memo::new(N_ANSWERS), Mutex::default());
        Ok(Self(Arc::new(Inner { config, store, deriver, answers, clock, progress })))
    }

    /// The configuration.
    pub fn config(&self) -> &Config {
        &self.0.config
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

    fn set_progress(&self, progress: Progress) {
        *self.0.progress.lock().unwrap_or_else(PoisonError::into_inner) = progress;
    }

    /// The clock.
    pub fn clock(&self) -> &Clock {
        &self.0.clock
    }
}
