//! The settings of an area and its own facts: shown, changed, taken back to their defaults.

use axum::extract::Form;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;

use crate::app::App;
use crate::derived::settings::GROUPS;
use crate::derived::settings::Setting;
use crate::derived::settings::Settings;
use crate::domain::approach::CoreReaction;
use crate::domain::area::Area;
use crate::domain::units::Length;
use crate::store::AreaDraft;
use crate::store::Change;
use crate::store::RecordKind;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
use crate::web::pages::common::when;
use crate::web::views;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;
use crate::web::views::settings::SettingRow;
use crate::web::views::settings::SettingsPage;

/// Settings that no group names stand under this heading.
const OTHERS: &str = "Other computations";
/// Where the form comes back to.
const ADDRESS: &str = "/data/settings";
/// The longest name of a reaction, in characters.
const LONGEST_TERM: usize = 60;
const ASK_REASON: &str = "Say why: it is kept with the change.";

/// The area with its settings and what changed.
struct Known {
    area: Area,
    settings: Settings,
    reactions: Vec<(String, bool)>,
    changes: Vec<Change>,
    revision: u64,
}

async fn known(app: &App) -> Result<Known, Error> {
    let mut snapshot = app.store().snapshot().await?;
    let area = common::first_area(snapshot.areas().await?)?;
    let stored = snapshot.settings(area.id).await?;
    let settings = Settings::from_stored(&stored).map_err(|error| Error::Internal(error.to_string()))?;
    let mut changes = snapshot.changes(RecordKind::Setting, area.id.0).await?;
    changes.extend(snapshot.changes(RecordKind::Area, area.id.0).await?);
    changes.sort_by_key(|change| std::cmp::Reverse(change.revision));
    let reactions = snapshot.reaction_terms(area.id).await?;
    Ok(Known { area, settings, reactions, changes, revision: snapshot.revision().0 })
}

/// The page.
pub async fn show(app: Exact, who: Who) -> Result<Response, Error> {
    let known = known(&app).await?;
    let area = area_form(&known.area).with_signer(&who);
    let reaction = Given::signed_by(&who);
    Ok(respond(StatusCode::OK, &known, Forms { given: Given::signed_by(&who), area, reaction }))
}

/// Changes settings, or takes one back to its default.
pub async fn change(
    app: Exact,
    who: Who,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let known = known(&app).await?;
    let mut given = Given::new(pairs).with_signer(&who);
    let who = given.signer();
    let reason = given.required("reason", ASK_REASON);
    let changes = match given.get("reset").to_owned() {
        key if key.is_empty() => changed_settings(&mut given, &known.settings),
        key if known.settings.list().iter().any(|setting| setting.key == key) => vec![(key, String::new())],
        key => return Err(Error::bad_request("reset", format!("There is no setting \"{key}\"."))),
    };
    check_together(&mut given, &known.settings, &changes);
    if given.is_good() && changes.is_empty() {
        given.refuse("form", "No value differs from the one in use, so nothing was changed.");
    }
    if !given.is_good() {
        let area = area_form(&known.area).with_same_signer(&given);
        let reaction = Given::default().with_same_signer(&given);
        return Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, &known, Forms { given, area, reaction }));
    }
    let mut writer = app.store().write(&who, &reason, app.clock().now_s()).await?;
    for (key, value) in changes {
        writer.set_setting(known.area.id, &key, &value).await?;
    }
    writer.commit().await?;
    Ok(Redirect::to(&format!("{ADDRESS}#history")).into_response())
}

/// The settings that the form changes, with their new value as text; empty takes one back to its default. What is wrong is
/// said at its field.
fn changed_settings(given: &mut Given, settings: &Settings) -> Vec<(String, String)> {
    let mut changes = Vec::new();
    for setting in settings.list() {
        let typed = match changed(given, setting.key, &setting.value.to_string()) {
            Some(typed) => typed,
            None => continue,
        };
        if typed.is_empty() {
            changes.push((setting.key.to_owned(), typed));
            continue;
        }
        match settings.with(setting.key, &typed) {
            Ok(_) => changes.push((setting.key.to_owned(), typed)),
            Err(error) => given.refuse(setting.key, format!("{error}.")),
        }
    }
    changes
}

