//! Pages and layers as readers get them.

mod errors;
mod layers;
mod pages;
mod samples;
mod study;
