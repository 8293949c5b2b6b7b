//! The rules: how an event changes the state and what is to be done about it.
//!
//! A step is confirmed only by an accepted read-back of who does it and then an accepted confirmation of the other one,
//! each begun after the tool asked for it; or, once the tries are used up, by the observer's decision and its reason
//! (`decision`). Everything else repeats, holds, goes back or ends; nothing moves on by time.

mod answers;
mod calls;
mod contingency;
mod decision;
mod record;
mod turns;
mod words;

pub use turns::phrases_in;

use super::event::{Action, Event, Note, Saying, Unheeded, What};
use super::lines::{lines, Lines};
use super::state::{At, Deadline, HoldWhy, Outcome, Phase, Reason, Span, Speaking, Standing, State};
use crate::listen::heard::{Heard, Verdict};
use crate::procedure::{Part, PhraseId, Post, Procedure, Use};
use std::ops::Range;

/// The awaited answer began while the tool spoke: ask for it this long after both have ended, ms.
const EARLY_ASK_MS: u64 = 1_500;
/// On hold, say so again this often, ms.
const STILL_HELD_MS: u64 = 60_000;

/// One event in, the new state and the actions out. Events out of time order are taken at the latest time seen.
pub fn step(state: State, event: Event, procedure: &Procedure) -> (State, Vec<Action>) {
    let lines = lines(&procedure.language).0;
    let mut machine = Machine { state, procedure, lines, actions: Vec::new() };
    machine.handle(event);
    (machine.state, machine.actions)
}

struct Machine<'a> {
    state: State,
    procedure: &'a Procedure,
    lines: &'static Lines,
    actions: Vec<Action>,
}

