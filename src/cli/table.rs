//! Tables on standard output, written so that no spreadsheet runs a name as a formula.

use std::borrow::Cow;
use std::io::Write;

use crate::domain::csv_text::guarded;

/// A table as CSV. Words that a spreadsheet would take for a formula get a single quote in front, numbers stay as they are.
pub(super) struct Table<W: Write> {
    writer: csv::Writer<W>,
}

impl<W: Write> Table<W> {
    /// A table with its header.
    pub(super) fn new<S: AsRef<str>>(out: W, header: impl IntoIterator<Item = S>) -> anyhow::Result<Self> {
        let mut table = Self { writer: csv::Writer::from_writer(out) };
        table.row(header)?;
        Ok(table)
    }

    /// Writes a row.
    pub(super) fn row<S: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = S>) -> anyhow::Result<()> {
        for cell in cells {
            self.writer.write_field(safe(cell.as_ref()).as_bytes())?;
        }
        self.writer.write_record(None::<&[u8]>)?;
        Ok(())
    }

    /// Writes what is still held back.
    pub(super) fn flush(&mut self) -> anyhow::Result<()> {
        self.writer.flush()?;
        Ok(())
    }
}

/// A finite number as it is, anything else guarded.
fn safe(cell: &str) -> Cow<'_, str> {
    match cell.parse::<f64>() {
        Ok(number) if number.is_finite() => Cow::Borrowed(cell),
        _ => guarded(cell),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_guarded_and_numbers_are_not() {
        let mut out = Vec::new();
        let mut table = Table::new(&mut out, ["name", "value", "p"]).unwrap();
        table.row(["=HYPERLINK(\"http://x\")", "-2.5", "-1.2e-3"]).unwrap();
        table.row(["@Ledge, part 2", "", "-inf"]).unwrap();
        table.flush().unwrap();
        drop(table);
        let expected =
            "name,value,p\n\"'=HYPERLINK(\"\"http://x\"\")\",-2.5,-1.2e-3\n\"'@Ledge, part 2\",,'-inf\n";
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }
}
