//! What the walking rests on beside counts: every prior and rule, and which of them was counted here.

use crate::analysis::exposure::Assumption;
use crate::derived::exposure::ExposureLayer;
use crate::derived::exposure::party_size;
use crate::derived::facts::Facts;
use crate::domain::exposure::PartiesOf;

/// The line about party sizes.
const PARTY_SIZE: &str = "mean party size";
/// Where a mean comes from that somebody counted.
const COUNTED: &str = "counted: the sizes brought in for the whole area, over the study period";

/// The lines, in the order in which they are shown. The mean party size is an assumption only where no sizes of the whole area
/// were brought in.
pub fn lines(facts: &Facts, exposure: &ExposureLayer) -> Vec<Assumption> {
    let is_counted = party_size::over(&facts.party_sizes, PartiesOf::Area, &exposure.period).is_some();
    let line = |line: Assumption| match is_counted && line.name == PARTY_SIZE {
        true => Assumption { source: COUNTED, ..line },
        false => line,
    };
    exposure.params.assumptions().into_iter().map(line).collect()
}
