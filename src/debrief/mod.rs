//! The debrief: a session's record as a page to look at together, as captions, as tables and as a report.
//!
//! `model` is what a debrief says, as plain data; `build` makes it from a journal, `words` puts it in plain words (all
//! three pure). `sound` draws and mixes the tracks, `page` writes the page, `captions` and `tables` the other forms. Must
//! not change anything in a record, and shows what it does not know by name instead of leaving it out.

pub mod build;
pub mod captions;
pub mod load;
pub mod model;
pub mod page;
pub mod sound;
mod steps;
pub mod tables;
pub(crate) mod words;
pub mod write;

pub use build::build;
pub use model::Report;
