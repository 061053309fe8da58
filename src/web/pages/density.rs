//! Density of encounters.

use axum::response::IntoResponse;

use crate::analysis::density::relative::RelativeLixel;
use crate::analysis::density::relative::Tolerance;
use crate::derived::DeriveError;
use crate::derived::density::BandwidthChoice;
use crate::derived::density::DensityLayer;
use crate::derived::density::DensityParams;
use crate::derived::density::JunctionRule;
use crate::derived::density::Kernel;
use crate::derived::density::LEVELS;
use crate::derived::density::Origin;
use crate::derived::density::RelativeLayer;
use crate::derived::density::Width;
use crate::derived::density::course;
use crate::derived::density::params::BANDWIDTH_RANGE_M;
use crate::derived::density::relative;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::settings::Settings;
use crate::domain::encounter::EffortKind;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::format_rate;
use crate::web::views::charts::thousands;
use crate::web::views::charts::times;
use crate::web::views::density::Answer;
use crate::web::views::density::Choices;
use crate::web::views::density::DensityPage;
use crate::web::views::density::OutsideRow;
use crate::web::views::density::Shown;
use crate::web::views::density::Side;
use crate::web::views::density::TrailRow;
use crate::web::views::figure::Behind;
use crate::web::views::layout::Section;
use crate::web::views::line_chart::Across;
use crate::web::views::line_chart::Line;
use crate::web::views::line_chart::LineChart;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::MapShape;
use crate::web::views::svg_map::Stroke;

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["show", "effort", "kernel", "rule", "bandwidth"])?;
    let shown = shown(&query, Shown::Relative)?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let params = params(&query, &facts.settings)?;
    let (network, density) = (deriver.network(&facts).await?, deriver.density(&facts, params).await?);
    let map = Map { facts: &facts, network: &network, density: &density, params: &params };
    let answer = match shown {
        Shown::Trails => Ok(map.trails()),
        Shown::Plane => Ok(map.plane()),
        Shown::Relative => match deriver.relative_density(&facts, params).await {
            Ok(relative) => Ok(map.relative(&relative)),
            Err(DeriveError::Unanswerable(reason)) => Err(reason),
            Err(error) => return Err(error.into()),
        },
    };
    let choices = Choices {
        effort: params.effort,
        kernel: params.kernel,
        rule: params.rule,
        bandwidth: query.get("bandwidth").unwrap_or_default().to_owned(),
    };
    let layer = format!("/layers/density.geojson?{}", query.with("show", Some(shown.term())));
    let page = DensityPage { shown, choices, answer, layer };
    let records = format!(
        "{} {} encounters with a position good to a segment",
        thousands(density.n_records as i64),
        params.effort
    );
    let frame = common::frame(&facts, Section::Analysis, "Density of encounters", records);
    let policy = CachePolicy::of_revision(facts.revision, format!("density {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::density::body(&page))))
}

/// What is to be shown.
pub(in crate::web) fn shown(query: &Query, otherwise: Shown) -> Result<Shown, Error> {
    let Some(word) = query.get("show") else { return Ok(otherwise) };
    let found = Shown::ALL.into_iter().find(|shown| shown.term() == word);
    found.ok_or_else(|| {
        Error::bad_request("show", format!("\"{word}\" is none of trails, plane and relative."))
    })
}

/// Effort kind, kernel, rule and bandwidth; what is not asked for is as the area has set it.
pub(in crate::web) fn params(query: &Query, settings: &Settings) -> Result<DensityParams, Error> {
    let effort = match query.get("effort") {
        None => EffortKind::Report,
        Some(word) => word.parse().map_err(|error| Error::bad_request("effort", format!("{error}.")))?,
    };
    let set = DensityParams::set(settings, effort);
    let kernel = match query.get("kernel") {
        None => set.kernel,
        Some(word) => Kernel::ALL.into_iter().find(|kernel| kernel.term() == word).ok_or_else(|| {
            Error::bad_request("kernel", format!("\"{word}\" is neither quartic nor gaussian."))
        })?,
    };
    let rule = match query.get("rule") {
        None => set.rule,
        Some(word) => JunctionRule::ALL.into_iter().find(|rule| rule.term() == word).ok_or_else(|| {
            Error::bad_request("rule", format!("\"{word}\" is neither continuous nor discontinuous."))
        })?,
    };
    Ok(DensityParams { effort, kernel, rule, bandwidth: bandwidth(query)? })
}

fn bandwidth(query: &Query) -> Result<BandwidthChoice, Error> {
    let (least, greatest) = BANDWIDTH_RANGE_M;
    match query.get("bandwidth") {
        None => Ok(BandwidthChoice::Setting),
        Some("likelihood") => Ok(BandwidthChoice::Likelihood),
        Some(word) => match word.parse::<u32>() {
            Ok(metres) if (least..=greatest).contains(&metres) => Ok(BandwidthChoice::Metres(metres)),
            _ => {
                let words = format!(
                    "\"{word}\" is neither \"likelihood\" nor whole metres from {least} to {greatest}."
                );
                Err(Error::bad_request("bandwidth", words))
            }
        },
    }
}

/// What the three maps are drawn from.
pub(in crate::web) struct Map<'a> {
    pub(in crate::web) facts: &'a Facts,
    pub(in crate::web) network: &'a NetworkLayer,
    pub(in crate::web) density: &'a DensityLayer,
    pub(in crate::web) params: &'a DensityParams,
}

