//! The picture as plain data and words, worked out from the state. Pure; tested without a terminal.

use crate::listen::heard::{Doubt, Heard, Ignored, Verdict};
use crate::procedure::{PhraseId, Procedure, Role};
use crate::session::{Action, HoldWhy, Note, Outcome, Phase, Standing, State, Unheeded};

/// The latest utterance and what the session made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LastHeard {
    pub heard: Heard,
    pub note: Option<Note>,
}

/// Everything a screen shows.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    pub title: String,
    pub unit: Option<String>,
    /// `step 4 of 19`, `question 1 of 1`, `on hold`, ...
    pub place: String,
    pub critical: bool,
    /// What is to be done, asked or looked at.
    pub text: String,
    pub look: Option<String>,
    /// Who is awaited now; `None` while the tool speaks or is done.
    pub awaited: Option<Role>,
    /// The tool is speaking.
    pub speaking: bool,
    /// Phrases that move the session on.
    pub expected: Vec<String>,
    /// Phrases by which the observer refuses.
    pub refusals: Vec<String>,
    pub on_hold: bool,
    /// What was last heard and why it did or didn't count.
    pub last: Option<String>,
    pub last_counted: bool,
    /// Seconds since the step began.
    pub in_step_s: Option<u64>,
    /// Seconds until the step's minimum time is over.
    pub not_before_s: Option<u64>,
    /// Steps confirmed and steps to do.
    pub done: usize,
    pub of: usize,
}

impl View {
    pub fn of(procedure: &Procedure, state: &State, last: Option<&LastHeard>) -> View {
        let of = (0..procedure.steps.len()).filter(|step| state.active(procedure, *step)).count();
        let done = state.steps.iter().filter(|step| step.standing == Standing::Confirmed).count();
        let speaking = state.speaking.is_some();
        let mut view = View {
            title: procedure.title.clone(),
            unit: procedure.unit.clone(),
            place: String::new(),
            critical: false,
            text: String::new(),
            look: None,
            awaited: state.awaited(procedure).filter(|_| !speaking),
            speaking,
            expected: Vec::new(),
            refusals: Vec::new(),
            on_hold: matches!(state.phase, Phase::Held { .. }),
            last: last.map(|last| describe_last(procedure, last)),
            last_counted: last
                .is_some_and(|last| matches!(last.note, Some(Note::Counted { .. } | Note::Obeyed { .. }))),
            in_step_s: None,
            not_before_s: None,
            done,
            of,
        };
        view.fill_phase(procedure, state);
        view
    }

    fn fill_phase(&mut self, procedure: &Procedure, state: &State) {
        let text = |id: &PhraseId| procedure.phrase(*id).text.clone();
        match state.phase {
            Phase::Ready => self.place = "ready".into(),
            Phase::Opening => {
                self.place = "opening".into();
                self.text = procedure.opening.clone().unwrap_or_default();
            }
            Phase::Asking { question } => {
                let index = usize::from(question);
                self.place = format!("question {} of {}", index + 1, procedure.questions.len());
                self.text = procedure.questions[index].ask.clone();
                self.expected = state.expected(procedure).iter().map(text).collect();
            }
            Phase::ReadBack { step } => {
                self.fill_step(procedure, state, usize::from(step));
                self.expected = state.expected(procedure).iter().map(text).collect();
                let floor = procedure.steps[usize::from(step)].at_least_s.unwrap_or(0.0);
                let since =
                    state.steps[usize::from(step)].instructed_ms.map(|ms| state.now_ms.saturating_sub(ms));
                self.not_before_s = since
                    .map(|since| (floor * 1000.0) as i64 - since as i64)
                    .filter(|left| *left > 0)
                    .map(|left| left.unsigned_abs().div_ceil(1000));
            }
            Phase::Confirm { step } => {
                let index = usize::from(step);
                self.fill_step(procedure, state, index);
                self.look = Some(procedure.steps[index].look.clone());
                self.expected = procedure.steps[index].confirm.iter().map(text).collect();
                self.refusals = procedure.steps[index].refuse.iter().map(text).collect();
            }
            Phase::Held { why, .. } => {
                if let Some(step) = state.current_step() {
                    self.fill_step(procedure, state, usize::from(step));
                }
                self.place = format!("on hold: {}", hold_words(why));
                self.expected = state.expected(procedure).iter().map(text).collect();
            }
            Phase::Closing => {
                self.place = "closing".into();
                self.text = procedure.closing.clone();
            }
            Phase::Ended { outcome } => self.place = format!("ended: {}", outcome_words(outcome)),
        }
    }

    fn fill_step(&mut self, procedure: &Procedure, state: &State, index: usize) {
        let active: Vec<usize> = (0..procedure.steps.len()).filter(|i| state.active(procedure, *i)).collect();
        let number = active.iter().position(|i| *i == index).map_or(index + 1, |at| at + 1);
        self.place = format!("step {number} of {}", active.len());
        self.critical = procedure.steps[index].critical;
        self.text = procedure.steps[index].instruction.clone();
        self.in_step_s = state.steps[index].began_ms.map(|began| state.now_ms.saturating_sub(began) / 1000);
    }
}

