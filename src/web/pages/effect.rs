//! Did it help: what signs did, what could be found out, and the record of signs put up, inspected and taken down.

use std::collections::HashMap;

use axum::extract::Form;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::effect::EffectLayer;
use crate::derived::effect::PlanningBasis;
use crate::derived::effect::ShowsPlace;
use crate::derived::effect::SignStanding;
use crate::derived::effect::Wait;
use crate::derived::effect::power_rows;
use crate::derived::effect::shows_place;
use crate::derived::facts::Facts;
use crate::domain::account::Right;
use crate::domain::geography::LonLat;
use crate::domain::ids::SignPlanId;
use crate::domain::sign::SignCondition;
use crate::domain::sign::SignInspectionDraft;
use crate::store::SignInPlace;
use crate::store::SignInPlaceDraft;
use crate::store::Tally;
use crate::store::Target;
use crate::store::Writer;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::effect_watch;
use crate::web::pages::effect_words;
use crate::web::query;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::thousands;
use crate::web::views::effect::EffectPage;
use crate::web::views::effect::PlanningShown;
use crate::web::views::effect::SignShown;
use crate::web::views::layout::Section;

/// A form as sent: value by field.
pub(super) type Fields = HashMap<String, String>;

/// Length of a name in a form.
pub(super) const LONGEST: usize = 200;

/// The page.
pub async fn show(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["per_sign", "all", "before"])?;
    let facts = app.deriver().facts().await?;
    let (mut page, records) = page(&app, &facts, &query).await?;
    page.is_signed = who != Who::ThisMachine;
    page.only_looks = !who.may(Right::Manage);
    let status = if page.planning.errors.is_empty() { StatusCode::OK } else { StatusCode::BAD_REQUEST };
    let policy = CachePolicy::of_revision(facts.revision, format!("effect {}", query.words()));
    Ok(respond(status, policy, &facts, records, &page))
}

fn respond(
    status: StatusCode,
    policy: CachePolicy,
    facts: &Derived<Facts>,
    records: String,
    page: &EffectPage,
) -> Response {
    let frame = common::frame(facts, Section::Analysis, "Did the signs help?", records);
    (status, Cached(policy, views::layout::page(&frame, views::effect::body(page)))).into_response()
}

async fn page(app: &App, facts: &Derived<Facts>, query: &Query) -> Result<(EffectPage, String), Error> {
    let layer = app.deriver().effect(facts).await?;
    let (zone, now_s) = (zone(facts), app.clock().now_s());
    let records = format!(
        "{} planned survey walks with {} encounters on {:.0} km outside places",
        layer.planning.n_walks, layer.planning.encounters, layer.planning.survey_km
    );
    let page = EffectPage {
        closed: common::closed_words(app, facts).await?,
        headline: effect_words::headline(&layer),
        signs: layer.signs.iter().map(|sign| sign_shown(facts, sign, &zone, now_s)).collect(),
        campaigns: match &layer.campaigns {
            Ok(campaigns) => {
                Ok(campaigns.iter().map(|campaign| effect_words::campaign(campaign, &layer, &zone)).collect())
            }
            Err(why) => Err(why.clone()),
        },
        planning: planning(&layer, facts, query)?,
        watching: effect_watch::shown(&layer),
        plans: app
            .deriver()
            .sign_plans(facts)
            .await?
            .into_iter()
            .map(|plan| (plan.id.0, plan.given.name))
            .collect(),
        given: Vec::new(),
        errors: Vec::new(),
        is_signed: false,
        only_looks: false,
    };
    Ok((page, records))
}

pub(super) fn zone(facts: &Facts) -> TimeZone {
    TimeZone::get(&facts.area.time_zone).unwrap_or(TimeZone::UTC)
}

/// A day in words, local to the area.
pub(super) fn day_words(instant_s: i64, zone: &TimeZone) -> String {
    Timestamp::from_second(instant_s)
        .map(|instant| zone.to_datetime(instant).strftime("%-d %B %Y").to_string())
        .unwrap_or_else(|_| "at an unknown time".to_owned())
}

