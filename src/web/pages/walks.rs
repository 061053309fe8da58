//! Survey walks: the list, and one walk with its track.

use axum::extract::Path;
use axum::response::IntoResponse;
use jiff::tz::TimeZone;

use crate::analysis::network::Direction;
use crate::analysis::track_match::LeftOut;
use crate::analysis::track_match::Leg;
use crate::analysis::track_match::Reason;
use crate::derived::facts::Facts;
use crate::derived::network::NetworkLayer;
use crate::derived::walks;
use crate::derived::walks::Fate;
use crate::derived::walks::MatchedWalk;
use crate::derived::walks::WalkLayer;
use crate::domain::walk::Purpose;
use crate::domain::walk::Walk;
use crate::web::auth::Exact;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::pages::common;
use crate::web::pages::unit::segment_href;
use crate::web::pages::unit::when_words;
use crate::web::query::Query;
use crate::web::query::key;
use crate::web::views;
use crate::web::views::layout::Section;
use crate::web::views::svg_map::MapDrawing;
use crate::web::views::svg_map::MapLine;
use crate::web::views::svg_map::Stroke;
use crate::web::views::walks::LeftOutRow;
use crate::web::views::walks::LegRow;
use crate::web::views::walks::TrackWords;
use crate::web::views::walks::WalkPage;
use crate::web::views::walks::WalkRow;
use crate::web::views::walks::WalksPage;

/// Rows on a page.
const N_ROWS: usize = 50;

/// The list.
pub async fn list(app: Exact, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&["purpose", "page"])?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let layer = deriver.walks(&facts).await?;
    let purpose = purpose(&query)?;
    let page: usize = query.parse("page", "the number of a page")?.unwrap_or(1);
    if page == 0 {
        return Err(Error::bad_request("page", "Pages are counted from 1."));
    }
    let is_asked = |idx: &usize| purpose.is_none_or(|asked| facts.walks[*idx].given.purpose == asked);
    let mut shown: Vec<usize> = (0..facts.walks.len()).filter(is_asked).collect();
    shown.sort_by_key(|idx| std::cmp::Reverse((facts.walks[*idx].given.start_s, *idx)));
    let start = (page - 1).saturating_mul(N_ROWS);
    let rows = shown.iter().skip(start).take(N_ROWS).map(|idx| walk_row(&facts, &layer, *idx)).collect();
    let page = WalksPage {
        purpose: purpose.map(|purpose| purpose.term().to_owned()).unwrap_or_default(),
        purposes: Purpose::ALL.iter().map(|purpose| purpose.term()).collect(),
        summary: summary(&layer, &shown),
        rows,
        next: (start.saturating_add(N_ROWS) < shown.len())
            .then(|| format!("/walks?{}", query.with("page", Some(&(page + 1).to_string())))),
        first: (page > 1).then(|| format!("/walks?{}", query.with("page", None))),
    };
    let frame = common::frame(&facts, Section::Analysis, "Survey walks", page.summary.clone());
    let policy = CachePolicy::of_revision(facts.revision, format!("walks {}", query.words()));
    Ok(Cached(policy, views::layout::page(&frame, views::walks::list_body(&page))))
}

/// The purpose that the address asks for; any when none.
pub(in crate::web) fn purpose(query: &Query) -> Result<Option<Purpose>, Error> {
    match query.get("purpose") {
        None => Ok(None),
        Some(word) => {
            word.parse().map(Some).map_err(|error| Error::bad_request("purpose", format!("{error}")))
        }
    }
}

fn summary(layer: &WalkLayer, shown: &[usize]) -> String {
    let walks = || shown.iter().map(|idx| &layer.walks[*idx]);
    let km: f64 = walks().map(|walk| walk.matched.walked_m() / 1000.0).sum();
    let n_zero = walks().filter(|walk| walk.encounters.is_empty()).count();
    let n_bare = walks().filter(|walk| walk.matched.legs.is_empty()).count();
    let mut words = format!(
        "{} walks, {km:.1} km on the trails; {n_zero} of them met no snake, and count too.",
        shown.len()
    );
    if n_bare > 0 {
        words.push_str(&format!(" {n_bare} have no track on the trails and are in no survey rate."));
    }
    words
}

