//! The history of a record, putting it back to an earlier state, and the list of all changes.

use axum::extract::Form;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::app::App;
use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::domain::account::Right;
use crate::domain::ids::BatchId;
use crate::domain::ids::EncounterId;
use crate::store::BatchStep;
use crate::store::BatchStory;
use crate::store::Change;
use crate::store::ChangeFilter;
use crate::store::Edited;
use crate::store::Effect;
use crate::store::FieldChange;
use crate::store::RecordEdit;
use crate::store::RecordKind;
use crate::store::RecordState;
use crate::store::StateKey;
use crate::store::difference;
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
use crate::web::query::Query;
use crate::web::query::key;
use crate::web::views;
use crate::web::views::history::ChangeRow;
use crate::web::views::history::ChangesPage;
use crate::web::views::history::Chosen;
use crate::web::views::history::Forms;
use crate::web::views::history::RecordPage;
use crate::web::views::layout::Section;

/// Changes on a page of the list.
const N_ROWS: u32 = 100;
const SECONDS_A_DAY: i64 = 86_400;
const ASK_REASON: &str = "Say why: it is kept with the change.";

/// Which record an address means.
struct Named {
    kind: RecordKind,
    id: i64,
}

impl Named {
    fn read(kind: &str, id: &str) -> Result<Self, Error> {
        let known = RecordKind::ALL.iter().copied().find(|known| slug(*known) == kind);
        let kind = known.ok_or_else(|| Error::NotFound(format!("There are no records \"{kind}\".")))?;
        Ok(Self { kind, id: key(id, kind.term())? })
    }
}

/// The key of the state before the first change.
const FIRST: &str = "first";

fn slug(kind: RecordKind) -> String {
    kind.term().replace(' ', "-")
}

fn address(kind: RecordKind, id: i64) -> String {
    format!("/history/{}/{id}", slug(kind))
}

/// The page of one record.
pub async fn one(
    app: Exact,
    who: Who,
    Path((kind, id)): Path<(String, String)>,
    query: Query,
) -> Result<Response, Error> {
    query.allow(&["to"])?;
    let named = Named::read(&kind, &id)?;
    record_page(&app, &who, &named, query.get("to"), Forms::signed_by(&who), StatusCode::OK).await
}

async fn record_page(
    app: &Exact,
    who: &Who,
    named: &Named,
    to: Option<&str>,
    mut forms: Forms,
    status: StatusCode,
) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let mut snapshot = app.store().snapshot().await?;
    let now = snapshot.record_state(named.kind, named.id).await?;
    let mut changes = snapshot.changes(named.kind, named.id).await?;
    // Where somebody placed an encounter by hand is told with it.
    let mut by_hand = match named.kind {
        RecordKind::Encounter => snapshot.changes(RecordKind::HandSnap, named.id).await?,
        _ => Vec::new(),
    };
    let network = network(app, &facts).await?;
    changes.iter_mut().chain(&mut by_hand).for_each(|change| name_tie(change, (&facts, network.as_deref())));
    let of_photos = match named.kind {
        RecordKind::Encounter => snapshot.photo_changes(EncounterId(named.id)).await?,
        _ => Vec::new(),
    };
    let batch = now.as_ref().and_then(|now| now.origin).map(|origin| origin.batch_id);
    let story = match batch {
        Some(batch) => snapshot.batch_story(batch).await?.map(|story| (batch, story)),
        None => None,
    };
    if now.is_none() && changes.is_empty() {
        return Err(Error::NotFound(format!("There is no {} {} with a history.", named.kind, named.id)));
    }
    // One that was taken out is asked at once whether it should come back.
    let last = now.as_ref().filter(|now| !now.is_present).map(|_| last_state(&changes));
    let to = to.map(str::to_owned).or(last);
    let chosen = match (&to, &now) {
        (Some(to), Some(now)) => {
            let state = snapshot.earlier_state(named.kind, named.id, state_key(to)?).await?;
            let state = state.ok_or_else(|| Error::NotFound(format!("There is no state \"{to}\".")))?;
            Some(chosen(who, to, &changes, now, &state))
        }
        _ => None,
    };
    let origin = match now.as_ref().and_then(|now| now.origin) {
        Some(origin) => common::origin_words(&mut snapshot, origin).await?,
        None => by_whom(&changes),
    };
    drop(snapshot);
    let mark = now.as_ref().map(|now| now.mark.as_str()).unwrap_or_default();
    forms.put_back.set("seen", mark);
    forms.take_out.set("seen", mark);
    let shown_at = match named.kind {
        RecordKind::Encounter if now.as_ref().is_some_and(|now| now.is_present) => {
            format!("/encounters/{}", named.id)
        }
        RecordKind::Photo => now.as_ref().and_then(shown_on).unwrap_or_default(),
        RecordKind::Walk => format!("/walks/{}", named.id),
        RecordKind::Notice => format!("/notices/{}", named.id),
        RecordKind::HandSnap => format!("/encounters/{}", named.id),
        RecordKind::Setting | RecordKind::Area => "/data/settings".to_owned(),
        RecordKind::Decision => "/decisions".to_owned(),
        _ => String::new(),
    };
    let own = changes.iter().map(|change| (change, Listed::OnItsPage));
    let others = of_photos.iter().chain(&by_hand);
    let mut rows: Vec<_> = own.chain(others.map(|change| (change, Listed::AmongAll))).collect();
    rows.sort_by_key(|(change, _)| std::cmp::Reverse(change.id));
    let mut rows: Vec<ChangeRow> =
        rows.into_iter().map(|(change, listed)| change_row(who, change, listed)).collect();
    if let Some((batch, story)) = &story {
        let is_present = now.as_ref().is_some_and(|now| now.is_present);
        add_batch_rows(&mut rows, *batch, story, is_present);
    }
    let page = RecordPage {
        kind: named.kind.term().to_owned(),
        label: now.as_ref().and_then(label).unwrap_or_else(|| named.id.to_string()),
        address: address(named.kind, named.id),
        shown_at,
        is_present: now.as_ref().map(|now| now.is_present),
        origin,
        fields: now.as_ref().map(|now| shown_fields(who, now)).unwrap_or_default(),
        changes: rows,
        chosen,
        forms: who.may(Right::Manage).then_some(forms),
    };
    let title = format!("History of {} {}", page.kind, page.label);
    let frame = common::frame(&facts, Section::Data, &title, String::new());
    let body = views::layout::page(&frame, views::history::record_body(&page));
    Ok((status, Cached(CachePolicy::Never, body)).into_response())
}

