//! Who spoke in a recorded session: each confirmation beside the read-back before it, and beside all else that whoever read
//! back has said.
//!
//! Owns which answers are compared, and what follows from their likeness for a step. It is a hint for somebody who then
//! listens: nothing here is evidence, and nothing is written.

use super::recorded::Record;
use crate::audio::PER_MS;
use crate::debrief::sound;
use crate::failure::{ExitCode, Failure};
use crate::listen::heard::Heard;
use crate::listen::voices::MARGIN_MS;
use crate::onnx::OnnxError;
use crate::procedure::{PhraseId, Post, Procedure, Role, Use};
use crate::record::folder::AUDIO;
use crate::record::read::Line;
use crate::session::{Action, Note, What};
use crate::who::{Beside, Likeness, NoVoice, Rest, Sounds, Voice, VoiceNetwork, LONGEST_MS};
use serde::Serialize;
use std::path::Path;

/// What the report says about itself, always. The figures are those of docs/who-spoke.md.
pub const LIMITS: [&str; 5] = [
    "It proves nothing and accuses nobody: where it says one voice, listen (antiphon play, antiphon debrief).",
    "Measured on sentences of 1 to 2 s of 35 speakers (studio prompts, games, a meeting): of 1,000 steps of two people 2 \
     sounded like one voice; of 100 steps of one person 62 were noticed, 5 sounded like two voices. In pink noise at 10 dB \
     51 were noticed.",
    "So of 100 sessions of 20 steps by two people 1 has a step that is marked, and of 100 by one person 96 have two or more.",
    "Mistakes are not spread evenly: two people who sound alike to it do so again and again. A bar set so that 1 in 200 \
     comparisons of two people pass it let 3 to 4 in 200 pass of people it was not set with: so few speakers can't show \
     what is rare.",
    "Not measured: masks and hoods, colds, relatives, imitation, recordings played back, two microphones of different kinds \
     in a real room.",
];

