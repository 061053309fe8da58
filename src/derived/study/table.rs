//! A table as rows of values under columns that say their unit and meaning, and its bytes as CSV.

use crate::derived::rates::Limits;
use crate::domain::csv_text::guarded;

/// Figures that numbers are written with: beyond them, draws and machines differ.
const SIGNIFICANT: usize = 6;

/// What stands in one cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Nothing: another column of the row says why.
    Missing,
    /// Words.
    Text(String),
    /// A whole number.
    Count(u64),
    /// A number.
    Number(f64),
    /// A longitude or latitude, degrees: to a decimetre, whatever stands before the point.
    Degrees(f64),
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<f64> for Value {
    fn from(number: f64) -> Self {
        if number.is_finite() { Self::Number(number) } else { Self::Missing }
    }
}

impl From<u64> for Value {
    fn from(count: u64) -> Self {
        Self::Count(count)
    }
}

impl From<usize> for Value {
    fn from(count: usize) -> Self {
        Self::Count(count as u64)
    }
}

impl<T: Into<Self>> From<Option<T>> for Value {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Missing, Into::into)
    }
}

impl std::fmt::Display for Value {
    /// As in a CSV cell: numbers with six significant figures and no exponent, nothing where a value is missing.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Missing => Ok(()),
            Self::Text(text) => f.write_str(text),
            Self::Count(count) => write!(f, "{count}"),
            Self::Number(number) => f.write_str(&significant(*number)),
            Self::Degrees(degrees) => write!(f, "{degrees:.6}"),
        }
    }
}

fn significant(number: f64) -> String {
    if number == 0.0 {
        return "0".to_owned();
    }
    let power = number.abs().log10().floor() as i32;
    let places = (SIGNIFICANT as i32 - 1 - power).max(0) as usize;
    let written = format!("{number:.places$}");
    match written.contains('.') {
        true => written.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => written,
    }
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Its name in the header.
    pub name: String,
    /// Its unit, or empty for words and counts.
    pub unit: &'static str,
    /// What it says.
    pub meaning: String,
}

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, one value a column: all of them, or the first where no more were asked for.
    pub rows: Vec<Vec<Value>>,
    /// How many rows it has in all.
    pub n_rows: usize,
    /// Rows that are withheld near sensitive places, beside these.
    pub n_withheld: usize,
}

impl Table {
    /// A table with a row for each of `rows` and no columns yet.
    pub fn of<T>(rows: Vec<T>) -> Building<T> {
        let n_rows = rows.len();
        Self::first_of(n_rows, rows, usize::MAX)
    }

    /// The first of a table of `n_rows`, at most so many: for tables that take long to make whole.
    pub fn first_of<T>(n_rows: usize, rows: impl IntoIterator<Item = T>, most: usize) -> Building<T> {
        let rows: Vec<T> = rows.into_iter().take(most).collect();
        let cells = vec![Vec::new(); rows.len()];
        Building { table: Self { columns: Vec::new(), rows: cells, n_rows, n_withheld: 0 }, rows }
    }
}

/// A table whose columns are being added.
pub struct Building<T> {
    rows: Vec<T>,
    table: Table,
}

impl<T> Building<T> {
    /// Says how many rows are withheld near sensitive places.
    pub fn withholding(mut self, n_rows: usize) -> Self {
        self.table.n_withheld = n_rows;
        self
    }

    /// Adds a column: name, unit, meaning, and the value of each row.
    pub fn column<V: Into<Value>>(
        mut self,
        name: &str,
        unit: &'static str,
        meaning: &str,
        value: impl Fn(&T) -> V,
    ) -> Self {
        self.table.columns.push(Column { name: name.to_owned(), unit, meaning: meaning.to_owned() });
        for (cells, row) in self.table.rows.iter_mut().zip(&self.rows) {
            cells.push(value(row).into());
        }
        self
    }

    /// Adds three columns: an estimate and its 95 % limits, `_lower` and `_upper`.
    pub fn limits(
        self,
        name: &str,
        unit: &'static str,
        meaning: &str,
        value: impl Fn(&T) -> Option<Limits>,
    ) -> Self {
        let at = |what: &str| format!("{what} 95 % limit of {name}");
        self.column(name, unit, meaning, |row| value(row).map(|it| it.value))
            .column(&format!("{name}_lower"), unit, &at("lower"), |row| value(row).map(|it| it.lower))
            .column(&format!("{name}_upper"), unit, &at("upper"), |row| value(row).map(|it| it.upper))
    }