/// Where the classes of the relative density part, times the rate of all segments whose walking is known.
const RELATIVE_BOUNDS: [f64; 4] = [0.5, 1.0, 2.0, 4.0];

impl Map<'_> {
    fn trails(&self) -> Answer {
        let per_km = &self.density.per_km;
        let peak = per_km.iter().copied().fold(0.0, f64::max);
        let (drawing, classes) = self.trails_drawing(per_km, |_| false);
        let sentence = match self.trail_rows().first() {
            Some(first) if peak > 0.0 => format!(
                "The records lie closest together on {}: up to {} a kilometre of trail. More people walking there may be \
                 the whole reason.",
                first.name,
                format_rate(first.highest_per_km)
            ),
            _ => "No encounters of this kind lie on the trails.".to_owned(),
        };
        let caption = "Encounters recorded a km of trail".to_owned();
        self.answer(sentence, drawing, classes, caption)
    }

    /// The map of values by lixel along the trails, and the words of its classes.
    pub(in crate::web) fn trails_drawing(
        &self,
        per_km: &[f64],
        is_withheld: impl Fn(usize) -> bool,
    ) -> (MapDrawing, [String; 5]) {
        let told = per_km.iter().enumerate().filter(|(lixel, _)| !is_withheld(*lixel));
        let bounds = doubling_bounds(told.map(|(_, value)| *value).fold(0.0, f64::max));
        let class = |lixel: usize| (!is_withheld(lixel)).then(|| class_of(per_km[lixel], bounds));
        let lines = course::runs_by(self.network, &self.density.lixels, class).into_iter().map(|run| {
            let trail = self.trail_of_run(run.trail_run);
            let highest = run.lixels.iter().map(|lixel| per_km[*lixel]).fold(0.0, f64::max);
            match class(run.lixels[0]) {
                None => map_line(run.line, Stroke::Withheld, format!("{trail}: withheld")),
                Some(class) => {
                    let title = format!("{trail}: up to {} a km", format_rate(highest));
                    map_line(run.line, Stroke::Narrow(class), title)
                }
            }
        });
        (self.drawing("Density of records along the trails", lines.collect()), class_words(bounds))
    }

    fn plane(&self) -> Answer {
        let contours = &self.density.contours;
        let ring = |ring: &geo_types::LineString<f64>| ring.coords().map(|at| [at.x, at.y]).collect();
        let shapes = contours.iter().enumerate().flat_map(|(level, contour)| {
            contour.polygons.iter().map(move |polygon| MapShape {
                rings: std::iter::once(polygon.exterior()).chain(polygon.interiors()).map(ring).collect(),
                class: level.min(4) as u8,
                opacity: 0.8,
            })
        });
        let runs = course::runs_by(self.network, &self.density.lixels, |_| ());
        let lines = runs
            .into_iter()
            .map(|run| map_line(run.line, Stroke::NoWalking, self.trail_of_run(run.trail_run).to_owned()));
        let mut drawing = self.drawing("Density of records on the map", lines.collect());
        drawing.shapes = shapes.collect();
        let peak = contours.first().map_or(0.0, |contour| contour.level_per_m2 * 1e6 / LEVELS[0]);
        let classes = LEVELS.map(|share| format!("from {}", format_rate(share * peak)));
        let sentence = match peak > 0.0 {
            true => format!(
                "The records lie closest together in the darkest areas: up to {} a square kilometre.",
                format_rate(peak)
            ),
            false => "No encounters of this kind have a position.".to_owned(),
        };
        let caption = "Encounters recorded a square kilometre".to_owned();
        let mut answer = self.answer_of(
            (&self.density.plane_width, "in the plane"),
            sentence,
            drawing,
            (classes, caption),
        );
        let (drawn_m, width_m) = (self.density.plane_drawn_m, self.density.plane_width.metres);
        if drawn_m > width_m * 1.001 {
            answer.rules.push(format!(
                "drawn with a bandwidth of {drawn_m:.0} m instead of {width_m:.0} m: the grid of an area as large as this is no finer"
            ));
        }
        answer.rules.push(format!(
            "areas in steps of 10, 20, 40, 60 and 80 % of the highest density; no boundary of the area is stored, so what lies within \
             {:.0} m of the convex hull of the trails is taken for looked at (setting \"Looked at around the trails\"), and values near its \
             edge are divided by the share of the kernel inside; {} encounters outside it are left out",
            self.density.margin_m,
            thousands(self.density.n_outside as i64)
        ));
        answer
    }

    fn relative(&self, layer: &RelativeLayer) -> Answer {
        let reference = layer.relative.reference_rate_per_km;
        let ratio = |lixel: usize| match layer.relative.lixels[lixel] {
            RelativeLixel::Exposed { rate_per_km, .. } if reference > 0.0 => Some(rate_per_km / reference),
            _ => None,
        };
        let side = |lixel: usize| layer.side(lixel);
        let (drawing, classes) = self.relative_drawing(layer, side, ratio, |_| false);
        let (outside, more_km, fewer_km) = self.outside(layer, ratio);
        let judged_km = judged_km(layer, side);
        let sentence = format!(
            "On {more_km:.1} km of {judged_km:.1} km of trail there are more records for the walking than even risk gives, \
             on {fewer_km:.1} km fewer; about {:.1} km would lie outside by chance alone.",
            judged_km * relative::OUTSIDE
        );
        let mut answer = self.answer(
            sentence,
            drawing,
            classes,
            format!(
                "Times the rate of all segments whose walking is known, {} per 1,000 km walked as counted (rates are set against that of whole stretches)",
                format_rate(reference * 1000.0)
            ),
        );
        answer.outside = outside;
        answer.rules.extend([
            format!(
                "{} reports in the days counted over {} km walked by parties, both smoothed with the same kernel and \
                 bandwidth (Kelsall & Diggle 1995)",
                thousands(layer.n_reports.round() as i64),
                thousands(layer.walked_km.round() as i64)
            ),
            format!(
                "tolerance contours from {} maps of even risk, each with the walking of another draw, so that what is not \
                 known of the walking is in them",
                relative::N_MAPS
            ),
            format!(
                "left out above and below: {} reports on segments whose walking is assumed from priors; {} reports on \
                 segments where nobody is said to walk",
                format_rate(layer.n_on_assumed),
                format_rate(layer.relative.contradicted)
            ),
        ]);
        answer
    }

    /// The map of sides and ratios by lixel, and the words of its classes.
    pub(in crate::web) fn relative_drawing(
        &self,
        layer: &RelativeLayer,
        side: impl Fn(usize) -> Tolerance,
        ratio: impl Fn(usize) -> Option<f64>,
        is_withheld: impl Fn(usize) -> bool,
    ) -> (MapDrawing, [String; 5]) {
        let stroke = |lixel: usize| match (side(lixel), ratio(lixel)) {
            _ if is_withheld(lixel) => Stroke::Withheld,
            (Tolerance::High | Tolerance::Low, Some(ratio)) => {
                Stroke::Narrow(class_of(ratio, RELATIVE_BOUNDS))
            }
            (Tolerance::Unexposed, _) | (_, None) => Stroke::NoWalking,
            (Tolerance::Within, Some(_)) => Stroke::TooWide,
        };
        let lines = course::runs_by(self.network, &layer.lixels, stroke).into_iter().map(|run| {
            let mean = mean(run.lixels.iter().filter_map(|lixel| ratio(*lixel)));
            let trail = self.trail_of_run(run.trail_run);
            let title = match mean {
                _ if is_withheld(run.lixels[0]) => format!("{trail}: withheld"),
                None => format!("{trail}: not judged"),
                Some(mean) => format!("{trail}: {} times even risk", times(mean)),
            };
            map_line(run.line, stroke(run.lixels[0]), title)
        });
        let drawing = self.drawing("Records relative to walking, against even risk", lines.collect());
        (drawing, class_words(RELATIVE_BOUNDS))
    }

    /// Runs outside the contours, longest first, and the kilometres on either side.
    fn outside(
        &self,
        layer: &RelativeLayer,
        ratio: impl Fn(usize) -> Option<f64>,
    ) -> (Vec<OutsideRow>, f64, f64) {
        let reference = layer.relative.reference_rate_per_km;
        let (mut rows, mut more_km, mut fewer_km) = (Vec::new(), 0.0, 0.0);
        for run in &layer.outside {
            let length_km = (run.between_m.1 - run.between_m.0) / 1000.0;
            let which = match run.side {
                Tolerance::High => Side::More,
                Tolerance::Low => Side::Fewer,
                Tolerance::Within | Tolerance::Unexposed => continue,
            };
            *(if which == Side::More { &mut more_km } else { &mut fewer_km }) += length_km;
            let ratios = run.lixels.iter().filter_map(|lixel| Some((ratio(*lixel)?, *lixel)));
            let farthest = match which {
                Side::More => ratios.max_by(|a, b| a.0.total_cmp(&b.0)),
                Side::Fewer => ratios.min_by(|a, b| a.0.total_cmp(&b.0)),
            };
            let Some((farthest, at)) = farthest else { continue };
            let even = match layer.relative.lixels[at] {
                RelativeLixel::Exposed { even_per_km, .. } => even_per_km,
                RelativeLixel::Unexposed => None,
            };
            let tails = run.lixels.iter().map(|lixel| match layer.relative.lixels[*lixel] {
                RelativeLixel::Exposed { p_high, p_low, .. } => (2.0 * p_high.min(p_low)).min(1.0),
                RelativeLixel::Unexposed => 1.0,
            });
            rows.push(OutsideRow {
                trail: self.trail_of_run(run.trail_run).to_owned(),
                between_m: run.between_m,
                side: which,
                ratio: farthest,
                even: even.map(|(lower, upper)| (lower / reference, upper / reference)),
                behind: Behind { count: run.count, walked_km: common::estimate(run.walked_km) },
                as_counted: common::estimate(run.ratio),
                p_value: tails.fold(1.0, f64::min),
            });
        }
        let length = |row: &OutsideRow| row.between_m.1 - row.between_m.0;
        rows.sort_by(|a, b| length(b).total_cmp(&length(a)));
        (rows, more_km, fewer_km)
    }

    fn answer(&self, sentence: String, drawing: MapDrawing, classes: [String; 5], caption: String) -> Answer {
        self.answer_of((&self.density.width, "along the trails"), sentence, drawing, (classes, caption))
    }

    fn answer_of(
        &self,
        (width, chosen_where): (&Width, &str),
        sentence: String,
        drawing: MapDrawing,
        (classes, caption): ([String; 5], String),
    ) -> Answer {
        let likelihood = match &width.origin {
            Origin::Likelihood(chosen) => Some(likelihood_chart(&chosen.profile, chosen.bandwidth_m)),
            Origin::Setting | Origin::Given | Origin::NotEstimable => None,
        };
        Answer {
            sentence,
            drawing,
            classes,
            caption,
            rules: self.rules(width, chosen_where),
            likelihood,
            trails: self.trail_rows(),
            outside: Vec::new(),
        }
    }

    fn rules(&self, width: &Width, chosen_where: &str) -> Vec<String> {
        let origin = match &width.origin {
            Origin::Setting => "as set for the area".to_owned(),
            Origin::Given => "as given".to_owned(),
            Origin::Likelihood(chosen) => format!(
                "the most likely of {} by leave-one-out likelihood {chosen_where}, {} of {} snake-days predicted by the others{}",
                chosen.profile.len(),
                thousands(chosen.n_predicted as i64),
                thousands(chosen.n_points as i64),
                match chosen.is_cut_off {
                    false => "",
                    true => "; wider ones were not tried, since the walks of that length are too many",
                }
            ),
            Origin::NotEstimable => {
                "as set for the area: fewer than two encounters are left to choose by".to_owned()
            }
        };
        let floor = width.floor_m.map_or_else(
            || "no position error is known".to_owned(),
            |metres| format!("the median standard error of the positions is {metres:.0} m"),
        );
        vec![
            self.params.words(),
            format!("bandwidth {:.0} m, {origin}; {floor}", width.metres),
            format!(
                "{} encounters on the trails, each with the weights of the segments it may lie on, and {} with a position that \
                 is good to a segment; {} that were generalised or are too uncertain are in neither; lixels of about 25 m",
                thousands(self.density.n_on_trail as i64),
                thousands(self.density.n_records as i64),
                thousands(self.density.n_vague as i64)
            ),
        ]
    }

    /// Trails by their highest density.
    fn trail_rows(&self) -> Vec<TrailRow> {
        let lixels = &self.density.lixels;
        let rows = self.network.network.trails.iter().enumerate().filter_map(|(trail, named)| {
            let (mut length_m, mut encounters, mut highest_per_km) = (0.0, 0.0, 0.0f64);
            let mut count = 0.0;
            let segments = self.network.network.segments.iter().enumerate();
            for (segment, _) in segments.filter(|(_, segment)| segment.trail_idx == trail) {
                count += self.density.on_segment[segment];
                for lixel in lixels.of_edge(segment) {
                    let per_km = self.density.per_km[lixel];
                    length_m += lixels.length_m(segment);
                    encounters += per_km * lixels.length_m(segment) / 1000.0;
                    highest_per_km = highest_per_km.max(per_km);
                }
            }
            let length_km = length_m / 1000.0;
            (length_m > 0.0).then(|| TrailRow {
                name: named.name.clone(),
                length_km,
                count,
                mean_per_km: encounters / length_km,
                highest_per_km,
            })
        });
        let mut rows: Vec<TrailRow> = rows.collect();
        rows.sort_by(|a, b| b.highest_per_km.total_cmp(&a.highest_per_km));
        rows
    }

    fn trail_of_run(&self, run: usize) -> &str {
        &self.network.network.trails[self.network.trail_of_run[run]].name
    }

    fn drawing(&self, description: &str, lines: Vec<MapLine>) -> MapDrawing {
        MapDrawing {
            description: format!("{description}; the tables below have the numbers"),
            lines,
            labels: common::labels(self.network),
            places: common::places(self.facts, self.network),
            ..MapDrawing::default()
        }
    }
}

