//! Pages and layers as readers get them.

mod clusters;
mod density;
mod effect;
mod errors;
mod exposure;
mod layers;
mod observers;
mod outlook;
mod pages;
mod reactions;
mod samples;
mod study;
mod walks;
