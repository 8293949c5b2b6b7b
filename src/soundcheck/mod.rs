//! The check before a session: are the microphones, the room, the loudspeaker and the people fit to be heard?
//!
//! Owns what is measured ([`measure`]), who is asked for which phrases ([`phrases`]), the order of it all ([`check`],
//! sans-IO), and what is made of it ([`judge`], [`report`]). Must not know where sound comes from or who speaks: a live
//! check and one from recordings are the same check. It uses the same listeners as a session and moves nothing on.

pub mod check;
pub mod judge;
mod lines;
pub mod measure;
pub mod phrases;
pub mod report;
mod track;