fn map_line(points: Vec<[f64; 2]>, stroke: Stroke, title: String) -> MapLine {
    MapLine { points, stroke, href: String::new(), title, picked: false }
}

fn judged_km(layer: &RelativeLayer, side: impl Fn(usize) -> Tolerance) -> f64 {
    let judged = (0..layer.lixels.len()).filter(|lixel| side(*lixel) != Tolerance::Unexposed);
    judged.map(|lixel| layer.lixels.length_m(layer.lixels.edge_of(lixel))).sum::<f64>() / 1000.0
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0), |(sum, n), value| (sum + value, n + 1));
    (n > 0).then(|| sum / f64::from(n))
}

/// Four bounds that double, the highest the greatest of 1, 2 or 5 times a power of ten within half the peak.
fn doubling_bounds(peak: f64) -> [f64; 4] {
    let half = if peak > 0.0 { peak / 2.0 } else { 8.0 };
    let power = 10f64.powf(half.log10().floor());
    let highest = [5.0, 2.0, 1.0].into_iter().find(|step| step * power <= half).unwrap_or(1.0) * power;
    [highest / 8.0, highest / 4.0, highest / 2.0, highest]
}

fn class_of(value: f64, bounds: [f64; 4]) -> u8 {
    bounds.iter().filter(|bound| value >= **bound).count() as u8
}