fn sign_shown(facts: &Facts, standing: &SignStanding, zone: &TimeZone, now_s: i64) -> SignShown {
    let given = &standing.sign.given;
    let up = day_words(given.up_s, zone);
    SignShown {
        id: standing.sign.id.0,
        name: given.name.clone(),
        kind: match standing.plan.is_empty() {
            true => given.kind.clone(),
            false => format!("{}, for {}", given.kind, standing.plan),
        },
        stands: match given.down_s {
            Some(down_s) => format!("{up} to {}", day_words(down_s, zone)),
            None => format!("since {up}"),
        },
        is_up: given.down_s.is_none(),
        warns: match () {
            () if !standing.is_by_trail => "nobody: it stands away from the trails".to_owned(),
            () if standing.warns_on.is_empty() => {
                "no stretch on which most walkers are in its reach".to_owned()
            }
            () => format!("{:.1} km of {}", standing.warns_km, standing.warns_on.join(" and ")),
        },
        shows: match shows_place(facts, &standing.sign, now_s) {
            ShowsPlace::No => "",
            ShowsPlace::WithinBuffer => {
                "It stands within the buffer of a sensitive place and gives it away: take it down, or put it up farther off."
            }
            ShowsPlace::OneOfTwo => {
                "Two signs or more stand near one sensitive place, which then can be guessed: all but one should stand elsewhere."
            }
        },
        inspected: match &standing.inspected {
            None => "none".to_owned(),
            Some(inspection) => {
                let by = match inspection.given.inspected_by.as_str() {
                    "" => String::new(),
                    name => format!(", by {name}"),
                };
                let day = day_words(inspection.given.inspected_at_s, zone);
                format!("{}, {day}{by} ({} in all)", inspection.given.condition, standing.n_inspections)
            }
        },
    }
}

fn planning(layer: &EffectLayer, facts: &Facts, query: &Query) -> Result<PlanningShown, Error> {
    let basis = &layer.planning;
    let usual = Wait::usual(basis, facts.settings.effect_variation);
    let labels = [
        ("per_sign", "Survey encounters a year where one sign warns", basis.per_sign_year),
        ("all", "Survey encounters a year on all trails", usual.all_per_year),
        ("before", "Years counted before", usual.years_before),
    ];
    let mut errors = Vec::new();
    let mut numbers = Vec::new();
    let mut fields = Vec::new();
    for (name, label, usual) in labels {
        let text = query.get(name).map_or_else(|| format!("{usual:.2}"), str::to_owned);
        let range = if name == "before" { 0.1..=100.0 } else { 0.0..=100_000.0 };
        let number = text.parse::<f64>().ok().filter(|number| range.contains(number));
        if number.is_none() {
            let words = format!("give a number from {} to {}", range.start(), thousands(*range.end() as i64));
            errors.push((name.to_owned(), words));
        }
        numbers.push(number);
        fields.push((name.to_owned(), label.to_owned(), text));
    }
    let rows = match numbers[..] {
        [Some(per_sign_year), Some(all_per_year), Some(years_before)] => {
            let variation = facts.settings.effect_variation;
            let wait = Wait { years_before, per_sign_year, all_per_year, variation };
            match power_rows(&wait) {
                Ok(rows) => Ok(rows),
                Err(DeriveError::Unanswerable(why)) => Err(why),
                Err(error) => return Err(error.into()),
            }
        }
        _ => Err("Mend what is marked above.".to_owned()),
    };
    let years = rows.as_ref().ok().and_then(|rows| rows.first()).map(|row| {
        let words = |years: f64| format!("after {years:.0} year{}", if years == 1.0 { "" } else { "s" });
        row.after.iter().map(|(years, _)| words(*years)).collect()
    });
    let shown = |row: &crate::derived::effect::PowerRow| {
        (row.n_signs, row.after.iter().map(|(_, found)| effect_words::detectable(*found)).collect())
    };
    Ok(PlanningShown {
        basis: basis_words(basis),
        variation: facts.settings.effect_variation,
        fields,
        errors,
        years: years.unwrap_or_default(),
        rows: rows.map(|rows| rows.iter().map(shown).collect()),
    })
}

fn basis_words(basis: &PlanningBasis) -> String {
    if basis.n_walks == 0 {
        return "No planned survey walk with a track has been brought in yet: enter what surveys would count."
            .to_owned();
    }
    let years = format!("{:.1}", basis.years);
    let years = years.strip_suffix(".0").unwrap_or(&years);
    format!(
        "So far {} planned survey walks over {years} year{} met {} snakes on {} km (outside places with visits), {:.1} a year on {:.0} km of trail. A sign of average \
         place would warn of {:.2} a year; chosen places of more. Change the numbers to see what other places, or more \
         walks, would show.",
        thousands(basis.n_walks as i64),
        if years == "1" { "" } else { "s" },
        thousands(basis.encounters as i64),
        thousands(basis.survey_km.round() as i64),
        basis.all_per_year,
        basis.trails_km,
        basis.per_sign_year
    )
}

