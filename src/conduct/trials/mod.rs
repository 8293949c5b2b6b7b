//! The same procedure many times with stand-in people: how often each phrase is heard right.
//!
//! Owns the random slips of a trial, what all trials share, and running them on all cores. `watch` counts. Must not judge
//! what is heard.

mod watch;

use super::actors::{Actors, Script, Slip, SlipKind};
use super::keeper::{Keeper, Opening, WallClock};
use super::set_up::{self, Listening, Ready};
use super::simulation::{Cast, Simulation};
use crate::audio::noise::NoiseSpec;
use crate::failure::{ExitCode, Failure};
use crate::files::scratch::Scratch;
use crate::listen::decoys;
use crate::listen::listener::Listener;
use crate::procedure::{Phrase, PhraseId, Post, Procedure, Role, Use};
use crate::record::summary::Outcome;
use crate::record::SessionFolder;
use crate::session::DEFAULT_GRACE_MS;
use crate::voice::{natural, RenderVoice, Renderer};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard};
use watch::{Onlooker, Watch};

/// What all trials have in common.
pub struct Plan {
    pub procedure: PathBuf,
    pub listening: Listening,
    pub posts: Vec<Post>,
    /// Trial n has this seed plus n.
    pub seed: u64,
    pub trials: usize,
    pub noise: Option<NoiseSpec>,
    /// Share of prompts at which somebody slips.
    pub slips: f64,
    pub tool: RenderVoice,
    /// Taken in turn: the first half are workers, the second observers (`who`).
    pub people: Vec<RenderVoice>,
    /// A trial ends after this many ms on its clock.
    pub limit_ms: u64,
}

/// What became of one phrase.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Count {
    /// Said when it was awaited.
    pub said: usize,
    /// Of these: counted at once.
    pub right: usize,
    /// The tool asked again.
    pub asked_again: usize,
    /// Another phrase was heard.
    pub mistaken: usize,
    /// Nothing came of it: it was taken for noise or chatter.
    pub unnoticed: usize,
    /// Something else was said when it was awaited.
    pub slips: usize,
    /// Of these: the phrase was heard all the same.
    pub slips_taken: usize,
    /// From the first answer that did not count to the one that did, ms, over all trials.
    pub extra_ms: u64,
}

/// All trials together.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tally {
    pub phrases: BTreeMap<PhraseId, Count>,
    pub trials: usize,
    pub completed: usize,
    /// Steps that were confirmed by decision.
    pub decisions: usize,
    pub seconds: u64,
}

impl Tally {
    fn add(&mut self, other: &Tally) {
        for (id, more) in &other.phrases {
            let count = self.phrases.entry(*id).or_default();
            count.said += more.said;
            count.right += more.right;
            count.asked_again += more.asked_again;
            count.mistaken += more.mistaken;
            count.unnoticed += more.unnoticed;
            count.slips += more.slips;
            count.slips_taken += more.slips_taken;
            count.extra_ms += more.extra_ms;
        }
        self.trials += other.trials;
        self.completed += other.completed;
        self.decisions += other.decisions;
        self.seconds += other.seconds;
    }
}

/// What a run of trials tells while it works.
pub trait Progress: Sync {
    /// Something is not as usual: one ear listens only, say.
    fn note(&self, note: &str);
    /// So many phrases are to be made before the trials begin.
    fn voices(&self, phrases: usize);
    /// One of them is made.
    fn voiced(&self);
    /// The trials begin.
    fn trials(&self);
    /// One is over.
    fn done(&self);
}

/// Runs all trials on all cores. `interrupted` ends early.
pub fn run(
    plan: &Plan,
    progress: &dyn Progress,
    interrupted: &(dyn Fn() -> bool + Sync),
) -> Result<Tally, Failure> {
    let folder = room_for_records()?;
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(plan.trials.max(1));
    // Every worker has a room of its own, loaded once.
    let listening = Listening { rooms: workers, ..plan.listening.clone() };
    let mut ready = set_up::ready(&plan.procedure, &plan.posts, &listening)?;
    ready.notes.iter().for_each(|note| progress.note(note));
    let mut listeners = std::mem::take(&mut ready.listeners);
    // What the tool says is the same in most trials; copies of a renderer remember together.
    let tool = Renderer::new(plan.tool.clone())?.that_forgets_nothing();
    let voices = voices(plan, &ready.procedure, progress, interrupted)?;
    let Ready { procedure, source, engine, decoys, .. } = ready;
    let stage = Stage { plan, procedure, source, engine, decoys, voices, folder: folder.path(), interrupted };
    progress.trials();
    let next = AtomicUsize::new(0);
    let all: Mutex<Tally> = Mutex::new(Tally::default());
    let one = |mut listeners: Vec<Listener>| -> Result<(), Failure> {
        let mut tool = tool.clone();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= plan.trials || interrupted() {
                return Ok(());
            }
            let own = std::mem::take(&mut listeners);
            let (tally, back) = trial(&stage, number, own, &mut tool)?;
            listeners = back;
            // A trial that was broken off would count as one that was not completed.
            if interrupted() {
                return Ok(());
            }
            locked(&all).add(&tally);
            progress.done();
        }
    };
    std::thread::scope(|scope| {
        let one = &one;
        let start = |_| {
            let own: Vec<Listener> = listeners.drain(..plan.posts.len()).collect();
            scope.spawn(move || one(own))
        };
        let threads: Vec<_> = (0..workers).map(start).collect();
        threads.into_iter().try_for_each(|thread| match thread.join() {
            Ok(result) => result,
            Err(_) => Err(Failure::new(ExitCode::Internal, "a trial broke off")),
        })
    })?;
    Ok(all.into_inner().unwrap_or_else(|poisoned| poisoned.into_inner()))
}

