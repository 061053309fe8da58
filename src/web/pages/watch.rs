//! This season against expectation, and temporary notices.

use std::collections::HashMap;

use axum::extract::Form;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use jiff::civil::Date;

use crate::analysis::season_watch::Alarm;
use crate::analysis::season_watch::Watched;
use crate::analysis::season_watch::WeekState;
use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::rates::UnitKind;
use crate::derived::watch::WatchChoice;
use crate::derived::watch::WatchLayer;
use crate::domain::account::Right;
use crate::domain::ids::NoticeId;
use crate::domain::notice::InvalidNotice;
use crate::domain::notice::Notice;
use crate::domain::notice::NoticeDraft;
use crate::domain::notice::NoticeState;
use crate::domain::time::MONTHS;
use crate::signage::notice;
use crate::signage::notice::MORE_THAN_USUAL;
use crate::signage::notice::NoticeCatalogue;
use crate::signage::notice::NoticeFields;
use crate::signage::wording;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::notice::NoticePage;
use crate::web::views::notice::NoticeText;
use crate::web::views::watch::AlarmShown;
use crate::web::views::watch::ChosenShown;
use crate::web::views::watch::NoticeForm;
use crate::web::views::watch::NoticeRow;
use crate::web::views::watch::SeasonShown;
use crate::web::views::watch::WatchPage;
use crate::web::views::watch::WeekShown;

/// Beside a finding on a unit whose walking nobody counted.
const WALKING_IS_ASSUMED: &str = "Walking here is assumed; only the change against former years is judged, so that the kilometres \
                                  cancel. More walkers than before would look the same.";
/// To who makes a notice on figures that are no longer those of the data.
const WORKED_OUT_ANEW: &str = "data or settings changed since this form was shown, and what stands out was worked out anew: look \
                               at it again, then make the notice";
/// What ended longer ago than this is not "lately", days.
const LATELY_DAYS: i64 = 28;
/// How long a notice stands unless staff say otherwise, days.
const USUAL_DAYS: i64 = 21;

/// The page.
pub async fn show(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["until", "unit", "of", "trail", "reason"])?;
    let facts = app.deriver().facts().await?;
    let today = app.clock().today(&facts.area.time_zone);
    let days = today.saturating_add(jiff::Span::new().days(USUAL_DAYS));
    let text = |name: &str| query.get(name).unwrap_or_default().to_owned();
    let form = NoticeForm {
        trail: text("trail"),
        reason: text("reason"),
        start: today.to_string(),
        expiry: days.to_string(),
        is_signed: who != Who::ThisMachine,
        only_looks: !who.may(Right::Manage),
        ..NoticeForm::default()
    };
    page(&app, &facts, &query, form, StatusCode::OK).await
}

async fn page(
    app: &App,
    facts: &Derived<Facts>,
    query: &Query,
    form: NoticeForm,
    status: StatusCode,
) -> Result<Response, Error> {
    let until: Option<Date> = query.parse("until", "a date like 2026-05-31")?;
    let unit = match query.get("unit") {
        None | Some("stretch") => UnitKind::Stretch,
        Some("trail") => UnitKind::Trail,
        Some(other) => {
            return Err(Error::bad_request("unit", format!("\"{other}\" is not one of: stretch, trail.")));
        }
    };
    let of = query.get("of");
    let mut of_error = None;
    let season = match app.deriver().watch(facts, WatchChoice { unit, until }).await {
        Ok(layer) => {
            let mut season = season(facts, &layer, app.clock().today(&facts.area.time_zone));
            if let Some(name) = of {
                season.chosen = chosen(&layer, name);
                if season.chosen.is_none() {
                    let unit = if unit == UnitKind::Trail { "trail" } else { "stretch" };
                    of_error = Some(format!("there is no {unit} of that name: choose one of the list"));
                }
            }
            Ok(season)
        }
        Err(DeriveError::Unanswerable(reason)) => Err(reason),
        Err(error) => return Err(error.into()),
    };
    let today = app.clock().today(&facts.area.time_zone);
    let notices = app.store().snapshot().await?.notices(facts.area.id).await?;
    let records = season.as_ref().map(|season| season.basis.join("; ")).unwrap_or_default();
    let outstanding = Outstanding::of(app, facts).await?;
    let form = completed(app, facts, form, &outstanding.lately(today));
    let shown = WatchPage {
        closed: common::closed_words(app, facts).await?,
        season,
        is_by_trail: unit == UnitKind::Trail,
        until: query.get("until").unwrap_or_default().to_owned(),
        of: of.unwrap_or_default().to_owned(),
        of_error,
        notices: notices.iter().map(|notice| notice_row(notice, today, &form.wordings)).collect(),
        form,
    };
    let status = if shown.of_error.is_some() { StatusCode::BAD_REQUEST } else { status };
    let frame = common::frame(facts, Section::Analysis, "This season against expectation", records);
    let markup = views::layout::page(&frame, views::watch::body(&shown));
    Ok((status, Cached(CachePolicy::Never, markup)).into_response())
}

