//! The register of decisions: shown, added to, exported.

use axum::extract::Form;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use maud::Markup;

use crate::analysis::rates::FalseShare;
use crate::app::App;
use crate::derived::Derived;
use crate::derived::facts::Facts;
use crate::derived::rates::Limits;
use crate::derived::register;
use crate::derived::register::Entry;
use crate::derived::register::Now;
use crate::derived::register::Register;
use crate::derived::register::Standing;
use crate::derived::register::StretchFigure;
use crate::domain::revision::Revision;
use crate::store::Choice;
use crate::store::DecisionDraft;
use crate::web::auth::Exact;
use crate::web::auth::Who;
use crate::web::cache::CachePolicy;
use crate::web::cache::Cached;
use crate::web::error::Error;
use crate::web::form::Given;
use crate::web::pages::common;
use crate::web::query::Query;
use crate::web::views;
use crate::web::views::charts::percent;
use crate::web::views::decisions::Ask;
use crate::web::views::decisions::DecisionRow;
use crate::web::views::decisions::DecisionsPage;
use crate::web::views::decisions::FigureCell;
use crate::web::views::decisions::NotJudged;
use crate::web::views::layout::Section;

/// Stretches that are decided about together at most.
const MOST: usize = 100;

/// The register with what it rests on.
pub(super) struct Compiled {
    facts: Derived<Facts>,
    register: Register,
    zone: TimeZone,
    today: Date,
}

async fn compiled(app: &App) -> Result<Compiled, Error> {
    let facts = app.deriver().facts().await?;
    compiled_for(app, &facts).await
}

/// The register beside the figures of these facts.
pub(super) async fn compiled_for(app: &App, facts: &Derived<Facts>) -> Result<Compiled, Error> {
    let register = app.deriver().register(facts).await?;
    let zone = TimeZone::get(&facts.area.time_zone).unwrap_or(TimeZone::UTC);
    let today = app.clock().today(&facts.area.time_zone);
    Ok(Compiled { register, facts: facts.clone(), zone, today })
}

/// The register.
pub async fn show(app: Exact, who: Who, query: Query) -> Result<impl IntoResponse, Error> {
    query.allow(&[])?;
    let compiled = compiled(&app).await?;
    let entries = &compiled.register.entries;
    let rows = |superseded: bool| -> Vec<DecisionRow> {
        let is_superseded = |entry: &&Entry| matches!(entry.standing, Standing::Superseded(_)) == superseded;
        entries.iter().filter(is_superseded).map(|entry| compiled.row(entry)).collect()
    };
    let page = DecisionsPage {
        waiting: compiled
            .register
            .waiting
            .iter()
            .map(|idx| compiled.ask(*idx, Given::signed_by(&who)))
            .collect(),
        in_force: rows(false),
        superseded: rows(true),
        threshold: compiled.threshold(),
        not_judged: compiled.not_judged(),
        several: compiled.several(&who),
    };
    let frame = common::frame(&compiled.facts, Section::Analysis, "Decisions", String::new());
    // The form carries today's date.
    let parameters = format!("decisions {}", compiled.today);
    let policy = CachePolicy::of_revision(compiled.facts.revision, parameters);
    Ok(Cached(policy, views::layout::page(&frame, views::decisions::body(&page))))
}

/// Records a decision.
pub async fn decide(
    app: Exact,
    who: Who,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let compiled = compiled(&app).await?;
    let mut given = Given::new(pairs).with_signer(&who);
    let stretch = compiled.stretch_of(given.get("segments"))?;
    compiled.check_shown(stretch, given.get("shown").to_owned().as_str(), &mut given);
    let Some(said) = compiled.said(&app, &mut given) else {
        given.set("shown", name_of(&compiled.register.now[stretch]));
        let ask = compiled.ask(stretch, given);
        return Ok(compiled.came_back(views::decisions::form_body(&ask)));
    };
    compiled.keep(&app, &said, &[stretch]).await
}