/// Records of trials are thrown away: in memory where there is room, since waiting for the disk takes longer than hearing.
fn room_for_records() -> Result<Scratch, Failure> {
    Scratch::in_memory().map_err(|error| {
        Failure::new(ExitCode::BadFolder, "no temporary folder for the trials' records").why(error)
    })
}

fn locked(tally: &Mutex<Tally>) -> MutexGuard<'_, Tally> {
    tally.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
}

/// Who speaks in a trial: the worker and the observer, as numbers of the plan's people. The first half of them are workers
/// and the others observers, so that nobody has to learn more than one part.
fn who(number: usize, people: usize) -> (usize, usize) {
    let workers = people.div_ceil(2);
    let observers = (people - workers).max(1);
    // Each round of the workers begins with another observer.
    let observer = (number + number / workers) % observers;
    (number % workers, (workers + observer).min(people - 1))
}

/// Each person's voice, with every phrase rendered once that this person is sure to say in one of the trials. Calls and slips
/// are rendered when they are made.
fn voices(
    plan: &Plan,
    procedure: &Procedure,
    progress: &dyn Progress,
    interrupted: &(dyn Fn() -> bool + Sync),
) -> Result<Vec<Renderer>, Failure> {
    let people = plan.people.len();
    let voices = plan
        .people
        .iter()
        .map(|voice| Ok(Renderer::new(voice.clone())?.that_forgets_nothing()))
        .collect::<Result<Vec<_>, Failure>>()?;
    natural::use_threads(1);
    let mut parts = BTreeSet::new();
    for (worker, observer) in (0..plan.trials).map(|number| who(number, people)) {
        parts.extend([(worker, Role::Worker), (observer, Role::Observer)]);
    }
    let awaited = |phrase: &&Phrase| match phrase.used {
        Use::ReadBack { step } | Use::Confirmation { step } => usize::from(step) < procedure.own_steps,
        Use::Answer { .. } | Use::Release { .. } => true,
        _ => false,
    };
    let said = |role: Role| {
        let of_role = move |phrase: &&Phrase| phrase.by.is_none_or(|by| by == role);
        procedure.phrases.iter().filter(awaited).filter(of_role)
    };
    let all: BTreeSet<(usize, &str)> = parts
        .into_iter()
        .flat_map(|(voice, role)| said(role).map(move |phrase| (voice, phrase.text.as_str())))
        .collect();
    let all: Vec<(usize, &str)> = all.into_iter().collect();
    progress.voices(all.len());
    let next = AtomicUsize::new(0);
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let one = || -> Result<(), Failure> {
            while let Some((voice, text)) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
                if interrupted() {
                    return Ok(());
                }
                voices[*voice].clone().render(text)?;
                progress.voiced();
            }
            Ok(())
        };
        let threads: Vec<_> = (0..workers).map(|_| scope.spawn(one)).collect();
        threads.into_iter().try_for_each(|thread| match thread.join() {
            Ok(result) => result,
            Err(_) => Err(Failure::new(ExitCode::Internal, "the voices broke off")),
        })
    })?;
    Ok(voices)
}

/// What all trials share while they run.
struct Stage<'a> {
    plan: &'a Plan,
    procedure: Procedure,
    source: String,
    engine: String,
    decoys: usize,
    voices: Vec<Renderer>,
    folder: &'a Path,
    interrupted: &'a (dyn Fn() -> bool + Sync),
}

