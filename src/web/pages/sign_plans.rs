//! Plans that are kept, as they are or by lot, and the signs that go up for them.

use axum::extract::Form;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;

use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::lottery;
use crate::derived::lottery::DrawAsked;
use crate::derived::lottery::DrawRefused;
use crate::derived::plan::PlanParams;
use crate::domain::sign::SignInPlaceDraft;
use crate::store::PlanSite;
use crate::store::SignPlan;
use crate::store::Target;
use crate::store::Writer;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
use crate::web::pages::effect;
use crate::web::pages::signs;
use crate::web::query;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::sign_plans::DrawForm;
use crate::web::views::sign_plans::KeptPlan;
use crate::web::views::sign_plans::KeptSite;
use crate::web::views::sign_plans::Turn;

/// The form of a draw.
pub async fn form(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["signs", "reach", "spacing"])?;
    let facts = app.deriver().facts().await?;
    let mut given = Given::signed_by(&who);
    for name in ["signs", "reach", "spacing"] {
        given.set(name, query.get(name).unwrap_or_default());
    }
    Ok(respond(StatusCode::OK, &facts, given, Vec::new()))
}

fn respond(status: StatusCode, facts: &Derived<Facts>, given: Given, drawn_in: Vec<String>) -> Response {
    let frame = common::frame(facts, Section::Signs, "Draw lots", String::new());
    let markup = views::layout::page(&frame, views::sign_plans::form_body(&DrawForm { given, drawn_in }));
    (status, Cached(CachePolicy::Never, markup)).into_response()
}

/// The parameters of the plan that the form is about.
fn params(given: &mut Given, facts: &Facts) -> Option<PlanParams> {
    let asked = ["signs", "reach", "spacing"].map(|name| (name, given.get(name).to_owned()));
    let asked = asked.iter().filter(|(_, value)| !value.is_empty());
    match signs::params(&Query::of(asked.map(|(name, value)| (*name, value.as_str()))), facts) {
        Ok(params) => Some(params),
        Err(errors) => {
            errors.into_iter().for_each(|(field, words)| given.refuse(&field, words));
            None
        }
    }
}

/// The form by which a plan is kept as it is.
pub async fn keep_form(app: Exact, who: Who, query: Query) -> Result<Response, Error> {
    query.allow(&["signs", "reach", "spacing"])?;
    let facts = app.deriver().facts().await?;
    let mut given = Given::signed_by(&who);
    for name in ["signs", "reach", "spacing"] {
        given.set(name, query.get(name).unwrap_or_default());
    }
    Ok(keeping(StatusCode::OK, &facts, &given))
}

fn keeping(status: StatusCode, facts: &Derived<Facts>, given: &Given) -> Response {
    let frame = common::frame(facts, Section::Signs, "Keep the plan", String::new());
    let markup = views::layout::page(&frame, views::sign_plans::keep_body(given));
    (status, Cached(CachePolicy::Never, markup)).into_response()
}

/// Keeps a plan as it is.
pub async fn keep(app: Exact, who: Who, Form(pairs): Form<Vec<(String, String)>>) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let mut given = Given::new(pairs).with_signer(&who);
    let name = given.required("name", "Give the plan a name: signs that go up for it are told by it.");
    let signer = given.signer();
    let params = params(&mut given, &facts);
    let (Some(params), true) = (params, given.is_good()) else {
        return Ok(keeping(StatusCode::UNPROCESSABLE_ENTITY, &facts, &given));
    };
    let deriver = app.deriver();
    let (network, plan) = (deriver.network(&facts).await?, deriver.plan(&facts, params).await?);
    let Some(draft) = lottery::keep(&network, &plan, &params, (&name, facts.revision))? else {
        given.refuse("signs", "The plan has no new signs: nothing to keep.");
        return Ok(keeping(StatusCode::UNPROCESSABLE_ENTITY, &facts, &given));
    };
    let summary = format!("sign plan {name} kept");
    let mut writer = app.store().write(&signer, &summary, app.clock().now_s()).await?;
    // Nobody else can commit from here on.
    if app.store().revision().await? != facts.revision {
        given.refuse("name", "The data have changed meanwhile, so nothing was kept: send the form again.");
        return Ok(keeping(StatusCode::CONFLICT, &facts, &given));
    }
    let id = writer.add_sign_plan(facts.area.id, &draft).await?;
    writer.commit().await?;
    Ok(Redirect::to(&format!("/signs/plans/{id}")).into_response())
}

