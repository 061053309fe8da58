//! Pages and layers as readers get them.

mod accounts;
mod clusters;
mod decisions;
mod density;
mod effect;
mod errors;
mod exposure;
mod history;
mod hostile;
mod kept;
mod layers;
mod limits;
mod observers;
mod outlook;
mod pages;
mod photos;
mod public;
mod reactions;
mod samples;
mod season;
mod settings;
mod study;
mod study_layers;
mod ties;
mod walks;
mod watch_south;
