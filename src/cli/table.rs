//! Tables on standard output, written so that no spreadsheet runs a name as a formula.

use std::borrow::Cow;
use std::io::Write;

use crate::derived::settings::Settings;
use crate::domain::csv_text::guarded;
use crate::domain::revision::Revision;

/// A table as CSV. Words that a spreadsheet would take for a formula get a single quote in front, numbers stay as they are.
/// Every row ends with the revision of the data and the settings that differ from the defaults.
pub(super) struct Table<W: Write> {
    writer: csv::Writer<W>,
    basis: [String; 2],
}

impl<W: Write> Table<W> {
    /// A table with its header.
    pub(super) fn new<S: AsRef<str>>(
        out: W,
        header: impl IntoIterator<Item = S>,
        revision: Revision,
        settings: &Settings,
    ) -> anyhow::Result<Self> {
        let basis = ["revision".to_owned(), "settings".to_owned()];
        let mut table = Self { writer: csv::Writer::from_writer(out), basis };
        table.row(header)?;
        table.basis = [revision.0.to_string(), settings.words()];
        Ok(table)
    }

    /// Writes a row.
    pub(super) fn row<S: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = S>) -> anyhow::Result<()> {
        for cell in cells {
            self.writer.write_field(safe(cell.as_ref()).as_bytes())?;
        }
        for cell in &self.basis {
            self.writer.write_field(safe(cell).as_bytes())?;
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
        let mut table =
            Table::new(&mut out, ["name", "value", "p"], Revision(7), &Settings::default()).unwrap();
        table.row(["=HYPERLINK(\"http://x\")", "-2.5", "-1.2e-3"]).unwrap();
        table.row(["@Ledge, part 2", "", "-inf"]).unwrap();
        table.flush().unwrap();
        drop(table);
        let expected = "name,value,p,revision,settings\n\"'=HYPERLINK(\"\"http://x\"\")\",-2.5,-1.2e-3,7,default settings\n\"'@Ledge, part 2\",,'-inf,7,default settings\n";
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }
}
