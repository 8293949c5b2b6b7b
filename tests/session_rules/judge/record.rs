//! A damaged record: nothing but the observer's 'carry on' leads on, and only with a record that is whole again.

use super::{Ruling, Witness};
use crate::play::Turn;
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::procedure::{Call, Role, Use};
use antiphon::session::{Action, Note, Phase, What};

#[derive(Default)]
pub(super) struct Seen {
    damaged: bool,
    /// It was asked for a new place, and nothing has come of that yet.
    asked: bool,
    /// Something else held the session since.
    held_since: bool,
}

impl Witness<'_> {
    /// What this event says of the record, before anything that follows from it.
    pub(super) fn record_news(&mut self, turn: &Turn) {
        let asked = std::mem::take(&mut self.record.asked);
        match turn.event.what {
            What::RecordMoved { .. } if asked => self.record.damaged = false,
            What::RecordStuck { .. } | What::RecordLost { .. } => {}
            _ => self.record.asked = asked,
        }
    }

    pub(super) fn record_note(&mut self, note: &Note) -> Ruling {
        match note {
            Note::RecordLost { .. } => self.record.damaged = true,
            Note::Held { .. } => self.record.held_since = true,
            Note::Counted { .. } | Note::StepDone { .. } | Note::Answered { .. } | Note::CarriedOn => {
                must!(!self.record.damaged, "{note:?} though the record is damaged");
            }
            _ => {}
        }
        Ok(())
    }

    pub(super) fn record_moves(&mut self, heard: Option<&Heard>) -> Ruling {
        let heard = heard.ok_or("the record is moved by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("the record is moved by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Call { call: Call::CarryOn }, "the record is moved by {used:?}");
        must!(heard.post.hears(Role::Observer), "the record is moved by the worker");
        must!(self.lost.is_empty(), "the record is moved though {:?} are lost", self.lost);
        must!(self.record.damaged && !self.record.asked, "a record is moved that is whole, or twice");
        (self.record.asked, self.record.held_since) = (true, false);
        Ok(())
    }

    /// However this turn went, a session without a whole record is on hold or over.
    pub(super) fn record_holds(&self, turn: &Turn) -> Ruling {
        let after = &turn.after.phase;
        let rests = matches!(after, Phase::Ready | Phase::Held { .. } | Phase::Ended { .. });
        must!(!self.record.damaged || rests, "it goes on in {after:?} though the record is damaged");
        let carried_on = turn.actions.contains(&Action::Note(Note::CarriedOn));
        let by_the_move = matches!(turn.event.what, What::RecordMoved { .. }) && carried_on;
        must!(!by_the_move || !self.record.held_since, "a hold that came after 'carry on' is not kept");
        must!(!by_the_move || self.lost.is_empty(), "it goes on though {:?} are lost", self.lost);
        Ok(())
    }
}
