//! Rows as they really arrive: a few dozen that cannot be taken as they are, each wrong in its own way.

use std::io::Write;
use std::path::Path;

use crate::cli::generate::files::create;
use crate::cli::generate::files::degrees;
use crate::cli::generate::layout::Layout;

/// Writes `visitor-book.csv` (UTF-8 with byte order mark, semicolons) and `old-notes.csv` (Latin-1).
pub(super) fn write(layout: &Layout, folder: &Path) -> anyhow::Result<()> {
    let [lon, lat] = degrees(layout, layout.nodes[6]);
    let lat_comma = format!("{lat:.5}").replace('.', ",");
    let lon_comma = format!("{lon:.5}").replace('.', ",");
    let mut out = create(folder, "visitor-book.csv")?;
    out.write_all("\u{feff}".as_bytes())?;
    writeln!(out, "Record;Effort;Date;Time;Latitude;Longitude;Accuracy;Species;Notes")?;
    let mut row = |fields: [&str; 9]| writeln!(out, "{}", fields.join(";"));
    let (lat_words, lon_words) = (format!("{lat:.5}"), format!("{lon:.5}"));
    let (lat_ok, lon_ok) = (lat_words.as_str(), lon_words.as_str());
    let snake = "Crotalus viridis";
    row(["B-01", "report", "2024-05-04", "09:10", lat_ok, lon_ok, "20", snake, "fine"])?;
    row(["B-02", "report", "2024-05-04", "09:10", &lat_comma, &lon_comma, "20", snake, "decimal commas"])?;
    row([
        "B-03",
        "report",
        "2024-05-04",
        "09:10",
        "37°37'30\"N",
        "109°22'10\"W",
        "20",
        snake,
        "degrees, minutes, seconds",
    ])?;
    row(["B-04", "report", "2024-05-04", "09:10", lon_ok, lat_ok, "20", snake, "swapped"])?;
    row(["B-05", "report", "2024-05-04", "09:10", lat_ok, "", "20", snake, "half a coordinate"])?;
    row(["B-06", "report", "2024-05-04", "09:10", "0", "0", "20", snake, "null island"])?;
    row(["B-07", "report", "2024-05-04", "09:10", "97.6", lon_ok, "20", snake, "off the globe"])?;
    row(["B-08", "report", "2024-05-04", "09:10", lat_ok, lon_ok, "0", snake, "zero accuracy"])?;
    row(["B-09", "report", "2024-05-04", "09:10", lat_ok, lon_ok, "-5", snake, "negative accuracy"])?;
    row(["B-10", "report", "2024-05-04", "09:10", lat_ok, lon_ok, "about 20", snake, "words for a number"])?;
    row(["B-11", "report", "03/04/2024", "09:10", lat_ok, lon_ok, "20", snake, "day or month first"])?;
    row(["B-12", "report", "25/03/2024", "09:10", lat_ok, lon_ok, "20", snake, "day first without doubt"])?;
    row(["B-13", "report", "45416", "09:10", lat_ok, lon_ok, "20", snake, "spreadsheet serial"])?;
    row(["B-14", "report", "4/5/24", "09:10", lat_ok, lon_ok, "20", snake, "two-digit year"])?;
    row(["B-15", "report", "2024-02-30", "09:10", lat_ok, lon_ok, "20", snake, "no such day"])?;
    row(["B-16", "report", "2031-05-04", "09:10", lat_ok, lon_ok, "20", snake, "in the future"])?;
    row(["B-17", "report", "1804-05-04", "09:10", lat_ok, lon_ok, "20", snake, "long ago"])?;
    row([
        "B-18",
        "report",
        "2024-03-10",
        "02:30",
        lat_ok,
        lon_ok,
        "20",
        snake,
        "an hour that the clock skipped",
    ])?;
    row(["B-19", "report", "2024-05-04", "25:10", lat_ok, lon_ok, "20", snake, "no such time"])?;
    row(["B-20", "report", "2024-05-04", "9.10 pm", lat_ok, lon_ok, "20", snake, "evening"])?;
    row(["B-21", "stroll", "2024-05-04", "09:10", lat_ok, lon_ok, "20", snake, "unknown effort"])?;
    row(["B-22", "report", "=A2+1", "09:10", lat_ok, lon_ok, "20", snake, "a formula"])?;
    row(["B-23", "report", "2024-05-04", "09:10", "#REF!", lon_ok, "20", snake, "a broken formula"])?;
    row(["B-24", "report", "2024-05-04", "09:10", "NaN", lon_ok, "20", snake, "not a number"])?;
    row(["B-25", "report", "", "09:10", lat_ok, lon_ok, "20", snake, "no date"])?;
    row(["B-26", "report", "May 2024", "", lat_ok, lon_ok, "20", snake, "month only"])?;
    row(["B-27", "report", "2024-05-04", "09:10", lat_ok, lon_ok, "2,000,000", snake, "thousands"])?;
    row(["B-28", "report", "2024-05-04/2024-06-02", "", lat_ok, lon_ok, "20", snake, "a range"])?;
    row([
        "B-29",
        "report",
        "2024-05-04",
        "09:10",
        lat_ok,
        lon_ok,
        "20",
        "rattler",
        "a name not on the list",
    ])?;
    writeln!(out)?;
    writeln!(out, "B-30;report;2024-05-04;09:10;{lat_ok};{lon_ok};20;{snake};too;many;fields")?;
    writeln!(out, "B-31;report;2024-05-04")?;
    writeln!(out, "B-32;report;2024-05-04;09:10;{lat_ok};{lon_ok};20;{snake};\"two\nlines\"")?;
    write_latin(layout, folder)
}

fn write_latin(layout: &Layout, folder: &Path) -> anyhow::Result<()> {
    let [lon, lat] = degrees(layout, layout.nodes[11]);
    let mut out = create(folder, "old-notes.csv")?;
    out.write_all(
        b"occurrenceID,effortKind,eventDate,decimalLatitude,decimalLongitude,occurrenceRemarks\r\n",
    )?;
    let rows = [("N-1", "14 May 1998", "beside the sp\u{e9}cimen tin"), ("N-2", "1999-09", "ca\u{f1}on rim")];
    for (id, date, remarks) in rows {
        let words = format!("{id},chance,{date},{lat:.4},{lon:.4},{remarks}\r\n");
        let latin: Vec<u8> =
            words.chars().map(|letter| u8::try_from(u32::from(letter)).unwrap_or(b'?')).collect();
        out.write_all(&latin)?;
    }
    Ok(())
}
