//! Photos: what is left of a file, what is refused, and what a camera says of where and when.

use image::ImageFormat;
use jiff::civil::date;
use proptest::prelude::*;

use coilway::domain::batch::RowError;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::UncertaintyMeaning;
use coilway::domain::encounter::VerificationStatus;
use coilway::domain::geography::LonLat;
use coilway::domain::photo::GeotaggedPhoto;
use coilway::domain::photo::Picture;
use coilway::ingest::Context;
use coilway::ingest::photo::PhotoError;
use coilway::ingest::photo::geotagged;
use coilway::ingest::photo::photo;

use crate::support::photo::CORNERS;
use crate::support::photo::ExifBuilder;
use crate::support::photo::Ifd;
use crate::support::photo::PLANTED;
use crate::support::photo::camera_jpeg;
use crate::support::photo::chatty_png;
use crate::support::photo::chatty_webp;
use crate::support::photo::comment;
use crate::support::photo::encoded;
use crate::support::photo::jpeg_of_size;
use crate::support::photo::on_the_trail;
use crate::support::photo::packed_png;
use crate::support::photo::plain_jpeg;
use crate::support::photo::png_of_size;
use crate::support::photo::quarters;
use crate::support::photo::with_exif;
use crate::support::photo::with_segments;

fn holds(bytes: &[u8], words: &str) -> bool {
    bytes.windows(words.len()).any(|window| window.eq_ignore_ascii_case(words.as_bytes()))
}

/// The markers of a JPEG up to its first scan.
fn markers(jpeg: &[u8]) -> Vec<u8> {
    let mut found = Vec::new();
    let mut at = 2;
    while at + 4 <= jpeg.len() {
        assert_eq!(jpeg[at], 0xff);
        found.push(jpeg[at + 1]);
        if jpeg[at + 1] == 0xda {
            break;
        }
        at += 2 + usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
    }
    found
}

/// Nothing but what a decoder needs: the JFIF mark, tables, the frame, and one scan up to the end.
fn assert_bare(picture: &Picture) {
    let jpeg = &picture.bytes;
    let markers = markers(jpeg);
    assert!(markers.iter().all(|marker| matches!(marker, 0xe0 | 0xdb | 0xc0 | 0xc4 | 0xda)), "{markers:x?}");
    assert_eq!(markers.iter().filter(|marker| **marker == 0xe0).count(), 1);
    assert_eq!(jpeg[jpeg.len() - 2..], [0xff, 0xd9]);
    let n_ends = jpeg.windows(2).filter(|two| two == &[0xff, 0xd9]).count();
    assert_eq!(n_ends, 1, "something stands behind the end");
    assert_eq!(picture.blake3, blake3::hash(jpeg).to_hex().as_str());
}

#[test]
fn nothing_that_a_camera_wrote_is_left() {
    let mut exif = on_the_trail();
    exif.short(Ifd::Main, 0x0112, 6);
    let files = [("jpeg", camera_jpeg(&exif)), ("png", chatty_png(&exif)), ("webp", chatty_webp(&exif))];
    let mut planted: Vec<&str> = Vec::new();
    for (kind, bytes) in &files {
        let draft = photo(bytes).unwrap();
        planted.extend(PLANTED.iter().filter(|words| holds(bytes, words)));
        for picture in [&draft.whole, &draft.thumbnail] {
            assert_bare(picture);
            for words in PLANTED.iter().chain(&["Exif", "2024:05:04", "ICC_PROFILE", "8BIM", "http"]) {
                assert!(!holds(&picture.bytes, words), "{kind} still says {words}");
            }
        }
        assert_eq!(draft.source_blake3, blake3::hash(bytes).to_hex().as_str());
    }
    // Each word was in one of the files, so that each could have been found.
    assert!(PLANTED.iter().all(|words| planted.contains(words)), "{planted:?}");
}

#[test]
fn a_page_hidden_in_a_photo_is_gone() {
    let html = "--><html><script>alert(1)</script></html><!--";
    let mut polyglot = with_segments(&plain_jpeg(64, 48, 10), &[comment(html)]);
    polyglot.extend(b"PK\x03\x04 <script>alert(2)</script>");
    assert!(holds(&polyglot, "<script>"));
    let draft = photo(&polyglot).unwrap();
    for picture in [&draft.whole, &draft.thumbnail] {
        assert_bare(picture);
        assert!(!holds(&picture.bytes, "<script") && !holds(&picture.bytes, "<html"));
    }
}

