//! Encounters by what the reader asks for: the only statements that are put together while the program runs.

use std::ops::RangeInclusive;

use jiff::civil::Date;
use sqlx::FromRow;
use sqlx::QueryBuilder;
use sqlx::Sqlite;

use crate::domain::encounter::EffortKind;
use crate::domain::encounter::RecordedPosition;
use crate::domain::encounter::VerificationStatus;
use crate::domain::geography::BoundingBox;
use crate::domain::geography::LonLat;
use crate::domain::ids::AreaId;
use crate::domain::ids::BatchId;
use crate::domain::ids::EncounterId;
use crate::domain::time::EventTime;
use crate::domain::time::PartOfDay;
use crate::domain::units::Length;
use crate::store::error::Error;
use crate::store::error::stored;
use crate::store::event_time;
use crate::store::snapshot::Snapshot;
use crate::store::space_key::key_ranges;

/// Which encounters. What is empty or none does not narrow; all that is given must hold.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EncounterFilter {
    /// One of these effort kinds.
    pub effort_kinds: Vec<EffortKind>,
    /// This species, as written.
    pub scientific_name: Option<String>,
    /// One of these months, 1 to 12. An encounter whose month is not known is in none.
    pub months: Vec<u8>,
    /// A year from the first to the last. An encounter whose year is not known is in none.
    pub years: Option<RangeInclusive<i16>>,
    /// A date from the first to the last. An encounter whose day is not known is on none.
    pub dates: Option<RangeInclusive<Date>>,
    /// One of these parts of the day. An encounter whose time is not known is in none.
    pub parts_of_day: Vec<PartOfDay>,
    /// One of these states of review.
    pub verification_statuses: Vec<VerificationStatus>,
    /// In this box, edges included. An encounter without position is in none.
    pub bounding_box: Option<BoundingBox>,
    /// Last given by this batch.
    pub batch: Option<BatchId>,
}

/// Which way a list runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Order {
    /// The first that came in first.
    #[default]
    OldestFirst,
    /// The last that came in first.
    NewestFirst,
}

/// Which part of a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Paging {
    /// Begin after this encounter, which need not be there any more.
    pub after: Option<EncounterId>,
    /// At most so many.
    pub limit: u32,
    /// Which way the list runs.
    pub order: Order,
}

/// A part of a list of encounters.
#[derive(Debug, Clone, PartialEq)]
pub struct EncounterPage {
    /// The encounters, in order.
    pub encounters: Vec<EncounterSummary>,
    /// How many encounters the whole list has.
    pub n_matched: u64,
    /// Where the next page begins, none on the last page.
    pub next_after: Option<EncounterId>,
}

/// An encounter in a list.
#[derive(Debug, Clone, PartialEq)]
pub struct EncounterSummary {
    /// The stored row.
    pub id: EncounterId,
    /// `occurrenceID`.
    pub occurrence_id: String,
    /// What it may be divided by.
    pub effort_kind: EffortKind,
    /// When.
    pub time: EventTime,
    /// Where; none when no position is known.
    pub position: Option<RecordedPosition>,
    /// The species, or empty.
    pub scientific_name: String,
    /// The state of review.
    pub verification_status: VerificationStatus,
    /// The snake's `organismID`, or empty.
    pub organism_id: String,
    /// How many snakes, where counted.
    pub individual_count: Option<u32>,
    /// How many approaches.
    pub n_approaches: u32,
}

#[derive(FromRow)]
struct SummaryRow {
    id: i64,
    occurrence_id: String,
    effort_kind: String,
    year: Option<i64>,
    month: Option<i64>,
    day: Option<i64>,
    minute_of_day: Option<u16>,
    instant_s: Option<i64>,
    lon: Option<f64>,
    lat: Option<f64>,
    coordinate_uncertainty_m: Option<f64>,
    uncertainty_meaning: String,
    is_generalised: bool,
    scientific_name: String,
    verification_status: String,
    organism: Option<String>,
    individual_count: Option<u32>,
    n_approaches: u32,
}

impl TryFrom<SummaryRow> for EncounterSummary {
    type Error = Error;