impl Machine<'_> {
    fn handle(&mut self, event: Event) {
        self.state.now_ms = self.state.now_ms.max(event.at_ms);
        match (&self.state.phase, event.what) {
            (Phase::Ended { .. }, _) => {}
            (Phase::Ready, What::Begin) => self.begin(),
            (_, What::Interrupt) => self.end(Outcome::Interrupted),
            (_, What::InputEnded) => self.end(Outcome::InputEnded),
            (Phase::Ready, What::PostLost { post, why }) => {
                self.note_lost(post, why);
            }
            (Phase::Ready, What::PostBack { post }) => self.post_back(post),
            (Phase::Ready, What::RecordLost { why }) => self.note_record_lost(why),
            (Phase::Ready, _) | (_, What::Begin) => {}
            (_, What::SpeechBegan { utterance }) => self.speech_began(utterance),
            (_, What::SpeechEnded { utterance, whole: true }) => self.speech_ended(utterance),
            // What the session itself hushed is no longer being said; this was cut short by something else.
            (_, What::SpeechEnded { utterance, whole: false }) => {
                self.voice_failed(utterance, "cut short".to_string());
            }
            (_, What::VoiceFailed { utterance, why }) => self.voice_failed(utterance, why),
            (_, What::VoiceBack) => self.voice_back(),
            (_, What::Heard(mut heard)) => {
                // Nobody is heard before having begun; a minimum time must not be over by a wrong number.
                heard.start_ms = heard.start_ms.min(self.state.now_ms);
                self.heard(&heard);
            }
            (_, What::Time) => self.time(),
            (_, What::PostLost { post, why }) => self.post_lost(post, why),
            (_, What::PostBack { post }) => self.post_back(post),
            (_, What::RecordLost { why }) => self.record_lost(why),
            (_, What::RecordMoved { .. }) => self.record_moved(),
            (_, What::RecordStuck { why }) => self.record_stuck(why),
        }
    }

    // ---- the course of a session ----

    fn begin(&mut self) {
        if let Some(post) = self.state.lost.first().copied() {
            return self.hold(HoldWhy::PostLost(post));
        }
        if self.record_is_lost() {
            return self.hold(HoldWhy::RecordLost);
        }
        match self.procedure.opening {
            Some(_) => self.open(""),
            None => self.go_on(""),
        }
    }

    fn open(&mut self, remark: &str) {
        self.enter(Phase::Opening);
        let text = self.procedure.opening.as_deref().unwrap_or_default();
        self.say(Saying::Opening, format!("{remark}{text}"));
    }

    /// Enters the first place of the present list that is not done yet; after its last step, what follows it.
    fn go_on(&mut self, remark: &str) {
        let part = self.state.part(self.procedure);
        if let (Part::Main, Some(question)) = (part, self.state.answers.iter().position(Option::is_none)) {
            return self.ask(question as u16, remark);
        }
        let steps = self.procedure.range(part);
        if let Some(step) = self.first_open(steps.clone()) {
            // Whatever stands before it and is not done was switched off by an answer.
            self.skip_inactive(steps.start..step);
            return self.visit(step as u16, remark);
        }
        self.skip_inactive(steps);
        match part {
            Part::Contingency(contingency) => self.contingency_done(contingency, remark),
            Part::Main | Part::Exit(_) => self.close(remark),
        }
    }

    /// The first step of a list that is to be done and is not.
    fn first_open(&self, mut steps: Range<usize>) -> Option<usize> {
        steps.find(|step| {
            self.state.active(self.procedure, *step) && !self.state.steps[*step].standing.is_done()
        })
    }

    fn skip_inactive(&mut self, steps: Range<usize>) {
        for step in steps {
            if !self.state.active(self.procedure, step) {
                self.state.steps[step].standing = Standing::Skipped;
            }
        }
    }

    fn close(&mut self, remark: &str) {
        self.enter(Phase::Closing);
        let text = format!("{remark}{}", self.closing());
        self.say(Saying::Closing, text);
    }

    fn closing(&self) -> &str {
        match self.state.part(self.procedure) {
            Part::Exit(exit) => &self.procedure.exits[usize::from(exit)].closing,
            Part::Main | Part::Contingency(_) => &self.procedure.closing,
        }
    }

    fn ask(&mut self, question: u16, remark: &str) {
        self.enter(Phase::Asking { question });
        let text = format!("{remark}{}", self.procedure.questions[usize::from(question)].ask);
        self.say(Saying::Question, text);
    }

    /// Begins a visit to a step, at the hold point before it if there is one.
    fn visit(&mut self, step: u16, remark: &str) {
        if self.procedure.steps[usize::from(step)].hold_point.is_none() {
            return self.instruct(step, remark);
        }
        let now = self.state.now_ms;
        let progress = &mut self.state.steps[usize::from(step)];
        progress.standing = Standing::Pending;
        progress.first_began_ms.get_or_insert(now);
        progress.released_ms = None;
        self.enter(Phase::HoldPoint { step });
        self.say_hold_point(step, remark);
    }

    fn say_hold_point(&mut self, step: u16, remark: &str) {
        let Some(point) = &self.procedure.steps[usize::from(step)].hold_point else { return };
        let text = self.asking(self.lines.hold_point, &[("text", &point.text)]);
        self.say(Saying::HoldPoint, format!("{remark}{text}"));
    }

    /// Whatever was said about the step before no longer counts.
    fn instruct(&mut self, step: u16, remark: &str) {
        let now = self.state.now_ms;
        let progress = &mut self.state.steps[usize::from(step)];
        progress.standing = Standing::Instructed;
        progress.first_began_ms.get_or_insert(now);
        progress.began_ms = Some(now);
        progress.instructed_ms = None;
        progress.read_back_ms = None;
        progress.confirmed_ms = None;
        progress.decided = None;
        progress.read_back_as = None;
        progress.confirmed_as = None;
        progress.visits += 1;
        self.enter(Phase::ReadBack { step });
        self.say_instruction(step, remark);
    }

    fn say_instruction(&mut self, step: u16, remark: &str) {
        let text = format!("{remark}{}", self.instruction(step));
        self.say(Saying::Instruction, text);
    }

    fn say_look(&mut self, step: u16) {
        let text = self.asking(self.lines.look, &[("look", &self.procedure.steps[usize::from(step)].look)]);
        self.say(Saying::Look, text);
    }

    fn enter(&mut self, phase: Phase) {
        self.state.phase = phase;
        self.state.tries = 0;
        self.state.reminders = 0;
        self.state.came_early = false;
        self.state.deadline = None;
        self.state.silence_before = None;
    }

    fn end(&mut self, outcome: Outcome) {
        if self.state.speaking.take().is_some() {
            self.actions.push(Action::Hush);
        }
        self.enter(Phase::Ended { outcome });
        self.actions.push(Action::End { outcome });
    }

    fn here(&self) -> At {
        match self.state.phase {
            Phase::Asking { question } => At::Question(question),
            Phase::HoldPoint { step }
            | Phase::ReadBack { step }
            | Phase::Confirm { step }
            | Phase::Deciding { step } => At::Step(step),
            Phase::Held { from, .. } => from,
            Phase::Closing | Phase::Ended { .. } => At::Closing,
            Phase::Ready | Phase::Opening => At::Opening,
        }
    }

    // ---- speaking ----

    fn say(&mut self, saying: Saying, text: String) {
        if self.state.speaking.is_some() {
            self.actions.push(Action::Hush);
        }
        self.keep_own_words(&text);
        let utterance = self.state.next_utterance;
        self.state.next_utterance += 1;
        self.state.speaking = Some(Speaking { utterance, began: false, since_ms: self.state.now_ms });
        self.state.answers_from_ms = None;
        self.state.silence_before = None;
        self.state.deadline = None;
        self.state.came_early = false;
        self.actions.push(Action::Say { utterance, saying, text });
    }

    fn speech_began(&mut self, utterance: u64) {
        if let Some(speaking) = self.state.speaking.as_mut().filter(|s| s.utterance == utterance) {
            speaking.began = true;
            speaking.since_ms = self.state.now_ms;
        }
    }

    fn speech_ended(&mut self, utterance: u64) {
        let Some(speaking) = self.state.speaking.take_if(|speaking| speaking.utterance == utterance) else {
            return;
        };
        let now = self.state.now_ms;
        let from = now.saturating_sub(self.state.grace_ms).max(speaking.since_ms);
        self.state.answers_from_ms = Some(from);
        match self.state.phase {
            Phase::Opening => self.go_on(""),
            Phase::Closing => self.end_well(),
            Phase::ReadBack { step } => {
                self.state.steps[usize::from(step)].instructed_ms.get_or_insert(now);
                self.wait();
            }
            _ => self.wait(),
        }
    }

    /// Sets the time, from now, after which the tool speaks again if nobody does.
    fn wait(&mut self) {
        let rules = &self.procedure.rules;
        let (after_ms, why) = match self.state.phase {
            _ if self.state.came_early => (EARLY_ASK_MS, Reason::TooEarly),
            Phase::Held { .. } | Phase::HoldPoint { .. } => (STILL_HELD_MS, Reason::StillHeld),
            Phase::ReadBack { step } => {
                let about = &self.procedure.steps[usize::from(step)];
                // Nobody is called for a read-back that would still be refused as too soon.
                let over = self.state.steps[usize::from(step)]
                    .instructed_ms
                    .map_or(0, |ended| ended.saturating_add(ms(about.at_least_s.unwrap_or(0.0))));
                let patience = ms(about.reminder_s.unwrap_or(rules.reminder_s));
                (patience.max(over.saturating_sub(self.state.now_ms)), Reason::Silence)
            }
            Phase::Asking { .. } | Phase::Confirm { .. } | Phase::Deciding { .. } => {
                (ms(rules.reminder_s), Reason::Silence)
            }
            _ => return,
        };
        self.state.came_early = false;
        self.state.deadline = Some(Deadline { at_ms: self.state.now_ms.saturating_add(after_ms), why });
    }

    fn voice_failed(&mut self, utterance: u64, why: String) {
        if self.state.speaking.is_none_or(|speaking| speaking.utterance != utterance) {
            return;
        }
        self.state.speaking = None;
        self.actions.push(Action::Note(Note::VoiceFailed { why }));
        if matches!(self.state.phase, Phase::Held { why: HoldWhy::VoiceDead, .. }) {
            // The hold could not be announced either: stay, listening; the screen says so.
            self.state.answers_from_ms = Some(self.state.now_ms);
            self.state.deadline = None;
        } else {
            self.hold(HoldWhy::VoiceDead);
        }
    }

    /// Whoever waits at a hold that could not be announced hears it now.
    fn voice_back(&mut self) {
        self.actions.push(Action::Note(Note::VoiceBack));
        if self.held() && self.state.speaking.is_none() {
            self.say_again();
        }
    }

    // ---- time ----

    fn time(&mut self) {
        let Some(deadline) = self.state.deadline.filter(|deadline| self.state.now_ms >= deadline.at_ms)
        else {
            return;
        };
        self.state.deadline = None;
        match deadline.why {
            Reason::StillHeld if self.held() => {
                let text = self.with_decision(self.with_calls(self.lines.still_held, &[]));
                self.call_again(Saying::Hold, text);
            }
            // A hold point may take as long as it takes.
            Reason::StillHeld => {
                let text = self.asking(self.lines.reminder, &[]);
                self.call_again(Saying::HoldPoint, text);
            }
            Reason::TooEarly => {
                let text = self.asking(self.lines.early, &[]);
                self.call_again(Saying::AskAgain, text);
            }
            Reason::Silence => self.remind(),
        }
    }

    /// Speaks because time passed. Who had begun to answer in the silence before is talked over, and counts.
    fn call_again(&mut self, saying: Saying, text: String) {
        let now = self.state.now_ms;
        let silence = self.state.answers_from_ms.map(|from| Span { from_ms: from, to_ms: now });
        self.say(saying, text);
        self.state.silence_before = silence;
    }

    fn remind(&mut self) {
        if self.state.reminders >= self.procedure.rules.reminders {
            return self.hold(HoldWhy::NoAnswer);
        }
        self.state.reminders += 1;
        self.state.all_reminders += 1;
        if let Some(step) = self.state.current_step() {
            self.state.steps[usize::from(step)].reminders += 1;
        }
        let text = self.asking(self.lines.reminder, &[]);
        self.call_again(Saying::Reminder, text);
    }

    // ---- what people say ----

    fn heard(&mut self, heard: &Heard) {
        let named = match &heard.verdict {
            Verdict::Accepted { phrase } | Verdict::Other { phrase } => Some(phrase),
            Verdict::Unsure { closest, .. } => Some(closest),
            Verdict::Ignored { .. } => None,
        };
        // A journal that was altered, or of another procedure, may name any number.
        if named.is_some_and(|id| usize::from(id.0) >= self.procedure.phrases.len()) {
            return self.unheeded(heard.post, Unheeded::Ignored);
        }
        if named.is_some_and(|phrase| self.is_own_voice(*phrase, heard)) {
            return self.unheeded(heard.post, Unheeded::OwnVoice);
        }
        match &heard.verdict {
            Verdict::Ignored { why } => {
                self.in_vain(why, heard);
                self.unheeded(heard.post, Unheeded::Ignored);
            }
            Verdict::Accepted { phrase } => match self.procedure.phrase(*phrase).used {
                Use::Call { call } => self.call(call, heard),
                Use::Contingency { contingency } => self.contingency_called(contingency, heard),
                _ => self.phrase(*phrase, heard),
            },
            // A call of no use now (hold while held) arrives as Other: it must not be taken for a wrong answer.
            Verdict::Other { phrase } => match self.procedure.phrase(*phrase).used {
                Use::Call { .. } => self.unheeded(heard.post, Unheeded::NoEffect),
                Use::Contingency { .. } => self.unsure(*phrase, heard),
                // It counts by now, but was judged as one that does not: it has to be said again.
                _ if self.state.expected(self.procedure).contains(phrase)
                    || self.state.decisions(self.procedure).contains(phrase) =>
                {
                    self.unsure(*phrase, heard);
                }
                _ => self.phrase(*phrase, heard),
            },
            Verdict::Unsure { closest, .. } => self.unsure(*closest, heard),
        }
    }

    fn phrase(&mut self, phrase: PhraseId, heard: &Heard) {
        match self.procedure.phrase(phrase).used {
            Use::Decision => return self.decision(phrase, heard),
            // Said in passing it is nobody's answer.
            Use::Reason { .. } if !matches!(self.state.phase, Phase::Deciding { .. }) => {
                return self.unheeded(heard.post, Unheeded::NoEffect);
            }
            _ => {}
        }
        if let Some(why) = self.not_an_answer(heard) {
            if why == Unheeded::WhileSpeaking && self.state.expected(self.procedure).contains(&phrase) {
                self.state.came_early = true;
                if self.state.speaking.is_none() {
                    self.wait();
                }
            }
            return self.unheeded(heard.post, why);
        }
        if self.held() {
            return self.unheeded(heard.post, Unheeded::NoEffect);
        }
        let by = self.procedure.phrase(phrase).by;
        if by.is_some_and(|role| !heard.post.hears(role)) {
            return self.unheeded(heard.post, Unheeded::OtherPersons);
        }
        if !self.state.expected(self.procedure).contains(&phrase) {
            return self.wrong(phrase, heard.post);
        }
        self.right(phrase, heard);
    }

    fn unheeded(&mut self, post: Post, why: Unheeded) {
        self.actions.push(Action::Note(Note::Unheeded { post, why }));
    }

    // ---- microphones ----

    fn post_lost(&mut self, post: Post, why: String) {
        if self.note_lost(post, why) {
            self.hold(HoldWhy::PostLost(post));
        }
    }

    /// Whether it was there until now.
    fn note_lost(&mut self, post: Post, why: String) -> bool {
        let there = self.state.posts.contains(&post) && !self.state.lost.contains(&post);
        if there {
            self.state.lost.push(post);
            self.actions.push(Action::Note(Note::Lost { post, why }));
        }
        there
    }

    fn post_back(&mut self, post: Post) {
        if self.state.lost.contains(&post) {
            self.state.lost.retain(|lost| *lost != post);
            self.actions.push(Action::Note(Note::Back { post }));
        }
    }
}

fn ms(seconds: f64) -> u64 {
    (seconds * 1000.0).round().max(0.0) as u64
}