/// The corners of a picture, clockwise from the upper left, each named by the planted colour nearest to it.
fn corners(picture: &Picture) -> [usize; 4] {
    let decoded = image::load_from_memory_with_format(&picture.bytes, ImageFormat::Jpeg).unwrap().into_rgb8();
    let (w, h) = decoded.dimensions();
    assert_eq!((w, h), (picture.width_px, picture.height_px));
    [(w / 8, h / 8), (w - w / 8 - 1, h / 8), (w - w / 8 - 1, h - h / 8 - 1), (w / 8, h - h / 8 - 1)].map(
        |(x, y)| {
            let found = decoded.get_pixel(x, y).0;
            let far =
                |idx: usize| (0..3).map(|at| u32::from(found[at].abs_diff(CORNERS[idx][at]))).sum::<u32>();
            (0..4).min_by_key(|idx| far(*idx)).unwrap()
        },
    )
}

#[test]
fn pictures_are_turned_upright() {
    // Row and column that the stored picture begins with: EXIF 2.32, table of Orientation.
    let expected = [
        (1, [0, 1, 2, 3]),
        (2, [1, 0, 3, 2]),
        (3, [2, 3, 0, 1]),
        (4, [3, 2, 1, 0]),
        (5, [0, 3, 2, 1]),
        (6, [3, 0, 1, 2]),
        (7, [2, 1, 0, 3]),
        (8, [1, 2, 3, 0]),
    ];
    let upright = encoded(quarters(640, 320), ImageFormat::Jpeg);
    for (orientation, corners_of) in expected {
        let mut exif = ExifBuilder::default();
        exif.short(Ifd::Main, 0x0112, orientation);
        let draft = photo(&with_exif(&upright, &exif)).unwrap();
        let sides = if orientation > 4 { (320, 640) } else { (640, 320) };
        assert_eq!((draft.whole.width_px, draft.whole.height_px), sides, "{orientation}");
        let sides = if orientation > 4 { (160, 320) } else { (320, 160) };
        assert_eq!((draft.thumbnail.width_px, draft.thumbnail.height_px), sides, "{orientation}");
        assert_eq!(corners(&draft.whole), corners_of, "{orientation}");
        assert_eq!(corners(&draft.thumbnail), corners_of, "{orientation}");
    }
}

#[test]
fn large_pictures_are_scaled_down_and_small_ones_stay() {
    let sides = |width, height| {
        let draft = photo(&encoded(quarters(width, height), ImageFormat::Png)).unwrap();
        [draft.whole, draft.thumbnail].map(|picture| (picture.width_px, picture.height_px))
    };
    assert_eq!(sides(100, 80), [(100, 80), (100, 80)]);
    assert_eq!(sides(2000, 1000), [(1600, 800), (320, 160)]);
    assert_eq!(sides(1000, 4000), [(400, 1600), (80, 320)]);
    // One pixel wide stays one pixel wide.
    assert_eq!(sides(1, 3300), [(1, 1600), (1, 320)]);
}

#[test]
fn what_is_transparent_is_white() {
    let clear = image::RgbaImage::from_pixel(32, 32, image::Rgba([0, 0, 0, 0]));
    let mut png = std::io::Cursor::new(Vec::new());
    image::DynamicImage::ImageRgba8(clear).write_to(&mut png, ImageFormat::Png).unwrap();
    let draft = photo(png.get_ref()).unwrap();
    let decoded = image::load_from_memory(&draft.whole.bytes).unwrap().into_rgb8();
    assert!(decoded.pixels().all(|pixel| pixel.0.iter().all(|value| *value > 250)));
}

