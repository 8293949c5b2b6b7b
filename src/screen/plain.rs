//! One line an event, for pipes, logs and people who want to see everything.

use super::text::clean;
use super::words::{action_words, heard_words};
use super::{LastHeard, Screen};
use crate::procedure::Procedure;
use crate::session::{Action, Event, State, What};
use std::io::Write;

/// Writes to any stream; a stream that fails (a closed pipe) is not a reason to stop a session.
pub struct Plain<W: Write> {
    out: W,
}

impl<W: Write> Plain<W> {
    pub fn new(out: W) -> Self {
        Plain { out }
    }

    fn line(&mut self, ms: u64, text: &str) {
        let seconds = ms / 1000;
        // A closed pipe must not end a session; the journal has it all.
        let text = clean(text);
        let _ = writeln!(self.out, "{:>3}:{:02}.{} {text}", seconds / 60, seconds % 60, ms % 1000 / 100);
    }
}

impl<W: Write> Screen for Plain<W> {
    fn event(&mut self, procedure: &Procedure, event: &Event, actions: &[Action]) {
        match &event.what {
            What::Heard(heard) => {
                self.line(event.at_ms, &format!("heard   {}", heard_words(procedure, heard)))
            }
            What::PostLost { post, why } => {
                self.line(event.at_ms, &format!("lost    the {}'s microphone: {why}", post.name()));
            }
            What::PostBack { post } => {
                self.line(event.at_ms, &format!("back    the {}'s microphone", post.name()))
            }
            What::InputEnded => self.line(event.at_ms, "input   ended"),
            What::Interrupt => self.line(event.at_ms, "input   interrupted"),
            _ => {}
        }
        for action in actions {
            if let Some(words) = action_words(procedure, action) {
                self.line(event.at_ms, &words);
            }
        }
        let _ = self.out.flush();
    }

    fn show(&mut self, _: &Procedure, _: &State, _: Option<&LastHeard>) {}

    fn remark(&mut self, ms: u64, text: &str) {
        self.line(ms, &format!("note    {text}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_has_its_time_and_nothing_hostile() {
        let mut out = Vec::new();
        Plain::new(&mut out).remark(61_250, "a device named \u{1b}[2J\nx");
        assert_eq!(String::from_utf8_lossy(&out), "  1:01.2 note    a device named \u{fffd}[2J x\n");
    }
}
