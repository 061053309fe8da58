//! Draws a picture anew: decoded within bounds, turned upright, scaled down, and written without metadata.

use std::io::Cursor;

use image::DynamicImage;
use image::ImageDecoder;
use image::ImageEncoder;
use image::Limits;
use image::Rgb;
use image::RgbImage;
use image::codecs::jpeg::JpegDecoder;
use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngDecoder;
use image::codecs::webp::WebPDecoder;
use image::error::ImageError;
use image::imageops::FilterType;
use image::metadata::Orientation;

use crate::domain::photo::LONGEST_SIDE_PX;
use crate::domain::photo::Picture;
use crate::domain::photo::THUMBNAIL_SIDE_PX;
use crate::ingest::photo::MOST_PIXELS;
use crate::ingest::photo::MOST_SIDE_PX;
use crate::ingest::photo::PhotoError;
use crate::ingest::photo::container::Kind;

/// The most memory that a decoded picture may take, bytes: [`MOST_PIXELS`] in four bytes each.
const MOST_DECODED_BYTES: u64 = 4 * MOST_PIXELS;
/// The most that a decoder may ask for beside the picture, bytes.
const MOST_BESIDE_BYTES: u64 = 64 << 20;
/// Of 100; common practice, no source.
const QUALITY: u8 = 85;
const THUMBNAIL_QUALITY: u8 = 80;

/// A decoder with its picture's size checked, before anything of the picture is decoded.
pub(super) struct Opened<'a> {
    decoder: Box<dyn ImageDecoder + 'a>,
}

/// Reads the head of a file and refuses pictures that are too large.
pub(super) fn open(kind: Kind, bytes: &[u8]) -> Result<Opened<'_>, PhotoError> {
    let cursor = Cursor::new(bytes);
    let mut limits = Limits::default();
    limits.max_alloc = Some(MOST_BESIDE_BYTES);
    let mut decoder: Box<dyn ImageDecoder + '_> = match kind {
        Kind::Jpeg => Box::new(JpegDecoder::new(cursor).map_err(refused)?),
        Kind::Png => Box::new(PngDecoder::with_limits(cursor, limits).map_err(refused)?),
        Kind::WebP => Box::new(WebPDecoder::new(cursor).map_err(refused)?),
    };
    let (width, height) = decoder.dimensions();
    let n_pixels = u64::from(width) * u64::from(height);
    let is_too_large = n_pixels > MOST_PIXELS || width.max(height) > MOST_SIDE_PX;
    if is_too_large || decoder.total_bytes() > MOST_DECODED_BYTES {
        return Err(PhotoError::TooManyPixels { width, height });
    }
    if n_pixels == 0 {
        return Err(PhotoError::Malformed("the picture has no size".to_owned()));
    }
    let mut limits = Limits::default();
    limits.max_image_width = Some(MOST_SIDE_PX);
    limits.max_image_height = Some(MOST_SIDE_PX);
    limits.max_alloc = Some(MOST_DECODED_BYTES + MOST_BESIDE_BYTES);
    decoder.set_limits(limits).map_err(refused)?;
    Ok(Opened { decoder })
}

impl Opened<'_> {
    /// The EXIF of the file, where it has one that can be found.
    pub(super) fn exif(&mut self) -> Option<Vec<u8>> {
        self.decoder.exif_metadata().ok().flatten()
    }

    /// The picture and its thumbnail, drawn anew.
    pub(super) fn draw(mut self) -> Result<(Picture, Picture), PhotoError> {
        let orientation = self.decoder.orientation().unwrap_or(Orientation::NoTransforms);
        let decoded = DynamicImage::from_decoder(self.decoder).map_err(refused)?;
        let mut scaled = within(decoded, LONGEST_SIDE_PX);
        scaled.apply_orientation(orientation);
        let whole = on_white(scaled);
        let thumbnail = within(DynamicImage::ImageRgb8(whole.clone()), THUMBNAIL_SIDE_PX).into_rgb8();
        Ok((written(&whole, QUALITY)?, written(&thumbnail, THUMBNAIL_QUALITY)?))
    }
}

/// Scales down to a longest side; smaller pictures stay as they are.
fn within(picture: DynamicImage, longest_px: u32) -> DynamicImage {
    let longest = picture.width().max(picture.height());
    if longest <= longest_px {
        picture
    } else if longest >= 2 * longest_px {
        // Means over boxes: quick, and with no picture in floating-point numbers between.
        picture.thumbnail(longest_px, longest_px)
    } else {
        picture.resize(longest_px, longest_px, FilterType::CatmullRom)
    }
}

/// The picture in three colours, what is transparent on white.
fn on_white(picture: DynamicImage) -> RgbImage {
    if !picture.color().has_alpha() {
        return picture.into_rgb8();
    }
    let picture = picture.into_rgba8();
    RgbImage::from_fn(picture.width(), picture.height(), |x, y| {
        let [red, green, blue, alpha] = picture.get_pixel(x, y).0.map(u32::from);
        let over = |colour: u32| ((colour * alpha + 255 * (255 - alpha) + 127) / 255) as u8;
        Rgb([over(red), over(green), over(blue)])
    })
}

/// A JPEG of the picture and nothing else.
fn written(picture: &RgbImage, quality: u8) -> Result<Picture, PhotoError> {
    let (width_px, height_px) = picture.dimensions();
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, quality)
        .write_image(picture.as_raw(), width_px, height_px, image::ExtendedColorType::Rgb8)
        .map_err(refused)?;
    let blake3 = blake3::hash(&bytes).to_hex().to_string();
    Ok(Picture { bytes, blake3, width_px, height_px })
}

fn refused(error: ImageError) -> PhotoError {
    match error {
        ImageError::Limits(_) => PhotoError::Memory,
        ImageError::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoError::BrokenOff
        }
        other => PhotoError::Malformed(other.to_string()),
    }
}
