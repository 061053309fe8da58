//! Tables of the study about surveys, clusters, the season and decisions.

use std::sync::Arc;

use coilway::analysis::density::Lixels;
use coilway::analysis::density::relative::RelativeDensity;
use coilway::analysis::density::relative::RelativeLixel;
use coilway::analysis::forecast::contacts::Contacts;
use coilway::analysis::rates::ExposureDraws;
use coilway::analysis::rates::expected_counts;
use coilway::derived::DeriveError;
use coilway::derived::density::RelativeLayer;
use coilway::derived::density::by_segment::mean_per_km;
use coilway::derived::density::by_segment::outside;
use coilway::derived::forecast::Ground;
use coilway::derived::forecast::area_contacts;
use coilway::derived::season::PeriodChoice;
use coilway::derived::study::Layers;
use coilway::derived::study::TABLES;
use coilway::derived::study::Table;
use coilway::derived::study::Value;
use coilway::derived::study::make;
use coilway::domain::approach::Approach;
use coilway::domain::approach::Contact;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::time::PartOfDay;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::web::study::archive::unpack;
use coilway::web::study::figures;
use jiff::civil::date;

use crate::support::OBSERVER;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

/// Start of the walks, seconds; a day of the park's study period.
const START_S: i64 = 1_715_000_000;

fn walk(event_id: &str, purpose: Purpose) -> WalkDraft {
    WalkDraft {
        event_id: event_id.to_owned(),
        parent_event_id: String::new(),
        purpose,
        observers: "Zenobia Quillfeather".to_owned(),
        start_s: START_S,
        end_s: None,
        sampling_protocol: String::new(),
        track: (0..11).map(|idx| at(-900.0 + 50.0 * f64::from(idx), 0.0)).collect(),
        track_times_s: (0..11).map(|idx| START_S + 60 * idx).collect(),
    }
}

async fn with_walks() -> TestApp {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    let met = EncounterDraft {
        effort_kind: EffortKind::Survey,
        event_id: "W-secret-1".to_owned(),
        ..report("S-1", at(-700.0, 0.0), date(2024, 5, 6), 9)
    };
    test.write(async |writer| {
        let walks = [walk("W-secret-1", Purpose::Planned), walk("W-secret-2", Purpose::Targeted)];
        writer.put_walks(&target, &rows(walks)).await.unwrap();
        let tally = writer.put_encounters(&target, &rows([met])).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    test
}

fn cell<'a>(table: &'a Table, row: usize, column: &str) -> &'a Value {
    let at = table.columns.iter().position(|it| it.name == column).unwrap();
    &table.rows[row][at]
}

#[tokio::test]
async fn walks_are_summed_up_by_purpose_and_name_nobody() {
    let test = with_walks().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "survey-walks").unwrap().unwrap();
    assert_eq!(cell(&table, 0, "purpose"), &Value::from("planned"));
    for (row, walks, encounters) in [(0, 1_u64, 1_u64), (1, 1, 0), (2, 0, 0)] {
        assert_eq!(cell(&table, row, "walks"), &Value::Count(walks));
        assert_eq!(cell(&table, row, "encounters"), &Value::Count(encounters));
    }
    let Value::Number(km) = cell(&table, 0, "km") else { panic!("{table:?}") };
    assert!((km - 0.5).abs() < 0.05, "{km} km walked of a track of 500 m");
    for (name, bytes) in unpack(&test.bytes("/study.zip").await).unwrap() {
        let text = String::from_utf8_lossy(&bytes);
        for word in ["Zenobia", "W-secret"] {
            assert!(!text.contains(word), "{name} says {word}");
        }
    }
}

#[tokio::test]
async fn what_is_too_little_is_refused_in_words() {
    let test = with_walks().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let ratio = make(&layers, "reporting-ratio").unwrap().unwrap();
    assert_eq!(cell(&ratio, 0, "ratio_is"), &Value::from("not estimable below 20 survey encounters"));
    assert_eq!(cell(&ratio, 0, "ratio"), &Value::Missing);
    assert!(make(&layers, "observers").unwrap().unwrap_err().contains("two observers"));
    assert!(make(&layers, "decisions").unwrap().unwrap_err().contains("Nothing was decided"));
}