/// Records that signs of a kept plan were put up: those that are ticked.
pub async fn put_up(
    app: Exact,
    who: Who,
    Path(id): Path<String>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let plans = app.deriver().sign_plans(&facts).await?;
    let plan = kept_plan(&plans, &id)?;
    let ticked: Vec<usize> = pairs
        .iter()
        .filter(|(name, _)| name == "site")
        .filter_map(|(_, number)| number.parse().ok())
        .collect();
    let mut given = Given::new(pairs).with_signer(&who);
    let signer = given.signer();
    let up_s = match effect::start_of_day(&app, &facts, given.get("day")) {
        Ok(up_s) => Some(up_s),
        Err(words) => {
            given.refuse("day", format!("Not recorded: {words}."));
            None
        }
    };
    let sites = plan.given.sites.iter().enumerate().map(|(idx, site)| (idx + 1, site));
    let chosen: Vec<(usize, &PlanSite)> = sites
        .filter(|(number, site)| ticked.contains(number) && standing(&facts, plan, site).is_none())
        .collect();
    if chosen.is_empty() {
        given.refuse("site", "Tick the signs that were put up.");
    }
    let (Some(up_s), true) = (up_s, given.is_good()) else {
        return Ok(respond_plan(StatusCode::UNPROCESSABLE_ENTITY, &facts, (plan, &plans), given));
    };
    let drafts: Vec<(u64, SignInPlaceDraft)> = chosen
        .into_iter()
        .map(|(number, site)| {
            let name = format!("{}, no. {number}", plan.given.name);
            let (position, kind) = (site.position, site.kind.clone());
            (0, SignInPlaceDraft { name, position, kind, plan: Some(plan.id), up_s, down_s: None })
        })
        .collect();
    let summary = format!("{} signs of {} put up", drafts.len(), plan.given.name);
    let put = async |writer: &mut Writer, target: &Target| writer.put_signs_in_place(target, &drafts).await;
    match effect::write(&app, &facts, (&signer, &summary), put).await? {
        None => Ok(Redirect::to(&format!("/signs/plans/{}", plan.id)).into_response()),
        Some(problem) => {
            given.refuse("site", problem);
            Ok(respond_plan(StatusCode::UNPROCESSABLE_ENTITY, &facts, (plan, &plans), given))
        }
    }
}

/// The sign that was put up for a site of a kept plan, as long as it stands.
fn standing<'a>(facts: &'a Facts, plan: &SignPlan, site: &PlanSite) -> Option<&'a SignInPlaceDraft> {
    let signs = facts.signs_in_place.iter().map(|sign| &sign.given);
    let mut of_plan = signs.filter(|sign| sign.plan == Some(plan.id) && sign.down_s.is_none());
    of_plan.find(|sign| sign.position == site.position)
}

/// Draws lots and keeps the plan with its pairs.
pub async fn draw(app: Exact, who: Who, Form(pairs): Form<Vec<(String, String)>>) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let mut given = Given::new(pairs).with_signer(&who);
    let name = given.required("name", "Give the plan a name: signs that go up for it are told by it.");
    let seed = given.required("seed", "Give a whole number, best one that somebody else names.");
    let seed = match seed.parse::<u64>() {
        Ok(seed) => Some(seed),
        Err(_) => {
            given.refuse("seed", "Give a whole number from 0 on.");
            None
        }
    };
    let signer = given.signer();
    let params = params(&mut given, &facts);
    let (Some(seed), Some(params), true) = (seed, params, given.is_good()) else {
        return Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, &facts, given, Vec::new()));
    };
    let deriver = app.deriver();
    let (network, plan) = (deriver.network(&facts).await?, deriver.plan(&facts, params).await?);
    let kept = deriver.sign_plans(&facts).await?;
    let again = given.get("again").to_owned();
    let asked = DrawAsked {
        name: name.clone(),
        seed,
        again_because: (!again.is_empty()).then_some(again),
        based_on: facts.revision,
    };
    let drafted = lottery::draw(&network, &plan, &params, &kept, &asked)?;
    let draft = match drafted {
        Ok(draft) => draft,
        Err(refused) => {
            let field = if matches!(refused, DrawRefused::TooFew(_)) { "signs" } else { "again" };
            given.refuse(field, format!("{refused}."));
            let drawn_in = match refused {
                DrawRefused::DrawnBefore { names } => names,
                DrawRefused::TooFew(_) => Vec::new(),
            };
            return Ok(respond(StatusCode::UNPROCESSABLE_ENTITY, &facts, given, drawn_in));
        }
    };
    let summary = format!("lots drawn for the signs of {name}, seed {seed}");
    let mut writer = app.store().write(&signer, &summary, app.clock().now_s()).await?;
    // Nobody else can commit from here on; another draw may have been kept just before.
    if app.store().revision().await? != facts.revision {
        given.refuse("name", "The data have changed meanwhile, so nothing was drawn: send the form again.");
        return Ok(respond(StatusCode::CONFLICT, &facts, given, Vec::new()));
    }
    let id = writer.add_sign_plan(facts.area.id, &draft).await?;
    writer.commit().await?;
    Ok(Redirect::to(&format!("/signs/plans/{id}")).into_response())
}

