//! Calls and holds: what may interrupt a session at any moment, and how it goes on afterwards.
//!
//! Owns which call has which effect. Must not judge answers: that is the parent's.

use super::Machine;
use crate::listen::heard::Heard;
use crate::procedure::{Call, PhraseId, Role, Use};
use crate::session::event::{Action, Note, Saying, Unheeded};
use crate::session::lines::fill;
use crate::session::state::{At, HoldWhy, LastCall, Outcome, Phase, Standing};

impl Machine<'_> {
    pub(super) fn call(&mut self, call: Call, heard: &Heard) {
        if self.same_call(call, heard) {
            return self.unheeded(heard.post, Unheeded::SameCall);
        }
        if !self.state.counts_at(self.procedure, heard.post).iter().any(|id| self.is_call(*id, call)) {
            return self.unheeded(heard.post, Unheeded::NoEffect);
        }
        // The end is decided by a stop that was begun after the tool said what a second stop does.
        let stopped = matches!(self.state.phase, Phase::Held { why: HoldWhy::Stop, .. });
        let announced = self.state.answers_from_ms.is_some_and(|from| heard.start_ms >= from);
        // Both set a held session going, so both are the observer's, and neither goes without a microphone.
        let releases = self.held() && matches!(call, Call::CarryOn | Call::GoBack);
        match call {
            Call::Stop if stopped && !announced => return self.unheeded(heard.post, Unheeded::WhileSpeaking),
            // Both are replies to a prompt, which has to be heard out first.
            Call::CarryOn | Call::GoBack if self.begun_while_speaking(heard) => {
                return self.unheeded(heard.post, Unheeded::WhileSpeaking);
            }
            _ if releases && !heard.post.hears(Role::Observer) => {
                self.unheeded(heard.post, Unheeded::ObserverOnly);
                return self.say(Saying::Remark, self.lines.observer_only.to_string());
            }
            _ if releases && !self.state.lost.is_empty() => {
                self.unheeded(heard.post, Unheeded::StillLost);
                let post = self.state.lost[0];
                let text = fill(self.lines.still_lost, &[("who", self.post_name(post))]);
                return self.say(Saying::Hold, text);
            }
            _ => {}
        }
        self.state.last_call =
            Some(LastCall { call, post: heard.post, start_ms: heard.start_ms, end_ms: heard.end_ms });
        self.state.calls_obeyed += 1;
        self.actions.push(Action::Note(Note::Obeyed { post: heard.post, call }));
        match call {
            Call::Hold => self.hold(HoldWhy::Called),
            Call::CarryOn => self.carry_on(),
            Call::SayAgain => self.say_again(),
            Call::GoBack => self.go_back(),
            Call::Stop => {
                self.state.stops += 1;
                if stopped {
                    self.stop_for_good();
                } else {
                    self.hold(HoldWhy::Stop);
                }
            }
        }
    }

    pub(super) fn held(&self) -> bool {
        matches!(self.state.phase, Phase::Held { .. })
    }

    pub(super) fn is_call(&self, id: PhraseId, call: Call) -> bool {
        self.procedure.phrase(id).used == Use::Call { call }
    }

    /// Both microphones may pick up one call; the second report of it overlaps the first in time.
    pub(super) fn same_call(&self, call: Call, heard: &Heard) -> bool {
        self.state.last_call.is_some_and(|last| {
            last.call == call
                && last.post != heard.post
                && heard.start_ms <= last.end_ms
                && last.start_ms <= heard.end_ms
        })
    }

    pub(super) fn hold(&mut self, why: HoldWhy) {
        let from = self.here();
        if let Some(step) = self.state.current_step() {
            self.state.steps[usize::from(step)].holds += 1;
        }
        self.state.holds += 1;
        self.enter(Phase::Held { why, from });
        self.actions.push(Action::Note(Note::Held { why }));
        let text = self.held_line(why);
        self.say(Saying::Hold, text);
    }

    pub(super) fn held_line(&self, why: HoldWhy) -> String {
        let template = match why {
            HoldWhy::Called => self.lines.held_called,
            HoldWhy::Stop => self.lines.held_stop,
            HoldWhy::MaybeStop => self.lines.held_maybe_stop,
            HoldWhy::Tries => self.lines.held_tries,
            HoldWhy::NoAnswer => self.lines.held_no_answer,
            HoldWhy::PostLost(_) => self.lines.held_post_lost,
            HoldWhy::VoiceDead => self.lines.held_voice,
        };
        let who = match why {
            HoldWhy::PostLost(post) => self.post_name(post),
            _ => self.lines.observer,
        };
        self.with_calls(template, &[("who", who)])
    }

    /// After a hold the step is done again from its instruction: what was said before the hold may no longer be so.
    pub(super) fn carry_on(&mut self) {
        self.actions.push(Action::Note(Note::CarriedOn));
        let remark = self.lines.carrying_on;
        match self.here() {
            At::Opening => self.open(remark),
            At::Question(question) => self.ask(question, remark),
            At::Step(step) => self.instruct(step, remark),
            At::Closing => self.go_on(remark),
        }
    }

    pub(super) fn say_again(&mut self) {
        match self.state.phase.clone() {
            Phase::Asking { question } => {
                let text = self.procedure.questions[usize::from(question)].ask.clone();
                self.say(Saying::Question, text);
            }
            Phase::ReadBack { step } => self.say_instruction(step, ""),
            Phase::Confirm { step } => self.say_look(step),
            Phase::Held { why, .. } => {
                let text = self.held_line(why);
                self.say(Saying::Hold, text);
            }
            Phase::Opening => {
                let text = self.procedure.opening.clone().unwrap_or_default();
                self.say(Saying::Opening, text);
            }
            Phase::Closing => self.say(Saying::Closing, self.procedure.closing.clone()),
            Phase::Ready | Phase::Ended { .. } => {}
        }
    }

    pub(super) fn go_back(&mut self) {
        self.state.go_backs += 1;
        self.actions.push(Action::Note(Note::WentBack));
        let here = self.here();
        let before = self.place_before(here);
        let (place, remark) = match before {
            Some(place) => (place, self.lines.going_back),
            None => (here, self.lines.first_place),
        };
        match place {
            At::Question(question) => {
                self.reopen_steps(0);
                for answer in &mut self.state.answers[usize::from(question)..] {
                    *answer = None;
                }
            }
            At::Step(step) => self.reopen_steps(usize::from(step)),
            At::Opening => return self.open(remark),
            At::Closing => {}
        }
        self.go_on(remark);
    }

    /// The place before this one; `None` at the beginning.
    pub(super) fn place_before(&self, here: At) -> Option<At> {
        let steps_before = match here {
            At::Opening => return None,
            At::Question(question) => return question.checked_sub(1).map(At::Question),
            At::Step(step) => usize::from(step),
            At::Closing => self.state.steps.len(),
        };
        (0..steps_before)
            .rev()
            .find(|step| self.state.active(self.procedure, *step))
            .map(|step| At::Step(step as u16))
            .or_else(|| self.state.answers.len().checked_sub(1).map(|last| At::Question(last as u16)))
    }

    pub(super) fn reopen_steps(&mut self, from: usize) {
        for progress in &mut self.state.steps[from..] {
            progress.standing = Standing::Pending;
            progress.read_back_ms = None;
            progress.confirmed_ms = None;
        }
    }

    pub(super) fn stop_for_good(&mut self) {
        // The words are only spoken; nothing that follows them counts any more.
        self.say(Saying::Closing, self.lines.stopped.to_string());
        self.state.speaking = None;
        self.end(Outcome::Stopped);
    }
}