fn walk_row(facts: &Facts, layer: &WalkLayer, idx: usize) -> WalkRow {
    let (walk, matched) = (&facts.walks[idx], &layer.walks[idx]);
    WalkRow {
        href: format!("/walks/{}", walk.id),
        event_id: walk.given.event_id.clone(),
        when: matched.start.strftime("%Y-%m-%d %H:%M").to_string(),
        observers: walk.given.observers.clone(),
        purpose: walk.given.purpose.term().to_owned(),
        track: match walk.given.track.is_empty() {
            true => TrackWords::NoTrack,
            false => TrackWords::Matched {
                matched_km: matched.matched.walked_m() / 1000.0,
                left_out_km: matched.matched.left_out_m() / 1000.0,
            },
        },
        n_encounters: matched.encounters.len(),
    }
}

/// One walk.
pub async fn one(app: Exact, Path(id): Path<String>) -> Result<impl IntoResponse, Error> {
    let id: i64 = key(&id, "survey walk")?;
    let deriver = app.deriver();
    let facts = deriver.facts().await?;
    let (network, layer) = (deriver.network(&facts).await?, deriver.walks(&facts).await?);
    let idx = facts.walks.iter().position(|walk| walk.id.0 == id);
    let idx = idx.ok_or_else(|| Error::NotFound(format!("There is no survey walk {id}.")))?;
    let page = walk_page(&facts, &network, &layer, idx)?;
    let title = format!("Survey walk {}", page.event_id);
    let frame = common::frame(&facts, Section::Analysis, &title, page.summary.clone());
    let policy = CachePolicy::of_revision(facts.revision, format!("walk {id}"));
    Ok(Cached(policy, views::layout::page(&frame, views::walks::one_body(&page))))
}

fn walk_page(
    facts: &Facts,
    network: &NetworkLayer,
    layer: &WalkLayer,
    idx: usize,
) -> Result<WalkPage, Error> {
    let (walk, matched) = (&facts.walks[idx], &layer.walks[idx]);
    let zone = TimeZone::get(&facts.area.time_zone).map_err(|error| Error::Internal(error.to_string()))?;
    let encounter = |row: &usize| {
        let stored = &facts.encounters.rows[*row];
        let fate = layer.records.iter().find(|record| record.encounter == *row).map(|record| record.fate);
        let href = format!("/encounters/{}", stored.id);
        (href, when_words(&stored.time), fate_words(fate).to_owned())
    };
    Ok(WalkPage {
        event_id: walk.given.event_id.clone(),
        when: matched.start.strftime("%Y-%m-%d %H:%M").to_string(),
        observers: walk.given.observers.clone(),
        purpose: walk.given.purpose.term().to_owned(),
        purpose_words: purpose_words(walk.given.purpose),
        protocol: walk.given.sampling_protocol.clone(),
        summary: walk_summary(walk, matched),
        drawing: drawing(network, walk, matched),
        legs: leg_rows(network, &matched.matched.legs),
        left_out: matched.matched.left_out.iter().map(|part| left_out_row(walk, part, &zone)).collect(),
        notes: notes(walk, matched),
        encounters: matched.encounters.iter().map(encounter).collect(),
    })
}

fn walk_summary(walk: &Walk, matched: &MatchedWalk) -> String {
    let n = match matched.encounters.len() {
        1 => "1 encounter".to_owned(),
        n => format!("{n} encounters"),
    };
    if walk.given.track.is_empty() {
        return format!(
            "No track was recorded, so nothing says where it went: its {n} are in no survey rate."
        );
    }
    let (walked_km, left_out_km) =
        (matched.matched.walked_m() / 1000.0, matched.matched.left_out_m() / 1000.0);
    if matched.matched.left_out.is_empty() {
        return format!("{walked_km:.1} km on the trails and {n}; nothing of the track is left out.");
    }
    format!("{walked_km:.1} km on the trails and {n}; {left_out_km:.1} km of the track are left out.")
}

