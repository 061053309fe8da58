//! Pages and layers as readers get them.

mod density;
mod errors;
mod layers;
mod pages;
mod reactions;
mod samples;
mod walks;
