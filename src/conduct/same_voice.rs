//! While a session runs: is each answer in the voice of whoever should have given it?
//!
//! Owns whose utterances are compared, from when on both people's voices are known, and what is told of it. A hint, never a
//! judge: it has people asked again and counts nothing. Numbers that were not kept before are forgotten with the session.

use super::enrol::KnownPeople;
use crate::failure::{ExitCode, Failure};
use crate::listen::voices::{VoiceEvidence, Voices};
use crate::onnx::OnnxError;
use crate::procedure::{PhraseId, Post, Procedure, Role, Use, VoiceRule};
use crate::who::{apart, Beside, BesideBoth, NoVoice, Sounds, Voice, VoiceNetwork, Whose};
use std::sync::{Arc, Mutex};

/// Utterances of each person from which both are known for this session, and up to which they are gathered.
const KNOWN_FROM: usize = 3;
const GATHERED: usize = 6;

/// What is told at the start.
const COMPARED: &str = "voices are compared: a confirmation that sounds like whoever read back is asked for again, and, once both \
                        voices are known, any answer in the other's (wrong for fewer than 1 in 100 right ones when measured; see \
                        docs/who-spoke.md)";
const NOT_ENROLLED: &str = "voices not enrolled";

/// What the command line says of the procedure's rule.
#[derive(Debug, Clone, Default)]
pub struct Wish {
    pub same_voice: Option<VoiceRule>,
    /// The people's kept voices, as far as they are known.
    pub known: KnownPeople,
}

/// Who compares the voices, if anybody does, a post each, and what is to be told of it.
#[derive(Default)]
pub struct Comparing {
    pub voices: Vec<Box<dyn Voices>>,
    pub notes: Vec<String>,
}

/// What is done at these posts. Errors: the network is required and is not there; the procedure requires what is switched off.
pub fn at(posts: &[Post], wish: &Wish, procedure: &Procedure) -> Result<Comparing, Failure> {
    let rule = match (procedure.rules.voices, wish.same_voice) {
        (VoiceRule::Required, Some(VoiceRule::Off)) => {
            return Err(Failure::new(
                ExitCode::Usage,
                "--same-voice off: this procedure requires that voices are compared",
            )
            .why("under [rules] it has voices = \"required\"")
            .fix("leave --same-voice off away, or change the procedure"));
        }
        (VoiceRule::Required, _) => VoiceRule::Required,
        (rule, wish) => wish.unwrap_or(rule),
    };
    if rule == VoiceRule::Off {
        return Ok(Comparing::default());
    }
    match (VoiceNetwork::load(), rule) {
        (Ok(network), _) => Ok(comparing(network, posts, wish, procedure)),
        (Err(error), VoiceRule::Required) => Err(error.failure("voices can't be compared")),
        (Err(error), _) => Ok(Comparing { voices: Vec::new(), notes: vec![not_compared(&error)] }),
    }
}

fn comparing(network: VoiceNetwork, posts: &[Post], wish: &Wish, procedure: &Procedure) -> Comparing {
    let (enrolled, mut notes) = enrolled(&wish.known);
    notes.insert(0, COMPARED.into());
    let compared = Arc::new(Mutex::new(Compared::new(network, procedure, enrolled)));
    // One at each post, which must know what is said at the other.
    let shared = |_: &Post| Box::new(Shared(Arc::clone(&compared))) as Box<dyn Voices>;
    Comparing { voices: posts.iter().map(shared).collect(), notes }
}

/// Both people's kept voices, where both are there and different; and what is to be told of them.
fn enrolled(known: &KnownPeople) -> (Option<Pair>, Vec<String>) {
    let mut notes = known.notes.clone();
    let missing = |who: &str| {
        format!("{NOT_ENROLLED}: {who}; both are known from their first {KNOWN_FROM} answers each on")
    };
    match (&known.worker, &known.observer) {
        (Some(worker), Some(observer)) if apart(worker, observer) => {
            notes.push(
                "both voices are enrolled: answers in another voice are asked for again from the first on"
                    .into(),
            );
            (Some(Pair { worker: worker.clone(), observer: observer.clone(), enrolled: true }), notes)
        }
        (Some(_), Some(_)) => {
            notes.push(
                "the two enrolled voices sound too much alike to be told apart: compared as if not enrolled"
                    .into(),
            );
            (None, notes)
        }
        (worker, observer) => {
            let who = match (worker, observer) {
                (None, None) => "worker and observer",
                (None, Some(_)) => "worker",
                _ => "observer",
            };
            notes.push(missing(who));
            (None, notes)
        }
    }
}

fn not_compared(error: &OnnxError) -> String {
    format!("voices are not compared, and one person could do both parts: {error}")
}

/// What is told when the network fails in the middle.
pub fn lost(why: &str) -> String {
    format!("voices are no longer compared, and one person could do both parts: {why}")
}

/// The network takes 30 ms for an utterance: a post waits so long for the other, and only where both answer at once.
struct Shared(Arc<Mutex<Compared>>);

impl Voices for Shared {
    fn said(&mut self, phrase: PhraseId, sound: &[i16]) -> Result<VoiceEvidence, String> {
        match self.0.lock() {
            Ok(mut compared) => compared.said(phrase, sound),
            Err(_) => Err("the comparison ended in an error of the program".into()),
        }
    }
}

/// Both people's voices.
struct Pair {
    worker: Voice,
    observer: Voice,
    /// From kept voices, of five utterances; otherwise from this session.
    enrolled: bool,
}

impl Pair {
    /// That of whoever should have spoken, and the other.
    fn from(&self, by: Role) -> (&Voice, &Voice) {
        match by {
            Role::Worker => (&self.worker, &self.observer),
            Role::Observer => (&self.observer, &self.worker),
        }
    }
}

