//! The same procedure many times with stand-in people: how often each phrase is heard right.
//!
//! Owns the random slips of a trial, the counting, and running trials on all cores. Must not judge what is heard: it looks
//! on as a screen does, knowing what was really said.

use super::actors::{Actors, Line, Script, Slip, SlipKind};
use super::keeper::{Keeper, Opening, WallClock};
use super::second_ear::Ears;
use super::set_up::{ready, EngineName};
use super::simulation::{Cast, Simulation};
use crate::audio::noise::NoiseSpec;
use crate::failure::{ExitCode, Failure};
use crate::listen::decoys;
use crate::listen::heard::{Heard, Verdict};
use crate::procedure::{PhraseId, Post, Procedure, Role};
use crate::record::summary::Outcome;
use crate::record::SessionFolder;
use crate::screen::{LastHeard, Screen};
use crate::session::{Action, Event, Note, State, What, DEFAULT_GRACE_MS};
use crate::voice::{RenderVoice, Renderer};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard};

/// What all trials have in common.
pub struct Plan {
    pub procedure: PathBuf,
    pub engine: EngineName,
    pub model: Option<PathBuf>,
    pub ears: Option<Ears>,
    pub posts: Vec<Post>,
    /// Trial n has this seed plus n.
    pub seed: u64,
    pub trials: usize,
    pub noise: Option<NoiseSpec>,
    /// Share of prompts at which somebody slips.
    pub slips: f64,
    pub tool: RenderVoice,
    /// Taken in turn: trial n has the n-th worker and, from the other end, observer.
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

/// What a stand-in said last, and the phrases awaited then, the prompted one first.
struct Said {
    line: Line,
    expected: Vec<(PhraseId, String)>,
}

impl Said {
    /// The awaited phrase that was really said, if it was one.
    fn right(&self) -> Option<PhraseId> {
        self.expected.iter().find(|(_, text)| *text == self.line.text).map(|(id, _)| *id)
    }
}

/// What the session made of it.
#[derive(Clone, Copy)]
enum Fate {
    Took(PhraseId),
    AskedAgain,
    Nothing,
}

/// Looks on: what was said, and what the session made of it.
#[derive(Default)]
struct Watch {
    tally: Tally,
    expected: Vec<(PhraseId, String)>,
    last: BTreeMap<Role, Said>,
    /// The phrase that was said rightly and did not count, and since when.
    trouble: Option<(PhraseId, u64)>,
}

impl Watch {
    fn said(&mut self, line: &Line) {
        // Nobody minded what this person said before.
        if let Some(before) = self.last.remove(&line.role) {
            let at_ms = before.line.at_ms;
            self.settle(&before, Fate::Nothing, at_ms);
        }
        self.last.insert(line.role, Said { line: line.clone(), expected: self.expected.clone() });
    }

    fn heard(&mut self, heard: &Heard, actions: &[Action], at_ms: u64) {
        let fate = match fate(heard, actions) {
            // A piece of an utterance, perhaps; what becomes of it is seen later.
            Fate::Nothing => return,
            fate => fate,
        };
        let latest = self.last.iter().filter(|(role, _)| heard.post.hears(**role));
        let Some(role) = latest.max_by_key(|(_, said)| said.line.at_ms).map(|(role, _)| *role) else {
            return;
        };
        if let Some(said) = self.last.remove(&role) {
            self.settle(&said, fate, at_ms);
        }
    }

