//! Plays clips to real listeners, tick by tick as a microphone would, and keeps what they made of them.
//!
//! Owns the threads and the bookkeeping. Must not judge whether it was right.

use super::condition::{Condition, BEFORE};
use super::corpus::{Corpus, Kind};
use antiphon::audio::PER_MS;
use antiphon::listen::accept::Bar;
use antiphon::listen::engine::phones::PhonesEngine;
use antiphon::listen::engine::whisper::{Options, WhisperEngine, Window};
use antiphon::listen::engine::Engine;
use antiphon::listen::heard::{Heard, Verdict};
use antiphon::listen::listener::{Listener, Vocabulary};
use antiphon::listen::segment::Limits;
use antiphon::procedure::{PhraseId, Place, Post};
use indicatif::ProgressBar;
use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// Samples of a tick: 20 ms.
const TICK: usize = 20 * PER_MS as usize;

/// Which ears listen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ears {
    Phones,
    Both,
}

/// Frames of silence that the second ear is given behind the sound; `NONE`: as shipped.
static SILENCE: AtomicUsize = AtomicUsize::new(NONE);
const NONE: usize = usize::MAX;

pub fn use_silence(frames: usize) {
    SILENCE.store(frames, Ordering::Relaxed);
}

fn options(threads: usize) -> Options {
    let shipped = Options { threads, ..Options::default() };
    match SILENCE.load(Ordering::Relaxed) {
        NONE => shipped,
        frames => Options { window: Window::Silence(frames), ..shipped },
    }
}

impl Ears {
    fn second(self, threads: usize) -> std::result::Result<Option<WhisperEngine>, String> {
        match self {
            Ears::Phones => Ok(None),
            Ears::Both => {
                WhisperEngine::load("en", options(threads)).map(Some).map_err(|error| error.to_string())
            }
        }
    }
}

/// One utterance and when it was decided.
#[derive(Debug, Clone)]
pub struct One {
    pub heard: Heard,
    /// From the end of the speech to the decision: sound that had to be waited for and time to think, ms.
    pub gap_ms: f32,
    /// From the end of what was heard to the end of the speech, ms: large when it was cut off.
    pub left_ms: f32,
}

impl One {
    /// `end`: the speech's last sample.
    fn new(heard: Heard, done_ms: f32, end: usize) -> One {
        let end_ms = end as f32 / PER_MS as f32;
        One { gap_ms: done_ms - end_ms, left_ms: end_ms - heard.end_ms as f32, heard }
    }
}

/// Everything heard in one clip under one condition.
#[derive(Debug, Clone)]
pub struct Result {
    pub clip: usize,
    pub all: Vec<One>,
}

impl Result {
    /// Which phrases were accepted, in order.
    pub fn accepted(&self) -> impl Iterator<Item = PhraseId> + '_ {
        self.all.iter().filter_map(|one| match one.heard.verdict {
            Verdict::Accepted { phrase } => Some(phrase),
            _ => None,
        })
    }

    pub fn asked(&self) -> bool {
        self.all.iter().any(|one| matches!(one.heard.verdict, Verdict::Unsure { .. }))
    }
}

/// Plays every clip that `wanted` picks (by its number and kind) under a condition, on all cores at once. Results come in
/// the order of the clips.
pub fn play(
    corpus: &Corpus,
    condition: &Condition,
    wanted: &(dyn Fn(usize, Kind) -> bool + Sync),
    seed: u64,
    limits: Limits,
    ears: Ears,
    progress: &ProgressBar,
) -> std::result::Result<Vec<Result>, String> {
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    // Each worker has a second ear of its own, on its own core.
    let crew = Crew { ears, workers, threads: 1 };
    play_by(crew, corpus, condition, wanted, seed, limits, progress)
}

/// The same one after the other, as in a session: one person speaks, and the program has the machine to itself.
pub fn play_in_turn(
    corpus: &Corpus,
    condition: &Condition,
    wanted: &(dyn Fn(usize, Kind) -> bool + Sync),
    seed: u64,
    progress: &ProgressBar,
) -> std::result::Result<Vec<Result>, String> {
    let crew = Crew { ears: Ears::Both, workers: 1, threads: Options::default().threads };
    play_by(crew, corpus, condition, wanted, seed, Limits::default(), progress)
}

/// Who listens: so many listeners at once, and threads of each one's second ear.
struct Crew {
    ears: Ears,
    workers: usize,
    threads: usize,
}

