//! Encounters with their filters, and one encounter whole.

use std::collections::HashSet;

use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Response;

use crate::analysis::snap::Snap;
use crate::app::App;
use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::snaps::HandStanding;
use crate::derived::snaps::SnapLayer;
use crate::domain::account::Right;
use crate::domain::approach::Approach;
use crate::domain::approach::CoreReaction;
use crate::domain::encounter::EffortKind;
use crate::domain::encounter::Outcome;
use crate::domain::ids::BatchId;
use crate::domain::ids::EncounterId;
use crate::domain::time::PartOfDay;
use crate::store::Change;
use crate::store::Effect;
use crate::store::Encounter;
use crate::store::EncounterFilter;
use crate::store::Paging;
use crate::store::RecordKind;
use crate::store::filter::Order;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
use crate::web::pages::history_words::field_words;
use crate::web::pages::history_words::name_tie;
use crate::web::pages::history_words::value_words;
use crate::web::pages::photos;
use crate::web::pages::photos::PhotoForm;
use crate::web::pages::ties::Scene;
use crate::web::pages::unit::when_words;
use crate::web::query::Query;
use crate::web::query::key;
use crate::web::views;
use crate::web::views::charts::thousands;
use crate::web::views::encounters::ApproachRow;
use crate::web::views::encounters::EncounterPage;
use crate::web::views::encounters::EncounterRow;
use crate::web::views::encounters::EncountersPage;
use crate::web::views::encounters::FilterForm;
use crate::web::views::encounters::HealthCard;
use crate::web::views::layout::Section;

/// Rows on a page.
const N_ROWS: u32 = 50;
const KNOWN: [&str; 9] =
    ["effort", "species", "month", "from_year", "until_year", "part", "status", "batch", "after"];

/// The list.
pub async fn list(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&KNOWN)?;
    let facts = app.deriver().facts().await?;
    let (filter, mut form) = filter(&query);
    let after: Option<i64> = query.parse("after", "the number of an encounter")?;
    let paging = Paging { after: after.map(EncounterId), limit: N_ROWS, order: Order::NewestFirst };
    let status = if form.errors.is_empty() { StatusCode::OK } else { StatusCode::BAD_REQUEST };
    let mut page = EncountersPage {
        species: facts.encounters.species.iter().filter(|name| !name.is_empty()).cloned().collect(),
        n_matching: 0,
        n_all: facts.encounters.rows.len() as u64,
        rows: Vec::new(),
        next: None,
        first: after.map(|_| format!("/encounters?{}", query.with("after", None))),
        filter: std::mem::take(&mut form),
        review: Given::signed_by(&who),
        here: format!("/encounters?{}", query.encoded()),
    };
    if page.filter.errors.is_empty() {
        let mut snapshot = app.store().snapshot().await?;
        let listed = snapshot.list_encounters(facts.area.id, &filter, &paging).await?;
        let ids: Vec<EncounterId> = listed.encounters.iter().map(|row| row.id).collect();
        let n_photos = snapshot.photo_counts(&ids).await?;
        drop(snapshot);
        let ties = ties(&app, &facts).await?;
        page.n_matching = listed.n_matched;
        page.next =
            listed.next_after.map(|id| format!("/encounters?{}", query.with("after", Some(&id.to_string()))));
        page.rows = listed
            .encounters
            .into_iter()
            .map(|row| EncounterRow {
                href: format!("/encounters/{}", row.id),
                id: row.id.0,
                occurrence_id: row.occurrence_id,
                when: when_words(&row.time),
                species: row.scientific_name,
                effort: row.effort_kind.term().to_owned(),
                status: row.verification_status.term().to_owned(),
                tied_to: tied_to(&facts, ties.as_ref(), row.id),
                n_photos: n_photos.get(&row.id).copied().unwrap_or(0),
            })
            .collect();
    }
    let records = format!("{} encounters in all", thousands(page.n_all as i64));
    let frame = common::frame(&facts, Section::Data, "Encounters", records);
    let policy = CachePolicy::of_revision(facts.revision, format!("encounters {}", query.words()));
    let markup = views::layout::page(&frame, views::encounters::list_body(&page));
    Ok((status, Cached(policy, markup)).into_response())
}

