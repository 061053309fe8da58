//! What was planted comes back: part of Basin Track has four times the rate around it, and its walking is counted.

use super::Program;

#[test]
fn the_planted_cluster_is_the_first_one_printed() {
    let program = Program::new();
    program.run(&["demo", "--no-serve", "--database", program.database().to_str().unwrap()]).good();
    let printed = program.run(&["clusters"]).good();
    let mut rows = csv::Reader::from_reader(printed.as_bytes());
    let first = rows.records().next().unwrap().unwrap();
    let name = first[2].strip_prefix("Basin Track, km ").unwrap_or_else(|| panic!("{first:?}"));
    let (from, to) = name.split_once(" to ").unwrap();
    let (from, to): (f64, f64) = (from.parse().unwrap(), to.parse().unwrap());
    // Planted on the bits 44 to 50 of the truth, of about 100 m each.
    assert!((4.0..=4.7).contains(&from) && (4.7..=5.4).contains(&to), "{name}");
    assert_eq!((&first[1], &first[3]), ("scan", "more"));
    let number = |column: usize| first[column].parse::<f64>().unwrap();
    assert!(number(7) > 1.5 && number(9) <= 0.01, "{first:?}");
    let segments = program.run(&["clusters", "--segments"]).good();
    let tested: Vec<&str> = segments.lines().skip(1).collect();
    assert!(tested.len() > 100 && tested.iter().all(|row| !row.contains("NaN")));
}