/// The form with the trails and wordings there are; where no wording was chosen, with one that is true of the trail.
fn completed(app: &App, facts: &Facts, form: NoticeForm, outstanding: &[String]) -> NoticeForm {
    let title = |wording: &notice::NoticeWording| wording.title.replace("{trail}", "the trail");
    let known = wordings(app);
    let more = known.iter().find(|wording| wording.key == MORE_THAN_USUAL);
    let usual = match outstanding.contains(&form.trail) {
        true => more,
        false => known.iter().find(|wording| wording.key != MORE_THAN_USUAL),
    };
    let chosen = if form.wording.is_empty() { usual.map(|wording| wording.key.clone()) } else { None };
    let may_say_more = more.map(|more| (title(more), outstanding.to_vec()));
    NoticeForm {
        trails: facts.trails.iter().map(|trail| trail.name.clone()).collect(),
        wordings: known.iter().map(|wording| (wording.key.clone(), title(wording))).collect(),
        wording: chosen.unwrap_or_else(|| form.wording.clone()),
        may_say_more,
        basis: facts.basis.to_string(),
        ..form
    }
}

/// What stands out this season, by trail, whichever unit it was found in.
struct Outstanding {
    /// Trail and the last day of a finding on it or on a stretch of it.
    on: Vec<(String, Date)>,
    /// Whether the area as a whole stands out.
    is_area: bool,
    /// Why nothing can be said to stand out, where nothing can.
    unknown: Option<String>,
}

impl Outstanding {
    /// By stretches and by trails, up to the last day of the data.
    async fn of(app: &App, facts: &Derived<Facts>) -> Result<Self, Error> {
        let mut found = Self { on: Vec::new(), is_area: false, unknown: None };
        for unit in [UnitKind::Stretch, UnitKind::Trail] {
            let layer = match app.deriver().watch(facts, WatchChoice { unit, until: None }).await {
                Ok(layer) => layer,
                Err(DeriveError::Unanswerable(reason)) => {
                    found.unknown = Some(reason);
                    continue;
                }
                Err(error) => return Err(error.into()),
            };
            for alarm in &layer.watch.alarms {
                match alarm.watched {
                    Watched::All => found.is_area = true,
                    Watched::Unit(unit) => {
                        let trail = facts.trails.get(layer.trails[unit]).map(|trail| trail.name.clone());
                        let last = layer.weeks[alarm.until_week].1;
                        found.on.extend(trail.map(|trail| (trail, last)));
                    }
                }
            }
        }
        Ok(found)
    }

    /// The trails of which it is true on a day that more than usual was reported lately.
    fn lately(&self, day: Date) -> Vec<String> {
        let mut trails: Vec<String> =
            self.on.iter().filter(|(_, last)| !is_past(*last, day)).map(|(trail, _)| trail.clone()).collect();
        trails.sort();
        trails.dedup();
        trails
    }