#[tokio::test]
async fn clusters_have_a_row_for_each_segment_and_way_of_counting() {
    let test = TestApp::park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let segments = make(&layers, "segments").unwrap().unwrap();
    let table = make(&layers, "cluster-segments").unwrap().unwrap();
    assert!(!table.rows.is_empty());
    assert_eq!(table.rows.len() % segments.rows.len(), 0);
    let answer = layers.clusters.as_ref().unwrap().answer.as_ref().unwrap();
    let n_found =
        |variant: &coilway::derived::clusters::Variant| variant.windows.len() + variant.groups.len();
    let expected = n_found(&answer.all) + answer.once.as_ref().map_or(0, n_found);
    assert_eq!(make(&layers, "clusters").unwrap().unwrap().rows.len(), expected);
}

#[tokio::test]
async fn a_forecast_stands_for_every_trail_month_and_part_of_the_day() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "forecast").unwrap().unwrap();
    // Two trails; the year and twelve months, each as a whole and in four parts of the day.
    // Two rows for the whole area: a party of the average of all walking, and all of it.
    assert_eq!(table.rows.len(), (2 + 2) * 13 * 5);
    let number = |row: usize, column: &str| match cell(&table, row, column) {
        Value::Number(number) => Some(*number),
        _ => None,
    };
    let mut n_estimated = 0;
    for row in 0..table.rows.len() {
        let Some(once) = number(row, "expected_once") else {
            assert_eq!(number(row, "at_least_one_once"), None);
            continue;
        };
        let limits =
            (number(row, "expected_once_lower").unwrap(), number(row, "expected_once_upper").unwrap());
        assert!(limits.0 <= once && once <= limits.1, "row {row}: {once} in {limits:?}");
        // Averaged over draws it lies below what the mean would give.
        let chance = number(row, "at_least_one_once").unwrap();
        assert!(chance > 0.0 && chance <= 1.0 - (-once).exp() + 1e-9, "row {row}");
        n_estimated += 1;
    }
    assert!(n_estimated > 30, "{n_estimated}");
    // As the command and the page have it: the same walk in May.
    let facts = test.app.deriver().facts().await.unwrap();
    let season = layers.season.as_ref().unwrap();
    let ground = Ground {
        facts: &facts,
        network: layers.network.as_ref().unwrap(),
        rates: layers.rates.as_ref().unwrap(),
        exposure: layers.exposure.as_ref().unwrap(),
        season,
    };
    let period = PeriodChoice { month: Some(5), part: None };
    let asked = coilway::derived::forecast::Asked { period, n_parties: 1 };
    let beside = coilway::derived::forecast::trails_beside(&ground, 3000.0, &asked).unwrap();
    let may = (0..table.rows.len())
        .find(|row| {
            cell(&table, *row, "month") == &Value::Count(5)
                && cell(&table, *row, "part_of_day") == &Value::Missing
        })
        .unwrap();
    let coilway::analysis::forecast::Forecast::Estimated { lower, .. } = &beside[0].answer.forecast else {
        panic!("{beside:?}")
    };
    assert!((number(may, "expected_once").unwrap() - lower.expected.mean).abs() < 1e-9);
}

/// The row of the whole area in a month, all parts of the day together.
fn area_row(table: &Table, walk: &str, month: &Value) -> usize {
    (0..table.rows.len())
        .find(|row| {
            cell(table, *row, "trail") == &Value::from("the whole area")
                && cell(table, *row, "walk") == &Value::from(walk)
                && cell(table, *row, "month") == month
                && cell(table, *row, "part_of_day") == &Value::Missing
        })
        .unwrap()
}

const ONE: &str = "the average of all walking";
const ALL: &str = "all walking of a mean year";

