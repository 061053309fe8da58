//! Weather by day.

use crate::domain::weather::DailyWeather;
use crate::domain::weather::MAX_TEMPERATURE_RANGE_C;
use crate::ingest::error::Problem;
use crate::ingest::field::Field;
use crate::ingest::fields::dates;
use crate::ingest::fields::numbers;
use crate::ingest::row::Row;

pub(super) fn day(row: &dyn Row) -> Result<DailyWeather, Problem> {
    // A column "day" holds whole days here.
    let column = if row.get(Field::EventDate).is_empty() { Field::Day } else { Field::EventDate };
    let text = dates::optional_date(row, column)?;
    let wrong = |reason: &str| {
        let field = Field::EventDate.name();
        Problem::new(field, row.get(column), reason.to_owned(), "enter a day like 2024-05-31")
    };
    if text.is_empty() {
        return Err(wrong("there is no value"));
    }
    let date = text.parse().map_err(|_| wrong("this is not a day"))?;
    let max_temperature_c = numbers::needed(row, Field::MaxTemperature)?;
    let (low, high) = MAX_TEMPERATURE_RANGE_C;
    if !(low..=high).contains(&max_temperature_c) {
        let reason = "no day on earth has had such a temperature";
        let text = row.get(Field::MaxTemperature);
        return Err(Problem::new(Field::MaxTemperature.name(), text, reason, "give degrees Celsius"));
    }
    Ok(DailyWeather { date, max_temperature_c })
}
