//! The files the server carries inside: style sheet, icon, interactive map. Each is named by its content.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::header;
use axum::response::IntoResponse;

use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;

const ICON: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 28 28"><rect width="28" height="28" rx="4" fill="#8a3b12"/><path d="M4 17c4-9 7-9 10-2s7 7 10-2" fill="none" stroke="#fff" stroke-width="3" stroke-linecap="round"/></svg>"##;
const MAP_SCRIPT: &str = include_str!(concat!(env!("OUT_DIR"), "/map.js"));
const MAP_STYLE: &str = include_str!(concat!(env!("OUT_DIR"), "/map.css"));

struct Asset {
    path: String,
    media_type: &'static str,
    body: &'static str,
}

static ASSETS: LazyLock<[Asset; 4]> = LazyLock::new(|| {
    [
        asset("style", "css", "text/css; charset=utf-8", include_str!("assets/style.css")),
        asset("icon", "svg", "image/svg+xml", ICON),
        asset("map", "js", "text/javascript; charset=utf-8", MAP_SCRIPT),
        asset("map", "css", "text/css; charset=utf-8", MAP_STYLE),
    ]
});

fn asset(stem: &str, extension: &str, media_type: &'static str, body: &'static str) -> Asset {
    let hash = blake3::hash(body.as_bytes()).to_hex();
    Asset { path: format!("/assets/{stem}.{}.{extension}", &hash[..12]), media_type, body }
}

/// The address of the style sheet.
pub fn style_path() -> &'static str {
    &ASSETS[0].path
}

/// The address of the icon.
pub fn icon_path() -> &'static str {
    &ASSETS[1].path
}

/// The addresses of the interactive map's script and style sheet, where the program was built with it.
pub fn map_paths() -> Option<(&'static str, &'static str)> {
    (!MAP_SCRIPT.is_empty()).then(|| (ASSETS[2].path.as_str(), ASSETS[3].path.as_str()))
}

/// Serves an asset.
pub async fn serve(Path(name): Path<String>) -> Result<impl IntoResponse, Error> {
    let path = format!("/assets/{name}");
    let asset = ASSETS
        .iter()
        .find(|asset| asset.path == path)
        .ok_or_else(|| Error::NotFound("there is no such file".to_owned()))?;
    Ok(Cached(CachePolicy::Forever, ([(header::CONTENT_TYPE, asset.media_type)], asset.body)))
}
