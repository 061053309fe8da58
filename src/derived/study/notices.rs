//! Temporary notices, without who made them and without their reasons, which may name people and places.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::derived::study::Layers;
use crate::derived::study::table::Table;
use crate::domain::notice::Notice;
use crate::domain::notice::NoticeState;

pub(super) fn notices(layers: &Layers) -> Result<Table, String> {
    let notices = &layers.notices;
    if notices.is_empty() {
        return Err("No temporary notice was made.".to_owned());
    }
    Ok(of(notices.iter().collect(), last_day(layers)?))
}

/// The table of some notices as they stood on a day.
pub(super) fn of(notices: Vec<&Notice>, last_day: Date) -> Table {
    Table::of(notices)
        .column("notice", "", "number of the notice", |it: &&Notice| it.id.to_string())
        .column("trail", "", "public name of the trail", |it| it.given.trail.clone())
        .column("wording", "", "key of its wording", |it| it.given.wording_key.clone())
        .column("first_day", "date", "first day it stands", |it| it.given.start.to_string())
        .column("last_day", "date", "last day it stands", |it| it.given.expiry.to_string())
        .column("state", "", "whether it stands on the day of the next column", |it| {
            match it.state(last_day) {
                NoticeState::ToCome => "to come",
                NoticeState::Active => "in force",
                NoticeState::Expired => "past",
                NoticeState::Withdrawn => "withdrawn",
            }
        })
        .column("state_on", "date", "the last day that the data know of", |_| last_day.to_string())
        .column("based_on_revision", "", "data revision of the figures it rests on", |it| it.given.based_on.0)
        .column("settings", "", "settings of those figures; empty where they were not kept with it", |it| {
            it.given.settings.clone()
        })
        .done()
}

/// The last day of the study period, or on which a notice was made or taken back. No clock: a study is the same bytes
/// whenever it is made.
fn last_day(layers: &Layers) -> Result<Date, String> {
    let zone = TimeZone::get(&layers.facts.area.time_zone).map_err(|error| error.to_string())?;
    let made = layers.notices.iter().map(|it| it.made_at_s);
    let withdrawn = layers.notices.iter().filter_map(|it| Some(it.withdrawal.as_ref()?.at_s));
    let day = |at_s: i64| Some(zone.to_datetime(Timestamp::from_second(at_s).ok()?).date());
    let period = layers.exposure.as_ref().ok().map(|exposure| exposure.period.last());
    let days = made.chain(withdrawn).filter_map(day).chain(period);
    days.max().ok_or_else(|| "No notice has a day on which it was made.".to_owned())
}
