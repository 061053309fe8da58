//! Expected contacts underfoot and bites, from the few approaches that were recorded.
//!
//! Two shares with Beta priors turn encounters into contacts underfoot and into bites. Both priors are stated, and the
//! answer says how much of the estimate is theirs: all of it where nothing of the kind was recorded.

use rand_distr::{Beta, Distribution};

use crate::analysis::random::{seed_of, stream};
use crate::analysis::rates::Interval;

/// A share counted from records, with its prior.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareData {
    /// Records that showed it.
    pub shown: u64,
    /// Records watched; at least `shown`.
    pub watched: u64,
    /// First parameter of the Beta prior, more than zero.
    pub prior_a: f64,
    /// Second parameter of the Beta prior, more than zero.
    pub prior_b: f64,
}

impl ShareData {
    /// How much of the posterior mean is there for the prior's sake, in (0, 1]: the prior's part of what counts as shown.
    ///
    /// One where nothing was shown, however much was watched: what is watched only makes the figure smaller.
    pub fn prior_part(&self) -> f64 {
        self.prior_a / (self.prior_a + self.shown as f64)
    }

    /// Mean of the prior, in (0, 1).
    pub fn prior_mean(&self) -> f64 {
        self.prior_a / (self.prior_a + self.prior_b)
    }

    /// Mean of the posterior, in (0, 1).
    pub fn posterior_mean(&self) -> f64 {
        (self.prior_a + self.shown as f64) / (self.prior_a + self.prior_b + self.watched as f64)
    }
}

/// What goes into expected contacts and bites.
#[derive(Debug, Clone, Copy)]
pub struct ContactInput<'a> {
    /// Draws of the encounter rate, per km.
    pub rate_per_km: &'a [f64],
    /// Share of encounters in which the snake was stepped on.
    pub underfoot: ShareData,
    /// Share of encounters in which the snake bit skin, whatever the contact.
    pub bite: ShareData,
    /// Seed of the shares' draws.
    pub seed: u64,
}

/// Contacts and bites per 100,000 km walked, with how much of them is prior.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Contacts {
    /// Both shares have records.
    Estimated {
        /// Contacts underfoot per 100,000 km.
        underfoot_per_100_000_km: Interval,
        /// Bites per 100,000 km.
        bites_per_100_000_km: Interval,
        /// Part of the prior in the figure underfoot, in (0, 1].
        underfoot_prior_part: f64,
        /// Part of the prior in the figure of bites, in (0, 1].
        bite_prior_part: f64,
        /// Bites per 100,000 km if the share were that of the prior alone.
        bites_of_prior_alone: f64,
    },
    /// No approach was recorded: it would all be prior.
    NotEstimable,
}

/// What was wrong with the input.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InvalidContacts {
    /// More shown than watched, or a prior parameter is not positive and finite.
    #[error("a share of {shown} in {watched} with the prior Beta({prior_a}, {prior_b}) cannot be")]
    Share {
        /// Records that showed it.
        shown: u64,
        /// Records watched.
        watched: u64,
        /// First parameter.
        prior_a: f64,
        /// Second parameter.
        prior_b: f64,
    },
    /// There are no draws, or one is negative or not finite.
    #[error("the draws of the rate are empty, negative or not finite")]
    Rates,
}

