//! Pages made up for tests and previews.

use crate::analysis::forecast::PeriodKnown;
use crate::signage::cautions;
use crate::web::views::charts::Estimate;
use crate::web::views::figure::Behind;
use crate::web::views::notice;
use crate::web::views::route::AreaNumbers;
use crate::web::views::route::AreaShown;
use crate::web::views::route::BesideRow;
use crate::web::views::route::BoundShown;
use crate::web::views::route::ContactsShown;
use crate::web::views::route::FiguresShown;
use crate::web::views::route::KmShown;
use crate::web::views::route::Picking;
use crate::web::views::route::RouteForm;
use crate::web::views::route::RoutePage;
use crate::web::views::route::RouteShown;
use crate::web::views::route::ShareShown;
use crate::web::views::route::StopField;
use crate::web::views::svg_map::MapDrawing;

/// Pages made up for tests and previews.
pub fn samples() -> Vec<RoutePage> {
    let around = |value: f64| Estimate { value, lower: value * 0.6, upper: value * 1.5 };
    let bound = |value: f64| BoundShown {
        expected: around(value),
        at_least_one: around(value),
        expected_of_all: around(value * 200.0),
        at_least_one_of_all: 0.99,
        predicted_of_all: (1, 12),
    };
    let figures = FiguresShown::Estimated { lower: bound(0.0128), upper: bound(0.0255) };
    let km = KmShown { walked: 8.4, assumed: 1.2, unexposed: 0.6, contradicting: 0.0, at_places: 0.0 };
    let walked_km = Estimate { value: 41_000.0, lower: 35_000.0, upper: 48_000.0 };
    let behind = Behind { count: 96.0, walked_km };
    let shown = RouteShown {
        title: "Basin Gate to end of Ledge Walk and back".to_owned(),
        period_words: "May, early".to_owned(),
        too_little: None,
        alone_per_km: None,
        n_parties: 200,
        is_doubled: true,
        figures,
        km,
        behind,
        by_trail: vec![("Ledge Walk".to_owned(), 8.4)],
        dispersion: 1.3,
        notices: vec![notice::sample_standing()],
    };
    let nothing = KmShown { walked: 2.0, assumed: 0.0, unexposed: 2.0, contradicting: 0.0, at_places: 0.0 };
    let row = |trail: &str, figures, km| BesideRow {
        trail: trail.to_owned(),
        trailhead: "Basin Gate".to_owned(),
        figures,
        km,
        behind,
    };
    let share = |shown: u64| ShareShown {
        shown,
        watched: 180,
        prior: (0.5, 9.5),
        prior_part: 0.5 / (0.5 + shown as f64),
    };
    let all = |reports: f64, chance: f64| BoundShown {
        at_least_one: Estimate { value: chance, lower: chance - 0.04, upper: chance },
        ..bound(reports)
    };
    let area = AreaShown {
        period_words: "May, early".to_owned(),
        is_year: false,
        n_parties: 40,
        is_usual: true,
        trail_km: KmShown { walked: 62.0, assumed: 12.0, unexposed: 3.4, contradicting: 0.8, at_places: 0.3 },
        n_months_unknown: 0,
        is_reopened: true,
        behind,
        numbers: Ok(Box::new(AreaNumbers {
            party_km: around(5.2),
            parties: around(1250.0),
            of_parties: (bound(0.0081), bound(0.0159)),
            of_all: (all(10.2, 0.94), all(19.9, 1.0)),
            walked_km: 6500.0,
            assumed_km: 900.0,
        })),
    };
    let full = RoutePage {
        drawing: MapDrawing::default(),
        picking: Picking::End,
        form: RouteForm {
            from: StopField { text: "Basin Gate".to_owned(), picked: String::new() },
            to: StopField { text: "9".to_owned(), picked: "Ledge Walk, km 3.20".to_owned() },
            is_return: true,
            ..RouteForm::default()
        },
        stops: vec![
            ("Basin Gate".to_owned(), "trailhead"),
            ("end of Ledge Walk".to_owned(), "end of a trail"),
        ],
        trails: vec!["Ledge Walk".to_owned()],
        errors: Vec::new(),
        answer: Some(Ok(shown.clone())),
        beside: vec![row("Ledge Walk", figures, km), row("Swale Path", FiguresShown::NotEstimable, nothing)],
        beside_out_km: 4.2,
        area: Ok(area.clone()),
        contacts: Some(ContactsShown {
            per_100_000_km: Some((around(9.0), around(0.4), 2.0)),
            underfoot: share(4),
            bite: share(0),
        }),
        reporting: "Where survey teams would meet 100 snakes, parties out walking the same kilometres report about 12 \
                    (95 % interval 9.1 to 16)."
            .to_owned(),
        emergency_number: "112".to_owned(),
        cautions: cautions::shipped(),
        keep_distance: "3 m".to_owned(),
    };
    let one_way = RoutePage {
        answer: Some(Ok(RouteShown {
            is_doubled: false,
            n_parties: 1,
            figures: FiguresShown::Estimated { lower: bound(0.0255), upper: bound(0.0255) },
            km: KmShown { assumed: 0.0, unexposed: 0.0, ..km },
            ..shown.clone()
        })),
        contacts: None,
        ..full.clone()
    };
    let unknown = RoutePage {
        answer: Some(Ok(RouteShown { figures: FiguresShown::NotEstimable, km: nothing, ..shown.clone() })),
        beside: Vec::new(),
        area: Err("Nobody walks here in that month and part of the day.".to_owned()),
        ..full.clone()
    };
    let wrong = RoutePage {
        answer: Some(Err("Mend what is marked above.".to_owned())),
        errors: vec![("km".to_owned(), "give kilometres from 0.1 to 100".to_owned())],
        picking: Picking::Along,
        form: RouteForm { km: "far".to_owned(), ..RouteForm::default() },
        contacts: Some(ContactsShown { per_100_000_km: None, underfoot: share(0), bite: share(0) }),
        ..full.clone()
    };
    let known = PeriodKnown { count: 0, walked_km: 7.4, n_timed: 900, n_records: 950, all_km: 410_000.0 };
    let too_little = RoutePage {
        answer: Some(Ok(RouteShown {
            period_words: "January, night".to_owned(),
            too_little: Some(
                "Too little walking is known in this month and part of the day to say: 0 reports on about 7.4 km; over all \
                 trails together at most 428 reports per 1,000 km (exact upper 95 % limit)."
                    .to_owned(),
            ),
            figures: FiguresShown::TooLittleKnown(known),
            ..shown.clone()
        })),
        beside: vec![row("Ledge Walk", FiguresShown::TooLittleKnown(known), km)],
        area: Ok(AreaShown {
            is_year: true,
            is_usual: false,
            n_months_unknown: 3,
            is_reopened: false,
            numbers: Err("Too little walking is known in this month and part of the day to say.".to_owned()),
            ..area
        }),
        contacts: None,
        ..full.clone()
    };
    vec![full, one_way, unknown, wrong, too_little]
}