/// Why the session is on hold, in words.
pub fn hold_words(why: HoldWhy) -> String {
    match why {
        HoldWhy::Called => "called by voice".into(),
        HoldWhy::Stop => "stop was called; once more ends the session".into(),
        HoldWhy::MaybeStop => "something like a stop was heard".into(),
        HoldWhy::Tries => "too many tries; the observer decides".into(),
        HoldWhy::NoAnswer => "nobody answered; the observer decides".into(),
        HoldWhy::PostLost(post) => format!("the {}'s microphone is lost", post.name()),
        HoldWhy::VoiceDead => "the voice failed".into(),
    }
}

pub fn outcome_words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Completed => "all steps done",
        Outcome::Stopped => "stopped",
        Outcome::InputEnded => "the sound ended before the last step",
        Outcome::Interrupted => "interrupted",
    }
}

/// What was heard, in words: `worker: "gown is closed"`.
pub fn heard_words(procedure: &Procedure, heard: &Heard) -> String {
    let text = |id: PhraseId| procedure.phrase(id).text.as_str();
    let post = heard.post.name();
    match &heard.verdict {
        Verdict::Accepted { phrase } | Verdict::Other { phrase } => format!("{post}: \"{}\"", text(*phrase)),
        Verdict::Unsure { closest, why } => {
            let why = match why {
                Doubt::Faint => "too faint to be sure".to_string(),
                Doubt::Decoy { text } => format!("it may have been \"{text}\""),
                Doubt::TwoPhrases { other } => format!("it may have been \"{}\"", text(*other)),
            };
            format!("{post}: \"{}\"? {why}", text(*closest))
        }
        Verdict::Ignored { why } => match why {
            Ignored::NoPhrase => format!("{post}: speech or noise, no phrase"),
            Ignored::TooShort => format!("{post}: a short sound"),
            Ignored::TooLong => format!("{post}: a long sound, no phrase"),
        },
    }
}

fn describe_last(procedure: &Procedure, last: &LastHeard) -> String {
    let heard = heard_words(procedure, &last.heard);
    match last.note.as_ref().and_then(|note| note_words(procedure, note)) {
        Some(note) => format!("{heard} - {note}"),
        None => heard,
    }
}

/// What the session made of it, in words; `None` where the words would say nothing.
pub fn note_words(procedure: &Procedure, note: &Note) -> Option<String> {
    Some(match note {
        Note::Counted { .. } => "counted".into(),
        Note::Obeyed { call, .. } => format!("call obeyed: {}", call.key()),
        Note::AskedAgain { try_number, .. } => format!("asked again (try {try_number})"),
        Note::Unheeded { why, .. } => unheeded_words(*why).into(),
        Note::TooSoon { left_ms, .. } => format!("too soon, {} s left", left_ms.div_ceil(1000)),
        Note::Refused { step } => format!("refused: {}", procedure.steps[usize::from(*step)].id),
        Note::StepDone { step } => format!("done: {}", procedure.steps[usize::from(*step)].id),
        Note::Answered { question, answer } => {
            let question = &procedure.questions[usize::from(*question)];
            format!("{} = {}", question.id, question.answers[usize::from(*answer)].value)
        }
        Note::Held { why } => format!("on hold: {}", hold_words(*why)),
        Note::CarriedOn => "carrying on".into(),
        Note::WentBack => "going back".into(),
        Note::Lost { post, why } => format!("microphone lost: {} ({why})", post.name()),
        Note::Back { post } => format!("microphone back: {}", post.name()),
        Note::VoiceFailed { why } => format!("voice failed: {why}"),
    })
}

fn unheeded_words(why: Unheeded) -> &'static str {
    match why {
        Unheeded::Ignored => "did not count: no phrase",
        Unheeded::WhileSpeaking => "did not count: said while the tool was speaking",
        Unheeded::NotAwaited(Role::Worker) => "did not count: the worker is not awaited",
        Unheeded::NotAwaited(Role::Observer) => "did not count: the observer is not awaited",
        Unheeded::OtherPersons => "did not count: the other person's phrase",
        Unheeded::NoEffect => "did not count: no effect now",
        Unheeded::SameCall => "the same call, heard twice",
        Unheeded::ObserverOnly => "did not count: only the observer can say it",
        Unheeded::StillLost => "did not count: a microphone is still missing",
    }
}

/// One line for an action, for the plain screen; `None` for what needs no line.
pub fn action_words(procedure: &Procedure, action: &Action) -> Option<String> {
    match action {
        Action::Say { text, .. } => Some(format!("says    {text}")),
        Action::Hush => None,
        Action::Note(note) => note_words(procedure, note).map(|words| format!("        {words}")),
        Action::End { outcome } => Some(format!("ended   {}", outcome_words(*outcome))),
    }
}
