use super::*;

fn counted(k: u64, n: u64, n_snakes: u64) -> Counted {
    let (lower, upper) = crate::analysis::counts::clopper_pearson_limits(k, n, 0.95).unwrap();
    Counted { k, n, n_snakes, n_recognised: n_snakes, lower, upper }
}

fn facts() -> SheetFacts {
    let block = |contact, k, n, snakes| ContactFacts {
        contact,
        strike: counted(k, n, snakes),
        commonest: Some(("still".to_owned(), counted(n / 2, n, snakes))),
    };
    SheetFacts {
        area_name: "Example Basin & [co]".to_owned(),
        emergency_number: "999 (invented)".to_owned(),
        keep_distance: Length::metres(3.0).ok(),
        effort: EffortKind::Located,
        n_approaches: 575,
        n_snakes: 116,
        years: Some((2019, 2025)),
        contacts: vec![
            block(Contact::Passed, 0, 90, 60),
            block(Contact::Beside, 1, 175, 60),
            block(Contact::Over, 2, 6, 4),
            block(Contact::Underfoot, 6, 175, 42),
        ],
        revision: 12,
        written_on: String::new(),
        settings: String::new(),
    }
}

fn sheet(language: usize, facts: &SheetFacts) -> Sheet {
    let texts = parse(SHIPPED[language].1).unwrap();
    let signs = wording::parse(wording::SHIPPED[language].1).unwrap();
    lay_out(facts, &texts, &signs)
}

#[test]
fn shares_read_as_people_say_them() {
    let english = sheet(0, &facts());
    let said: Vec<String> = english
        .contacts
        .iter()
        .map(|block| format!("{}. {} {}", block.lines[0].share, block.lines[0].limits, block.lines[0].counts))
        .collect();
    assert_eq!(
        said,
        [
            "none of 90. The records would also fit up to 5 in 100. Recorded: 0 of 90. Snakes: 60.",
            "fewer than 1 in 100. The records would also fit anything from fewer than 1 to 4 in 100. \
             Recorded: 1 of 175. Snakes: 60.",
            "too few records to say.  Recorded: 2 of 6. Snakes: 4.",
            "about 3 in 100. The records would also fit anything from 1 to 8 in 100. \
             Recorded: 6 of 175. Snakes: 42.",
        ]
    );
    let spanish = sheet(1, &facts());
    let line = &spanish.contacts[3].lines[0];
    assert_eq!(line.share, "cerca de 3 de cada 100");
    assert_eq!(line.limits, "Los registros admiten también de 1 a 8 de cada 100.");
    assert_eq!(spanish.contacts[0].lines[0].share, "ninguna de 90");
}

#[test]
fn snakes_that_nobody_recognised_are_counted_at_most() {
    let mut given = facts();
    given.n_snakes = 0;
    given.contacts[1].strike.n_recognised = 0;
    given.contacts[3].strike.n_recognised = 12;
    let english = sheet(0, &given);
    assert!(english.records.contains("at most 575 snakes. None was recognised"), "{}", english.records);
    assert_eq!(english.contacts[1].lines[0].counts, "Recorded: 1 of 175. Snakes: 60 at most.");
    assert_eq!(english.contacts[3].lines[0].counts, "Recorded: 6 of 175. Snakes: 42 at most.");
    assert_eq!(english.contacts[0].lines[0].counts, "Recorded: 0 of 90. Snakes: 60.");
    let spanish = sheet(1, &given);
    assert!(spanish.records.contains("no se sabe cuántas eran"), "{}", spanish.records);
    assert_eq!(spanish.contacts[1].lines[0].counts, "Registrado: 1 de 175. Serpientes: 60 como máximo.");
}

#[test]
fn no_share_stands_without_its_upper_limit_and_counts() {
    for language in [0, 1] {
        for (k, n, snakes) in
            [(0, 40, 9), (40, 40, 9), (1, 400, 30), (399, 400, 30), (17, 40, 9), (3, 8, 8), (1, 30, 2)]
        {
            let texts = parse(SHIPPED[language].1).unwrap();
            let given = counted(k, n, snakes);
            let line = line(&texts.frequency, "x", &given);
            let upper = match frequency(&given) {
                Frequency::TooFew => {
                    assert_eq!((line.share, line.limits.as_str()), (texts.frequency.too_few, ""));
                    continue;
                }
                Frequency::Never { upper } | Frequency::Some { upper, .. } => upper,
                Frequency::Always { .. } => BASE,
            };
            assert!(line.limits.contains(&upper.to_string()), "{line:?}");
            assert!(line.counts.contains(&k.to_string()) && line.counts.contains(&snakes.to_string()));
        }
    }
}