fn class_words(bounds: [f64; 4]) -> [String; 5] {
    // As many places as the lowest bound needs.
    let words = |value: f64| {
        let rounded = (value * 1e6).round() / 1e6;
        rounded.to_string()
    };
    let [a, b, c, d] = bounds.map(words);
    [format!("< {a}"), format!("{a}–{b}"), format!("{b}–{c}"), format!("{c}–{d}"), format!("> {d}")]
}

fn likelihood_chart(profile: &[(f64, f64)], chosen_m: f64) -> LineChart {
    let values = profile.iter().map(|(_, likelihood)| *likelihood);
    let (low, high) = values
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let ticks = (0..=4).map(|step| low + (high - low) * f64::from(step) / 4.0);
    LineChart {
        description: format!("Log likelihood by bandwidth, highest at {chosen_m:.0} m"),
        lines: vec![Line {
            label: String::new(),
            points: profile.iter().map(|(bandwidth_m, likelihood)| [*bandwidth_m, *likelihood]).collect(),
            band: Vec::new(),
        }],
        across: Across::Logarithmic,
        ticks_across: [25.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0]
            .into_iter()
            .filter(|at| profile.first().is_some_and(|(first, _)| at >= first))
            .map(|at| (at, format!("{at:.0}")))
            .collect(),
        ticks_up: ticks.map(|at| (at, format!("{at:.0}"))).collect(),
        unit_up: "log likelihood".to_owned(),
        unit_across: "bandwidth, m".to_owned(),
        mark: Some((chosen_m, format!("{chosen_m:.0} m"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_are_round_and_lie_below_the_peak() {
        assert_eq!(doubling_bounds(41.0), [2.5, 5.0, 10.0, 20.0]);
        assert_eq!(doubling_bounds(0.9), [0.025, 0.05, 0.1, 0.2]);
        assert_eq!(class_words([0.5, 1.0, 2.0, 4.0])[1], "0.5–1");
        assert_eq!([0.4, 0.5, 4.0, 9.0].map(|value| class_of(value, [0.5, 1.0, 2.0, 4.0])), [0, 1, 4, 4]);
    }
}
