//! Walks and the present season of the demo park, from commands alone.

use super::Program;

/// Rows of a table, header first.
fn records(text: &str) -> Vec<csv::StringRecord> {
    csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(text.as_bytes())
        .records()
        .map(Result::unwrap)
        .collect()
}

#[test]
fn walks_and_the_season_come_out_as_tables() {
    let program = Program::new();
    program.run(&["demo", "--no-serve", "--database", program.database().to_str().unwrap()]).good();
    let walks = records(&program.run(&["forecast", "--km", "2", "--month", "5", "--parties", "100"]).good());
    assert!(walks.len() > 8, "{walks:?}");
    let column = |name: &str| walks[0].iter().position(|header| header == name).unwrap();
    let (trails, area) = walks[1..].split_at(walks.len() - 3);
    for walk in trails {
        let number = |name: &str| walk[column(name)].parse::<f64>().unwrap();
        assert!(number("walked_km") > 0.0 && number("walked_km") <= 4.001, "{walk:?}");
        if walk[column("state")].starts_with("estimated") {
            let (once, twice) = (number("expected_once"), number("expected_each_pass"));
            assert!(once > 0.0 && (twice - 2.0 * once).abs() < 1e-4, "{walk:?}");
            let chance = number("at_least_one_each_pass");
            // Averaged over draws it lies below what the mean would give.
            assert!(chance > 0.0 && chance <= 1.0 - (-twice).exp() + 1e-5, "{walk:?}");
            assert!(number("at_least_one_each_pass_lower") <= chance, "{walk:?}");
        }
    }
    // The whole area stands below: so many parties of the average walk, and all of them.
    let number = |row: usize, name: &str| area[row][column(name)].parse::<f64>().unwrap();
    assert_eq!(&area[0][0], "the whole area, the average of all walking");
    assert_eq!(&area[1][0], "the whole area, all walking of a mean year");
    assert_eq!(&area[0][column("parties")], "100");
    for name in ["expected_once", "expected_each_pass"] {
        assert!(number(0, name) > 0.0 && number(1, name) > 100.0 * number(0, name), "{area:?}");
    }
    assert!(number(0, "expected_once") < number(0, "expected_each_pass"), "{area:?}");
    assert!(number(1, "at_least_one_once") > 0.9 && number(0, "walked_km") < 20.0, "{area:?}");
    // A walker or two in all January nights: the park has no figure for them, whatever the curves say.
    let night = records(&program.run(&["forecast", "--km", "2", "--month", "1", "--part", "night"]).good());
    assert!(night.len() > 8, "{night:?}");
    for walk in &night[1..] {
        let state = &walk[column("state")];
        assert!(state.starts_with("Too little walking is known") || state == "no exposure", "{walk:?}");
        assert_eq!(&walk[column("expected_once")], "", "{walk:?}");
    }
    let missing = program.run(&["forecast", "--from", "Nowhere", "--to", "Basin Gate"]).bad();
    assert!(missing.contains("there is no \"Nowhere\" on the trails; known are: "), "{missing}");
    let weeks = records(&program.run(&["watch", "--unit", "trail", "--until", "2025-06-30"]).good());
    assert_eq!(&weeks[0][0], "name");
    let n_units = 12;
    assert_eq!(weeks.len(), 1 + (n_units + 1) * 26, "{:?}", weeks.last());
    assert!(weeks[1..].iter().all(|week| &week[1][..4] == "2025"));
    assert!(weeks[1..].iter().all(|week| week[4].parse::<f64>().is_ok() || &week[4] == "no exposure"));
}
