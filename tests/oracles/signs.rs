//! Letters, words and colours of signs, and rounded positions.

use coilway::analysis::plane::distance_m;
use coilway::domain::disclosure::Disclosed;
use coilway::domain::disclosure::SensitivityCategory;
use coilway::domain::disclosure::cell_diagonal;
use coilway::domain::disclosure::disclose;
use coilway::domain::disclosure::step_degrees;
use coilway::domain::geography::LonLat;
use coilway::domain::units::Length;
use coilway::signage::sizing::Colour;
use coilway::signage::sizing::ContrastLevel;
use coilway::signage::sizing::LegibilityRule;
use coilway::signage::sizing::METRES_PER_FOOT;
use coilway::signage::sizing::SignalWord;
use coilway::signage::sizing::accessible_character_height_in;
use coilway::signage::sizing::contrast_ratio;
use coilway::signage::sizing::letter_height;
use coilway::signage::sizing::letter_height_in;
use serde_json::Map;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::optional;
use crate::answer::real;
use crate::answer::reals;
use crate::record::Record;

pub(crate) fn letters(record: &Record) -> Answered {
    let (thirty, forty) = (LegibilityRule::ThirtyFeetPerInch, LegibilityRule::FortyFeetPerInch);
    let value = if record.asks("older rule: 1 inch of letter height per 40 ft") {
        let metres = 12.0;
        let height_mm = letter_height(Length::metres(metres)?, forty).in_millimetres();
        json!({
            "ft_per_inch": real(forty.feet_per_inch()),
            "m_per_25mm": real(metres * 25.0 / height_mm),
        })
    } else if record.asks("recent rule: 1 inch per 30 ft") {
        json!({ "ft_per_inch": real(thirty.feet_per_inch()) })
    } else if record.asks("smallest letter height for a legibility distance") {
        let distance_ft: f64 = record.get("distance_ft")?;
        let distance = Length::metres(distance_ft * METRES_PER_FOOT)?;
        json!({
            "in_30": real(letter_height_in(distance_ft, thirty)),
            "mm_30": real(letter_height(distance, thirty).in_millimetres()),
            "in_40": real(letter_height_in(distance_ft, forty)),
            "mm_40": real(letter_height(distance, forty).in_millimetres()),
        })
    } else if record.asks("ADA 703.5.5 minimum character height")
        || record.asks("baseline 40-70 in, 21 ft away")
    {
        optional(accessible_character_height_in(record.get("baseline_in")?, record.get("distance_in")?))
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

pub(crate) fn words(record: &Record) -> Answered {
    if !record.asks("signal words") {
        return Err(Problem::Unknown);
    }
    let words = [SignalWord::Danger, SignalWord::Warning, SignalWord::Caution, SignalWord::Notice];
    let meanings: Map<String, Value> =
        words.into_iter().map(|word| (word.word().to_owned(), word.meaning().into())).collect();
    Ok(Answer::of(Value::Object(meanings)))
}

pub(crate) fn contrast(record: &Record) -> Answered {
    let colours = [record.get::<String>("a")?, record.get::<String>("b")?].map(|hex| Colour::from_hex(&hex));
    let [Some(a), Some(b)] = colours else { return failed("not colours") };
    let ratio = contrast_ratio(a, b);
    let value = if record.asks("contrast ratio") {
        real(ratio)
    } else if record.asks("WCAG contrast ratio and whether it passes") {
        json!({
            "ratio": real(ratio),
            "aa": ContrastLevel::Text.is_met_by(ratio),
            "aa_large": ContrastLevel::LargeText.is_met_by(ratio),
            "aaa": ContrastLevel::EnhancedText.is_met_by(ratio),
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

pub(crate) fn generalise(record: &Record) -> Answered {
    if record.asks("uncertainty (m) from coordinate precision") {
        let (lat, steps): (f64, Vec<f64>) = (record.get("lat")?, record.get("precision_deg")?);
        let diagonals = steps.iter().map(|&step| cell_diagonal(lat, step).in_metres());
        Ok(Answer::of(reals(diagonals)))
    } else if record.asks("10.27, -123.6 with precision 0.01 degree") {
        let diagonal = cell_diagonal(record.get("lat")?, record.get("precision_deg")?);
        Ok(Answer::of(real(diagonal.in_metres())))
    } else if record.asks("sensitivity category to published precision") {
        categories()
    } else if record.asks("coordinates rounded to") {
        rounded_positions(record)
    } else {
        Err(Problem::Unknown)
    }
}

/// What each category shows of a position, in the words of the source.
fn categories() -> Answered {
    let held = LonLat::new(-112.11294, 36.10692)?;
    let shown = |category: SensitivityCategory| match (disclose(held, None, category), category.decimals()) {
        // The source leaves a choice; withholding is the strictest of it.
        (Disclosed::Withheld { .. }, None) => {
            json!("withheld, or by region (county, watershed) or 1 degree")
        }
        (Disclosed::Generalised { .. }, Some(decimals)) => real(step_degrees(decimals)),
        (Disclosed::AsHeld { position, .. }, None) if position == held => json!("as held"),
        (other, _) => json!(format!("{other:?}")),
    };
    let mut value = Map::new();
    for number in 1..=4 {
        let Some(category) = SensitivityCategory::from_number(number) else { return failed("no category") };
        value.insert(number.to_string(), shown(category));
    }
    value.insert("not sensitive".to_owned(), shown(SensitivityCategory::NotSensitive));
    Ok(Answer::of(Value::Object(value)))
}

fn rounded_positions(record: &Record) -> Answered {
    let held = LonLat::new(record.get("lon")?, record.get("lat")?)?;
    let mut value = Map::new();
    for number in 2..=4 {
        let Some(category) = SensitivityCategory::from_number(number) else { return failed("no category") };
        let Disclosed::Generalised { position, coordinate_uncertainty, .. } = disclose(held, None, category)
        else {
            return failed("not generalised");
        };
        if [position.lat(), position.lon()]
            .iter()
            .any(|degrees| *degrees == 0.0 && degrees.is_sign_negative())
        {
            return failed("minus zero");
        }
        let uncertainty_m = coordinate_uncertainty.in_metres();
        value.insert(
            number.to_string(),
            json!({
                "lat": real(position.lat()),
                "lon": real(position.lon()),
                "moved_m": real(distance_m(held, position)),
                "uncertainty_full_m": real(uncertainty_m),
                "uncertainty_half_m": real(uncertainty_m / 2.0),
            }),
        );
    }
    // The record's note asks for equal coordinates.
    Ok(Answer::of(Value::Object(value)).held_to("lat", 0.0, 0.0).held_to("lon", 0.0, 0.0))
}
