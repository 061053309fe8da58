//! Values separated by commas, semicolons or tabs.

use std::io::BufRead;
use std::io::BufReader;
use std::io::Chain;
use std::io::Read;

use csv::ReaderBuilder;
use csv::StringRecord;

use crate::domain::batch::Content;
use crate::domain::csv_text::unguarded;
use crate::ingest::FileReport;
use crate::ingest::Sink;
use crate::ingest::context::Context;
use crate::ingest::context::DayOrder;
use crate::ingest::decode::Decoded;
use crate::ingest::decode::Watch;
use crate::ingest::decode::decoded;
use crate::ingest::error::FileError;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::field::made_up_for_by;
use crate::ingest::field::required;
use crate::ingest::fields::dates;
use crate::ingest::row::Raw;
use crate::ingest::row::Row;
use crate::ingest::row::check_letters;
use crate::ingest::row::check_value;
use crate::ingest::row::trimmed;
use crate::ingest::rows;
use crate::ingest::rows::Finder;
use crate::ingest::rows::Gather;

/// More columns than any table of records has.
const MOST_COLUMNS: usize = 2_000;
/// A file whose first dates are none of numbers alone is not searched further for their order.
const ENOUGH_DATES: usize = 1_000;
/// What the letter "end of transmission" stands for behind the last line: where it comes out within a value, a quote was opened
/// and not closed.
const END: &str = "\u{4}";
/// Put behind the file, whose last line may lack its end.
const CLOSING: &str = "\n\u{4}";

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
        column.and_then(|column| self.record.get(column)).map_or("", |value| unguarded(trimmed(value)))
    }

    fn others(&self) -> Raw {
        let unknown = self.header.fields.iter().enumerate().filter(|(_, field)| field.is_none());
        unknown
            .filter_map(|(column, _)| {
                let value = self.record.get(column)?;
                (!value.trim().is_empty())
                    .then(|| (self.header.names[column].clone(), unguarded(value).to_owned()))
            })
            .collect()
    }

    fn raw(&self) -> Raw {
        let name = |column: usize| match self.header.names.get(column) {
            Some(name) => name.clone(),
            None => format!("column {}", column + 1),
        };
        let mut raw: Raw =
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
    let mut table = open(reader, context.max_bytes)?;
    let mut header = read_names(&mut table)?;
    header.know_fields(content, context)?;
    let mut mapping = header.mapping();
    mapping.extend(context.day_order.words().map(|words| (DayOrder::NAME.to_owned(), words.to_owned())));
    let report = FileReport { encoding: table.encoding.clone(), mapping };
    let mut gather = Gather::new(content);
    let (mut record, mut previous) = (StringRecord::new(), StringRecord::new());
    while let Some(number) = next_row(&mut table, &mut record)? {
        let row = CsvRow { header: &header, record: &record, number };
        let parsed = check(&row).and_then(|()| rows::parse(content, &row, context));
        let before = || CsvRow { header: &header, record: &previous, number }.raw();
        if gather.take(&row, parsed, &before, sink).is_break() {
            return Ok(report);
        }
        std::mem::swap(&mut record, &mut previous);
    }
    let _ = gather.finish(sink);
    Ok(report)
}

/// The rows of the given numbers, with the rows after them that go on about the same encounter. Where it is not said what the
/// rows should be, each stands alone.
pub(super) fn raw_rows(
    content: Option<Content>,
    reader: impl Read,
    context: &Context,
    wanted: &[u64],
) -> Result<Vec<(u64, Raw)>, FileError> {
    let mut table = open(reader, context.max_bytes)?;
    let mut header = read_names(&mut table)?;
    if let Some(content) = content {
        header.know_fields(content, context)?;
    }
    let mut finder = Finder::new(wanted);
    let mut record = StringRecord::new();
    while let Some(number) = next_row(&mut table, &mut record)? {
        if finder.see(&CsvRow { header: &header, record: &record, number }).is_break() {
            break;
        }
    }
    Ok(finder.found())
}

/// The order of day and month that the dates of a file settle.
pub(super) fn settled_day_order(
    content: Content,
    reader: impl Read,
    context: &Context,
) -> Result<DayOrder, FileError> {
    let mut table = open(reader, context.max_bytes)?;
    let mut header = read_names(&mut table)?;
    header.know_fields(content, context)?;
    let mut record = StringRecord::new();
    let mut settled = DayOrder::Unknown;
    let (mut n_dates, mut n_of_numbers) = (0, 0);
    while let Some(number) = next_row(&mut table, &mut record)? {
        let row = CsvRow { header: &header, record: &record, number };
        for field in [Field::EventDate, Field::Day, Field::Start, Field::End, Field::From, Field::Until] {
            let text = row.get(field);
            n_dates += usize::from(!text.is_empty());
            let Some(order) = dates::told_order(text) else { continue };
            n_of_numbers += 1;
            match (settled, order) {
                (_, DayOrder::Unknown) => {}
                (DayOrder::Unknown, order) => settled = order,
                (settled, order) if settled != order => return Ok(DayOrder::Unknown),
                _ => {}
            }
        }
        if n_of_numbers == 0 && n_dates >= ENOUGH_DATES {
            break;
        }
    }
    Ok(settled)
}

