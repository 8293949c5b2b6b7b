//! The second ear of a run: whether there is one, loaded while everything else gets ready, and whether the machine keeps up
//! with it.
//!
//! Owns the choice and what is said about it. Must not know what is heard.

use super::set_up::EngineName;
use crate::listen::engine::whisper::{Options, WhisperEngine};
use crate::listen::engine::{Asked, Engine, EngineError};
use crate::procedure::Post;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How many ears listen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Ears {
    /// The phone network alone.
    Phones,
    /// A second network weighs what the first one heard.
    Both,
}

/// A phrase of two seconds may take the second ear this long; slower, people would wait for every answer.
const SLOW: Duration = Duration::from_millis(1_200);
/// What the speed is measured on.
const PROBE_SAMPLES: usize = 32_000;

/// A second ear on its way.
pub struct Coming(Option<JoinHandle<Found>>);

/// What came.
#[derive(Default)]
pub struct Found {
    /// As many as were wanted, or none.
    pub ears: Vec<WhisperEngine>,
    /// Why there is none though there might have been, for the screen and the journal.
    pub note: Option<String>,
}

/// Begins to load it. `wanted`: what the user asked for; without that, both where the machine keeps up. `language`: a BCP 47
/// tag.
pub fn coming(wanted: Option<Ears>, engine: EngineName, language: &str) -> Coming {
    several_coming(1, wanted, engine, language)
}

/// The same for `count` rooms at once, each with a network of its own.
pub fn several_coming(count: usize, wanted: Option<Ears>, engine: EngineName, language: &str) -> Coming {
    let language = language.split('-').next().unwrap_or_default().to_lowercase();
    match (wanted, engine) {
        (Some(Ears::Phones), _) | (None, EngineName::Vosk) => Coming(None),
        (wanted, EngineName::Phones) => {
            Coming(Some(std::thread::spawn(move || load(count, wanted, &language))))
        }
        (Some(Ears::Both), EngineName::Vosk) => {
            let note = Some("the second ear goes with --engine phones only: one ear listens".to_string());
            Coming(Some(std::thread::spawn(move || Found { ears: Vec::new(), note })))
        }
    }
}

impl Coming {
    /// Waits for it.
    pub fn wait(self) -> Found {
        let Some(thread) = self.0 else { return Found::default() };
        let died = |_| Found { ears: Vec::new(), note: Some(alone("its thread died")) };
        thread.join().unwrap_or_else(died)
    }
}

fn load(count: usize, wanted: Option<Ears>, language: &str) -> Found {
    // Several keep the cores busy by being several.
    let options = match count {
        1 => Options::default(),
        _ => Options { threads: 1, ..Options::default() },
    };
    let loaded = WhisperEngine::load(language, options).and_then(|mut ear| {
        let took = probe(&mut ear)?;
        if took > SLOW && wanted.is_none() {
            return Ok(Err(took));
        }
        let others = (1..count).map(|_| WhisperEngine::load(language, options));
        let ears: Vec<WhisperEngine> = std::iter::once(Ok(ear)).chain(others).collect::<Result<_, _>>()?;
        Ok(Ok(ears))
    });
    let none = |why: &str| Found { ears: Vec::new(), note: Some(alone(why)) };
    match loaded {
        Err(error) => none(&error.to_string()),
        Ok(Err(took)) => none(&format!(
            "a phrase takes it {} ms on this machine (--ears both takes it all the same)",
            took.as_millis()
        )),
        Ok(Ok(ears)) => Found { ears, note: None },
    }
}

/// What is told when it fails in the middle of a run.
pub fn lost(post: Post, why: &str) -> String {
    format!("{}: one ear listens from now on: {why}", post.name())
}

fn alone(why: &str) -> String {
    format!("one ear listens, without the second: {why}")
}

/// How long a phrase takes.
fn probe(ear: &mut WhisperEngine) -> Result<Duration, EngineError> {
    let phrases = ["inner gloves are on", "the gown is closed", "hold everything"];
    let asked = Asked { phrases: phrases.map(String::from).to_vec(), ..Asked::default() };
    // A hum: what is in it does not matter.
    let sound: Vec<i16> = (0..PROBE_SAMPLES).map(|n| ((n % 128) as i16 - 64) * 60).collect();
    let began = Instant::now();
    ear.begin(&sound, "")?;
    ear.weigh(&asked)?;
    Ok(began.elapsed())
}
