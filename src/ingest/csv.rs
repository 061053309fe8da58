//! Values separated by commas, semicolons or tabs.

use std::io::BufRead;
use std::io::Read;
use std::ops::ControlFlow;

use csv::ReaderBuilder;
use csv::StringRecord;

use crate::domain::batch::Content;
use crate::domain::batch::RowError;
use crate::ingest::FileReport;
use crate::ingest::Item;
use crate::ingest::Sink;
use crate::ingest::context::Context;
use crate::ingest::decode::Decoded;
use crate::ingest::decode::decoded;
use crate::ingest::error::FileError;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::field::field_of;
use crate::ingest::field::required;
use crate::ingest::row::Row;
use crate::ingest::rows;
use crate::ingest::rows::Gather;

/// More columns than any table of records has.
const MOST_COLUMNS: usize = 2_000;
/// What a spreadsheet writes where a formula failed.
const BROKEN: [&str; 7] = ["#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!"];

/// The header of a file: which column holds which field.
struct Header {
    names: Vec<String>,
    fields: Vec<Option<Field>>,
    /// The column of each field, by the field's number.
    columns: Vec<Option<usize>>,
}

/// A row of the file.
struct CsvRow<'a> {
    header: &'a Header,
    record: &'a StringRecord,
    number: u64,
}

impl Row for CsvRow<'_> {
    fn number(&self) -> u64 {
        self.number
    }

    fn get(&self, field: Field) -> &str {
        let column = self.header.columns[field as usize];
        column.and_then(|column| self.record.get(column)).unwrap_or("").trim()
    }

    fn others(&self) -> Vec<(String, String)> {
        let unknown = self.header.fields.iter().enumerate().filter(|(_, field)| field.is_none());
        unknown
            .filter_map(|(column, _)| {
                let value = self.record.get(column)?;
                (!value.trim().is_empty()).then(|| (self.header.names[column].clone(), value.to_owned()))
            })
            .collect()
    }

    fn raw(&self) -> Vec<(String, String)> {
        let name = |column: usize| match self.header.names.get(column) {
            Some(name) => name.clone(),
            None => format!("column {}", column + 1),
        };
        let mut raw: Vec<(String, String)> =
            self.record.iter().enumerate().map(|(column, value)| (name(column), value.to_owned())).collect();
        let missing = self.header.names.iter().skip(raw.len());
        raw.extend(missing.map(|name| (name.clone(), String::new())).collect::<Vec<_>>());
        raw
    }
}

/// Reads a file of separated values.
pub(super) fn read(
    content: Content,
    reader: impl Read,
    context: &Context,
    sink: Sink<'_>,
) -> Result<FileReport, FileError> {
    let (mut reader, encoding) = open(reader)?;
    let header = read_header(content, &mut reader)?;
    let report = FileReport { encoding, mapping: header.mapping() };
    let mut gather = Gather::new(content);
    let mut record = StringRecord::new();
    while read_record(&mut reader, &mut record)? {
        let number = line_of(&reader, &record);
        if record.iter().all(|value| value.trim().is_empty()) {
            continue;
        }
        let row = CsvRow { header: &header, record: &record, number };
        let item = match check(&row) {
            Ok(()) => gather.parse(&row, context),
            Err(problem) => gather.refuse(problem.into_row_error(&row)),
        };
        for item in item {
            if sink(item).is_break() {
                return Ok(report);
            }
        }
    }
    for item in gather.finish() {
        if let ControlFlow::Break(()) = sink(item) {
            break;
        }
    }
    Ok(report)
}

/// The rows of the given numbers.
pub(super) fn raw_rows(
    reader: impl Read,
    wanted: &[u64],
) -> Result<Vec<(u64, Vec<(String, String)>)>, FileError> {
    let (mut reader, _) = open(reader)?;
    let mut record = StringRecord::new();
    if !read_record(&mut reader, &mut record)? {
        return Err(FileError::Empty);
    }
    let names: Vec<String> = record.iter().map(str::to_owned).collect();
    let header = Header { fields: vec![None; names.len()], columns: Vec::new(), names };
    let last = wanted.iter().max().copied().unwrap_or(0);
    let mut found = Vec::new();
    while read_record(&mut reader, &mut record)? {
        let number = line_of(&reader, &record);
        if number > last {
            break;
        }
        if wanted.contains(&number) {
            found.push((number, CsvRow { header: &header, record: &record, number }.raw()));
        }
    }
    Ok(found)
}