/// Expected contacts underfoot and bites per 100,000 km, draw by draw.
///
/// Draw `i` takes the `i`th rate and shares from stream `i` of the seed. Encounters are taken as independent; where the
/// same snakes were met again, the true interval is wider.
///
/// # Errors
/// [`InvalidContacts`] when a share or a rate is out of range.
pub fn contacts(input: &ContactInput<'_>) -> Result<Contacts, InvalidContacts> {
    let underfoot = posterior(&input.underfoot)?;
    let bite = posterior(&input.bite)?;
    if input.rate_per_km.is_empty()
        || input.rate_per_km.iter().any(|rate| !(rate.is_finite() && *rate >= 0.0))
    {
        return Err(InvalidContacts::Rates);
    }
    if input.underfoot.watched == 0 || input.bite.watched == 0 {
        return Ok(Contacts::NotEstimable);
    }
    let (mut stepped, mut bitten) = (Vec::new(), Vec::new());
    for (draw, rate) in input.rate_per_km.iter().enumerate() {
        let mut rng = stream(seed_of(input.seed, "contacts"), draw as u64);
        stepped.push(rate * 1e5 * underfoot.sample(&mut rng));
        bitten.push(rate * 1e5 * bite.sample(&mut rng));
    }
    let mean_rate = input.rate_per_km.iter().sum::<f64>() / input.rate_per_km.len() as f64;
    Ok(Contacts::Estimated {
        underfoot_per_100_000_km: Interval::from_draws(&mut stepped, 0.95),
        bites_per_100_000_km: Interval::from_draws(&mut bitten, 0.95),
        underfoot_prior_part: input.underfoot.prior_part(),
        bite_prior_part: input.bite.prior_part(),
        bites_of_prior_alone: mean_rate * 1e5 * input.bite.prior_mean(),
    })
}

fn posterior(share: &ShareData) -> Result<Beta<f64>, InvalidContacts> {
    let ShareData { shown, watched, prior_a, prior_b } = *share;
    let invalid = InvalidContacts::Share { shown, watched, prior_a, prior_b };
    let is_positive = |value: f64| value.is_finite() && value > 0.0;
    if shown > watched || !is_positive(prior_a) || !is_positive(prior_b) {
        return Err(invalid);
    }
    Beta::new(prior_a + shown as f64, prior_b + (watched - shown) as f64).map_err(|_| invalid)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn share(shown: u64, watched: u64) -> ShareData {
        ShareData { shown, watched, prior_a: 0.5, prior_b: 0.5 }
    }

    #[test]
    fn means_multiply_as_worked_by_hand() {
        // 0.002 per km, (0.5 + 4) / 100 underfoot, (0.5 + 1) / 40 bites: 9 contacts and 7.5 bites per 100,000 km.
        let rates = vec![0.002; 4000];
        let input =
            ContactInput { rate_per_km: &rates, underfoot: share(4, 99), bite: share(1, 39), seed: 1 };
        let Contacts::Estimated {
            underfoot_per_100_000_km: stepped,
            bites_per_100_000_km: bitten,
            underfoot_prior_part,
            bite_prior_part,
            bites_of_prior_alone,
        } = contacts(&input).unwrap()
        else {
            panic!("not estimable")
        };
        assert!((stepped.mean - 9.0).abs() < 0.3, "{stepped:?}");
        assert!((bitten.mean - 7.5).abs() < 0.4, "{bitten:?}");
        assert!(bitten.lower < 2.0 && bitten.upper > 17.0, "{bitten:?}");
        // Half an encounter of 4.5 underfoot is the prior's, and half of 1.5 with a bite.
        assert!(
            (underfoot_prior_part - 1.0 / 9.0).abs() < 1e-12 && (bite_prior_part - 1.0 / 3.0).abs() < 1e-12
        );
        assert_eq!(share(0, 770).prior_part(), 1.0);
        assert!((bites_of_prior_alone - 100.0).abs() < 1e-9);
    }

    #[test]
    fn without_records_there_is_no_estimate() {
        let input = |underfoot, bite| ContactInput { rate_per_km: &[0.01], underfoot, bite, seed: 1 };
        assert_eq!(contacts(&input(share(0, 0), share(1, 5))), Ok(Contacts::NotEstimable));
        assert_eq!(contacts(&input(share(1, 9), share(0, 0))), Ok(Contacts::NotEstimable));
        assert!(contacts(&input(share(3, 2), share(0, 1))).is_err());
        assert_eq!(
            contacts(&ContactInput { rate_per_km: &[], ..input(share(1, 2), share(1, 2)) }),
            Err(InvalidContacts::Rates)
        );
    }
}