/// What was found of one session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Account {
    pub session: String,
    /// What whoever reads this should know of the record first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
    pub posts: Vec<Post>,
    /// Who was played by the tool, in a practice.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stand_in: Option<Role>,
    /// Every confirmation, in order; a step that was done again has several.
    pub steps: Vec<Step>,
    pub summary: Summary,
    pub limits: [&'static str; 5],
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Summary {
    pub steps: usize,
    pub one_voice: usize,
    pub two_voices: usize,
    /// Neither clearly.
    pub unclear: usize,
    /// Too short, clipped, no sound.
    pub cant_tell: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    pub step: String,
    pub reads_back: Role,
    pub confirms: Role,
    /// When each was said.
    pub read_back_ms: u64,
    pub confirmed_ms: u64,
    /// `None`: it can't be told, because of `why`.
    pub sounds: Option<Sounds>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// The mean of the two below, nats: each by itself claims no more than was measured.
    pub llr: Option<f32>,
    pub with_the_read_back: Option<Likeness>,
    pub with_the_rest: Option<Rest>,
}

/// An answer that counted.
#[derive(Debug, Clone, PartialEq)]
struct Answer {
    by: Role,
    kind: Kind,
    /// Index of the post, which is that of the track.
    track: usize,
    from_ms: u64,
    to_ms: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    ReadBack(u16),
    Confirmation(u16),
    Other,
}

/// How an answer sounds, or why that can't be told.
type Heeded = Result<Voice, String>;

/// Hears a session. Errors: `BadFolder` for a record that was altered or has no sound, `MissingModel`, `BadAudio`.
pub fn account(folder: &Path) -> Result<Account, Failure> {
    let record = Record::open(folder)?;
    let answers = answers(&record)?;
    let failed = |error: OnnxError| error.failure("voices can't be told apart");
    let mut network = VoiceNetwork::load().map_err(failed)?;
    let mut voices = Vec::new();
    for (answer, utterance) in answers.iter().zip(utterances(&record, &answers)?) {
        let ends_ms = (record.extent.seconds() * 1000.0) as u64;
        voices.push(match network.voice(&utterance) {
            _ if answer.to_ms > ends_ms => Err("the recorded sound ends before it".into()),
            _ if record.missing.iter().any(|one| one.has_some_of(answer.from_ms, answer.to_ms)) => {
                Err("its sound was lost when the record was damaged".into())
            }
            Ok(voice) => Ok(voice),
            Err(NoVoice::CantTell(why)) => Err(why.to_string()),
            Err(NoVoice::Network(error)) => return Err(failed(error)),
        });
    }
    let steps = compare(&record.procedure, &answers, &voices);
    Ok(Account {
        session: folder.file_name().unwrap_or_default().to_string_lossy().into_owned(),
        cautions: record.cautions.clone(),
        posts: record.opening.posts.clone(),
        stand_in: record.opening.practice.as_ref().map(|practice| practice.stand_in()),
        summary: sum_up(&steps),
        steps,
        limits: LIMITS,
    })
}

/// The answers that counted then, from what the journal says did: today's rules are not asked.
fn answers(record: &Record) -> Result<Vec<Answer>, Failure> {
    let beginning = record.beginning();
    let mut answers = Vec::new();
    let (mut heard, mut step) = (None, None);
    for line in &record.lines {
        match line.kind.as_str() {
            "in" => {
                heard = match record.event(line, &beginning)?.what {
                    What::Heard(heard) => Some(heard),
                    _ => None,
                }
            }
            "out" => {
                let counted = heard.as_ref().zip(counted(line));
                let answer = counted.and_then(|(heard, phrase)| answer(record, heard, phrase, &mut step));
                answers.extend(answer);
            }
            _ => {}
        }
    }
    Ok(answers)
}

/// The phrase that this line says counted.
fn counted(line: &Line) -> Option<PhraseId> {
    match serde_json::from_value(line.body.clone()) {
        Ok(Action::Note(Note::Counted { phrase, .. })) => Some(phrase),
        // Whatever else was done, by this version or another.
        _ => None,
    }
}

/// `step` is the one that was read back last.
fn answer(record: &Record, heard: &Heard, phrase: PhraseId, step: &mut Option<u16>) -> Option<Answer> {
    let procedure = &record.procedure;
    let phrase = procedure.phrases.get(usize::from(phrase.0))?;
    let kind = match phrase.used {
        Use::ReadBack { step } => Kind::ReadBack(step),
        Use::Confirmation { step } => Kind::Confirmation(step),
        _ => Kind::Other,
    };
    if let Kind::ReadBack(read_back) = kind {
        *step = Some(read_back);
    }
    // Both people may have the same refusal: it is whose turn it was.
    let confirms = || procedure.steps.get(usize::from((*step)?)).map(|step| step.by.confirms());
    Some(Answer {
        by: phrase.by.or_else(confirms)?,
        kind,
        track: record.opening.posts.iter().position(|post| *post == heard.post)?,
        from_ms: heard.start_ms,
        to_ms: heard.end_ms,
    })
}

/// The sound of each answer, as far as there is any; what is too long to be one is cut where that is certain.
fn utterances(record: &Record, answers: &[Answer]) -> Result<Vec<Vec<i16>>, Failure> {
    let spans: Vec<(u64, u64)> = answers
        .iter()
        .map(|answer| {
            let from = answer.from_ms.saturating_sub(MARGIN_MS);
            let to = (answer.to_ms + MARGIN_MS).min(from + LONGEST_MS + 1);
            (from * PER_MS, to * PER_MS)
        })
        .collect();
    let mut sounds = vec![Vec::new(); answers.len()];
    let path = record.folder.join(AUDIO);
    // Answers come in the order in which they end: which of them are under way is looked at once a millisecond.
    let (mut at, mut under_way) = (0u64, Vec::new());
    sound::frames(&path, &record.extent, |frame| {
        if at.is_multiple_of(PER_MS) {
            under_way = (0..spans.len()).filter(|n| (spans[*n].0..spans[*n].1).contains(&at)).collect();
        }
        for n in &under_way {
            sounds[*n].push(frame[answers[*n].track]);
        }
        at += 1;
        Ok(())
    })
    .map_err(|error| {
        Failure::new(ExitCode::BadAudio, format!("{}: can't be read", path.display())).why(error)
    })?;
    Ok(sounds)
}

/// Each confirmation beside what the other one said.
fn compare(procedure: &Procedure, answers: &[Answer], voices: &[Heeded]) -> Vec<Step> {
    let mut steps = Vec::new();
    for (at, answer) in answers.iter().enumerate() {
        let Kind::Confirmation(index) = answer.kind else { continue };
        let read_back = answers[..at].iter().rposition(|other| other.kind == Kind::ReadBack(index));
        // Nothing is confirmed before it was read back.
        let (Some(read_back), Some(step)) = (read_back, procedure.steps.get(usize::from(index))) else {
            continue;
        };
        let reads_back = answers[read_back].by;
        let others = (0..answers.len()).filter(|n| *n != read_back && answers[*n].by == reads_back);
        let rest: Vec<&Voice> = others.filter_map(|n| voices[n].as_ref().ok()).collect();
        let beside =
            voices[at].as_ref().ok().map(|voice| Beside::of(voice, voices[read_back].as_ref().ok(), &rest));
        let llr = beside.and_then(|beside| beside.llr());
        let why = || match (&voices[at], &voices[read_back]) {
            (Err(why), _) => format!("the confirmation: {why}"),
            (_, Err(why)) => format!("the read-back: {why}"),
            _ => "nothing to compare it with".into(),
        };
        steps.push(Step {
            step: step.id.clone(),
            reads_back,
            confirms: answer.by,
            read_back_ms: answers[read_back].from_ms,
            confirmed_ms: answer.from_ms,
            sounds: llr.map(Sounds::of),
            why: llr.is_none().then(why),
            llr,
            with_the_read_back: beside.and_then(|beside| beside.with_the_one),
            with_the_rest: beside.and_then(|beside| beside.with_the_rest),
        });
    }
    steps
}

fn sum_up(steps: &[Step]) -> Summary {
    let count = |sounds: Option<Sounds>| steps.iter().filter(|step| step.sounds == sounds).count();
    Summary {
        steps: steps.len(),
        one_voice: count(Some(Sounds::OneVoice)),
        two_voices: count(Some(Sounds::TwoVoices)),
        unclear: count(Some(Sounds::Unclear)),
        cant_tell: count(None),
    }
}

impl Step {
    /// What it sounds like, in words.
    pub fn words(&self) -> String {
        match (self.sounds, &self.why) {
            (Some(Sounds::OneVoice), _) => format!("sounds like the {}", self.reads_back.name()),
            (Some(Sounds::TwoVoices), _) => "two voices".into(),
            (Some(Sounds::Unclear), _) => "can't tell: not clearly one voice or two".into(),
            (None, why) => format!("can't tell: {}", why.as_deref().unwrap_or("nothing to compare")),
        }
    }
}

impl Summary {
    /// What is told of the whole session.
    pub fn words(&self) -> String {
        let Summary { steps, one_voice, two_voices, unclear, cant_tell } = *self;
        let rest = [(two_voices, "two voices"), (unclear + cant_tell, "can't tell")];
        let rest: Vec<String> = rest
            .iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, what)| format!("{count} {what}"))
            .collect();
        let also = if rest.is_empty() { String::new() } else { format!("; {}", rest.join(", ")) };
        let plural = if steps == 1 { "" } else { "s" };
        match one_voice {
            _ if steps == 0 => "no step was confirmed by voice: nothing to compare".into(),
            0 => format!("{steps} step{plural}: {}", rest.join(", ")),
            1 => format!("in 1 of {steps} step{plural} the confirmation sounds like whoever read back: listen to it{also}"),
            _ => format!("probably one person spoke both parts in {one_voice} of {steps} steps: listen to them{also}"),
        }
    }

    /// Whether somebody should listen.
    pub fn suspicious(&self) -> bool {
        self.one_voice > 0
    }
}

#[cfg(test)]
mod tests;