/// A kept plan.
pub async fn one(app: Exact, who: Who, Path(id): Path<String>) -> Result<Response, Error> {
    let facts = app.deriver().facts().await?;
    let plans = app.deriver().sign_plans(&facts).await?;
    let plan = kept_plan(&plans, &id)?;
    let mut given = Given::signed_by(&who);
    given.set("day", app.clock().today(&facts.area.time_zone).to_string());
    Ok(respond_plan(StatusCode::OK, &facts, (plan, &plans), given))
}

fn kept_plan<'a>(plans: &'a [SignPlan], id: &str) -> Result<&'a SignPlan, Error> {
    let id: i64 = query::key(id, "sign plan")?;
    let none = || Error::NotFound(format!("There is no sign plan {id}."));
    plans.iter().find(|plan| plan.id.0 == id).ok_or_else(none)
}

fn respond_plan(
    status: StatusCode,
    facts: &Derived<Facts>,
    (plan, all): (&SignPlan, &[SignPlan]),
    given: Given,
) -> Response {
    let page = page(facts, (plan, all), given);
    let frame = common::frame(facts, Section::Signs, &page.name, String::new());
    (status, Cached(CachePolicy::Never, views::layout::page(&frame, views::sign_plans::plan_body(&page))))
        .into_response()
}

/// Names and addresses of kept plans, newest first.
pub(super) fn links(plans: &[SignPlan]) -> Vec<(String, String)> {
    plans.iter().map(|plan| (plan.given.name.clone(), format!("/signs/plans/{}", plan.id))).collect()
}

fn page(facts: &Facts, (plan, all): (&SignPlan, &[SignPlan]), up: Given) -> KeptPlan {
    let (pairs, zone) = (plan.lottery_pairs(), effect::zone(facts));
    let turn = |site: usize| {
        let in_pair = |(pair, (won, lost)): (usize, &(usize, usize))| match site {
            site if site == *won => Some(Turn::First(pair + 1)),
            site if site == *lost => Some(Turn::Second(pair + 1)),
            _ => None,
        };
        pairs.iter().enumerate().find_map(in_pair).unwrap_or(Turn::NotDrawn)
    };
    let sites = plan.given.sites.iter().enumerate().map(|(idx, site)| KeptSite {
        number: idx + 1,
        place: site.reason.clone(),
        position: (site.position.lat(), site.position.lon()),
        kind: site.kind.clone(),
        turn: turn(idx),
        standing: standing(facts, plan, site).map(|sign| effect::day_words(sign.up_s, &zone)),
    });
    let parameters = plan.parameters();
    let named = |id: i64| {
        let known = all.iter().find(|plan| plan.id.0 == id);
        known.map_or_else(|| format!("plan {id}"), |plan| plan.given.name.clone())
    };
    KeptPlan {
        name: plan.given.name.clone(),
        kept: format!(
            "Kept on {} by {}, from data revision {}.",
            common::when(plan.created_at_s),
            plan.actor,
            plan.given.based_on
        ),
        seed: parameters.as_ref().and_then(|it| it.seed),
        drawn_before: parameters.iter().flat_map(|it| &it.drawn_before).map(|id| named(*id)).collect(),
        drawn_again_because: parameters.map(|it| it.drawn_again_because).unwrap_or_default(),
        sites: sites.collect(),
        put_up: (format!("/signs/plans/{}/up", plan.id), up),
    }
}