/// An open file.
struct Table<R> {
    reader: csv::Reader<Chain<BufReader<Decoded<R>>, &'static [u8]>>,
    watch: Watch,
    encoding: String,
}

fn open<R: Read>(reader: R, max_bytes: u64) -> Result<Table<R>, FileError> {
    let (mut text, watch) = decoded(reader, max_bytes)?;
    let encoding = text.get_ref().encoding().to_owned();
    let unread = |error: std::io::Error| watch.fault_or(FileError::Io(error.to_string()));
    let delimiter = delimiter(text.fill_buf().map_err(unread)?);
    let reader = ReaderBuilder::new()
        .flexible(true)
        .has_headers(false)
        .delimiter(delimiter)
        .from_reader(text.chain(CLOSING.as_bytes()));
    Ok(Table { reader, watch, encoding })
}

/// Reads the next row that says anything; its number is the line it starts on.
fn next_row<R: Read>(table: &mut Table<R>, record: &mut StringRecord) -> Result<Option<u64>, FileError> {
    while read_record(table, record)? {
        if record.iter().any(|value| !trimmed(value).is_empty()) {
            return Ok(Some(line_of(&table.reader, record)));
        }
    }
    Ok(None)
}

/// The separator that the first line holds most of, outside quotes.
fn delimiter(start: &[u8]) -> u8 {
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    let mut is_quoted = false;
    let first = start.iter().position(|byte| !matches!(byte, b'\r' | b'\n')).unwrap_or(0);
    for byte in &start[first..] {
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

fn read_record<R: Read>(table: &mut Table<R>, record: &mut StringRecord) -> Result<bool, FileError> {
    let malformed = |line: u64, reason: String| {
        let at = format!("line {line}");
        table.watch.fault_or(FileError::Malformed { format: "CSV", at, reason })
    };
    let line = table.reader.position().line();
    let is_row = table.reader.read_record(record).map_err(|error| malformed(line, error.to_string()))?;
    table.watch.complete();
    match record.iter().next_back().filter(|value| value.ends_with(END)) {
        Some(END) if record.len() == 1 => Ok(false),
        Some(_) => Err(malformed(line, "a quote is opened and never closed".to_owned())),
        None => Ok(is_row),
    }
}

/// The line a record starts on. The record's own position is that before the blank lines in front of it, so it is counted
/// back from its end.
fn line_of<R: Read>(reader: &csv::Reader<R>, record: &StringRecord) -> u64 {
    let inside = record.as_slice().bytes().filter(|byte| *byte == b'\n').count();
    reader.position().line().saturating_sub(1 + inside as u64)
}

fn read_names<R: Read>(table: &mut Table<R>) -> Result<Header, FileError> {
    let mut record = StringRecord::new();
    let mut is_row = next_row(table, &mut record)?.is_some();
    // Some spreadsheets name the separator in a line of its own.
    if is_row && record.len() <= 2 && record.get(0).is_some_and(|first| first.starts_with("sep=")) {
        is_row = next_row(table, &mut record)?.is_some();
    }
    if !is_row {
        return Err(FileError::Empty);
    }
    if record.len() > MOST_COLUMNS {
        return Err(FileError::TooManyColumns { n_columns: record.len(), limit: MOST_COLUMNS });
    }
    let name = |(column, name): (usize, &str)| match name.trim() {
        "" => format!("column {}", column + 1),
        name => name.to_owned(),
    };
    let names: Vec<String> = record.iter().enumerate().map(name).collect();
    Ok(Header { fields: vec![None; names.len()], columns: vec![None; Field::ALL.len()], names })
}

impl Header {
    /// Finds out which column holds which field.
    fn know_fields(&mut self, content: Content, context: &Context) -> Result<(), FileError> {
        for (column, name) in self.names.iter().enumerate() {
            self.fields[column] = context.field_of(content, name);
            let Some(field) = self.fields[column] else {
                if self.names[..column].contains(name) {
                    return Err(FileError::RepeatedHeader { header: name.clone() });
                }
                continue;
            };
            if let Some(before) = self.columns[field as usize].replace(column) {
                let (header, other) = (name.clone(), self.names[before].clone());
                return Err(FileError::DuplicateHeader { header, other, field: field.name() });
            }
        }
        let is_there = |field: &Field| self.columns[*field as usize].is_some();
        let is_made_up_for = |field: Field| {
            (field == Field::EffortKind && context.effort_kind.is_some())
                || made_up_for_by(field).iter().any(is_there)
        };
        let is_missing = |field: &Field| self.columns[*field as usize].is_none() && !is_made_up_for(*field);
        match required(content).iter().copied().find(is_missing) {
            None => Ok(()),
            Some(missing) => {
                let headers: String = self.names.join(", ").chars().take(500).collect();
                Err(FileError::MissingHeader { field: missing.name(), content: content.term(), headers })
            }
        }
    }

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
    // A look at the whole row tells whether its values have to be looked at one by one.
    let text = row.record.as_slice();
    if !text.contains(['=', '#', '\u{fffd}']) {
        return Ok(());
    }
    row.record.iter().zip(&row.header.fields).zip(&row.header.names).try_for_each(|((value, field), name)| {
        match field {
            Some(field) => check_value(field.name(), value),
            None => check_letters(name, value),
        }
    })
}

#[cfg(test)]
mod tests;
