//! Season and hours: when encounters happen, given when people walk.

use maud::Markup;
use maud::html;

use crate::domain::time::MONTHS;
use crate::web::views::charts;
use crate::web::views::charts::Curve;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::charts::thousands;

/// The page.
#[derive(Debug, Clone)]
pub struct SeasonPage {
    /// Which trails were closed for a time, and what that means here; empty where none was.
    pub closed: String,
    /// The answer, or why there is none.
    pub answer: Result<Season, String>,
}

/// What the fit says.
#[derive(Debug, Clone)]
pub struct Season {
    /// Rate relative to the mean over all walking, by month; none where nobody walked.
    pub months: Vec<Option<Estimate>>,
    /// The same by hour of the day.
    pub hours: Vec<Option<Estimate>>,
    /// Encounters by month, and the share of walking.
    pub month_rows: Vec<MonthRow>,
    /// The season windows, in words with limits.
    pub windows: Vec<String>,
    /// The share of expected encounters that the windows hold.
    pub window_share: f64,
    /// The season by weeks, and its windows in words.
    pub weeks: Option<(Vec<Option<Estimate>>, Vec<String>)>,
    /// Whether habitats, and elevation bands, have seasons of their own.
    pub levels: Vec<LevelsShown>,
    /// What the highest temperature of a day adds, the answer first.
    pub temperature: Vec<String>,
    /// The hours described as directions, a line each.
    pub directions: Vec<String>,
    /// The hours as smooth curves, every half hour: of the rate, and of the reports, with how many reports each rests on; none without reports at a known hour.
    pub hour_curves: Option<[(u64, Vec<Option<Estimate>>); 2]>,
    /// Sunrise and sunset by month, as clock times; none where the sun does not cross the horizon.
    pub sun: Vec<Option<(String, String)>>,
    /// Heaped times of day, in words.
    pub heaping: String,
    /// Tests, in words: name, statistic, p.
    pub tests: Vec<(String, String, String)>,
    /// Harmonics chosen, dispersion, cells: a line each.
    pub fit_lines: Vec<String>,
    /// How many encounters the fit rests on, in words.
    pub records_words: String,
}

/// Seasons by habitat or by elevation band.
#[derive(Debug, Clone)]
pub struct LevelsShown {
    /// By what, as a heading.
    pub heading: &'static str,
    /// The test and its verdict, or why there is none, in words.
    pub answer: String,
    /// The habitats or bands that have a curve of their own: name, and relative rate by month.
    pub curves: Vec<(String, Vec<Option<Estimate>>)>,
}

/// One month of the table.
#[derive(Debug, Clone)]
pub struct MonthRow {
    /// Encounters with a known month.
    pub count: u64,
    /// The share of all walking.
    pub walking: f64,
    /// The rate relative to the mean.
    pub rate: Option<Estimate>,
}

