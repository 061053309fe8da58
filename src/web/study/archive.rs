//! The archive: every table, figure and word of a study in one file, the same bytes for the same facts and settings.

use std::collections::BTreeMap;
use std::io::Cursor;
use std::io::Read;
use std::io::Write;

use jiff::civil::Date;
use serde::Deserialize;
use serde::Serialize;

use crate::derived::study;
use crate::derived::study::Layers;
use crate::derived::study::Table;
use crate::domain::revision::Revision;
use crate::signage::export;
use crate::web::pages::common;
use crate::web::study::StudyError;
use crate::web::study::figures;
use crate::web::study::methods;
use crate::web::study::methods::Cited;
use crate::web::views::about::REFERENCES;

/// Files by their name in the archive.
pub type Files = BTreeMap<String, Vec<u8>>;

/// The name of the manifest.
pub const MANIFEST: &str = "manifest.json";
/// The files of an archive are not larger together; a bomb is not unpacked.
const LARGEST: u64 = 512 * 1024 * 1024;

/// What the archive says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// The program.
    pub program: String,
    /// Its version.
    pub version: String,
    /// The area.
    pub area: String,
    /// The data revision.
    pub revision: u64,
    /// The revision that figures and tables rest on: since then decisions and notices alone were written. None in archives
    /// of earlier versions.
    #[serde(default)]
    pub basis: Option<u64>,
    /// What the two revisions mean, in words; empty in archives of earlier versions.
    #[serde(default)]
    pub basis_means: String,
    /// The seed of all draws.
    pub seed: u64,
    /// Draws.
    pub draws: u64,
    /// Settings that differ from the defaults, in words.
    pub settings: String,
    /// Whether figures are there as PDF too.
    pub has_pdf: bool,
    /// What the facts do not allow, and why.
    pub left_out: BTreeMap<String, String>,
    /// Rows of tables that are withheld near sensitive places: how many, and why.
    #[serde(default)]
    pub withheld: BTreeMap<String, String>,
    /// Every other file.
    pub files: BTreeMap<String, FileEntry>,
}

/// One file of the archive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileEntry {
    /// Its size in bytes.
    pub n_bytes: u64,
    /// Hash of its bytes (BLAKE3, hexadecimal).
    pub blake3: String,
}

/// All files of the study of the layers' revision, the manifest among them.
///
/// # Errors
/// [`StudyError`] when a table or figure cannot be written. What the facts do not allow is listed in the manifest.
pub fn files(layers: &Layers) -> Result<Files, StudyError> {
    let mut files = Files::new();
    let (mut left_out, mut withheld) = (BTreeMap::new(), BTreeMap::new());
    add_tables(layers, &mut files, &mut left_out, &mut withheld)?;
    for figure in figures::all(layers) {
        let (name, title) = (format!("figures/{}", figure.name), figure.title.clone());
        match figures::picture(layers, figure) {
            Err(reason) => drop(left_out.insert(name, reason)),
            Ok(picture) => {
                if export::CAN_PRINT {
                    files.insert(format!("{name}.pdf"), figures::pdf(&picture, &title)?);
                }
                files.insert(format!("{name}.svg"), picture.svg.into_bytes());
            }
        }
    }
    let facts = &layers.facts;
    let basis = [
        (
            "Data revision of the figures (later ones hold decisions and notices alone)",
            common::revision_words(facts.basis, facts.basis_written_on),
        ),
        ("Seed", facts.settings.seed().to_string()),
        ("Draws", facts.settings.draws().to_string()),
        ("Settings", facts.parameters.clone()),
        ("Program", program()),
    ];
    files.insert(
        "methods.md".to_owned(),
        methods::markdown(&facts.area.name, &cited(layers), &basis, &withheld).into_bytes(),
    );
    files.insert("settings.json".to_owned(), settings_json(layers)?);
    let manifest = Manifest {
        program: env!("CARGO_PKG_NAME").to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        area: facts.area.name.clone(),
        revision: facts.revision.0,
        basis: Some(facts.basis.0),
        basis_means: basis_words((facts.revision, facts.written_on), (facts.basis, facts.basis_written_on)),
        seed: facts.settings.seed(),
        draws: facts.settings.draws() as u64,
        settings: facts.parameters.clone(),
        has_pdf: export::CAN_PRINT,
        left_out,
        withheld,
        files: files.iter().map(|(name, bytes)| (name.clone(), entry(bytes))).collect(),
    };
    files.insert(MANIFEST.to_owned(), json(&manifest)?);
    Ok(files)
}

