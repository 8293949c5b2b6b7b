//! A procedure's phrases said by many voices, each on its own, and what the listening makes of them.
//!
//! Owns which phrases count while one is said, the sound at the microphone, and the use of all cores. Must not judge what
//! the counts mean (`proof::voices`).

use super::second_ear;
use super::set_up::{engines, EngineName};
use super::simulation::{at_level, PERSON_DBFS};
use crate::audio::noise::{NoiseSource, NoiseSpec};
use crate::audio::RATE;
use crate::failure::{ExitCode, Failure};
use crate::listen::accept::Bar;
use crate::listen::engine::{BadWord, Engine};
use crate::listen::heard::{Heard, Verdict};
use crate::listen::listener::{Listener, Vocabulary};
use crate::procedure::{Call, PhraseId, Post, Procedure, Use};
use crate::proof::moments;
use crate::voice::{natural, NaturalVoice, RenderVoice, Renderer};
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// The room before somebody speaks, and after: what ends an utterance is silence.
const BEFORE: usize = RATE as usize / 2;
const AFTER: usize = RATE as usize * 3 / 2;

/// One phrase to be said, and those that count then: its own moment's, and the calls.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Test {
    pub phrase: PhraseId,
    pub counts: Vec<PhraseId>,
}

/// Every phrase of a procedure once, at the first moment it belongs to, in the order of the procedure: what may be said at
/// many moments (a refusal) is heard beside much the same phrases at each.
pub fn tests(procedure: &Procedure) -> Vec<Test> {
    let (moments, always) = moments(procedure);
    let call = |id: PhraseId| match procedure.phrase(id).used {
        Use::Call { call } => Some(call),
        _ => None,
    };
    // 'Carry on' counts only while 'hold' does not.
    let held = |yes: bool| {
        let out = if yes { Call::Hold } else { Call::CarryOn };
        always.iter().copied().filter(move |id| call(*id) != Some(out))
    };
    let mut tests = Vec::new();
    for moment in &moments {
        let counts: Vec<PhraseId> = moment.own.iter().copied().chain(held(false)).collect();
        tests.extend(moment.own.iter().map(|phrase| Test { phrase: *phrase, counts: counts.clone() }));
    }
    for phrase in &always {
        let counts = held(call(*phrase) == Some(Call::CarryOn)).collect();
        tests.push(Test { phrase: *phrase, counts });
    }
    let mut seen = BTreeSet::new();
    tests.retain(|test| seen.insert(procedure.phrase(test.phrase).text.as_str()));
    tests
}

/// What became of one phrase said by one voice.
#[derive(Debug, Clone, PartialEq)]
pub enum Fate {
    /// Accepted as this phrase.
    Heard,
    /// Accepted as another phrase.
    Mistaken(String),
    /// Not sure: it may have been these words.
    Unsure(String),
    /// Taken for noise or chatter.
    Unnoticed,
}

/// One phrase as it was said by each voice; none where the time was up.
pub struct Outcome {
    pub phrase: PhraseId,
    pub fates: Vec<(NaturalVoice, Fate)>,
}

/// Voices to say a phrase and ears to hear it, loaded once.
pub struct Hearing {
    voices: Vec<(NaturalVoice, Renderer)>,
    engines: Vec<Box<dyn Engine>>,
    /// The second ears, one a first one, where the machine has any.
    second: second_ear::Found,
}

