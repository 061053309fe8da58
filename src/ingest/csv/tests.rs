//! Cases for reading separated values.

use std::ops::ControlFlow;

use jiff::civil::date;

use super::*;
use crate::domain::time::EventDate;
use crate::ingest::Draft;
use crate::ingest::Item;
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
    let [Item::Draft { row_number: 3, draft: Draft::Encounter(first) }, Item::Refused(second)] = &items[..]
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
    assert!(matches!(fail(Content::Encounters, "\n \n"), FileError::Empty));
    let repeated = "effort,date,lat,lon,Weather,Weather\n";
    assert!(matches!(fail(Content::Encounters, repeated), FileError::RepeatedHeader { .. }));
    let wide = "a,".repeat(1_000_000);
    assert!(matches!(fail(Content::Encounters, &wide), FileError::TooManyColumns { .. }));
}

#[test]
fn separators_are_found() {
    assert_eq!(delimiter(b"a;b,c;d\n"), b';');
    assert_eq!(delimiter(b"a\tb\n"), b'\t');
    assert_eq!(delimiter(b"\"a;b;c\",d\n"), b',');
}

#[test]
fn a_quote_that_is_not_closed_is_no_row() {
    let good = "A,report,2024-05-04,37.61,-109.38,\"closed\n\"";
    let (found, _) = items(Content::Encounters, format!("{START}{good}").as_bytes());
    assert_eq!(found.len(), 1);
    let text = format!(
        "{START}{good}\nB,report,2024-05-04,37.61,-109.38,\"open\nC,report,2024-05-04,37.61,-109.38,x\n"
    );
    let error = read(Content::Encounters, text.as_bytes(), &context(), &mut |_| ControlFlow::Continue(()));
    let Err(FileError::Malformed { reason, at, .. }) = error else { panic!("{error:?}") };
    assert!(reason.contains("never closed") && at == "line 4", "{reason} {at}");
}

#[test]
fn letters_outside_the_encoding_are_refused_in_every_column() {
    let long = "x".repeat(80_000);
    let text = [
        format!("weather,{START}").as_bytes(),
        format!("{long},").as_bytes(),
        b"\nca\xf1on,B,report,2024-05-04,37.61,-109.38,\n",
    ]
    .concat();
    let (items, report) = items(Content::Encounters, &text);
    assert_eq!(report.encoding, "UTF-8");
    let Item::Refused(error) = &items[1] else { panic!("{items:?}") };
    assert_eq!((error.field.as_str(), error.row_number), ("weather", 3));
}

#[test]
fn a_line_that_names_the_separator_is_passed_over() {
    let text = "\u{feff}sep=;\r\neffort;date;lat;lon;;\r\nreport;2024-05-04;37,61;-109,38;;5\r\n";
    let (items, report) = items(Content::Encounters, text.as_bytes());
    let [Item::Draft { row_number: 3, draft: Draft::Encounter(draft) }] = &items[..] else {
        panic!("{items:?}")
    };
    assert_eq!(draft.details.other, [("column 6".to_owned(), "5".to_owned())]);
    assert_eq!(report.mapping[5].1, "kept as it is");
}

#[test]
fn an_effort_kind_may_be_given_for_all() {
    let context = context().with_effort_kind(crate::domain::encounter::EffortKind::Chance);
    let mut found = Vec::new();
    let text = "date,lat,lon\n2024-05-04,37.61,-109.38\n";
    read(Content::Encounters, text.as_bytes(), &context, &mut |item| {
        found.push(item);
        ControlFlow::Continue(())
    })
    .unwrap();
    assert!(matches!(&found[..], [Item::Draft { .. }]), "{found:?}");
}

#[test]
fn the_dates_of_a_file_settle_their_order() {
    let check = |dates: &[&str], expected| {
        let rows: String = dates.iter().map(|date| format!("A,report,{date},,,\n")).collect();
        let settled = settled_day_order(Content::Encounters, format!("{START}{rows}").as_bytes(), &context());
        assert_eq!(settled, Ok(expected), "{dates:?}");
    };
    check(&["03/04/2024", "25/04/2024"], DayOrder::DayFirst);
    check(&["03/04/2024 09:10", "04/25/2024 09:10"], DayOrder::MonthFirst);
    check(&["03/04/2024", "04/05/2024", "2024-05-13"], DayOrder::Unknown);
    check(&["25/04/2024", "04/25/2024"], DayOrder::Unknown);
}

