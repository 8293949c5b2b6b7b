//! The record is damaged: on hold until the observer has it kept in a new place.
//!
//! Owns that nothing but the observer's 'carry on' leads out of such a hold, and only once the record goes on whole. A stop
//! still ends the session. Must not know how a record is moved: it asks for that by an action, and an event tells what came of
//! it.

use super::Machine;
use crate::session::event::{Action, Note, Saying};
use crate::session::state::{HoldWhy, Record};

impl Machine<'_> {
    pub(super) fn record_is_lost(&self) -> bool {
        self.state.record != Record::Whole
    }

    pub(super) fn note_record_lost(&mut self, why: String) {
        self.state.record = Record::Lost;
        self.actions.push(Action::Note(Note::RecordLost { why }));
    }

    pub(super) fn record_lost(&mut self, why: String) {
        self.note_record_lost(why);
        self.hold(HoldWhy::RecordLost);
    }

    /// The observer wants the session to go on.
    pub(super) fn move_record(&mut self) {
        self.state.record = Record::Moving { next_utterance: self.state.next_utterance };
        self.actions.push(Action::MoveRecord);
    }

    /// The record is whole again. Whatever held the session since that was asked for holds it still, and what the tool says
    /// about it is heard out.
    pub(super) fn record_moved(&mut self) {
        // One that nobody asked for is no reason to go on.
        let Record::Moving { next_utterance } = self.state.record else { return };
        self.state.record = Record::Whole;
        if self.state.next_utterance == next_utterance && self.state.lost.is_empty() {
            self.carry_on(self.lines.moved_on);
        }
    }

    pub(super) fn record_stuck(&mut self, why: String) {
        if !matches!(self.state.record, Record::Moving { .. }) {
            return;
        }
        self.state.record = Record::Lost;
        self.actions.push(Action::Note(Note::RecordStuck { why }));
        let text = self.with_calls(self.lines.still_no_record, &[]);
        self.say(Saying::Hold, text);
    }
}
