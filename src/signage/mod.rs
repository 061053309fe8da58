//! Where signs go, what they say, and how large their letters are.
//!
//! [`placement`] chooses the sites, [`plan`] turns the choice into locations with reasons and dates, [`wording`] holds the
//! texts that park staff may edit, [`cautions`] those of pages, [`texts`] reads those in use, [`sizing`] the letters, colours and distances. [`fact_sheet`] lays out the educator's sheet
//! about reactions; [`export`] draws sheets and figures as PDF.

pub mod cautions;
pub mod export;
pub mod fact_sheet;
pub mod notice;
pub mod placement;
pub mod plan;
pub mod sizing;
pub mod texts;
pub mod wording;
