//! The review of records by staff: what counts in figures, and what the public sees counted.

use axum::extract::Form;
use axum::response::Redirect;

use crate::domain::encounter::VerificationStatus;
use crate::domain::ids::EncounterId;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::query::key;

/// Records that are reviewed together at most.
const MOST: usize = 200;

/// Gives records a state of review, all or none of them.
pub async fn review(
    app: Exact,
    who: Who,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Redirect, Error> {
    let ids = pairs.iter().filter(|(name, _)| name == "id");
    let ids: Vec<i64> = ids.map(|(_, id)| key(id.trim(), "encounter")).collect::<Result<_, _>>()?;
    let mut given = Given::new(pairs).with_signer(&who);
    let status: VerificationStatus = given.get("status").parse().map_err(|_| {
        let states: Vec<&str> = VerificationStatus::ALL.iter().map(|status| status.term()).collect();
        Error::bad_request(
            "status",
            format!("\"{}\" is not one of: {}.", given.get("status"), states.join(", ")),
        )
    })?;
    if ids.is_empty() || ids.len() > MOST {
        return Err(Error::bad_request(
            "id",
            format!("Tick 1 to {MOST} records; {} were ticked.", ids.len()),
        ));
    }
    let name = given.signer();
    if let Some(words) = given.error("who") {
        return Err(Error::bad_request("who", words));
    }
    let noun = if ids.len() == 1 { "record" } else { "records" };
    let summary = format!("review: {} {noun}: {}", ids.len(), status.term());
    let mut writer = app.store().write(&name, &summary, app.clock().now_s()).await?;
    for id in ids {
        writer.review_encounter(EncounterId(id), status).await?;
    }
    writer.commit().await?;
    Ok(Redirect::to(back(given.get("back"))))
}

/// Where the reader came from, if that is a page of encounters.
fn back(given: &str) -> &str {
    let is_ours =
        given == "/encounters" || given.starts_with("/encounters/") || given.starts_with("/encounters?");
    // What no header can carry is no address that a page of ours has.
    if is_ours && given.bytes().all(|byte| byte.is_ascii_graphic()) { given } else { "/encounters" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_back_stays_here() {
        assert_eq!(back("/encounters?status=unverified&after=9"), "/encounters?status=unverified&after=9");
        assert_eq!(back("/encounters/4"), "/encounters/4");
        for other in [
            "",
            "//elsewhere",
            "https://elsewhere/encounters",
            "/encountersX",
            "/encounters?species=é",
            "/encounters?a\r\nb",
        ] {
            assert_eq!(back(other), "/encounters");
        }
    }
}