/// What the study is cited by.
pub fn cited(layers: &Layers) -> Cited {
    let facts = &layers.facts;
    Cited {
        revision: common::revision_words(facts.basis, facts.basis_written_on),
        settings: facts.parameters.clone(),
        seed: facts.settings.seed(),
        n_draws: facts.settings.draws() as u64,
    }
}

/// A revision with the day on which it was written.
type Dated = (Revision, Option<Date>);

/// What the two revisions of a manifest mean.
fn basis_words(revision: Dated, basis: Dated) -> String {
    let words = |(revision, day)| common::revision_words(revision, day);
    match revision.0 == basis.0 {
        true => format!("Figures, methods and all tables rest on data revision {}.", words(basis)),
        false => format!(
            "Figures, methods and tables rest on data revision {} (basis). Up to revision {} decisions and notices \
             alone were written since: they are in their own tables and change no figure.",
            words(basis),
            words(revision)
        ),
    }
}

fn program() -> String {
    concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).to_owned()
}

fn add_tables(
    layers: &Layers,
    files: &mut Files,
    left_out: &mut BTreeMap<String, String>,
    withheld: &mut BTreeMap<String, String>,
) -> Result<(), StudyError> {
    let mut tables: Vec<(&str, Table)> = Vec::new();
    for entry in study::TABLES {
        match (entry.make)(layers) {
            Ok(table) => tables.push((entry.name, table)),
            Err(reason) => drop(left_out.insert(format!("tables/{}", entry.name), reason)),
        }
    }
    tables.push(("references", references()));
    let gaps = tables
        .iter()
        .filter_map(|(name, table)| Some((format!("tables/{name}"), withheld_words(layers, table)?)));
    withheld.extend(gaps);
    for (name, table) in &tables {
        let bytes = study::csv_bytes(table).map_err(StudyError::Write)?;
        files.insert(format!("tables/{name}.csv"), bytes);
    }
    // Of what decisions and notices fill, the columns are there before there is a row.
    let of_register = study::of_register();
    let without_rows = of_register.iter().filter(|(name, _)| tables.iter().all(|(made, _)| made != name));
    let mut described: Vec<(&str, &Table)> =
        tables.iter().chain(without_rows).map(|(name, table)| (*name, table)).collect();
    let order = |name: &str| study::TABLES.iter().position(|entry| entry.name == name);
    described.sort_by_key(|(name, _)| order(name).unwrap_or(study::TABLES.len()));
    let bytes = study::csv_bytes(&study::dictionary(&described)).map_err(StudyError::Write)?;
    files.insert("columns.csv".to_owned(), bytes);
    Ok(())
}

/// How many rows of a table are withheld, and why; nothing where all are there.
pub fn withheld_words(layers: &Layers, table: &Table) -> Option<String> {
    let (n, all) = (table.n_withheld, table.n_withheld + table.n_rows);
    (n > 0).then(|| format!("{n} of {all} rows withheld: {}.", layers.withheld.reason()))
}

/// What the methods rest on, as a table.
pub fn references() -> Table {
    Table::of(REFERENCES.to_vec()).column("reference", "", "author, year, title, source", |line| *line).done()
}

/// The shape of one setting.
#[derive(Serialize)]
struct SettingEntry {
    key: &'static str,
    value: f64,
    unit: &'static str,
    default: f64,
}

fn settings_json(layers: &Layers) -> Result<Vec<u8>, StudyError> {
    let settings = layers.facts.settings.list();
    let entries: Vec<SettingEntry> = settings
        .into_iter()
        .map(|it| SettingEntry { key: it.key, value: it.value, unit: it.unit, default: it.default })
        .collect();
    json(&entries)
}

