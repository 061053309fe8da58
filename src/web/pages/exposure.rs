//! How far people walk, where that is known from, and whether the model meets what was counted.

use std::cmp::Ordering;

use axum::response::IntoResponse;

use crate::analysis::exposure::ExposureParams;
use crate::analysis::exposure::ParameterKind;
use crate::analysis::exposure::ParameterStatus;
use crate::analysis::exposure::Provenance;
use crate::analysis::exposure::SiteCheck;
use crate::analysis::rates::UnitRate;
use crate::derived::DeriveError;
use crate::derived::Derived;
use crate::derived::assumptions;
use crate::derived::exposure::ExposureLayer;
use crate::derived::exposure::party_size;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::places::PlaceSummary;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::domain::exposure::PartiesOf;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::percent;
use crate::web::views::exposure::Exposure;
use crate::web::views::exposure::ExposurePage;
use crate::web::views::exposure::ParameterRow;
use crate::web::views::exposure::PartySizeRow;
use crate::web::views::exposure::SiteRow;
use crate::web::views::exposure::StretchRow;
use crate::web::views::exposure::TrailRow;
use crate::web::views::layout::Section;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::Stroke;

mod closures;
mod counters;
mod sites;

pub(super) use self::counters::site_words;

/// In the order in which pages list them.
const KINDS: [Provenance; 4] =
    [Provenance::Counted, Provenance::Fitted, Provenance::Assumed, Provenance::NotWalked];

/// The page.
pub async fn show(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["trail"])?;
    let picked: Option<usize> = query.parse("trail", "the number of a trail")?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let frame = common::frame(&facts, Section::Analysis, "Walking", String::new());
    let answer = match deriver.exposure(&facts).await {
        Ok(exposure) => {
            let network = deriver.network(&facts).await?;
            if let Some(trail) = picked.filter(|trail| *trail >= network.network.trails.len()) {
                return Err(Error::bad_request("trail", format!("There is no trail {trail}.")));
            }
            let rates = match deriver.rates(&facts).await {
                Ok(rates) => Ok(rates),
                Err(DeriveError::Unanswerable(reason)) => Err(reason),
                Err(error) => return Err(error.into()),
            };
            let places = deriver.places(&facts).await?;
            let known = Known { facts: &facts, network: &network, exposure: &exposure, rates };
            Ok(known.page(picked, &places))
        }
        Err(DeriveError::Unanswerable(reason)) => Err(reason),
        Err(error) => return Err(error.into()),
    };
    let markup = views::layout::page(&frame, views::exposure::body(&ExposurePage { answer }));
    let policy = CachePolicy::of_revision(facts.revision, format!("exposure {}", query.words()));
    Ok(Cached(policy, markup))
}

/// The layers that the page speaks of.
struct Known<'a> {
    facts: &'a Facts,
    network: &'a NetworkLayer,
    exposure: &'a ExposureLayer,
    rates: Result<Derived<RateLayer>, String>,
}

