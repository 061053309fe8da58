//! What kind of file it is, by its first bytes, and whether its end is there.
//!
//! Decoders fill in what is missing of a file that broke off; a record should not show half a snake without saying so.

use crate::ingest::photo::PhotoError;

/// Passes over the whole picture that a JPEG may ask for. Cameras write ten; each costs as much as the whole picture.
const MOST_SCANS: usize = 64;

/// The kinds of files that are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Jpeg,
    Png,
    WebP,
}

/// The kind of a file, whatever its name says.
pub(super) fn kind_of(bytes: &[u8]) -> Result<Kind, PhotoError> {
    match bytes {
        [] => Err(PhotoError::Empty),
        [0xff, 0xd8, 0xff, ..] => Ok(Kind::Jpeg),
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n', ..] => Ok(Kind::Png),
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Ok(Kind::WebP),
        // ISO base media files: what telephones call HEIC and AVIF.
        [_, _, _, _, b'f', b't', b'y', b'p', ..] => {
            Err(PhotoError::UnknownKind { looks_like: "HEIC, AVIF or a film" })
        }
        [b'G', b'I', b'F', b'8', ..] => Err(PhotoError::UnknownKind { looks_like: "GIF" }),
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => {
            Err(PhotoError::UnknownKind { looks_like: "TIFF or a raw file" })
        }
        _ => Err(PhotoError::UnknownKind { looks_like: "something else" }),
    }
}

/// Whether the file is there up to its end; what follows the end does not matter.
pub(super) fn check_end(kind: Kind, bytes: &[u8]) -> Result<(), PhotoError> {
    match kind {
        Kind::Jpeg => jpeg(bytes),
        Kind::Png => png(bytes),
        Kind::WebP => webp(bytes),
    }
}

/// Follows the markers to the end of the image (ITU-T T.81, annex B).
fn jpeg(bytes: &[u8]) -> Result<(), PhotoError> {
    let mut at = 2;
    let mut n_scans = 0;
    loop {
        let marker = next_marker(bytes, &mut at).ok_or(PhotoError::BrokenOff)?;
        match marker {
            // End of image.
            0xd9 if n_scans > 0 => return Ok(()),
            0xd9 => return Err(PhotoError::Malformed("it ends before its first picture".to_owned())),
            // Markers without a length: start of image, restart, temporary.
            0x01 | 0xd0..=0xd8 => {}
            other => {
                let length = bytes.get(at..at + 2).ok_or(PhotoError::BrokenOff)?;
                let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
                if length < 2 {
                    return Err(PhotoError::Malformed("a part of it has no length".to_owned()));
                }
                at += length;
                // Start of scan: the coded picture follows, and is passed over by looking for the next marker.
                n_scans += usize::from(other == 0xda);
                if n_scans > MOST_SCANS {
                    return Err(PhotoError::TooManyScans { most: MOST_SCANS });
                }
            }
        }
    }
}

/// The next marker at or behind a place, which then stands behind it. In coded pictures 0xff is followed by zero.
fn next_marker(bytes: &[u8], at: &mut usize) -> Option<u8> {
    loop {
        let found = bytes.get(*at..)?.iter().position(|byte| *byte == 0xff)?;
        *at += found + 1;
        let marker = *bytes.get(*at)?;
        match marker {
            0xff => {}
            0x00 => *at += 1,
            marker => {
                *at += 1;
                return Some(marker);
            }
        }
    }
}

/// Follows the chunks to the last one (ISO/IEC 15948, clause 5).
fn png(bytes: &[u8]) -> Result<(), PhotoError> {
    let mut at = 8;
    loop {
        let head = bytes.get(at..at + 8).ok_or(PhotoError::BrokenOff)?;
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        // Length, type and checksum take twelve bytes.
        at = at.saturating_add(length).saturating_add(12);
        if at > bytes.len() {
            return Err(PhotoError::BrokenOff);
        }
        if &head[4..8] == b"IEND" {
            return Ok(());
        }
    }
}

/// Compares the length that the container gives (RFC 9649, section 2.4).
fn webp(bytes: &[u8]) -> Result<(), PhotoError> {
    let length = bytes.get(4..8).ok_or(PhotoError::BrokenOff)?;
    let length = u32::from_le_bytes([length[0], length[1], length[2], length[3]]) as usize;
    if bytes.len() < length.saturating_add(8) { Err(PhotoError::BrokenOff) } else { Ok(()) }
}
