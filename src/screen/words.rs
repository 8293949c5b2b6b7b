//! What happened, in words: holds, what was heard, what the session made of it.
//!
//! Owns these words, which the screens and the debrief share. Must not know where they are shown.

use super::why;
use crate::listen::heard::{Doubt, Heard, Ignored, Verdict};
use crate::procedure::{PhraseId, Procedure, Role};
use crate::session::{Action, Ending, HoldWhy, Note, Outcome, Unheeded};

/// Why the session is on hold, in words.
pub fn hold_words(procedure: &Procedure, why: HoldWhy) -> String {
    match why {
        HoldWhy::Called => "called by voice".into(),
        HoldWhy::Stop => "stop was called; once more ends the session".into(),
        HoldWhy::MaybeStop => "something like a stop was heard".into(),
        HoldWhy::MaybeContingency(at) => {
            format!(
                "something like the call for {:?} was heard",
                procedure.contingencies[usize::from(at)].title
            )
        }
        HoldWhy::Tries => "too many tries; the observer decides".into(),
        HoldWhy::NoAnswer => "nobody answered; the observer decides".into(),
        HoldWhy::PostLost(post) => format!("the {}'s microphone is lost", post.name()),
        HoldWhy::VoiceDead => "the voice failed".into(),
        HoldWhy::SameVoice => "an answer sounded twice like the other person".into(),
        HoldWhy::StrangeVoice => "an answer sounded like neither of the two".into(),
        HoldWhy::RecordLost => {
            "the record was damaged from outside; carrying on keeps it in a new place".into()
        }
    }
}

/// An answer in another voice, at a step, the n-th time; with how often that is wrong (docs/who-spoke.md).
fn voice_words(like: Option<Role>, step: &str, time: u32) -> String {
    let counts = if time > 2 { ", and counts after the hold" } else { "" };
    match like {
        Some(role) => {
            format!(
                "sounds like the {}'s voice (so do about 1 in 200 right answers): {step}{counts}",
                role.name()
            )
        }
        None => format!("sounds like neither's voice (so do about 1 in 200 right answers): {step}{counts}"),
    }
}

pub fn outcome_words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Completed => "all steps done",
        Outcome::Exited => "left by an exit",
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
                Doubt::Faint => {
                    why::sentence(&heard.evidence).unwrap_or_else(|| "too faint to be sure".to_string())
                }
                Doubt::Decoy { text } => format!("it may have been \"{text}\""),
                Doubt::Ears { first, second } => {
                    format!("one ear heard \"{first}\", the other \"{second}\"")
                }
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

/// What the session made of it, in words; `None` where the words would say nothing.
pub fn note_words(procedure: &Procedure, note: &Note) -> Option<String> {
    Some(match note {
        Note::Counted { phrase, .. } => match procedure.phrase(*phrase).values() {
            [] => "counted".into(),
            values => {
                let values: Vec<String> =
                    values.iter().map(|(slot, value)| format!("{slot} = {value}")).collect();
                format!("counted, {}", values.join(", "))
            }
        },
        Note::Obeyed { call, .. } => format!("call obeyed: {}", call.key()),
        Note::AskedAgain { try_number, .. } => format!("asked again (try {try_number})"),
        Note::Unheeded { why, .. } => unheeded_words(*why).into(),
        Note::TooSoon { left_ms, .. } => format!("too soon, {} s left", left_ms.div_ceil(1000)),
        Note::SameVoice { step, time } => {
            let step = &procedure.steps[usize::from(*step)];
            voice_words(Some(step.by.reads_back()), &step.id, *time)
        }
        Note::OtherVoice { step, time, like } => {
            voice_words(*like, &procedure.steps[usize::from(*step)].id, *time)
        }
        Note::Refused { step } => format!("refused: {}", procedure.steps[usize::from(*step)].id),
        Note::StepDone { step } => format!("done: {}", procedure.steps[usize::from(*step)].id),
        Note::Decided { step, reason } => {
            format!(
                "confirmed by decision, not heard: {} ({})",
                procedure.steps[usize::from(*step)].id,
                reason_words(procedure, *reason)
            )
        }
        Note::Answered { question, answer } => {
            let question = &procedure.questions[usize::from(*question)];
            format!("{} = {}", question.id, question.answers[usize::from(*answer)].value)
        }
        Note::Released { step } => format!("released: {}", procedure.steps[usize::from(*step)].id),
        Note::ContingencyBegan { contingency, .. } => {
            format!("contingency: {}", procedure.contingencies[usize::from(*contingency)].id)
        }
        Note::ContingencyEnded { contingency, ending } => {
            let words = match ending {
                Ending::Returned => "done",
                Ending::Restarted => "done, steps are open again",
                Ending::CalledAgain => "called again, from its beginning",
                Ending::Exited => "led out",
                Ending::Cancelled => "called by mistake",
            };
            format!("contingency {}: {words}", procedure.contingencies[usize::from(*contingency)].id)
        }
        Note::Held { why } => format!("on hold: {}", hold_words(procedure, *why)),
        Note::CarriedOn => "carrying on".into(),
        Note::WentBack => "going back".into(),
        Note::Lost { post, why } => format!("microphone lost: {} ({why})", post.name()),
        Note::Back { post } => format!("microphone back: {}", post.name()),
        Note::VoiceFailed { why } => format!("voice failed: {why}"),
        Note::RecordLost { why } => format!("THE RECORD IS DAMAGED: {why}"),
        Note::RecordStuck { why } => format!("THE RECORD CAN'T BE KEPT IN A NEW PLACE: {why}"),
        Note::VoiceBack => "the loudspeaker is back".into(),
    })
}

/// How the reason of a decision is shown.
pub fn reason_words(procedure: &Procedure, reason: u16) -> &str {
    let decision = procedure.decision.as_ref();
    decision.and_then(|decision| decision.reasons.get(usize::from(reason))).map_or("", |one| &one.label)
}

fn unheeded_words(why: Unheeded) -> &'static str {
    match why {
        Unheeded::Ignored => "did not count: no phrase",
        Unheeded::WhileSpeaking => "did not count: said while the tool was speaking",
        Unheeded::OwnVoice => "did not count: the tool's own voice",
        Unheeded::NotAwaited(Role::Worker) => "did not count: the worker is not awaited",
        Unheeded::NotAwaited(Role::Observer) => "did not count: the observer is not awaited",
        Unheeded::OtherPersons => "did not count: the other person's phrase",
        Unheeded::NoEffect => "did not count: no effect now",
        Unheeded::SameCall => "the same call, heard twice",
        Unheeded::ObserverOnly => "did not count: only the observer can say it",
        Unheeded::TriesLeft => "did not count: no decision before the tries are used up",
        Unheeded::NoDecision => "did not count: this step takes both answers",
        Unheeded::UnderWay => "did not count: under way already",
        Unheeded::StillLost => "did not count: a microphone is still missing",
        Unheeded::RecordLost => "did not count: the record is damaged, and is kept in a new place first",
    }
}

/// One line for an action, for the plain screen; `None` for what needs no line.
pub fn action_words(procedure: &Procedure, action: &Action) -> Option<String> {
    match action {
        Action::Say { text, .. } => Some(format!("says    {text}")),
        Action::Hush | Action::MoveRecord => None,
        Action::Note(note) => note_words(procedure, note).map(|words| format!("        {words}")),
        Action::End { outcome } => Some(format!("ended   {}", outcome_words(*outcome))),
    }
}