    fn try_from(row: SummaryRow) -> Result<Self, Error> {
        const TABLE: &str = "encounters";
        let id = row.id;
        let date = event_time::from_columns(row.year, row.month, row.day);
        Ok(Self {
            id: EncounterId(id),
            effort_kind: stored(row.effort_kind.parse(), TABLE, "effort_kind", id)?,
            time: EventTime {
                date: stored(date, TABLE, "year, month, day", id)?,
                minute_of_day: row.minute_of_day,
                instant_s: row.instant_s,
            },
            position: position(&row)?,
            verification_status: stored(row.verification_status.parse(), TABLE, "verification_status", id)?,
            occurrence_id: row.occurrence_id,
            scientific_name: row.scientific_name,
            organism_id: row.organism.unwrap_or_default(),
            individual_count: row.individual_count,
            n_approaches: row.n_approaches,
        })
    }
}

fn position(row: &SummaryRow) -> Result<Option<RecordedPosition>, Error> {
    let (Some(lon), Some(lat)) = (row.lon, row.lat) else { return Ok(None) };
    let uncertainty = row.coordinate_uncertainty_m.map(Length::metres).transpose();
    Ok(Some(RecordedPosition {
        position: stored(LonLat::new(lon, lat), "encounters", "lon, lat", row.id)?,
        coordinate_uncertainty: stored(uncertainty, "encounters", "coordinate_uncertainty_m", row.id)?,
        meaning: stored(row.uncertainty_meaning.parse(), "encounters", "uncertainty_meaning", row.id)?,
        is_generalised: row.is_generalised,
    }))
}

type Query = QueryBuilder<Sqlite>;

impl Snapshot {
    /// A page of the encounters of an area that a filter lets through, with their number on all pages.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn list_encounters(
        &mut self,
        area: AreaId,
        filter: &EncounterFilter,
        paging: &Paging,
    ) -> Result<EncounterPage, Error> {
        let n_matched = self.count_encounters(area, filter).await?;
        let mut query = Query::new(
            "SELECT id, occurrence_id, effort_kind, year, month, day, minute_of_day, instant_s, lon, lat,
                coordinate_uncertainty_m, uncertainty_meaning, is_generalised, scientific_name, verification_status,
                (SELECT organism_id FROM organisms WHERE organisms.id = encounters.organism_id) AS organism,
                individual_count, (SELECT COUNT(*) FROM approaches WHERE encounter_id = encounters.id) AS n_approaches",
        );
        push_from(&mut query, filter);
        // The plus keeps SQLite from the index of the area, after which it would have to sort all its encounters.
        query.push(" WHERE +area_id = ").push_bind(area.0);
        push_conditions(&mut query, filter);
        push_page(&mut query, paging);
        let mut rows: Vec<SummaryRow> = query.build_query_as().fetch_all(self.connection()).await?;
        let has_more = rows.len() > paging.limit as usize;
        rows.truncate(paging.limit as usize);
        let next_after = rows.last().filter(|_| has_more).map(|row| EncounterId(row.id));
        let encounters = rows.into_iter().map(EncounterSummary::try_from).collect::<Result<_, _>>()?;
        Ok(EncounterPage { encounters, n_matched, next_after })
    }

    /// How many encounters of an area a filter lets through.
    ///
    /// # Errors
    /// [`Error`] when the database cannot be read.
    pub async fn count_encounters(&mut self, area: AreaId, filter: &EncounterFilter) -> Result<u64, Error> {
        let mut query = Query::new("SELECT COUNT(*)");
        push_from(&mut query, filter);
        // All of an area are counted in its index alone; anything else needs the rows.
        let is_all = *filter == EncounterFilter::default();
        query.push(if is_all { " WHERE area_id = " } else { " WHERE +area_id = " }).push_bind(area.0);
        push_conditions(&mut query, filter);
        let n: i64 = query.build_query_scalar().fetch_one(self.connection()).await?;
        Ok(n as u64)
    }
}

/// One row more than the page holds tells whether there is a next page.
fn push_page(query: &mut Query, paging: &Paging) {
    let (beyond, order) = match paging.order {
        Order::OldestFirst => (" AND id > ", " ORDER BY id LIMIT "),
        Order::NewestFirst => (" AND id < ", " ORDER BY id DESC LIMIT "),
    };
    if let Some(after) = paging.after {
        query.push(beyond).push_bind(after.0);
    }
    query.push(order).push_bind(i64::from(paging.limit) + 1);
}

