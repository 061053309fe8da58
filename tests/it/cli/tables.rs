//! Tables that commands print: no name in them is a formula to a spreadsheet.

use super::Program;
use crate::support::Park;
use crate::support::TestApp;

/// A trail's name that a spreadsheet would run.
const FORMULA: &str = "=HYPERLINK(\"http://example.org\")";

#[tokio::test]
async fn no_name_is_a_formula_and_numbers_stay_numbers() {
    let program = Program::new();
    let park = Park { ledge_name: FORMULA.to_owned(), ..Park::default() };
    TestApp::write_park(&program.database(), &park).await;
    for arguments in [
        &["rates"][..],
        &["rates", "--unit", "trail"],
        &["forecast", "--km", "1"],
        &["watch", "--unit", "trail"],
        &["plan", "--signs", "2"],
        &["effect"],
        &["clusters"],
        &["clusters", "--segments"],
        &["decisions"],
    ] {
        let printed = program.run(arguments).good();
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(printed.as_bytes());
        let (mut n_cells, mut n_named) = (0, 0);
        for cell in
            reader.records().flat_map(|row| row.unwrap().iter().map(str::to_owned).collect::<Vec<_>>())
        {
            let is_number = cell.parse::<f64>().is_ok_and(f64::is_finite);
            let starts = ['=', '+', '-', '@', '\t', '\r'];
            assert!(is_number || !cell.starts_with(starts), "{arguments:?}: {cell}");
            n_cells += 1;
            n_named += usize::from(cell.contains("HYPERLINK"));
        }
        assert!(n_cells > 8, "{arguments:?}: {printed}");
        // Signs of no plan have no name in the table of what they did; nothing was found or decided here.
        let is_named = !["effect", "decisions"].contains(&arguments[0]) && arguments != ["clusters"];
        assert!(!is_named || n_named > 0, "{arguments:?} names no trail: {printed}");
    }
    let rates = program.run(&["rates", "--unit", "trail"]).good();
    assert!(rates.contains("\"'=HYPERLINK(\"\"http://example.org\"\")\""), "{rates}");
}
