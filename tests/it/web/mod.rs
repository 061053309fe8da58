//! Pages and layers as readers get them.

mod clusters;
mod errors;
mod layers;
mod pages;
mod samples;
