//! Watched behaviour: what watching found, in words, and the form for one watch.

use std::collections::HashMap;

use axum::extract::Form;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::analysis::before_after::Effectiveness;
use crate::analysis::before_after::Period;
use crate::analysis::before_after::Role;
use crate::analysis::before_after::Verdict;
use crate::analysis::before_after::watched::Exchanges;
use crate::analysis::before_after::watched::PlacesAnswer;
use crate::analysis::before_after::watched::PlacesCompared;
use crate::analysis::before_after::watched::PlacesVerdict;
use crate::analysis::before_after::watched::ShareBasis;
use crate::analysis::before_after::watched::Watched;
use crate::analysis::before_after::watched::WatchedShare;
use crate::analysis::before_after::watched_power::Detectable;
use crate::derived::effect::Deed;
use crate::derived::effect::EffectLayer;
use crate::derived::effect::Heeding;
use crate::derived::effect::PlaceCounts;
use crate::derived::effect::WatchComparison;
use crate::derived::effect::WatchPower;
use crate::derived::effect::watch_why_words;
use crate::domain::geography::LonLat;
use crate::domain::sign_watch::ImpossibleCounts;
use crate::domain::sign_watch::LONGEST_ASKED;
use crate::domain::sign_watch::LONGEST_WATCH_MIN;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::WatchCounts;
use crate::domain::sign_watch::Watcher;
use crate::store::Target;
use crate::store::Writer;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::error::Error;
use crate::web::pages::effect;
use crate::web::pages::effect::Fields;
use crate::web::pages::effect_words::outcome;
use crate::web::pages::effect_words::p_words;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;
use crate::web::views::effect::OutcomeRow;
use crate::web::views::effect_watch::FIELDS;
use crate::web::views::effect_watch::ShareRow;
use crate::web::views::effect_watch::WatchCard;
use crate::web::views::effect_watch::WatchPowerShown;
use crate::web::views::effect_watch::WatchingShown;

/// What watching found, as the page shows it.
pub(super) fn shown(layer: &EffectLayer) -> WatchingShown {
    let watching = &layer.watching;
    let left_out = |(name, n, why): &(String, usize, String)| format!("{name}, {}: {why}.", n_watches(*n));
    WatchingShown {
        sentence: sentence(layer),
        shares: watching.heeding.iter().map(share_row).collect(),
        compared: watching.compared.iter().map(|found| card(found, layer)).collect(),
        refusal: refusal(layer),
        left_out: watching.left_out.iter().map(left_out).collect(),
        power: power(&layer.watch_power),
    }
}

fn power(found: &WatchPower) -> WatchPowerShown {
    let basis = match &found.known {
        Some(known) => {
            let taken = match (known.share() - found.share).abs() < 1e-9 {
                true => String::new(),
                false => format!(", taken as {}", percent(found.share)),
            };
            format!(
                "Without a sign {} of parties did as asked{taken} ({} of {} watched: {}).",
                percent(known.share()),
                thousands(known.did as i64),
                thousands(known.passed as i64),
                known.asked
            )
        }
        None => format!(
            "No watch is known to be without a sign: {} of parties are taken to do as asked.",
            percent(found.share)
        ),
    };
    let words = |found: &Detectable| match found {
        Detectable::From(rise) => percent(rise.share),
        Detectable::NotEvenAll => "not even all".to_owned(),
        Detectable::TooFewPlaces => "too few places".to_owned(),
    };
    let row = |(n_places, cells): &(usize, Vec<(u64, Detectable)>)| {
        (*n_places, cells.iter().map(|(_, share)| words(share)).collect())
    };
    let parties = found.rows.first().map(|(_, cells)| cells.as_slice()).unwrap_or_default();
    WatchPowerShown {
        basis: format!(
            "{basis} Parties of one place are taken to be alike (intraclass correlation {:.2}), and shares to change on their own \
             from place to place (standard deviation {:.1} in log odds).",
            found.inputs.correlation, found.inputs.own_change
        ),
        parties: parties.iter().map(|(n, _)| format!("{n} parties at each")).collect(),
        rows: found.rows.iter().map(row).collect(),
    }
}

fn refusal(layer: &EffectLayer) -> String {
    match &layer.campaigns {
        _ if layer.watching.n_watches == 0 || !layer.watching.compared.is_empty() => String::new(),
        Err(why) => format!("Places with and without signs are not compared. {why}"),
        Ok(_) => "Places with and without signs are not compared: no watch was held before or after where one of the signs stands \
                  or warns."
            .to_owned(),
    }
}

