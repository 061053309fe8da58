//! One stretch or segment: why this figure.

use axum::extract::Path;
use axum::response::IntoResponse;

use crate::analysis::exposure::Calibration;
use crate::analysis::exposure::CalibrationSource;
use crate::analysis::exposure::ReadingReport;
use crate::analysis::network::SegmentId;
use crate::analysis::rates::Exceedance;
use crate::analysis::rates::Spread;
use crate::analysis::rates::UnitRate;
use crate::analysis::snap::Snap;
use crate::app::App;
use crate::derived::Derived;
use crate::derived::exposure::ExposureLayer;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::rates;
use crate::derived::rates::RateLayer;
use crate::derived::rates::RateSet;
use crate::derived::season;
use crate::derived::season::PeriodChoice;
use crate::derived::snaps::SnapLayer;
use crate::derived::walks::WalkLayer;
use crate::domain::encounter::EffortKind;
use crate::domain::exposure::Counter;
use crate::domain::time::EventDate;
use crate::domain::time::EventTime;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::common::ToldApart;
use crate::web::pages::decisions;
use crate::web::pages::exposure::site_words;
use crate::web::pages::notices;
use crate::web::pages::survey;
use crate::web::query::key;
use crate::web::views;
use crate::web::views::charts::Estimate;
use crate::web::views::charts::probability;
use crate::web::views::layout::Section;
use crate::web::views::svg_map::MapLine;
use crate::web::views::unit::RecordRow;
use crate::web::views::unit::UnitPage;

/// How many records a page lists at most.
const N_RECORDS: usize = 200;

/// One stretch.
pub async fn stretch(app: Exact, who: Who, Path(unit): Path<String>) -> Result<impl IntoResponse, Error> {
    let unit: usize = key(&unit, "stretch")?;
    let scene = Scene::of(&app).await?;
    if unit >= scene.rates.stretches.names.len() {
        return Err(Error::NotFound(format!("There is no stretch {unit}.")));
    }
    let mut page = scene.page(&scene.rates.stretches, unit)?;
    page.decisions = decisions::compiled_for(&app, &scene.facts).await?.of_stretch(unit, &who);
    Ok(scene.respond(&page))
}

/// One segment, by its lasting identifier in hexadecimal digits.
pub async fn segment(app: Exact, Path(id): Path<String>) -> Result<impl IntoResponse, Error> {
    let scene = Scene::of(&app).await?;
    let number = u64::from_str_radix(&id, 16).ok();
    let unit = number.and_then(|number| scene.network.by_id.get(&SegmentId::from_number(number)).copied());
    let unit = unit.ok_or_else(|| Error::NotFound(format!("There is no segment {id}.")))?;
    let page = scene.page(&scene.rates.segments, unit)?;
    Ok(scene.respond(&page))
}

/// The address of a segment.
pub(in crate::web) fn segment_href(network: &NetworkLayer, segment: usize) -> String {
    format!("/segment/{:016x}", network.network.segments[segment].id.number())
}

/// The layers behind a page.
struct Scene {
    facts: Derived<Facts>,
    network: Derived<NetworkLayer>,
    exposure: Derived<ExposureLayer>,
    snaps: Derived<SnapLayer>,
    rates: Derived<RateLayer>,
    walks: Derived<WalkLayer>,
    reporting: String,
    standing: notices::Standing,
    by_stretch: rates::PeriodRates,
    by_segment: rates::PeriodRates,
}

impl Scene {
    async fn of(app: &App) -> Result<Self, Error> {
        let deriver = app.deriver();
        let facts = deriver.facts().await?;
        let rates = deriver.rates(&facts).await?;
        let season = deriver.season(&facts).await?;
        let all = PeriodChoice::default();
        Ok(Self {
            network: deriver.network(&facts).await?,
            exposure: deriver.exposure(&facts).await?,
            snaps: deriver.snaps(&facts).await?,
            walks: deriver.walks(&facts).await?,
            reporting: survey::reporting_words(app, &facts).await?,
            standing: notices::standing(app, &facts).await?,
            by_stretch: rates::in_period(&rates.stretches, &rates.bounds, &season, all)?,
            by_segment: rates::in_period(&rates.segments, &rates.bounds, &season, all)?,
            rates,
            facts,
        })
    }

    fn respond(&self, page: &UnitPage) -> Cached<maud::Markup> {
        let frame =
            common::frame(&self.facts, Section::Trails, &page.name, common::rate_records(&self.rates));
        let policy = self.standing.policy(|day| {
            CachePolicy::of_revision(self.facts.revision, format!("{} {}{day}", page.kind, page.name))
        });
        Cached(policy, views::layout::page(&frame, views::unit::body(page)))
    }

