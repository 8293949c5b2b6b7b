//! What the people in the room see: who is awaited, what is expected, what was heard and why it did or didn't count.
//!
//! Owns wording and layout. Must not know where events come from, and decides nothing.

pub mod big;
mod by_heart;
pub mod plain;
#[cfg(test)]
mod stand_in;
pub mod text;
pub mod view;
pub mod why;
pub mod words;

pub use view::{LastHeard, View};

use crate::procedure::Procedure;
use crate::session::{Action, Event, State};

/// Somewhere to show a session.
pub trait Screen {
    /// After every event.
    fn event(&mut self, procedure: &Procedure, event: &Event, actions: &[Action]);
    /// The picture as it is now; called often.
    fn show(&mut self, procedure: &Procedure, state: &State, last: Option<&LastHeard>);
    /// A fallback, a conversion, a loss.
    fn remark(&mut self, ms: u64, text: &str);
    /// The session is over: leave the terminal as it was.
    fn close(&mut self) {}
}

/// Shows nothing (tests, `--quiet`).
pub struct Blank;

impl Screen for Blank {
    fn event(&mut self, _: &Procedure, _: &Event, _: &[Action]) {}
    fn show(&mut self, _: &Procedure, _: &State, _: Option<&LastHeard>) {}
    fn remark(&mut self, _: u64, _: &str) {}
}
