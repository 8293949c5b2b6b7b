//! The way out: once the tries at a step are used up, the observer may decide about it aloud, and give the reason.
//!
//! Owns when a decision counts and what it does. Nothing but an accepted decision and an accepted reason after it, both
//! the observer's, takes the place of the answers that are missing; whatever else happens leaves the step as it is.

use super::Machine;
use crate::listen::heard::{Heard, Ignored};
use crate::procedure::{PhraseId, Role};
use crate::session::event::{Action, Note, Saying, Unheeded};
use crate::session::lines::fill;
use crate::session::state::{Decided, Phase, Standing};

impl Machine<'_> {
    /// An answer about a step that was wrong, or not sure.
    pub(super) fn failed(&mut self) {
        if let Phase::ReadBack { step } | Phase::Confirm { step } = self.state.phase {
            self.state.steps[usize::from(step)].failures += 1;
        }
    }

    /// Speech in which no phrase was found. It is asked for again by time only, like silence, but a voice that is never
    /// understood at all must not be a trap either: it uses up a try.
    pub(super) fn in_vain(&mut self, why: &Ignored, heard: &Heard) {
        let speech = matches!(why, Ignored::NoPhrase | Ignored::TooLong);
        if speech && self.not_an_answer(heard).is_none() {
            self.failed();
        }
    }

    /// The session is about to hold because answers were wrong, not sure or missing.
    pub(super) fn open_the_way_out(&mut self) {
        let (Phase::ReadBack { step } | Phase::Confirm { step }) = self.state.phase else { return };
        let progress = &mut self.state.steps[usize::from(step)];
        if self.procedure.steps[usize::from(step)].decision && progress.failures >= self.procedure.rules.tries
        {
            progress.may_decide = true;
        }
    }

    pub(super) fn close_the_way_out(&mut self, step: u16) {
        let progress = &mut self.state.steps[usize::from(step)];
        (progress.failures, progress.may_decide) = (0, false);
    }

    /// What a hold says, and how to decide where that is possible.
    pub(super) fn with_decision(&self, text: String) -> String {
        match self.state.decisions(self.procedure).first() {
            Some(id) => {
                let decision = &self.procedure.phrase(*id).text;
                fill(self.lines.may_decide, &[("text", &text), ("decision", decision)])
            }
            None => text,
        }
    }

    /// Somebody said the phrase of a decision, surely.
    pub(super) fn decision(&mut self, phrase: PhraseId, heard: &Heard) {
        let open = self.state.decisions(self.procedure).contains(&phrase);
        if self.begun_while_speaking(heard) {
            return self.unheeded(heard.post, Unheeded::WhileSpeaking);
        }
        match (heard.post.hears(Role::Observer), self.state.phase.clone()) {
            (false, _) if open => {
                self.unheeded(heard.post, Unheeded::ObserverOnly);
                self.say(Saying::Remark, self.lines.observer_only.to_string());
            }
            (false, _) => self.unheeded(heard.post, Unheeded::OtherPersons),
            (true, _) if open => self.decide(phrase, heard),
            // Said once more instead of the reason.
            (true, Phase::Deciding { .. }) => {
                self.unheeded(heard.post, Unheeded::NoEffect);
                self.ask_reason();
            }
            // Too early is no try: the way out must not be opened by asking for it.
            (true, Phase::ReadBack { step } | Phase::Confirm { step }) => {
                let (why, line) = match self.procedure.steps[usize::from(step)].decision {
                    true => (Unheeded::TriesLeft, self.lines.tries_left),
                    false => (Unheeded::NoDecision, self.lines.no_decision),
                };
                self.unheeded(heard.post, why);
                let text = self.asking(line, &[]);
                self.say(Saying::Remark, text);
            }
            (true, _) => self.unheeded(heard.post, Unheeded::NoEffect),
        }
    }

    fn decide(&mut self, phrase: PhraseId, heard: &Heard) {
        let Some(step) = self.state.current_step() else { return };
        let words = self.procedure.phrase(phrase).text.clone();
        if self.too_soon(step, heard, &words) {
            return;
        }
        self.actions.push(Action::Note(Note::Counted { post: heard.post, phrase }));
        self.enter(Phase::Deciding { step });
        self.ask_reason();
    }

    pub(super) fn ask_reason(&mut self) {
        let text = self.asking(self.lines.ask_reason, &[]);
        self.say(Saying::AskReason, text);
    }

    /// Something like a decision that would count now, not sure: it is asked for again, in other words where there are any.
    /// `false`: it is nothing of the kind.
    pub(super) fn maybe_decision(&mut self, closest: PhraseId, heard: &Heard) -> bool {
        let decisions = self.state.decisions(self.procedure);
        let Some(at) = decisions.iter().position(|id| *id == closest) else { return false };
        if !heard.post.hears(Role::Observer) || self.begun_while_speaking(heard) {
            return false;
        }
        let expected = &self.procedure.phrase(decisions[(at + 1) % decisions.len()]).text;
        let line = fill(self.lines.unsure, &[("who", self.lines.observer), ("expected", expected)]);
        self.ask_again(heard.post, line);
        true
    }

    /// The reason was given: the step is done, by decision. What was heard of it before stays as it was heard.
    pub(super) fn decided(&mut self, step: u16, reason: u16, heard: &Heard) {
        let progress = &mut self.state.steps[usize::from(step)];
        progress.standing = Standing::Decided;
        progress.decided = Some(Decided { reason, at_ms: heard.end_ms });
        self.close_the_way_out(step);
        self.actions.push(Action::Note(Note::Decided { step, reason }));
        let reasons = self.procedure.decision.as_ref().map(|decision| &decision.reasons);
        let label =
            reasons.and_then(|reasons| reasons.get(usize::from(reason))).map(|one| one.label.as_str());
        let remark = fill(self.lines.decided, &[("reason", label.unwrap_or_default())]);
        self.go_on(&remark);
    }
}