/// What the purpose of a walk means for rates.
fn purpose_words(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Planned => {
            "Planned without regard to where snakes are known: it informs the survey rate of every stretch."
        }
        Purpose::Targeted => {
            "Sent where snakes are known: it informs only the stretches it went over, and both answers are shown."
        }
        Purpose::Opportunistic => "Whatever came up: it is counted here, but in no survey rate.",
    }
}

fn fate_words(fate: Option<Fate>) -> &'static str {
    match fate {
        Some(Fate::OnWalk(_)) => "on what was walked",
        Some(Fate::NoTrack) => "in no rate, since the walk has no track on the trails",
        Some(Fate::Elsewhere) => "in no rate: away from what was walked, at a place, or too vague",
        Some(Fate::NoWalk) | None => "in no rate",
    }
}

fn notes(walk: &Walk, matched: &MatchedWalk) -> Vec<String> {
    let found = &matched.matched;
    let mut notes = Vec::new();
    if found.filled_m > 0.0 {
        notes.push(format!(
            "{:.0} m lie between positions more than 200 m apart and are filled in along the trails.",
            found.filled_m
        ));
    }
    if !walk.given.track.is_empty() && !found.is_timed {
        let words = "The positions have no times that can be used, so a drive along a trail cannot be told from a walk.";
        notes.push(words.to_owned());
    }
    if found.n_unusable > 0 {
        notes.push(format!("{} positions are impossibly far away and left out.", found.n_unusable));
    }
    notes
}

fn drawing(network: &NetworkLayer, walk: &Walk, matched: &MatchedWalk) -> MapDrawing {
    let line = |points: Vec<[f64; 2]>, stroke, title: &str| MapLine {
        points,
        stroke,
        href: String::new(),
        title: title.to_owned(),
        picked: false,
    };
    let track: Vec<[f64; 2]> =
        walks::track(network, walk).iter().map(|point| [point.at.x, point.at.y]).collect();
    let legs: Vec<Vec<[f64; 2]>> = matched.matched.legs.iter().map(|leg| leg_points(network, leg)).collect();
    let near = Surroundings::of(track.iter().chain(legs.iter().flatten()));
    let runs = network.network.trail_runs().iter();
    let trails = runs.flat_map(|run| near.runs_inside(network, run));
    let mut lines: Vec<MapLine> = trails
        .map(|run| line(common::course(network, &run), Stroke::NoWalking, network.trail_name(run[0])))
        .collect();
    lines.extend(legs.into_iter().map(|points| line(points, Stroke::Matched, "path matched")));
    if track.len() > 1 {
        lines.push(line(track, Stroke::Track, "track as recorded"));
    }
    MapDrawing {
        description: "The track as recorded and the path matched to it; the tables below have the numbers"
            .to_owned(),
        lines,
        ..MapDrawing::default()
    }
}

/// The part of the map that a walk needs: its own extent with something around it.
struct Surroundings {
    low: [f64; 2],
    high: [f64; 2],
}

impl Surroundings {
    fn of<'a>(points: impl Iterator<Item = &'a [f64; 2]>) -> Self {
        let empty = Self { low: [f64::INFINITY; 2], high: [f64::NEG_INFINITY; 2] };
        points.fold(empty, |found, point| Self {
            low: [found.low[0].min(point[0]), found.low[1].min(point[1])],
            high: [found.high[0].max(point[0]), found.high[1].max(point[1])],
        })
    }

    /// The unbroken parts of a run of segments that come near.
    fn runs_inside(&self, network: &NetworkLayer, run: &[usize]) -> Vec<Vec<usize>> {
        const AROUND_M: f64 = 300.0;
        let is_empty = self.low[0] > self.high[0];
        let is_near = |segment: &usize| {
            is_empty
                || network.network.segments[*segment].planar.iter().any(|point| {
                    (self.low[0] - AROUND_M..=self.high[0] + AROUND_M).contains(&point.x)
                        && (self.low[1] - AROUND_M..=self.high[1] + AROUND_M).contains(&point.y)
                })
        };
        run.chunk_by(|a, b| is_near(a) == is_near(b))
            .filter(|part| part.first().is_some_and(is_near))
            .map(<[usize]>::to_vec)
            .collect()
    }
}

