//! Voices of people who are known: those that were kept before a session, and the making of new ones in a sound check.
//!
//! Owns which utterances make a person's voice. Nothing is kept here: whether that may be is asked of the person (`cli`).

use crate::failure::{ExitCode, Failure};
use crate::listen::voices::{VoiceEvidence, Voices};
use crate::procedure::{PhraseId, Post, Procedure, Role};
use crate::record::SessionFolder;
use crate::who::kept::{self, KeptError};
use crate::who::{NoVoice, Voice, VoiceNetwork};
use crossbeam_channel::{Receiver, Sender};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

/// Utterances that a voice is made of, at least.
pub const LEAST: usize = 3;

/// The kept voices of a session's two people.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct KnownPeople {
    pub worker: Option<Voice>,
    pub observer: Option<Voice>,
    /// What is to be told of them.
    pub notes: Vec<String>,
}

/// Where voices are kept: beside the usual folder of sessions.
pub fn folder() -> Result<PathBuf, Failure> {
    Ok(SessionFolder::default_root()?.with_file_name("voices"))
}

impl KnownPeople {
    /// Of those whose ids the session was given. A file that can't be read is told and counts as none.
    pub fn of(people: &BTreeMap<String, String>) -> Result<KnownPeople, Failure> {
        let mut known = KnownPeople::default();
        if people.is_empty() {
            return Ok(known);
        }
        let folder = folder()?;
        for (post, person) in people {
            let place = match post.as_str() {
                "worker" => &mut known.worker,
                "observer" => &mut known.observer,
                _ => continue,
            };
            match kept::of(&folder, person) {
                Ok(kept) => *place = kept.map(|kept| kept.voice),
                Err(error) => known.notes.push(format!("the {post}'s kept voice is not used: {error}")),
            }
        }
        Ok(known)
    }
}

impl From<KeptError> for Failure {
    fn from(error: KeptError) -> Failure {
        Failure::new(ExitCode::BadFolder, error.to_string())
            .why("a kept voice could not be read, written or deleted")
            .fix(
                "see who may write that folder; `antiphon forget ID` deletes a voice whatever is in its file",
            )
    }
}

/// Gathers voices at every post of a sound check.
pub struct Enrolling {
    heard: Receiver<(Role, Result<Voice, String>)>,
}

/// What was made of one person's utterances.
#[derive(Debug, Clone, PartialEq)]
pub struct Enrolled {
    pub role: Role,
    pub utterances: usize,
    /// `None`: there were too few that a voice can be told from, and why the others were no use.
    pub voice: Option<Voice>,
    pub unusable: Vec<String>,
}

struct Gatherer {
    network: Arc<Mutex<VoiceNetwork>>,
    by: Vec<Option<Role>>,
    tell: Sender<(Role, Result<Voice, String>)>,
}

/// One for each post, and what gathers from all. Errors: the network is not there.
pub fn enrolling(
    posts: &[Post],
    procedure: &Procedure,
) -> Result<(Vec<Box<dyn Voices>>, Enrolling), Failure> {
    let network = VoiceNetwork::load().map_err(|error| error.failure("voices can't be enrolled"))?;
    let network = Arc::new(Mutex::new(network));
    let by: Vec<Option<Role>> = procedure.phrases.iter().map(|phrase| phrase.by).collect();
    let (tell, heard) = crossbeam_channel::unbounded();
    let one = |_: &Post| {
        let post = Gatherer { network: Arc::clone(&network), by: by.clone(), tell: tell.clone() };
        Box::new(post) as Box<dyn Voices>
    };
    Ok((posts.iter().map(one).collect(), Enrolling { heard }))
}

impl Voices for Gatherer {
    fn said(&mut self, phrase: PhraseId, sound: &[i16]) -> Result<VoiceEvidence, String> {
        let Some(role) = self.by.get(usize::from(phrase.0)).copied().flatten() else {
            return Ok(VoiceEvidence::default());
        };
        let mut network = self.network.lock().map_err(|_| "enrolment ended in an error of the program")?;
        let voice = match network.voice(sound) {
            Ok(voice) => Ok(voice),
            Err(NoVoice::CantTell(why)) => Err(why.to_string()),
            Err(NoVoice::Network(error)) => return Err(error.to_string()),
        };
        // Whoever gathers may be gone, when the check was interrupted.
        let _ = self.tell.send((role, voice));
        Ok(VoiceEvidence::default())
    }
}

impl Enrolling {
    /// Both people, after the check.
    pub fn done(self) -> [Enrolled; 2] {
        let all: Vec<_> = self.heard.try_iter().collect();
        [Role::Worker, Role::Observer].map(|role| {
            let theirs = || all.iter().filter(|(by, _)| *by == role).map(|(_, voice)| voice);
            let voices: Vec<&Voice> = theirs().filter_map(|voice| voice.as_ref().ok()).collect();
            let unusable = theirs().filter_map(|voice| voice.as_ref().err().cloned()).collect();
            let voice = Voice::together(&voices).filter(|_| voices.len() >= LEAST);
            Enrolled { role, utterances: voices.len(), voice, unusable }
        })
    }
}