#[tokio::test]
async fn the_whole_area_is_expected_to_report_what_its_rates_and_walking_come_to() {
    let number = |table: &Table, row: usize, column: &str| match cell(table, row, column) {
        Value::Number(number) => Some(*number),
        _ => None,
    };
    // April to June of one year are known of: a mean year has as much of each.
    let test = TestApp::park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "forecast").unwrap().unwrap();
    let (set, field) = (&layers.rates.as_ref().unwrap().stretches, &layers.exposure.as_ref().unwrap().field);
    let walked = ExposureDraws {
        n_draws: field.n_draws,
        n_units: set.members.len(),
        party_km: (0..field.n_draws)
            .flat_map(|draw| {
                set.members
                    .iter()
                    .map(move |unit| unit.iter().map(|segment| field.draw(draw)[*segment]).sum())
            })
            .collect(),
    };
    let expected: f64 = expected_counts(&set.fit, &walked).unwrap().iter().sum();
    let year = area_row(&table, ALL, &Value::Missing);
    let of_year = number(&table, year, "expected_each_pass").unwrap();
    // Whole months: each draw of the season has mean one over them, so that it takes nothing from the year and adds nothing.
    assert!(expected > 10.0 && (of_year / expected - 1.0).abs() < 1e-9, "{of_year} {expected}");
    let months: f64 = (1..=12)
        .filter_map(|month| number(&table, area_row(&table, ALL, &Value::Count(month)), "expected_each_pass"))
        .sum();
    assert!((months / of_year - 1.0).abs() < 1e-9, "{months} {of_year}");
    // Of May, draw by draw: reports, parties and kilometres of all, and by party.
    let season = layers.season.as_ref().unwrap();
    let factors = season.unit_factors(&set.members, PeriodChoice { month: Some(5), part: None }).unwrap();
    let in_may: f64 =
        field.time.share_where(|month, _| month.month == 5).iter().sum::<f64>() / field.n_draws as f64;
    let of_draw = |draw: usize| -> [f64; 3] {
        let (rates, walked_in) = (set.fit.rates.row(draw), draw % field.n_draws * walked.n_units);
        let km = &walked.party_km[walked_in..][..walked.n_units];
        let reports: f64 = (0..rates.len()).map(|unit| rates[unit] * km[unit] * factors.of(draw, unit)).sum();
        let parties = field.parties_from_now_on(draw % field.n_draws);
        [reports, parties, km.iter().sum()].map(|sum| sum * in_may)
    };
    let draws: Vec<[f64; 3]> = (0..set.fit.rates.n_draws).map(of_draw).collect();
    let mean = |of: &dyn Fn(&[f64; 3]) -> f64| draws.iter().map(of).sum::<f64>() / draws.len() as f64;
    let (party, together) =
        (area_row(&table, ONE, &Value::Count(5)), area_row(&table, ALL, &Value::Count(5)));
    for (row, column, is) in [
        (together, "parties", mean(&|it| it[1])),
        (together, "walked_km", mean(&|it| it[2])),
        (together, "expected_each_pass", mean(&|it| it[0])),
        (party, "walked_km", mean(&|it| it[2] / it[1])),
        (party, "expected_each_pass", mean(&|it| it[0] / it[1])),
    ] {
        let found = number(&table, row, column).unwrap();
        assert!((found / is - 1.0).abs() < 1e-9, "{column}: {found} {is}");
    }
    // The mean of all is not that of one party times the mean number of parties: draws of more parties are draws of lower rates. They
    // lie apart by the covariance of the two, and no further than their deviations allow.
    let parties = number(&table, together, "parties").unwrap();
    let deviation = |of: &dyn Fn(&[f64; 3]) -> f64| {
        let middle = mean(of);
        mean(&|it| (of(it) - middle).powi(2)).sqrt()
    };
    for (column, apart) in [
        ("walked_km", deviation(&|it| it[2] / it[1]) / mean(&|it| it[2])),
        ("expected_once", deviation(&|it| it[0] / it[1]) / mean(&|it| it[0])),
        ("expected_each_pass", deviation(&|it| it[0] / it[1]) / mean(&|it| it[0])),
    ] {
        let (each, sum) = (number(&table, party, column).unwrap(), number(&table, together, column).unwrap());
        let most = apart * deviation(&|it| it[1]);
        assert!((each * parties / sum - 1.0).abs() <= most, "{column}: {each} {parties} {sum}, {most}");
    }
    // A way that is walked twice counts once in one of them.
    let (once, every) = (number(&table, party, "expected_once"), number(&table, party, "expected_each_pass"));
    assert!(once.unwrap() < every.unwrap() && once.unwrap() > 0.4 * every.unwrap(), "{once:?} {every:?}");
    // Nobody walks in January as far as is known: no figure, and no zero.
    assert_eq!(number(&table, area_row(&table, ALL, &Value::Count(1)), "expected_once"), None);

    // Fifteen months are known of, April to June twice: a mean year has them once, and a February of 28 days and a quarter in place of
    // the one of 29.
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "forecast").unwrap().unwrap();
    let field = &layers.exposure.as_ref().unwrap().field;
    let share_of = |months: std::ops::RangeInclusive<i8>| {
        let shares = field.time.share_where(|month, _| months.contains(&month.month));
        shares.iter().sum::<f64>() / shares.len() as f64
    };
    let (twice, february) = (share_of(4..=6), share_of(2..=2));
    let parties = number(&table, area_row(&table, ALL, &Value::Missing), "parties").unwrap();
    let share = parties / field.mean_parties().iter().sum::<f64>();
    let left = 1.0 - twice / 2.0 - february * 0.75 / 29.0;
    assert!(twice > 0.2 && (share - left).abs() < 1e-9, "{share} {left} {twice}");
}

