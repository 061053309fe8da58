//! The store as its users see it.

mod encounters;
mod filtering;
mod observers;
mod opening;
mod reading;
mod records;
mod undoing;
mod writing;
