//! While a session runs at one shared microphone: does each confirmation sound like whoever read the step back?
//!
//! Owns whose utterances are compared, and what is told when nobody compares them. A hint, never a judge: it has the observer
//! asked again and counts nothing. The numbers of the voices are forgotten with the session.

use crate::failure::Failure;
use crate::listen::voices::Voices;
use crate::onnx::OnnxError;
use crate::procedure::{PhraseId, Post, Procedure, Role, Use};
use crate::who::{Beside, NoVoice, Voice, VoiceNetwork};

/// What follows where one person seems to say both parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum SameVoice {
    /// The observer is asked again, and the second time the session holds; without the network of voices it runs without.
    #[default]
    Ask,
    /// Nothing: voices are not compared.
    Off,
    /// As ask; without the network no session begins.
    Required,
}

/// What is told at the start.
const COMPARED: &str =
    "voices are compared: a confirmation that sounds like whoever read back is asked for again \
                        (wrong for 2 in 1,000 right ones when measured; see docs/who-spoke.md)";

/// Who compares the voices, if anybody does, and what is to be told of it.
#[derive(Default)]
pub struct Comparing {
    pub voices: Option<Box<dyn Voices>>,
    pub note: Option<String>,
}

/// What is done at these posts. Errors: the network is required and is not there.
pub fn at(posts: &[Post], wish: SameVoice, procedure: &Procedure) -> Result<Comparing, Failure> {
    if posts != [Post::Room] || wish == SameVoice::Off {
        return Ok(Comparing::default());
    }
    match (VoiceNetwork::load(), wish) {
        (Ok(network), _) => Ok(Comparing {
            voices: Some(Box::new(Compared::new(network, procedure))),
            note: Some(COMPARED.into()),
        }),
        (Err(error), SameVoice::Required) => Err(error.failure("voices can't be compared")),
        (Err(error), _) => Ok(Comparing { voices: None, note: Some(not_compared(&error)) }),
    }
}

fn not_compared(error: &OnnxError) -> String {
    format!("voices are not compared, and one person could do both parts: {error}")
}

/// What is told when the network fails in the middle.
pub fn lost(why: &str) -> String {
    format!("voices are no longer compared, and one person could do both parts: {why}")
}

/// What a phrase is at its step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    ReadBack { step: u16, by: Role },
    Confirmation { step: u16, by: Role },
    Neither,
}

struct Said {
    by: Role,
    /// The step that it read back.
    read_back: Option<u16>,
    /// `None` where that can't be told.
    voice: Option<Voice>,
}

struct Compared {
    network: VoiceNetwork,
    parts: Vec<Part>,
    said: Vec<Said>,
}

impl Compared {
    fn new(network: VoiceNetwork, procedure: &Procedure) -> Compared {
        let parts = procedure.phrases.iter().map(|phrase| part(phrase.used, procedure)).collect();
        Compared { network, parts, said: Vec::new() }
    }
}

fn part(used: Use, procedure: &Procedure) -> Part {
    match used {
        Use::ReadBack { step } => {
            Part::ReadBack { step, by: procedure.steps[usize::from(step)].by.reads_back() }
        }
        Use::Confirmation { step } => {
            Part::Confirmation { step, by: procedure.steps[usize::from(step)].by.confirms() }
        }
        _ => Part::Neither,
    }
}

impl Voices for Compared {
    fn said(&mut self, phrase: PhraseId, sound: &[i16]) -> Result<Option<f32>, String> {
        let (by, read_back, confirms) = match self.parts.get(usize::from(phrase.0)) {
            Some(Part::ReadBack { step, by }) => (*by, Some(*step), None),
            Some(Part::Confirmation { step, by }) => (*by, None, Some(*step)),
            Some(Part::Neither) | None => return Ok(None),
        };
        let voice = match self.network.voice(sound) {
            Ok(voice) => Some(voice),
            Err(NoVoice::CantTell(_)) => None,
            Err(NoVoice::Network(error)) => return Err(error.to_string()),
        };
        let same = voice.as_ref().zip(confirms).and_then(|(voice, step)| same_voice(&self.said, voice, step));
        self.said.push(Said { by, read_back, voice });
        Ok(same)
    }
}

/// The voice of a step's confirmation beside that of whoever read it back.
fn same_voice(said: &[Said], voice: &Voice, step: u16) -> Option<f32> {
    // Nothing is confirmed before it was read back.
    let at = said.iter().rposition(|one| one.read_back == Some(step))?;
    let reads_back = said[at].by;
    let others = said.iter().enumerate().filter(|(n, one)| *n != at && one.by == reads_back);
    let rest: Vec<&Voice> = others.filter_map(|(_, one)| one.voice.as_ref()).collect();
    Beside::of(voice, said[at].voice.as_ref(), &rest).llr()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::who::{Sounds, NUMBERS};

    fn voice(numbers: &[f32]) -> Voice {
        let mut all = vec![0.0; NUMBERS];
        all[..numbers.len()].copy_from_slice(numbers);
        Voice::of(&all).unwrap()
    }

    fn said(by: Role, read_back: Option<u16>, voice: Option<&Voice>) -> Said {
        Said { by, read_back, voice: voice.cloned() }
    }

    #[test]
    fn a_confirmation_is_compared_with_its_own_read_back_and_with_all_else_that_person_said() {
        let (worker, observer) = (voice(&[1.0]), voice(&[0.0, 1.0]));
        let mut all = vec![said(Role::Worker, Some(0), Some(&worker))];
        let one = same_voice(&all, &worker, 0).unwrap();
        assert!(Sounds::of(one) == Sounds::OneVoice && (one - 12.93).abs() < 0.01, "{one}");
        assert_eq!(Sounds::of(same_voice(&all, &observer, 0).unwrap()), Sounds::TwoVoices);
        assert_eq!(same_voice(&all, &worker, 1), None, "nothing was read back there");
        // A read-back whose voice can't be told leaves the others.
        for step in 1..4 {
            all.push(said(Role::Observer, None, Some(&observer)));
            all.push(said(Role::Worker, Some(step), Some(&worker)));
        }
        all.push(said(Role::Worker, Some(4), None));
        assert_eq!(Sounds::of(same_voice(&all, &worker, 4).unwrap()), Sounds::OneVoice);
        assert_eq!(Sounds::of(same_voice(&all, &observer, 4).unwrap()), Sounds::TwoVoices);
    }
}