fn n_watches(n: usize) -> String {
    if n == 1 { "1 watch".to_owned() } else { format!("{n} watches") }
}

fn sentence(layer: &EffectLayer) -> String {
    let watching = &layer.watching;
    if watching.n_watches == 0 {
        return "Nobody has watched how people pass a sign yet. A watch counts the parties that pass, those that read the sign, \
                and those that do what it asks."
            .to_owned();
    }
    let Some(read) = watching.heeding.iter().find(|found| found.deed == Deed::Read) else {
        return format!(
            "{} held, none of them of parties that read a standing sign.",
            n_watches(watching.n_watches)
        );
    };
    format!(
        "Of the parties that passed a standing sign, {} read it ({}; 95 % interval {}).",
        percent(read.all.share),
        heeding_words(read),
        limits(&read.all)
    )
}

/// "watched unseen, 41 of 120 parties at 4 signs".
fn heeding_words(found: &Heeding) -> String {
    format!("watched {}, {}", found.watcher, counts(&found.all))
}

fn counts(share: &WatchedShare) -> String {
    let signs = if share.n_places == 1 { "one sign".to_owned() } else { format!("{} signs", share.n_places) };
    format!("{} parties at {signs}", of(share.counted))
}

fn of(watched: Watched) -> String {
    format!("{} of {}", watched.did, watched.passed)
}

fn limits(share: &WatchedShare) -> String {
    format!("{} to {}", percent(share.lower), percent(share.upper))
}

/// What limits speak of.
fn basis(share: &WatchedShare) -> &'static str {
    match share.basis {
        ShareBasis::OfOnePlace => "this one sign alone: nothing of any other",
        ShareBasis::ByPlace => "signs like these, each as one",
        ShareBasis::PlacesAsParties => "signs like these, each as one party, since all did the same",
    }
}

fn share_row(found: &Heeding) -> ShareRow {
    let what = match &found.deed {
        Deed::Read => "read or looked at the sign".to_owned(),
        Deed::Did(asked) => format!("did as asked: {asked}"),
    };
    let all = &found.all;
    ShareRow {
        what: format!("{what}, watched {}", found.watcher),
        counts: counts(all),
        estimate: Estimate { value: all.share, lower: all.lower, upper: all.upper },
        basis: basis(all).to_owned(),
        by_sign: found
            .by_sign
            .iter()
            .map(|(name, share)| {
                let words = format!("{} ({})", percent(share.share), limits(share));
                (name.clone(), of(share.counted), words)
            })
            .collect(),
    }
}

/// For the sign plan: what watching found of heeding, each with its limits and what they speak of.
pub(super) fn heeding_lines(found: &[Heeding]) -> Vec<String> {
    let line = |found: &Heeding| {
        let row = share_row(found);
        format!(
            "{}: {} ({}), {}; of {}.",
            row.what,
            percent(row.estimate.value),
            limits(&found.all),
            row.counts,
            row.basis
        )
    };
    found.iter().map(line).collect()
}

