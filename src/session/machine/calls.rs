//! Calls and holds: what may interrupt a session at any moment, and how it goes on afterwards.
//!
//! Owns which call has which effect. Must not judge answers: that is the parent's.

use super::Machine;
use crate::listen::heard::Heard;
use crate::procedure::{Call, Part, PhraseId, Role, Use};
use crate::session::event::{Action, Note, Saying, Unheeded};
use crate::session::lines::fill;
use crate::session::state::{At, HoldWhy, LastCall, Outcome, Phase, Record, Standing};
use std::ops::Range;

/// What 'go back' leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Before {
    /// There is nothing before this place.
    Nothing,
    Question(u16),
    /// A step of the present list, or of the contingency that led to this exit.
    Step(usize),
    /// What the contingency interrupted.
    Interrupted,
}

impl Machine<'_> {
    pub(super) fn call(&mut self, call: Call, heard: &Heard) {
        let called = Use::Call { call };
        if self.same_call(called, heard) {
            return self.unheeded(heard.post, Unheeded::SameCall);
        }
        if !self.state.counts_at(self.procedure, heard.post).iter().any(|id| self.is_call(*id, call)) {
            return self.unheeded(heard.post, Unheeded::NoEffect);
        }
        // The end is decided by a stop that was begun after the tool said what a second stop does.
        let stopped = matches!(self.state.phase, Phase::Held { why: HoldWhy::Stop, .. });
        let announced = self.state.answers_from_ms.is_some_and(|from| heard.start_ms >= from);
        // Both set a held session going, so both are the observer's, and neither goes without a microphone.
        let sets_going = self.held() && matches!(call, Call::CarryOn | Call::GoBack);
        // So is going back out of a contingency, which says that it was called by mistake.
        let releases = sets_going || (call == Call::GoBack && self.goes_back_to() == Before::Interrupted);
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
            // To go back, too, there has to be a record of it.
            Call::GoBack if releases && self.record_is_lost() => {
                self.unheeded(heard.post, Unheeded::RecordLost);
                let text = self.held_line(HoldWhy::RecordLost);
                return self.say(Saying::Hold, text);
            }
            Call::CarryOn if matches!(self.state.record, Record::Moving { .. }) => {
                return self.unheeded(heard.post, Unheeded::NoEffect);
            }
            _ => {}
        }
        self.state.last_call =
            Some(LastCall { called, post: heard.post, start_ms: heard.start_ms, end_ms: heard.end_ms });
        self.state.calls_obeyed += 1;
        self.actions.push(Action::Note(Note::Obeyed { post: heard.post, call }));
        match call {
            Call::Hold => self.hold(HoldWhy::Called),
            Call::CarryOn if self.record_is_lost() => self.move_record(),
            Call::CarryOn => self.carry_on(self.lines.carrying_on),
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
    pub(super) fn same_call(&self, called: Use, heard: &Heard) -> bool {
        self.state.last_call.is_some_and(|last| {
            last.called == called
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
        if matches!(why, HoldWhy::Tries | HoldWhy::NoAnswer) {
            self.open_the_way_out();
        }
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
            HoldWhy::MaybeContingency(_) => self.lines.held_maybe_contingency,
            HoldWhy::Tries => self.lines.held_tries,
            HoldWhy::NoAnswer => self.lines.held_no_answer,
            HoldWhy::PostLost(_) => self.lines.held_post_lost,
            HoldWhy::VoiceDead => self.lines.held_voice,
            HoldWhy::RecordLost => self.lines.held_record,
            HoldWhy::SameVoice => self.lines.held_same_voice,
            HoldWhy::StrangeVoice => self.lines.held_strange_voice,
        };
        let who = match why {
            HoldWhy::PostLost(post) => self.post_name(post),
            _ => self.lines.observer,
        };
        let heard = match why {
            HoldWhy::MaybeContingency(contingency) => self.contingency_phrase(contingency),
            _ => "",
        };
        self.with_decision(self.with_calls(template, &[("who", who), ("heard", heard)]))
    }

    /// After a hold the step is done again from its instruction: what was said before the hold may no longer be so.
    pub(super) fn carry_on(&mut self, remark: &str) {
        self.actions.push(Action::Note(Note::CarriedOn));
        match self.here() {
            At::Opening => self.open(remark),
            At::Question(question) => self.ask(question, remark),
            // The step that is first open in its list is the one that was interrupted.
            At::Step(_) | At::Closing => self.go_on(remark),
        }
    }

    pub(super) fn say_again(&mut self) {
        match self.state.phase.clone() {
            Phase::Asking { question } => {
                let text = self.procedure.questions[usize::from(question)].ask.clone();
                self.say(Saying::Question, text);
            }
            Phase::HoldPoint { step } => self.say_hold_point(step, ""),
            Phase::ReadBack { step } => self.say_instruction(step, ""),
            Phase::Confirm { step } => self.say_look(step),
            Phase::Deciding { .. } => self.ask_reason(),
            Phase::Held { why, .. } => {
                let text = self.held_line(why);
                self.say(Saying::Hold, text);
            }
            Phase::Opening => {
                let text = self.procedure.opening.clone().unwrap_or_default();
                self.say(Saying::Opening, text);
            }
            Phase::Closing => self.say(Saying::Closing, self.closing().to_string()),
            Phase::Ready | Phase::Ended { .. } => {}
        }
    }

    pub(super) fn go_back(&mut self) {
        self.state.go_backs += 1;
        self.actions.push(Action::Note(Note::WentBack));
        let remark = self.lines.going_back;
        match self.goes_back_to() {
            Before::Nothing => match self.here() {
                At::Opening => return self.open(self.lines.first_place),
                At::Step(step) => {
                    self.close_the_way_out(step);
                    return self.go_on(self.lines.first_place);
                }
                _ => return self.go_on(self.lines.first_place),
            },
            Before::Question(question) => {
                self.reopen(self.procedure.range(Part::Main));
                self.state.answers[usize::from(question)..].fill(None);
            }
            Before::Step(step) => {
                let part = self.procedure.part_of(step);
                if let (Part::Contingency(_), Some(side)) = (part, self.state.sides.last_mut()) {
                    side.leaving = false;
                }
                self.reopen(step..self.procedure.range(part).end);
            }
            Before::Interrupted => {
                self.cancel_contingency();
                // The step is begun anew, as by any other going back: its tries count from nothing.
                if let Some(step) = self.state.current_step() {
                    self.close_the_way_out(step);
                }
                return;
            }
        }
        self.go_on(remark);
    }

    /// The place before this one.
    fn goes_back_to(&self) -> Before {
        let part = self.state.part(self.procedure);
        let steps = self.procedure.range(part);
        let upto = match self.here() {
            At::Opening => return Before::Nothing,
            At::Question(question) => {
                return question.checked_sub(1).map_or(Before::Nothing, Before::Question);
            }
            At::Step(step) => usize::from(step),
            At::Closing => steps.end,
        };
        let last_active =
            |steps: Range<usize>| steps.rev().find(|step| self.state.active(self.procedure, *step));
        if let Some(step) = last_active(steps.start..upto.max(steps.start)) {
            return Before::Step(step);
        }
        match part {
            Part::Main => match self.state.answers.len().checked_sub(1) {
                Some(last) => Before::Question(last as u16),
                None => Before::Nothing,
            },
            Part::Contingency(_) => Before::Interrupted,
            Part::Exit(_) => {
                let own = self.state.leaving_by().map(|by| self.procedure.range(Part::Contingency(by)));
                own.and_then(last_active).map_or(Before::Interrupted, Before::Step)
            }
        }
    }

    pub(super) fn reopen(&mut self, steps: Range<usize>) {
        for progress in &mut self.state.steps[steps] {
            progress.standing = Standing::Pending;
            progress.read_back_ms = None;
            progress.confirmed_ms = None;
            progress.decided = None;
            (progress.failures, progress.may_decide) = (0, false);
            progress.released_ms = None;
            progress.read_back_as = None;
            progress.confirmed_as = None;
        }
    }

    pub(super) fn stop_for_good(&mut self) {
        // The words are only spoken; nothing that follows them counts any more.
        self.say(Saying::Closing, self.lines.stopped.to_string());
        self.state.speaking = None;
        self.end(Outcome::Stopped);
    }
}