/// What encounters are tied to, where there are trails.
type Ties = (Derived<NetworkLayer>, Derived<SnapLayer>);

async fn ties(app: &App, facts: &Derived<Facts>) -> Result<Option<Ties>, Error> {
    if facts.trails.is_empty() {
        return Ok(None);
    }
    let deriver = app.deriver();
    Ok(Some((deriver.network(facts).await?, deriver.snaps(facts).await?)))
}

fn snap_of<'a>(
    facts: &Facts,
    ties: Option<&'a Ties>,
    id: EncounterId,
) -> Option<(&'a NetworkLayer, &'a Snap, Option<HandStanding>)> {
    let (network, snaps) = ties?;
    let row = facts.encounters.rows.binary_search_by_key(&id, |row| row.id).ok()?;
    let standing = snaps.value.by_hand.get(&row).map(|tie| tie.standing);
    Some((&network.value, snaps.value.snaps.get(row)?.as_ref()?, standing))
}

fn tied_to(facts: &Facts, ties: Option<&Ties>, id: EncounterId) -> String {
    let Some((network, snap, standing)) = snap_of(facts, ties, id) else {
        return if ties.is_some() { "no position" } else { "no trails yet" }.to_owned();
    };
    let words = match snap {
        Snap::OnTrail(tied) => {
            let trail =
                tied.candidates.first().map_or("", |best| network.trail_name(best.nearest.segment_idx));
            if tied.is_ambiguous { format!("{trail} (or nearby)") } else { trail.to_owned() }
        }
        Snap::ByHand { segment_idx } => network.trail_name(*segment_idx).to_owned(),
        Snap::AtPlace { place_idx } => facts.places[*place_idx].given.name.clone(),
        Snap::TooVague { .. } => "too vague".to_owned(),
        Snap::OffTrail { .. } => "off trail".to_owned(),
    };
    match standing {
        None => words,
        Some(HandStanding::Used) => format!("{words} (by hand)"),
        Some(HandStanding::SegmentGone | HandStanding::PlaceGone) => {
            format!("{words} (what it was placed on is gone)")
        }
    }
}

/// Reads the filter; what is wrong is said at its field.
fn filter(query: &Query) -> (EncounterFilter, FilterForm) {
    let text = |name: &str| query.get(name).unwrap_or("").to_owned();
    let mut form = FilterForm {
        effort: text("effort"),
        species: text("species"),
        month: text("month"),
        from_year: text("from_year"),
        until_year: text("until_year"),
        part: text("part"),
        status: text("status"),
        batch: text("batch"),
        errors: Vec::new(),
    };
    let mut filter = EncounterFilter::default();
    let mut errors = Vec::new();
    let mut wrong = |field: &str, words: String| errors.push((field.to_owned(), words));
    match form.effort.parse::<EffortKind>() {
        Ok(kind) => filter.effort_kinds.push(kind),
        Err(error) if !form.effort.is_empty() => wrong("effort", error.to_string()),
        Err(_) => {}
    }
    match form.status.parse() {
        Ok(status) => filter.verification_statuses.push(status),
        Err(_) if form.status.is_empty() => {}
        Err(error) => wrong("status", format!("{error}")),
    }
    match PartOfDay::from_term(&form.part) {
        Some(part) => filter.parts_of_day.push(part),
        None if form.part.is_empty() => {}
        None => wrong("part", format!("\"{}\" is not a part of the day", form.part)),
    }
    match form.month.parse::<u8>() {
        Ok(month @ 1..=12) => filter.months.push(month),
        _ if form.month.is_empty() => {}
        _ => wrong("month", format!("\"{}\" is not a month from 1 to 12", form.month)),
    }
    if !form.species.is_empty() {
        filter.scientific_name = Some(form.species.clone());
    }
    let mut year = |field: &str, text: &str, otherwise: i16| match text.parse::<i16>() {
        _ if text.is_empty() => otherwise,
        Ok(year @ 1800..=2200) => year,
        _ => {
            wrong(field, format!("\"{text}\" is not a year; give four digits"));
            otherwise
        }
    };
    let first = year("from_year", &form.from_year, i16::MIN);
    let last = year("until_year", &form.until_year, i16::MAX);
    if first > last {
        wrong("until_year", format!("{last} is before {first}"));
    }
    if !(form.from_year.is_empty() && form.until_year.is_empty()) {
        filter.years = Some(first..=last);
    }
    match form.batch.parse::<i64>() {
        Ok(batch) => filter.batch = Some(BatchId(batch)),
        Err(_) if form.batch.is_empty() => {}
        Err(_) => wrong("batch", format!("\"{}\" is not the number of a batch", form.batch)),
    }
    form.errors = errors;
    (filter, form)
}

