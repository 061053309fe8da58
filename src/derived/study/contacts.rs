//! Contacts underfoot and bites per 100,000 km, with how much of each figure is the prior's.

use crate::analysis::forecast::contacts::Contacts;
use crate::analysis::forecast::contacts::ShareData;
use crate::derived::DeriveError;
use crate::derived::forecast::Ground;
use crate::derived::forecast::area_contacts;
use crate::derived::rates::Limits;
use crate::derived::season::PeriodChoice;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

const PER_100_000: &str = "per 100,000 km";

/// One figure.
struct Row {
    what: &'static str,
    per_100_000_km: Limits,
    of_prior_alone: f64,
    share: ShareData,
}

/// Over all months and hours, as pages show it to staff.
pub(super) fn contacts(layers: &Layers) -> Result<Table, String> {
    let ground = Ground {
        facts: &layers.facts,
        network: need(&layers.network)?,
        rates: need(&layers.rates)?,
        exposure: need(&layers.exposure)?,
        season: need(&layers.season)?,
    };
    let reactions = need(&layers.reactions)?;
    let answer = area_contacts(&ground, reactions, PeriodChoice::default()).map_err(|error| match error {
        DeriveError::Unanswerable(reason) => reason,
        error => error.to_string(),
    })?;
    let Contacts::Estimated {
        underfoot_per_100_000_km: underfoot,
        bites_per_100_000_km: bites,
        bites_of_prior_alone,
        ..
    } = answer.contacts
    else {
        return Err(
            "No report says how near people came, so contacts and bites would be all prior.".to_owned()
        );
    };
    // Both rest on the same rate, so that their priors alone stand to each other as the priors' means.
    let per_share = bites_of_prior_alone / answer.bite.prior_mean();
    let row = |what, interval: crate::analysis::rates::Interval, share: ShareData| Row {
        what,
        per_100_000_km: Limits { value: interval.mean, lower: interval.lower, upper: interval.upper },
        of_prior_alone: per_share * share.prior_mean(),
        share,
    };
    let rows = vec![
        row("snakes stepped on", underfoot, answer.underfoot),
        row("bites through to the skin", bites, answer.bite),
    ];
    Ok(Table::of(rows)
        .column("what", "", "what is counted: reported encounters in which it happened", |row| row.what)
        .column(
            "unit",
            "",
            "unit of the estimate: kilometres that parties walk",
            |_| "reports per 100,000 km",
        )
        .limits("estimate", PER_100_000, "of the area, all months and hours, where walking is known", |row| {
            Some(row.per_100_000_km)
        })
        .column(
            "prior_part",
            "share",
            "of the estimate that is the prior's: 1 where nothing of the kind was recorded",
            |row| row.share.prior_part(),
        )
        .column("events", "", "reported encounters in which it happened", |row| row.share.shown)
        .column("of_encounters", "", "reported encounters of which an approach is known", |row| {
            row.share.watched
        })
        .column(
            "prior_events",
            "encounters",
            "that the prior counts for: first parameter of the Beta",
            |row| row.share.prior_a,
        )
        .column("prior_encounters", "encounters", "that the prior is worth: both its parameters", |row| {
            row.share.prior_a + row.share.prior_b
        })
        .column("of_prior_alone", PER_100_000, "the estimate if the share were the prior's mean", |row| {
            row.of_prior_alone
        })
        .done())
}
