//! Photos of an encounter: adding them, and serving them to those who may see exact places.

use axum::extract::Path;
use axum::http::HeaderName;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;

use crate::app::App;
use crate::app::BringInError;
use crate::app::PhotoFile;
use crate::domain::account::Right;
use crate::domain::ids::EncounterId;
use crate::domain::ids::PhotoId;
use crate::domain::photo::MEDIA_TYPE;
use crate::domain::photo::Photo;
use crate::ingest::photo::MOST_BYTES;
use crate::ingest::photo::PhotoError;
use crate::store::Encounter;
use crate::store::PictureSize;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
use crate::web::pages::encounters;
use crate::web::pages::encounters::Forms;
use crate::web::pages::unit::when_words;
use crate::web::query::key;
use crate::web::upload::Parts;
use crate::web::upload::disk;
use crate::web::views::photos::PhotoThumb;
use crate::web::views::photos::PhotosCard;
use crate::web::views::photos::RefusedRow;

/// Photos in one upload to an encounter.
const MOST_IN_A_FORM: usize = 50;
/// A picture can do nothing but be a picture, even when it is opened by itself.
const PICTURE_POLICY: &str = "default-src 'none'; sandbox";

/// The form that adds photos, as it was sent.
#[derive(Default)]
pub(super) struct PhotoForm {
    pub(super) given: Given,
    pub(super) refused: Vec<(String, PhotoError)>,
    /// What went in all the same, in words; empty where nothing was sent.
    pub(super) note: String,
}

/// Adds photos to an encounter.
pub async fn upload(app: Exact, who: Who, Path(id): Path<String>, parts: Parts) -> Result<Response, Error> {
    let id = EncounterId(key(&id, "encounter")?);
    encounters::found(&app, id).await?;
    let (mut given, files) = read(&who, parts).await?;
    let name = given.signer();
    if files.is_empty() {
        given.refuse("photo", "Choose at least one photo.");
    }
    if files.len() > MOST_IN_A_FORM {
        given.refuse("photo", format!("Choose at most {MOST_IN_A_FORM} photos at once."));
    }
    if !given.is_good() {
        return again(&app, &who, id, PhotoForm { given, ..PhotoForm::default() }).await;
    }
    let area = app.deriver().facts().await?.area.id;
    let added = app.add_photos((area, id), files, &name).await.map_err(|error| match error {
        BringInError::Store(error) => error.into(),
        other => Error::Internal(other.to_string()),
    })?;
    if added.refused.is_empty() {
        return Ok(Redirect::to(&format!("/encounters/{id}#photos")).into_response());
    }
    let note = match added.n_added + added.n_known {
        0 => String::new(),
        1 => "The other photo went in.".to_owned(),
        n => format!("The other {n} photos went in."),
    };
    again(&app, &who, id, PhotoForm { given, refused: added.refused, note }).await
}

/// The page of the encounter with what is wrong.
async fn again(app: &App, who: &Who, id: EncounterId, photos: PhotoForm) -> Result<Response, Error> {
    let forms = Forms { tie: Given::signed_by(who), photos: Some(photos) };
    let page = encounters::page(app, who, id, forms).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
}

/// Reads the form; photos wait on the disk until they are decoded.
async fn read(who: &Who, mut parts: Parts) -> Result<(Given, Vec<PhotoFile>), Error> {
    let mut pairs = Vec::new();
    let mut files = Vec::new();
    while let Some(mut part) = parts.next().await? {
        match part.name() {
            Some("who") => pairs.push(("who".to_owned(), part.text().await?)),
            // One too many is enough to refuse them; nothing of those after it is kept.
            Some("photo") if files.len() <= MOST_IN_A_FORM => {
                let name = part.file_name();
                // One byte too many is enough to refuse it.
                let spool = part.file(MOST_BYTES + 1).await?;
                // A browser sends an empty file without a name where none was chosen.
                if !(name.is_empty() && spool.n_bytes() == 0) {
                    files.push(PhotoFile { name, open: spool.opener().map_err(disk)? });
                }
            }
            Some("photo") => part.leave_out().await?,
            _ => {}
        }
    }
    Ok((Given::new(pairs).with_signer(who), files))
}

/// The card on the page of an encounter.
pub(super) fn card(who: &Who, found: &Encounter, photos: &[Photo], form: Option<PhotoForm>) -> PhotosCard {
    let form = form.unwrap_or_else(|| PhotoForm { given: Given::signed_by(who), ..PhotoForm::default() });
    let n = photos.len();
    let thumbs = photos.iter().enumerate().map(|(idx, photo)| {
        let (id, record) = (photo.id, &photo.record);
        let species = match found.given.scientific_name.as_str() {
            "" => String::new(),
            name => format!(", {name}"),
        };
        let added = format!("added by {}, {}", record.added_by, common::when(record.added_at_s));
        let batch = photo.batch.map(|batch| format!(", batch {batch}")).unwrap_or_default();
        PhotoThumb {
            href: format!("/photos/{id}"),
            thumbnail: format!("/photos/{id}/thumbnail"),
            sides_px: [record.thumbnail.width_px, record.thumbnail.height_px],
            alternative: format!(
                "Photo {} of {n} of encounter {}{species}, {}",
                idx + 1,
                found.given.occurrence_id,
                when_words(&found.given.time)
            ),
            caption: format!("{added}{batch}"),
            history_at: format!("/history/photo/{id}"),
        }
    });
    let rows = form.refused.iter().map(|(name, error)| RefusedRow {
        file: name.clone(),
        reason: error.to_string(),
        hint: error.hint().to_owned(),
    });
    PhotosCard {
        address: format!("/encounters/{}/photos", found.id),
        photos: thumbs.collect(),
        refused: rows.collect(),
        note: form.note,
        may_withdraw: who.may(Right::Manage),
        form: who.may(Right::BringIn).then_some(form.given),
    }
}

/// The picture.
pub async fn whole(app: Exact, Path(id): Path<String>) -> Result<Response, Error> {
    picture(&app, &id, PictureSize::Whole).await
}

/// The small picture.
pub async fn thumbnail(app: Exact, Path(id): Path<String>) -> Result<Response, Error> {
    picture(&app, &id, PictureSize::Thumbnail).await
}

async fn picture(app: &App, id: &str, size: PictureSize) -> Result<Response, Error> {
    let id = PhotoId(key(id, "photo")?);
    let file = app.store().snapshot().await?.picture(id, size).await?;
    let file = file.ok_or_else(|| Error::NotFound(format!("There is no photo {id}.")))?;
    let suffix = if size == PictureSize::Thumbnail { "-small" } else { "" };
    let name = format!("inline; filename=\"encounter-{}-photo-{id}{suffix}.jpg\"", file.encounter);
    let headers: [(HeaderName, String); 5] = [
        (header::CONTENT_TYPE, MEDIA_TYPE.to_owned()),
        (header::CONTENT_DISPOSITION, name),
        (header::CONTENT_SECURITY_POLICY, PICTURE_POLICY.to_owned()),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff".to_owned()),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin".to_owned()),
    ];
    let policy = CachePolicy::Content { blake3: file.blake3 };
    Ok(Cached(policy, (headers, file.bytes)).into_response())
}