/// One encounter whole.
pub async fn one(app: Exact, who: Who, Path(id): Path<String>) -> Result<impl IntoResponse, Error> {
    let forms = Forms { tie: Given::signed_by(&who), photos: None };
    page(&app, &who, EncounterId(key(&id, "encounter")?), forms).await
}

/// The forms of the page as they were sent, where one was.
pub(super) struct Forms {
    /// That which places the encounter by hand.
    pub(super) tie: Given,
    /// That which adds photos.
    pub(super) photos: Option<PhotoForm>,
}

/// An encounter by its key.
pub(super) async fn found(app: &App, id: EncounterId) -> Result<Encounter, Error> {
    let found = app.store().snapshot().await?.encounter(id).await?;
    found.ok_or_else(|| Error::NotFound(format!("There is no encounter {id}.")))
}

/// The page of one encounter, with its forms as given.
pub(super) async fn page(
    app: &App,
    who: &Who,
    id: EncounterId,
    forms: Forms,
) -> Result<Cached<maud::Markup>, Error> {
    let facts = app.deriver().facts().await?;
    let found = found(app, id).await?;
    let ties = ties(app, &facts).await?;
    let network = ties.as_ref().map(|(network, _)| &**network);
    let history = history(app, who, &found, (&facts, network)).await?;
    let photos = app.store().snapshot().await?.photos(id).await?;
    let policy = match forms.tie.is_blank() && forms.photos.is_none() {
        true => CachePolicy::of_revision(facts.revision, format!("encounter {id}")),
        false => CachePolicy::Never,
    };
    let tie = ties
        .as_ref()
        .and_then(|(network, snaps)| Scene { facts: &facts, network, snaps }.card(&found, forms.tie));
    let page = EncounterPage {
        occurrence_id: found.given.occurrence_id.clone(),
        fields: fields(who, &found),
        health: health(who, &facts, &found),
        approaches: found.given.approaches.iter().enumerate().map(|row| approach_row(who, row)).collect(),
        tied: where_it_counts(&facts, ties.as_ref(), &found),
        tie,
        photos: photos::card(who, &found, &photos, forms.photos),
        review: (found.id.0, found.given.verification_status.term().to_owned(), Given::signed_by(who)),
        origin: match &found.origin {
            Some(origin) => common::origin_words(&mut app.store().snapshot().await?, *origin).await?,
            None => "entered by hand".to_owned(),
        },
        history_at: format!("/history/encounter/{id}"),
        history,
    };
    let frame = common::frame(&facts, Section::Data, &page.occurrence_id, String::new());
    Ok(Cached(policy, views::layout::page(&frame, views::encounters::one_body(&page))))
}

