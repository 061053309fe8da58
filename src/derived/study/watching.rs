//! Watched behaviour: counts by place, shares at standing signs, and signs against places without.

use crate::analysis::before_after::Change;
use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::Verdict;
use crate::analysis::before_after::flips::FlipTest;
use crate::analysis::before_after::watched::Exchanges;
use crate::analysis::before_after::watched::PlacesAnswer;
use crate::analysis::before_after::watched::PlacesVerdict;
use crate::analysis::before_after::watched::ShareBasis;
use crate::analysis::before_after::watched::WatchedShare;
use crate::analysis::before_after::watched_power::Detectable;
use crate::derived::effect::Deed;
use crate::derived::effect::PlaceCounts;
use crate::derived::effect::WatchComparison;
use crate::derived::effect::Watching;
use crate::derived::effect::watch_why_words;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;

fn watching(layers: &Layers) -> Result<&Watching, String> {
    let watching = &need(&layers.effect)?.watching;
    if watching.n_watches == 0 {
        return Err("Nobody has watched how people pass a sign yet.".to_owned());
    }
    Ok(watching)
}

/// A place in a comparison.
struct Place<'a> {
    of: &'a WatchComparison,
    place: &'a PlaceCounts,
}

/// Counts of every place of every comparison.
pub(super) fn places(layers: &Layers) -> Result<Table, String> {
    let compared = watching(layers)?.compared.iter();
    let rows = compared.flat_map(|of| of.places.iter().map(move |place| Place { of, place }));
    Ok(Table::of(rows.collect())
        .column("campaign", "", "number of the campaign", |row: &Place<'_>| row.of.campaign + 1)
        .column("asked", "", "what is asked of walkers", |row| row.of.asked.clone())
        .column("watcher", "", "whether walkers saw who watched", |row| row.of.watcher.term())
        .column("place", "", "name of the sign, or of the place without one", |row| row.place.name.clone())
        .column("is", "", "what it is in the comparison", |row| match row.place.role {
            Role::Signed => "with a sign",
            Role::Control | Role::Other => "without",
        })
        .column("watches_before", "", "watches before the signs", |row| row.place.n_watches.0)
        .column("passed_before", "parties", "that passed before", |row| row.place.before.passed)
        .column("did_before", "parties", "of these did as asked", |row| row.place.before.did)
        .column("watches_after", "", "watches while the signs stood", |row| row.place.n_watches.1)
        .column("passed_after", "parties", "that passed while the signs stood", |row| row.place.after.passed)
        .column("did_after", "parties", "of these did as asked", |row| row.place.after.did)
        .done())
}

/// One estimate with what it rests on.
struct Estimate {
    what: &'static str,
    campaign: Option<usize>,
    asked: String,
    watcher: &'static str,
    unit: &'static str,
    sign: String,
    n_with: usize,
    n_without: Option<usize>,
    estimate_is: String,
    limits: Option<(Option<f64>, f64, Option<f64>)>,
    limits_of: &'static str,
    p_value: Option<f64>,
    exchange_p: Option<f64>,
    verdict: &'static str,
}

/// Shares at standing signs, changes, and places with signs against places without.
pub(super) fn shares(layers: &Layers) -> Result<Table, String> {
    let watching = watching(layers)?;
    let mut rows = at_signs(watching);
    rows.extend(watching.compared.iter().flat_map(comparisons));
    Ok(Table::of(rows)
        .column("what", "", "what is estimated", |row| row.what)
        .column("campaign", "", "number of the campaign; empty for all signs that stood", |row| row.campaign)
        .column("asked", "", "what is asked of walkers; empty for reading", |row| row.asked.clone())
        .column("watcher", "", "whether walkers saw who watched", |row| row.watcher)
        .column("sign", "", "the sign; empty for all together", |row| row.sign.clone())
        .column("places_with", "", "places with signs behind it", |row| row.n_with)
        .column("places_without", "", "places without signs behind it", |row| row.n_without)
        .column("unit", "", "unit of the estimate and its limits", |row| row.unit)
        .column("estimate_is", "", "whether there is an estimate, or why not", |row| row.estimate_is.clone())
        .column("estimate", "as in unit", "the estimate", |row| row.limits.and_then(|limits| limits.0))
        .column("lower", "as in unit", "lower 95 % limit", |row| row.limits.map(|limits| limits.1))
        .column("upper", "as in unit", "upper 95 % limit; open when empty", |row| {
            row.limits.and_then(|limits| limits.2)
        })
        .column("limits_of", "", "what the limits speak of", |row| row.limits_of)
        .column("p_value", "probability", "of no change, two-sided, with the limits", |row| row.p_value)
        .column("exchange_p_value", "probability", "each place as one, by exchange", |row| row.exchange_p)
        .column("verdict", "", "what may be said", |row| row.verdict)
        .done())
}

fn at_signs(watching: &Watching) -> Vec<Estimate> {
    let mut rows = Vec::new();
    for found in &watching.heeding {
        let row = |sign: &str, share: &WatchedShare| Estimate {
            what: match found.deed {
                Deed::Read => "share of passing parties that read a standing sign",
                Deed::Did(_) => "share of passing parties that did as asked at a standing sign",
            },
            campaign: None,
            asked: match &found.deed {
                Deed::Read => String::new(),
                Deed::Did(asked) => asked.clone(),
            },
            watcher: found.watcher.term(),
            unit: "share",
            sign: sign.to_owned(),
            n_with: share.n_places,
            n_without: None,
            estimate_is: "estimated".to_owned(),
            limits: Some((Some(share.share), share.lower, Some(share.upper))),
            limits_of: match share.basis {
                ShareBasis::OfOnePlace => "this place alone, binomial",
                ShareBasis::ByPlace => "places like these, each as one",
                ShareBasis::PlacesAsParties => "places like these, each as one party",
            },
            p_value: None,
            exchange_p: None,
            verdict: "",
        };
        rows.push(row("", &found.all));
        rows.extend(found.by_sign.iter().map(|(name, share)| row(name, share)));
    }
    rows
}

fn comparisons(of: &WatchComparison) -> Vec<Estimate> {
    let mut rows = vec![change(of, "change of the share, all watches before as before", &of.change)];
    if let Some(since) = &of.since_plan {
        rows.push(change(of, "change of the share, since the plan", since));
    }
    rows.push(places_after(of));
    rows
}

fn empty(of: &WatchComparison, what: &'static str, unit: &'static str) -> Estimate {
    let n_of = |role: Role| of.places.iter().filter(|place| place.role == role).count();
    Estimate {
        what,
        campaign: Some(of.campaign + 1),
        asked: of.asked.clone(),
        watcher: of.watcher.term(),
        unit,
        sign: String::new(),
        n_with: n_of(Role::Signed),
        n_without: Some(n_of(Role::Control)),
        estimate_is: String::new(),
        limits: None,
        limits_of: "places like these, each as one",
        p_value: None,
        exchange_p: None,
        verdict: "",
    }
}

fn change(of: &WatchComparison, what: &'static str, found: &Effectiveness) -> Estimate {
    let row = empty(of, what, "ratio, with signs over without; above one: more did as asked");
    match found {
        Effectiveness::NotEstimable(why) => {
            Estimate { estimate_is: format!("not estimable: {}", watch_why_words(*why)), ..row }
        }
        Effectiveness::Estimated(index) => Estimate {
            n_with: index.n_signs,
            n_without: Some(index.n_controls),
            estimate_is: match index.change {
                Change::Estimate(_) => "estimated".to_owned(),
                Change::ZeroCell => "limits only: a cell is empty".to_owned(),
            },
            limits: Some((index.change.estimate(), index.limits.lower, index.limits.upper)),
            p_value: Some(index.p_value),
            exchange_p: match index.flips {
                FlipTest::Tested { p_value, .. } => Some(p_value),
                FlipTest::NothingToFlip => None,
            },
            verdict: match index.verdict {
                Verdict::Fewer => "smaller share",
                Verdict::More => "larger share",
                Verdict::NotToldApart => "not told apart",
                Verdict::TooFewSigns => "too few signs",
            },
            ..row
        },
    }
}

fn places_after(of: &WatchComparison) -> Estimate {
    let what = "places with signs less places without, while signs stood: no effect of signs";
    let row = empty(of, what, "difference of shares");
    let refused = |words: &str| format!("not estimable: {words}");
    match &of.after {
        PlacesAnswer::NoSigned => {
            Estimate { estimate_is: refused("no place with a sign was watched while it stood"), ..row }
        }
        PlacesAnswer::NoControl => {
            Estimate { estimate_is: refused("no place without signs was watched meanwhile"), ..row }
        }
        PlacesAnswer::OnePlace => Estimate { estimate_is: refused("one place alone on a side"), ..row },
        PlacesAnswer::Compared(found) => Estimate {
            n_with: found.signed.n_places,
            n_without: Some(found.control.n_places),
            estimate_is: match found.exchanges {
                Exchanges::All(n) => format!("estimated; all {n} exchanges"),
                Exchanges::Drawn(n) => format!("estimated; {n} exchanges drawn"),
            },
            limits: Some((Some(found.difference), found.lower, Some(found.upper))),
            exchange_p: Some(found.p_value),
            verdict: match found.verdict {
                PlacesVerdict::Larger => "larger share",
                PlacesVerdict::Smaller => "smaller share",
                PlacesVerdict::NotToldApart => "not told apart",
                PlacesVerdict::TooFewPlaces => "too few places",
            },
            ..row
        },
    }
}

/// The smallest share that watching would show, by number of places and parties.
pub(super) fn power(layers: &Layers) -> Result<Table, String> {
    let found = &need(&layers.effect)?.watch_power;
    let cells =
        found.rows.iter().flat_map(|(n_places, cells)| cells.iter().map(move |cell| (*n_places, *cell)));
    Ok(Table::of(cells.collect::<Vec<_>>())
        .column("places", "", "with a sign, and as many without", |(n_places, _)| *n_places)
        .column("parties", "", "watched at each place, before and again after", |(_, (parties, _))| *parties)
        .column("share_without", "share", "taken to do as asked without a sign", |_| found.share)
        .column("share_is", "", "what that rests on", |_| match &found.known {
            Some(known) => format!("{} of {} parties watched: {}", known.did, known.passed, known.asked),
            None => "assumed: no watch is known to be without a sign".to_owned(),
        })
        .column("correlation", "", "of parties of one place, assumed", |_| found.inputs.correlation)
        .column("own_change", "log odds", "standard deviation from place to place, assumed", |_| {
            found.inputs.own_change
        })
        .column("shows", "", "what would show with a probability of 80 %", |(_, (_, share))| match share {
            Detectable::From(_) => "a share with signs of at least that",
            Detectable::NotEvenAll => "not even that all did as asked",
            Detectable::TooFewPlaces => "nothing: too few places",
        })
        .column("smallest_share", "share", "of all parties, does as asked with signs", |(_, (_, share))| {
            match share {
                Detectable::From(rise) => Some(rise.share),
                Detectable::NotEvenAll | Detectable::TooFewPlaces => None,
            }
        })
        .done())
}