    /// Why a notice that is put up on a day must not say that more than usual was reported along a trail; none where it may.
    fn why_not(&self, trail: &str, day: Date, instead: &str) -> Option<String> {
        let last = self.on.iter().filter(|(on, _)| on == trail).map(|(_, last)| *last).max();
        let reason = match (last, &self.unknown) {
            (Some(last), _) if !is_past(last, day) => return None,
            (Some(last), _) => format!(
                "what stood out along {trail} ended on {}, over four weeks before the first day of the notice",
                day_words(last)
            ),
            (None, Some(unknown)) => format!("nothing can be said to stand out along {trail}. {unknown}"),
            (None, None) if self.is_area => {
                format!("the whole area stands out now, but {trail} and its stretches do not by themselves")
            }
            (None, None) => format!("nothing stands out along {trail} now, nor along any stretch of it"),
        };
        let reason = reason.trim_end_matches('.');
        Some(format!(
            "{reason}. A sign must not say that more snakes than usual were reported there. {instead}"
        ))
    }
}

/// What staff may choose in place of saying that more than usual was reported.
fn instead(app: &App, trail: &str) -> String {
    match app.texts().notices.first().and_then(NoticeCatalogue::general) {
        Some(wording) => format!("Choose instead: {}.", wording.title.replace("{trail}", trail)),
        None => "The texts of notices have no other wording: add one that is true at any time.".to_owned(),
    }
}

/// The wordings of notices in the first language.
fn wordings(app: &App) -> &[notice::NoticeWording] {
    app.texts().notices.first().map(|catalogue| catalogue.wordings.as_slice()).unwrap_or_default()
}

fn season(facts: &Facts, layer: &WatchLayer, today: Date) -> SeasonShown {
    let n_weeks = layer.weeks.len();
    let is_unexposed =
        |weeks: &&[WeekState]| weeks.iter().all(|week| matches!(week, WeekState::NoExposure { .. }));
    let years: Vec<String> = layer.former_years.iter().map(|year| layer.season_year.words(*year)).collect();
    let variation = &layer.variation;
    SeasonShown {
        until: day_words(layer.until),
        age: match is_past(layer.until, today) {
            true => format!("The last day looked at is {}: nothing here speaks of the last weeks.", day_words(layer.until)),
            false => String::new(),
        },
        weeks: layer.watch.all.iter().zip(&layer.weeks).map(|(state, days)| week(state, days.0)).collect(),
        names: layer.names.clone(),
        chosen: None,
        alarms: layer.watch.alarms.iter().map(|alarm| alarm_shown(facts, layer, alarm, today)).collect(),
        false_alarms: (
            layer.watch.false_alarms,
            layer.watch.false_alarms_error,
            facts.settings.watch_false_alarms,
        ),
        threshold: layer.watch.threshold,
        n_units: layer.names.len(),
        n_unexposed: layer.watch.weeks.chunks(n_weeks).filter(is_unexposed).count(),
        basis: vec![
            format!(
                "expectation rests on {} reports of {}; this season has {} reports",
                layer.n_former,
                years.join(", "),
                layer.n_observed
            ),
            match layer.n_without_day {
                1 => "one report on a trail has no day and is in neither".to_owned(),
                n => format!("{n} reports on trails have no day and are in neither"),
            },
            format!(
                "weekly counts vary {:.2} times as much as chance alone, whole years by {:.0} % ({} former years, and a prior worth two)",
                variation.dispersion,
                variation.year_variation * 100.0,
                variation.n_years
            ),
            "walking within a month is shared evenly over its days; this season's walking comes from this season's counters"
                .to_owned(),
            format!("windows of one to {:.0} weeks are looked at", facts.settings.watch_weeks),
        ],
    }
}

