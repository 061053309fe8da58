//! The rule for personal data, applied by hand, with every import, and once a day while the server runs.

use std::time::Duration;

use jiff::ToSpan;

use crate::app::App;
use crate::derived::settings::Settings;
use crate::domain::area::Area;
use crate::domain::ids::AreaId;
use crate::store;
use crate::store::Emptied;
use crate::store::Writer;

/// How long the server waits before it applies the rule again.
const PAUSE: Duration = Duration::from_secs(24 * 60 * 60);
/// Who stands in the history for what the rule did.
const ACTOR: &str = "rule for personal data";

/// What the rule of an area asks for at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PersonalDataRule {
    /// For how many months names and words are kept.
    pub months: u32,
    /// What is older goes, seconds since 1970-01-01T00:00:00Z.
    pub before_s: i64,
}

/// Why the rule could not be applied.
#[derive(Debug, thiserror::Error)]
pub enum RetentionError {
    /// The database.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// A stored setting that this version does not take.
    #[error(transparent)]
    Setting(#[from] crate::derived::settings::InvalidSetting),
    /// So many months ago there was no calendar.
    #[error("{0} months ago is no date")]
    Date(u32),
}

impl App {
    /// The rule of an area now; none where it keeps names and words as long as the records.
    ///
    /// # Errors
    /// [`RetentionError`] when the settings cannot be read.
    pub async fn personal_data_rule(&self, area: &Area) -> Result<Option<PersonalDataRule>, RetentionError> {
        let stored = self.store().snapshot().await?.settings(area.id).await?;
        let Some(months) = Settings::from_stored(&stored)?.personal_data_months() else { return Ok(None) };
        let today = self.clock().today(&area.time_zone);
        let zone = jiff::tz::TimeZone::get(&area.time_zone).unwrap_or(jiff::tz::TimeZone::UTC);
        let before =
            today.checked_sub(i64::from(months).months()).and_then(|date| date.to_zoned_datetime(zone));
        let before_s = before.map_err(|_| RetentionError::Date(months))?.timestamp().as_second();
        Ok(Some(PersonalDataRule { months, before_s }))
    }

    /// Applies the rule to an area; `is_trial` only counts. None where it keeps everything.
    ///
    /// # Errors
    /// [`RetentionError`]; nothing is emptied then.
    pub async fn apply_personal_data_rule(
        &self,
        area: &Area,
        is_trial: bool,
    ) -> Result<Option<(PersonalDataRule, Emptied)>, RetentionError> {
        let Some(rule) = self.personal_data_rule(area).await? else { return Ok(None) };
        let summary = format!("names and remarks of more than {} months ago emptied", rule.months);
        let mut writer = self.store().write(ACTOR, &summary, self.clock().now_s()).await?;
        let emptied = writer.empty_personal_data(area.id, rule.before_s).await?;
        if is_trial {
            return Ok(Some((rule, emptied)));
        }
        if emptied.is_nothing() {
            drop(writer);
        } else {
            writer.commit().await?;
        }
        // Even where nothing was left to empty: the last time may have been killed before this, or kept by a reader.
        self.store().fold_log().await?;
        Ok(Some((rule, emptied)))
    }

    /// Applies the rule within a write that brings something in, so that an old file does not bring names back. Says whether
    /// it found any, so that the log has to be folded in once it is written.
    pub(super) async fn keep_rule(&self, writer: &mut Writer, area: AreaId) -> Result<bool, RetentionError> {
        let areas = self.store().snapshot().await?.areas().await?;
        let Some(area) = areas.iter().find(|known| known.id == area) else { return Ok(false) };
        let Some(rule) = self.personal_data_rule(area).await? else { return Ok(false) };
        Ok(!writer.empty_personal_data(area.id, rule.before_s).await?.is_nothing())
    }
}

/// Applies the rule of every area at once and then daily, until it is dropped; never ends by itself.
pub async fn keep_personal_data_rule(app: App) {
    loop {
        if let Err(error) = apply_everywhere(&app).await {
            tracing::warn!(%error, "the rule for personal data could not be applied");
        }
        tokio::time::sleep(PAUSE).await;
    }
}

async fn apply_everywhere(app: &App) -> Result<(), RetentionError> {
    let areas = app.store().snapshot().await?.areas().await?;
    for area in &areas {
        if let Some((rule, emptied)) = app.apply_personal_data_rule(area, false).await? {
            tracing::info!(months = rule.months, %emptied, "the rule for personal data was applied");
        }
    }
    Ok(())
}
