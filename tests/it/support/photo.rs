//! Photos made by the tests, byte by byte, with whatever a camera may write into them.

use std::io::Cursor;

use image::DynamicImage;
use image::ImageFormat;
use image::Rgb;
use image::RgbImage;

/// Words that stand in every kind of metadata of [`camera_jpeg`] and [`chatty_png`]: none may be found afterwards.
pub(crate) const PLANTED: [&str; 8] = [
    "planted-artist",
    "planted-maker",
    "planted-comment",
    "planted-xmp",
    "planted-iptc",
    "planted-text",
    "planted-tail",
    "planted-profile",
];

/// The four corners of the picture, clockwise from the upper left: red, green, blue, grey.
pub(crate) const CORNERS: [[u8; 3]; 4] = [[220, 30, 30], [30, 200, 30], [30, 30, 220], [128, 128, 128]];

/// A picture of four coloured quarters.
pub(crate) fn quarters(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let corner = match (x < width / 2, y < height / 2) {
            (true, true) => 0,
            (false, true) => 1,
            (false, false) => 2,
            (true, false) => 3,
        };
        Rgb(CORNERS[corner])
    })
}

pub(crate) fn encoded(picture: RgbImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::ImageRgb8(picture).write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

/// A plain JPEG of four quarters; another `shade` is another picture.
pub(crate) fn plain_jpeg(width: u32, height: u32, shade: u8) -> Vec<u8> {
    let mut picture = quarters(width, height);
    for (x, _, pixel) in picture.enumerate_pixels_mut() {
        if x < width / 4 {
            pixel.0 = [shade, shade / 2, 255 - shade];
        }
    }
    encoded(picture, ImageFormat::Jpeg)
}

/// One segment of a JPEG: marker, length, content.
fn segment(marker: u8, content: &[u8]) -> Vec<u8> {
    let length = u16::try_from(content.len() + 2).unwrap().to_be_bytes();
    [&[0xff, marker][..], &length, content].concat()
}

/// The JPEG with segments behind its first marker.
pub(crate) fn with_segments(jpeg: &[u8], segments: &[Vec<u8>]) -> Vec<u8> {
    [&jpeg[..2], &segments.concat(), &jpeg[2..]].concat()
}

pub(crate) fn with_exif(jpeg: &[u8], exif: &ExifBuilder) -> Vec<u8> {
    with_segments(jpeg, &[segment(0xe1, &[b"Exif\0\0", &exif.bytes()[..]].concat())])
}

pub(crate) fn comment(text: &str) -> Vec<u8> {
    segment(0xfe, text.as_bytes())
}

/// A JPEG as cameras write them, a planted word in each place that can hold one.
pub(crate) fn camera_jpeg(exif: &ExifBuilder) -> Vec<u8> {
    let mut exif = exif.clone();
    exif.ascii(Ifd::Main, 0x013b, "planted-artist").ascii(Ifd::Main, 0x010f, "planted-maker");
    let xmp = [&b"http://ns.adobe.com/xap/1.0/\0"[..], b"<x:xmpmeta>planted-xmp</x:xmpmeta>"].concat();
    let iptc =
        [&b"Photoshop 3.0\08BIM\x04\x04\0\0\0\0\0\x11\x1c\x02\x50\0\x0c"[..], b"planted-iptc"].concat();
    let profile = [&b"ICC_PROFILE\0\x01\x01"[..], b"planted-profile"].concat();
    let segments = [
        segment(0xe1, &[b"Exif\0\0", &exif.bytes()[..]].concat()),
        segment(0xe1, &xmp),
        segment(0xed, &iptc),
        segment(0xe2, &profile),
        comment("planted-comment"),
    ];
    let mut jpeg = with_segments(&plain_jpeg(64, 48, 90), &segments);
    jpeg.extend(b"planted-tail");
    jpeg
}

/// A chunk of a PNG. Its checksum is that of ISO/IEC 15948, annex D.
fn chunk(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let named = [&kind[..], content].concat();
    let mut crc = u32::MAX;
    for byte in &named {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
        }
    }
    let length = u32::try_from(content.len()).unwrap().to_be_bytes();
    [&length[..], &named, &(!crc).to_be_bytes()].concat()
}

/// A PNG with chunks behind its header.
pub(crate) fn with_chunks(png: &[u8], chunks: &[Vec<u8>]) -> Vec<u8> {
    // Signature and header take 8 + 25 bytes.
    [&png[..33], &chunks.concat(), &png[33..]].concat()
}

