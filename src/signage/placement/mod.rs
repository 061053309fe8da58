//! Choosing sign locations: maximum expected warned encounters.

pub mod coverage;
pub mod exact;
pub mod linear;
pub mod lottery;
pub mod curve;
pub mod demand;
pub mod evaluate;
mod relaxation;
mod residual;
pub mod rules;
pub mod selection;
pub mod spacing;
pub mod walk;

#[cfg(test)]
mod tests;