impl Known<'_> {
    fn page(&self, picked: Option<usize>, places: &[PlaceSummary]) -> Exposure {
        let n_segments = self.exposure.field.n_segments;
        let by_kind = self.exposure.field.provenance.iter();
        let kind_of: Vec<usize> =
            by_kind.map(|known| KINDS.iter().position(|kind| kind == known).unwrap_or_default()).collect();
        let kinds = KINDS.iter().zip(self.sums(&kind_of, KINDS.len())).enumerate();
        let mut lengths_km = [0.0; KINDS.len()];
        kind_of.iter().enumerate().for_each(|(segment, kind)| lengths_km[*kind] += self.length_km(segment));
        let total = self.sums(&vec![0; n_segments], 1);
        let visits = places.iter().map(|place| {
            let visits = place.visits.map(|(visits, _)| common::estimate(visits));
            (place.name.clone(), visits)
        });
        Exposure {
            period: format!(
                "from {} to {}",
                day(self.exposure.period.first()),
                day(self.exposure.period.last())
            ),
            n_days_apart: self.exposure.n_days_apart,
            place_log_sd: {
                let set = self.exposure.params.place_log_sd;
                (set, set == ExposureParams::default().place_log_sd)
            },
            total_km: total[0],
            drawing: drawing(self.facts, self.network, self.exposure, |trail| {
                format!("/exposure?trail={trail}#stretches")
            }),
            kinds: kinds.map(|(idx, (kind, walked))| (kind_words(*kind), lengths_km[idx], walked)).collect(),
            trails: self.trails(),
            stretches: picked.map(|trail| (self.trail_name(trail), self.stretches(trail))),
            counters: counters::cards(self.facts, self.network, self.exposure),
            against_prior: self.against_prior(),
            identified: self.identified(),
            parameters: self.parameters(),
            sites: sites::rows(self.facts, self.network, self.exposure),
            party_sizes: self.party_sizes(),
            party_sizes_apart: self.facts.party_sizes_apart.clone(),
            closures: closures::rows(self.facts, self.network, self.exposure),
            lost_to_closures: closures::lost(self.facts, self.network, self.exposure),
            places: visits.collect(),
            inside_places_km: common::estimate(self.exposure.inside_places_km),
            contradictions: self.contradictions(),
            assumptions: self.assumptions(),
        }
    }

    fn length_km(&self, segment: usize) -> f64 {
        self.network.network.segments[segment].length_m / 1000.0
    }

    fn trail_name(&self, trail: usize) -> String {
        self.network.network.trails[trail].name.clone()
    }

    /// Party-kilometres of groups of segments: summed within each draw, since segments err together.
    fn sums(&self, group_of: &[usize], n_groups: usize) -> Vec<Estimate> {
        let field = &self.exposure.field;
        let mut draws = vec![Vec::with_capacity(field.n_draws); n_groups];
        for draw in 0..field.n_draws {
            let mut sums = vec![0.0; n_groups];
            group_of.iter().zip(field.draw(draw)).for_each(|(group, km)| sums[*group] += km);
            draws.iter_mut().zip(sums).for_each(|(draws, sum)| draws.push(sum));
        }
        draws.iter_mut().map(|draws| common::estimate(rates::limits_of(draws))).collect()
    }

    fn trails(&self) -> Vec<TrailRow> {
        let segments = &self.network.network.segments;
        let trail_of: Vec<usize> = segments.iter().map(|segment| segment.trail_idx).collect();
        let n_trails = self.network.network.trails.len();
        let mut lengths_km = vec![[0.0; KINDS.len()]; n_trails];
        for (segment, trail) in trail_of.iter().enumerate() {
            let kind = KINDS.iter().position(|kind| *kind == self.exposure.field.provenance[segment]);
            lengths_km[*trail][kind.unwrap_or_default()] += self.length_km(segment);
        }
        let rows = self.sums(&trail_of, n_trails).into_iter().zip(lengths_km).enumerate();
        let mut rows: Vec<TrailRow> = rows
            .map(|(trail, (km, lengths_km))| TrailRow {
                name: self.trail_name(trail),
                href: format!("/exposure?trail={trail}#stretches"),
                length_km: lengths_km.iter().sum(),
                km,
                known_from: shares(&lengths_km),
            })
            .filter(|row| row.length_km > 0.0)
            .collect();
        rows.sort_by(|a, b| b.km.value.total_cmp(&a.km.value).then_with(|| a.name.cmp(&b.name)));
        rows
    }

    fn stretches(&self, trail: usize) -> Vec<StretchRow> {
        let Ok(rates) = &self.rates else { return Vec::new() };
        let set = &rates.stretches;
        let of_trail = (0..set.names.len()).filter(|unit| set.strata[*unit] == trail);
        of_trail
            .map(|unit| {
                let (lower, upper) = set.exposure_limits_km[unit];
                StretchRow {
                    name: set.names[unit].clone(),
                    href: format!("/stretch/{unit}"),
                    km: Estimate { value: set.fit.units[unit].exposure_km, lower, upper },
                    known_from: common::provenance_words(set.provenance[unit]),
                }
            })
            .collect()
    }

    fn identified(&self) -> Vec<String> {
        let known = &self.exposure.field.identifiability;
        let names = |status: ParameterStatus| {
            let of_status = self.exposure.field.parameters.iter().filter(|it| it.status == status);
            of_status.map(|parameter| parameter.name.clone()).collect::<Vec<_>>()
        };
        let (fitted, prior) = (names(ParameterStatus::Fitted), names(ParameterStatus::Prior));
        let mut lines = vec![format!(
            "{} counts at counter sites, {} parameters of walking: the expected counts have rank {}, so the counts speak \
             of {} of {} directions at most.",
            known.n_counts, known.n_parameters, known.rank, known.rank, known.n_parameters
        )];
        lines.push(match known.condition {
            Some(condition) => format!(
                "Fitted: {}. The expected counts tell them apart with a condition number of {condition:.1} (below {:.0} is asked for).",
                fitted.join("; "),
                self.exposure.params.condition_limit
            ),
            None => "Fitted: none.".to_owned(),
        });
        let listed = match prior.len() {
            0..=12 => prior.join("; "),
            n => format!("{n} parameters, listed below"),
        };
        if !prior.is_empty() {
            lines.push(format!("Not identified alone, so that each is its stated prior, updated by the counts: {listed}. What rests on them is assumed."));
        }
        lines
    }

    /// Trailheads from which far fewer, or far more, walkers start than the stated prior has it, a sentence a side.
    fn against_prior(&self) -> Vec<String> {
        let names = |side: Ordering| {
            let volumes = self.exposure.field.parameters.iter();
            let beyond = volumes
                .filter(|it| matches!(it.kind, ParameterKind::Volume { .. }) && it.against_prior() == side);
            beyond.map(|parameter| parameter.name.clone()).collect::<Vec<_>>()
        };
        let sides = [(Ordering::Less, "fewer"), (Ordering::Greater, "more")].into_iter();
        sides
            .map(|(side, word)| (names(side), word))
            .filter(|(names, _)| !names.is_empty())
            .map(|(names, word)| {
                format!(
                    "The counts say far {word} than the stated prior, outside its central 90 %: {}. Check the setting \
                     walkers-per-unit and the relative volumes of trailheads: where no counter corrects it, the walking is drawn \
                     from that prior.",
                    names.join("; ")
                )
            })
            .collect()
    }

    fn parameters(&self) -> Vec<ParameterRow> {
        let row = |parameter: &crate::analysis::exposure::Parameter| {
            let (lower, median, upper) = parameter.prior;
            let summary = &parameter.summary;
            ParameterRow {
                name: parameter.name.clone(),
                status: parameter.status.words(),
                value: Estimate { value: summary.mean, lower: summary.lower, upper: summary.upper },
                prior: Estimate { value: median, lower, upper },
            }
        };
        self.exposure.field.parameters.iter().map(row).collect()
    }

    /// Those that were counted, then what holds everywhere else.
    fn party_sizes(&self) -> Vec<PartySizeRow> {
        let mut rows = Vec::new();
        let mut used = std::collections::HashSet::new();
        for size in &self.facts.party_sizes {
            let Some((where_at, is_walked)) = self.parties_of(size.of) else { continue };
            rows.push(PartySizeRow {
                where_at,
                when: match (size.from_date.as_str(), size.until_date.as_str()) {
                    ("", "") => "always".to_owned(),
                    (from, "") => format!("from {from}"),
                    ("", until) => format!("until {until}"),
                    (from, until) => format!("{from} to {until}"),
                },
                n_parties: size.n_parties,
                mean: size.mean_walkers,
                standard_error: size.standard_error,
                is_used: is_walked
                    && party_size::share(&self.facts.party_sizes, size, &self.exposure.period) > 0.0,
                is_of_a_trail: matches!(size.of, PartiesOf::Trail(_)),
            });
            used.insert(size.of);
        }
        if used.insert(PartiesOf::Area) {
            let shared = &self.exposure.params.party_size;
            rows.push(PartySizeRow {
                where_at: "everywhere else".to_owned(),
                when: "assumed".to_owned(),
                n_parties: None,
                mean: shared.mean,
                standard_error: shared.standard_error,
                is_used: true,
                is_of_a_trail: false,
            });
        }
        rows
    }

    /// Whose parties, in words, and whether the network has the trailhead or trail; none for one that is not there any more.
    fn parties_of(&self, of: PartiesOf) -> Option<(String, bool)> {
        match of {
            PartiesOf::Area => Some(("the whole area".to_owned(), true)),
            PartiesOf::Trailhead(id) => {
                let idx = self.facts.trailheads.iter().position(|head| head.id == id)?;
                let words = format!("from {}", self.facts.trailheads[idx].name);
                Some((words, self.exposure.trailheads.contains(&idx)))
            }
            PartiesOf::Trail(id) => {
                let idx = self.facts.trails.iter().position(|trail| trail.id == id)?;
                let mut segments = self.network.network.segments.iter();
                let words = format!("on {}", self.facts.trails[idx].name);
                Some((words, segments.any(|segment| segment.trail_idx == idx)))
            }
        }
    }

    fn contradictions(&self) -> Result<Vec<(String, usize, f64)>, String> {
        let rates = self.rates.as_ref().map_err(Clone::clone)?;
        let mut by_trail = std::collections::BTreeMap::<usize, (usize, f64)>::new();
        let set = &rates.segments;
        for (unit, fit) in set.fit.units.iter().enumerate() {
            if matches!(fit.rate, UnitRate::ContradictsRecords) {
                let found = by_trail.entry(set.strata[unit]).or_default();
                found.0 += 1;
                found.1 += fit.count;
            }
        }
        Ok(by_trail.into_iter().map(|(trail, (n, count))| (self.trail_name(trail), n, count)).collect())
    }

    fn assumptions(&self) -> Vec<(&'static str, String, &'static str)> {
        let lines = assumptions::lines(self.facts, self.exposure);
        lines.into_iter().map(|line| (line.name, line.value, line.source)).collect()
    }
}