/// Records a sign that was put up.
pub async fn put_up(app: Exact, who: Who, Form(given): Form<Fields>) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let mut errors = Vec::new();
    let (name, kind) = (needed(&given, "name", &mut errors), needed(&given, "kind", &mut errors));
    let by = signer(&who, &given, &mut errors);
    let mut degrees = |name: &str| {
        let found = given.get(name).and_then(|text| text.trim().parse::<f64>().ok());
        if found.is_none() {
            errors.push((name.to_owned(), "give degrees, as 37.61".to_owned()));
        }
        found
    };
    let (lat, lon) = (degrees("latitude"), degrees("longitude"));
    let position = lat.zip(lon).and_then(|(lat, lon)| match LonLat::new(lon, lat) {
        Ok(position) => Some(position),
        Err(error) => {
            errors.push(("latitude".to_owned(), error.to_string()));
            None
        }
    });
    let up_s = day(&app, &facts, &given, &mut errors);
    let plan = plan_of(&app, &facts, &given, &mut errors).await?;
    let (Some(name), Some(kind), Some(by), Some(position), Some(up_s), true) =
        (name, kind, by, position, up_s, errors.is_empty())
    else {
        return refused((&app, &who), &facts, given, errors).await;
    };
    let draft = SignInPlaceDraft { name, position, kind, plan, up_s, down_s: None };
    let summary = format!("sign {} put up", draft.name);
    let put =
        async |writer: &mut Writer, target: &Target| writer.put_signs_in_place(target, &[(0, draft)]).await;
    match write(&app, &facts, (&by, &summary), put).await? {
        None => Ok(Redirect::to("/effect").into_response()),
        Some(problem) => refused((&app, &who), &facts, given, vec![("form".to_owned(), problem)]).await,
    }
}

/// The kept plan that a sign goes up for, if one is named.
async fn plan_of(
    app: &App,
    facts: &Derived<Facts>,
    given: &Fields,
    errors: &mut Vec<(String, String)>,
) -> Result<Option<SignPlanId>, Error> {
    let Some(text) = given.get("plan").filter(|text| !text.trim().is_empty()) else { return Ok(None) };
    let plans = app.deriver().sign_plans(facts).await?;
    let found = plans.iter().find(|plan| plan.id.to_string() == text.trim()).map(|plan| plan.id);
    if found.is_none() {
        errors.push(("plan".to_owned(), "choose one of the plans".to_owned()));
    }
    Ok(found)
}

/// Records that a sign was taken down.
pub async fn take_down(
    app: Exact,
    who: Who,
    Path(id): Path<String>,
    Form(given): Form<Fields>,
) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let sign = sign(&facts, &id)?.clone();
    let mut errors = Vec::new();
    let by = signer(&who, &given, &mut errors);
    let down_s = day(&app, &facts, &given, &mut errors);
    if down_s.is_some_and(|down_s| down_s <= sign.given.up_s) {
        errors.push(("day".to_owned(), "the sign came down before it was up".to_owned()));
    }
    let (Some(by), Some(down_s), true) = (by, down_s, errors.is_empty()) else {
        return refused((&app, &who), &facts, HashMap::new(), in_one(&errors)).await;
    };
    let summary = format!("sign {} taken down", sign.given.name);
    let draft = SignInPlaceDraft { down_s: Some(down_s), ..sign.given };
    let put =
        async |writer: &mut Writer, target: &Target| writer.put_signs_in_place(target, &[(0, draft)]).await;
    match write(&app, &facts, (&by, &summary), put).await? {
        None => Ok(Redirect::to("/effect").into_response()),
        Some(problem) => {
            refused((&app, &who), &facts, HashMap::new(), vec![("form".to_owned(), problem)]).await
        }
    }
}