/// The weeks of the unit of a name, whatever its case; none where there is no such unit.
fn chosen(layer: &WatchLayer, name: &str) -> Option<ChosenShown> {
    let wanted = name.to_lowercase();
    let unit = layer.names.iter().position(|name| name.to_lowercase() == wanted)?;
    let n_weeks = layer.weeks.len();
    let states = layer.watch.weeks.get(unit * n_weeks..(unit + 1) * n_weeks)?;
    let is_here = |alarm: &&Alarm| alarm.watched == Watched::Unit(unit);
    Some(ChosenShown {
        name: layer.names[unit].clone(),
        walking: if layer.is_assumed[unit] { WALKING_IS_ASSUMED } else { "" },
        weeks: states.iter().zip(&layer.weeks).map(|(state, days)| week(state, days.0)).collect(),
        is_unexposed: states.iter().all(|state| matches!(state, WeekState::NoExposure { .. })),
        n_alarms: layer.watch.alarms.iter().filter(is_here).count(),
    })
}

/// A week as it is drawn.
pub(in crate::web) fn week(state: &WeekState, first: Date) -> WeekShown {
    let label = short_words(first);
    match *state {
        WeekState::NoExposure { observed } => WeekShown { label, observed, expected: None },
        WeekState::Expected { observed, expected, limits, tail } => {
            WeekShown { label, observed, expected: Some((expected, limits, tail)) }
        }
    }
}

/// Whether a day is over four weeks ago: what was so then need not be so now.
fn is_past(day: Date, today: Date) -> bool {
    day.saturating_add(jiff::Span::new().days(LATELY_DAYS)) < today
}

fn alarm_shown(facts: &Facts, layer: &WatchLayer, alarm: &Alarm, today: Date) -> AlarmShown {
    let (name, trail) = match alarm.watched {
        Watched::All => ("the whole area".to_owned(), None),
        Watched::Unit(unit) => {
            let trail = facts.trails.get(layer.trails[unit]).map(|trail| trail.name.clone());
            (layer.names[unit].clone(), trail)
        }
    };
    let first = layer.weeks[alarm.first_week].0;
    let last = layer.weeks[alarm.last_week].1;
    let is_assumed = match alarm.watched {
        Watched::All => false,
        Watched::Unit(unit) => layer.is_assumed[unit],
    };
    AlarmShown {
        name,
        trail,
        walking: if is_assumed { WALKING_IS_ASSUMED } else { "" },
        weeks: format!("{} to {}", short_words(first), short_words(last)),
        called: format!("first called in the week from {}", short_words(layer.weeks[alarm.called_week].0)),
        observed: alarm.observed,
        expected: alarm.expected,
        limits: alarm.limits,
        tail: alarm.tail,
        is_past: is_past(layer.weeks[alarm.until_week].1, today),
    }
}

fn short_words(date: Date) -> String {
    let month = MONTHS[usize::from(date.month().unsigned_abs()) - 1];
    format!("{} {}", date.day(), &month[..3])
}

pub(super) fn day_words(date: Date) -> String {
    let month = MONTHS[usize::from(date.month().unsigned_abs()) - 1];
    format!("{} {month} {}", date.day(), date.year())
}

fn state_words(state: NoticeState) -> &'static str {
    match state {
        NoticeState::ToCome => "to come",
        NoticeState::Active => "active",
        NoticeState::Expired => "expired",
        NoticeState::Withdrawn => "withdrawn",
    }
}

fn notice_row(notice: &Notice, today: Date, wordings: &[(String, String)]) -> NoticeRow {
    let key = &notice.given.wording_key;
    let wording = wordings.iter().find(|(known, _)| known == key);
    let state = notice.state(today);
    let withdrawn = notice.withdrawal.as_ref().map(|it| format!("; withdrawn by {}", it.by));
    NoticeRow {
        id: notice.id.0,
        trail: notice.given.trail.clone(),
        // A wording that staff have since taken out of the catalogue keeps its key.
        wording: wording.map_or_else(|| key.clone(), |(_, title)| title.clone()),
        days: format!("{} to {}", day_words(notice.given.start), day_words(notice.given.expiry)),
        state: state_words(state).to_owned(),
        can_withdraw: matches!(state, NoticeState::ToCome | NoticeState::Active),
        reason: notice.given.reason.clone(),
        by: format!("{}{}", notice.given.made_by, withdrawn.unwrap_or_default()),
        rests_on: rests_on(notice),
    }
}