/// Runs of one kind, drawn as one line each; `href` is where a trail's lines lead.
pub(in crate::web) fn drawing(
    facts: &Facts,
    network: &NetworkLayer,
    exposure: &ExposureLayer,
    href: impl Fn(usize) -> String,
) -> MapDrawing {
    let provenance = &exposure.field.provenance;
    let mut lines = Vec::new();
    for (run, segments) in network.network.trail_runs().iter().enumerate() {
        let trail = network.trail_of_run[run];
        for part in segments.chunk_by(|a, b| provenance[*a] == provenance[*b]) {
            let kind = provenance[part[0]];
            lines.push(MapLine {
                points: common::course(network, part),
                stroke: stroke(kind),
                href: href(trail),
                title: format!("{}: {}", network.network.trails[trail].name, kind_words(kind)),
                picked: false,
            });
        }
    }
    let description =
        "The trails, drawn by where their walking is known from; the table beside the map has the numbers";
    MapDrawing { description: description.to_owned(), lines, ..common::base_map(facts, network) }
}

/// Counted against expected at one counter site.
pub(in crate::web) fn site_row(facts: &Facts, network: &NetworkLayer, check: &SiteCheck) -> SiteRow {
    sites::row(facts, network, check)
}

/// Counted against expected at the counter sites.
pub(in crate::web) fn site_rows(
    facts: &Facts,
    network: &NetworkLayer,
    exposure: &ExposureLayer,
) -> Vec<SiteRow> {
    sites::rows(facts, network, exposure)
}

fn kind_words(kind: Provenance) -> &'static str {
    match kind {
        Provenance::Counted => "counted",
        Provenance::Fitted => "fitted",
        Provenance::Assumed => "assumed",
        Provenance::NotWalked => "not walked",
    }
}

fn stroke(kind: Provenance) -> Stroke {
    match kind {
        Provenance::Counted => Stroke::Narrow(4),
        Provenance::Fitted => Stroke::Narrow(2),
        Provenance::Assumed => Stroke::Wide(1),
        Provenance::NotWalked => Stroke::NoWalking,
    }
}

/// "80 % counted, 20 % assumed", by length.
fn shares(lengths_km: &[f64; KINDS.len()]) -> String {
    let total: f64 = lengths_km.iter().sum();
    let parts = KINDS.iter().zip(lengths_km).filter(|(_, length)| **length > 0.0);
    let words: Vec<String> =
        parts.map(|(kind, length)| format!("{} {}", percent(length / total), kind_words(*kind))).collect();
    match words.as_slice() {
        [one] => one.trim_start_matches("100 % ").to_owned(),
        several => several.join(", "),
    }
}

/// "1 May 2023".
fn day(date: jiff::civil::Date) -> String {
    date.strftime("%-d %b %Y").to_string()
}
