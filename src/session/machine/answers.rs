//! Answers: what a phrase does that is awaited, and what follows from one that is wrong or not sure.
//!
//! Owns how a question, a hold point, a read-back and a confirmation are answered. Must not judge calls and decisions.

use super::{ms, Machine};
use crate::listen::heard::Heard;
use crate::procedure::{Call, PhraseId, Post, Role, Use};
use crate::session::event::{Action, Note, Saying, Unheeded};
use crate::session::lines::fill;
use crate::session::state::{HoldWhy, Phase, Standing};
use crate::who::{Sounds, Whose};

impl Machine<'_> {
    pub(super) fn right(&mut self, phrase: PhraseId, heard: &Heard) {
        if self.in_another_voice(phrase, heard) {
            return;
        }
        let counted = Action::Note(Note::Counted { post: heard.post, phrase });
        match (self.state.phase.clone(), self.procedure.phrase(phrase).used) {
            (Phase::Asking { question }, Use::Answer { answer, .. }) => {
                self.actions.push(counted);
                self.answered(question, answer, phrase);
            }
            (Phase::HoldPoint { step }, Use::Release { .. }) => {
                self.actions.push(counted);
                self.released(step, heard);
            }
            (Phase::ReadBack { step }, Use::ReadBack { .. }) => self.read_back(step, phrase, heard, counted),
            (Phase::Confirm { step }, Use::Confirmation { .. }) => {
                self.actions.push(counted);
                self.confirmed(step, phrase, heard);
            }
            (Phase::Deciding { step }, Use::Reason { reason }) => {
                self.actions.push(counted);
                self.decided(step, reason, heard);
            }
            (Phase::Confirm { step }, Use::Refusal) => {
                self.actions.push(counted);
                self.refused(step);
            }
            // `expected` yields only the uses above; a new phase must be added here to count.
            _ => self.unheeded(heard.post, Unheeded::NotAwaited(Role::Observer)),
        }
    }

    fn answered(&mut self, question: u16, answer: u16, phrase: PhraseId) {
        self.state.answers[usize::from(question)] = Some(answer);
        self.actions.push(Action::Note(Note::Answered { question, answer }));
        let remark = fill(self.lines.noted, &[("answer", &self.procedure.phrase(phrase).text)]);
        self.go_on(&remark);
    }

    fn released(&mut self, step: u16, heard: &Heard) {
        self.state.steps[usize::from(step)].released_ms = Some(heard.end_ms);
        self.actions.push(Action::Note(Note::Released { step }));
        self.instruct(step, "");
    }

    fn read_back(&mut self, step: u16, phrase: PhraseId, heard: &Heard, counted: Action) {
        let expected = self.prompted().join(self.lines.or);
        if self.too_soon(step, heard, &expected) {
            return;
        }
        let progress = &mut self.state.steps[usize::from(step)];
        progress.failures = 0;
        progress.standing = Standing::ReadBack;
        progress.read_back_ms = Some(heard.end_ms);
        progress.read_back_as = Some(phrase);
        self.actions.push(counted);
        self.enter(Phase::Confirm { step });
        self.say_look(step);
    }

    /// Refuses what is said about a step before its minimum time is over.
    pub(super) fn too_soon(&mut self, step: u16, heard: &Heard, expected: &str) -> bool {
        let floor_ms = ms(self.procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0));
        let progress = &mut self.state.steps[usize::from(step)];
        // No end of the instruction was reported: the minimum time has not begun.
        let since = progress.instructed_ms.map_or(0, |over| heard.start_ms.saturating_sub(over));
        if since >= floor_ms {
            return false;
        }
        progress.too_soon += 1;
        let left_ms = floor_ms - since;
        self.actions.push(Action::Note(Note::TooSoon { step, left_ms }));
        let seconds = left_ms.div_ceil(1000).to_string();
        let text = fill(self.lines.too_soon, &[("seconds", &seconds), ("expected", expected)]);
        self.say(Saying::TooSoon, text);
        true
    }

    fn confirmed(&mut self, step: u16, phrase: PhraseId, heard: &Heard) {
        let progress = &mut self.state.steps[usize::from(step)];
        progress.standing = Standing::Confirmed;
        progress.confirmed_ms = Some(heard.end_ms);
        progress.confirmed_as = Some(phrase);
        (progress.failures, progress.may_decide) = (0, false);
        self.actions.push(Action::Note(Note::StepDone { step }));
        self.go_on("");
    }

    /// Refuses an answer in another voice: asked for again, then held. Two people may sound alike, and must not be trapped:
    /// after the observer has carried on from that hold it counts, and the record says so.
    fn in_another_voice(&mut self, phrase: PhraseId, heard: &Heard) -> bool {
        let Some(step) = self.state.current_step() else { return false };
        let Some(like) = self.sounds_like_another(step, phrase, heard) else { return false };
        let progress = &mut self.state.steps[usize::from(step)];
        progress.same_voice += 1;
        let time = progress.same_voice;
        self.actions.push(Action::Note(match heard.evidence.beside_both {
            Some(_) => Note::OtherVoice { step, time, like },
            None => Note::SameVoice { step, time },
        }));
        match (time, like) {
            (1, Some(like)) => {
                let reader = self.post_name(like.post());
                let line = self.asking(self.lines.same_voice, &[("reader", reader)]);
                self.ask_again(heard.post, line);
            }
            (1, None) => {
                let line = self.asking(self.lines.strange_voice, &[]);
                self.ask_again(heard.post, line);
            }
            (2, Some(_)) => self.hold(HoldWhy::SameVoice),
            (2, None) => self.hold(HoldWhy::StrangeVoice),
            _ => return false,
        }
        true
    }

    /// Whether the answer sounds like somebody else, and like which of the two, or neither. Once both voices are known they
    /// alone tell.
    fn sounds_like_another(&self, step: u16, phrase: PhraseId, heard: &Heard) -> Option<Option<Role>> {
        let phrase = self.procedure.phrase(phrase);
        // What stops a step is heeded whoever says it.
        if phrase.used == Use::Refusal {
            return None;
        }
        if let Some(beside) = heard.evidence.beside_both {
            return match beside.whose() {
                Whose::Own => None,
                Whose::Others => phrase.by.map(|by| Some(by.other())),
                Whose::Neithers => Some(None),
            };
        }
        let confirms = matches!(phrase.used, Use::Confirmation { .. });
        let one = heard.evidence.same_voice.map(Sounds::of) == Some(Sounds::OneVoice);
        let reader = self.procedure.steps[usize::from(step)].by.reads_back();
        (confirms && one).then_some(Some(reader))
    }

    fn refused(&mut self, step: u16) {
        let progress = &mut self.state.steps[usize::from(step)];
        progress.refusals += 1;
        // Seen and not right: nothing of it can be accepted.
        (progress.failures, progress.may_decide) = (0, false);
        let refusals = progress.refusals;
        self.actions.push(Action::Note(Note::Refused { step }));
        if refusals.is_multiple_of(self.procedure.rules.tries) {
            self.hold(HoldWhy::Tries);
        } else {
            self.instruct(step, self.lines.refused);
        }
    }

    pub(super) fn wrong(&mut self, phrase: PhraseId, post: Post) {
        let text = self.procedure.phrase(phrase).text.clone();
        let line = self.asking(self.lines.wrong, &[("heard", &text)]);
        self.ask_again(post, line);
    }

    pub(super) fn unsure(&mut self, closest: PhraseId, heard: &Heard) {
        // In doubt the tool stops: something like hold or stop, at any moment, holds.
        if let Use::Call { call: Call::Hold | Call::Stop } = self.procedure.phrase(closest).used {
            if !self.held() {
                return self.hold(HoldWhy::MaybeStop);
            }
            return self.unheeded(heard.post, Unheeded::NoEffect);
        }
        if let Use::Contingency { contingency } = self.procedure.phrase(closest).used {
            return self.maybe_contingency(contingency, closest, heard);
        }
        if self.maybe_decision(closest, heard) {
            return;
        }
        // On hold people talk to each other: only something like the awaited call is asked for again.
        if self.held() && !self.state.expected(self.procedure).contains(&closest) {
            return self.unheeded(heard.post, Unheeded::NoEffect);
        }
        match self.not_an_answer(heard) {
            Some(why) => self.unheeded(heard.post, why),
            None => {
                let line = self.asking(self.lines.unsure, &[]);
                self.ask_again(heard.post, line);
            }
        }
    }

    pub(super) fn ask_again(&mut self, post: Post, line: String) {
        self.state.tries += 1;
        self.state.all_asks_again += 1;
        let try_number = self.state.tries;
        if let Some(step) = self.state.current_step() {
            self.state.steps[usize::from(step)].asks_again += 1;
        }
        self.failed();
        self.actions.push(Action::Note(Note::AskedAgain { post, try_number }));
        if try_number >= self.procedure.rules.tries && !self.held() {
            self.hold(HoldWhy::Tries);
        } else {
            self.say(Saying::AskAgain, line);
        }
    }
}
