//! Pages and layers as readers get them.

mod errors;
mod layers;
mod outlook;
mod pages;
mod samples;