impl Hearing {
    /// An ear a core, and the second ear where the machine keeps up. `language`: a BCP 47 tag.
    pub fn load(voices: Vec<NaturalVoice>, language: &str) -> Result<Hearing, Failure> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let second = second_ear::several_coming(cores, None, EngineName::Phones, language);
        natural::use_threads(1);
        let ready = |voice: NaturalVoice| {
            let renderer = Renderer::new(RenderVoice::Natural(voice.clone()))?.that_forgets_nothing();
            Ok::<_, Failure>((voice, renderer))
        };
        let voices = voices.into_iter().map(ready).collect::<Result<_, _>>()?;
        let engines = engines(EngineName::Phones, None, cores)?;
        Ok(Hearing { voices, engines, second: second.wait() })
    }

    /// Why only one ear listens, where it does.
    pub fn note(&self) -> Option<&str> {
        self.second.note.as_deref()
    }

    pub fn voices(&self) -> impl Iterator<Item = &NaturalVoice> {
        self.voices.iter().map(|(voice, _)| voice)
    }

    /// The procedure's vocabulary; `Err` are the words that can't be listened for.
    pub fn vocabulary(&self, procedure: &Procedure) -> Result<Arc<Vocabulary>, Vec<BadWord>> {
        Vocabulary::new(procedure, self.engines[0].as_ref()).map(Arc::new)
    }

    /// Says each phrase with every voice, unless `enough` of what was done: then what is left is left out.
    pub fn run(
        &mut self,
        vocabulary: &Arc<Vocabulary>,
        tests: &[Test],
        noise: Option<NoiseSpec>,
        progress: &(dyn Fn() + Sync),
        enough: &(dyn Fn() -> bool + Sync),
    ) -> Result<Vec<Outcome>, Failure> {
        let jobs = tests.len() * self.voices.len();
        let fates: Mutex<Vec<Option<Fate>>> = Mutex::new(vec![None; jobs]);
        let next = AtomicUsize::new(0);
        let voices = &self.voices;
        let one = |listener: &mut Listener| -> Result<(), Failure> {
            loop {
                let job = next.fetch_add(1, Ordering::Relaxed);
                if job >= jobs || enough() {
                    return Ok(());
                }
                let (test, voice) = (&tests[job / voices.len()], job % voices.len());
                let text = vocabulary.text(test.phrase);
                let speech = voices[voice].1.clone().render(text)?;
                let sound = at_the_microphone(&speech, noise, job as u64);
                listener.restart();
                listener.set_counts(&test.counts)?;
                let mut heard = listener.push(&sound)?;
                heard.extend(listener.finish()?);
                let fate = fate(&heard, test.phrase, vocabulary);
                fates.lock().unwrap_or_else(PoisonError::into_inner)[job] = Some(fate);
                progress();
            }
        };
        // The ears are handed to listeners for this vocabulary, and taken back for the next.
        let engines = std::mem::take(&mut self.engines);
        let seconds = &self.second.ears;
        let listener = |(at, engine): (usize, Box<dyn Engine>)| {
            let mut first = Listener::new(Post::Room, engine, Arc::clone(vocabulary), Bar::default());
            first.nobody_waits();
            match seconds.get(at) {
                Some(second) => first.with_second(Box::new(second.another())),
                None => first,
            }
        };
        let mut listeners: Vec<Listener> = engines.into_iter().enumerate().map(listener).collect();
        let result = std::thread::scope(|scope| {
            let one = &one;
            let threads: Vec<_> = listeners.iter_mut().map(|ear| scope.spawn(move || one(ear))).collect();
            let joined = threads.into_iter().map(|thread| match thread.join() {
                Ok(result) => result,
                Err(_) => Err(Failure::new(ExitCode::Internal, "the test of a phrase broke off")),
            });
            // All of them are waited for, whatever the first says.
            joined.collect::<Vec<_>>().into_iter().collect::<Result<Vec<()>, Failure>>()
        });
        self.engines = listeners.into_iter().map(Listener::into_engine).collect();
        result?;
        let mut fates = fates.into_inner().unwrap_or_else(PoisonError::into_inner).into_iter();
        let outcome = |test: &Test| {
            let done = self.voices.iter().zip(fates.by_ref().take(self.voices.len()).collect::<Vec<_>>());
            let done = done.filter_map(|((voice, _), fate)| Some((voice.clone(), fate?)));
            Outcome { phrase: test.phrase, fates: done.collect() }
        };
        Ok(tests.iter().map(outcome).collect())
    }
}

/// What a microphone has of the speech: some room before and after, at the level at which people speak.
fn at_the_microphone(speech: &[i16], noise: Option<NoiseSpec>, seed: u64) -> Vec<i16> {
    let mut sound = vec![0; BEFORE + speech.len() + AFTER];
    if let Some(noise) = noise {
        NoiseSource::new(noise.kind, seed, PERSON_DBFS - noise.snr_db).next(&mut sound);
    }
    for (sample, voice) in sound[BEFORE..].iter_mut().zip(at_level(speech, PERSON_DBFS)) {
        *sample = sample.saturating_add(voice);
    }
    sound
}

