//! Printed figures that the record's own inputs contradict.
//!
//! Nothing belongs here without two separate computations from the inputs that agree with each other.

/// A printed figure that is wrong.
pub(crate) struct Contradicted {
    pub(crate) id: &'static str,
    /// Its name in what the record expects.
    pub(crate) field: &'static str,
    /// What the inputs give, to one part in a million.
    pub(crate) data_give: f64,
    pub(crate) reason: &'static str,
}

pub(crate) const CONTRADICTED: [Contradicted; 2] = [
    Contradicted {
        id: "trend-pub-alcohol",
        field: "p_asymptotic_equal",
        data_give: 0.176386,
        reason: "printed 0.1765; the printed table with equally spaced scores gives 0.176386, while with the other \
                 scores it gives what is printed",
    },
    Contradicted {
        id: "trend-pub-alcohol",
        field: "p_exact_equal",
        data_give: 0.178968,
        reason: "printed 0.1792; enumeration of the printed table with equally spaced scores gives 0.178968",
    },
];