/// A PNG with words in text chunks, in its EXIF and behind its end.
pub(crate) fn chatty_png(exif: &ExifBuilder) -> Vec<u8> {
    let mut exif = exif.clone();
    exif.ascii(Ifd::Main, 0x013b, "planted-artist");
    let chunks = [
        chunk(b"tEXt", b"Comment\0planted-text"),
        chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0planted-xmp"),
        chunk(b"eXIf", &exif.bytes()),
    ];
    let mut png = with_chunks(&encoded(quarters(64, 48), ImageFormat::Png), &chunks);
    png.extend(b"planted-tail");
    png
}

/// A chunk of a WebP, filled up to an even length (RFC 9649, section 2.3).
fn riff(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let length = u32::try_from(content.len()).unwrap().to_le_bytes();
    let fill: &[u8] = if content.len() % 2 == 1 { b"\0" } else { b"" };
    [&kind[..], &length, content, fill].concat()
}

/// A WebP in the extended format, with words in its EXIF, its XMP, a chunk nobody knows and behind its end.
pub(crate) fn chatty_webp(exif: &ExifBuilder) -> Vec<u8> {
    let mut exif = exif.clone();
    exif.ascii(Ifd::Main, 0x013b, "planted-artist");
    let plain = encoded(quarters(64, 48), ImageFormat::WebP);
    // Flags for EXIF and XMP, then width and height less one in three bytes each.
    let head = riff(b"VP8X", &[0x0c, 0, 0, 0, 63, 0, 0, 47, 0, 0]);
    let chunks =
        [riff(b"EXIF", &exif.bytes()), riff(b"XMP ", b"planted-xmp"), riff(b"note", b"planted-text")]
            .concat();
    let content = [&b"WEBP"[..], &head, &plain[12..], &chunks].concat();
    let mut webp = riff(b"RIFF", &content);
    webp.extend(b"planted-tail");
    webp
}

/// A PNG whose head says it has so many pixels, with next to nothing behind it.
pub(crate) fn png_of_size(width: u32, height: u32) -> Vec<u8> {
    let png = encoded(quarters(8, 8), ImageFormat::Png);
    let head = [&width.to_be_bytes()[..], &height.to_be_bytes(), &png[24..29]].concat();
    [&png[..8], &chunk(b"IHDR", &head), &png[33..]].concat()
}

/// A JPEG whose frame says it has so many pixels.
pub(crate) fn jpeg_of_size(width: u16, height: u16) -> Vec<u8> {
    let mut jpeg = plain_jpeg(16, 16, 0);
    let at = jpeg.windows(2).position(|two| matches!(two, [0xff, 0xc0 | 0xc2])).unwrap();
    jpeg[at + 5..at + 7].copy_from_slice(&height.to_be_bytes());
    jpeg[at + 7..at + 9].copy_from_slice(&width.to_be_bytes());
    jpeg
}

/// A picture with nothing but zeros in it, well packed: small to send, large to decode.
pub(crate) fn packed_png(width: u32, height: u32) -> Vec<u8> {
    encoded(RgbImage::new(width, height), ImageFormat::Png)
}

/// Which part of the EXIF a field stands in.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Ifd {
    Main,
    Exif,
    Gps,
}

/// Makes EXIF, big-endian, of the fields given (TIFF 6.0 and CIPA DC-008).
#[derive(Clone, Default)]
pub(crate) struct ExifBuilder {
    fields: Vec<(Ifd, u16, u16, u32, Vec<u8>)>,
}

/// Degrees, minutes and seconds as numerators and denominators.
pub(crate) type Parts = [(u32, u32); 3];

impl ExifBuilder {
    pub(crate) fn ascii(&mut self, ifd: Ifd, tag: u16, text: &str) -> &mut Self {
        let bytes = [text.as_bytes(), b"\0"].concat();
        self.put(ifd, tag, 2, u32::try_from(bytes.len()).unwrap(), bytes)
    }

    pub(crate) fn short(&mut self, ifd: Ifd, tag: u16, value: u16) -> &mut Self {
        self.put(ifd, tag, 3, 1, value.to_be_bytes().to_vec())
    }

    pub(crate) fn rationals(&mut self, ifd: Ifd, tag: u16, values: &[(u32, u32)]) -> &mut Self {
        let bytes = values.iter().flat_map(|(n, d)| [n.to_be_bytes(), d.to_be_bytes()].concat()).collect();
        self.put(ifd, tag, 5, u32::try_from(values.len()).unwrap(), bytes)
    }

    fn put(&mut self, ifd: Ifd, tag: u16, kind: u16, count: u32, bytes: Vec<u8>) -> &mut Self {
        self.fields.retain(|(known_ifd, known, ..)| (*known_ifd, *known) != (ifd, tag));
        self.fields.push((ifd, tag, kind, count, bytes));
        self
    }

