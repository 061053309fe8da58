//! Runs of positions and instants as bytes: little-endian float64 pairs, longitude then latitude; int64 instants.

use crate::domain::geography::LonLat;

/// The bytes of a run of positions, 16 a position.
pub(super) fn encode_run(run: &[LonLat]) -> Vec<u8> {
    run.iter().flat_map(|at| [at.lon().to_le_bytes(), at.lat().to_le_bytes()]).flatten().collect()
}

/// Reads what [`encode_run`] wrote.
///
/// # Errors
/// What is wrong, in words: a length that is no multiple of 16, or a position out of range.
pub(super) fn decode_run(bytes: &[u8]) -> Result<Vec<LonLat>, String> {
    let (words, rest) = words(bytes);
    if !rest.is_empty() || words.len() % 2 != 0 {
        return Err(format!("{} bytes are not whole positions", bytes.len()));
    }
    words
        .chunks_exact(2)
        .map(|pair| {
            LonLat::new(f64::from_le_bytes(pair[0]), f64::from_le_bytes(pair[1])).map_err(|e| e.to_string())
        })
        .collect()
}

/// The bytes of a run of instants, 8 an instant.
pub(super) fn encode_instants(instants_s: &[i64]) -> Vec<u8> {
    instants_s.iter().flat_map(|instant_s| instant_s.to_le_bytes()).collect()
}

/// Reads what [`encode_instants`] wrote.
///
/// # Errors
/// What is wrong, in words: a length that is no multiple of 8.
pub(super) fn decode_instants(bytes: &[u8]) -> Result<Vec<i64>, String> {
    let (words, rest) = words(bytes);
    if !rest.is_empty() {
        return Err(format!("{} bytes are not whole instants", bytes.len()));
    }
    Ok(words.into_iter().map(i64::from_le_bytes).collect())
}

/// The bytes of a run of numbers, 8 a number.
pub(super) fn encode_numbers(numbers: &[f64]) -> Vec<u8> {
    numbers.iter().flat_map(|number| number.to_le_bytes()).collect()
}

/// Reads what [`encode_numbers`] wrote.
///
/// # Errors
/// What is wrong, in words: a length that is no multiple of 8, or a number that is not finite.
pub(super) fn decode_numbers(bytes: &[u8]) -> Result<Vec<f64>, String> {
    let (words, rest) = words(bytes);
    let numbers: Vec<f64> = words.into_iter().map(f64::from_le_bytes).collect();
    if !rest.is_empty() || numbers.iter().any(|number| !number.is_finite()) {
        return Err(format!("{} bytes are not whole finite numbers", bytes.len()));
    }
    Ok(numbers)
}

fn words(bytes: &[u8]) -> (Vec<[u8; 8]>, &[u8]) {
    let (words, rest) = bytes.as_chunks::<8>();
    (words.to_vec(), rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_read_back_to_the_bit() {
        let run = [LonLat::new(-111.123_456_789_012_34, 34.1).unwrap(), LonLat::new(180.0, -90.0).unwrap()];
        assert_eq!(decode_run(&encode_run(&run)).unwrap(), run);
        assert_eq!(decode_run(&[]).unwrap(), []);
        assert!(decode_run(&[0; 8]).is_err());
        assert!(decode_run(&[0; 15]).is_err());
        assert!(decode_run(&encode_instants(&[i64::MAX, i64::MAX])).is_err());
    }

    #[test]
    fn numbers_read_back_to_the_bit() {
        let metres = [1_234.567_890_123, -12.0, 0.0];
        assert_eq!(decode_numbers(&encode_numbers(&metres)).unwrap(), metres);
        assert!(decode_numbers(&[0; 9]).is_err());
        assert!(decode_numbers(&encode_numbers(&[f64::NAN])).is_err());
    }

    #[test]
    fn instants_read_back() {
        let instants_s = [0, -1, i64::MAX];
        assert_eq!(decode_instants(&encode_instants(&instants_s)).unwrap(), instants_s);
        assert!(decode_instants(&[0; 9]).is_err());
    }
}
