//! The loop that joins everything: sound in, verdicts, the session's rules, speech out, the record.
//!
//! `keeper` owns the state, the journal and the tracks, and is the same for every kind of run. `simulation` drives it
//! on virtual time (rehearsals and WAV runs), `live` in real time with microphones. `soundcheck` drives the check before
//! a session, either way. Decides nothing about moving on.

pub(crate) mod account;
pub mod actors;
pub mod alone;
pub mod clock;
pub mod closing;
pub mod ear;
pub mod enrol;
pub mod hearing;
pub mod keeper;
pub mod live;
pub mod live_partner;
pub mod microphone;
pub mod partner;
mod recorded;
pub mod relisten;
pub mod replay;
pub mod same_sound;
pub mod same_voice;
pub mod second_ear;
pub mod set_up;
pub mod simulation;
pub mod soundcheck;
pub mod trials;
pub mod who_spoke;