/// The page's body.
pub fn body(page: &SeasonPage) -> Markup {
    let season = match &page.answer {
        Ok(season) => season,
        Err(reason) => return html! { h1 { "Season" } p.card { (reason) } },
    };
    html! {
        h1 { "Season and hours" }
        @if !page.closed.is_empty() { p.notice { (page.closed) " The curves are those of what is open." } }
        p.soft { "Reports for each kilometre walked, relative to the mean over all walking; the band is the 95 % interval. When people walk is divided out." }
        div.grid {
            section.card { h2 { "By month" } (month_curve(season)) }
            section.card {
                h2 { "By hour" } (hour_curve(season))
                @if let (Some(Some(winter)), Some(Some(summer))) = (season.sun.first(), season.sun.get(6)) {
                    p.small.soft { "Local clock. The sun is up from " (winter.0) " to " (winter.1) " in mid-January and from " (summer.0) " to " (summer.1) " in mid-July." }
                }
            }
        }
        section.card {
            h2 { "Season" }
            p { "The shortest time that holds " (percent(season.window_share)) " of expected encounters:" }
            ul { @for window in &season.windows { li { (window) } } }
            @if let Some((weeks, windows)) = &season.weeks {
                h3 { "By week" }
                (week_curve(weeks))
                ul { @for window in windows { li { (window) } } }
                p.small.soft { "Reports whose day or hour is not known are shared out by the fitted curve; the walking of a month is spread evenly over its days." }
            }
        }
        (month_table(season))
        (levels(season))
        (temperature(season))
        section.card {
            h2 { "How it was computed" }
            p { (season.records_words) }
            table.stack {
                thead { tr { th scope="col" { "Question" } th.num scope="col" { "Likelihood ratio" } th.num scope="col" { "p" } } }
                tbody { @for (question, statistic, p) in &season.tests { tr {
                    th scope="row" { (question) } td.num data-label="Likelihood ratio" { (statistic) } td.num data-label="p" { (p) }
                } } }
            }
            ul { @for line in &season.fit_lines { li { (line) } } }
            p { (season.heaping) }
            @if !season.directions.is_empty() {
                h3 { "Hours as directions on the clock (descriptive)" }
                ul { @for line in &season.directions { li { (line) } } }
            }
            @if let Some([(n_rate, rate), (n_reports, reports)]) = &season.hour_curves {
                h3 { "Hours as smooth curves (descriptive)" }
                div.grid {
                    figure { (smooth_hours(rate)) figcaption.small.soft { "Each report weighted by one over the walking at its hour: how the rate runs over the day. " (thousands(*n_rate as i64)) " reports." } }
                    figure { (smooth_hours(reports)) figcaption.small.soft { "All reports alike: when people walk and report. No statement about snakes. " (thousands(*n_reports as i64)) " reports." } }
                }
                p.small.soft { "Von Mises kernel, no narrower than half an hour; bands hold each point in 95 of 100 samples like this one. Reports whose hour is unknown are in neither. Where the line is missing so few walk that whether somebody met a snake says next to nothing: these hours are left out." }
            }
        }
    }
}

/// Hours as a smooth curve, a point every half hour.
pub fn smooth_hours(points: &[Option<Estimate>]) -> Markup {
    charts::curve(&Curve {
        description: "Hours as a smooth curve with 95 % interval",
        labels: (0..points.len())
            .map(|point| if point % 6 == 0 { (point / 2).to_string() } else { String::new() })
            .collect(),
        values: points.to_vec(),
        unit: "times even over the hours shown",
        across: "local hour",
    })
}

/// The season by weeks.
pub fn week_curve(weeks: &[Option<Estimate>]) -> Markup {
    charts::curve(&Curve {
        description: "Relative rate by week with 95 % interval",
        labels: (1..=weeks.len())
            .map(|week| if week % 4 == 1 { week.to_string() } else { String::new() })
            .collect(),
        values: weeks.to_vec(),
        unit: "times the mean rate",
        across: "week of the year",
    })
}

fn temperature(season: &Season) -> Markup {
    html! {
        @if let [answer, rest @ ..] = season.temperature.as_slice() {
            section.card {
                h2 { "Warm days" }
                p { (answer) }
                @if !rest.is_empty() { ul.small { @for line in rest { li { (line) } } } }
            }
        }
    }
}

fn levels(season: &Season) -> Markup {
    html! {
        @for LevelsShown { heading, answer, curves } in &season.levels {
            section.card {
                h2 { (heading) }
                p { (answer) }
                div.grid { @for (name, values) in curves { div {
                    h3 { (name) }
                    (charts::curve(&Curve {
                        description: "Relative rate by month with 95 % interval on these trails",
                        labels: MONTHS.iter().map(|name| name[..1].to_owned()).collect(),
                        values: values.clone(),
                        unit: "times their own mean",
                        across: "month",
                    }))
                } } }
            }
        }
    }
}

fn month_curve(season: &Season) -> Markup {
    charts::curve(&Curve {
        description: "Relative rate by month with 95 % interval; the table below has the numbers",
        labels: MONTHS.iter().map(|name| name[..3].to_owned()).collect(),
        values: season.months.clone(),
        unit: "times the mean rate",
        across: "month",
    })
}

