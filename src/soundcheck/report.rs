//! What a sound check found, as data and in words.
//!
//! Owns the form of `--json` and the wording on the screen. Must not decide anything; `judge` does.

use super::judge::{Finding, Weight};
use super::measure::{Room, Speech};
use crate::procedure::{Post, Role};
use serde::Serialize;
use std::fmt::Write;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    pub ready: bool,
    pub microphones: Vec<Microphone>,
    pub phrases: Vec<Asked>,
    pub findings: Vec<Finding>,
}

/// One microphone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Microphone {
    pub post: Post,
    /// `None` when there was too little quiet to measure it.
    pub room: Option<Room>,
    /// `None` when nobody was heard there.
    pub speech: Option<Speech>,
    pub prompt: Prompt,
    /// How long after its end the tool's voice was still heard here, ms.
    pub prompt_late_ms: u64,
    /// Every sample of the whole check was the same.
    pub dead: bool,
    /// Why no more sound came from it, if so.
    pub lost: Option<String>,
}

/// The tool's voice at a microphone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "heard", rename_all = "kebab-case")]
pub enum Prompt {
    /// There is no loudspeaker in a recording, or the check ended before.
    NotTried,
    /// At least 15 dB over the room.
    Audible { over_room_db: f32 },
    /// Heard, but not far enough over the room.
    Faint { over_room_db: f32 },
    /// Not heard by this microphone, which therefore can't judge it (a headset).
    NotJudged { over_room_db: f32 },
}

/// A phrase somebody was asked for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Asked {
    pub role: Role,
    pub post: Post,
    pub phrase: String,
    pub tries: Vec<Tried>,
    /// How loud the other person's microphone heard it, if it did, dBFS.
    pub elsewhere_dbfs: Option<f32>,
}

impl Asked {
    pub fn accepted(&self) -> bool {
        self.tries.last().is_some_and(|tried| tried.outcome == Outcome::Accepted)
    }
}

/// One try at a phrase.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tried {
    pub outcome: Outcome,
    /// 0 to 1, as in a session.
    pub confidence: f32,
    /// One line: what was heard, or why not.
    pub why: String,
    /// Level of the speech at the person's own microphone, dBFS RMS.
    pub level_dbfs: Option<f32>,
    /// Whose phrase it was, when it was surely another one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of: Option<Role>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Surely the phrase.
    Accepted,
    /// Surely another phrase of the procedure.
    Other,
    /// Perhaps the phrase.
    Unsure,
    /// Speech or noise, no phrase.
    Ignored,
    /// Nothing at all.
    Nothing,
}

impl Outcome {
    pub fn name(self) -> &'static str {
        match self {
            Outcome::Accepted => "accepted",
            Outcome::Other => "another phrase",
            Outcome::Unsure => "unsure",
            Outcome::Ignored => "ignored",
            Outcome::Nothing => "nothing",
        }
    }
}

/// The room at a microphone, in a line.
pub fn room_words(room: Option<&Room>) -> String {
    let Some(room) = room else { return "too little quiet to measure the room".into() };
    if room.digital_silence {
        return "digital silence".into();
    }
    let hum = match room.hum {
        Some(hum) => {
            format!("hum {} Hz {:.0} % ({:.0} dBFS)", hum.mains_hz, 100.0 * hum.share, hum.level_dbfs)
        }
        None => "no hum".into(),
    };
    // Adding 0 keeps a rounded -0.04 from being shown as minus nothing.
    let offset = (1000.0 * room.offset).round() / 10.0 + 0.0;
    format!("room noise {:.1} dBFS, {hum}, offset {offset:.1} %", room.noise_dbfs)
}

/// Speech at a microphone, in a line.
pub fn speech_words(speech: Option<&Speech>) -> String {
    let Some(speech) = speech else { return "no speech".into() };
    let over = speech.snr_db.map_or(String::new(), |snr| format!(", {snr:.0} dB over the room"));
    format!("speech {:.1} dBFS{over}, {} samples clipped", speech.level_dbfs, speech.clipped)
}

/// The prompt at a microphone, in a line; `None` when it was not tried.
pub fn prompt_words(prompt: Prompt) -> Option<String> {
    Some(match prompt {
        Prompt::NotTried => return None,
        Prompt::Audible { over_room_db } => format!("prompt {over_room_db:.0} dB over the room"),
        Prompt::Faint { over_room_db } => format!("prompt only {over_room_db:.0} dB over the room"),
        Prompt::NotJudged { .. } => "prompt not heard here (a headset?)".into(),
    })
}

/// One try, in a line.
pub fn tried_words(tried: &Tried) -> String {
    match tried.outcome {
        Outcome::Nothing => tried.why.clone(),
        outcome => format!("{} ({:.2}): {}", outcome.name(), tried.confidence, tried.why),
    }
}

impl Report {
    /// The whole report for the screen.
    pub fn words(&self) -> String {
        let mut text = String::from("Microphones\n");
        for mic in &self.microphones {
            let prompt = prompt_words(mic.prompt).map_or(String::new(), |words| format!("; {words}"));
            let _ = writeln!(
                text,
                "  {:<9} {}; {}{prompt}",
                mic.post.name(),
                room_words(mic.room.as_ref()),
                speech_words(mic.speech.as_ref())
            );
        }
        text.push_str("Phrases\n");
        for asked in &self.phrases {
            // Of several tries the last in which anything was heard tells most.
            let telling = asked.tries.iter().rfind(|tried| tried.outcome != Outcome::Nothing);
            let outcome = match telling.or(asked.tries.last()) {
                None => "not asked".into(),
                Some(tried) if asked.tries.len() == 1 => tried_words(tried),
                Some(tried) => format!("{}; {} tries", tried_words(tried), asked.tries.len()),
            };
            let _ = writeln!(text, "  {:<9} {:?}: {outcome}", asked.role.name(), asked.phrase);
        }
        for (weight, title) in
            [(Weight::Change, "To change"), (Weight::Better, "Better still"), (Weight::Note, "Notes")]
        {
            let mut findings = self.findings.iter().filter(|finding| finding.weight == weight).peekable();
            if findings.peek().is_some() {
                let _ = writeln!(text, "{title}");
            }
            for finding in findings {
                let _ = writeln!(text, "  {}\n            {}", finding.what, finding.advice);
            }
        }
        text.push_str(if self.ready { "Ready." } else { "Not ready." });
        text
    }
}
