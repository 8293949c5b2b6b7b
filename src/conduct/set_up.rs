//! Everything a run needs before its first sound: the procedure, an engine a post, the vocabulary, the folder.
//!
//! Owns the order in which things are checked, so that every problem is told before anybody has gloves on.

use super::same_voice::{self, Comparing, Wish};
use super::second_ear::{self, Ears};
use crate::failure::{ExitCode, Failure};
use crate::listen::accept::Bar;
use crate::listen::engine::phones::{Lexicon, PhonesEngine};
use crate::listen::engine::vosk::VoskEngine;
use crate::listen::engine::{BadWord, Engine, EngineError};
use crate::listen::listener::{Listener, Vocabulary};
use crate::models;
use crate::procedure::parse::{self, Problem, ProcedureErrors};
use crate::procedure::{Place, Post, Procedure};
use crate::session::lines::lines;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Which engine listens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum EngineName {
    /// Phone network with CTC scoring; English.
    Phones,
    /// A Vosk model in grammar mode; any language with a model.
    Vosk,
}

/// What was loaded.
pub struct Ready {
    pub procedure: Procedure,
    /// The procedure's file as it was.
    pub source: String,
    pub listeners: Vec<Listener>,
    pub engine: String,
    pub decoys: usize,
    /// Fallbacks and conversions made on the way.
    pub notes: Vec<String>,
}

/// What is to listen.
#[derive(Debug, Clone)]
pub struct Listening {
    pub engine: EngineName,
    /// Folder of a Vosk model, if not the usual one.
    pub model: Option<PathBuf>,
    /// How many ears, if the user said so.
    pub ears: Option<Ears>,
    /// How voices are compared, where they are.
    pub voices: Option<Wish>,
    /// So many rooms are listened to at the same time, each with listeners of its own: there are as many of each post, one
    /// room's after the other's.
    pub rooms: usize,
}

/// Loads and checks everything. Every problem of the procedure is told at once, with file:line.
pub fn ready(path: &Path, posts: &[Post], listening: &Listening) -> Result<Ready, Failure> {
    let (procedure, source) = parse::load(path)?;
    let Listening { engine, model, ears, voices, rooms } = listening;
    let second = second_ear::several_coming(*rooms, *ears, *engine, &procedure.language);
    let name = path.display().to_string();
    if posts.contains(&Post::Room) {
        let problems = parse::shared_microphone_problems(&procedure);
        tell(problems.into_iter().map(|problem| problem.in_source(&name, &source)).collect())?;
    }
    let mut notes = Vec::new();
    if !lines(&procedure.language).1 {
        notes.push(format!(
            "the tool's own lines (asking again, reminders, holds) are not there in {:?}: spoken in English",
            procedure.language
        ));
    }
    let engines = engines(*engine, model.as_deref(), posts.len() * rooms)?;
    let vocabulary = Vocabulary::new(&procedure, engines[0].as_ref())
        .map_err(|bad| unknown_words(&bad, engines[0].as_ref(), &name, &source))?;
    let decoys = vocabulary.decoy_count();
    let mut described = described(engines[0].as_ref());
    let vocabulary = Arc::new(vocabulary);
    let second_ear::Found { ears, note } = second.wait();
    notes.extend(note);
    if let Some(ear) = ears.first() {
        described = format!("{described}; {}", self::described(ear));
    }
    let Comparing { voices, notes: of_voices } = match voices {
        Some(wish) => same_voice::at(posts, wish, &procedure)?,
        None => Comparing::default(),
    };
    notes.extend(of_voices);
    let mut voices = voices.into_iter();
    let listener = |(at, engine): (usize, Box<dyn Engine>)| {
        let first = Listener::new(posts[at % posts.len()], engine, Arc::clone(&vocabulary), Bar::default());
        let both = match ears.get(at / posts.len()) {
            Some(ear) => first.with_second(Box::new(ear.another())),
            None => first,
        };
        match voices.next() {
            Some(voices) => both.with_voices(voices),
            None => both,
        }
    };
    let listeners = engines.into_iter().enumerate().map(listener).collect();
    Ok(Ready { procedure, source, listeners, engine: described, decoys, notes })
}

/// An engine by its name and what it loaded.
fn described(engine: &dyn Engine) -> String {
    format!("{}: {}", engine.name(), engine.describe())
}

fn tell(problems: Vec<Problem>) -> Result<(), Failure> {
    if problems.is_empty() {
        Ok(())
    } else {
        Err(ProcedureErrors { problems, more: 0 }.into())
    }
}

/// One engine a post.
pub fn engines(
    name: EngineName,
    model: Option<&Path>,
    count: usize,
) -> Result<Vec<Box<dyn Engine>>, Failure> {
    let mut all: Vec<Box<dyn Engine>> = Vec::with_capacity(count);
    match name {
        EngineName::Phones => {
            let first = PhonesEngine::load()?;
            for _ in 1..count {
                all.push(Box::new(first.another()?));
            }
            all.push(Box::new(first));
        }
        EngineName::Vosk => {
            let folder: PathBuf = models::vosk_model(model)
                .map_err(|missing| Failure::new(ExitCode::MissingModel, missing.to_string()))?;
            let first = VoskEngine::load(&folder)?;
            for _ in 1..count {
                all.push(Box::new(first.another()));
            }
            all.push(Box::new(first));
        }
    }
    Ok(all)
}

/// The pronouncing dictionary, without the network: what proofing needs.
pub fn dictionary() -> Result<Lexicon, Failure> {
    let path = models::find(models::Asset::CmuDict)
        .map_err(|missing| Failure::new(ExitCode::MissingModel, missing.to_string()))?;
    Lexicon::load(&path).map_err(|error| {
        Failure::new(ExitCode::MissingModel, format!("{}: can't be read", path.display())).why(error)
    })
}

/// Words the engine can't listen for, each with the place of its phrase and how to add it.
pub fn unknown_words(bad: &[BadWord], engine: &dyn Engine, name: &str, source: &str) -> Failure {
    let problems = bad
        .iter()
        .map(|bad| {
            let what =
                format!("the {} engine can't listen for {:?} in {:?}", engine.name(), bad.word, bad.phrase);
            let problem = match bad.at {
                Place::BUILT_IN => Problem::of_file(name, what),
                at => Problem::at(at, what),
            };
            let problem = problem.why(bad.problem.to_string()).fix(match engine.name() {
                "phones" if !bad.word.is_ascii() => {
                    "this engine knows English words only; take --engine vosk with a \
                                                     model of the language"
                        .to_string()
                }
                _ => engine.how_to_add(&bad.word),
            });
            if bad.at == Place::BUILT_IN {
                problem
            } else {
                problem.in_source(name, source)
            }
        })
        .collect();
    ProcedureErrors { problems, more: 0 }.into()
}

impl From<EngineError> for Failure {
    fn from(error: EngineError) -> Failure {
        match error {
            EngineError::Missing(missing) => Failure::new(ExitCode::MissingModel, missing.to_string()),
            EngineError::Load { .. } => Failure::new(ExitCode::MissingModel, error.to_string())
                .fix("run `models/setup.sh` again; it checks every file"),
            EngineError::Failed(_) => Failure::new(ExitCode::Internal, error.to_string()),
        }
    }
}
