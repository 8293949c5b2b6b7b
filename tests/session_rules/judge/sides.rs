//! Contingencies: what may begin and end one, and where it leads back to.

use super::course::at;
use super::{Interruption, Ruling, Witness};
use crate::play::Turn;
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::procedure::{Part, Role, Then, Use};
use antiphon::session::{Action, Ending, Note, Phase};

impl Witness<'_> {
    pub(super) fn contingency_began(
        &mut self,
        contingency: u16,
        heard: Option<&Heard>,
        turn: &Turn,
    ) -> Ruling {
        let heard = heard.ok_or("a contingency began by something that was not heard")?;
        let Verdict::Accepted { phrase } = heard.verdict else {
            return Err(format!("a contingency began by {:?}", heard.verdict));
        };
        let used = self.procedure.phrase(phrase).used;
        must!(used == Use::Contingency { contingency }, "contingency {contingency} began by {used:?}");
        let steps = self.procedure.range(Part::Contingency(contingency));
        self.done.retain(|done| !steps.contains(&usize::from(*done)));
        self.decisions.forget(|step| steps.contains(&usize::from(step)));
        let from = at(&turn.before.phase);
        must!(!self.sides.iter().any(|side| side.contingency == contingency), "it is under way twice");
        let first = Interruption { contingency, from, leaving: false, moved: false };
        let again = self.again.take().filter(|again| again.contingency == contingency);
        self.sides.push(again.unwrap_or(first));
        let held = matches!(turn.after.phase, Phase::Held { .. });
        if !held && self.shut {
            self.let_go(heard.post, "a contingency")?;
        }
        let was_held = matches!(turn.before.phase, Phase::Held { .. });
        let observer = heard.post.hears(Role::Observer);
        must!(!was_held || held || observer, "the worker's contingency ended a hold");
        Ok(())
    }

    pub(super) fn contingency_ended(
        &mut self,
        contingency: u16,
        ending: Ending,
        heard: Option<&Heard>,
        turn: &Turn,
    ) -> Ruling {
        let side = self.sides.pop().ok_or("a contingency ended that was not under way")?;
        must!(side.contingency == contingency, "another contingency ended");
        let part = Part::Contingency(contingency);
        let then = self.procedure.contingencies[usize::from(contingency)].then;
        match (ending, then) {
            (Ending::Returned, Then::Return | Then::Exit { .. }) => self.all_done(part)?,
            (Ending::Returned, Then::Restart { .. }) => {
                self.all_done(part)?;
                must!(self.sides.iter().any(|below| below.leaving), "it returned, and nothing led out");
            }
            (Ending::Restarted, Then::Restart { step }) => {
                self.all_done(part)?;
                must!(!self.sides.iter().any(|below| below.leaving), "it restarted what was being left");
                let own = self.procedure.own_steps;
                self.done.retain(|done| !(usize::from(step)..own).contains(&usize::from(*done)));
                self.decisions.forget(|other| (usize::from(step)..own).contains(&usize::from(other)));
                self.sides.iter_mut().for_each(|side| side.moved = true);
            }
            (Ending::Exited, Then::Exit { exit }) => {
                self.all_done(part)?;
                self.all_done(Part::Exit(exit))?;
                // An exit may have no step that is to be done.
                self.sides.push(Interruption { leaving: true, ..side });
                return Ok(());
            }
            (Ending::CalledAgain, _) => {
                must!(!side.leaving, "an exit was begun again");
                self.again = Some(side);
                return Ok(());
            }
            (Ending::Cancelled, _) => {
                let heard = heard.ok_or("a contingency was cancelled by something that was not heard")?;
                must!(heard.post.hears(Role::Observer), "the worker cancelled a contingency");
            }
            other => return Err(format!("a contingency ended as {other:?}")),
        }
        // A list without a step to be done was interrupted at its end, and is gone on from there.
        let empty = side.from.0 == 4 && !self.sides.is_empty();
        let returns = matches!(ending, Ending::Returned | Ending::Cancelled);
        if returns && !side.moved && !empty && self.ends_once(turn) {
            let back = at(&turn.after.phase);
            must!(back == side.from, "it came back to {back:?}, it had interrupted {:?}", side.from);
        }
        Ok(())
    }

    fn ends_once(&self, turn: &Turn) -> bool {
        let ended = |action: &&Action| matches!(action, Action::Note(Note::ContingencyEnded { .. }));
        turn.actions.iter().filter(ended).count() == 1
    }
}
