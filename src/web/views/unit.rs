//! A stretch or a segment: why this figure.

use maud::Markup;
use maud::html;

use crate::web::views::charts::Estimate;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::percent;
use crate::web::views::charts::probability as probability_words;
use crate::web::views::charts::thousands;
use crate::web::views::decisions;
use crate::web::views::decisions::Ask;
use crate::web::views::decisions::DecisionRow;
use crate::web::views::figure;
use crate::web::views::figure::Figure;
use crate::web::views::notice;
use crate::web::views::notice::StandingNotice;
use crate::web::views::svg_map;
use crate::web::views::svg_map::MapDrawing;

/// The page of one stretch or segment.
#[derive(Debug, Clone)]
pub struct UnitPage {
    /// "Ledge Walk, km 0.40 to 0.73".
    pub name: String,
    /// "stretch" or "segment".
    pub kind: &'static str,
    /// Length, metres.
    pub length_m: f64,
    /// The map with this unit picked.
    pub drawing: MapDrawing,
    /// The figure.
    pub figure: Figure,
    /// What share of the snakes met is reported, in words.
    pub reporting: String,
    /// The rate as counted with its exact limits (Garwood), where anybody walked.
    pub raw: Option<Estimate>,
    /// How the estimate was drawn towards its stratum: stratum name, weight of the stratum's mean, the stratum's mean.
    pub prior: Option<(String, f64, Estimate)>,
    /// What the stratum's records say about differences, in words.
    pub spread_words: String,
    /// The probability that the rate exceeds the multiple of the reference rate, or none where walking is assumed.
    pub exceedance: Option<f64>,
    /// The multiple.
    pub multiple: f64,
    /// Encounters here by effort kind: reports, survey, located, chance.
    pub counts: [f64; 4],
    /// Reports that may lie on a neighbouring segment instead.
    pub n_ambiguous: usize,
    /// The survey answer beside it: encounters on planned walks, with their survey-km and the rate per 1,000 km with exact
    /// limits; encounters of any survey where no planned walk passed; none where no survey met anything either.
    pub survey: Option<(u64, Option<(f64, Estimate)>)>,
    /// The segments of a stretch: name, address, figure.
    pub segments: Vec<(String, String, Figure)>,
    /// The records: when, species, uncertainty, address.
    pub records: Vec<RecordRow>,
    /// What the exposure rests on, a line each.
    pub exposure_lines: Vec<String>,
    /// The stretch that a segment belongs to.
    pub parent: Option<(String, String)>,
    /// Temporary notices that stand today about its trail.
    pub notices: Vec<StandingNotice>,
    /// What was decided about a stretch, and the form.
    pub decisions: Option<(Ask, Vec<DecisionRow>)>,
}

/// One record of the list.
#[derive(Debug, Clone)]
pub struct RecordRow {
    /// Where it is shown whole.
    pub href: String,
    /// The date as far as known.
    pub when: String,
    /// The species.
    pub species: String,
    /// The effort kind.
    pub effort: String,
    /// How probable it is that it happened here.
    pub weight: f64,
}

/// The page's body.
pub fn body(page: &UnitPage) -> Markup {
    html! {
        div.page-head {
            div {
                h1 { (page.name) }
                p.soft {
                    "One " (page.kind) " of " (thousands(page.length_m.round() as i64)) " m"
                    @if let Some((name, href)) = &page.parent { " · part of " a href=(href) { (name) } }
                }
            }
            a.button href="/" { "Map" }
        }
        (notice::standing(&page.notices))
        div.grid {
            section.card {
                h2 { "The figure" }
                (figure::figure(&page.figure))
                (figure::of_reports(&page.reporting))
                (above_reference(page))
            }
            section.card { div.map-box { (svg_map::draw(&page.drawing)) } }
        }
        (why(page))
        @if let Some((ask, decided)) = &page.decisions { (decisions::card(ask, decided)) }
        @if !page.segments.is_empty() { (segments(page)) }
        (records(page))
    }
}

fn above_reference(page: &UnitPage) -> Markup {
    html! {
        @match page.exceedance {
            Some(probability) => p {
                "Probability that the rate is above " (page.multiple) " times that of all trails whose walking is known: "
                strong { (probability_words(probability)) } "."
            },
            None => p.soft { "Not compared with other stretches: how many people walk here is assumed, not counted." },
        }
    }
}