const APPROACHES: &str = "id,effort,date,lat,lon,approachNumber,contact,notes\n";

fn approaches(rows: &[&str]) -> Vec<Item> {
    items(Content::Encounters, format!("{APPROACHES}{}\n", rows.join("\n")).as_bytes()).0
}

#[test]
fn approaches_of_one_encounter_are_gathered_in_their_order() {
    let items = approaches(&[
        "A,report,2024-05-04,37.61,-109.38,2,over,n",
        "A,report,4 May 2024,37.61,-109.38,1,beside,n",
        "B,report,2024-05-04,37.61,-109.38,1,passed,n",
        "B,report,2024-05-04,37.61,-109.38,2,passed,other notes",
    ]);
    let found: Vec<(u64, usize)> = items
        .iter()
        .map(|item| match item {
            Item::Draft { row_number, draft: Draft::Encounter(draft) } => {
                (*row_number, draft.approaches.len())
            }
            other => panic!("{other:?}"),
        })
        .collect();
    // The rows of B do not agree: whether the second may change the first is not decided here.
    assert_eq!(found, [(2, 2), (4, 1), (5, 1)]);
    let Item::Draft { draft: Draft::Encounter(first), .. } = &items[0] else { panic!() };
    assert_eq!(first.approaches[0].contact, crate::domain::approach::Contact::Beside);
}

#[test]
fn an_encounter_goes_in_whole_or_waits_whole() {
    let items = approaches(&[
        "A,report,2024-05-04,37.61,-109.38,1,over,n",
        "A,report,2024-05-04,37.61,-109.38,2,stroked,n",
        "A,report,2024-05-04,37.61,-109.38,3,beside,n",
        "B,report,2024-05-04,37.61,-109.38,1,passed,n",
        "B,report,2024-05-04,37.61,-109.38,1,over,n",
    ]);
    let [Item::Refused(first), Item::Refused(second)] = &items[..] else { panic!("{items:?}") };
    assert_eq!((first.row_number, first.field.as_str(), first.raw.len()), (3, "contact", 24));
    assert_eq!((second.row_number, second.field.as_str()), (6, "approachNumber"));
    let mut raw = first.raw.clone();
    assert!(crate::ingest::retry(Content::Encounters, raw.clone(), &context()).is_err());
    raw.iter_mut().find(|(header, _)| header == "contact [2]").unwrap().1 = "beside".to_owned();
    let Ok(Draft::Encounter(mended)) = crate::ingest::retry(Content::Encounters, raw.clone(), &context())
    else {
        panic!()
    };
    assert_eq!(mended.approaches.len(), 3);
    raw.iter_mut().find(|(header, _)| header == "id [2]").unwrap().1 = "other".to_owned();
    assert!(
        crate::ingest::retry(Content::Encounters, raw, &context())
            .unwrap_err()
            .reason
            .contains("one encounter")
    );
}

#[test]
fn rows_without_identifier_stand_alone() {
    let row = ",report,2024-05-04,37.61,-109.38,,over,n";
    let items = approaches(&[row, row]);
    assert_eq!(items.len(), 2);
}

#[test]
fn rows_can_be_found_again() {
    let text =
        format!("{START}A,report,2024-05-04,37.61,-109.38,x\nB,report,,,,\nB,report,,,,2\nC,report,,,,\n");
    let found = raw_rows(Some(Content::Encounters), text.as_bytes(), &context(), &[3]).unwrap();
    assert_eq!((found.len(), found[0].1.len()), (1, 12));
    assert_eq!(found[0].1[0], ("id".to_owned(), "B".to_owned()));
    let alone = raw_rows(None, text.as_bytes(), &context(), &[3]).unwrap();
    assert_eq!(alone[0].1[..], found[0].1[..6]);
}