/// What was done to the record, to its place by hand and to its photos, newest first: when, who, what.
async fn history(
    app: &App,
    who: &Who,
    found: &Encounter,
    known: (&Facts, Option<&NetworkLayer>),
) -> Result<Vec<(String, String, String)>, Error> {
    let mut snapshot = app.store().snapshot().await?;
    let mut changes = snapshot.changes(RecordKind::HandSnap, found.id.0).await?;
    let of_photos = snapshot.photo_changes(found.id).await?;
    drop(snapshot);
    for change in &mut changes {
        name_tie(change, known);
        for field in &mut change.fields {
            field.field = format!("place by hand, {}", field.field);
        }
    }
    changes.extend(found.changes.iter().cloned());
    let mut rows: Vec<_> =
        changes.iter().map(|change| (change.revision, change.id, history_row(who, change))).collect();
    let mut seen = HashSet::new();
    for change in of_photos {
        let done = match change.effect {
            Effect::TakenOut => "taken out",
            Effect::CameIn | Effect::Changed if seen.insert(change.record_id) => "added",
            Effect::CameIn | Effect::Changed => "brought back",
        };
        let what = format!("photo {} {done} ({})", change.record_id, change.summary);
        rows.push((change.revision, change.id, (common::when(change.changed_at_s), change.actor, what)));
    }
    rows.sort_by_key(|(revision, id, _)| std::cmp::Reverse((*revision, *id)));
    Ok(rows.into_iter().map(|(_, _, row)| row).collect())
}

fn history_row(who: &Who, change: &Change) -> (String, String, String) {
    let when = common::when(change.changed_at_s);
    let what = change.fields.iter().map(|field| {
        let name = field_words(&field.field);
        let said = |text: &str| value_words(&field.field, &common::record_words(who, &field.field, text));
        let (before, after) = (said(&field.before), said(&field.after));
        match before == after {
            // Both are withheld.
            true => format!("{name} changed"),
            false => format!("{name} from \"{before}\" to \"{after}\""),
        }
    });
    let what = what.collect::<Vec<_>>().join("; ");
    (when, change.actor.clone(), format!("{what} ({})", change.summary))
}

/// What it did to people, for those alone who may see reported bites; none where nothing is known of it.
fn health(who: &Who, facts: &Facts, found: &Encounter) -> Option<HealthCard> {
    if !who.may(Right::SeeHealth) {
        return None;
    }
    let mut reactions = found.given.approaches.iter().flat_map(|approach| &approach.reactions);
    let bit_skin = reactions.any(|reaction| reaction.term == CoreReaction::BitSkin.term());
    let outcome = found.given.outcome.map(Outcome::term);
    (outcome.is_some() || bit_skin).then(|| HealthCard {
        outcome: outcome.unwrap_or_default().to_owned(),
        bit_skin,
        emergency_number: facts.area.emergency_number.clone(),
    })
}