fn json(value: &impl Serialize) -> Result<Vec<u8>, StudyError> {
    let mut bytes = serde_json::to_vec_pretty(value).map_err(|error| StudyError::Write(error.to_string()))?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// Size and hash of a file.
pub fn entry(bytes: &[u8]) -> FileEntry {
    FileEntry { n_bytes: bytes.len() as u64, blake3: blake3::hash(bytes).to_hex().to_string() }
}

/// Files as a ZIP archive: in order of their names, all with the first instant that the format knows.
///
/// # Errors
/// [`StudyError::Write`] when the archive cannot be written.
pub fn pack(files: &Files) -> Result<Vec<u8>, StudyError> {
    let words = |error: zip::result::ZipError| StudyError::Write(error.to_string());
    let options = zip::write::SimpleFileOptions::default()
        .compression_method(zip::CompressionMethod::Deflated)
        .compression_level(Some(6))
        .last_modified_time(zip::DateTime::DEFAULT)
        .unix_permissions(0o644);
    let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in files {
        writer.start_file(name.as_str(), options).map_err(words)?;
        writer.write_all(bytes).map_err(|error| StudyError::Write(error.to_string()))?;
    }
    Ok(writer.finish().map_err(words)?.into_inner())
}

/// The files of an archive.
///
/// # Errors
/// [`StudyError::Read`] when the bytes are no ZIP archive or a file in it is broken or too large.
pub fn unpack(bytes: &[u8]) -> Result<Files, StudyError> {
    unpack_within(bytes, LARGEST)
}

/// Unpacks as many bytes together and no more.
fn unpack_within(bytes: &[u8], n_most: u64) -> Result<Files, StudyError> {
    let words = |error: zip::result::ZipError| StudyError::Read(error.to_string());
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(words)?;
    let mut files = Files::new();
    let mut n_left = n_most;
    for idx in 0..archive.len() {
        let file = archive.by_index(idx).map_err(words)?;
        let name = file.name().map_err(words)?.into_owned();
        let mut content = Vec::new();
        // Together, too: many small entries of an archive may be as large as one.
        let read = file.take(n_left + 1).read_to_end(&mut content);
        read.map_err(|error| StudyError::Read(format!("{name}: {error}")))?;
        let Some(left) = n_left.checked_sub(content.len() as u64) else {
            return Err(StudyError::Read(format!("with {name} it is larger than any study")));
        };
        n_left = left;
        files.insert(name, content);
    }
    Ok(files)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some() -> Files {
        Files::from([("b.csv".to_owned(), b"1,2\n".repeat(50)), ("a/é.md".to_owned(), b"# x\n".to_vec())])
    }

    #[test]
    fn the_same_files_are_the_same_bytes() {
        let packed = pack(&some()).unwrap();
        assert_eq!(pack(&some()).unwrap(), packed);
        assert_eq!(unpack(&packed).unwrap(), some());
    }

    #[test]
    fn many_small_files_are_no_way_around_the_bound() {
        let files: Files = (0..10).map(|n| (format!("{n}.csv"), vec![b'x'; 100])).collect();
        let packed = pack(&files).unwrap();
        assert_eq!(unpack_within(&packed, 1000).unwrap(), files);
        assert!(matches!(unpack_within(&packed, 999), Err(StudyError::Read(_))));
    }

    #[test]
    fn a_manifest_says_what_its_two_revisions_mean() {
        let basis = (Revision(32), Some(jiff::civil::date(2024, 7, 1)));
        assert_eq!(
            basis_words(basis, basis),
            "Figures, methods and all tables rest on data revision 32 of 1 July 2024."
        );
        let words = basis_words((Revision(35), None), basis);
        assert!(
            words.contains("data revision 32 of 1 July 2024 (basis)")
                && words.contains("revision 35 decisions"),
            "{words}"
        );
    }

    #[test]
    fn what_is_no_archive_is_refused() {
        assert!(matches!(unpack(b"name,rate\n"), Err(StudyError::Read(_))));
        let mut cut = pack(&some()).unwrap();
        cut.truncate(cut.len() / 2);
        assert!(matches!(unpack(&cut), Err(StudyError::Read(_))));
    }
}
