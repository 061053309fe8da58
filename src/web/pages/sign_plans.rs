//! Signs by lot: the draw, and plans that were kept.

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
use crate::store::SignPlan;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
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
    let asked = ["signs", "reach", "spacing"].map(|name| (name, given.get(name).to_owned()));
    let asked = asked.iter().filter(|(_, value)| !value.is_empty());
    let params = match signs::params(&Query::of(asked.map(|(name, value)| (*name, value.as_str()))), &facts) {
        Ok(params) => Some(params),
        Err(errors) => {
            errors.into_iter().for_each(|(field, words)| given.refuse(&field, words));
            None
        }
    };
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
pub async fn one(app: Exact, Path(id): Path<String>) -> Result<impl IntoResponse, Error> {
    let id: i64 = query::key(&id, "sign plan")?;
    let facts = app.deriver().facts().await?;
    let plans = app.deriver().sign_plans(&facts).await?;
    let none = || Error::NotFound(format!("There is no sign plan {id}."));
    let plan = plans.iter().find(|plan| plan.id.0 == id).ok_or_else(none)?;
    let page = page(plan, &plans);
    let frame = common::frame(&facts, Section::Signs, &page.name, String::new());
    let policy = CachePolicy::of_revision(facts.revision, format!("sign plan {id}"));
    Ok(Cached(policy, views::layout::page(&frame, views::sign_plans::plan_body(&page))))
}

/// Names and addresses of kept plans, newest first.
pub(super) fn links(plans: &[SignPlan]) -> Vec<(String, String)> {
    plans.iter().map(|plan| (plan.given.name.clone(), format!("/signs/plans/{}", plan.id))).collect()
}

fn page(plan: &SignPlan, all: &[SignPlan]) -> KeptPlan {
    let pairs = plan.lottery_pairs();
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
    }
}
