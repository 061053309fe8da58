//! Pages and layers as readers get them.

mod accounts;
mod errors;
mod layers;
mod pages;
mod public;
mod samples;