    fn page(&self, set: &RateSet, unit: usize) -> Result<UnitPage, Error> {
        let is_stretch = std::ptr::eq(set, &raw const self.rates.stretches);
        let period = if is_stretch { &self.by_stretch } else { &self.by_segment };
        let members = &set.members[unit];
        let fit = &set.fit.units[unit];
        let mut drawing =
            common::stretch_map(&self.facts, &self.network, &self.rates, &self.by_stretch, |unit| {
                format!("/stretch/{unit}")
            });
        drawing.lines.push(MapLine {
            points: common::course(&self.network, members),
            stroke: common::stroke(period.drawn[unit]),
            href: String::new(),
            title: set.names[unit].clone(),
            picked: true,
        });
        let (records, mut counts, n_ambiguous) = self.records(members);
        // The mean over draws, as in the figure: weights of records would round to another number.
        counts[0] = fit.count;
        let stratum = &set.fit.strata[set.stratum[unit]];
        let per_1000 = |it: crate::analysis::rates::Interval| Estimate {
            value: it.mean * 1000.0,
            lower: it.lower * 1000.0,
            upper: it.upper * 1000.0,
        };
        let (prior, exceedance) = match &fit.rate {
            UnitRate::Estimated(estimate) => (
                Some((
                    set.stratum_names[set.stratum[unit]].clone(),
                    estimate.shrinkage,
                    per_1000(stratum.mean_per_km),
                )),
                match estimate.exceedance {
                    Exceedance::Probability(probability) => Some(probability),
                    Exceedance::NotJudged => None,
                },
            ),
            UnitRate::Unexposed | UnitRate::ContradictsRecords => (None, None),
        };
        let segments = match is_stretch {
            true => members.iter().map(|segment| self.segment_row(*segment)).collect(),
            false => Vec::new(),
        };
        let parent = (!is_stretch).then(|| {
            let stretch = self.rates.stretch_of[unit];
            (self.rates.stretches.names[stretch].clone(), format!("/stretch/{stretch}"))
        });
        let lines = exposure_lines(&self.facts, &self.network, &self.exposure);
        Ok(UnitPage {
            name: set.names[unit].clone(),
            kind: if is_stretch { "stretch" } else { "segment" },
            length_m: members.iter().map(|segment| self.network.network.segments[*segment].length_m).sum(),
            drawing,
            figure: common::figure(set, period, unit),
            reporting: self.reporting.clone(),
            raw: rates::raw_per_1000_km(fit.count, fit.exposure_km).map(common::estimate),
            prior,
            spread_words: spread_words(stratum.spread),
            exceedance,
            multiple: self.facts.settings.multiple,
            counts,
            n_ambiguous,
            survey: self.survey(members, counts[1]),
            segments,
            records,
            exposure_lines: self.closed_line(members).into_iter().chain(lines).collect(),
            parent,
            notices: self.standing.about(&[self.network.network.trails[set.strata[unit]].name.as_str()]),
            decisions: None,
        })
    }

    /// What planned survey walks met on these segments, in how many kilometres.
    fn survey(&self, members: &[usize], n_any: f64) -> Option<(u64, Option<(f64, Estimate)>)> {
        let walks = &self.walks;
        let km: f64 = members.iter().map(|segment| walks.exposure.planned_km[*segment]).sum();
        let count: f64 = members.iter().map(|segment| walks.planned_counts[*segment]).sum();
        match rates::raw_per_1000_km(count, km) {
            Some(rate) => Some((count.round() as u64, Some((km, common::estimate(rate))))),
            None if n_any >= 0.5 => Some((n_any.round() as u64, None)),
            None => None,
        }
    }

    /// What its kilometres count for where some of its time was closed.
    fn closed_line(&self, members: &[usize]) -> Option<String> {
        let timing = self.rates.timing.as_ref()?;
        let (field, mean_km) = (&self.exposure.field, &self.exposure.mean_km);
        let is_closed = |segment: &usize| field.courses.of(*segment).iter().any(|(course, _)| *course != 0);
        if !members.iter().any(is_closed) {
            return None;
        }
        let km: f64 = members.iter().map(|segment| mean_km[*segment]).sum();
        let mean = |segment: usize| {
            let all = (0..field.n_draws).map(|draw| timing.factor(&self.exposure, segment, draw));
            all.sum::<f64>() / field.n_draws.max(1) as f64
        };
        let counted: f64 = members.iter().map(|segment| mean_km[*segment] * mean(*segment)).sum();
        (km > 0.0).then(|| {
            format!(
                "It was closed for a time. As frequent as encounters are at the times at which it was open, {} km walked count for {} km \
                 in its rate.",
                short(km),
                short(counted)
            )
        })
    }

    fn segment_row(&self, segment: usize) -> (String, String, views::figure::Figure) {
        let set = &self.rates.segments;
        let figure = common::figure(set, &self.by_segment, segment);
        (set.names[segment].clone(), segment_href(&self.network, segment), figure)
    }

