//! Pages and layers as readers get them.

mod errors;
mod exposure;
mod layers;
mod pages;
mod samples;