type Reader<R> = csv::Reader<std::io::BufReader<Decoded<R>>>;

fn open<R: Read>(reader: R) -> Result<(Reader<R>, String), FileError> {
    let mut text = decoded(reader)?;
    let encoding = text.get_ref().encoding().to_owned();
    let start = text.fill_buf().map_err(|error| FileError::Io(error.to_string()))?;
    let delimiter = delimiter(start);
    let reader =
        ReaderBuilder::new().flexible(true).has_headers(false).delimiter(delimiter).from_reader(text);
    Ok((reader, encoding))
}

/// The separator that the first line holds most of, outside quotes.
fn delimiter(start: &[u8]) -> u8 {
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    let mut is_quoted = false;
    for byte in start {
        match byte {
            b'"' => is_quoted = !is_quoted,
            b'\n' if !is_quoted => break,
            _ if !is_quoted => {
                counts.iter_mut().filter(|(known, _)| known == byte).for_each(|(_, n)| *n += 1)
            }
            _ => {}
        }
    }
    // The comma wins a tie: it stands first and only more of another displaces it.
    let best = counts.iter().fold(counts[0], |best, count| if count.1 > best.1 { *count } else { best });
    best.0
}

fn read_record<R: Read>(reader: &mut Reader<R>, record: &mut StringRecord) -> Result<bool, FileError> {
    reader.read_record(record).map_err(|error| FileError::Malformed {
        format: "CSV",
        at: format!("line {}", error.position().map_or(0, csv::Position::line)),
        reason: error.to_string(),
    })
}

/// The line a record starts on. The record's own position is that before the blank lines in front of it, so it is counted
/// back from its end; every record ends in a newline, since the decoder adds one to a last line without.
fn line_of<R: Read>(reader: &Reader<R>, record: &StringRecord) -> u64 {
    let inside =
        record.iter().map(|value| value.bytes().filter(|byte| *byte == b'\n').count()).sum::<usize>();
    reader.position().line().saturating_sub(1 + inside as u64)
}

fn read_header<R: Read>(content: Content, reader: &mut Reader<R>) -> Result<Header, FileError> {
    let mut record = StringRecord::new();
    if !read_record(reader, &mut record)? {
        return Err(FileError::Empty);
    }
    if record.len() > MOST_COLUMNS {
        return Err(FileError::TooManyColumns { n_columns: record.len(), limit: MOST_COLUMNS });
    }
    let names: Vec<String> = record.iter().map(|name| name.trim().to_owned()).collect();
    let mut columns: Vec<Option<usize>> = vec![None; Field::ALL.len()];
    let mut fields = Vec::with_capacity(names.len());
    for (column, name) in names.iter().enumerate() {
        let field = field_of(content, name);
        if let Some(field) = field {
            let before = columns[field as usize].replace(column);
            if let Some(before) = before {
                let (header, other) = (name.clone(), names[before].clone());
                return Err(FileError::DuplicateHeader { header, other, field: field.name() });
            }
        }
        fields.push(field);
    }
    if let Some(missing) = required(content).iter().find(|field| columns[**field as usize].is_none()) {
        let headers: String = names.join(", ").chars().take(500).collect();
        return Err(FileError::MissingHeader { field: missing.name(), content: content.term(), headers });
    }
    Ok(Header { names, fields, columns })
}

impl Header {
    fn mapping(&self) -> Vec<(String, String)> {
        let field = |field: &Option<Field>| field.map_or("kept as it is", Field::name).to_owned();
        self.names.iter().zip(&self.fields).map(|(name, known)| (name.clone(), field(known))).collect()
    }
}

/// What makes a row unusable before any field is read.
fn check(row: &CsvRow<'_>) -> Result<(), Problem> {
    let n_columns = row.header.names.len();
    let surplus = row.record.iter().skip(n_columns).find(|value| !value.trim().is_empty());
    if let Some(value) = surplus {
        let reason = format!("the row has {} values, the header {n_columns}", row.record.len());
        return Err(Problem::new("row", value, reason, "quote values that hold the separator"));
    }
    if row.record.len() < n_columns {
        let reason = format!("the row has {} values, the header {n_columns}", row.record.len());
        return Err(Problem::new("row", row.record.get(0).unwrap_or(""), reason, "complete the row"));
    }
    for (value, field) in row.record.iter().zip(&row.header.fields) {
        let Some(field) = field else { continue };
        check_value(field.name(), value)?;
    }
    Ok(())
}

