//! Methods, parameters, cautions.

use axum::extract::State;
use axum::response::IntoResponse;

use crate::analysis::exposure::ExposureParams;
use crate::analysis::exposure::SetBy;
use crate::app::App;
use crate::derived::DeriveError;
use crate::derived::settings::Settings;
use crate::domain::account::Right;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::views;
use crate::web::views::about::AboutPage;
use crate::web::views::layout::Basis;
use crate::web::views::layout::Frame;
use crate::web::views::layout::Reader;
use crate::web::views::layout::Section;
use crate::web::views::layout::Width;

/// The page; it is there before there is any area.
pub async fn show(State(app): State<App>, who: Who) -> Result<impl IntoResponse, Error> {
    let facts = match app.deriver().facts().await {
        Ok(facts) => Some(facts),
        Err(DeriveError::Unanswerable(_)) => None,
        Err(error) => return Err(error.into()),
    };
    let settings = facts.as_ref().map_or_else(Settings::default, |facts| facts.settings.clone());
    let chosen = settings.list().into_iter().map(|setting| {
        let value = format!("{} {}", setting.value, setting.unit).trim().to_owned();
        (setting.words.to_owned(), value, setting.why.to_owned())
    });
    let exposure = match &facts {
        Some(facts) => app.deriver().exposure(facts).await.ok(),
        None => None,
    };
    let priors = exposure
        .map_or_else(ExposureParams::default, |exposure| exposure.params.clone())
        .assumptions()
        .into_iter()
        // Those that settings set stand among the settings.
        .filter(|assumption| assumption.set_by == SetBy::Program)
        .map(|assumption| (assumption.name.to_owned(), assumption.value, assumption.source.to_owned()));
    let page = AboutPage {
        emergency_number: facts.as_ref().map(|facts| facts.area.emergency_number.clone()).unwrap_or_default(),
        keep_distance: facts
            .as_ref()
            .and_then(|facts| facts.area.keep_distance)
            .map(|length| format!("{} m", length.in_metres()))
            .unwrap_or_default(),
        cautions: app.texts().cautions.clone(),
        parameters: chosen.chain(priors).collect(),
    };
    if !who.may(Right::SeeExact) {
        // Visitors see no revision: it would tell when data change.
        let area_name = facts.as_ref().map(|facts| facts.area.name.clone()).unwrap_or_default();
        let markup = views::layout::public_page(
            &area_name,
            (Reader::from(&who), Section::About),
            views::about::body(&page),
        );
        return Ok(Cached(CachePolicy::Never, markup));
    }
    let frame = Frame {
        title: "About the figures".to_owned(),
        section: Section::About,
        area_name: facts.as_ref().map(|facts| facts.area.name.clone()).unwrap_or_default(),
        basis: Basis {
            revision: facts.as_ref().map(|facts| facts.revision.0),
            written_on: facts.as_ref().map(|facts| common::written_on(facts)).unwrap_or_default(),
            records: String::new(),
            parameters: settings.words(),
        },
        width: Width::Column,
        reader: Reader::Staff,
    };
    let policy = match &facts {
        Some(facts) => CachePolicy::of_revision(facts.revision, "about"),
        None => CachePolicy::Never,
    };
    Ok(Cached(policy, views::layout::page(&frame, views::about::body(&page))))
}
