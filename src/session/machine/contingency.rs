//! Contingencies: how one begins, what follows its last step, and how it ends.
//!
//! Owns the lists of steps beside the procedure's own. A contingency confirms nothing: it only puts another list first.
//! Must not judge answers.

use super::Machine;
use crate::listen::heard::Heard;
use crate::procedure::{Part, PhraseId, Role, Then, Use};
use crate::session::event::{Action, Note, Saying, Unheeded};
use crate::session::lines::fill;
use crate::session::state::{At, Ending, HoldWhy, LastCall, Outcome, Phase, Run, Side};

impl Machine<'_> {
    /// Somebody called a contingency, surely. It begins at once. On hold only the observer sets the session going, after
    /// what the hold says, and nobody does while a microphone is missing or the record is damaged: then it is what the hold
    /// returns to.
    pub(super) fn contingency_called(&mut self, contingency: u16, heard: &Heard) {
        let called = Use::Contingency { contingency };
        if self.same_call(called, heard) {
            return self.unheeded(heard.post, Unheeded::SameCall);
        }
        match self.state.sides.iter().position(|side| side.contingency == contingency) {
            None => {
                let from = self.here();
                self.state.sides.push(Side { contingency, from, leaving: false });
            }
            // Called once more while it is being done: from its beginning.
            Some(at) if at + 1 == self.state.sides.len() && !self.state.sides[at].leaving => {
                self.end_run(contingency, Ending::CalledAgain);
            }
            // It led out already, or will be gone on with when what interrupted it is done.
            Some(_) => return self.unheeded(heard.post, Unheeded::UnderWay),
        }
        let (post, called_ms) = (heard.post, self.state.now_ms);
        self.state.last_call =
            Some(LastCall { called, post, start_ms: heard.start_ms, end_ms: heard.end_ms });
        self.state.calls_obeyed += 1;
        self.state.runs.push(Run { contingency, post, called_ms, ended_ms: None, ending: None });
        self.actions.push(Action::Note(Note::ContingencyBegan { post, contingency }));
        self.reopen(self.procedure.range(Part::Contingency(contingency)));
        let remark = self.contingency_opening(contingency);
        // What a hold prompt says, a stop above all, has to be heard out before anything releases it.
        let heard_out = !self.begun_while_speaking(heard);
        let may_begin =
            heard_out && post.hears(Role::Observer) && self.state.lost.is_empty() && !self.record_is_lost();
        match self.state.phase {
            Phase::Held { why, .. } if !may_begin => self.shelve(contingency, why, &remark),
            _ => self.go_on(&remark),
        }
    }

    /// Still on hold, but this is what comes next.
    fn shelve(&mut self, contingency: u16, why: HoldWhy, remark: &str) {
        let first = self.first_open(self.procedure.range(Part::Contingency(contingency)));
        let from = first.map_or(At::Closing, |step| At::Step(step as u16));
        self.enter(Phase::Held { why, from });
        let text = format!("{remark}{}", self.held_line(why));
        self.say(Saying::Hold, text);
    }

    /// Something like the call of a contingency, not sure: the tool stops and asks.
    pub(super) fn maybe_contingency(&mut self, contingency: u16, closest: PhraseId, heard: &Heard) {
        if !self.held() {
            return self.hold(HoldWhy::MaybeContingency(contingency));
        }
        self.unheeded(heard.post, Unheeded::NoEffect);
        // Who says it on hold must not talk over what the hold is about.
        if self.state.speaking.is_none() {
            let heard = self.procedure.phrase(closest).text.clone();
            let text = fill(self.lines.maybe_contingency, &[("heard", &heard)]);
            self.say(Saying::Remark, text);
        }
    }

    /// The contingency's own steps are done.
    pub(super) fn contingency_done(&mut self, contingency: u16, remark: &str) {
        match self.procedure.contingencies[usize::from(contingency)].then {
            Then::Return => self.leave_contingency(Ending::Returned, remark, self.lines.returning),
            // On the way out the procedure's own steps are over: what interrupted it leads back to it.
            Then::Restart { .. } if self.interrupts_a_way_out(|_| true) => {
                self.leave_contingency(Ending::Returned, remark, self.lines.returning);
            }
            Then::Restart { step } => {
                self.reopen(usize::from(step)..self.procedure.own_steps);
                self.leave_contingency(Ending::Restarted, remark, self.lines.restarting);
            }
            Then::Exit { exit } => {
                if self.interrupts_a_way_out(|then| then == Then::Exit { exit }) {
                    // This very way out is gone on with.
                    return self.leave_contingency(Ending::Returned, remark, self.lines.returning);
                }
                self.reopen(self.procedure.range(Part::Exit(exit)));
                if let Some(side) = self.state.sides.last_mut() {
                    side.leaving = true;
                }
                let remark = format!("{remark}{}", self.lines.leaving);
                self.go_on(&remark);
            }
        }
    }

    /// Whether the contingency that is being done interrupted a way out, such a one.
    fn interrupts_a_way_out(&self, wanted: impl Fn(Then) -> bool) -> bool {
        let then = |contingency: u16| self.procedure.contingencies[usize::from(contingency)].then;
        self.state.sides.iter().rev().skip(1).any(|side| side.leaving && wanted(then(side.contingency)))
    }

    /// The observer went back out of its first step.
    pub(super) fn cancel_contingency(&mut self) {
        self.leave_contingency(Ending::Cancelled, "", self.lines.cancelled);
    }

    fn leave_contingency(&mut self, ending: Ending, remark: &str, more: &str) {
        let Some(side) = self.state.sides.pop() else { return };
        self.end_run(side.contingency, ending);
        let remark = format!("{remark}{more}");
        match side.from {
            At::Opening => self.open(&remark),
            // What was interrupted is what is first open there, unless a restart opened something before it.
            At::Question(_) | At::Step(_) | At::Closing => self.go_on(&remark),
        }
    }

    /// The last words were spoken: the session ends by its last step, or by an exit's.
    pub(super) fn end_well(&mut self) {
        match self.state.leaving_by() {
            Some(contingency) => {
                self.end_run(contingency, Ending::Exited);
                self.end(Outcome::Exited);
            }
            None => self.end(Outcome::Completed),
        }
    }

    fn end_run(&mut self, contingency: u16, ending: Ending) {
        let now = self.state.now_ms;
        let open = |run: &&mut Run| run.contingency == contingency && run.ended_ms.is_none();
        if let Some(run) = self.state.runs.iter_mut().rev().find(open) {
            (run.ended_ms, run.ending) = (Some(now), Some(ending));
        }
        self.actions.push(Action::Note(Note::ContingencyEnded { contingency, ending }));
    }

    fn contingency_opening(&self, contingency: u16) -> String {
        let contingency = &self.procedure.contingencies[usize::from(contingency)];
        match &contingency.opening {
            Some(opening) => format!("{opening} "),
            None => fill(self.lines.contingency, &[("title", &contingency.title)]),
        }
    }

    /// The first phrase by which it is called.
    pub(super) fn contingency_phrase(&self, contingency: u16) -> &str {
        let called = self.procedure.contingencies.get(usize::from(contingency));
        called.and_then(|one| one.call.first()).map_or("", |id| &self.procedure.phrase(*id).text)
    }
}