/// "data revision 12; default settings, 200 draws, seed 1".
fn rests_on(notice: &Notice) -> String {
    let revision = notice.given.based_on;
    match notice.given.settings.as_str() {
        "" => format!("data revision {revision}; the settings of that time were not kept with it"),
        settings => format!("data revision {revision}; {settings}"),
    }
}

/// Makes a notice.
pub async fn make(
    app: Exact,
    who: Who,
    Form(given): Form<HashMap<String, String>>,
) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let text = |name: &str| given.get(name).map(|value| value.trim().to_owned()).unwrap_or_default();
    let mut form = NoticeForm {
        trail: text("trail"),
        wording: text("wording"),
        start: text("start"),
        expiry: text("expiry"),
        reason: text("reason"),
        name: who.signs_as(&text("name")),
        is_signed: who != Who::ThisMachine,
        only_looks: !who.may(Right::Manage),
        ..NoticeForm::default()
    };
    let shown = text("basis");
    let is_anew = !shown.is_empty() && shown != facts.basis.to_string();
    let anew = ("basis".to_owned(), WORKED_OUT_ANEW.to_owned());
    let mut drafted = draft(&app, &facts, &form);
    if form.wording == MORE_THAN_USUAL && facts.trails.iter().any(|trail| trail.name == form.trail) {
        let today = app.clock().today(&facts.area.time_zone);
        let day = form.start.parse::<Date>().map_or(today, |start| start.max(today));
        let outstanding = Outstanding::of(&app, &facts).await?;
        if let Some(words) = outstanding.why_not(&form.trail, day, &instead(&app, &form.trail)) {
            let mut errors = drafted.err().unwrap_or_default();
            errors.push(("wording".to_owned(), words));
            drafted = Err(errors);
        }
    }
    match drafted {
        Ok(_) if is_anew => form.errors = vec![anew],
        Ok(draft) => {
            let summary = format!("temporary notice about {}", draft.trail);
            let mut writer = app.store().write(&draft.made_by, &summary, app.clock().now_s()).await?;
            match writer.add_notice(facts.area.id, &draft).await? {
                Ok(id) => {
                    writer.commit().await?;
                    return Ok(Redirect::to(&format!("/notices/{id}")).into_response());
                }
                Err(invalid) => form.errors = vec![field_of(invalid)],
            }
        }
        // The form comes back with the figures of today: it says so beside what else is wrong.
        Err(errors) => form.errors = is_anew.then_some(anew).into_iter().chain(errors).collect(),
    }
    page(&app, &facts, &Query::default(), form, StatusCode::BAD_REQUEST).await
}

fn field_of(invalid: InvalidNotice) -> (String, String) {
    let field = match invalid {
        InvalidNotice::Missing("the trail") => "trail",
        InvalidNotice::Missing("the wording") => "wording",
        InvalidNotice::Missing("the reason") => "reason",
        InvalidNotice::Missing(_) => "name",
        InvalidNotice::Order | InvalidNotice::TooLong => "expiry",
    };
    (field.to_owned(), invalid.to_string())
}

/// Reads a notice, or says field by field what is wrong with it.
fn draft(app: &App, facts: &Derived<Facts>, form: &NoticeForm) -> Result<NoticeDraft, Vec<(String, String)>> {
    let mut errors = Vec::new();
    let mut refuse = |field: &str, words: &str| errors.push((field.to_owned(), words.to_owned()));
    if !facts.trails.iter().any(|trail| trail.name == form.trail) {
        refuse("trail", "choose one of the trails");
    }
    if !wordings(app).iter().any(|wording| wording.key == form.wording) {
        refuse("wording", "choose one of the wordings");
    }
    let (start, expiry) = (form.start.parse::<Date>(), form.expiry.parse::<Date>());
    if start.is_err() {
        refuse("start", "give the first day");
    }
    if expiry.is_err() {
        refuse("expiry", "give the last day: a notice always ends");
    }
    for (field, text, words) in
        [("reason", &form.reason, "say why"), ("name", &form.name, "say who makes it")]
    {
        if text.is_empty() {
            refuse(field, words);
        }
    }
    let reason = form.reason.to_lowercase();
    let names_it = |name: &str| !name.trim().is_empty() && reason.contains(&name.to_lowercase());
    if facts.sensitive_places.iter().any(|place| names_it(&place.name)) {
        refuse("reason", "a sensitive place must not be named, here neither");
    }
    match (start, expiry) {
        (Ok(start), Ok(expiry)) if errors.is_empty() => Ok(NoticeDraft {
            trail: form.trail.clone(),
            wording_key: form.wording.clone(),
            start,
            expiry,
            reason: form.reason.clone(),
            made_by: form.name.clone(),
            based_on: facts.revision,
            settings: common::settings_words(facts),
        }),
        _ => Err(errors),
    }
}

