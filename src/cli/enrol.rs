//! `soundcheck --enrol` and `forget`: voices that people let be kept, and their deletion.
//!
//! Owns the question whether a voice may be kept. Without a yes nothing is. Must not make voices: `conduct/enrol.rs` does.

use super::keeping::confirmed;
use super::session::person;
use super::{say, tell};
use crate::conduct::enrol::{enrolling, folder, Enrolled, Enrolling, LEAST};
use crate::conduct::set_up::Ready;
use crate::failure::{ExitCode, Failure};
use crate::listen::listener::Listener;
use crate::procedure::{Post, Role};
use crate::who::apart;
use crate::who::kept::{self, Kept, KeptError, LONGEST_ID};
use serde::Serialize;
use std::io::IsTerminal;
use std::path::Path;

#[derive(Debug, clap::Args)]
pub struct EnrolArgs {
    /// Know this person's voice in later sessions: worker=w7 or observer=o2 (five phrases; kept only if they agree)
    #[arg(long, value_name = "POST=ID", value_parser = person)]
    enrol: Vec<(String, String)>,
    /// Whoever is enrolled has agreed that the numbers of their voice are kept: don't ask
    #[arg(long, requires = "enrol")]
    agreed: bool,
}

/// What is being enrolled.
pub struct Enrol {
    people: Vec<(Role, String)>,
    agreed: bool,
    enrolling: Enrolling,
}

/// What became of it.
#[derive(Debug, Serialize)]
pub struct Enrolment {
    people: Vec<Person>,
    /// Whether the two can be told apart; nothing where only one was enrolled.
    #[serde(skip_serializing_if = "Option::is_none")]
    apart: Option<bool>,
}

#[derive(Debug, Serialize)]
struct Person {
    person: String,
    role: Role,
    /// Phrases from which the voice could be told.
    utterances: usize,
    kept: bool,
    /// Why not.
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

impl EnrolArgs {
    pub fn roles(&self) -> Vec<Role> {
        self.people().into_iter().map(|(role, _)| role).collect()
    }

    fn people(&self) -> Vec<(Role, String)> {
        let role = |post: &str| if post == "worker" { Role::Worker } else { Role::Observer };
        self.enrol.iter().map(|(post, id)| (role(post), id.clone())).collect()
    }

