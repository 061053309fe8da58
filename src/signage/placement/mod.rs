//! Choosing sign locations: maximum expected warned encounters.

pub mod coverage;
pub mod exact;
pub mod linear;
mod relaxation;
mod residual;
pub mod rules;
pub mod selection;

#[cfg(test)]
mod tests;
