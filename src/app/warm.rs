//! Derives what most pages need as soon as the data change, so that the first reader does not wait.

use std::time::Duration;

use crate::app::App;
use crate::derived::DeriveError;

/// How often the database is asked for its revision.
const PAUSE: Duration = Duration::from_secs(1);

/// Follows the revision until it is dropped; never ends by itself.
///
/// What the facts do not allow is left to the page that asks for it, which then says why.
pub async fn keep_warm(app: App) {
    let mut seen = None;
    loop {
        match app.store().revision().await {
            Ok(revision) if seen != Some(revision) => {
                match derive(&app).await {
                    Ok(()) => tracing::info!(%revision, "layers are ready"),
                    Err(DeriveError::Unanswerable(reason)) => {
                        tracing::info!(%revision, reason, "layers wait for data")
                    }
                    Err(error) => tracing::warn!(%revision, %error, "layers could not be derived"),
                }
                seen = Some(revision);
            }
            Ok(_) => {}
            Err(error) => tracing::warn!(%error, "the revision could not be read"),
        }
        tokio::time::sleep(PAUSE).await;
    }
}

async fn derive(app: &App) -> Result<(), DeriveError> {
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    deriver.rates(&facts).await?;
    deriver.season(&facts).await?;
    deriver.places(&facts).await?;
    deriver.clusters(&facts).await?;
    Ok(())
}
