//! Sign plans that were kept: what was computed then stays as it was then.

use serde::Deserialize;
use serde::Serialize;

use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::SignPlanId;
use crate::domain::revision::Revision;
use crate::domain::units::Length;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::history;
use crate::store::history::Entry;
use crate::store::history::RecordKind;
use crate::store::history::Version;
use crate::store::snapshot::Snapshot;
use crate::store::writer::Writer;

/// A plan before it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct SignPlanDraft {
    /// Its name.
    pub name: String,
    /// What it was asked for, as JSON.
    pub parameters_json: String,
    /// What it reaches, as JSON.
    pub result_json: String,
    /// The revision it rests on.
    pub based_on: Revision,
    /// Its sites, in their order.
    pub sites: Vec<PlanSite>,
}

/// One site of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanSite {
    /// Where.
    pub position: LonLat,
    /// What to put up.
    pub kind: String,
    /// The direction its face looks, degrees clockwise from north.
    pub facing_deg: Option<f64>,
    /// The wording, by its key in the catalogue.
    pub wording_key: String,
    /// When to put it up, as an ISO date, where the season says so.
    pub up_date: Option<String>,
    /// When to take it down, as an ISO date.
    pub down_date: Option<String>,
    /// The letter height for its reading distance.
    pub letter_height: Option<Length>,
    /// Why here.
    pub reason: String,
}

/// A stored plan.
#[derive(Debug, Clone, PartialEq)]
pub struct SignPlan {
    /// The stored row.
    pub id: SignPlanId,
    /// What was given.
    pub given: SignPlanDraft,
    /// Who kept it.
    pub actor: String,
    /// When, in seconds since 1970-01-01T00:00:00Z.
    pub created_at_s: i64,
    /// When it was posted for the public, if it was.
    pub posted_at_s: Option<i64>,
}

/// What a plan was asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SignPlanParameters {
    /// How many new signs.
    pub n_signs: usize,
    /// How far a sign reaches, metres of walking.
    pub reach_m: f64,
    /// Least spacing, metres.
    pub spacing_m: f64,
    /// Pairs of sites, counted from one: the first gets its sign now, the second next season. Empty where nothing was drawn.
    pub lottery_pairs: Vec<(usize, usize)>,
    /// The seed of the draw.
    pub seed: Option<u64>,
    /// Plans whose draw already had one of these sites, oldest first.
    pub drawn_before: Vec<i64>,
    /// Why it was drawn again; empty where it was not.
    pub drawn_again_because: String,
}

impl SignPlanParameters {
    /// As they are stored.
    ///
    /// # Errors
    /// [`Error`] when a number cannot be written.
    pub fn to_json(&self) -> Result<String, Error> {
        stored(serde_json::to_string(self), "sign_plans", "parameters_json", 0)
    }
}

impl SignPlan {
    /// What the plan was asked for; none where its parameters were written in another shape.
    pub fn parameters(&self) -> Option<SignPlanParameters> {
        serde_json::from_str(&self.given.parameters_json).ok()
    }

    /// The draw of a plan that left it to lots which of its sites get a sign first: pairs of places among its sites, counted
    /// from zero, the first of which won. From `lottery_pairs` in its parameters, where sites count from one; pairs of sites
    /// that the plan does not have are left out. Empty where nothing was drawn.
    pub fn lottery_pairs(&self) -> Vec<(usize, usize)> {
        let parameters: serde_json::Value =
            serde_json::from_str(&self.given.parameters_json).unwrap_or_default();
        let pairs: Vec<(usize, usize)> =
            serde_json::from_value(parameters["lottery_pairs"].clone()).unwrap_or_default();
        let sites = 1..=self.given.sites.len();
        let known = pairs.into_iter().filter(|(won, lost)| sites.contains(won) && sites.contains(lost));
        known.map(|(won, lost)| (won - 1, lost - 1)).collect()
    }
}

#[derive(Serialize)]
struct PostedWire {
    posted_at_s: Option<i64>,
}