/// The same stretches as report rates have, the same walks as the trails have, and rates of their own.
#[tokio::test]
async fn survey_rates_stand_by_stretch_too() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let (trails, stretches) = (
        make(&layers, "survey-rates").unwrap().unwrap(),
        make(&layers, "survey-rates-stretches").unwrap().unwrap(),
    );
    let of_reports = make(&layers, "stretches").unwrap().unwrap();
    let names = |table: &Table, column: &str| -> Vec<Value> {
        (0..table.rows.len()).map(|row| cell(table, row, column).clone()).collect()
    };
    assert_eq!(names(&stretches, "stretch"), names(&of_reports, "name"));
    assert!(stretches.rows.len() > trails.rows.len());
    let number = |value: &Value| match value {
        Value::Number(number) => Some(*number),
        _ => None,
    };
    for column in ["planned_km", "planned_encounters", "targeted_km", "targeted_encounters"] {
        let sum =
            |table: &Table| names(table, column).iter().filter_map(number).fold(0.0, |sum, it| sum + it);
        let (of_trails, of_stretches) = (sum(&trails), sum(&stretches));
        assert!((of_stretches - of_trails).abs() < 1e-9 * (1.0 + of_trails), "{column}");
        // On the targeted walks of the park nothing was met.
        assert_eq!(of_trails > 0.0, column != "targeted_encounters", "{column}");
    }
    let rates: Vec<f64> = names(&stretches, "planned_rate").iter().filter_map(number).collect();
    assert!(rates.len() > 1 && rates.iter().any(|rate| (rate - rates[0]).abs() > 1e-6), "{rates:?}");
    assert!(names(&stretches, "joint_rate").iter().filter_map(number).count() > 1);
}