/// What a phrase is at its step, and whose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Part {
    by: Role,
    read_back: Option<u16>,
    confirms: Option<u16>,
}

struct Said {
    by: Role,
    /// The step that it read back.
    read_back: Option<u16>,
    /// `None` where that can't be told.
    voice: Option<Voice>,
    /// It may have been somebody else.
    doubted: bool,
}

struct Compared {
    network: VoiceNetwork,
    /// Of every phrase; `None` for one that either may say.
    parts: Vec<Option<Part>>,
    said: Vec<Said>,
    pair: Option<Pair>,
}

impl Compared {
    fn new(network: VoiceNetwork, procedure: &Procedure, pair: Option<Pair>) -> Compared {
        let part = |phrase: &crate::procedure::Phrase| {
            let (read_back, confirms) = match phrase.used {
                Use::ReadBack { step } => (Some(step), None),
                Use::Confirmation { step } => (None, Some(step)),
                _ => (None, None),
            };
            phrase.by.map(|by| Part { by, read_back, confirms })
        };
        let parts = procedure.phrases.iter().map(part).collect();
        Compared { network, parts, said: Vec::new(), pair }
    }

    fn said(&mut self, phrase: PhraseId, sound: &[i16]) -> Result<VoiceEvidence, String> {
        let Some(part) = self.parts.get(usize::from(phrase.0)).copied().flatten() else {
            return Ok(VoiceEvidence::default());
        };
        let voice = match self.network.voice(sound) {
            Ok(voice) => Some(voice),
            Err(NoVoice::CantTell(_)) => None,
            Err(NoVoice::Network(error)) => return Err(error.to_string()),
        };
        let told = voice.as_ref().map_or_else(VoiceEvidence::default, |voice| self.beside(part, voice));
        let one_voice = told.same_voice.map(Sounds::of) == Some(Sounds::OneVoice);
        let anothers = told.beside.is_some_and(|beside| beside.whose() != Whose::Own);
        self.said.push(Said {
            by: part.by,
            read_back: part.read_back,
            voice,
            doubted: one_voice || anothers,
        });
        if !self.pair.as_ref().is_some_and(|pair| pair.enrolled) {
            self.pair = known(&self.said);
        }
        Ok(told)
    }

    fn beside(&self, part: Part, voice: &Voice) -> VoiceEvidence {
        let same_voice = part.confirms.and_then(|step| same_voice(&self.said, voice, step));
        let beside = self.pair.as_ref().map(|pair| {
            let (own, other) = pair.from(part.by);
            BesideBoth::of(voice, own, other, pair.enrolled)
        });
        VoiceEvidence { same_voice, beside }
    }
}

/// Both people, from the first of what each has surely said, where these are two voices.
fn known(said: &[Said]) -> Option<Pair> {
    let of = |role: Role| {
        let theirs = said.iter().filter(|one| one.by == role && !one.doubted);
        let voices: Vec<&Voice> = theirs.filter_map(|one| one.voice.as_ref()).take(GATHERED).collect();
        Voice::together(&voices).filter(|_| voices.len() >= KNOWN_FROM)
    };
    let (worker, observer) = (of(Role::Worker)?, of(Role::Observer)?);
    apart(&worker, &observer).then_some(Pair { worker, observer, enrolled: false })
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
    use crate::who::NUMBERS;

    fn voice(numbers: &[f32]) -> Voice {
        let mut all = vec![0.0; NUMBERS];
        all[..numbers.len()].copy_from_slice(numbers);
        Voice::of(&all).unwrap()
    }

    fn said(by: Role, read_back: Option<u16>, voice: Option<&Voice>) -> Said {
        Said { by, read_back, voice: voice.cloned(), doubted: false }
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

    #[test]
    fn both_are_known_after_three_answers_each_in_two_voices_and_never_from_doubted_ones() {
        let (worker, observer) = (voice(&[1.0]), voice(&[0.0, 1.0]));
        let mut all = Vec::new();
        for step in 0..3 {
            assert!(known(&all).is_none(), "after {step}");
            all.push(said(Role::Worker, Some(step), Some(&worker)));
            all.push(said(Role::Observer, None, Some(&observer)));
        }
        let pair = known(&all).unwrap();
        assert!(!pair.enrolled && pair.from(Role::Observer).0.cosine(&observer) > 0.999);
        all[1].doubted = true;
        assert!(known(&all).is_none());
        let alone: Vec<Said> =
            (0..12).map(|n| said([Role::Worker, Role::Observer][n % 2], None, Some(&worker))).collect();
        assert!(known(&alone).is_none(), "one voice is no two people");
    }

    #[test]
    fn what_is_not_known_is_said() {
        let (worker, observer) = (voice(&[1.0]), voice(&[0.0, 1.0]));
        let people = |worker: Option<&Voice>, observer: Option<&Voice>| KnownPeople {
            worker: worker.cloned(),
            observer: observer.cloned(),
            notes: Vec::new(),
        };
        let (pair, notes) = enrolled(&people(None, Some(&observer)));
        assert!(pair.is_none() && notes[0].starts_with("voices not enrolled: worker;"), "{notes:?}");
        let (pair, notes) = enrolled(&people(Some(&worker), Some(&worker)));
        assert!(pair.is_none() && notes[0].contains("too much alike"), "{notes:?}");
        let (pair, notes) = enrolled(&people(Some(&worker), Some(&observer)));
        assert!(pair.unwrap().enrolled && notes[0].starts_with("both voices are enrolled"), "{notes:?}");
    }
}