/// Records one decision about each of the stretches ticked, all or none of them.
pub async fn decide_several(
    app: Exact,
    who: Who,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let compiled = compiled(&app).await?;
    let ticked: Vec<String> =
        pairs.iter().filter(|(name, _)| name == "stretch").map(|(_, value)| value.clone()).collect();
    if ticked.is_empty() || ticked.len() > MOST {
        let words = format!("Tick 1 to {MOST} stretches; {} were ticked.", ticked.len());
        return Err(Error::bad_request("stretch", words));
    }
    let mut given = Given::new(pairs).with_signer(&who);
    let mut stretches = Vec::with_capacity(ticked.len());
    for word in &ticked {
        let (segments, shown) = word.split_once('|').unwrap_or((word, ""));
        let stretch = compiled.stretch_of(segments)?;
        compiled.check_shown(stretch, shown, &mut given);
        if !stretches.contains(&stretch) {
            stretches.push(stretch);
        }
    }
    let Some(said) = compiled.said(&app, &mut given) else {
        let asks: Vec<Ask> =
            stretches.iter().map(|stretch| compiled.ask(*stretch, Given::signed_by(&who))).collect();
        return Ok(compiled.came_back(views::decisions::several_body(&asks, &given)));
    };
    compiled.keep(&app, &said, &stretches).await
}

/// What was decided, by whom, why and when.
struct Said {
    choice: Choice,
    reason: String,
    decided_by: String,
    decided_at_s: i64,
}

/// The register as CSV.
pub async fn csv(app: Exact) -> Result<impl IntoResponse, Error> {
    let compiled = compiled(&app).await?;
    let revision = compiled.facts.revision;
    let text = register::to_csv(&compiled.register, &compiled.zone, revision.0).map_err(Error::Internal)?;
    Ok(file(revision, ("text/csv; charset=utf-8", "decisions.csv"), text))
}

/// The register as JSON.
pub async fn json(app: Exact) -> Result<impl IntoResponse, Error> {
    let compiled = compiled(&app).await?;
    let revision = compiled.facts.revision;
    let text = register::to_json(&compiled.register, &compiled.zone, revision.0).map_err(Error::Internal)?;
    Ok(file(revision, ("application/json", "decisions.json"), text))
}