    /// GPSLatitude and GPSLongitude with their hemispheres.
    pub(crate) fn position(&mut self, (lat, ns): (Parts, &str), (lon, ew): (Parts, &str)) -> &mut Self {
        self.ascii(Ifd::Gps, 1, ns).rationals(Ifd::Gps, 2, &lat);
        self.ascii(Ifd::Gps, 3, ew).rationals(Ifd::Gps, 4, &lon)
    }

    /// DateTimeOriginal.
    pub(crate) fn taken(&mut self, text: &str) -> &mut Self {
        self.ascii(Ifd::Exif, 0x9003, text)
    }

    /// OffsetTimeOriginal.
    pub(crate) fn offset(&mut self, text: &str) -> &mut Self {
        self.ascii(Ifd::Exif, 0x9011, text)
    }

    /// SubSecTimeOriginal.
    pub(crate) fn fraction(&mut self, text: &str) -> &mut Self {
        self.ascii(Ifd::Exif, 0x9291, text)
    }

    /// GPSDateStamp and GPSTimeStamp.
    pub(crate) fn fix(&mut self, date: &str, hours: u32, minutes: u32, seconds: u32) -> &mut Self {
        self.ascii(Ifd::Gps, 0x1d, date);
        self.rationals(Ifd::Gps, 7, &[(hours, 1), (minutes, 1), (seconds, 1)])
    }

    /// GPSHPositioningError.
    pub(crate) fn error_m(&mut self, value: (u32, u32)) -> &mut Self {
        self.rationals(Ifd::Gps, 0x1f, &[value])
    }

    /// GPSDOP.
    pub(crate) fn dilution(&mut self, value: (u32, u32)) -> &mut Self {
        self.rationals(Ifd::Gps, 0x0b, &[value])
    }

    /// The EXIF, from its byte order on.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        let mut fields = self.fields.clone();
        for (ifd, pointer) in [(Ifd::Exif, 0x8769), (Ifd::Gps, 0x8825)] {
            if fields.iter().any(|(known, ..)| *known == ifd) {
                fields.push((Ifd::Main, pointer, 4, 1, vec![0; 4]));
            }
        }
        fields.sort_by_key(|(_, tag, ..)| *tag);
        let of = |ifd: Ifd| fields.iter().filter(move |(known, ..)| *known == ifd);
        let size = |ifd: Ifd| {
            let n = of(ifd).count();
            let beside: usize =
                of(ifd).map(|(.., bytes)| if bytes.len() > 4 { bytes.len() } else { 0 }).sum();
            if n == 0 { 0 } else { 2 + 12 * n + 4 + beside }
        };
        let starts = [8, 8 + size(Ifd::Main), 8 + size(Ifd::Main) + size(Ifd::Exif)];
        let mut out = b"MM\0\x2a\0\0\0\x08".to_vec();
        for (ifd, start) in [Ifd::Main, Ifd::Exif, Ifd::Gps].into_iter().zip(starts) {
            let n = of(ifd).count();
            if n == 0 {
                continue;
            }
            let mut beside = Vec::new();
            out.extend(u16::try_from(n).unwrap().to_be_bytes());
            for (_, tag, kind, count, bytes) in of(ifd) {
                out.extend(tag.to_be_bytes());
                out.extend(kind.to_be_bytes());
                out.extend(count.to_be_bytes());
                let mut value = bytes.clone();
                match *tag {
                    0x8769 => value = u32::try_from(starts[1]).unwrap().to_be_bytes().to_vec(),
                    0x8825 => value = u32::try_from(starts[2]).unwrap().to_be_bytes().to_vec(),
                    _ => {}
                }
                if value.len() > 4 {
                    let at = start + 2 + 12 * n + 4 + beside.len();
                    out.extend(u32::try_from(at).unwrap().to_be_bytes());
                    beside.extend(value);
                } else {
                    value.resize(4, 0);
                    out.extend(value);
                }
            }
            out.extend([0; 4]);
            out.extend(beside);
        }
        out
    }
}

/// 37° 36' 36.00" N, 109° 22' 48.00" W: 37.61, −109.38, on the test parks' trails, at 09:10:07 of their zone's summer.
pub(crate) fn on_the_trail() -> ExifBuilder {
    let mut exif = ExifBuilder::default();
    exif.position(([(37, 1), (36, 1), (3600, 100)], "N"), ([(109, 1), (22, 1), (4800, 100)], "W"));
    exif.taken("2024:05:04 09:10:07").offset("-06:00").error_m((8, 1));
    exif
}