#[tokio::test]
async fn contacts_and_bites_stand_with_the_share_that_is_prior() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    // Of eight reports whose approach is known, two stepped on the snake and none was bitten.
    let met = (0..8).map(|idx: i8| EncounterDraft {
        approaches: vec![Approach {
            contact: if idx < 2 { Contact::Underfoot } else { Contact::Passed },
            closest_distance: None,
            agent: "person".to_owned(),
            applied_load: None,
            duration: None,
            trial: None,
            end_of_watch: None,
            reactions: Vec::new(),
        }],
        ..report(&format!("N-{idx}"), at(-800.0 + 20.0 * f64::from(idx), 10.0), date(2024, 5, 7), 9)
    });
    let met = rows(met);
    let before = Layers::read(test.app.deriver()).await.unwrap();
    assert!(make(&before, "contacts-bites").unwrap().unwrap_err().contains("would be all prior"));
    test.write(async |writer| {
        let tally = writer.put_encounters(&target, &met).await.unwrap();
        assert_eq!(tally.problems, []);
    })
    .await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "contacts-bites").unwrap().unwrap();
    // The year and twelve months, each as a whole and in four parts of the day: snakes stepped on, then bites.
    assert_eq!(table.rows.len(), 2 * 13 * 5);
    let number = |row: usize, column: &str| match cell(&table, row, column) {
        Value::Number(number) => *number,
        Value::Count(count) => *count as f64,
        other => panic!("{column} {other:?}"),
    };
    // The whole year stands first.
    assert_eq!(
        (cell(&table, 0, "month"), cell(&table, 0, "part_of_day")),
        (&Value::Missing, &Value::Missing)
    );
    // Half an encounter of two and a half is the prior's; of the bites all of it is.
    assert_eq!((number(0, "events"), number(0, "of_encounters")), (2.0, 8.0));
    assert_eq!((number(1, "events"), number(1, "of_encounters")), (0.0, 8.0));
    assert!((number(0, "prior_part") - 0.2).abs() < 1e-9 && (number(1, "prior_part") - 1.0).abs() < 1e-9);
    for row in [0, 1] {
        let (lower, value, upper) =
            (number(row, "estimate_lower"), number(row, "estimate"), number(row, "estimate_upper"));
        assert!(0.0 <= lower && lower < value && value < upper, "{lower} {value} {upper}");
    }
    assert!(number(0, "estimate") > number(1, "estimate"));
    let worth = |row: usize| number(row, "prior_events") / number(row, "prior_encounters");
    let alone = number(0, "of_prior_alone") / worth(0);
    assert!((alone / (number(1, "of_prior_alone") / worth(1)) - 1.0).abs() < 1e-9);
    // As staff see it on the page of walks.
    let shown = number(0, "estimate");
    let page = test.get("/route").await.expect(200);
    page.says("Snakes stepped on");
    page.says("2 of 8 reported encounters whose approach is known");
    assert!(shown > 10.0);
    // Every period has its own figure, or says why it has none; what it rests on is the same in all.
    let facts = test.app.deriver().facts().await.unwrap();
    let ground = Ground {
        facts: &facts,
        network: layers.network.as_ref().unwrap(),
        rates: layers.rates.as_ref().unwrap(),
        exposure: layers.exposure.as_ref().unwrap(),
        season: layers.season.as_ref().unwrap(),
    };
    let reactions = layers.reactions.as_ref().unwrap();
    let (mut n_estimated, mut n_refused, mut of_months) = (0, 0, Vec::new());
    for row in (0..table.rows.len()).step_by(2) {
        let month = match cell(&table, row, "month") {
            Value::Count(month) => Some(*month as i8),
            _ => None,
        };
        let part = match cell(&table, row, "part_of_day") {
            Value::Text(term) => PartOfDay::ALL.into_iter().find(|part| part.term() == term),
            _ => None,
        };
        assert_eq!(
            (cell(&table, row, "what"), cell(&table, row + 1, "what")),
            (&Value::from("snakes stepped on"), &Value::from("bites through to the skin"))
        );
        for column in ["prior_part", "events", "of_encounters"] {
            assert_eq!(cell(&table, row, column), cell(&table, 0, column), "{column} of row {row}");
        }
        match area_contacts(&ground, reactions, PeriodChoice { month, part }) {
            Ok(answer) => {
                let Contacts::Estimated { underfoot_per_100_000_km, bites_per_100_000_km, .. } =
                    answer.contacts
                else {
                    panic!("{answer:?}")
                };
                for (row, interval) in [(row, underfoot_per_100_000_km), (row + 1, bites_per_100_000_km)] {
                    assert_eq!(cell(&table, row, "estimate_is"), &Value::from("estimated"));
                    let found =
                        ["estimate", "estimate_lower", "estimate_upper"].map(|column| number(row, column));
                    assert_eq!(found, [interval.mean, interval.lower, interval.upper]);
                    assert!(number(row, "of_prior_alone") > 0.0);
                }
                n_estimated += 1;
                if month.is_some() && part.is_none() {
                    of_months.push(number(row, "estimate"));
                }
            }
            Err(DeriveError::Unanswerable(reason)) => {
                for row in [row, row + 1] {
                    assert_eq!(cell(&table, row, "estimate_is"), &Value::from(reason.as_str()));
                    for column in ["estimate", "estimate_lower", "estimate_upper", "of_prior_alone"] {
                        assert_eq!(cell(&table, row, column), &Value::Missing, "{column}: {reason}");
                    }
                }
                n_refused += 1;
            }
            Err(error) => panic!("{error}"),
        }
    }
    assert!(n_estimated >= 10 && n_refused >= 10, "{n_estimated} {n_refused}");
    // April to June are known of, and are not alike.
    assert_eq!(of_months.len(), 3);
    assert!(of_months.iter().any(|it| (it / shown - 1.0).abs() > 0.05), "{of_months:?} {shown}");
}