/// Takes a notice back.
pub async fn withdraw(
    app: Exact,
    who: Who,
    Path(id): Path<String>,
    Form(given): Form<HashMap<String, String>>,
) -> Result<Redirect, Error> {
    let id = NoticeId(query::key(&id, "notice")?);
    let name = &who.signs_as(given.get("name").map(|name| name.trim()).unwrap_or_default());
    if name.is_empty() {
        return Err(Error::bad_request("name", "Say who withdraws the notice."));
    }
    let summary = format!("temporary notice {id} withdrawn");
    let mut writer = app.store().write(name, &summary, app.clock().now_s()).await?;
    if !writer.withdraw_notice(id, name).await? {
        return Err(Error::NotFound(format!("There is no notice {id} that could be withdrawn.")));
    }
    writer.commit().await?;
    Ok(Redirect::to("/watch"))
}

/// One notice, to be printed.
pub async fn notice(app: Exact, Path(id): Path<String>) -> Result<Response, Error> {
    let id = NoticeId(query::key(&id, "notice")?);
    let facts = app.deriver().facts().await?;
    let found = app.store().snapshot().await?.notice(id).await?;
    let found = found.ok_or_else(|| Error::NotFound(format!("There is no notice {id}.")))?;
    let mut texts = Vec::new();
    for (notices, signs) in app.texts().notices.iter().zip(&app.texts().wording) {
        let text = notice_text(&facts, &found, notices, signs);
        texts.extend(text.map(|text| (notices.language.clone(), text)));
    }
    let state = found.state(app.clock().today(&facts.area.time_zone));
    let page = NoticePage {
        texts,
        not_standing: match state {
            NoticeState::Active => None,
            NoticeState::ToCome => Some("Its first day is still to come.".to_owned()),
            NoticeState::Expired | NoticeState::Withdrawn => {
                Some(format!("This notice is {}: do not put it up.", state_words(state)))
            }
        },
        foot: format!("{}, notice {id}, data revision {}", facts.area.name, found.given.based_on),
        staff: vec![
            format!(
                "Notice {id} of {}: {}, {} to {}.",
                facts.area.name,
                found.given.trail,
                day_words(found.given.start),
                day_words(found.given.expiry)
            ),
            format!("What was found rests on {}.", rests_on(&found)),
        ],
    };
    let frame = common::frame(&facts, Section::Analysis, "Temporary notice", String::new());
    let markup = views::layout::page(&frame, views::notice::body(&page));
    Ok(Cached(CachePolicy::Never, markup).into_response())
}

fn notice_text(
    facts: &Facts,
    found: &Notice,
    notices: &notice::NoticeCatalogue,
    signs: &wording::Catalogue,
) -> Option<NoticeText> {
    let day = |date: Date| notices.day(signs, date);
    let fields = NoticeFields {
        trail: found.given.trail.clone(),
        start: day(found.given.start),
        expiry: day(found.given.expiry),
        emergency_number: facts.area.emergency_number.clone(),
        keep_distance: facts.area.keep_distance,
    };
    let text = notice::text(notices, signs, &found.given.wording_key, &fields);
    text.map(|text| NoticeText {
        signal_word: text.signal_word,
        title: text.title,
        lines: text.lines,
        emergency: text.emergency,
        first_aid: text.first_aid,
        authority: text.authority,
    })
}