/// Refuses what is no value but the trace of a program.
pub(super) fn check_value(field: &str, value: &str) -> Result<(), Problem> {
    let value = value.trim();
    if value.starts_with('=') {
        let hint = "copy the column and paste it as values, then export again";
        return Err(Problem::new(field, value, "this is a spreadsheet formula, not its result", hint));
    }
    if BROKEN.contains(&value) {
        return Err(Problem::new(
            field,
            value,
            "this is the error of a spreadsheet formula",
            "enter the value",
        ));
    }
    if value.contains('\u{fffd}') {
        let hint = "save the file as UTF-8";
        return Err(Problem::new(field, value, "some letters are not in the file's encoding", hint));
    }
    Ok(())
}

impl Gather {
    /// Parses a row and says what can be handed over now.
    fn parse(&mut self, row: &CsvRow<'_>, context: &Context) -> Vec<Item> {
        match rows::parse(self.content(), row, context) {
            Ok(draft) => self.take(row, draft),
            Err(problem) => self.refuse(problem.into_row_error(row)),
        }
    }

    fn refuse(&mut self, error: RowError) -> Vec<Item> {
        vec![Item::Refused(error)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::Draft;
    use crate::ingest::context::testing::context;

    fn items(content: Content, text: &[u8]) -> (Vec<Item>, FileReport) {
        let mut items = Vec::new();
        let mut sink = |item| {
            items.push(item);
            ControlFlow::Continue(())
        };
        let report = read(content, text, &context(), &mut sink).unwrap();
        (items, report)
    }

    const START: &str = "id,effort,date,lat,lon,notes\n";

    #[test]
    fn quoted_newlines_blank_lines_and_line_numbers() {
        let text = format!(
            "{START}\nA,report,2024-05-04,37.61,-109.38,\"two\nlines\"\n\nB,report,2024-05-05,37.61,,x\n"
        );
        let (items, report) = items(Content::Encounters, text.as_bytes());
        assert_eq!(report.mapping[3], ("lat".to_owned(), "decimalLatitude".to_owned()));
        // The first row is held back until it is clear that no approach of the same encounter follows.
        let [Item::Refused(second), Item::Draft { row_number: 3, draft: Draft::Encounter(first) }] =
            &items[..]
        else {
            panic!("{items:?}")
        };
        assert_eq!(first.details.occurrence_remarks, "two\nlines");
        assert_eq!((second.row_number, second.field.as_str()), (6, "decimalLongitude"));
        assert_eq!(second.raw[0], ("id".to_owned(), "B".to_owned()));
    }

    #[test]
    fn rows_that_are_not_rows_are_refused_by_name() {
        let rows = [
            ("A,report,2024-05-04,37.61,-109.38,x,y", "values"),
            ("A,report,2024-05-04", "values"),
            ("A,report,=B1,37.61,-109.38,x", "formula"),
            ("A,report,2024-05-04,#REF!,-109.38,x", "formula"),
        ];
        for (row, reason) in rows {
            let (items, _) = items(Content::Encounters, format!("{START}{row}\n").as_bytes());
            let [Item::Refused(error)] = &items[..] else { panic!("{row}: {items:?}") };
            assert!(error.reason.contains(reason), "{row}: {}", error.reason);
        }
    }

    #[test]
    fn headers_are_checked_before_any_row() {
        let fail = |content, text: &str| {
            read(content, text.as_bytes(), &context(), &mut |_| ControlFlow::Continue(())).unwrap_err()
        };
        assert!(matches!(
            fail(Content::Encounters, "only\n1\n"),
            FileError::MissingHeader { field: "effortKind", .. }
        ));
        let twice = "effort,date,lat,latitude,lon\n";
        assert!(matches!(fail(Content::Encounters, twice), FileError::DuplicateHeader { .. }));
        let wide = "a,".repeat(10_000);
        assert!(matches!(fail(Content::Encounters, &wide), FileError::TooManyColumns { .. }));
    }

    #[test]
    fn separators_are_found() {
        assert_eq!(delimiter(b"a;b,c;d\n"), b';');
        assert_eq!(delimiter(b"a\tb\n"), b'\t');
        assert_eq!(delimiter(b"\"a;b;c\",d\n"), b',');
    }

    #[test]
    fn rows_can_be_found_again() {
        let text = format!("{START}A,report,2024-05-04,37.61,-109.38,x\nB,report,,,,\n");
        let found = raw_rows(text.as_bytes(), &[3]).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].1[0], ("id".to_owned(), "B".to_owned()));
    }
}