fn card(found: &WatchComparison, layer: &EffectLayer) -> WatchCard {
    let campaigns = layer.campaigns.as_deref().unwrap_or_default();
    let name = campaigns.get(found.campaign).map_or("", |campaign| campaign.name.as_str());
    let mut outcomes = Vec::new();
    if let Some(since) = &found.since_plan {
        let before = "before is the time between the plan and the signs";
        outcomes.push(change(found, before, since, None));
    }
    let before = "before is all the time before the signs";
    outcomes.push(change(found, before, &found.change, Some(found)));
    let row = |place: &PlaceCounts| {
        let kind = if place.role == Role::Signed { "with a sign" } else { "without" };
        let side = |watched: Watched, n: usize| match n {
            0 => "not watched".to_owned(),
            n => format!("{} in {}", of(watched), n_watches(n)),
        };
        let (before, after) = (side(place.before, place.n_watches.0), side(place.after, place.n_watches.1));
        (format!("{}, {kind}", place.name), before, after)
    };
    WatchCard {
        title: format!("{}, watched {}: {name}", capital(&found.asked), found.watcher),
        outcomes,
        places: places_words(&found.after),
        rows: found.places.iter().map(row).collect(),
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// The change of the share; the counts of the four cells where they are those of this comparison.
fn change(
    found: &WatchComparison,
    before: &str,
    answer: &Effectiveness,
    cells: Option<&WatchComparison>,
) -> OutcomeRow {
    let what = format!("Share of parties that did as asked: {}", found.asked);
    let against = format!("change with signs over change at places without; {before}");
    let mut row = outcome(&what, &against, answer);
    let words = |period: Period| format!("{} of {:.0}", period.count, period.km);
    if let Some(WatchComparison { cells, .. }) = cells {
        row.counts = format!(
            "with signs {} before, {} after; without {} before, {} after",
            words(cells.signed_before),
            words(cells.signed_after),
            words(cells.control_before),
            words(cells.control_after)
        );
    }
    match answer {
        Effectiveness::NotEstimable(why) => row.estimate = Err(watch_why_words(*why).to_owned()),
        Effectiveness::Estimated(index) => {
            row.verdict = match index.verdict {
                Verdict::Fewer => "A smaller share did as asked than expected without signs",
                Verdict::More => "A larger share did as asked than expected without signs",
                Verdict::NotToldApart => "Not told apart from chance",
                Verdict::TooFewSigns => "Too few signs to say: six at least",
            }
            .to_owned();
        }
    }
    row
}

fn places_words(answer: &PlacesAnswer) -> String {
    match answer {
        PlacesAnswer::NoSigned => "No place with a sign was watched while the signs stood.".to_owned(),
        PlacesAnswer::NoControl => {
            "No place without signs was watched while the signs stood, so that nothing is there to compare with.".to_owned()
        }
        PlacesAnswer::OnePlace => {
            "While the signs stood only one place with a sign, or one without, was watched: what is its own cannot be told from \
             what the sign does."
                .to_owned()
        }
        PlacesAnswer::Compared(found) => compared_words(found),
    }
}

fn compared_words(found: &PlacesCompared) -> String {
    let side = |share: &WatchedShare| format!("{} ({})", percent(share.share), of(share.counted));
    let (n, drawn) = match found.exchanges {
        Exchanges::All(n) => (n, "all"),
        Exchanges::Drawn(n) => (n, "drawn"),
    };
    let points = |share: f64| format!("{:.0}", share * 100.0);
    let verdict = match found.verdict {
        PlacesVerdict::Larger => "More do so where signs stand, which may be the signs or the places.",
        PlacesVerdict::Smaller => "Fewer do so where signs stand, which may be the signs or the places.",
        PlacesVerdict::NotToldApart => "That is not told apart from what places differ in anyway.",
        PlacesVerdict::TooFewPlaces => "So few places can never show a difference.",
    };
    format!(
        "While the signs stood, {} did so at {} places with signs and {} at {} without: {} points more (95 % interval {} to {}, exact within each side and so wide where \
         places are few; a test that exchanges signs among places has p = {} of {n} exchanges, {drawn}: interval and test are two methods and need not \
         agree, and only where both do is a difference told). {verdict} This compares places and is no effect of signs: places differ in more than signs.",
        side(&found.signed),
        found.signed.n_places,
        side(&found.control),
        found.control.n_places,
        points(found.difference),
        points(found.lower),
        points(found.upper),
        p_words(found.p_value)
    )
}

/// Records a watch.
pub async fn record(app: Exact, who: Who, Form(given): Form<Fields>) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let mut typed = Typed { given: &given, errors: Vec::new() };
    let draft = typed.draft(&effect::zone(&facts), app.clock().now_s());
    let mut errors = typed.errors;
    let Some(draft) = draft.filter(|_| errors.is_empty()) else {
        return effect::refused((&app, &who), &facts, given, errors).await;
    };
    let known = app.store().snapshot().await?.sign_watches(facts.area.id).await?;
    if known.iter().any(|watch| watch.event_id == draft.event_id) {
        let words = "a watch of this place and start is there already; change it by a file, or take it out in the history";
        errors.push(("watch-start".to_owned(), words.to_owned()));
        return effect::refused((&app, &who), &facts, given, errors).await;
    }
    let actor = who.signs_as(&draft.recorded_by);
    let summary = format!("watch at {}", draft.locality);
    let put =
        async |writer: &mut Writer, target: &Target| writer.put_sign_watches(target, &[(0, draft)]).await;
    match effect::write(&app, &facts, (&actor, &summary), put).await? {
        None => Ok(Redirect::to("/effect#watched").into_response()),
        Some(problem) => {
            let errors = vec![("watch-form".to_owned(), problem)];
            effect::refused((&app, &who), &facts, given, errors).await
        }
    }
}

/// What was typed into the form, with the messages at its fields.
struct Typed<'a> {
    given: &'a HashMap<String, String>,
    errors: Vec<(String, String)>,
}