fn push_conditions(query: &mut Query, filter: &EncounterFilter) {
    query.push(" AND removed_revision IS NULL");
    push_any(query, "effort_kind", filter.effort_kinds.iter().map(|kind| kind.term()));
    push_any(query, "verification_status", filter.verification_statuses.iter().map(|status| status.term()));
    push_any(query, "month", filter.months.iter().copied());
    push_any(
        query,
        "minute_of_day / 60",
        filter.parts_of_day.iter().flat_map(|part| part.hours()).collect::<Vec<_>>().into_iter(),
    );
    if let Some(name) = &filter.scientific_name {
        query.push(" AND scientific_name = ").push_bind(name.clone());
    }
    if let Some(years) = &filter.years {
        query.push(" AND year BETWEEN ").push_bind(*years.start()).push(" AND ").push_bind(*years.end());
    }
    if let Some(dates) = &filter.dates {
        query.push(" AND year * 10000 + month * 100 + day BETWEEN ").push_bind(day_number(*dates.start()));
        query.push(" AND ").push_bind(day_number(*dates.end()));
    }
    if let Some(batch) = filter.batch {
        query.push(" AND batch_id = ").push_bind(batch.0);
    }
    if let Some(area) = &filter.bounding_box {
        push_box(query, area);
    }
}

/// A number that grows with the date, also before the year 0.
fn day_number(date: Date) -> i64 {
    i64::from(date.year()) * 10_000 + i64::from(date.month()) * 100 + i64::from(date.day())
}

/// `column IN (a, b)`, nothing for an empty list.
fn push_any<'a, T>(query: &mut Query, column: &'static str, values: impl ExactSizeIterator<Item = T>)
where
    T: sqlx::Encode<'a, Sqlite> + sqlx::Type<Sqlite>,
{
    if values.len() == 0 {
        return;
    }
    query.push(" AND ").push(column).push(" IN (");
    let mut list = query.separated(", ");
    for value in values {
        list.push_bind(value);
    }
    query.push(")");
}

/// The table, by way of the ranges of keys that cover the box, where there is one.
///
/// CROSS JOIN keeps the order: left to itself, SQLite prefers to go through all encounters of the area.
fn push_from(query: &mut Query, filter: &EncounterFilter) {
    let Some(area) = &filter.bounding_box else {
        query.push(" FROM encounters");
        return;
    };
    query.push(" FROM (");
    let ranges = key_ranges(area);
    if ranges.is_empty() {
        query.push("SELECT 0 AS column1, 0 AS column2 WHERE FALSE");
    } else {
        query.push_values(ranges, |mut row, range| {
            row.push_bind(*range.start()).push_bind(*range.end());
        });
    }
    query.push(") AS squares CROSS JOIN encounters INDEXED BY encounters_by_space");
}

/// The ranges of keys find the rows, longitude and latitude decide.
fn push_box(query: &mut Query, area: &BoundingBox) {
    query.push(" AND space_key BETWEEN squares.column1 AND squares.column2");
    query.push(" AND lat BETWEEN ").push_bind(area.south).push(" AND ").push_bind(area.north);
    let between = if area.west <= area.east { " AND " } else { " OR " };
    query
        .push(" AND (lon >= ")
        .push_bind(area.west)
        .push(between)
        .push("lon <= ")
        .push_bind(area.east)
        .push(")");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::testing::TestStore;

    #[tokio::test]
    async fn a_box_goes_by_the_ranges_of_keys() {
        let test = TestStore::new().await;
        let area = BoundingBox { west: 10.0, south: 45.0, east: 10.1, north: 45.1 };
        let filter = EncounterFilter { bounding_box: Some(area), ..EncounterFilter::default() };
        let mut query = Query::new("EXPLAIN QUERY PLAN SELECT id");
        push_from(&mut query, &filter);
        query.push(" WHERE +area_id = ").push_bind(test.area.0);
        push_conditions(&mut query, &filter);
        push_page(&mut query, &Paging { after: Some(EncounterId(7)), limit: 5, order: Order::NewestFirst });
        let mut snapshot = test.store.snapshot().await.unwrap();
        let plan: Vec<(i64, i64, i64, String)> =
            query.build_query_as().fetch_all(snapshot.connection()).await.unwrap();
        let search = "SEARCH encounters USING INDEX encounters_by_space (space_key>? AND space_key<?";
        assert!(plan.iter().any(|(.., detail)| detail.starts_with(search)), "{plan:?}");
    }
}
