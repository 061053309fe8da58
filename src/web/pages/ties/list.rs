//! The list of encounters in doubt, and of those placed by hand.

use crate::analysis::snap::Snap;
use crate::derived::DeriveError;
use crate::derived::doubt;
use crate::derived::doubt::Doubtful;
use crate::derived::doubt::Rated;
use crate::derived::doubt::Stakes;
use crate::derived::rates::RateLayer;
use crate::derived::snaps::HandStanding;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::common::when;
use crate::web::pages::ties::Scene;
use crate::web::pages::unit::when_words;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::percent;
use crate::web::views::layout::Section;
use crate::web::views::ties::TieList;
use crate::web::views::ties::TieRow;
use crate::web::views::ties::TiesPage;
use axum::response::IntoResponse;

/// Rows on a page of the list.
const N_ROWS: usize = 50;

/// A layer, or none where the facts do not allow it.
fn known<T>(answer: Result<T, DeriveError>) -> Result<Option<T>, Error> {
    match answer {
        Ok(layer) => Ok(Some(layer)),
        Err(DeriveError::Unanswerable(_)) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// What hangs on a record, in words.
fn stakes_words(found: &Doubtful, rates: &RateLayer) -> String {
    let set = &rates.stretches;
    let named = |(stretch, _): &(usize, f64)| {
        let rate = match set.fit.units[*stretch].estimate() {
            Some(estimate) => format!("{} per 1,000 km", format_rate(estimate.per_km.mean * 1000.0)),
            None => "no rate".to_owned(),
        };
        let call = if set.fit.calls.units.contains(stretch) { ", called" } else { "" };
        format!("{} ({rate}{call})", set.names[*stretch])
    };
    let listed = || found.stretches.iter().map(named).collect::<Vec<_>>().join(" or ");
    let moves = format!("moves a rate by up to {} of its interval's half-width", percent(found.moves));
    match found.stakes {
        Stakes::Call => format!("A call: {}; {moves}", listed()),
        Stakes::Trails => format!("Another trail: {}; {moves}", listed()),
        Stakes::Stretches => format!("Another stretch: {}; {moves}", listed()),
        Stakes::OneStretch => {
            let name = found.stretches.first().map(|(stretch, _)| set.names[*stretch].as_str());
            format!("No figure of a stretch or trail: all within {}", name.unwrap_or("one stretch"))
        }
        Stakes::NoRate => "No rate of stretches: it is no report of the study period".to_owned(),
    }
}

/// The encounters in doubt, those first on which most hangs, and those placed by hand.
pub async fn list(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["show", "page"])?;
    let shown = match query.get("show") {
        None => TieList::Ambiguous,
        Some(word) => TieList::ALL.into_iter().find(|list| list.term() == word).ok_or_else(|| {
            Error::bad_request("show", format!("\"{word}\" is no list: ambiguous, by-hand, not-used."))
        })?,
    };
    let number: usize = query.parse("page", "the number of a page")?.unwrap_or(1).max(1);
    let facts = app.deriver().facts().await?;
    let deriver = app.deriver();
    let (network, snaps) = (deriver.network(&facts).await?, deriver.snaps(&facts).await?);
    let scene = Scene { facts: &facts, network: &network, snaps: &snaps };
    let rates = known(deriver.rates(&facts).await)?;
    let exposure = known(deriver.exposure(&facts).await)?;
    let rated = rates.as_deref().zip(exposure.as_deref());
    let rated = rated.map(|(rates, exposure)| Rated { rates, exposure });
    let doubtful = doubt::doubtful(&facts, &snaps, rated);
    let ambiguous: Vec<usize> = doubtful.iter().map(|found| found.record).collect();
    let [by_hand, not_used] = [true, false].map(|used| scene.placed(used));
    let list = match shown {
        TieList::Ambiguous => &ambiguous,
        TieList::ByHand => &by_hand,
        TieList::NotUsed => &not_used,
    };
    let first = (number - 1).saturating_mul(N_ROWS);
    let mut snapshot = app.store().snapshot().await?;
    let mut rows = Vec::new();
    for (at, row) in list.iter().enumerate().skip(first).take(N_ROWS) {
        let id = facts.encounters.rows[*row].id;
        let found = snapshot.encounter(id).await?;
        let hangs = match (shown, rates.as_deref()) {
            (TieList::Ambiguous, Some(rates)) => stakes_words(&doubtful[at], rates),
            _ => String::new(),
        };
        let id = found.map(|found| found.given.occurrence_id).unwrap_or_default();
        rows.push(TieRow { hangs, ..scene.row(*row, id) });
    }
    drop(snapshot);
    let address = |page: usize| format!("/data/ambiguous?{}", query.with("page", Some(&page.to_string())));
    let page = TiesPage {
        shown,
        counts: [ambiguous.len(), by_hand.len(), not_used.len()],
        n_on_trail: scene.n_on_trail(),
        ambiguous_weight: facts.settings.ambiguous_weight,
        multiple: facts.settings.multiple,
        stakes: rates.as_ref().map(|_| {
            Stakes::ALL.map(|stakes| doubtful.iter().filter(|found| found.stakes == stakes).count())
        }),
        first_row: first,
        n_rows: list.len(),
        rows,
        previous: (number > 1).then(|| address(number - 1)),
        next: (number.saturating_mul(N_ROWS) < list.len()).then(|| address(number + 1)),
    };
    let frame = common::frame(&facts, Section::Data, "Positions in doubt", String::new());
    let policy = CachePolicy::of_revision(facts.revision, format!("ambiguous {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::ties::list_body(&page))))
}

impl Scene<'_> {
    /// Encounters that count and lie on a trail.
    fn n_on_trail(&self) -> usize {
        let is_on_trail = |snap: &Option<Snap>| matches!(snap, Some(Snap::OnTrail(_) | Snap::ByHand { .. }));
        let rows = self.snaps.snaps.iter().zip(&self.facts.encounters.rows);
        rows.filter(|(snap, row)| is_on_trail(snap) && self.facts.counts(row)).count()
    }

    /// Encounters placed by hand whose tie is used, or is not; the newest first.
    fn placed(&self, used: bool) -> Vec<usize> {
        let ties = self.snaps.by_hand.iter().rev();
        ties.filter(|(_, tie)| (tie.standing == HandStanding::Used) == used).map(|(idx, _)| *idx).collect()
    }

    fn row(&self, idx: usize, occurrence_id: String) -> TieRow {
        let row = &self.facts.encounters.rows[idx];
        let set = self.hand_snap(row.id);
        let places = match (set, &self.snaps.snaps[idx]) {
            (Some(set), _) => vec![(self.target_words(set.given.target), None)],
            (None, Some(Snap::OnTrail(on_trail))) => on_trail
                .candidates
                .iter()
                .map(|candidate| (self.segment_words(candidate.nearest.segment_idx), Some(candidate.weight)))
                .collect(),
            (None, _) => Vec::new(),
        };
        TieRow {
            href: format!("/encounters/{}", row.id),
            occurrence_id,
            when: when_words(&row.time),
            effort: row.effort_kind.term().to_owned(),
            places,
            hangs: String::new(),
            note: set.map_or_else(String::new, |set| {
                format!("{}, {}: {}", set.actor, when(set.set_at_s), set.given.reason)
            }),
        }
    }
}