    /// The table.
    pub fn done(self) -> Table {
        self.table
    }
}

/// A table as CSV (RFC 4180 with line feeds), UTF-8, with a header. Words that a spreadsheet would take for a formula have a
/// single quote in front; numbers are as they are.
///
/// # Errors
/// In words, when a row does not have a value for each column.
pub fn csv_bytes(table: &Table) -> Result<Vec<u8>, String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let words = |error: csv::Error| error.to_string();
    writer.write_record(table.columns.iter().map(|column| &column.name)).map_err(words)?;
    for row in &table.rows {
        writer.write_record(row.iter().map(cell)).map_err(words)?;
    }
    writer.into_inner().map_err(|error| error.to_string())
}

fn cell(value: &Value) -> String {
    match value {
        Value::Text(text) => guarded(text).into_owned(),
        Value::Missing | Value::Count(_) | Value::Number(_) | Value::Degrees(_) => value.to_string(),
    }
}

/// The data dictionary of some tables: a row for each column of each.
pub fn dictionary(tables: &[(&str, &Table)]) -> Table {
    let columns: Vec<(&str, &Column)> =
        tables.iter().flat_map(|(name, table)| table.columns.iter().map(|column| (*name, column))).collect();
    Table::of(columns)
        .column("table", "", "name of the table, and of its file", |(table, _)| *table)
        .column("column", "", "name in the header", |(_, column)| column.name.clone())
        .column("unit", "", "unit; empty for words and counts", |(_, column)| column.unit)
        .column("meaning", "", "what it says", |(_, column)| column.meaning.clone())
        .done()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_six_figures_and_no_exponent() {
        for (number, words) in [
            (0.0, "0"),
            (1.0 / 3.0, "0.333333"),
            (1234567.8, "1234568"),
            (-12.5, "-12.5"),
            (0.000_012_345_678, "0.0000123457"),
            (100.0, "100"),
            (999_999.6, "1000000"),
            (2e-9, "0.000000002"),
        ] {
            assert_eq!(Value::from(number).to_string(), words);
        }
        assert_eq!(Value::from(f64::NAN), Value::Missing);
        assert_eq!(Value::from(f64::INFINITY).to_string(), "");
    }

    #[test]
    fn the_first_rows_of_a_table_know_how_many_there_are() {
        let table = Table::first_of(7, 1..=7u64, 2).column("number", "", "a number", |row| *row).done();
        assert_eq!((table.n_rows, table.rows.len()), (7, 2));
        assert_eq!(table.rows[1], [Value::Count(2)]);
        assert_eq!(Table::of(vec![1u64; 3]).done().n_rows, 3);
    }

    #[test]
    fn words_are_no_formulas_and_numbers_keep_their_sign() {
        let rows = [("=cmd|' /C calc'!A0", -2.5), ("-5 m below", 0.0), ("plain", 3.0)];
        let table = Table::of(rows.to_vec())
            .column("words", "", "words", |row| row.0)
            .column("number", "", "a number", |row| row.1)
            .done();
        let bytes = csv_bytes(&table).unwrap();
        let expected = "words,number\n'=cmd|' /C calc'!A0,-2.5\n'-5 m below,0\nplain,3\n";
        assert_eq!(String::from_utf8(bytes).unwrap(), expected);
    }

    #[test]
    fn rows_are_quoted_where_they_must_be_and_described() {
        let rows = [("Ledge, upper", Some(2.5)), ("He said \"no\"\nand left", None)];
        let table = Table::of(rows.to_vec())
            .column("name", "", "a name", |row| row.0)
            .limits("rate", "per km", "a rate", |row| {
                row.1.map(|value| Limits { value, lower: 1.0, upper: 4.0 })
            })
            .done();
        let bytes = csv_bytes(&table).unwrap();
        let expected = "name,rate,rate_lower,rate_upper\n\"Ledge, upper\",2.5,1,4\n\
                        \"He said \"\"no\"\"\nand left\",,,\n";
        assert_eq!(String::from_utf8(bytes).unwrap(), expected);
        let described = dictionary(&[("names", &table)]);
        assert_eq!(described.rows.len(), 4);
        assert_eq!(described.rows[2][3], Value::from("lower 95 % limit of rate"));
    }
}
