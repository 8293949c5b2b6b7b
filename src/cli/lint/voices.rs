//! `lint --voices`: the phrases said by natural voices.
//!
//! Owns the progress and what is said of it. Must not judge: `conduct::hearing` counts, `proof::voices` warns.

use super::super::session::{interrupted_flag, is_set};
use super::super::{progress, say, tell};
use super::File;
use crate::audio::noise::NoiseSpec;
use crate::conduct::hearing::{tests, Fate, Hearing, Outcome};
use crate::failure::{ExitCode, Failure};
use crate::procedure::Procedure;
use crate::proof;
use crate::proof::voices::{Count, Other};
use crate::voice::natural;
use std::sync::atomic::AtomicBool;
use std::sync::Arc;

pub(super) struct Voices {
    hearing: Hearing,
    noise: Option<NoiseSpec>,
    interrupted: Arc<AtomicBool>,
}

impl Voices {
    pub(super) fn load(count: usize, noise: Option<NoiseSpec>) -> Result<Voices, Failure> {
        let hearing = Hearing::load(natural::company(count)?, "en")?;
        if let Some(note) = hearing.note() {
            tell(&format!("note: {note}"));
        }
        Ok(Voices { hearing, noise, interrupted: interrupted_flag()? })
    }

    /// How every phrase is heard; none, with a note, of a procedure that these voices or the listening can't say.
    pub(super) fn count(&mut self, procedure: &Procedure, name: &str) -> Result<Vec<Count>, Failure> {
        if !proof::english(procedure) {
            tell(&format!("note: {name}: not said by natural voices, which speak English only"));
            return Ok(Vec::new());
        }
        let Ok(vocabulary) = self.hearing.vocabulary(procedure) else {
            tell(&format!(
                "note: {name}: not said by natural voices, for it has words that nobody could be heard with"
            ));
            return Ok(Vec::new());
        };
        let tests = tests(procedure);
        let pieces = tests.len() * self.hearing.voices().count();
        let bar = progress::bar(pieces as u64, "{pos} of {len} phrases said and heard, {eta} left");
        let interrupted = &self.interrupted;
        let outcomes =
            self.hearing.run(&vocabulary, &tests, self.noise, &|| bar.inc(1), &|| is_set(interrupted))?;
        bar.finish_and_clear();
        if is_set(interrupted) {
            return Err(Failure::new(ExitCode::Internal, "interrupted before every phrase was said"));
        }
        Ok(outcomes.iter().map(|outcome| count(procedure, outcome)).collect())
    }
}

fn count(procedure: &Procedure, outcome: &Outcome) -> Count {
    let phrase = procedure.phrase(outcome.phrase);
    let others = outcome.fates.iter().filter(|(_, fate)| *fate != Fate::Heard);
    Count {
        phrase: outcome.phrase,
        text: phrase.text.clone(),
        by: phrase.by.map(|role| role.name()),
        voices: outcome.fates.len(),
        heard: outcome.fates.len() - others.clone().count(),
        others: others
            .map(|(voice, fate)| Other { voice: voice.to_string(), heard: in_words(fate) })
            .collect(),
    }
}

/// What became of a phrase, for people.
pub(in crate::cli) fn in_words(fate: &Fate) -> String {
    match fate {
        Fate::Heard => "heard".into(),
        Fate::Mistaken(words) => format!("taken for \"{words}\""),
        Fate::Unsure(words) => format!("not sure, perhaps \"{words}\""),
        Fate::Unnoticed => "not noticed".into(),
    }
}

/// One line of all phrases together; those that are not heard well enough are among the findings.
pub(super) fn show(file: &File) {
    if file.voices.is_empty() {
        return;
    }
    let sum = |of: fn(&Count) -> usize| file.voices.iter().map(of).sum::<usize>();
    let clean = file.voices.iter().filter(|count| count.heard == count.voices).count();
    say(&format!(
        "{}: {} of {} phrases heard from every voice; {} of {} sayings heard",
        file.file,
        clean,
        file.voices.len(),
        sum(|count| count.heard),
        sum(|count| count.voices),
    ));
}