    /// Has the listeners gather voices. Errors: an id under which none can be kept, one person twice, no network.
    pub fn begin(&self, ready: &mut Ready) -> Result<Option<Enrol>, Failure> {
        let people = self.people();
        for (at, (role, id)) in people.iter().enumerate() {
            if !kept::is_id(id) {
                return Err(Failure::new(
                    ExitCode::Usage,
                    format!("--enrol {}={id}: not a short id", role.name()),
                )
                .why(format!(
                    "a short id is 1 to {LONGEST_ID} letters, digits, '-', '_' or '.', not a '.' at first"
                ))
                .fix("give an id that only your unit can trace"));
            }
            if people[..at].iter().any(|(other, other_id)| other == role || other_id == id) {
                return Err(Failure::new(
                    ExitCode::Usage,
                    format!("--enrol {}={id}: named twice", role.name()),
                )
                .fix("enrol one worker and one observer, under different ids"));
            }
        }
        if people.is_empty() {
            return Ok(None);
        }
        let posts: Vec<Post> = ready.listeners.iter().map(Listener::post).collect();
        let (voices, enrolling) = enrolling(&posts, &ready.procedure)?;
        let listeners = std::mem::take(&mut ready.listeners);
        ready.listeners = listeners
            .into_iter()
            .zip(voices)
            .map(|(listener, voices)| listener.with_voices(voices))
            .collect();
        Ok(Some(Enrol { people, agreed: self.agreed, enrolling }))
    }
}

impl Enrol {
    /// Asks, and keeps what may be kept; nothing after a check that found something to change, since microphones may be
    /// swapped or somebody not understood.
    pub fn finish(self, fit: bool) -> Result<Enrolment, Failure> {
        let [worker, observer] = self.enrolling.done();
        let both = worker.voice.as_ref().zip(observer.voice.as_ref()).filter(|_| self.people.len() == 2);
        let apart = both.map(|(worker, observer)| apart(worker, observer));
        let mut people = Vec::new();
        for (role, person) in self.people {
            let one = match role {
                Role::Worker => &worker,
                Role::Observer => &observer,
            };
            let why = match &one.voice {
                _ if !fit => Some("the sound check found something to change first".to_owned()),
                None => Some(too_few(one)),
                Some(_) if !may_keep(&person, self.agreed)? => {
                    Some("nobody agreed that it is kept".to_owned())
                }
                Some(voice) => {
                    let at = chrono::Local::now().to_rfc3339_opts(chrono::SecondsFormat::Secs, false);
                    let (person, voice) = (person.clone(), voice.clone());
                    kept::keep(&folder()?, &Kept { person, at, utterances: one.utterances, voice })?;
                    None
                }
            };
            people.push(Person { person, role, utterances: one.utterances, kept: why.is_none(), why });
        }
        Ok(Enrolment { people, apart })
    }
}

fn too_few(few: &Enrolled) -> String {
    let others = few.unusable.join("; ");
    let others = if others.is_empty() { others } else { format!(" ({others})") };
    format!("the voice could be told from {} phrases, {LEAST} are needed{others}", few.utterances)
}

/// Only a yes is one.
fn may_keep(person: &str, agreed: bool) -> Result<bool, Failure> {
    if agreed {
        return Ok(true);
    }
    if !std::io::stdin().is_terminal() {
        tell(&format!(
            "{person}'s voice is not kept: nobody is at the terminal to agree (--agreed, if {person} has)"
        ));
        return Ok(false);
    }
    confirmed(&format!(
        "{person}: may 192 numbers of your voice (no sound) be kept on this computer, to tell you from others in later \
         sessions? `antiphon forget {person}` deletes them at any time."
    ))
}

impl Enrolment {
    pub fn words(&self) -> Vec<String> {
        let line = |one: &Person| {
            match &one.why {
            None => format!(
                "enrolled: {} as {} ({} phrases); sessions with --who {}={} know the voice, `antiphon forget {}` deletes it",
                one.person,
                one.role.name(),
                one.utterances,
                one.role.name(),
                one.person,
                one.person
            ),
            Some(why) => format!("not enrolled: {} as {}: {why}", one.person, one.role.name()),
        }
        };
        let mut lines: Vec<String> = self.people.iter().map(line).collect();
        if self.apart == Some(false) {
            lines.push("caution: the two voices sound too much alike to be told apart; sessions compare them as if not enrolled".into());
        }
        lines
    }
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon forget            whose voices are kept
  antiphon forget w7         delete w7's
  antiphon forget --all      delete all of them")]
pub struct ForgetArgs {
    /// The ids of those to forget; without any, whose voices are kept
    person: Vec<String>,
    /// Everybody's
    #[arg(long, conflicts_with = "person")]
    all: bool,
}

fn list(folder: &Path) -> Result<ExitCode, Failure> {
    let (people, errors) = kept::all(folder)?;
    for one in &people {
        say(&format!("{:<16} {} phrases, kept {}", one.person, one.utterances, one.at));
    }
    errors.iter().for_each(|error| tell(&format!("no use: {error}")));
    if people.is_empty() {
        say("No voice is kept.");
    }
    Ok(ExitCode::Done)
}

pub fn run_forget(args: &ForgetArgs) -> Result<ExitCode, Failure> {
    let folder = folder()?;
    let wanted = match (args.all, args.person.is_empty()) {
        (true, _) => {
            let (people, errors) = kept::all(&folder)?;
            let unreadable = errors.iter().filter_map(KeptError::person);
            people.into_iter().map(|one| one.person).chain(unreadable).collect()
        }
        (false, true) => return list(&folder),
        (false, false) => args.person.clone(),
    };
    let mut missing = Vec::new();
    for person in &wanted {
        match kept::forget(&folder, person)? {
            true => say(&format!("forgotten: {person}")),
            false => missing.push(person.as_str()),
        }
    }
    if missing.is_empty() {
        return Ok(ExitCode::Done);
    }
    Err(Failure::new(ExitCode::Usage, format!("no voice is kept of {}", missing.join(", ")))
        .fix("`antiphon forget` lists whose are"))
}