fn why(page: &UnitPage) -> Markup {
    html! {
        section.card {
            h2 { "Why this figure" }
            dl.facts {
                dt { "Counted" }
                dd {
                    (figure::format_count(page.counts[0])) " reported encounters"
                    @match page.n_ambiguous {
                        0 => {},
                        1 => "; 1 record counts here in part: it may lie on a neighbouring segment, and is tied to one of them in each of the draws",
                        n => { "; " (n) " records count here in part: they may lie on a neighbouring segment, and each is tied to one of them in each of the draws" },
                    }
                }
                dt { "Walked" }
                dd {
                    (thousands(page.figure.walked_km.round() as i64)) " km by parties, 95 % interval "
                    (thousands(page.figure.walked_limits_km.0.round() as i64)) " to " (thousands(page.figure.walked_limits_km.1.round() as i64))
                    "; " (page.figure.provenance)
                }
                @if let Some(raw) = page.raw {
                    dt { "As counted" }
                    dd { (format_rate(raw.value)) " per 1,000 km, exact 95 % limits " (format_rate(raw.lower)) " to " (format_rate(raw.upper)) " (walking taken as known)" }
                }
                @if let Some((stratum, weight, mean)) = &page.prior {
                    dt { "Drawn towards" }
                    dd {
                        "the mean of " (stratum) ", " (format_rate(mean.value)) " (" (format_rate(mean.lower)) " to " (format_rate(mean.upper)) "), with "
                        (percent(*weight)) " of the weight"
                    }
                    dt { "Differences there" } dd { (page.spread_words) }
                }
                dt { "On surveys" }
                dd {
                    @match &page.survey {
                        None => "no survey walk passed here",
                        Some((n, None)) => { (n) " encounters, but no planned survey walk passed here, so no survey rate is given" }
                        Some((n, Some((km, rate)))) => {
                            (n) " encounters in " (format!("{km:.1}")) " km of planned survey walks: " (format_rate(rate.value)) " per 1,000 km ("
                            (format_rate(rate.lower)) " to " (format_rate(rate.upper)) "). Survey observers notice more than walkers do; the two are never mixed. " a href="/survey" { "Surveys beside reports" }
                        }
                    }
                }
                dt { "Not in any rate" }
                dd { (figure::format_count(page.counts[2])) " located and " (figure::format_count(page.counts[3])) " chance encounters" }
            }
            @if !page.exposure_lines.is_empty() {
                details {
                    summary { "Where the walking comes from" }
                    ul { @for line in &page.exposure_lines { li { (line) } } }
                }
            }
        }
    }
}

fn segments(page: &UnitPage) -> Markup {
    html! {
        section.card {
            h2 { "Its segments" }
            p.small.soft { "Single segments say little by themselves: look at the intervals." }
            table.stack {
                thead { tr { th scope="col" { "Segment" } th.num scope="col" { "Rate" } th.num scope="col" { "95 % interval" } th.num scope="col" { "Encounters" } th.num scope="col" { "km walked" } } }
                tbody {
                    @for (name, href, figure) in &page.segments {
                        tr {
                            th scope="row" { a href=(href) { (name) } }
                            @match figure.rate {
                                Ok(rate) => {
                                    td.num data-label="Rate" { (format_rate(rate.value)) }
                                    td.num data-label="95 % interval" { (format_rate(rate.lower)) "–" (format_rate(rate.upper)) }
                                }
                                Err(reason) => { td.num colspan="2" data-label="Rate" { (reason.words()) } }
                            }
                            td.num data-label="Encounters" { (figure::format_count(figure.count)) }
                            td.num data-label="km walked" { (thousands(figure.walked_km.round() as i64)) }
                        }
                    }
                }
            }
        }
    }
}

fn records(page: &UnitPage) -> Markup {
    html! {
        section.card {
            h2 { "Records" }
            @if page.records.is_empty() { p { "No records." } } @else {
                table.stack {
                    thead { tr { th scope="col" { "When" } th scope="col" { "Species" } th scope="col" { "Effort" } th.num scope="col" { "Probability that it was here" } } }
                    tbody {
                        @for record in &page.records {
                            tr {
                                th scope="row" { a href=(record.href) { (record.when) } }
                                td data-label="Species" { (record.species) }
                                td data-label="Effort" { (record.effort) }
                                td.num data-label="Probability that it was here" { (percent(record.weight)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<UnitPage> {
    let page = UnitPage {
        name: "Ledge Walk, km 0.40 to 0.73".to_owned(),
        kind: "stretch",
        length_m: 393.0,
        drawing: MapDrawing::default(),
        figure: figure::sample(),
        reporting: "What share is reported is not known: no survey walk lies on the trails.".to_owned(),
        raw: Some(Estimate { value: 5.8, lower: 3.9, upper: 8.4 }),
        prior: Some(("Ledge Walk".to_owned(), 0.12, Estimate { value: 3.1, lower: 2.2, upper: 4.4 })),
        spread_words: "stretches differ more than chance alone would have it".to_owned(),
        exceedance: Some(0.97),
        multiple: 1.5,
        counts: [29.0, 4.0, 2.0, 1.0],
        n_ambiguous: 3,
        survey: Some((4, Some((11.3, Estimate { value: 354.0, lower: 96.0, upper: 906.0 })))),
        segments: vec![("Segment 12".to_owned(), "/segment/1".to_owned(), figure::sample())],
        records: vec![RecordRow {
            href: "/encounters/1".to_owned(),
            when: "2024-05-04 09:10".to_owned(),
            species: "Crotalus viridis".to_owned(),
            effort: "report".to_owned(),
            weight: 0.83,
        }],
        exposure_lines: vec!["Basin Gate: counted".to_owned()],
        parent: None,
        notices: vec![notice::sample_standing()],
        decisions: Some((decisions::sample_ask(), vec![decisions::sample_row()])),
    };
    let assumed = UnitPage {
        exceedance: None,
        survey: None,
        prior: None,
        raw: None,
        segments: Vec::new(),
        decisions: None,
        ..page.clone()
    };
    vec![page, assumed]
}
