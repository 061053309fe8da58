//! Pages and layers as readers get them.

mod effect;
mod errors;
mod layers;
mod observers;
mod pages;
mod samples;