    /// The records that may lie on the segments, most probable first; expected counts by effort kind; how many reports
    /// may lie elsewhere.
    fn records(&self, members: &[usize]) -> (Vec<RecordRow>, [f64; 4], usize) {
        let mut found = Vec::new();
        let mut counts = [0.0; 4];
        let mut n_ambiguous = 0;
        for (row, snap) in self.facts.encounters.rows.iter().zip(&self.snaps.snaps) {
            let weight: f64 = match snap {
                Some(Snap::OnTrail(tied)) => {
                    let here = tied.candidates.iter().filter(|at| members.contains(&at.nearest.segment_idx));
                    here.map(|candidate| candidate.weight).sum()
                }
                Some(Snap::ByHand { segment_idx }) if members.contains(segment_idx) => 1.0,
                _ => 0.0,
            };
            if weight <= 0.0 || !self.facts.counts(row) {
                continue;
            }
            let column = match row.effort_kind {
                EffortKind::Report => 0,
                EffortKind::Survey => 1,
                EffortKind::Located => 2,
                EffortKind::Chance => 3,
            };
            // Reports outside the days counted are listed, but in no rate.
            let is_counted =
                row.effort_kind != EffortKind::Report || season::in_period(&self.exposure, &row.time);
            if is_counted {
                counts[column] += weight;
                n_ambiguous += usize::from(row.effort_kind == EffortKind::Report && is_shared(weight));
            }
            found.push((weight, row));
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.id.cmp(&b.1.id)));
        let record = |(weight, row): &(f64, &crate::store::EncounterRow)| RecordRow {
            href: format!("/encounters/{}", row.id),
            when: when_words(&row.time),
            species: self.facts.encounters.species[row.species as usize].clone(),
            effort: row.effort_kind.term().to_owned(),
            weight: *weight,
        };
        (found.iter().take(N_RECORDS).map(record).collect(), counts, n_ambiguous)
    }
}

/// Whether a record may well lie elsewhere too.
fn is_shared(weight: f64) -> bool {
    (0.05..0.95).contains(&weight)
}

/// A date and time as far as they are known.
pub(super) fn when_words(time: &EventTime) -> String {
    let date = match time.date {
        EventDate::Day(date) => date.to_string(),
        EventDate::Month { year, month } => format!("{year}-{month:02}, day not known"),
        EventDate::Year(year) => format!("{year}, month not known"),
        EventDate::Unknown => "not known".to_owned(),
    };
    match time.minute_of_day {
        Some(minute) => format!("{date} {:02}:{:02}", minute / 60, minute % 60),
        None => date,
    }
}

fn spread_words(spread: Spread) -> String {
    let (told_apart, same) = common::told_apart(spread);
    let same = probability(same);
    match told_apart {
        ToldApart::Yes => format!("parts of this trail differ (probability that they do not: {same})"),
        ToldApart::NotSurely => {
            format!("parts of this trail may differ, not surely (probability that they do not: {same})")
        }
        ToldApart::CannotTell => {
            "records of the parts whose walking is known cannot tell the parts of this trail apart".to_owned()
        }
    }
}

/// What the exposure rests on, a line each.
fn exposure_lines(facts: &Facts, network: &NetworkLayer, exposure: &ExposureLayer) -> Vec<String> {
    let field = &exposure.field;
    let (first, last) = (exposure.period.first(), exposure.period.last());
    let mut lines = vec![format!("Walking from {first} to {last}, {} draws kept whole.", field.n_draws)];
    for parameter in &field.parameters {
        let status = parameter.status.words();
        let summary = &parameter.summary;
        lines.push(format!(
            "{}: {status}, mean {} (95 % interval {} to {})",
            parameter.name,
            short(summary.mean),
            short(summary.lower),
            short(summary.upper)
        ));
    }
    // The mean over the draws with its predictive limits, as the page of the walking has it.
    for check in &field.checks {
        lines.push(format!(
            "Counter {}, {}: {} passages counted, {} expected by the fit (95 % limits {} to {}); {} bins used there",
            facts.counters[check.counter].name,
            site_words(check.site, facts, network),
            short(check.whole.observed.round()),
            short(check.whole.expected.round()),
            short(check.whole.lower.round()),
            short(check.whole.upper.round()),
            field.counters[check.series].n_bins
        ));
    }
    let read = |report: &ReadingReport| report.used + report.missing + report.outage > 0;
    let counters = facts.counters.iter().zip(&field.readings).filter(|(_, report)| read(report));
    lines.extend(counters.map(|(counter, report)| {
        format!(
            "Counter {}, wherever it stood: {} bins used, {} missing, {} in outages",
            counter.name, report.used, report.missing, report.outage
        )
    }));
    lines.extend(facts.counters.iter().zip(&field.calibrations).map(calibration_line));
    lines
}

fn calibration_line((counter, calibration): (&Counter, &Calibration)) -> String {
    let (ratio, lower, upper) = calibration.interval();
    let source = match calibration.source {
        CalibrationSource::Own { n_sessions } => {
            format!("from {n_sessions} sessions in which a person counted beside it")
        }
        CalibrationSource::Pooled { n_counters } => {
            format!("from the sessions of {n_counters} other counters")
        }
        CalibrationSource::Prior => "a stated prior, since no counter has a session".to_owned(),
    };
    format!(
        "Counter {}: one count stands for {ratio:.2} passages (95 % interval {lower:.2} to {upper:.2}), {source}",
        counter.name
    )
}

fn short(value: f64) -> String {
    if value.abs() >= 100.0 { views::charts::thousands(value.round() as i64) } else { format!("{value:.2}") }
}