#[test]
fn a_date_may_come_in_parts() {
    let dates = |header: &str, rows: &[&str]| -> Vec<Result<EventDate, String>> {
        let lines: Vec<String> = rows.iter().map(|row| format!("report,37.61,-109.38,{row}\n")).collect();
        let text = format!("effortKind,decimalLatitude,decimalLongitude,{header}\n{}", lines.concat());
        let (items, _) = items(Content::Encounters, text.as_bytes());
        items
            .into_iter()
            .map(|item| match item {
                Item::Draft { draft: Draft::Encounter(draft), .. } => Ok(draft.time.date),
                Item::Refused(error) => Err(format!("{}: {}", error.value, error.reason)),
                other => panic!("{other:?}"),
            })
            .collect()
    };
    let day = |day: i8| Ok(EventDate::Day(date(2024, 5, day)));
    assert_eq!(
        dates("year,month,day", &["2024,5,4", "2024,05,04", "2024,May,4", "2024,5,", "2024,,", "2024,13,1"]),
        [
            day(4),
            day(4),
            day(4),
            Ok(EventDate::Month { year: 2024, month: 5 }),
            Ok(EventDate::Year(2024)),
            Err("2024-13-01: there is no such day".to_owned())
        ]
    );
    // Month or day without what they belong to is no date.
    assert!(dates("year,month,day", &[",5,4", "2024,,4", ",,"]).iter().all(Result::is_err));
    // Some call a column of whole dates "day".
    assert_eq!(dates("day", &["2024-05-04"]), [day(4)]);
    // Beside the whole date the parts may say the same, or less, or nothing that is a date.
    let both = ["2024-05-04,2024,5,4", "2024-05-04,2024,,", "2024-05-04,,,Saturday", "2024-05-04,2024,6,4"];
    assert_eq!(
        dates("eventDate,year,month,day", &both),
        [day(4), day(4), day(4), Err("2024-05-04: year, month and day say 2024-06-04".to_owned())]
    );
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
        for text in [bytes.clone(), [APPROACHES.as_bytes(), &bytes].concat()] {
            let _ = read(Content::Encounters, &text[..], &context(), &mut |_| ControlFlow::Continue(()));
        }
    }

    #[test]
    fn written_rows_read_back(lat in 37.0f64..38.0, lon in -110.0f64..-109.0, notes in "[ -~\n]{0,30}", day in 1u8..29) {
        let text = format!("{START}A,report,2024-05-{day:02},{lat},{lon},\"{}\"\n", notes.replace('"', "\"\""));
        let (items, _) = items(Content::Encounters, text.as_bytes());
        if notes.trim().starts_with('=') {
            proptest::prop_assert!(matches!(items[0], Item::Refused(_)));
        } else {
            let Item::Draft { draft: Draft::Encounter(draft), .. } = &items[0] else { panic!("{items:?}") };
            let at = draft.position.unwrap().position;
            proptest::prop_assert_eq!((at.lat(), at.lon()), (lat, lon));
            // What looks like a guard against formulas is taken for one.
            let expected = crate::domain::csv_text::unguarded(notes.trim());
            proptest::prop_assert_eq!(&draft.details.occurrence_remarks, expected);
        }
    }
}

#[test]
fn words_guarded_in_an_export_are_read_back_as_they_were() {
    for words in
        ["=A1 was written on the sign", "-2 m from the path", "+1", "@ the ford", "'=quoted", "plain"]
    {
        let cell = crate::domain::csv_text::guarded(words).replace('"', "\"\"");
        let text = format!("{START}A,report,2024-05-04,37.61,-109.38,\"{cell}\"\n");
        let (items, _) = items(Content::Encounters, text.as_bytes());
        let [Item::Draft { draft: Draft::Encounter(draft), .. }] = &items[..] else {
            panic!("{words}: {items:?}")
        };
        assert_eq!(draft.details.occurrence_remarks, words);
    }
}

#[test]
fn party_sizes_name_a_trail_in_a_column_of_its_own() {
    let text = "trailhead,trail,from,until,meanWalkers,standardError,parties\n\
                ,Rim,,,3.1,0.2,85\nNorth,,2024-04-01,,2.0,0.1,\nNorth,Rim,,,2.0,0.1,9\n,,,,2.3,0.06,412\n";
    let (items, report) = items(Content::PartySizes, text.as_bytes());
    assert_eq!(report.mapping[1], ("trail".to_owned(), "trail".to_owned()));
    let [
        Item::Draft { draft: Draft::PartySize(on_rim), .. },
        Item::Draft { draft: Draft::PartySize(north), .. },
        Item::Refused(both),
        Item::Draft { draft: Draft::PartySize(area), .. },
    ] = &items[..]
    else {
        panic!("{items:?}")
    };
    assert_eq!((on_rim.trailhead.as_str(), on_rim.trail.as_str(), on_rim.mean_walkers), ("", "Rim", 3.1));
    assert_eq!((north.trailhead.as_str(), north.trail.as_str()), ("North", ""));
    assert_eq!((area.trailhead.as_str(), area.trail.as_str()), ("", ""));
    assert_eq!((both.row_number, both.field.as_str(), both.value.as_str()), (4, "trail", "Rim"));
}