fn hour_curve(season: &Season) -> Markup {
    charts::curve(&Curve {
        description: "Relative rate by hour of the day with 95 % interval",
        labels: (0..24).map(|hour| if hour % 3 == 0 { hour.to_string() } else { String::new() }).collect(),
        values: season.hours.clone(),
        unit: "times the mean rate",
        across: "hour of the day",
    })
}

fn month_table(season: &Season) -> Markup {
    html! {
        section.card {
            h2 { "By month, as a table" }
            table.stack {
                thead { tr { th scope="col" { "Month" } th.num scope="col" { "Reports" } th.num scope="col" { "Share of walking" } th.num scope="col" { "Relative rate" } th.num scope="col" { "95 % interval" } th.num scope="col" { "Sun, mid-month" } } }
                tbody { @for (idx, (name, row)) in MONTHS.iter().zip(&season.month_rows).enumerate() { tr {
                    th scope="row" { (name) }
                    td.num data-label="Reports" { (row.count) }
                    td.num data-label="Share of walking" { (percent(row.walking)) }
                    @match row.rate {
                        Some(rate) => {
                            td.num data-label="Relative rate" { (charts::times(rate.value)) }
                            td.num data-label="95 % interval" { (charts::times(rate.lower)) "–" (charts::times(rate.upper)) }
                        }
                        None => { td.num data-label="Relative rate" colspan="2" { "no exposure" } }
                    }
                    td.num data-label="Sun, mid-month" { @if let Some(Some((rise, set))) = season.sun.get(idx) { (rise) "–" (set) } }
                } } }
            }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<SeasonPage> {
    let rate = |value: f64| Some(Estimate { value, lower: value * 0.7, upper: value * 1.4 });
    let month = |idx: usize| if (2..10).contains(&idx) { rate(1.0 + idx as f64 / 10.0) } else { None };
    let season = Season {
        months: (0..12).map(month).collect(),
        hours: (0..24).map(|hour| rate(0.5 + f64::from(hour) / 20.0)).collect(),
        month_rows: (0..12)
            .map(|idx| MonthRow { count: idx as u64, walking: 0.08, rate: month(idx) })
            .collect(),
        windows: vec!["weeks 15 to 39 (first week 13 to 16, last week 38 to 41)".to_owned()],
        window_share: 0.9,
        weeks: Some((
            (0..52).map(|week| rate(0.4 + f64::from(week % 26) / 20.0)).collect(),
            vec!["week 15 to week 39".to_owned()],
        )),
        levels: vec![
            LevelsShown {
                heading: "By habitat",
                answer: "Seasons differ between habitats (p 0.004).".to_owned(),
                curves: vec![("ledge".to_owned(), (0..12).map(month).collect())],
            },
            LevelsShown {
                heading: "By elevation band",
                answer: "No trail has elevations.".to_owned(),
                curves: Vec::new(),
            },
        ],
        temperature: vec![
            "On a day 10 °C warmer, 1.60 times as many encounters are to be expected.".to_owned(),
            "Criterion 812.0 with the temperature and 820.4 without.".to_owned(),
        ],
        directions: vec!["mean hour 9.4, weighted by one over the walking".to_owned()],
        hour_curves: Some([0, 6].map(|shift| {
            (640, (0..48).map(|point| rate(0.2 + f64::from((point + shift) % 24) / 12.0)).collect())
        })),
        sun: vec![Some(("07:05".to_owned(), "17:20".to_owned())); 12],
        heaping: "12 reports at 12:00".to_owned(),
        tests: vec![(
            "Does the hour matter?".to_owned(),
            "31.2 on 4 degrees of freedom".to_owned(),
            "< 0.001".to_owned(),
        )],
        fit_lines: vec!["two harmonics of the year, two of the day".to_owned()],
        records_words: "812 reports with a time, 188 with a date only".to_owned(),
    };
    vec![
        SeasonPage { closed: String::new(), answer: Ok(season) },
        SeasonPage { closed: String::new(), answer: Err("too few encounters for a curve".to_owned()) },
    ]
}
