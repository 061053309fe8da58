//! Photos: bytes of a camera in, a picture drawn anew out; and what they say of where and when they were taken.
//!
//! No byte of a file as it came is ever handed on. The picture is decoded and encoded again, which leaves behind EXIF, XMP,
//! IPTC, comments, text chunks, colour profiles, pictures within the picture, and whatever stands behind its end.
//!
//! Decoding is bounded before it begins: by the size of the file, by the picture's width, height and area, and by the memory
//! that decoders may ask for. It takes up to a few seconds: run it off the async threads, few at a time.

mod container;
mod picture;
mod record;
mod tags;

use std::panic::AssertUnwindSafe;
use std::panic::catch_unwind;

use crate::domain::batch::RowError;
use crate::domain::photo::GeotaggedPhoto;
use crate::domain::photo::PhotoDraft;
use crate::ingest::context::Context;

/// The largest file that is taken, bytes.
pub const MOST_BYTES: u64 = 32 << 20;
/// The most pixels that a picture may have.
pub const MOST_PIXELS: u64 = 64_000_000;
/// The longest side that a picture may have, pixels.
pub const MOST_SIDE_PX: u32 = 20_000;

/// Why a file is not taken as a photo.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PhotoError {
    /// There is nothing in it.
    #[error("the file is empty")]
    Empty,
    /// It is no JPEG, PNG or WebP.
    #[error("the file is no JPEG, PNG or WebP, but {looks_like}")]
    UnknownKind {
        /// What its first bytes look like.
        looks_like: &'static str,
    },
    /// It is larger than what is taken.
    #[error("the file is larger than {} MiB", MOST_BYTES >> 20)]
    TooLarge,
    /// The picture is larger than what is decoded.
    #[error("the picture is {width} × {height} pixels, more than what is decoded")]
    TooManyPixels {
        /// Width, pixels.
        width: u32,
        /// Height, pixels.
        height: u32,
    },
    /// Decoding would take more memory than it may.
    #[error("decoding the picture would take more memory than it may")]
    Memory,
    /// It asks for the whole picture to be gone over too often.
    #[error("the picture is written in more than {most} passes")]
    TooManyScans {
        /// How many are taken.
        most: usize,
    },
    /// Its end is missing.
    #[error("the file breaks off before the end of the picture")]
    BrokenOff,
    /// It breaks the rules of its format.
    #[error("the picture cannot be decoded: {0}")]
    Malformed(String),
}

impl PhotoError {
    /// What would mend it.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Empty | Self::BrokenOff => "copy it from the camera again",
            Self::UnknownKind { .. } => "export the photo as JPEG",
            Self::TooLarge | Self::TooManyPixels { .. } | Self::Memory => {
                "scale it down to at most 64 million pixels and 32 MiB"
            }
            Self::TooManyScans { .. } | Self::Malformed(_) => {
                "open it in a picture viewer and save it as JPEG"
            }
        }
    }

    /// The error as that of a row: the file is the row, the photo its field.
    pub fn into_row_error(self) -> RowError {
        let value = match &self {
            Self::TooManyPixels { width, height } => format!("{width} × {height}"),
            _ => String::new(),
        };
        RowError {
            row_number: 1,
            field: "photo".to_owned(),
            value,
            hint: self.hint().to_owned(),
            reason: self.to_string(),
            raw: Vec::new(),
        }
    }
}

/// Draws a photo anew.
///
/// # Errors
/// [`PhotoError`] when it is no JPEG, PNG or WebP, is too large, breaks off, or cannot be decoded.
pub fn photo(bytes: &[u8]) -> Result<PhotoDraft, PhotoError> {
    guarded(|| {
        let (_, opened) = opened(bytes)?;
        drawn(bytes, opened)
    })
}

/// Draws a photo anew and reads from its EXIF where and when it was taken, with the precision of both.
///
/// # Errors
/// [`RowError`] when [`photo`] fails, or when the position or the time is missing, cannot be read, can be read in two ways,
/// or when the satellites' time contradicts that of the camera. It carries what was read, so that it can be mended.
#[expect(clippy::result_large_err, reason = "called once a file")]
pub fn geotagged(bytes: &[u8], context: &Context) -> Result<GeotaggedPhoto, RowError> {
    let (exif, opened) = guarded(|| opened(bytes)).map_err(PhotoError::into_row_error)?;
    let source_blake3 = hash(bytes);
    let (encounter, raw) = guarded(|| Ok(record::encounter(exif.as_deref(), &source_blake3, context)))
        .map_err(PhotoError::into_row_error)??;
    let photo = guarded(|| drawn(bytes, opened)).map_err(PhotoError::into_row_error)?;
    Ok(GeotaggedPhoto { encounter, photo, raw })
}

fn opened(bytes: &[u8]) -> Result<(Option<Vec<u8>>, picture::Opened<'_>), PhotoError> {
    if bytes.len() as u64 > MOST_BYTES {
        return Err(PhotoError::TooLarge);
    }
    let kind = container::kind_of(bytes)?;
    container::check_end(kind, bytes)?;
    let mut opened = picture::open(kind, bytes)?;
    Ok((opened.exif(), opened))
}

fn drawn(bytes: &[u8], opened: picture::Opened<'_>) -> Result<PhotoDraft, PhotoError> {
    let (whole, thumbnail) = opened.draw()?;
    Ok(PhotoDraft { source_blake3: hash(bytes), whole, thumbnail })
}

fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// Decoders are other people's code at work on strangers' bytes: one that panics refuses its file and stops nothing else.
fn guarded<T>(work: impl FnOnce() -> Result<T, PhotoError>) -> Result<T, PhotoError> {
    catch_unwind(AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err(PhotoError::Malformed("the decoder gave up".to_owned())))
}