/// What a field was changed to; none where it was not. Where somebody else has changed it since the form was shown, it is
/// refused.
fn changed(given: &mut Given, name: &str, now: &str) -> Option<String> {
    let (typed, was) = (given.get(name).to_owned(), given.get(&format!("was:{name}")).to_owned());
    if !given.has(name) || typed == was {
        return None;
    }
    if was != now && given.has(&format!("was:{name}")) {
        given.refuse(
            name,
            format!("This was changed to {now} since you opened the page; {was} stood here then."),
        );
        return None;
    }
    Some(typed)
}

/// Values that are right by themselves but not beside each other.
fn check_together(given: &mut Given, settings: &Settings, changes: &[(String, String)]) {
    let mut after = settings.clone();
    for (key, value) in changes {
        let default = Settings::default().list().into_iter().find(|setting| setting.key == key);
        let default = default.map(|setting| setting.value.to_string()).unwrap_or_default();
        if let Ok(changed) = after.with(key, if value.is_empty() { &default } else { value }) {
            after = changed;
        }
    }
    if after.heed_low > after.heed_high {
        given.refuse("heed-low", "This must not be above the high heed probability.");
    }
}

/// Changes the area's own facts.
pub async fn change_area(
    app: Exact,
    who: Who,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let known = known(&app).await?;
    let mut given = Given::new(pairs).with_signer(&who);
    let who = given.signer();
    let reason = given.required("reason", ASK_REASON);
    let draft = area_draft(&mut given, &known.area);
    if !given.is_good() {
        let empty = Given::default().with_same_signer(&given);
        let forms = Forms { given: empty.clone(), area: given, reaction: empty };
        return Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, &known, forms));
    }
    let mut writer = app.store().write(&who, &reason, app.clock().now_s()).await?;
    writer.change_area(known.area.id, &draft).await?;
    writer.commit().await?;
    Ok(Redirect::to(&format!("{ADDRESS}#history")).into_response())
}

/// Adds a reaction to those of the area.
pub async fn add_reaction(
    app: Exact,
    who: Who,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let known = known(&app).await?;
    let mut given = Given::new(pairs).with_signer(&who);
    let who = given.signer();
    let reason = given.required("reason", ASK_REASON);
    let term = given.required("term", "Give the reaction a name.").to_lowercase();
    if term.contains([';', '@']) || term.chars().any(char::is_control) || term.chars().count() > LONGEST_TERM
    {
        let words = format!("A reaction is at most {LONGEST_TERM} characters, without semicolon or @.");
        given.refuse("term", words);
    }
    if known.reactions.iter().any(|(known, _)| *known == term) {
        given.refuse("term", "The area has this reaction already.");
    }
    let is_strike = match given.get("strike") {
        "yes" => true,
        "" | "no" => false,
        _ => {
            given.refuse("strike", "Say yes or no.");
            false
        }
    };
    if !given.is_good() {
        let area = area_form(&known.area).with_same_signer(&given);
        let forms = Forms { given: Given::default().with_same_signer(&given), area, reaction: given };
        return Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, &known, forms));
    }
    let mut writer = app.store().write(&who, &reason, app.clock().now_s()).await?;
    writer.add_reaction_term(known.area.id, &term, is_strike).await?;
    writer.commit().await?;
    Ok(Redirect::to(&format!("{ADDRESS}#reactions")).into_response())
}

fn area_draft(given: &mut Given, area: &Area) -> AreaDraft {
    let now = area_form(area);
    let mut fact = |name: &str, ask: &str| {
        let typed = changed(given, name, now.get(name)).unwrap_or_else(|| now.get(name).to_owned());
        if typed.is_empty() && !ask.is_empty() {
            given.refuse(name, ask);
        }
        typed
    };
    let name = fact("area-name", "Give the area's name.");
    let time_zone = fact("area-zone", "Give the area's time zone.");
    let emergency_number = fact("area-emergency", "Give the local emergency number.");
    let keep_m = fact("area-keep", "");
    if jiff::tz::TimeZone::get(&time_zone).is_err() {
        given
            .refuse("area-zone", format!("\"{time_zone}\" is not an IANA time zone, such as Europe/Vienna."));
    }
    let metres = keep_m.parse::<f64>().ok().filter(|metres| *metres > 0.0 && *metres <= 1000.0);
    let keep_distance = metres.and_then(|metres| Length::metres(metres).ok());
    if keep_distance.is_none() && !keep_m.is_empty() {
        given.refuse("area-keep", format!("\"{keep_m}\" is not a number of metres above 0, up to 1,000."));
    }
    AreaDraft { name, time_zone, emergency_number, keep_distance }
}