#[test]
fn what_is_too_large_to_decode_is_refused_before_it_is() {
    let of_size = |bytes: Vec<u8>, width, height| {
        assert!(bytes.len() < 10_000);
        assert_eq!(photo(&bytes).unwrap_err(), PhotoError::TooManyPixels { width, height });
    };
    of_size(png_of_size(30_000, 30_000), 30_000, 30_000);
    of_size(png_of_size(20_001, 1), 20_001, 1);
    of_size(png_of_size(8_001, 8_000), 8_001, 8_000);
    of_size(jpeg_of_size(65_500, 65_500), 65_500, 65_500);
    assert!(matches!(
        photo(&png_of_size(u32::MAX, u32::MAX)),
        Err(PhotoError::TooManyPixels { .. } | PhotoError::Malformed(_) | PhotoError::Memory)
    ));
    // Within the bounds a well-packed picture is decoded: 12 million pixels in less than 200 kB.
    let packed = packed_png(4_000, 3_000);
    assert!(packed.len() < 200_000, "{}", packed.len());
    assert_eq!(photo(&packed).unwrap().whole.width_px, 1600);
    assert_eq!(photo(&vec![0xff; (32 << 20) + 1]).unwrap_err(), PhotoError::TooLarge);
    // Each pass over the picture costs as much as the picture: a small file may not ask for thousands.
    let jpeg = plain_jpeg(64, 48, 10);
    let scan = jpeg.windows(2).position(|two| two == [0xff, 0xda]).unwrap();
    let again = jpeg[scan..jpeg.len() - 2].repeat(64);
    let passes = [&jpeg[..jpeg.len() - 2], &again, &[0xff, 0xd9]].concat();
    assert_eq!(photo(&passes).unwrap_err(), PhotoError::TooManyScans { most: 64 });
}

#[test]
fn what_is_no_photo_is_named() {
    let cases: [(&[u8], &str); 6] = [
        (b"", "empty"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "HEIC"),
        (b"GIF89a....", "GIF"),
        (b"II*\0........", "TIFF"),
        (b"<html><script>alert(1)</script>", "no JPEG, PNG or WebP"),
        (b"%PDF-1.7 and so on", "no JPEG, PNG or WebP"),
    ];
    for (bytes, words) in cases {
        let error = photo(bytes).unwrap_err();
        assert!(error.to_string().contains(words), "{error}");
        assert!(!error.hint().is_empty());
        let row = error.into_row_error();
        assert_eq!((row.row_number, row.field.as_str()), (1, "photo"));
    }
}

