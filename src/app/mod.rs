//! The one `App`: configuration, store, derived layers, clock.

pub mod bring_in;
mod clock;
mod spool;

use std::sync::Arc;

use crate::config::Config;
use crate::derived::Deriver;
use crate::store::OpenParams;
use crate::store::Store;

pub use crate::app::bring_in::BringIn;
pub use crate::app::bring_in::BringInError;
pub use crate::app::bring_in::BroughtIn;
pub use crate::app::clock::Clock;
pub use crate::app::spool::Spool;

/// Everything a handler needs. Cheap to clone.
#[derive(Clone)]
pub struct App(Arc<Inner>);

struct Inner {
    config: Config,
    store: Store,
    deriver: Deriver,
    clock: Clock,
}

impl App {
    /// Opens the database and makes the app around it.
    ///
    /// # Errors
    /// [`crate::store::Error`] when the database cannot be opened or brought up to date.
    pub async fn open(config: Config, clock: Clock) -> Result<Self, crate::store::Error> {
        let store = Store::open(&config.database, &OpenParams::default()).await?;
        let deriver = Deriver::new(store.clone());
        Ok(Self(Arc::new(Inner { config, store, deriver, clock })))
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

    /// The clock.
    pub fn clock(&self) -> &Clock {
        &self.0.clock
    }
}