/// The area's facts as a form shows them first.
fn area_form(area: &Area) -> Given {
    let mut form = Given::default();
    let keep = area.keep_distance.map(|distance| distance.in_metres().to_string()).unwrap_or_default();
    let fields = [
        ("area-name", &area.name),
        ("area-zone", &area.time_zone),
        ("area-emergency", &area.emergency_number),
        ("area-keep", &keep),
    ];
    for (name, value) in fields {
        form.set(name, value.clone());
        form.set(&format!("was:{name}"), value.clone());
    }
    form
}

/// The forms of the page as given.
struct Forms {
    given: Given,
    area: Given,
    reaction: Given,
}

fn respond(status: StatusCode, known: &Known, forms: Forms) -> Response {
    let Forms { given, area, reaction } = forms;
    let is_core = |term: &str| term.parse::<CoreReaction>().is_ok();
    let reactions = known.reactions.iter().map(|(term, is_strike)| (term.clone(), *is_strike, is_core(term)));
    let history = history(&known.changes);
    let page = SettingsPage {
        groups: groups(known),
        given,
        area,
        reactions: reactions.collect(),
        reaction,
        history,
    };
    let frame = Frame {
        title: "Settings".to_owned(),
        section: Section::Data,
        area_name: known.area.name.clone(),
        basis: Basis {
            revision: Some(known.revision),
            written_on: String::new(),
            records: String::new(),
            parameters: known.settings.words(),
        },
        width: Width::Column,
        reader: Reader::Staff,
    };
    // The history grows with revisions, and the form comes back with what was typed: nothing to keep.
    (status, Cached(CachePolicy::Never, views::layout::page(&frame, views::settings::body(&page))))
        .into_response()
}

fn groups(known: &Known) -> Vec<(String, Vec<SettingRow>)> {
    let mut left = known.settings.list();
    let mut groups = Vec::new();
    for (heading, keys) in GROUPS {
        let (here, others): (Vec<Setting>, Vec<Setting>) =
            left.into_iter().partition(|setting| keys.contains(&setting.key));
        groups
            .push(((*heading).to_owned(), here.iter().map(|setting| setting_row(setting, known)).collect()));
        left = others;
    }
    groups.push((OTHERS.to_owned(), left.iter().map(|setting| setting_row(setting, known)).collect()));
    groups.retain(|(_, rows): &(String, Vec<SettingRow>)| !rows.is_empty());
    groups
}

fn setting_row(setting: &Setting, known: &Known) -> SettingRow {
    let (low, high) = setting.range;
    let last =
        known.changes.iter().find(|change| change.fields.iter().any(|field| field.field == setting.key));
    SettingRow {
        key: setting.key.to_owned(),
        words: setting.words.to_owned(),
        unit: setting.unit.to_owned(),
        value: setting.value.to_string(),
        default: setting.default.to_string(),
        range: format!("{low} to {high}"),
        why: setting.why.to_owned(),
        last: last
            .map(|change| format!("by {}, {}", change.actor, when(change.changed_at_s)))
            .unwrap_or_default(),
    }
}

fn history(changes: &[Change]) -> Vec<[String; 4]> {
    let words = |text: &str| if text.is_empty() { "the default".to_owned() } else { text.to_owned() };
    changes
        .iter()
        .map(|change| {
            let what = change.fields.iter().map(|field| {
                format!("{} from {} to {}", field.field, words(&field.before), words(&field.after))
            });
            let what = what.collect::<Vec<_>>().join("; ");
            [when(change.changed_at_s), change.actor.clone(), what, change.summary.clone()]
        })
        .collect()
}