impl Typed<'_> {
    fn draft(&mut self, zone: &TimeZone, now_s: i64) -> Option<SignWatchDraft> {
        for (name, _, _, is_needed) in FIELDS {
            if is_needed && self.text(name).is_empty() {
                self.refuse(name, "enter it");
            } else if self.text(name).chars().count() > effect::LONGEST {
                self.refuse(name, &format!("use at most {} characters", effect::LONGEST));
            }
        }
        let position = self.position();
        let start_s = self.start_s(zone, now_s);
        let length_s = self.length_s();
        let counts = self.counts();
        let watcher = self.watcher();
        if self.text("watch-asked").chars().count() > LONGEST_ASKED {
            self.refuse("watch-asked", &format!("use at most {LONGEST_ASKED} characters"));
        }
        Some(SignWatchDraft {
            event_id: format!("{}, {}", self.text("watch-place"), self.text("watch-start")),
            locality: self.text("watch-place").to_owned(),
            position: position?,
            start_s: start_s?,
            length_s: length_s?,
            counts: counts?,
            asked: self.text("watch-asked").to_owned(),
            watcher: watcher?,
            recorded_by: self.text("watch-by").to_owned(),
            remarks: self.text("watch-remarks").to_owned(),
        })
    }

    fn text(&self, name: &str) -> &str {
        self.given.get(name).map_or("", |text| text.trim())
    }

    /// The first message at a field stays.
    fn refuse(&mut self, name: &str, words: &str) {
        if !self.errors.iter().any(|(field, _)| field == name) {
            self.errors.push((name.to_owned(), words.to_owned()));
        }
    }

    fn position(&mut self) -> Option<LonLat> {
        let mut degrees = |name: &str| {
            let found = self.text(name).parse::<f64>().ok();
            if found.is_none() {
                self.refuse(name, "give degrees, as 37.61");
            }
            found
        };
        let (lat, lon) = (degrees("watch-latitude"), degrees("watch-longitude"));
        match LonLat::new(lon?, lat?) {
            Ok(position) => Some(position),
            Err(error) => {
                self.refuse("watch-latitude", &error.to_string());
                None
            }
        }
    }

    fn start_s(&mut self, zone: &TimeZone, now_s: i64) -> Option<i64> {
        let Ok(local) = self.text("watch-start").parse::<DateTime>() else {
            self.refuse("watch-start", "give day and time, as 2024-05-04T09:10");
            return None;
        };
        match zone.to_ambiguous_timestamp(local).unambiguous() {
            Ok(start) if start.as_second() <= now_s => Some(start.as_second()),
            Ok(_) => {
                self.refuse("watch-start", "this is still to come");
                None
            }
            Err(_) => {
                self.refuse(
                    "watch-start",
                    "the clock showed this time twice or not at all: bring it in by a file, with its offset",
                );
                None
            }
        }
    }

    fn length_s(&mut self) -> Option<i64> {
        let minutes = self.text("watch-minutes").parse::<f64>().ok();
        let found = minutes.filter(|minutes| *minutes > 0.0 && *minutes <= LONGEST_WATCH_MIN);
        if found.is_none() {
            self.refuse("watch-minutes", &format!("give minutes above zero, at most {LONGEST_WATCH_MIN:.0}"));
        }
        found.map(|minutes| (minutes * 60.0).round().max(1.0) as i64)
    }

    fn count(&mut self, name: &str) -> Option<u32> {
        let found = self.text(name).parse::<u32>().ok();
        if found.is_none() {
            self.refuse(name, "give a whole number");
        }
        found
    }

    fn counts(&mut self) -> Option<WatchCounts> {
        let passed = self.count("watch-passed");
        let read = match self.text("watch-read").is_empty() {
            true => Some(None),
            false => self.count("watch-read").map(Some),
        };
        let did = self.count("watch-did");
        match WatchCounts::new(passed?, read?, did?) {
            Ok(counts) => Some(counts),
            Err(error) => {
                let field = match error {
                    ImpossibleCounts::MoreRead { .. } => "watch-read",
                    ImpossibleCounts::MoreDid { .. } => "watch-did",
                };
                self.refuse(field, &error.to_string());
                None
            }
        }
    }

    fn watcher(&mut self) -> Option<Watcher> {
        match self.text("watch-watcher").parse() {
            Ok(watcher) => Some(watcher),
            Err(error) => {
                let words = crate::domain::terms::UnknownTerm::to_string(&error);
                self.refuse("watch-watcher", &words);
                None
            }
        }
    }
}
