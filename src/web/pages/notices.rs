//! Temporary notices that stand today: for the map and its layer, and for the pages of the trails they are about.
//!
//! A notice is about a whole trail: what is shown of it is the trail, the title that visitors read, and its days.

use jiff::civil::Date;

use crate::app::App;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::domain::ids::NoticeId;
use crate::domain::notice::Notice;
use crate::domain::notice::NoticeState;
use crate::web::cache::CachePolicy;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::watch::day_words;
use crate::web::views::notice::StandingNotice;
use crate::web::views::svg_map::MapNotice;

/// The notices of a day.
pub(in crate::web) struct Standing {
    /// The day.
    pub(in crate::web) today: Date,
    /// Those that stand, the first to end first.
    pub(in crate::web) notices: Vec<Shown>,
    /// When the next day begins, where the coming days have other notices.
    until_s: Option<i64>,
}

/// A notice as it is shown.
pub(in crate::web) struct Shown {
    /// The stored row.
    pub(in crate::web) id: NoticeId,
    /// The trail.
    pub(in crate::web) trail: String,
    /// What visitors read first.
    pub(in crate::web) title: String,
    /// First and last day.
    pub(in crate::web) days: (Date, Date),
}

/// The notices that stand today.
pub(in crate::web) async fn standing(app: &App, facts: &Facts) -> Result<Standing, Error> {
    let zone = &facts.area.time_zone;
    let today = app.clock().today(zone);
    let catalogue = app.texts().notices.first();
    let shown = |found: Notice| {
        let wordings = catalogue.map(|catalogue| catalogue.wordings.as_slice()).unwrap_or_default();
        let wording = wordings.iter().find(|wording| wording.key == found.given.wording_key);
        let title = wording.map_or("Notice about {trail}", |wording| wording.title.as_str());
        Shown {
            id: found.id,
            title: title.replace("{trail}", &found.given.trail),
            trail: found.given.trail,
            days: (found.given.start, found.given.expiry),
        }
    };
    let all = app.store().snapshot().await?.notices(facts.area.id).await?;
    let state = |found: &Notice| found.state(today);
    let is_of_days = |found: &Notice| matches!(state(found), NoticeState::Active | NoticeState::ToCome);
    let until_s = all.iter().any(is_of_days).then(|| app.clock().next_day_s(zone));
    let mut notices: Vec<Shown> =
        all.into_iter().filter(|found| state(found) == NoticeState::Active).map(shown).collect();
    notices.sort_by_key(|found| (found.days.1, found.id.0));
    Ok(Standing { today, notices, until_s })
}

impl Standing {
    /// The policy of an answer that shows the notices: where the coming days have others, it ends with the day.
    pub(in crate::web) fn policy(&self, policy: impl FnOnce(String) -> CachePolicy) -> CachePolicy {
        match self.until_s {
            Some(until_s) => policy(format!(", notices of {}", self.today)).until(until_s),
            None => policy(String::new()),
        }
    }

    /// The marks on the server-drawn map: none for a trail that is no longer there.
    pub(in crate::web) fn marks(&self, network: &NetworkLayer) -> Vec<MapNotice> {
        let mark = |found: &Shown| {
            Some(MapNotice {
                at: common::notice_at(network, &found.trail)?,
                href: found.href(),
                title: format!("{}, until {}", found.title, day_words(found.days.1)),
            })
        };
        self.notices.iter().filter_map(mark).collect()
    }

    /// The list beside the map.
    pub(in crate::web) fn listed(&self) -> Vec<StandingNotice> {
        self.notices.iter().map(Shown::listed).collect()
    }

    /// Those about one of these trails.
    pub(in crate::web) fn about(&self, trails: &[&str]) -> Vec<StandingNotice> {
        let is_about = |found: &&Shown| trails.contains(&found.trail.as_str());
        self.notices.iter().filter(is_about).map(Shown::listed).collect()
    }
}

impl Shown {
    fn listed(&self) -> StandingNotice {
        StandingNotice {
            title: self.title.clone(),
            href: self.href(),
            from: day_words(self.days.0),
            until: day_words(self.days.1),
        }
    }

    /// Its address.
    pub(in crate::web) fn href(&self) -> String {
        format!("/notices/{}", self.id)
    }
}