/// Records an inspection.
pub async fn inspect(
    app: Exact,
    who: Who,
    Path(id): Path<String>,
    Form(given): Form<Fields>,
) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let sign = sign(&facts, &id)?.clone();
    let mut errors = Vec::new();
    let by = needed(&given, "by", &mut errors);
    let inspected_at_s = day(&app, &facts, &given, &mut errors);
    let condition = given.get("condition").map_or("", String::as_str).parse::<SignCondition>();
    if let Err(error) = &condition {
        errors.push(("condition".to_owned(), error.to_string()));
    }
    let (Some(inspected_by), Some(inspected_at_s), Ok(condition)) = (by, inspected_at_s, condition) else {
        return refused((&app, &who), &facts, HashMap::new(), in_one(&errors)).await;
    };
    let summary = format!("sign {} inspected", sign.given.name);
    let remarks = given.get("remarks").map_or("", |text| text.trim()).to_owned();
    let actor = who.signs_as(&inspected_by);
    let draft =
        SignInspectionDraft { sign: sign.given.name, inspected_at_s, inspected_by, condition, remarks };
    let put =
        async |writer: &mut Writer, target: &Target| writer.put_sign_inspections(target, &[(0, draft)]).await;
    match write(&app, &facts, (&actor, &summary), put).await? {
        None => Ok(Redirect::to("/effect").into_response()),
        Some(problem) => {
            refused((&app, &who), &facts, HashMap::new(), vec![("form".to_owned(), problem)]).await
        }
    }
}

fn sign<'a>(facts: &'a Facts, id: &str) -> Result<&'a SignInPlace, Error> {
    let id: i64 = query::key(id, "sign")?;
    let none = || Error::NotFound(format!("There is no sign {id}."));
    facts.signs_in_place.iter().find(|sign| sign.id.0 == id).ok_or_else(none)
}

/// Who records it: the account, or, while there are none, the name typed in.
fn signer(who: &Who, given: &Fields, errors: &mut Vec<(String, String)>) -> Option<String> {
    match who {
        Who::ThisMachine => needed(given, "by", errors),
        _ => Some(who.name().to_owned()),
    }
}

fn needed(given: &Fields, name: &str, errors: &mut Vec<(String, String)>) -> Option<String> {
    let text = given.get(name).map_or("", |text| text.trim());
    match text.chars().count() {
        0 => errors.push((name.to_owned(), "enter it".to_owned())),
        n if n > LONGEST => errors.push((name.to_owned(), format!("use at most {LONGEST} characters"))),
        _ => return Some(text.to_owned()),
    }
    None
}

/// The start of the day in the area; today at the latest.
fn day(app: &App, facts: &Facts, given: &Fields, errors: &mut Vec<(String, String)>) -> Option<i64> {
    match start_of_day(app, facts, given.get("day").map_or("", String::as_str)) {
        Ok(start_s) => Some(start_s),
        Err(words) => {
            errors.push(("day".to_owned(), words.to_owned()));
            None
        }
    }
}

/// The same of what was typed, or what is wrong with it.
pub(super) fn start_of_day(app: &App, facts: &Facts, text: &str) -> Result<i64, &'static str> {
    const SHAPE: &str = "give a day, as 2024-05-04";
    let date = text.trim().parse::<Date>().map_err(|_| SHAPE)?;
    if date > app.clock().today(&facts.area.time_zone) {
        return Err("this day is still to come");
    }
    let start = zone(facts).to_timestamp(date.at(0, 0, 0, 0)).map_err(|_| SHAPE)?;
    Ok(start.as_second())
}

/// Messages of a form that stands folded in a row, said above.
fn in_one(errors: &[(String, String)]) -> Vec<(String, String)> {
    let words: Vec<String> = errors.iter().map(|(field, words)| format!("{field}: {words}")).collect();
    vec![("form".to_owned(), format!("Nothing was recorded. {}.", words.join("; ")))]
}

/// Writes one record; what is wrong with it, if anything is.
pub(super) async fn write(
    app: &App,
    facts: &Facts,
    (actor, summary): (&str, &str),
    put: impl AsyncFnOnce(&mut Writer, &Target) -> Result<Tally, crate::store::Error>,
) -> Result<Option<String>, Error> {
    let mut writer = app.store().write(actor, summary, app.clock().now_s()).await?;
    let tally = put(&mut writer, &Target { area: facts.area.id, source: None }).await?;
    if let Some(problem) = tally.problems.into_iter().next() {
        let error = problem.into_row_error(Vec::new());
        return Ok(Some(format!("Nothing was recorded. {}: {}; {}.", error.field, error.reason, error.hint)));
    }
    writer.commit().await?;
    Ok(None)
}

pub(super) async fn refused(
    (app, who): (&App, &Who),
    facts: &Derived<Facts>,
    given: Fields,
    errors: Vec<(String, String)>,
) -> Result<Response, Error> {
    let (mut page, records) = page(app, facts, &Query::default()).await?;
    page.is_signed = *who != Who::ThisMachine;
    page.only_looks = !who.may(Right::Manage);
    page.given = given.into_iter().collect();
    page.errors = errors;
    Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, CachePolicy::Never, facts, records, &page))
}