/// The first utterance that is not ignored decides, as in a session.
fn fate(heard: &[Heard], phrase: PhraseId, vocabulary: &Vocabulary) -> Fate {
    let noticed = heard.iter().find(|heard| !matches!(heard.verdict, Verdict::Ignored { .. }));
    match noticed.map(|heard| (&heard.verdict, &heard.evidence)) {
        None => Fate::Unnoticed,
        Some((Verdict::Accepted { phrase: taken } | Verdict::Other { phrase: taken }, _)) => {
            // Two phrases of the same words are one to whoever hears them.
            match vocabulary.text(*taken) == vocabulary.text(phrase) {
                true => Fate::Heard,
                false => Fate::Mistaken(vocabulary.text(*taken).to_string()),
            }
        }
        Some((_, evidence)) => Fate::Unsure(evidence.words.clone()),
    }
}

#[cfg(test)]
mod tests_of_hearing {
    use super::*;
    use crate::procedure::parse::parse;

    const PROCEDURE: &str = "[procedure]\nid = \"demo\"\ntitle = \"Demo\"\nversion = \"1\"\nlanguage = \"en\"\n\
        cautions = [\"Training aid.\"]\nclosing = \"The end.\"\n[[step]]\nid = \"hood\"\ninstruction = \"Put it on.\"\n\
        look = \"so\"\nread_back = \"hood reaches my shoulders\"\nconfirm = \"hood covers ears and neck\"\n";

    #[test]
    fn a_phrase_is_said_while_its_moments_phrases_and_the_calls_count() {
        let procedure = parse(PROCEDURE, "demo.toml").expect("a good procedure");
        let tests = tests(&procedure);
        let text = |id: &PhraseId| procedure.phrase(*id).text.as_str();
        let counts = |phrase: &str| {
            let test = tests.iter().find(|test| text(&test.phrase) == phrase).expect(phrase);
            test.counts.iter().map(text).collect::<Vec<&str>>()
        };
        let read_back = counts("hood reaches my shoulders");
        assert!(read_back.contains(&"hold everything") && !read_back.contains(&"hood covers ears and neck"));
        assert!(!read_back.contains(&"carry on"), "{read_back:?}");
        let carry_on = counts("carry on");
        assert!(carry_on.contains(&"carry on") && !carry_on.contains(&"hold everything"), "{carry_on:?}");
        let texts: BTreeSet<&str> = tests.iter().map(|test| text(&test.phrase)).collect();
        assert_eq!(texts.len(), tests.len(), "each once");
        assert_eq!(tests.iter().filter(|test| text(&test.phrase) == "hold everything").count(), 1);
    }

    #[test]
    fn natural_voices_are_heard_and_another_phrase_is_not_taken_for_the_one_awaited() {
        let procedure = parse(PROCEDURE, "demo.toml").expect("a good procedure");
        let voices = crate::voice::natural::company(2).expect("run models/setup.sh --voices");
        let mut hearing = Hearing::load(voices, "en").expect("the models are there");
        let vocabulary = hearing.vocabulary(&procedure).expect("every word is known");
        let mut tests = tests(&procedure);
        tests.truncate(2);
        let outcomes = hearing.run(&vocabulary, &tests, None, &|| (), &|| false).expect("they are heard");
        assert_eq!(outcomes.len(), 2);
        for outcome in &outcomes {
            let fates: Vec<&Fate> = outcome.fates.iter().map(|(_, fate)| fate).collect();
            assert_eq!(fates, [&Fate::Heard, &Fate::Heard], "{}", procedure.phrase(outcome.phrase).text);
        }
        // Nothing is lost by being told to stop at once.
        let none =
            hearing.run(&vocabulary, &tests, None, &|| (), &|| true).expect("there is nothing to fail");
        assert!(none.iter().all(|outcome| outcome.fates.is_empty()));
    }
}