impl Writer {
    /// Keeps a plan.
    ///
    /// # Errors
    /// [`Error::Rule`] when there is no such area; [`Error`] when the database cannot be written.
    pub async fn add_sign_plan(&mut self, area: AreaId, draft: &SignPlanDraft) -> Result<SignPlanId, Error> {
        let (actor, now_s, revision) = (self.actor().to_owned(), self.now_s(), self.revision());
        let based_on = draft.based_on.0 as i64;
        let inserted = sqlx::query!(
            "INSERT INTO sign_plans (area_id, name, parameters_json, result_json, based_on_revision, actor, created_at_s,
                revision)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            area.0,
            draft.name,
            draft.parameters_json,
            draft.result_json,
            based_on,
            actor,
            now_s,
            revision
        )
        .execute(self.connection())
        .await?;
        let id = SignPlanId(inserted.last_insert_rowid());
        for (ordinal, site) in (1..).zip(&draft.sites) {
            self.add_plan_site(id, ordinal, site).await?;
        }
        let record = serde_json::json!({
            "name": draft.name,
            "parameters": draft.parameters_json,
            "based_on_revision": draft.based_on.0,
            "sites": draft.sites.len(),
        });
        let after = Some(history::to_json("sign_plans", id.0, &Version::new(record, None))?);
        let kind = RecordKind::SignPlan;
        history::record(self, Entry { kind, record_id: id.0, batch_id: None, before: None, after }).await?;
        self.touch();
        Ok(id)
    }

    async fn add_plan_site(&mut self, plan: SignPlanId, ordinal: i64, site: &PlanSite) -> Result<(), Error> {
        let (lon, lat) = (site.position.lon(), site.position.lat());
        let letter_height_mm = site.letter_height.map(Length::in_millimetres);
        sqlx::query!(
            "INSERT INTO sign_plan_sites (plan_id, ordinal, lon, lat, kind, facing_deg, wording_key, up_date, down_date,
                letter_height_mm, reason)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            plan.0,
            ordinal,
            lon,
            lat,
            site.kind,
            site.facing_deg,
            site.wording_key,
            site.up_date,
            site.down_date,
            letter_height_mm,
            site.reason
        )
        .execute(self.connection())
        .await?;
        Ok(())
    }

    /// Posts a plan for the public. One that is posted stays as it is.
    ///
    /// # Errors
    /// [`Error::Missing`] when there is no such plan; [`Error`] when the database cannot be written.
    pub async fn post_sign_plan(&mut self, plan: SignPlanId) -> Result<(), Error> {
        let posted_at_s = sqlx::query_scalar!("SELECT posted_at_s FROM sign_plans WHERE id = ?", plan.0)
            .fetch_optional(self.connection())
            .await?
            .ok_or(Error::Missing { what: "sign plan", id: plan.0 })?;
        if posted_at_s.is_some() {
            return Ok(());
        }
        let (now_s, revision) = (self.now_s(), self.revision());
        sqlx::query!(
            "UPDATE sign_plans SET posted_at_s = ?, revision = ? WHERE id = ?",
            now_s,
            revision,
            plan.0
        )
        .execute(self.connection())
        .await?;
        let json = |posted_at_s| {
            history::to_json("sign_plans", plan.0, &Version::new(PostedWire { posted_at_s }, None))
        };
        let (before, after) = (Some(json(None)?), Some(json(Some(now_s))?));
        let entry = Entry { kind: RecordKind::SignPlan, record_id: plan.0, batch_id: None, before, after };
        history::record(self, entry).await
    }
}

impl Snapshot {
    /// The kept plans of an area with their sites, newest first. Empty when there are none.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn sign_plans(&mut self, area: AreaId) -> Result<Vec<SignPlan>, Error> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", name, parameters_json, result_json, based_on_revision, actor, created_at_s, posted_at_s
             FROM sign_plans WHERE area_id = ? ORDER BY id DESC"#,
            area.0
        )
        .fetch_all(self.connection())
        .await?;
        let mut plans = Vec::with_capacity(rows.len());
        for row in rows {
            let id = SignPlanId(row.id);
            plans.push(SignPlan {
                id,
                given: SignPlanDraft {
                    name: row.name,
                    parameters_json: row.parameters_json,
                    result_json: row.result_json,
                    based_on: Revision(row.based_on_revision as u64),
                    sites: self.plan_sites(id).await?,
                },
                actor: row.actor,
                created_at_s: row.created_at_s,
                posted_at_s: row.posted_at_s,
            });
        }
        Ok(plans)
    }

    async fn plan_sites(&mut self, plan: SignPlanId) -> Result<Vec<PlanSite>, Error> {
        const TABLE: &str = "sign_plan_sites";
        let rows = sqlx::query!(
            "SELECT lon, lat, kind, facing_deg, wording_key, up_date, down_date, letter_height_mm, reason
             FROM sign_plan_sites WHERE plan_id = ? ORDER BY ordinal",
            plan.0
        )
        .fetch_all(self.connection())
        .await?;
        rows.into_iter()
            .map(|row| {
                let letter_height = row.letter_height_mm.map(Length::millimetres).transpose();
                Ok(PlanSite {
                    position: stored(LonLat::new(row.lon, row.lat), TABLE, "lon, lat", plan.0)?,
                    kind: row.kind,
                    facing_deg: row.facing_deg,
                    wording_key: row.wording_key,
                    up_date: row.up_date,
                    down_date: row.down_date,
                    letter_height: stored(letter_height, TABLE, "letter_height_mm", plan.0)?,
                    reason: row.reason,
                })
            })
            .collect()
    }
}