/// Who entered a record that came with no file.
fn by_whom(changes: &[Change]) -> String {
    match changes.first() {
        Some(first) if first.effect == Effect::CameIn => format!("entered by {}", first.actor),
        _ => "entered by hand".to_owned(),
    }
}

/// The trails, where there are any.
async fn network(app: &App, facts: &Derived<Facts>) -> Result<Option<Derived<NetworkLayer>>, Error> {
    match facts.trails.is_empty() {
        true => Ok(None),
        false => Ok(Some(app.deriver().network(facts).await?)),
    }
}

/// The page of the encounter that a photo is of.
fn shown_on(photo: &RecordState) -> Option<String> {
    let (_, id) = photo.fields.iter().find(|(field, _)| field == "encounter")?;
    Some(format!("/encounters/{id}#photos"))
}

/// What people call a record.
fn label(state: &RecordState) -> Option<String> {
    let field = |name: &str| state.fields.iter().find(|(field, _)| field == name);
    ["occurrence_id", "event_id", "name", "counter"]
        .into_iter()
        .find_map(field)
        .map(|(_, value)| value.clone())
}

/// The key of the last state that the history has.
fn last_state(changes: &[Change]) -> String {
    match changes {
        [only] if only.effect == Effect::TakenOut => FIRST.to_owned(),
        [.., left, last] if last.effect == Effect::TakenOut => left.id.to_string(),
        [.., last] => last.id.to_string(),
        [] => FIRST.to_owned(),
    }
}

/// Adds what became of the batch that brought the record: its rows have no lines of their own in the history.
fn add_batch_rows(rows: &mut Vec<ChangeRow>, batch: BatchId, story: &BatchStory, is_present: bool) {
    let row = |step: &BatchStep, effect: &str, why: &str| ChangeRow {
        when: common::when(step.at_s),
        who: step.actor.clone(),
        why: why.to_owned(),
        record: Default::default(),
        effect: effect.to_owned(),
        batch: Some(batch.0),
        revision: step.revision.0,
        fields: Vec::new(),
        state: String::new(),
    };
    // A later batch that changed the record has a line among the changes already.
    if rows.iter().all(|row| row.revision > story.came_in.revision.0) {
        rows.push(row(&story.came_in, "came in", ""));
    }
    if let Some(step) = story.taken_back.as_ref().filter(|_| !is_present) {
        let later = rows.iter().take_while(|row| row.revision > step.revision.0).count();
        rows.insert(later, row(step, "taken out", &taken_back_words(&step.summary)));
    }
}

/// Why a record is out with its whole batch: "the whole batch was taken back: the wrong file".
fn taken_back_words(summary: &str) -> String {
    let reason = summary.split_once(": ").map(|(_, reason)| format!(": {reason}")).unwrap_or_default();
    format!("the whole batch was taken back{reason}")
}