/// One trial, and the listeners for the next.
fn trial(
    stage: &Stage,
    number: usize,
    mut listeners: Vec<Listener>,
    tool: &mut Renderer,
) -> Result<(Tally, Vec<Listener>), Failure> {
    let Stage { plan, procedure, voices, .. } = stage;
    let seed = plan.seed.wrapping_add(number as u64);
    listeners.iter_mut().for_each(Listener::restart);
    let folder = SessionFolder::create(stage.folder, &format!("trial-{number}"))?;
    let path = folder.path().to_path_buf();
    let opening = Opening {
        antiphon: env!("CARGO_PKG_VERSION").to_string(),
        session: String::new(),
        mode: "rehearsal".to_string(),
        procedure_id: procedure.id.clone(),
        procedure_version: procedure.version.clone(),
        procedure_sha256: String::new(),
        engine: stage.engine.clone(),
        voice: format!("rendered: {}", plan.tool),
        posts: plan.posts.clone(),
        people: Default::default(),
        grace_ms: DEFAULT_GRACE_MS,
        decoys: stage.decoys,
        rehearsal: Some(format!("trial, seed {seed}")),
        practice: None,
        notes: Vec::new(),
        bars: None,
    };
    let watch = Rc::new(RefCell::new(Watch::default()));
    let wall = WallClock::From(chrono::Local::now().fixed_offset());
    let screen = Box::new(Onlooker(Rc::clone(&watch)));
    let keeper = Keeper::open(procedure.clone(), &stage.source, folder, opening, wall, screen)?;
    let script = slips(procedure, plan.slips, seed);
    let (worker, observer) = who(number, voices.len());
    let (worker, observer) = (voices[worker].clone(), voices[observer].clone());
    let actors = Actors::new(script, seed);
    let mut cast = Cast::new(actors, &plan.posts, worker, observer, plan.noise, seed);
    cast.out_of_the_room();
    let witness = Rc::clone(&watch);
    cast.witness(Box::new(move |line| witness.borrow_mut().said(line)));
    let simulation = Simulation::new(keeper, listeners, tool, Box::new(cast), None, plan.limit_ms);
    let (keeper, listeners, end_ms, result) = simulation.run_with_listeners(stage.interrupted);
    let closed = keeper.close(end_ms, result.is_err());
    // A trial's record is of no use once it is counted; what can't be removed goes with the temporary folder.
    let _ = std::fs::remove_dir_all(path);
    result?;
    let account = closed?.account;
    let mut tally = std::mem::take(&mut watch.borrow_mut().tally);
    tally.trials = 1;
    tally.completed = usize::from(account.outcome == Outcome::Completed);
    tally.decisions = account.decisions.len();
    tally.seconds = end_ms / 1000;
    Ok((tally, listeners))
}

/// Random slips: at each read-back and confirmation with this probability, one of what people do wrong.
fn slips(procedure: &Procedure, rate: f64, seed: u64) -> Script {
    // Not the stream that the actors draw from.
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5115);
    let all: BTreeSet<String> = procedure.phrases.iter().map(|phrase| phrase.text.clone()).collect();
    let mut script = Script::default();
    for step in &procedure.steps {
        for (usually, phrases) in [(Role::Worker, &step.read_back), (Role::Observer, &step.confirm)] {
            let who = phrases.first().and_then(|id| procedure.phrase(*id).by).unwrap_or(usually);
            if !random.random_bool(rate.clamp(0.0, 1.0)) {
                continue;
            }
            let near = phrases
                .first()
                .map(|id| decoys::derive(&procedure.phrase(*id).text, &all))
                .unwrap_or_default();
            let near = near.choose(&mut random).cloned();
            let (kind, say) = match random.random_range(0..4) {
                // The reverse, half of it, a negation: what must not be taken for the phrase.
                0 => (SlipKind::Wrong, near),
                1 => (SlipKind::Wrong, None),
                2 => (SlipKind::Silence, None),
                _ => (SlipKind::Chatter, None),
            };
            script.slips.push(Slip {
                step: step.id.clone(),
                who,
                kind,
                say,
                contingency: None,
                times: 1,
                while_speaking: false,
            });
        }
    }
    script
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everybody_takes_part_in_one_part_only_and_with_several_others() {
        for people in [2, 3, 4, 12, 28] {
            let pairs: BTreeSet<(usize, usize)> = (0..200).map(|number| who(number, people)).collect();
            let workers: BTreeSet<usize> = pairs.iter().map(|(worker, _)| *worker).collect();
            let observers: BTreeSet<usize> = pairs.iter().map(|(_, observer)| *observer).collect();
            assert!(workers.is_disjoint(&observers), "{people}");
            assert_eq!(workers.len() + observers.len(), people);
            assert_eq!(pairs.len(), workers.len() * observers.len(), "{people}: {pairs:?}");
        }
    }

    #[test]
    fn slips_come_at_the_rate_asked_for_and_the_same_seed_gives_the_same() {
        let source = include_str!("../../../procedures/isolation-donning.toml");
        let procedure = crate::procedure::parse::parse(source, "p.toml").unwrap();
        let prompts = procedure.steps.len() * 2;
        assert_eq!(slips(&procedure, 0.0, 1).slips.len(), 0);
        assert_eq!(slips(&procedure, 1.0, 1).slips.len(), prompts);
        let some: usize = (0..200).map(|seed| slips(&procedure, 0.1, seed).slips.len()).sum();
        let share = some as f64 / (200 * prompts) as f64;
        assert!((share - 0.1).abs() < 0.02, "{share}");
        assert_eq!(slips(&procedure, 0.3, 9), slips(&procedure, 0.3, 9));
    }
}