#[tokio::test]
async fn before_and_after_stand_with_what_was_assumed_and_refused() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "effect").unwrap().unwrap();
    let campaigns = layers.effect.as_ref().unwrap().campaigns.as_ref().unwrap();
    assert_eq!(campaigns.len(), 1);
    assert_eq!(cell(&table, 0, "expected_from"), &Value::from("the posterior of every stretch"));
    for (column, period) in
        [("signed_before", campaigns[0].signed.0), ("control_after", campaigns[0].control.1)]
    {
        assert_eq!(cell(&table, 0, column), &Value::Count(period.count), "{column}");
    }
    assert_eq!(cell(&table, 0, "verdict"), &Value::from("too few signs"));
    let last = table.rows.len() - 1;
    let Value::Text(words) = cell(&table, last, "estimate_is") else { panic!("{table:?}") };
    assert!(words.contains("how much people report is not known"), "{words}");
    let signs = make(&layers, "effect-signs").unwrap().unwrap();
    assert_eq!(signs.rows.len(), 2);
    let assumed = make(&layers, "effect-assumptions").unwrap().unwrap();
    let days: Vec<&Value> = assumed.rows.iter().map(|row| &row[2]).collect();
    assert!(days.contains(&&Value::from("2024-05-16")) && days.contains(&&Value::from("800 m of walking")));
}

#[tokio::test]
async fn notices_stand_without_names_and_reasons() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "notices").unwrap().unwrap();
    let states: Vec<&Value> = (0..2).map(|row| cell(&table, row, "state")).collect();
    assert_eq!(states, [&Value::from("in force"), &Value::from("past")]);
    // The day on which they were made, by the clock of the tests.
    assert_eq!(cell(&table, 0, "state_on"), &Value::from("2024-07-01"));
    assert_eq!(cell(&table, 0, "settings"), &Value::from("default settings, 60 draws, seed 1"));
    for (name, bytes) in unpack(&test.bytes("/study.zip").await).unwrap() {
        let text = String::from_utf8_lossy(&bytes);
        for word in [OBSERVER, "Wanderer"] {
            assert!(!text.contains(word), "{name} says {word}");
        }
    }
}

fn number(table: &Table, row: usize, column: &str) -> f64 {
    match cell(table, row, column) {
        Value::Number(number) => *number,
        other => panic!("{column}: {other:?}"),
    }
}

/// The months of a site hold all its counts, and so do its parts of the day; the figures draw one square for each.
#[tokio::test]
async fn every_counter_site_has_its_months_and_hours_as_table_and_figure() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let (sites, periods) = (
        make(&layers, "exposure-checks").unwrap().unwrap(),
        make(&layers, "exposure-periods").unwrap().unwrap(),
    );
    let counters = make(&layers, "exposure-counters").unwrap().unwrap();
    let drawn = figures::all(&layers);
    assert_eq!(sites.rows.len(), 2);
    for site in 0..sites.rows.len() {
        let check = &layers.exposure.as_ref().unwrap().field.checks[site];
        assert_eq!(cell(&sites, site, "counter"), cell(&counters, check.series, "counter"));
        for (kind, name) in [("month", "counts-months"), ("part of the day", "counts-hours")] {
            let its: Vec<usize> = (0..periods.rows.len())
                .filter(|row| *cell(&periods, *row, "site") == Value::Count(check.series as u64 + 1))
                .filter(|row| *cell(&periods, *row, "kind") == Value::from(kind))
                .collect();
            assert!(its.len() > 1, "{kind}");
            let counted: f64 = its.iter().map(|row| number(&periods, *row, "counted")).sum();
            assert!((counted - number(&sites, site, "counted")).abs() < 1e-6, "{kind}: {counted}");
            for row in &its {
                assert_eq!(cell(&periods, *row, "counter"), cell(&sites, site, "counter"));
                let at = |column: &str| number(&periods, *row, column);
                assert!(at("expected_lower") <= at("expected") && at("expected") <= at("expected_upper"));
            }
            let name = format!("{name}-{}", check.series + 1);
            let title = &drawn.iter().find(|figure| figure.name == name).unwrap().title;
            let Value::Text(counter) = cell(&sites, site, "counter") else { panic!("{sites:?}") };
            assert!(title.contains(counter.as_str()), "{title}");
            let svg = test.get(&format!("/study/{name}.svg")).await.expect(200);
            assert_eq!(svg.body.matches("width=\"6\" height=\"6\"").count(), its.len(), "{name}");
            for words in ["predictive", "what the device counted", "data revision"] {
                svg.says(words);
            }
            assert!(test.bytes(&format!("/study/{name}.pdf")).await.starts_with(b"%PDF"));
        }
    }
    assert_eq!(test.get("/study/counts-months-3.svg").await.status.as_u16(), 404);
    let bare = TestApp::with(&Park { has_walking: false, has_encounters: false, ..Park::default() }).await;
    bare.get("/study/exposure-periods.csv").await.expect(422).says("Nothing says when people walked");
}