fn state_key(to: &str) -> Result<StateKey, Error> {
    match to {
        FIRST => Ok(StateKey::First),
        number => number
            .parse()
            .map(StateKey::After)
            .map_err(|_| Error::bad_request("to", format!("\"{number}\" is no state of a record."))),
    }
}

fn chosen(who: &Who, to: &str, changes: &[Change], now: &RecordState, then: &RecordState) -> Chosen {
    let change = changes.iter().find(|change| change.id.to_string() == to);
    let words = match change {
        None => "As it was before its first change".to_owned(),
        Some(change) => {
            format!("As {} left it on {}", change.actor, common::when(change.changed_at_s))
        }
    };
    let fields = difference(now, then).iter().map(|field| field_row(who, field)).collect();
    Chosen { key: to.to_owned(), words, fields }
}

/// A value in words, as somebody may read it.
fn said(who: &Who, field: &str, text: &str) -> String {
    value_words(field, &common::record_words(who, field, text))
}

fn field_row(who: &Who, field: &FieldChange) -> [String; 3] {
    let shown = |text: &str| said(who, &field.field, text);
    [field_words(&field.field), shown(&field.before), shown(&field.after)]
}

fn shown_fields(who: &Who, state: &RecordState) -> Vec<(String, String)> {
    state
        .fields
        .iter()
        .filter(|(field, _)| field != "outcome" || who.may(Right::SeeHealth))
        .map(|(field, value)| (field_words(field), said(who, field, value)))
        .filter(|(_, value)| !value.is_empty())
        .collect()
}

/// Where a change is shown.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Listed {
    OnItsPage,
    AmongAll,
}

fn change_row(who: &Who, change: &Change, listed: Listed) -> ChangeRow {
    let here = address(change.kind, change.record_id);
    let has_state = change.kind.can_be_put_back() && change.effect != Effect::TakenOut;
    let by_hand = change.kind == RecordKind::HandSnap;
    let effect = match change.effect {
        Effect::CameIn if by_hand => "placed by hand",
        Effect::TakenOut if by_hand => "left to its position again",
        Effect::CameIn => "came in",
        Effect::TakenOut => "taken out",
        Effect::Changed if change.fields.is_empty() => "only the row it comes from changed",
        Effect::Changed => "",
    };
    ChangeRow {
        when: common::when(change.changed_at_s),
        who: change.actor.clone(),
        why: change.summary.clone(),
        record: match listed {
            Listed::OnItsPage => Default::default(),
            Listed::AmongAll if change.kind == RecordKind::HandSnap => {
                (format!("place by hand of encounter {}", change.record_id), here.clone())
            }
            Listed::AmongAll => (format!("{} {}", change.kind, change.record_id), here.clone()),
        },
        effect: effect.to_owned(),
        batch: change.batch.map(|batch| batch.0),
        revision: change.revision.0,
        fields: match change.effect {
            // Where an encounter was placed is the whole of such a record.
            Effect::CameIn | Effect::TakenOut | Effect::Changed if by_hand => {
                change.fields.iter().map(|field| field_row(who, field)).collect()
            }
            Effect::Changed => change.fields.iter().map(|field| field_row(who, field)).collect(),
            Effect::CameIn | Effect::TakenOut => Vec::new(),
        },
        state: if has_state { format!("{here}?to={}#chosen", change.id) } else { String::new() },
    }
}

/// Puts a record back to an earlier state, or brings it back.
pub async fn put_back(
    app: Exact,
    who: Who,
    Path((kind, id)): Path<(String, String)>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let named = Named::read(&kind, &id)?;
    let given = Given::new(pairs).with_signer(&who);
    let to = given.get("to").to_owned();
    edit(app, who, named, given, Wish::PutBack(state_key(&to)?, to)).await
}

/// Takes a record out.
pub async fn withdraw(
    app: Exact,
    who: Who,
    Path((kind, id)): Path<(String, String)>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let named = Named::read(&kind, &id)?;
    let given = Given::new(pairs).with_signer(&who);
    edit(app, who, named, given, Wish::Withdraw).await
}

/// What somebody wants of a record.
enum Wish {
    /// The state, and what the address calls it.
    PutBack(StateKey, String),
    Withdraw,
}

impl Wish {
    /// The forms of the page with this one as it was sent.
    fn forms(&self, given: Given, who: &Who) -> Forms {
        let blank = Forms::signed_by(who);
        match self {
            Self::PutBack(..) => Forms { put_back: given, ..blank },
            Self::Withdraw => Forms { take_out: given, ..blank },
        }
    }
}

impl Forms {
    fn signed_by(who: &Who) -> Self {
        Self { put_back: Given::signed_by(who), take_out: Given::signed_by(who) }
    }
}