/// The line of a leg, from where it begins to where it ends.
pub(in crate::web) fn leg_points(network: &NetworkLayer, leg: &Leg) -> Vec<[f64; 2]> {
    let segment = &network.network.segments[leg.segment_idx];
    let planar: Vec<[f64; 2]> = segment.planar.iter().map(|point| [point.x, point.y]).collect();
    let step = |pair: &[[f64; 2]]| (pair[1][0] - pair[0][0]).hypot(pair[1][1] - pair[0][1]);
    let total_m: f64 = planar.windows(2).map(step).sum();
    let scale = if segment.length_m > 0.0 { total_m / segment.length_m } else { 1.0 };
    let (low, high) = (leg.from_m.min(leg.to_m) * scale, leg.from_m.max(leg.to_m) * scale);
    let mut points = Vec::new();
    let mut along = 0.0;
    for pair in planar.windows(2) {
        let length_m = step(pair);
        let at = |along_m: f64| {
            let share = if length_m > 0.0 { ((along_m - along) / length_m).clamp(0.0, 1.0) } else { 0.0 };
            [0, 1].map(|axis| pair[0][axis] + share * (pair[1][axis] - pair[0][axis]))
        };
        if along <= high && along + length_m >= low {
            points.extend([at(low), at(high)]);
        }
        along += length_m;
    }
    points.dedup();
    if leg.direction == Direction::Backward {
        points.reverse();
    }
    points
}

/// One row for neighbouring segments of a trail walked one after the other in one direction.
fn leg_rows(network: &NetworkLayer, legs: &[Leg]) -> Vec<LegRow> {
    let segment = |leg: &Leg| &network.network.segments[leg.segment_idx];
    let is_together = |a: &Leg, b: &Leg| {
        let (before, after) = (segment(a), segment(b));
        a.piece_idx == b.piece_idx
            && a.direction == b.direction
            && before.trail_idx == after.trail_idx
            && before.order.abs_diff(after.order) == 1
    };
    let row = |run: &[Leg]| {
        let (first, last) = (run.first()?, run.last()?);
        let segments: Vec<usize> = run.iter().map(|leg| leg.segment_idx).collect();
        Some(LegRow {
            trail: network.trail_name(first.segment_idx).to_owned(),
            segments: network.span_words(&segments),
            href: segment_href(network, first.segment_idx),
            offsets: format!(
                "from {:.0} m of {:.0} m to {:.0} m of {:.0} m",
                first.from_m,
                segment(first).length_m,
                last.to_m,
                segment(last).length_m
            ),
            metres: run.iter().map(Leg::length_m).sum(),
        })
    };
    legs.chunk_by(is_together).filter_map(row).collect()
}

fn left_out_row(walk: &Walk, part: &LeftOut, zone: &TimeZone) -> LeftOutRow {
    let clock = |idx: usize| {
        let time_s = walk.given.track_times_s.get(idx)?;
        let instant = jiff::Timestamp::from_second(*time_s).ok()?;
        Some(zone.to_datetime(instant).strftime("%H:%M").to_string())
    };
    LeftOutRow {
        positions: format!("{} to {} of {}", part.first + 1, part.last + 1, walk.given.track.len()),
        when: match (clock(part.first), clock(part.last)) {
            (Some(from), Some(to)) => format!("{from} to {to}"),
            _ => String::new(),
        },
        metres: part.length_m,
        reason: reason_words(part.reason),
    }
}

fn reason_words(reason: Reason) -> &'static str {
    match reason {
        Reason::Vehicle => "faster than walking: a drive",
        Reason::OffNetwork => "no trail within reach",
        Reason::Gap => "no positions for too long a distance",
        Reason::NoWay => "no way along the trails joins the positions",
        Reason::Brief => "the trail was only touched or crossed",
    }
}