    fn settle(&mut self, said: &Said, fate: Fate, at_ms: u64) {
        let Some((awaited, _)) = said.expected.first() else { return };
        let right = said.right();
        let count = self.tally.phrases.entry(right.unwrap_or(*awaited)).or_default();
        match (right, fate) {
            (Some(id), Fate::Took(heard)) => {
                count.said += 1;
                count.right += usize::from(heard == id);
                count.mistaken += usize::from(heard != id);
            }
            (Some(_), Fate::AskedAgain) => {
                count.said += 1;
                count.asked_again += 1;
            }
            (Some(_), Fate::Nothing) => {
                count.said += 1;
                count.unnoticed += 1;
            }
            (None, fate) => {
                count.slips += 1;
                let awaited = |heard| said.expected.iter().any(|(id, _)| *id == heard);
                count.slips_taken += usize::from(matches!(fate, Fate::Took(heard) if awaited(heard)));
            }
        }
        match (fate, right) {
            (Fate::Took(_), _) => {
                if let Some((id, since)) = self.trouble.take() {
                    self.tally.phrases.entry(id).or_default().extra_ms += at_ms.saturating_sub(since);
                }
            }
            (_, Some(id)) => self.trouble = self.trouble.or(Some((id, at_ms))),
            _ => {}
        }
    }
}

fn fate(heard: &Heard, actions: &[Action]) -> Fate {
    let notes = || {
        actions.iter().filter_map(|action| match action {
            Action::Note(note) => Some(note),
            _ => None,
        })
    };
    let took = notes().any(|note| {
        matches!(
            note,
            Note::Counted { .. } | Note::Obeyed { .. } | Note::TooSoon { .. } | Note::Refused { .. }
        )
    });
    match heard.verdict {
        Verdict::Accepted { phrase } if took => Fate::Took(phrase),
        _ if notes().any(|note| matches!(note, Note::AskedAgain { .. } | Note::Held { .. })) => {
            Fate::AskedAgain
        }
        _ => Fate::Nothing,
    }
}

/// The session's screen, which only counts.
struct Onlooker(Rc<RefCell<Watch>>);

impl Screen for Onlooker {
    fn event(&mut self, _: &Procedure, event: &Event, actions: &[Action]) {
        if let What::Heard(heard) = &event.what {
            self.0.borrow_mut().heard(heard, actions, event.at_ms);
        }
    }
    fn show(&mut self, procedure: &Procedure, state: &State, _: Option<&LastHeard>) {
        let awaited = state.expected(procedure).into_iter().chain(state.decisions(procedure));
        self.0.borrow_mut().expected = awaited.map(|id| (id, procedure.phrase(id).text.clone())).collect();
    }
    fn remark(&mut self, _: u64, _: &str) {}
}

/// Runs all trials on all cores. `progress` is told after each; `interrupted` ends early.
pub fn run(
    plan: &Plan,
    progress: &(dyn Fn() + Sync),
    interrupted: &(dyn Fn() -> bool + Sync),
) -> Result<Tally, Failure> {
    let folder = tempfile::tempdir().map_err(|error| {
        Failure::new(ExitCode::BadFolder, "no temporary folder for the trials' records").why(error)
    })?;
    let voices = voices(plan)?;
    let next = AtomicUsize::new(0);
    let all: Mutex<Tally> = Mutex::new(Tally::default());
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(plan.trials.max(1));
    std::thread::scope(|scope| {
        let one = || -> Result<(), Failure> {
            // What the tool says is the same in most trials.
            let mut tool = Renderer::new(plan.tool.clone())?;
            loop {
                let number = next.fetch_add(1, Ordering::Relaxed);
                if number >= plan.trials || interrupted() {
                    return Ok(());
                }
                let tally = trial(plan, number, &mut tool, &voices, folder.path(), interrupted)?;
                // A trial that was broken off would count as one that was not completed.
                if interrupted() {
                    return Ok(());
                }
                locked(&all).add(&tally);
                progress();
            }
        };
        let threads: Vec<_> = (0..workers).map(|_| scope.spawn(one)).collect();
        threads.into_iter().try_for_each(|thread| match thread.join() {
            Ok(result) => result,
            Err(_) => Err(Failure::new(ExitCode::Internal, "a trial broke off")),
        })
    })?;
    Ok(all.into_inner().unwrap_or_else(|poisoned| poisoned.into_inner()))
}

fn locked(tally: &Mutex<Tally>) -> MutexGuard<'_, Tally> {
    tally.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
}

/// Each person's voice, with every phrase rendered once.
fn voices(plan: &Plan) -> Result<Vec<Renderer>, Failure> {
    let (procedure, _) = crate::procedure::parse::load(&plan.procedure)?;
    plan.people
        .iter()
        .map(|voice| {
            let mut renderer = Renderer::new(voice.clone())?;
            for phrase in &procedure.phrases {
                renderer.render(&phrase.text)?;
            }
            Ok(renderer)
        })
        .collect()
}