#[tokio::test]
async fn the_pattern_of_residuals_has_a_row_for_each_judged_stretch() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "rate-pattern").unwrap().unwrap();
    assert_eq!(table.rows.len(), 2);
    let stretches = make(&layers, "rate-pattern-stretches").unwrap().unwrap();
    assert_eq!(cell(&table, 1, "stretches"), &Value::Count(stretches.rows.len() as u64));
    let sum = |column: &str| -> f64 {
        let number = |row: usize| match cell(&stretches, row, column) {
            Value::Number(number) => *number,
            other => panic!("{column}: {other:?}"),
        };
        (0..stretches.rows.len()).map(number).sum()
    };
    for expected in ["expected_even", "expected_fit"] {
        assert!((sum(expected) - sum("reports")).abs() < 1e-6, "{expected} is not scaled to the reports");
    }
}

/// Reports over walking on the layers' network: three times even risk on some segments, even risk elsewhere. Of one segment
/// the first lixel alone lies outside.
fn relative(layers: &Layers, whole: &[usize], in_part: usize) -> RelativeLayer {
    let network = &layers.network.as_ref().unwrap().network;
    let lixels = Lixels::new(network.graph(), 25.0).unwrap();
    let lixel = |lixel: usize| {
        let segment = lixels.edge_of(lixel);
        let is_first = lixel == lixels.of_edge(segment).start;
        match whole.contains(&segment) || segment == in_part && is_first {
            true => RelativeLixel::Exposed { rate_per_km: 0.03, p_high: 0.01, p_low: 1.0, even_per_km: None },
            false => RelativeLixel::Exposed { rate_per_km: 0.01, p_high: 0.6, p_low: 0.5, even_per_km: None },
        }
    };
    let n_segments = network.segments.len();
    RelativeLayer {
        outside: Vec::new(),
        by_trail: Vec::new(),
        relative: RelativeDensity {
            lixels: (0..lixels.len()).map(lixel).collect(),
            reference_rate_per_km: 0.01,
            contradicted: 0.0,
        },
        lixels,
        is_assumed: vec![false; n_segments],
        n_reports: 2.0 * n_segments as f64,
        n_on_assumed: 0.0,
        walked_km: 100.0 * n_segments as f64,
        reports_on: vec![2.0; n_segments],
        walked_on_km: vec![100.0; n_segments],
    }
}

#[tokio::test]
async fn stretches_outside_the_contours_are_told_by_whole_segments() {
    let test = TestApp::park().await;
    let mut layers = Layers::read(test.app.deriver()).await.unwrap();
    let found = make(&layers, "relative-density-outside").unwrap().unwrap();
    let network = layers.network.clone().unwrap();
    let n_runs = outside(&network, layers.relative_density.as_ref().unwrap()).len();
    assert_eq!(found.rows.len(), n_runs);
    let along = network.network.trail_runs()[0].clone();
    let run = &along[3..6];
    layers.relative_density = Ok(Arc::new(relative(&layers, run, along[8])));
    let table = make(&layers, "relative-density-outside").unwrap().unwrap();
    assert_eq!(table.rows.len(), 1, "{table:?}");
    let number = |column: &str| match cell(&table, 0, column) {
        Value::Number(number) => *number,
        other => panic!("{column}: {other:?}"),
    };
    assert_eq!(cell(&table, 0, "side"), &Value::from("more"));
    assert_eq!(cell(&table, 0, "segments"), &Value::Count(3));
    let length_km: f64 = run.iter().map(|segment| network.network.segments[*segment].length_m / 1000.0).sum();
    for (column, value) in [
        ("reports", 6.0),
        ("walked_km", 300.0),
        ("expected", 3.0),
        ("mean_ratio", 3.0),
        ("farthest_ratio", 3.0),
        ("least_p", 0.02),
        ("reference_per_1000_km", 10.0),
        ("outside_by_chance", 0.05),
    ] {
        assert!((number(column) - value).abs() < 1e-9, "{column}: {}", number(column));
    }
    assert!((number("to_km") - number("from_km") - length_km).abs() < 1e-6, "{table:?}");
    let figure = figures::named(&layers, "relative-density").unwrap();
    let svg = figures::picture(&layers, figure).unwrap().svg;
    // Notes are cut into lines.
    let lines = svg.split("class=\"figure-note\"").skip(1);
    let lines: Vec<&str> = lines.map(|it| it.split(['>', '<']).nth(1).unwrap()).collect();
    let notes = lines.join(" ");
    for words in ["95 % tolerance contours", "even risk", &format!("on {length_km:.1} km with more reports")]
    {
        assert!(notes.contains(words), "{notes}");
    }
}