fn play_by(
    crew: Crew,
    corpus: &Corpus,
    condition: &Condition,
    wanted: &(dyn Fn(usize, Kind) -> bool + Sync),
    seed: u64,
    limits: Limits,
    progress: &ProgressBar,
) -> std::result::Result<Vec<Result>, String> {
    let Crew { ears, workers, threads } = crew;
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<Result>> = Mutex::new(Vec::new());
    let engine = PhonesEngine::load().map_err(|error| error.to_string())?;
    let engines: std::result::Result<Vec<PhonesEngine>, _> = (0..workers).map(|_| engine.another()).collect();
    let engines = engines.map_err(|error| error.to_string())?;
    let seconds = (0..workers).map(|_| ears.second(threads)).collect::<std::result::Result<Vec<_>, _>>()?;
    std::thread::scope(|scope| {
        let (next, done) = (&next, &done);
        let threads: Vec<_> = engines
            .into_iter()
            .zip(seconds)
            .map(|(engine, second)| {
                scope.spawn(move || -> std::result::Result<(), String> {
                    let mut listeners = HashMap::new();
                    loop {
                        let clip = next.fetch_add(1, Ordering::Relaxed);
                        let Some(about) = corpus.clips.get(clip) else { return Ok(()) };
                        if !wanted(clip, about.kind) {
                            continue;
                        }
                        let listener = match listeners.entry(about.group) {
                            std::collections::hash_map::Entry::Occupied(entry) => entry.into_mut(),
                            std::collections::hash_map::Entry::Vacant(entry) => entry.insert(listener(
                                &corpus.groups[about.group],
                                &engine,
                                second.as_ref(),
                                limits,
                            )?),
                        };
                        let sound = condition.heard(&about.audio, &corpus.babble, seed ^ (clip as u64) << 20);
                        let end = BEFORE + end_of_speech(&about.audio);
                        let all = hear(listener, &sound, end)?;
                        done.lock()
                            .unwrap_or_else(|poisoned| poisoned.into_inner())
                            .push(Result { clip, all });
                        progress.inc(1);
                    }
                })
            })
            .collect();
        threads.into_iter().try_for_each(|thread| match thread.join() {
            Ok(result) => result,
            Err(_) => Err("a worker died".to_string()),
        })
    })?;
    let mut done = done.into_inner().unwrap_or_else(|poisoned| poisoned.into_inner());
    done.sort_by_key(|result| result.clip);
    Ok(done)
}

fn listener(
    phrases: &[String],
    engine: &PhonesEngine,
    second: Option<&WhisperEngine>,
    limits: Limits,
) -> std::result::Result<Listener, String> {
    let engine = engine.another().map_err(|error| error.to_string())?;
    let phrases = phrases.iter().map(|phrase| (phrase.clone(), Place::BUILT_IN)).collect();
    let vocabulary =
        Vocabulary::of(phrases, Vec::new(), BTreeMap::new(), &engine).map_err(|bad| format!("{bad:?}"))?;
    let ids = vocabulary.ids();
    let engine: Box<dyn Engine> = Box::new(engine);
    let mut listener =
        Listener::with_limits(Post::Room, engine, Arc::new(vocabulary), Bar::default(), limits);
    if let Some(second) = second {
        listener = listener.with_second(Box::new(second.another()));
    }
    listener.set_counts(&ids).map_err(|error| error.to_string())?;
    Ok(listener)
}

/// `end`: the speech's last sample in `sound`.
fn hear(listener: &mut Listener, sound: &[i16], end: usize) -> std::result::Result<Vec<One>, String> {
    listener.restart();
    let mut all = Vec::new();
    // When the ear is done with what it was given, ms from the sound's beginning: it thinks while more sound comes.
    let mut done_ms = 0.0f32;
    for (tick, samples) in sound.chunks(TICK).enumerate() {
        let came_ms = (tick * TICK + samples.len()) as f32 / PER_MS as f32;
        let began = Instant::now();
        let heard = listener.push(samples).map_err(|error| error.to_string())?;
        done_ms = done_ms.max(came_ms) + began.elapsed().as_secs_f32() * 1000.0;
        all.extend(heard.into_iter().map(|heard| One::new(heard, done_ms, end)));
    }
    let over = listener.finish().map_err(|error| error.to_string())?;
    all.extend(over.into_iter().map(|heard| One::new(heard, f32::NAN, end)));
    Ok(all)
}

/// The last sample of a clean clip that is within 40 dB of its loudest 20 ms: recordings end in silence of their own.
fn end_of_speech(clip: &[i16]) -> usize {
    let power: Vec<f64> =
        clip.chunks(TICK).map(|tick| tick.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>()).collect();
    let loudest = power.iter().copied().fold(0.0, f64::max);
    let last = power.iter().rposition(|power| *power > loudest * 1e-4).unwrap_or(0);
    ((last + 1) * TICK).min(clip.len())
}
