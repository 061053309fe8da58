//! The store as its users see it.

mod closures;
mod encounters;
mod filtering;
mod forgetting;
mod late_indexes;
mod notices;
mod observers;
mod opening;
mod reading;
mod records;
mod sign_watches;
mod states;
mod undoing;
mod writing;