async fn edit(app: Exact, who: Who, named: Named, mut given: Given, wish: Wish) -> Result<Response, Error> {
    let name = given.signer();
    let reason = given.required("reason", ASK_REASON);
    let to = match &wish {
        Wish::PutBack(_, to) => Some(to.clone()),
        Wish::Withdraw => None,
    };
    if !given.is_good() {
        let (status, forms) = (StatusCode::UNPROCESSABLE_ENTITY, wish.forms(given, &who));
        return record_page(&app, &who, &named, to.as_deref(), forms, status).await;
    }
    let area = app.deriver().facts().await?.area.id;
    let seen = given.get("seen").to_owned();
    let edit = RecordEdit { area, kind: named.kind, id: named.id, seen: &seen };
    let mut writer = app.store().write(&name, &reason, app.clock().now_s()).await?;
    let edited = match &wish {
        Wish::PutBack(key, _) => writer.put_back_record(&edit, *key).await?,
        Wish::Withdraw => writer.withdraw_record(&edit).await?,
    };
    let (status, words) = match edited {
        Edited::Done => {
            writer.commit().await?;
            return Ok(Redirect::to(&address(named.kind, named.id)).into_response());
        }
        Edited::Unchanged => {
            (StatusCode::UNPROCESSABLE_ENTITY, "The record is in this state already.".to_owned())
        }
        Edited::ChangedMeanwhile => (
            StatusCode::CONFLICT,
            "Somebody changed this record since you opened the page. It is shown as it is now: look again."
                .to_owned(),
        ),
        Edited::Refused(reason) => {
            (StatusCode::UNPROCESSABLE_ENTITY, format!("This cannot be done: {reason}."))
        }
    };
    drop(writer);
    given.refuse("form", words);
    record_page(&app, &who, &named, to.as_deref(), wish.forms(given, &who), status).await
}

/// All changes, by kind, person, batch and day.
pub async fn list(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["kind", "who", "batch", "from", "until", "before"])?;
    let facts = app.deriver().facts().await?;
    let mut given = Given::default();
    for name in ["kind", "who", "batch", "from", "until"] {
        given.set(name, query.get(name).unwrap_or_default());
    }
    let zone = TimeZone::get(&facts.area.time_zone).unwrap_or(TimeZone::UTC);
    let mut filter = filter(&mut given, &zone);
    filter.before = query.parse("before", "the number of a change")?;
    let mut snapshot = app.store().snapshot().await?;
    let actors = snapshot.actors().await?;
    let mut changes = match given.is_good() {
        true => snapshot.list_changes(&filter, N_ROWS).await?,
        false => Vec::new(),
    };
    drop(snapshot);
    let network = network(&app, &facts).await?;
    changes.iter_mut().for_each(|change| name_tie(change, (&facts, network.as_deref())));
    let next = changes.last().filter(|_| changes.len() == N_ROWS as usize);
    let status = if given.is_good() { StatusCode::OK } else { StatusCode::BAD_REQUEST };
    let page = ChangesPage {
        kinds: RecordKind::ALL.iter().map(|kind| kind.term().to_owned()).collect(),
        actors,
        next: next
            .map(|last| format!("/history?{}", query.with("before", Some(&last.id.to_string()))))
            .unwrap_or_default(),
        rows: changes.iter().map(|change| change_row(&who, change, Listed::AmongAll)).collect(),
        given,
    };
    let frame = common::frame(&facts, Section::Data, "What was changed", String::new());
    let body = views::layout::page(&frame, views::history::list_body(&page));
    Ok((status, Cached(CachePolicy::Never, body)).into_response())
}

/// Reads the filter; what is wrong is said at its field. Days are those of the area.
fn filter(given: &mut Given, zone: &TimeZone) -> ChangeFilter {
    let mut filter = ChangeFilter::default();
    let text = |given: &Given, name: &str| Some(given.get(name).to_owned()).filter(|text| !text.is_empty());
    filter.actor = text(given, "who");
    match text(given, "kind").map(|kind| kind.parse::<RecordKind>()).transpose() {
        Ok(kind) => filter.kind = kind,
        Err(error) => given.refuse("kind", error.to_string()),
    }
    if let Some(batch) = text(given, "batch") {
        match batch.parse() {
            Ok(batch) => filter.batch = Some(BatchId(batch)),
            Err(_) => given.refuse("batch", format!("\"{batch}\" is not the number of a batch.")),
        }
    }
    let mut day = |name: &str| {
        let typed = text(given, name)?;
        let start = typed.parse::<Date>().and_then(|date| zone.to_timestamp(date.at(0, 0, 0, 0)));
        match start {
            Ok(start) => Some(start.as_second()),
            Err(_) => {
                given.refuse(name, format!("\"{typed}\" is not a day, such as 2024-05-31."));
                None
            }
        }
    };
    filter.from_s = day("from");
    filter.until_s = day("until").map(|start_s| start_s + SECONDS_A_DAY);
    filter
}
