//! Contacts underfoot and bites per 100,000 km by month and part of the day, with how much of each figure is the prior's.

use crate::analysis::forecast::contacts::Contacts;
use crate::analysis::forecast::contacts::ShareData;
use crate::analysis::rates::Interval;
use crate::derived::DeriveError;
use crate::derived::forecast::ContactAnswer;
use crate::derived::forecast::Ground;
use crate::derived::forecast::all_periods;
use crate::derived::forecast::area_contacts;
use crate::derived::rates::Limits;
use crate::derived::season::PeriodChoice;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

const PER_100_000: &str = "per 100,000 km";
const STEPPED_ON: &str = "snakes stepped on";
const BITTEN: &str = "bites through to the skin";
const ALL_PRIOR: &str = "No report says how near people came, so contacts and bites would be all prior.";

/// One figure in one period.
struct Row {
    what: &'static str,
    period: PeriodChoice,
    /// The figure and what it would be of the prior alone; or why there is none in this period.
    figures: Result<(Limits, f64), String>,
    share: ShareData,
}

/// What is said of one period: snakes stepped on, then bites.
fn of_period(period: PeriodChoice, answer: &ContactAnswer) -> [Row; 2] {
    let ContactAnswer { contacts, underfoot, bite } = *answer;
    let figures = |of: fn(&Figures) -> Interval, share: ShareData| match contacts {
        Contacts::NotEstimable => Err(ALL_PRIOR.to_owned()),
        Contacts::Estimated {
            underfoot_per_100_000_km, bites_per_100_000_km, bites_of_prior_alone, ..
        } => {
            let interval = of(&Figures { underfoot: underfoot_per_100_000_km, bites: bites_per_100_000_km });
            let limits = Limits { value: interval.mean, lower: interval.lower, upper: interval.upper };
            // Both rest on the same rate, so that their priors alone stand to each other as the priors' means.
            Ok((limits, bites_of_prior_alone / bite.prior_mean() * share.prior_mean()))
        }
    };
    [
        Row { what: STEPPED_ON, period, figures: figures(|it| it.underfoot, underfoot), share: underfoot },
        Row { what: BITTEN, period, figures: figures(|it| it.bites, bite), share: bite },
    ]
}

struct Figures {
    underfoot: Interval,
    bites: Interval,
}

/// Over the year and all its months, each as a whole and by part of the day, as pages show it to staff.
pub(super) fn contacts(layers: &Layers) -> Result<Table, String> {
    let ground = Ground {
        facts: &layers.facts,
        network: need(&layers.network)?,
        rates: need(&layers.rates)?,
        exposure: need(&layers.exposure)?,
        season: need(&layers.season)?,
    };
    let reactions = need(&layers.reactions)?;
    let ask = |period: PeriodChoice| match area_contacts(&ground, reactions, period) {
        Ok(answer) => Ok(Ok(answer)),
        Err(DeriveError::Unanswerable(reason)) => Ok(Err(reason)),
        Err(error) => Err(error.to_string()),
    };
    // What holds of the shares holds of every period; where the whole year has no figure no part of it has.
    let year = ask(PeriodChoice::default())??;
    if year.contacts == Contacts::NotEstimable {
        return Err(ALL_PRIOR.to_owned());
    }
    let mut rows = Vec::new();
    for period in all_periods() {
        match ask(period)? {
            Ok(answer) => rows.extend(of_period(period, &answer)),
            Err(reason) => {
                rows.extend(of_period(period, &year).map(|row| Row { figures: Err(reason.clone()), ..row }))
            }
        }
    }
    let estimated = |row: &Row| row.figures.as_ref().ok().copied();
    Ok(Table::of(rows)
        .column("what", "", "what is counted: reported encounters in which it happened", |row| row.what)
        .column("month", "", "1 to 12; empty for the whole year", |row| {
            row.period.month.map(|month| u64::from(month.unsigned_abs()))
        })
        .column("part_of_day", "", "part of the day; all when empty", |row| {
            row.period.part.map(|part| part.term())
        })
        .column("unit", "", "unit of the estimate: kilometres that parties walk", |_| "reports per 100,000 km")
        .column("estimate_is", "", "whether there is an estimate, or why not", |row| match &row.figures {
            Ok(_) => "estimated".to_owned(),
            Err(reason) => reason.clone(),
        })
        .limits(
            "estimate",
            PER_100_000,
            "of the area in that month and part of the day, where walking is known",
            move |row| estimated(row).map(|(limits, _)| limits),
        )
        .column(
            "prior_part",
            "share",
            "of the estimate that is the prior's: 1 where nothing of the kind was recorded; the same in every period",
            |row| row.share.prior_part(),
        )
        .column("events", "", "reported encounters in which it happened, of all periods", |row| row.share.shown)
        .column(
            "of_encounters",
            "",
            "reported encounters of which an approach is known, of all periods",
            |row| row.share.watched,
        )
        .column(
            "prior_events",
            "encounters",
            "that the prior counts for: first parameter of the Beta",
            |row| row.share.prior_a,
        )
        .column("prior_encounters", "encounters", "that the prior is worth: both its parameters", |row| {
            row.share.prior_a + row.share.prior_b
        })
        .column(
            "of_prior_alone",
            PER_100_000,
            "the estimate if the share were the prior's mean",
            move |row| estimated(row).map(|(_, alone)| alone),
        )
        .done())
}
