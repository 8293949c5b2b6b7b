//! Antiphon: a two-person checklist run by voice.
//!
//! The modules follow the flow of data, one direction, around one pure core:
//! `audio` (frames) -> `listen` (what was heard) -> `session` (PURE: what follows) -> `voice` (what is said) and
//! `record` (what is kept), which `debrief` reads back. `procedure` is the data they all agree on; `conduct` owns the loop that joins them;
//! `who` tells voices apart; `screen` and `cli` face the user.

pub mod audio;
pub mod cli;
pub mod conduct;
pub mod debrief;
pub mod failure;
pub mod files;
pub mod listen;
pub mod models;
pub mod onnx;
pub mod paper;
pub mod practice;
pub mod procedure;
pub mod proof;
pub mod record;
pub mod screen;
pub mod session;
pub mod soundcheck;
pub mod statistics;
pub mod trends;
pub mod voice;
pub mod who;
