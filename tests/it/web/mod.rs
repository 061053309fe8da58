//! Pages and layers as readers get them.

mod decisions;
mod errors;
mod layers;
mod pages;
mod samples;
mod settings;
mod ties;
