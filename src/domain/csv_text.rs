//! Text in cells of exported tables, written so that no spreadsheet takes it for a formula.
//!
//! A cell that begins with `=`, `+`, `-`, `@`, a tab or a line end may be run as a formula by the program that opens the
//! file. Such text gets a single quote in front (OWASP, "CSV Injection"); reading takes it off again. Numbers are never
//! touched: they are written as numbers, and a minus sign is theirs.

use std::borrow::Cow;

/// What a formula can begin with.
const STARTS: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];
/// Put in front of text that begins so.
const GUARD: char = '\'';

/// Whether a text begins like a formula, behind any number of single quotes.
///
/// Quotes are looked through, so that a text which had a quote of its own in front gets a second one and is read back
/// whole.
fn begins_like_a_formula(text: &str) -> bool {
    text.trim_start_matches(GUARD).starts_with(STARTS)
}

/// A text as it stands in a cell: with a single quote in front where a spreadsheet would take it for a formula.
pub fn guarded(text: &str) -> Cow<'_, str> {
    if begins_like_a_formula(text) { Cow::Owned(format!("{GUARD}{text}")) } else { Cow::Borrowed(text) }
}

/// The text of a cell: without the single quote that [`guarded`] put in front. Text that needs no guard is left as it is.
pub fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix(GUARD) {
        Some(text) if begins_like_a_formula(text) => text,
        Some(_) | None => cell,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn formulas_become_text_and_the_rest_stays() {
        for (text, cell) in [
            ("=1+1", "'=1+1"),
            ("+1 555", "'+1 555"),
            ("-2 or so", "'-2 or so"),
            ("@home", "'@home"),
            ("\tx", "'\tx"),
            ("\r=x", "'\r=x"),
            ("'=x", "''=x"),
            ("'tis so", "'tis so"),
            ("Mill Path = new", "Mill Path = new"),
            ("", ""),
        ] {
            assert_eq!(guarded(text), cell);
            assert_eq!(unguarded(cell), text);
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(text in "['=+@\t\r a-]{0,6}") {
            let cell = guarded(&text);
            prop_assert!(!cell.starts_with(STARTS));
            prop_assert_eq!(unguarded(&cell), text.as_str());
        }
    }
}
