//! The photos of an encounter, and the form that adds some.

use maud::Markup;
use maud::html;

use crate::web::form::Given;
use crate::web::views::form;

/// The card on the page of an encounter.
#[derive(Debug, Clone)]
pub struct PhotosCard {
    /// Where photos are sent to.
    pub address: String,
    /// The photos, in the order in which they were added.
    pub photos: Vec<PhotoThumb>,
    /// The form, for those who may add photos.
    pub form: Option<Given>,
    /// Whether photos may be taken out.
    pub may_withdraw: bool,
    /// Files that were just refused.
    pub refused: Vec<RefusedRow>,
    /// What went in beside them, in words.
    pub note: String,
}

/// One photo.
#[derive(Debug, Clone)]
pub struct PhotoThumb {
    /// The picture.
    pub href: String,
    /// The small picture.
    pub thumbnail: String,
    /// Width and height of the small picture, pixels.
    pub sides_px: [u32; 2],
    /// What stands in its place where it is not seen.
    pub alternative: String,
    /// Who added it, and when.
    pub caption: String,
    /// Its history, where it can be taken out.
    pub history_at: String,
}

/// A file that was not taken.
#[derive(Debug, Clone)]
pub struct RefusedRow {
    /// Its name.
    pub file: String,
    /// Why.
    pub reason: String,
    /// What would mend it.
    pub hint: String,
}

/// The card.
pub fn card(card: &PhotosCard) -> Markup {
    html! {
        section.card #photos {
            h2 { "Photos" }
            @if card.photos.is_empty() { p { "There are no photos of this encounter." } } @else {
                ul.photos { @for photo in &card.photos { li {
                    a href=(photo.href) {
                        img src=(photo.thumbnail) width=(photo.sides_px[0]) height=(photo.sides_px[1]) alt=(photo.alternative) loading="lazy";
                    }
                    div.small.soft { (photo.caption) }
                    div.small { a href=(photo.history_at) { @if card.may_withdraw { "History, or take it out" } @else { "History" } } }
                } } }
            }
            @if !card.refused.is_empty() {
                div.notice role="alert" {
                    p { strong { "Not taken:" } @if !card.note.is_empty() { " " (card.note) } }
                    ul { @for row in &card.refused { li { q { (row.file) } ": " (row.reason) "; " (row.hint) "." } } }
                }
            }
            @if let Some(given) = &card.form { (add(card, given)) }
        }
    }
}

fn add(card: &PhotosCard, given: &Given) -> Markup {
    let error = given.error("photo");
    html! {
        form.no-print method="post" action=(card.address) enctype="multipart/form-data" {
            div.fields {
                label { "Add photos: JPEG, PNG or WebP, at most 32 MiB each"
                    input type="file" name="photo" multiple required accept="image/jpeg,image/png,image/webp" aria-invalid=[error.map(|_| "true")];
                    (form::error_line(error))
                }
                (form::signer(given))
            }
            p.small.soft { "Only the picture is kept: position, time, names and everything else that a camera writes into the file is left out. Photos are shown to those who may see exact places, and to nobody else." }
            p { button type="submit" { "Add" } }
        }
    }
}

/// Cards made up for tests and previews.
pub fn samples() -> Vec<PhotosCard> {
    let photo = PhotoThumb {
        href: "/photos/7".to_owned(),
        thumbnail: "/photos/7/thumbnail".to_owned(),
        sides_px: [240, 320],
        alternative: "Photo 1 of 1 of encounter R-1, Crotalus viridis, 2024-05-04 09:10".to_owned(),
        caption: "added by A. Warden, 2024-06-01 10:00 UTC".to_owned(),
        history_at: "/history/photo/7".to_owned(),
    };
    let refused = RefusedRow {
        file: "IMG_0012.heic".to_owned(),
        reason: "the file is no JPEG, PNG or WebP, but HEIC, AVIF or a film".to_owned(),
        hint: "export the photo as JPEG".to_owned(),
    };
    let card = PhotosCard {
        address: "/encounters/4/photos".to_owned(),
        photos: vec![photo],
        form: Some(Given::default()),
        may_withdraw: true,
        refused: Vec::new(),
        note: String::new(),
    };
    let mut wrong = Given::default();
    wrong.refuse("photo", "Choose at least one photo.");
    vec![
        card.clone(),
        PhotosCard {
            refused: vec![refused],
            note: "The other photo went in.".to_owned(),
            form: Some(wrong),
            ..card.clone()
        },
        PhotosCard { photos: Vec::new(), form: None, may_withdraw: false, ..card },
    ]
}