/// The fields that say anything, by their Darwin Core names. What it did to people is health data and not among them.
fn fields(who: &Who, found: &Encounter) -> Vec<(String, String)> {
    let (given, details) = (&found.given, &found.given.details);
    let number = |value: Option<u32>| value.map(|value| value.to_string()).unwrap_or_default();
    let metres = |value: Option<crate::domain::units::Length>| {
        value.map(|value| format!("{} m", value.in_metres())).unwrap_or_default()
    };
    let celsius = |value: Option<crate::domain::units::Temperature>| {
        value.map(|value| format!("{} °C", value.in_celsius())).unwrap_or_default()
    };
    let position = given.position.map(|at| format!("{}, {}", at.position.lat(), at.position.lon()));
    let uncertainty = given.position.and_then(|at| {
        at.coordinate_uncertainty.map(|length| format!("{} m ({})", length.in_metres(), at.meaning))
    });
    let rows = [
        ("eventDate", when_words(&given.time)),
        ("effortKind", given.effort_kind.term().to_owned()),
        ("scientificName", given.scientific_name.clone()),
        ("identificationQualifier", details.identification_qualifier.clone()),
        ("identifiedBy", details.identified_by.clone()),
        ("identificationVerificationStatus", given.verification_status.term().to_owned()),
        ("organismID", given.organism_id.clone()),
        ("individualCount", number(given.individual_count)),
        ("lifeStage", details.life_stage.clone()),
        ("sex", details.sex.clone()),
        ("behavior", common::free_words(who, &details.behavior)),
        ("decimalLatitude, decimalLongitude", position.unwrap_or_default()),
        ("coordinateUncertaintyInMeters", uncertainty.unwrap_or_default()),
        ("dataGeneralizations", details.data_generalizations.clone()),
        ("eventID", given.event_id.clone()),
        ("samplingProtocol", details.sampling_protocol.clone()),
        ("recordedBy", details.recorded_by.clone()),
        ("cue", details.cue.map(|cue| cue.term().to_owned()).unwrap_or_default()),
        ("first noticed at", metres(details.distance_first_noticed)),
        ("first reaction at", metres(details.distance_first_reaction)),
        ("posture before", details.posture_before.clone()),
        ("cover", details.cover.clone()),
        ("substrate", details.substrate.clone()),
        ("air temperature", celsius(details.air_temperature)),
        ("people", number(details.n_people)),
        ("dogs", number(details.n_dogs)),
        ("footwear", details.footwear.clone()),
        ("occurrenceRemarks", common::free_words(who, &details.occurrence_remarks)),
    ];
    let known = rows.into_iter().map(|(name, value)| (name.to_owned(), value));
    // What stands in a column that no field takes nobody knows.
    let other = details.other.iter().map(|(name, value)| (name.clone(), common::free_words(who, value)));
    known.chain(other).filter(|(_, value)| !value.is_empty()).collect()
}

fn approach_row(who: &Who, (idx, approach): (usize, &Approach)) -> ApproachRow {
    let mut circumstances = Vec::new();
    if let Some(distance) = approach.closest_distance {
        circumstances.push(format!("{} m", distance.in_metres()));
    }
    if let Some(load) = approach.applied_load {
        circumstances.push(format!("{} kg", load.in_kilograms()));
    }
    if let Some(duration) = approach.duration {
        circumstances.push(format!("{} s", duration.in_seconds()));
    }
    if !approach.agent.is_empty() {
        circumstances.push(approach.agent.clone());
    }
    if let Some(trial) = &approach.trial {
        circumstances.push(format!("protocol {}, permit {}", trial.protocol, trial.permit));
    }
    let reactions: Vec<String> = approach
        .reactions
        .iter()
        .map(|reaction| {
            let term = common::reaction_words(who, &reaction.term);
            reaction
                .latency
                .map_or(term.clone(), |latency| format!("{term} after {} s", latency.in_seconds()))
        })
        .collect();
    ApproachRow {
        ordinal: idx as u32 + 1,
        contact: approach.contact.term().to_owned(),
        circumstances: circumstances.join(", "),
        reactions: reactions.join(", then "),
        is_trial: approach.trial.is_some(),
    }
}

fn where_it_counts(facts: &Facts, ties: Option<&Ties>, found: &Encounter) -> Vec<String> {
    let mut lines = Vec::new();
    if found.given.position.is_none() || ties.is_none() {
        lines.push(tied_to(facts, ties, found.id));
    }
    lines.push(match found.given.effort_kind {
        EffortKind::Report => "a report: divided by how far parties walk".to_owned(),
        EffortKind::Survey if found.walk_id.is_none() => {
            "on a survey, but of no walk that is known: no kilometres belong to it, so it is in no rate. Its eventID must be \
             that of a survey walk"
                .to_owned()
        }
        EffortKind::Survey => "on a survey: divided by survey walks only".to_owned(),
        EffortKind::Located => "located: never in a rate".to_owned(),
        EffortKind::Chance => "chance: no effort known, never in a rate".to_owned(),
    });
    lines
}