#[test]
fn a_file_that_breaks_off_is_refused_wherever_it_does() {
    let picture = quarters(40, 24);
    for format in [ImageFormat::Jpeg, ImageFormat::Png, ImageFormat::WebP] {
        let whole = encoded(picture.clone(), format);
        photo(&whole).unwrap();
        for length in 0..whole.len() {
            let cut = photo(&whole[..length]);
            assert!(cut.is_err(), "{format:?} cut to {length} of {}", whole.len());
        }
        for length in whole.len() / 2..whole.len() {
            assert_eq!(photo(&whole[..length]).unwrap_err(), PhotoError::BrokenOff, "{format:?} {length}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// Bytes behind the beginning of every kind of file: something comes back, whatever they are.
    #[test]
    fn no_bytes_make_it_panic(kind in 0usize..4, bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let starts: [&[u8]; 4] = [b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR", b"RIFF\x20\0\0\0WEBPVP8 "];
        let bytes = [starts[kind], &bytes].concat();
        prop_assert!(photo(&bytes).is_err());
        prop_assert!(geotagged(&bytes, &context()).is_err());
    }

    /// A good file with some bytes changed is drawn, or refused in words.
    #[test]
    fn changed_bytes_make_it_no_worse(
        kind in 0usize..3,
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
    ) {
        let mut bytes = match kind {
            0 => camera_jpeg(&on_the_trail()),
            1 => chatty_png(&on_the_trail()),
            _ => chatty_webp(&on_the_trail()),
        };
        for (at, byte) in &changes {
            let at = at.index(bytes.len());
            bytes[at] = *byte;
        }
        if let Ok(draft) = photo(&bytes) {
            assert_bare(&draft.whole);
        }
        if let Err(error) = geotagged(&bytes, &context()) {
            prop_assert!(!error.reason.is_empty());
        }
    }

    /// The EXIF alone, changed anywhere.
    #[test]
    fn no_exif_makes_it_panic(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
    ) {
        let mut jpeg = with_exif(&plain_jpeg(16, 16, 1), &on_the_trail());
        let n_exif = on_the_trail().bytes().len();
        for (at, byte) in &changes {
            jpeg[12 + at.index(n_exif)] = *byte;
        }
        let read = geotagged(&jpeg, &context());
        if let Ok(found) = read {
            prop_assert!(found.encounter.position.is_some());
        }
    }
}

/// An area in a zone with summer time, with one trail.
fn context() -> Context {
    let trail = [LonLat::new(-109.4, 37.6).unwrap(), LonLat::new(-109.3, 37.7).unwrap()];
    Context::new("America/Denver", date(2026, 1, 15), Vec::new(), trail.into_iter())
}

fn read(exif: &ExifBuilder) -> Result<GeotaggedPhoto, Box<RowError>> {
    geotagged(&with_exif(&plain_jpeg(16, 16, 1), exif), &context()).map_err(Box::new)
}

fn changed(
    change: impl FnOnce(&mut ExifBuilder) -> &mut ExifBuilder,
) -> Result<GeotaggedPhoto, Box<RowError>> {
    let mut exif = on_the_trail();
    change(&mut exif);
    read(&exif)
}

fn position(found: &GeotaggedPhoto) -> (f64, f64) {
    let at = found.encounter.position.unwrap().position;
    (at.lat(), at.lon())
}

#[test]
fn a_photo_makes_an_encounter_of_no_known_effort() {
    let found = changed(|exif| exif).unwrap();
    let encounter = &found.encounter;
    assert_eq!(encounter.effort_kind, EffortKind::Chance);
    assert_eq!(encounter.verification_status, VerificationStatus::Unverified);
    assert_eq!(encounter.scientific_name, "");
    assert_eq!(encounter.occurrence_id, format!("photo:{}", &found.photo.source_blake3[..24]));
    assert_eq!(position(&found), (37.61, -109.38));
    // 15:10:07 UTC.
    assert_eq!(encounter.time.instant_s, Some(1_714_835_407));
    assert_eq!(encounter.time.minute_of_day, Some(9 * 60 + 10));
}

#[test]
fn every_kind_of_file_says_where_it_was_taken() {
    let exif = on_the_trail();
    for bytes in [camera_jpeg(&exif), chatty_png(&exif), chatty_webp(&exif)] {
        let found = geotagged(&bytes, &context()).unwrap();
        assert_eq!(
            (position(&found), found.encounter.time.instant_s),
            ((37.61, -109.38), Some(1_714_835_407))
        );
        let raw = format!("{:?} {:?}", found.raw, found.encounter);
        assert!(PLANTED.iter().all(|words| !raw.contains(words)), "{raw}");
    }
}

#[test]
fn hemispheres_give_the_sign() {
    let (lat, lon) = ([(33, 1), (52, 1), (1234, 100)], [(151, 1), (12, 1), (3060, 100)]);
    // 33 + 52/60 + 12.34/3600 and 151 + 12/60 + 30.6/3600 degrees.
    let (lat_deg, lon_deg) = (33.870_094_444, 151.208_5);
    for (ns, ew, expected) in [
        ("S", "E", (-lat_deg, lon_deg)),
        ("N", "E", (lat_deg, lon_deg)),
        ("S", "W", (-lat_deg, -lon_deg)),
        ("n", "w", (lat_deg, -lon_deg)),
    ] {
        let found = changed(|exif| exif.position((lat, ns), (lon, ew))).unwrap();
        let (lat, lon) = position(&found);
        assert!((lat - expected.0).abs() < 1e-9 && (lon - expected.1).abs() < 1e-9, "{ns}{ew}: {lat} {lon}");
    }
    // Degrees alone, and degrees with minutes, as some cameras write them; a part left out is 0/0.
    let decimal = changed(|exif| {
        exif.position(([(37_610_000, 1_000_000), (0, 1), (0, 1)], "N"), ([(109, 1), (228, 10), (0, 0)], "W"))
    });
    assert_eq!(position(&decimal.unwrap()), (37.61, -109.38));
}

#[test]
fn the_precision_of_the_position_is_kept() {
    let accuracy = |found: &GeotaggedPhoto| {
        let at = found.encounter.position.unwrap();
        at.coordinate_uncertainty.map(|length| (length.in_metres(), at.meaning))
    };
    // A hundredth of a second is 0.31 m north and 0.24 m east there: half the diagonal of 0.39 m is added.
    assert_eq!(accuracy(&changed(|exif| exif).unwrap()), Some((8.2, UncertaintyMeaning::Radius68)));
    let mut exif = ExifBuilder::default();
    let (lat, lon) = (([(37, 1), (36, 1), (3600, 100)], "N"), ([(109, 1), (22, 1), (4800, 100)], "W"));
    exif.position(lat, lon).taken("2024:05:04 09:10:07");
    assert_eq!(accuracy(&read(&exif).unwrap()), None);
    // 2.4 times 5 m.
    exif.dilution((24, 10));
    assert_eq!(accuracy(&read(&exif).unwrap()), Some((12.2, UncertaintyMeaning::Radius68)));
    // The receiver's own error goes before the dilution; an error of zero is none.
    exif.error_m((45, 10));
    assert_eq!(accuracy(&read(&exif).unwrap()), Some((4.7, UncertaintyMeaning::Radius68)));
    exif.error_m((0, 1));
    assert_eq!(accuracy(&read(&exif).unwrap()), Some((12.2, UncertaintyMeaning::Radius68)));
    // Whole minutes: 1853 m north, 1468 m east, half the diagonal 1182 m; 30 m where no accuracy is given.
    let mut coarse = ExifBuilder::default();
    coarse
        .position(([(37, 1), (37, 1), (0, 1)], "N"), ([(109, 1), (22, 1), (0, 1)], "W"))
        .taken("2024:05:04 09:10:07");
    assert_eq!(accuracy(&read(&coarse).unwrap()), Some((1212.1, UncertaintyMeaning::Radius95)));
    let remarks = |found: &GeotaggedPhoto, name: &str| {
        found.encounter.details.other.iter().find(|(known, _)| known == name).unwrap().1.clone()
    };
    let found = changed(|exif| exif).unwrap();
    assert_eq!(
        remarks(&found, "georeferenceRemarks"),
        "GPSHPositioningError 8 m; coordinates written to 0.2 m"
    );
    assert_eq!(remarks(&found, "eventRemarks"), "to the second, with its offset from UTC");
}

#[test]
fn times_are_read_with_their_offset_or_in_the_areas_zone() {
    let bare = |taken: &str| {
        let mut exif = on_the_trail();
        exif.taken(taken);
        // The builder has no way to take a field out, so an empty one stands for none.
        exif.offset("");
        exif
    };
    let instant = |exif: &ExifBuilder| read(exif).unwrap().encounter.time.instant_s;
    let minute = |exif: &ExifBuilder| read(exif).unwrap().encounter.time.minute_of_day;
    // Local to the area: 6 hours behind UTC in summer, 7 in winter.
    assert_eq!(instant(&bare("2024:05:04 09:10:07")), Some(1_714_835_407));
    assert_eq!(instant(&bare("2024:12:04 09:10:07")), Some(1_733_328_607));
    // A camera left on the time of another zone says so: 17:10:07 at +02:00 is 09:10:07 there.
    let mut abroad = bare("2024:05:04 17:10:07");
    abroad.offset("+02:00");
    assert_eq!((instant(&abroad), minute(&abroad)), (Some(1_714_835_407), Some(550)));
    // Without an offset the satellites' time tells it, to the quarter of an hour.
    let mut told = bare("2024:05:04 20:40:07");
    told.fix("2024:05:04", 15, 9, 30);
    assert_eq!((instant(&told), minute(&told)), (Some(1_714_835_407), Some(550)));
    // Without the camera's time there is that of the fix.
    let mut fix = bare("0000:00:00 00:00:00");
    fix.fix("2024:05:04", 15, 9, 30);
    assert_eq!(instant(&fix), Some(1_714_835_370));
    // Fractions of a second are kept as they are written.
    let mut fine = on_the_trail();
    fine.fraction("25");
    let found = read(&fine).unwrap().encounter;
    assert_eq!(found.time.instant_s, Some(1_714_835_407));
    assert_eq!(found.details.verbatim_event_date, "2024-05-04T09:10:07.25-06:00");
    // The hour that the clock showed twice: the date and the time of day are known, the instant is not, unless the offset
    // is.
    let mut twice = bare("2024:11:03 01:30:00");
    assert_eq!((instant(&twice), minute(&twice)), (None, Some(90)));
    twice.offset("-07:00");
    assert_eq!(instant(&twice), Some(1_730_622_600));
}

type Change<'a> = &'a dyn Fn(&mut ExifBuilder) -> &mut ExifBuilder;

#[test]
fn what_cannot_be_read_names_field_value_and_reason() {
    let refused = |change: Change<'_>| changed(|exif| change(exif)).unwrap_err();
    let lat = [(37, 1), (36, 1), (3600, 100)];
    let lon = [(109, 1), (22, 1), (4800, 100)];
    let cases: [(Change<'_>, &str, &str, &str); 13] = [
        (&|e| e.position((lat, ""), (lon, "W")), "decimalLatitude", "37/1 36/1 3600/100", "N or S"),
        (&|e| e.position((lat, "N"), (lon, "N")), "decimalLongitude", "109/1 22/1 4800/100 N", "E or W"),
        (
            &|e| e.position(([(37, 0), (0, 1), (0, 1)], "N"), (lon, "W")),
            "decimalLatitude",
            "37/0 0/1 0/1 N",
            "no degrees",
        ),
        (
            &|e| e.position(([(37, 1), (60, 1), (0, 1)], "N"), (lon, "W")),
            "decimalLatitude",
            "37/1 60/1 0/1 N",
            "no degrees",
        ),
        (
            &|e| e.position(([(97, 1), (0, 1), (1, 1)], "N"), (lon, "W")),
            "decimalLatitude",
            "97.000277778",
            "outside",
        ),
        (&|e| e.position(([(0, 1); 3], "N"), ([(0, 1); 3], "E")), "decimalLatitude", "0", "without a fix"),
        (&|e| e.ascii(Ifd::Gps, 9, "V"), "decimalLatitude", "37/1 36/1 3600/100 N", "no fix"),
        (&|e| e.ascii(Ifd::Gps, 0x12, "TOKYO"), "decimalLatitude", "37/1 36/1 3600/100 N", "datum TOKYO"),
        (&|e| e.taken("yesterday"), "eventDate", "yesterday", "date"),
        (&|e| e.taken("2024:13:04 09:10:07"), "eventDate", "2024:13:04 09:10:07", ""),
        (&|e| e.taken("2031:05:04 09:10:07"), "eventDate", "2031-05-04T09:10:07-06:00", ""),
        (&|e| e.offset("six hours"), "eventDate", "2024:05:04 09:10:07 six hours", "offset"),
        (&|e| e.fix("2024:05:04", 14, 10, 7), "eventDate", "2024:05:04 09:10:07 -06:00", "do not agree"),
    ];
    for (change, field, value, reason) in cases {
        let error = refused(change);
        assert_eq!((error.field.as_str(), error.value.as_str()), (field, value), "{error:?}");
        assert!(error.reason.contains(reason) && !error.hint.is_empty(), "{error:?}");
        assert_eq!(error.row_number, 1);
    }
    // Nothing at all: no position goes first; the row can be mended, the picture cannot.
    let error = read(&ExifBuilder::default()).unwrap_err();
    assert_eq!((error.field.as_str(), error.value.as_str()), ("decimalLatitude", ""));
    let error = geotagged(&plain_jpeg(16, 16, 1), &context()).unwrap_err();
    assert!(error.reason.contains("where it was taken"), "{error:?}");
    let mut raw = error.raw;
    for (header, value) in
        [("decimalLatitude", "37.61"), ("decimalLongitude", "-109.38"), ("eventDate", "2024-05-04")]
    {
        raw.iter_mut().find(|(known, _)| known == header).unwrap().1 = value.to_owned();
    }
    let content = coilway::domain::batch::Content::Photos;
    let mended = coilway::ingest::retry(content, raw, &context()).unwrap();
    assert!(matches!(mended, coilway::ingest::Draft::Encounter(draft) if draft.position.is_some()));
    let error = coilway::ingest::retry(content, Vec::new(), &context()).unwrap_err();
    assert_eq!(error.field, "photo");
}