fn file(revision: Revision, (media_type, name): (&'static str, &str), text: String) -> impl IntoResponse {
    let headers = [
        (header::CONTENT_TYPE, media_type.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Cached(CachePolicy::of_revision(revision, name), (headers, text))
}

/// A short name of a figure: another figure has another one. It rests on everything that the figure says, but not on the
/// revision, so that a decision about another stretch leaves it as it is.
fn name_of(figure: &StretchFigure) -> String {
    blake3::hash(figure.to_json().as_bytes()).to_hex()[..16].to_owned()
}

impl Compiled {
    /// The stretch of these segments, written in hexadecimal digits with a space between.
    fn stretch_of(&self, segments: &str) -> Result<usize, Error> {
        let wrong = || Error::bad_request("segments", "The form does not say which stretch it is about.");
        let id = |text: &str| u64::from_str_radix(text, 16).map(u64::cast_signed).map_err(|_| wrong());
        let ids: Vec<i64> = segments.split_whitespace().map(id).collect::<Result<_, _>>()?;
        if ids.is_empty() {
            return Err(wrong());
        }
        let mut now = self.register.now.iter();
        now.position(|figure| register::is_same(&figure.segment_ids, &ids)).ok_or_else(|| {
            let words = "The trail is divided differently since you opened the page, so that stretch is no longer there. \
                         Look at the register again; nothing was recorded.";
            Error::Unanswerable(words.to_owned())
        })
    }

    /// Refuses a form whose figure is no longer that of the stretch.
    fn check_shown(&self, stretch: usize, shown: &str, given: &mut Given) {
        if shown != name_of(&self.register.now[stretch]) {
            let words = "The figure has changed since you opened the page. What stands here is the figure of now: decide on it.";
            given.refuse("shown", words);
        }
    }

    /// What the form says; none where something of it is wrong.
    fn said(&self, app: &App, given: &mut Given) -> Option<Said> {
        let choice = given.get("choice").parse::<Choice>();
        if choice.is_err() {
            given.refuse("choice", "Choose one of the three.");
        }
        let reason = given.required("reason", "Say why: it stays with the decision.");
        let decided_by = given.signer();
        let decided_at_s = self.decided_at_s(app, given);
        match (choice, decided_at_s, given.is_good()) {
            (Ok(choice), Some(decided_at_s), true) => Some(Said { choice, reason, decided_by, decided_at_s }),
            _ => None,
        }
    }

    /// A form that came back, with what is wrong.
    fn came_back(&self, body: Markup) -> Response {
        let frame = common::frame(&self.facts, Section::Analysis, "Decide", String::new());
        let markup = views::layout::page(&frame, body);
        (StatusCode::UNPROCESSABLE_ENTITY, Cached(CachePolicy::Never, markup)).into_response()
    }

    /// Keeps a decision about each of the stretches, and leads to the first of them.
    async fn keep(&self, app: &App, said: &Said, stretches: &[usize]) -> Result<Response, Error> {
        let figures: Vec<&StretchFigure> = stretches.iter().map(|idx| &self.register.now[*idx]).collect();
        let summary = match figures.as_slice() {
            [one] => format!("decision about {}", one.name),
            several => format!("decisions about {} stretches", several.len()),
        };
        let mut first = None;
        let mut writer = app.store().write(&said.decided_by, &summary, app.clock().now_s()).await?;
        for figure in figures {
            let draft = DecisionDraft {
                subject: figure.name.clone(),
                segment_ids: figure.segment_ids.clone(),
                choice: said.choice,
                reason: said.reason.clone(),
                decided_by: said.decided_by.clone(),
                decided_at_s: said.decided_at_s,
                based_on: self.facts.revision,
                figure_json: figure.to_json(),
            };
            let id = writer.add_decision(self.facts.area.id, &draft).await?;
            first.get_or_insert(id);
        }
        writer.commit().await?;
        let anchor = first.map_or_else(String::new, |id| format!("#d{id}"));
        Ok(Redirect::to(&format!("/decisions{anchor}")).into_response())
    }

    /// When it was decided: now for today, else noon of the day given.
    fn decided_at_s(&self, app: &App, given: &mut Given) -> Option<i64> {
        let Ok(date) = given.get("date").parse::<Date>() else {
            given.refuse("date", "Give the day as 2024-07-01.");
            return None;
        };
        if date == self.today {
            return Some(app.clock().now_s());
        }
        if date > self.today {
            given.refuse("date", "This day is still to come.");
            return None;
        }
        let noon = self.zone.to_timestamp(date.at(12, 0, 0, 0)).ok();
        if noon.is_none() {
            given.refuse("date", "This day cannot be kept.");
        }
        noon.map(jiff::Timestamp::as_second)
    }

    /// The form for several stretches, dated today.
    fn several(&self, who: &Who) -> Given {
        let mut given = Given::signed_by(who);
        given.set("date", self.today.to_string());
        given
    }

    /// A stretch to decide about. What the form lacks is filled in.
    fn ask(&self, stretch: usize, mut given: Given) -> Ask {
        let figure = &self.register.now[stretch];
        let hex: Vec<String> =
            figure.segment_ids.iter().map(|id| format!("{:016x}", id.cast_unsigned())).collect();
        for (name, value) in
            [("segments", hex.join(" ")), ("shown", name_of(figure)), ("date", self.today.to_string())]
        {
            if given.get(name).is_empty() {
                given.set(name, value);
            }
        }
        let earlier: Vec<String> =
            self.register.about(&figure.segment_ids).map(|entry| entry.decision.id.to_string()).collect();
        Ask {
            name: figure.name.clone(),
            href: format!("/stretch/{stretch}"),
            figure: cell(figure, self.facts.revision),
            earlier: match earlier.is_empty() {
                true => String::new(),
                false => format!("Decisions that speak of parts of it: {}.", earlier.join(", ")),
            },
            given,
        }
    }

    /// The card of a stretch: the form, and what was decided about any of its segments.
    pub(super) fn of_stretch(&self, stretch: usize, who: &Who) -> Option<(Ask, Vec<DecisionRow>)> {
        let figure = self.register.now.get(stretch)?;
        let rows = self.register.about(&figure.segment_ids).map(|entry| self.row(entry)).collect();
        Some((self.ask(stretch, Given::signed_by(who)), rows))
    }

    fn row(&self, entry: &Entry) -> DecisionRow {
        let given = &entry.decision.given;
        let now = |idx: &usize| {
            let figure = &self.register.now[*idx];
            (figure.name.clone(), format!("/stretch/{idx}"), cell(figure, self.facts.revision))
        };
        let decided = jiff::Timestamp::from_second(given.decided_at_s);
        DecisionRow {
            id: entry.decision.id.0,
            subject: given.subject.clone(),
            choice: given.choice.term().to_owned(),
            reason: given.reason.clone(),
            decided_by: given.decided_by.clone(),
            decided_on: decided.map(|at| self.zone.to_datetime(at).date().to_string()).unwrap_or_default(),
            superseded_by: match entry.standing {
                Standing::InForce => None,
                Standing::InPart(by) => Some((by.0, true)),
                Standing::Superseded(by) => Some((by.0, false)),
            },
            then: entry.then.as_ref().map(|figure| cell(figure, given.based_on)),
            based_on: given.based_on.0,
            now: match &entry.now {
                Now::Same(idx) => vec![now(idx)],
                Now::Divided(stretches) => stretches.iter().map(now).collect(),
                Now::Gone => Vec::new(),
            },
            changed: self.register.changed_since(entry),
        }
    }

    fn not_judged(&self) -> Option<(String, Vec<NotJudged>)> {
        let all = &self.register.now;
        let mut open: Vec<(usize, &StretchFigure)> =
            all.iter().enumerate().filter(|(_, figure)| figure.exceedance.is_none()).collect();
        if open.is_empty() {
            return None;
        }
        let lower = |figure: &StretchFigure| figure.rate.map_or(f64::NEG_INFINITY, |rate| rate.lower);
        open.sort_by(|(_, one), (_, other)| lower(other).total_cmp(&lower(one)));
        let km = |figures: &mut dyn Iterator<Item = &StretchFigure>| {
            figures.map(|figure| figure.length_m).sum::<f64>() / 1000.0
        };
        let reports = |figures: &mut dyn Iterator<Item = &StretchFigure>| {
            figures.map(|figure| figure.count).sum::<f64>().round()
        };
        let words = format!(
            "{} of {} stretches, {:.1} of {:.1} km with {} of {} reports, cannot be judged: how many people walk there is \
             assumed or not known.",
            open.len(),
            all.len(),
            km(&mut open.iter().map(|(_, figure)| *figure)),
            km(&mut all.iter()),
            reports(&mut open.iter().map(|(_, figure)| *figure)),
            reports(&mut all.iter()),
        );
        let row = |(idx, figure): &(usize, &StretchFigure)| NotJudged {
            name: figure.name.clone(),
            href: format!("/stretch/{idx}"),
            rate: figure.rate.map(common::estimate).ok_or_else(|| figure.no_rate.clone()),
            count: figure.count,
            provenance: figure.provenance.clone(),
        };
        Some((words, open.iter().map(row).collect()))
    }

    fn threshold(&self) -> String {
        let settings = &self.facts.settings;
        let false_share = match &self.register.judged {
            Err(reason) => return format!("No stretch can be judged now: {reason}"),
            Ok(FalseShare::NoCalls) => String::new(),
            Ok(FalseShare::Expected(share)) => {
                let n = self.register.now.iter().filter(|figure| figure.is_called).count();
                format!(
                    " Of the {n} above it now, about {:.1} are expected to be false calls.",
                    share * n as f64
                )
            }
        };
        format!(
            "A stretch waits for a decision when the probability that its rate is above {} times that of all trails whose walking is known \
             is above {}.{false_share}",
            settings.multiple,
            percent(settings.call_level)
        )
    }
}

fn cell(figure: &StretchFigure, revision: Revision) -> FigureCell {
    let estimate = |limits: Limits| common::estimate(limits);
    FigureCell {
        rate: figure.rate.map(estimate).ok_or_else(|| figure.no_rate.clone()),
        count: figure.count,
        walked_km: estimate(figure.walked_km),
        provenance: figure.provenance.clone(),
        exceedance: figure.exceedance,
        multiple: figure.multiple,
        basis: format!(
            "{} to {}, all months and hours; revision {revision}; {}",
            figure.period.0, figure.period.1, figure.settings
        ),
    }
}