/// A kernel is highest where an encounter was: no line of the maps ends within a segment.
#[tokio::test]
async fn maps_of_density_are_drawn_by_whole_segments() {
    let test = TestApp::park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let network = layers.network.as_ref().unwrap();
    let (_, density) = layers.density.iter().find(|(effort, _)| *effort == EffortKind::Report).unwrap();
    let density = density.as_ref().unwrap();
    let of_segment = mean_per_km(density);
    assert_eq!(of_segment.len(), network.network.segments.len());
    let along_m =
        |segment: usize| density.lixels.length_m(segment) * density.lixels.of_edge(segment).len() as f64;
    let total = |per_km: &dyn Fn(usize) -> f64| -> f64 {
        (0..of_segment.len()).map(|segment| per_km(segment) * along_m(segment)).sum()
    };
    let by_lixel: f64 = (0..density.lixels.len())
        .map(|lixel| density.per_km[lixel] * density.lixels.length_m(density.lixels.edge_of(lixel)))
        .sum();
    assert!((total(&|segment| of_segment[segment]) / by_lixel - 1.0).abs() < 1e-9);
    let figure = figures::named(&layers, "density-report").unwrap();
    let svg = figures::picture(&layers, figure).unwrap().svg;
    let n_lines = svg.matches("class=\"narrow c").count();
    assert!((1..=of_segment.len()).contains(&n_lines), "{n_lines} lines");
    assert!(figures::named(&layers, "density-located").is_none_or(|it| it.drawn.is_err()));
}

/// The page of the study makes only the first rows of large tables: they are those of the whole table, and it knows how many
/// there are.
#[tokio::test]
async fn the_first_rows_of_a_table_are_those_of_the_whole() {
    let test = TestApp::complete_park().await;
    let whole = Layers::read(test.app.deriver()).await.unwrap();
    let first = Layers { most_rows: 2, ..Layers::read(test.app.deriver()).await.unwrap() };
    let mut n_shorter = 0;
    for entry in TABLES {
        let (Ok(whole), Ok(first)) = ((entry.make)(&whole), (entry.make)(&first)) else { continue };
        assert_eq!((whole.n_rows, first.n_rows), (whole.rows.len(), whole.rows.len()), "{}", entry.name);
        assert_eq!(first.columns, whole.columns, "{}", entry.name);
        assert_eq!(first.rows[..], whole.rows[..first.rows.len()], "{}", entry.name);
        n_shorter += usize::from(first.rows.len() < whole.rows.len());
    }
    assert!(n_shorter >= 4, "{n_shorter}");
}

/// Surveys walk at other times than visitors: what stands between the two bases is told.
#[tokio::test]
async fn the_two_bases_of_survey_rates_have_their_factor() {
    let test = TestApp::complete_park().await;
    let layers = Layers::read(test.app.deriver()).await.unwrap();
    let table = make(&layers, "survey-rates").unwrap().unwrap();
    let mut n_factors = 0;
    for row in 0..table.rows.len() {
        let numbers = ["season_factor_lower", "season_factor", "season_factor_upper"]
            .map(|name| cell(&table, row, name));
        if let [Value::Number(lower), Value::Number(factor), Value::Number(upper)] = numbers {
            assert!(
                0.0 < *lower && lower <= factor && factor <= upper && *upper < 50.0,
                "{lower} {factor} {upper}"
            );
            n_factors += 1;
        }
    }
    assert!(n_factors > 0, "{table:?}");
    let page = test.get("/survey").await.expect(200);
    for words in ["Season factor", "is on the base of planned only"] {
        page.says(words);
    }
}
