//! Quantities with their unit in the constructor and in the accessor.
//!
//! Every value is finite by construction, so quantities can be compared, hashed and used in cache keys.

use std::cmp::Ordering;
use std::hash::{Hash, Hasher};

/// A number was not finite, or outside what the quantity allows.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{value} is not a valid {quantity}: it must be finite and at least {minimum}")]
pub struct InvalidQuantity {
    /// The quantity, in words.
    pub quantity: &'static str,
    /// The value refused.
    pub value: f64,
    /// The least value allowed.
    pub minimum: f64,
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $words:literal, $minimum:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy)]
        pub struct $name(f64);

        impl $name {
            fn checked(value: f64) -> Result<Self, InvalidQuantity> {
                if value.is_finite() && value >= $minimum {
                    // Adding zero turns -0.0 into 0.0, so that equal values hash alike.
                    Ok(Self(value + 0.0))
                } else {
                    Err(InvalidQuantity { quantity: $words, value, minimum: $minimum })
                }
            }
        }

        impl PartialEq for $name {
            fn eq(&self, other: &Self) -> bool {
                self.0 == other.0
            }
        }

        impl Eq for $name {}

        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
                Some(self.cmp(other))
            }
        }

        impl Ord for $name {
            fn cmp(&self, other: &Self) -> Ordering {
                self.0.total_cmp(&other.0)
            }
        }

        impl Hash for $name {
            fn hash<H: Hasher>(&self, state: &mut H) {
                self.0.to_bits().hash(state);
            }
        }
    };
}

quantity!(
    /// A length along the ground, or a distance.
    Length, "length", 0.0
);
quantity!(
    /// A length of time.
    Span, "length of time", 0.0
);
quantity!(
    /// Exposure: how far parties (or survey walks) went on a segment in a period.
    Exposure, "exposure", 0.0
);
quantity!(
    /// An encounter rate.
    Rate, "encounter rate", 0.0
);
quantity!(
    /// A temperature.
    Temperature, "temperature", -273.15
);
quantity!(
    /// A share or a probability times any whole: at least zero; callers that need at most one use [`Share::proportion`].
    Share, "share", 0.0
);
quantity!(
    /// A mass, used for applied loads.
    Mass, "mass", 0.0
);

impl Length {
    /// No length.
    pub const ZERO: Self = Self(0.0);

    /// A length in metres.
    ///
    /// # Errors
    /// [`InvalidQuantity`] when negative or not finite.
    pub fn metres(metres: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(metres)
    }

    /// A length in millimetres.
    ///
    /// # Errors
    /// [`InvalidQuantity`] when negative or not finite.
    pub fn millimetres(millimetres: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(millimetres / 1000.0)
    }

    /// In metres.
    pub fn in_metres(self) -> f64 {
        self.0
    }

    /// In kilometres.
    pub fn in_kilometres(self) -> f64 {
        self.0 / 1000.0
    }

    /// In millimetres.
    pub fn in_millimetres(self) -> f64 {
        self.0 * 1000.0
    }
}

impl Span {
    /// A span in seconds.
    ///
    /// # Errors
    /// [`InvalidQuantity`] when negative or not finite.
    pub fn seconds(seconds: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(seconds)
    }

    /// In seconds.
    pub fn in_seconds(self) -> f64 {
        self.0
    }
}

impl Exposure {
    /// Nobody walked here.
    pub const ZERO: Self = Self(0.0);

    /// Exposure in kilometres walked by parties (or surveyed).
    ///
    /// # Errors
    /// [`InvalidQuantity`] when negative or not finite.
    pub fn party_km(km: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(km)
    }

    /// In kilometres walked.
    pub fn walked_km(self) -> f64 {
        self.0
    }
}

impl Rate {
    /// A rate in encounters per kilometre walked.
    ///
    /// # Errors
    /// [`InvalidQuantity`] when negative or not finite.
    pub fn encounters_per_km(per_km: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(per_km)
    }

    /// In encounters per kilometre.
    pub fn per_km(self) -> f64 {
        self.0
    }

    /// In encounters per 1,000 km walked: the unit of every page.
    pub fn per_1000_km(self) -> f64 {
        self.0 * 1000.0
    }
}

impl Temperature {
    /// A temperature in degrees Celsius.
    ///
    /// # Errors
    /// [`InvalidQuantity`] below absolute zero or when not finite.
    pub fn celsius(celsius: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(celsius)
    }

    /// In degrees Celsius.
    pub fn in_celsius(self) -> f64 {
        self.0
    }
}

impl Share {
    /// A proportion in [0, 1].
    ///
    /// # Errors
    /// [`InvalidQuantity`] outside [0, 1] or when not finite.
    pub fn proportion(value: f64) -> Result<Self, InvalidQuantity> {
        if value > 1.0 {
            return Err(InvalidQuantity { quantity: "share (at most 1)", value, minimum: 0.0 });
        }
        Self::checked(value)
    }

    /// As a fraction of one.
    pub fn fraction(self) -> f64 {
        self.0
    }

    /// In per cent.
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
}

impl Mass {
    /// A mass in kilograms.
    ///
    /// # Errors
    /// [`InvalidQuantity`] when negative or not finite.
    pub fn kilograms(kilograms: f64) -> Result<Self, InvalidQuantity> {
        Self::checked(kilograms)
    }

    /// In kilograms.
    pub fn in_kilograms(self) -> f64 {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_is_not_a_length() {
        for bad in [f64::NAN, f64::INFINITY, -1.0] {
            assert!(Length::metres(bad).is_err(), "{bad}");
        }
        assert_eq!(Length::metres(-0.0).unwrap(), Length::ZERO);
    }

    #[test]
    fn a_rate_reads_in_the_unit_of_the_pages() {
        let rate = Rate::encounters_per_km(0.0053).unwrap();
        assert!((rate.per_1000_km() - 5.3).abs() < 1e-12);
    }
}
