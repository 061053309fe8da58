//! The commands.

pub mod generate;