fn trial(
    plan: &Plan,
    number: usize,
    tool: &mut Renderer,
    voices: &[Renderer],
    folder: &std::path::Path,
    interrupted: &dyn Fn() -> bool,
) -> Result<Tally, Failure> {
    let seed = plan.seed.wrapping_add(number as u64);
    let mut ready = ready(&plan.procedure, &plan.posts, plan.engine, plan.model.as_deref(), plan.ears)?;
    let folder = SessionFolder::create(folder, &format!("trial-{number}"))?;
    let path = folder.path().to_path_buf();
    let opening = Opening {
        antiphon: env!("CARGO_PKG_VERSION").to_string(),
        session: String::new(),
        mode: "rehearsal".to_string(),
        procedure_id: ready.procedure.id.clone(),
        procedure_version: ready.procedure.version.clone(),
        procedure_sha256: String::new(),
        engine: ready.engine.clone(),
        voice: format!("rendered: {}", plan.tool),
        posts: plan.posts.clone(),
        people: Default::default(),
        grace_ms: DEFAULT_GRACE_MS,
        decoys: ready.decoys,
        rehearsal: Some(format!("trial, seed {seed}")),
        practice: None,
        notes: Vec::new(),
    };
    let watch = Rc::new(RefCell::new(Watch::default()));
    let wall = WallClock::From(chrono::Local::now().fixed_offset());
    let screen = Box::new(Onlooker(Rc::clone(&watch)));
    let keeper = Keeper::open(ready.procedure.clone(), &ready.source, folder, opening, wall, screen)?;
    let script = slips(&ready.procedure, plan.slips, seed);
    let worker = voices[number % voices.len()].clone();
    let observer = voices[voices.len() - 1 - number % voices.len()].clone();
    let actors = Actors::new(script, seed);
    let mut cast = Cast::new(actors, &plan.posts, worker, observer, plan.noise, seed);
    let witness = Rc::clone(&watch);
    cast.witness(Box::new(move |line| witness.borrow_mut().said(line)));
    let listeners = std::mem::take(&mut ready.listeners);
    let simulation = Simulation::new(keeper, listeners, tool, Box::new(cast), None, plan.limit_ms);
    let (keeper, end_ms, result) = simulation.run(interrupted);
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
    Ok(tally)
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
    use crate::listen::heard::Evidence;

    fn line(text: &str, at_ms: u64) -> Line {
        Line { role: Role::Worker, at_ms, text: text.to_string(), louder_db: 0.0 }
    }

    fn heard(phrase: u16) -> Heard {
        Heard {
            post: Post::Worker,
            start_ms: 0,
            end_ms: 0,
            verdict: Verdict::Accepted { phrase: PhraseId(phrase) },
            evidence: Evidence::default(),
        }
    }

    fn watch() -> Watch {
        let expected =
            vec![(PhraseId(0), "gown is on".to_string()), (PhraseId(1), "gown is off".to_string())];
        Watch { expected, ..Watch::default() }
    }

    fn counted(phrase: u16) -> Vec<Action> {
        vec![Action::Note(Note::Counted { post: Post::Worker, phrase: PhraseId(phrase) })]
    }

    #[test]
    fn right_mistaken_asked_again_and_unnoticed_are_told_apart_by_what_was_really_said() {
        let mut watch = watch();
        watch.said(&line("gown is on", 1_000));
        watch.heard(&heard(0), &counted(0), 2_000);
        watch.said(&line("gown is on", 3_000));
        watch.heard(&heard(1), &counted(1), 4_000);
        watch.said(&line("gown is on", 5_000));
        let asked = [Action::Note(Note::AskedAgain { post: Post::Worker, try_number: 1 })];
        watch.heard(&heard(0), &asked, 6_000);
        watch.said(&line("gown is on", 7_000));
        watch.said(&line("gown is on", 8_000));
        watch.heard(&heard(0), &counted(0), 9_000);
        let count = &watch.tally.phrases[&PhraseId(0)];
        let seen = (count.said, count.right, count.mistaken, count.asked_again, count.unnoticed);
        assert_eq!(seen, (5, 2, 1, 1, 1));
        assert_eq!(count.extra_ms, 3_000, "from the answer that was asked again to the one that counted");
    }

    #[test]
    fn a_slip_that_is_taken_for_the_phrase_is_counted_as_such() {
        let mut watch = watch();
        watch.said(&line("gown is not on", 1_000));
        watch.heard(&heard(0), &counted(0), 2_000);
        watch.said(&line("another box", 3_000));
        watch.said(&line("gown is on", 4_000));
        watch.heard(&heard(0), &counted(0), 5_000);
        let count = &watch.tally.phrases[&PhraseId(0)];
        assert_eq!((count.said, count.right, count.slips, count.slips_taken), (1, 1, 2, 1));
    }

    #[test]
    fn slips_come_at_the_rate_asked_for_and_the_same_seed_gives_the_same() {
        let source = include_str!("../../procedures/isolation-donning.toml");
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
