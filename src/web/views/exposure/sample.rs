//! Pages made up for tests and previews.

use crate::web::views::charts::Estimate;
use crate::web::views::exposure::ClosureRow;
use crate::web::views::exposure::CounterCard;
use crate::web::views::exposure::Exposure;
use crate::web::views::exposure::ExposurePage;
use crate::web::views::exposure::ParameterRow;
use crate::web::views::exposure::PartySizeRow;
use crate::web::views::exposure::PeriodRow;
use crate::web::views::exposure::SiteRow;
use crate::web::views::exposure::StretchRow;
use crate::web::views::exposure::TrailRow;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::Stroke;

/// A full page, one without counters, and one without an answer.
pub fn samples() -> Vec<ExposurePage> {
    let full = exposure();
    let bare = Exposure {
        counters: Vec::new(),
        sites: Vec::new(),
        stretches: None,
        closures: Vec::new(),
        lost_to_closures: Vec::new(),
        places: Vec::new(),
        inside_places_km: about(0.0),
        contradictions: Err("There are no reports yet.".to_owned()),
        ..full.clone()
    };
    vec![
        ExposurePage { answer: Ok(full) },
        ExposurePage { answer: Ok(bare) },
        ExposurePage { answer: Err("Nothing says how many people walk.".to_owned()) },
    ]
}

fn about(value: f64) -> Estimate {
    Estimate { value, lower: value * 0.8, upper: value * 1.3 }
}

fn exposure() -> Exposure {
    let period = |name: &str, counted: f64, residual: f64| PeriodRow {
        name: name.to_owned(),
        counted,
        expected: about(900.0),
        residual,
    };
    let line = MapLine {
        points: vec![[0.0, 0.0], [400.0, 300.0], [900.0, 200.0]],
        stroke: Stroke::Narrow(4),
        href: "/exposure?trail=0#stretches".to_owned(),
        title: "Ledge Walk, counted".to_owned(),
        picked: false,
    };
    Exposure {
        period: "from 1 May 2023 to 31 October 2023".to_owned(),
        place_log_sd: (0.2, true),
        total_km: about(12_345.0),
        drawing: MapDrawing {
            description: "Trails by where their walking is known from".to_owned(),
            lines: vec![line],
            ..MapDrawing::default()
        },
        kinds: vec![("counted", 2.4, about(8_000.0)), ("assumed", 7.0, about(4_345.0))],
        trails: vec![TrailRow {
            name: "Ledge Walk".to_owned(),
            href: "/exposure?trail=0#stretches".to_owned(),
            length_km: 2.4,
            km: about(8_000.0),
            known_from: "80 % counted, 20 % fitted".to_owned(),
        }],
        stretches: Some((
            "Ledge Walk".to_owned(),
            vec![StretchRow {
                name: "Ledge Walk, km 0.00 to 0.52".to_owned(),
                href: "/stretch/0".to_owned(),
                km: about(5.2),
                known_from: "counted",
            }],
        )),
        counters: vec![CounterCard {
            name: "C-1".to_owned(),
            places: vec!["at Mill car park since 1 May 2023".to_owned()],
            coverage: vec![0.93],
            used: (4_200, 3),
            left_out: vec![(40, "zero bins within an outage")],
            outages: vec!["3 Jun 2023 10:00 to 5 Jun 2023 14:00".to_owned()],
            calibration: (about(1.24), "from its own 4 sessions".to_owned()),
            sessions: vec![(150, 121)],
            clock: vec!["1 Jul 2023 00:00 to 3 Jul 2023 00:00: 60 minutes added".to_owned()],
        }],
        against_prior: vec![
            "The counts say far fewer than the stated prior, outside its central 90 %: walkers from Mill."
                .to_owned(),
        ],
        identified: vec!["Rank 1 of 6: the counts speak of one direction.".to_owned()],
        parameters: vec![ParameterRow {
            name: "walkers from Mill".to_owned(),
            status: "fitted",
            value: about(9_000.0),
            prior: Estimate { value: 6_000.0, lower: 900.0, upper: 40_000.0 },
        }],
        sites: vec![SiteRow {
            name: "C-1, at Mill car park".to_owned(),
            dispersion: 2.3,
            whole: period("all", 1_800.0, 0.1),
            months: vec![period("May 2023", 1_250.0, 3.4), period("Jun 2023", 550.0, -3.3)],
            hours: vec![period("8–12 h", 1_000.0, 0.4)],
            level: period("left out", 1_800.0, 4.1),
            p_values: [Some(0.002), None, Some(0.001)],
            differs: [true, false, true],
        }],
        n_days_apart: 1,
        party_sizes_apart: Vec::new(),
        party_sizes: vec![
            PartySizeRow {
                where_at: "from Mill".to_owned(),
                when: "2023-05-01 to 2023-09-30".to_owned(),
                n_parties: Some(140),
                mean: 2.1,
                standard_error: 0.1,
                is_used: true,
                is_of_a_trail: false,
            },
            PartySizeRow {
                where_at: "from Mill".to_owned(),
                when: "from 2024-05-01".to_owned(),
                n_parties: None,
                mean: 2.6,
                standard_error: 0.3,
                is_used: false,
                is_of_a_trail: false,
            },
            PartySizeRow {
                where_at: "on Ledge Walk".to_owned(),
                when: "always".to_owned(),
                n_parties: Some(60),
                mean: 3.4,
                standard_error: 0.2,
                is_used: true,
                is_of_a_trail: true,
            },
            PartySizeRow {
                where_at: "everywhere else".to_owned(),
                when: "assumed".to_owned(),
                n_parties: None,
                mean: 2.4,
                standard_error: 0.2,
                is_used: true,
                is_of_a_trail: false,
            },
        ],
        lost_to_closures: vec![
            "Slab 2 at Mill car park counted 815 passages, all of them while it was closed.".to_owned(),
        ],
        closures: vec![
            ClosureRow {
                name: "Ledge Walk".to_owned(),
                from: "1 Jun 2023".to_owned(),
                until: "14 Jun 2023".to_owned(),
                reason: "fire".to_owned(),
                did: vec![
                    "Counter C-1: 330 of 336 readings are zero, and none passes for an outage.".to_owned(),
                ],
            },
            ClosureRow {
                name: "the whole area".to_owned(),
                from: "3 Oct 2023 14:00".to_owned(),
                until: "still closed".to_owned(),
                reason: String::new(),
                did: vec!["Walking on Old Road is less by 8.1 % (95 % interval 7.2 % to 9.0 %).".to_owned()],
            },
        ],
        places: vec![("Mill car park".to_owned(), Some(about(3_700.0))), ("Hut".to_owned(), None)],
        inside_places_km: about(412.0),
        contradictions: Ok(vec![("Old Road".to_owned(), 2, 3.0)]),
        assumptions: vec![(
            "mean party size",
            "2.4 ± 0.2".to_owned(),
            "assumption, to be replaced by local figures",
        )],
    }
}