#[test]
fn the_sheet_says_from_which_years_its_records_are() {
    let english = sheet(0, &facts()).records;
    assert!(english.contains(": 116. They are from the years 2019 to 2025. They come from"), "{english}");
    let of = |language, years| sheet(language, &SheetFacts { years, ..facts() }).records;
    assert!(of(1, Some((2022, 2022))).contains("Son del año 2022."));
    assert!(of(0, None).contains(": 116. They come from"));
}

#[test]
fn nothing_is_left_to_fill_in() {
    for language in [0, 1] {
        let said = serde_json::to_string(&sheet(language, &facts())).unwrap();
        let texts = said.replace("{\"", "").replace("\":", "");
        for placeholder in [
            "{area}",
            "{approaches}",
            "{snakes}",
            "{count}",
            "{base}",
            "{k}",
            "{n}",
            "{low}",
            "{high}",
            "{level}",
            "{revision}",
            "{first}",
            "{last}",
            "{emergency_number}",
            "{keep_distance}",
        ] {
            assert!(!texts.contains(placeholder), "{placeholder} in {texts}");
        }
        assert!(said.contains("999 (invented)") && said.contains("3 m"));
    }
}

#[test]
fn the_distance_is_the_land_managers_or_is_not_there() {
    let with = sheet(0, &facts());
    let without = sheet(0, &SheetFacts { keep_distance: None, ..facts() });
    assert_eq!(with.cautions.len(), without.cautions.len() + 1);
    assert!(!without.cautions.concat().contains(" m "));
}

#[cfg(feature = "print")]
#[test]
fn the_sheet_is_one_tagged_page_and_the_same_every_time() {
    let mut unrecognised = facts();
    unrecognised.n_snakes = 0;
    for contact in &mut unrecognised.contacts {
        contact.strike.n_recognised = 0;
    }
    let cases =
        [(0, "/Lang(en)", facts()), (1, "/Lang(es)", facts()), (0, "/Lang(en)", unrecognised.clone())];
    for (language, tag, facts) in cases.into_iter().chain([(1, "/Lang(es)", unrecognised)]) {
        let sheet = sheet(language, &facts);
        let printed = pdf(&sheet).unwrap();
        assert_eq!(pdf(&sheet).unwrap(), printed);
        let text = String::from_utf8_lossy(&printed);
        assert!(text.starts_with("%PDF-1.7"));
        assert_eq!(text.matches("/Type/Page/").count(), 1, "one page");
        assert!(text.contains("/MarkInfo") && text.contains("/StructTreeRoot"), "tagged");
        assert!(text.contains(tag), "{tag}");
    }
}

#[cfg(feature = "print")]
#[test]
fn a_broken_template_says_what_is_wrong() {
    let broken = Document { template: "#no-such-thing".to_owned(), files: Vec::new() };
    assert!(
        matches!(export::pdf(&broken), Err(ExportError::Template(words)) if words.contains("no-such-thing"))
    );
    let missing = Document { template: "#read(\"/etc/hostname\")".to_owned(), files: Vec::new() };
    assert!(matches!(export::pdf(&missing), Err(ExportError::Template(_))), "no file but those handed in");
}

#[test]
fn settings_that_differ_stand_beside_the_revision() {
    for language in 0..2 {
        let changed = SheetFacts { settings: "segment-length=50".to_owned(), ..facts() };
        assert!(format!("{:?}", sheet(language, &changed)).contains("12 (segment-length=50)."));
        assert!(format!("{:?}", sheet(language, &facts())).contains(" 12."));
        let dated = SheetFacts { written_on: "2026-11-29".to_owned(), ..changed };
        let words = format!("{:?}", sheet(language, &dated));
        assert!(words.contains("12 (2026-11-29; segment-length=50)."), "{words}");
    }
}
