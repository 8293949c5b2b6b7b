//! `new`: each phrase said by a few natural voices as soon as it is typed.
//!
//! Owns how long that may take and what is said of it. Must not stop anybody: without voices there are no remarks.

use super::super::lint::in_words;
use super::super::tell;
use crate::conduct::hearing::{tests, Fate, Hearing};
use crate::failure::Failure;
use crate::procedure::draft::Draft;
use crate::procedure::parse;
use crate::voice::natural;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Voices that say each phrase.
const VOICES: usize = 4;
/// No voice begins later than this after a phrase was typed; one that speaks is heard out, so that it is 3 s at most.
const TIME: Duration = Duration::from_millis(2_000);

/// Voices and ears, loaded while the first questions are answered.
pub struct Aloud {
    loading: Option<JoinHandle<Result<Hearing, Failure>>>,
    hearing: Option<Hearing>,
}

/// How a phrase was heard.
pub struct Remark {
    pub text: String,
    /// From every voice.
    pub good: bool,
}

impl Aloud {
    pub fn load() -> Aloud {
        let load = || {
            let voices = natural::company(VOICES)?;
            // The network is loaded with its first words, which nobody should have to wait for.
            if let Some(first) = voices.first() {
                first.warm_up()?;
            }
            Hearing::load(voices, "en")
        };
        Aloud { loading: Some(std::thread::spawn(load)), hearing: None }
    }

    /// How a phrase of the draft's last step is heard. `None` when it can't be tried; why not is said once.
    pub fn remark(&mut self, draft: &Draft, words: &str) -> Option<Remark> {
        if let Some(loading) = self.loading.take() {
            match loading.join() {
                Ok(Ok(hearing)) => {
                    if let Some(note) = hearing.note() {
                        tell(&format!("note: {note}"));
                    }
                    self.hearing = Some(hearing);
                }
                Ok(Err(failure)) => tell(&format!("note: phrases are not tried with voices: {failure}")),
                Err(_) => tell("note: phrases are not tried with voices: loading them broke off"),
            }
        }
        let hearing = self.hearing.as_mut()?;
        let procedure = parse::parse(&draft.text().ok()?, "").ok()?;
        let spoken = parse::words(words).ok()?;
        let last =
            tests(&procedure).into_iter().rfind(|test| procedure.phrase(test.phrase).text == spoken)?;
        // What nobody could be heard with is told by the check at the end, with its line.
        let vocabulary = hearing.vocabulary(&procedure).ok()?;
        let began = Instant::now();
        let outcome = hearing.run(&vocabulary, &[last], None, &|| (), &|| began.elapsed() > TIME);
        let fates = match outcome {
            Ok(outcomes) => outcomes.into_iter().next()?.fates,
            Err(failure) => {
                self.hearing = None;
                tell(&format!("note: phrases are not tried with voices any more: {failure}"));
                return None;
            }
        };
        let heard = fates.iter().filter(|(_, fate)| *fate == Fate::Heard).count();
        let mut text = format!("heard from {heard} of {} voices", fates.len());
        for (voice, fate) in fates.iter().filter(|(_, fate)| *fate != Fate::Heard) {
            text += &format!("; {voice}: {}", in_words(fate));
        }
        (!fates.is_empty()).then_some(Remark { text, good: heard == fates.len() })
    }
}
