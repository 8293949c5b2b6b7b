//! What `run` and `soundcheck` have in common: which sound comes from whom, and what speaks.
//!
//! Owns `--mic`, `--in`, `--speaker` and `--voice`. Must not know what is done with the sound.

use crate::audio::wav;
use crate::conduct::live::Mouth;
use crate::conduct::microphone::OpenMicrophone;
use crate::conduct::set_up::Ready;
use crate::failure::{ExitCode, Failure};
use crate::procedure::Post;
use crate::voice::{LiveVoice, RenderVoice, RenderedVoice, Renderer, SystemVoice, VoiceError};
use std::path::Path;
use std::str::FromStr;
use std::time::Duration;

#[derive(Debug, clap::Args)]
pub struct SoundArgs {
    /// A microphone: POST=DEVICE (post: worker, observer or room), or DEVICE for the room
    #[arg(long, value_name = "POST=DEVICE")]
    pub mic: Vec<String>,
    /// A recording instead of a microphone: POST=FILE, FILE#N for channel N, or FILE for the room
    #[arg(long = "in", value_name = "POST=FILE", conflicts_with = "mic")]
    pub input: Vec<String>,
    /// Loudspeaker for the rendered voice
    #[arg(long, value_name = "DEVICE")]
    pub speaker: Option<String>,
    /// system, rendered, or a rendered voice such as flite:slt or espeak-ng:en-gb (default: system when it answers
    /// within a second, else rendered)
    #[arg(long, value_name = "VOICE")]
    pub voice: Option<String>,
}

/// How long the system's voice has to answer before the rendered one is taken.
const SYSTEM_VOICE: Duration = Duration::from_secs(1);
/// How long it has when it is asked for by name: starting the speech service can take a few seconds.
const SYSTEM_VOICE_BY_NAME: Duration = Duration::from_secs(10);

impl SoundArgs {
    /// The microphones asked for, in the order of posts; a name of `None` is the default one, for the room.
    pub fn microphones(&self) -> Result<Vec<(Post, Option<String>)>, Failure> {
        Ok(match self.mic.as_slice() {
            [] => vec![(Post::Room, None)],
            named => by_post(named, "--mic")?.into_iter().map(|(post, name)| (post, Some(name))).collect(),
        })
    }

    /// The recordings that stand for microphones, in the order of posts.
    pub fn recordings(&self) -> Result<Vec<(Post, String)>, Failure> {
        by_post(&self.input, "--in")
    }

    /// The voice asked for; without a wish the system's when it answers, else the rendered one, which is said.
    pub fn mouth(&self, ready: &mut Ready) -> Result<Mouth, Failure> {
        let (events_out, events) = crossbeam_channel::unbounded();
        let (tap, played) = crossbeam_channel::unbounded();
        let language = ready.procedure.language.clone();
        let speaker = self.speaker.clone();
        let rendered = {
            let events = events_out.clone();
            let language = language.clone();
            move |wanted: Option<RenderVoice>| -> Result<RenderedVoice, VoiceError> {
                let voice = wanted.unwrap_or_else(|| RenderVoice::for_language(&language));
                RenderedVoice::start(Renderer::new(voice)?, speaker.as_deref(), events, Some(tap))
            }
        };
        let wanted = self.voice.as_deref();
        if let (Some("system"), Some(speaker)) = (wanted, &self.speaker) {
            return Err(usage(format!("--speaker {speaker} is for the rendered voice"))
                .why("the system's voice speaks where the desktop sends its sound")
                .fix("leave one of the two out, or say --voice rendered"));
        }
        if matches!(wanted, None | Some("system")) {
            let timeout = if wanted.is_some() { SYSTEM_VOICE_BY_NAME } else { SYSTEM_VOICE };
            match SystemVoice::start(&language, events_out, timeout) {
                Ok(voice) => {
                    ready
                        .notes
                        .push(format!("voice: {} (its sound is not in the recording)", voice.describe()));
                    let second = move || rendered(None).map(|voice| Box::new(voice) as Box<dyn LiveVoice>);
                    return Ok(Mouth {
                        voice: Box::new(voice),
                        events,
                        played,
                        second: Some(Box::new(second)),
                    });
                }
                Err(error) if wanted == Some("system") => return Err(error.into()),
                Err(error) => ready.notes.push(format!("{error}; the rendered voice speaks instead")),
            }
        }
        let name = match wanted {
            None | Some("system" | "rendered") => None,
            Some(name) => Some(named_voice(name)?),
        };
        let voice = rendered(name)?;
        ready.notes.extend(voice.notes().iter().cloned());
        ready.notes.push(format!("voice: {}", voice.describe()));
        Ok(Mouth { voice: Box::new(voice), events, played, second: None })
    }

    /// The voice to render with; the system's voice can't be had as sound, which is said.
    pub fn rendered_voice(&self, ready: &mut Ready) -> Result<RenderVoice, Failure> {
        match self.voice.as_deref() {
            Some("system") => {
                ready
                    .notes
                    .push("the system's voice needs a live run: a rendered voice speaks instead".to_string());
                Ok(RenderVoice::for_language(&ready.procedure.language))
            }
            None | Some("rendered") => Ok(RenderVoice::for_language(&ready.procedure.language)),
            Some(name) => named_voice(name),
        }
    }
}

/// Opens every microphone; what was done instead of the first choice goes to the notes.
pub fn open(wanted: &[(Post, Option<String>)], ready: &mut Ready) -> Result<Vec<OpenMicrophone>, Failure> {
    let mut microphones: Vec<OpenMicrophone> = Vec::new();
    for (post, name) in wanted {
        let open = OpenMicrophone::open(name.as_deref(), *post)?;
        ready.notes.extend(open.notes().iter().cloned());
        if let Some(first) = microphones.first() {
            one_each(&first.describe(), &open.describe(), "--mic")?;
        }
        ready.notes.push(format!("the {}'s microphone: {}", post.name(), open.describe()));
        microphones.push(open);
    }
    Ok(microphones)
}

/// Reads every recording whole; conversions go to the notes.
pub fn read(inputs: &[(Post, String)], ready: &mut Ready) -> Result<Vec<(Post, Vec<i16>)>, Failure> {
    let mut clips = Vec::new();
    for (post, file) in inputs {
        let clip = wav::read(file)?;
        ready.notes.extend(clip.notes.iter().map(|note| format!("{file}: {note}")));
        clips.push((*post, clip.samples));
    }
    Ok(clips)
}

/// Options that say where each post's sound comes from: `worker=x`, `observer=y`, or `z` for the room.
fn by_post(options: &[String], flag: &str) -> Result<Vec<(Post, String)>, Failure> {
    let mut found: Vec<(Post, String)> = Vec::new();
    for option in options {
        let (post, value) = match option.split_once('=') {
            Some(("worker", value)) => (Post::Worker, value),
            Some(("observer", value)) => (Post::Observer, value),
            Some(("room", value)) => (Post::Room, value),
            Some((name, _)) if name.chars().all(char::is_alphabetic) && !Path::new(option).exists() => {
                return Err(usage(format!("{flag} {option}: there is no post {name:?}"))
                    .fix("the posts are worker, observer and room"));
            }
            _ => (Post::Room, option.as_str()),
        };
        if found.iter().any(|(known, _)| *known == post) {
            return Err(usage(format!("{flag} {option}: the {} is named twice", post.name())));
        }
        found.push((post, value.to_string()));
    }
    let has = |post| found.iter().any(|(known, _)| *known == post);
    if has(Post::Room) && found.len() > 1 {
        return Err(usage(format!("{flag}: a shared room microphone and a person's own don't go together")));
    }
    if has(Post::Worker) != has(Post::Observer) {
        let missing = if has(Post::Worker) { "observer" } else { "worker" };
        return Err(
            usage(format!("{flag}: the {missing}'s is missing")).fix(format!("add {flag} {missing}=..."))
        );
    }
    if let [(_, one), (_, other)] = found.as_slice() {
        one_each(one, other, flag)?;
    }
    found.sort_by_key(|(post, _)| *post);
    Ok(found)
}

/// Two posts must not hear with one ear: then one voice could read back and confirm.
fn one_each(one: &str, other: &str, flag: &str) -> Result<(), Failure> {
    if one != other {
        return Ok(());
    }
    Err(usage(format!("{flag}: worker and observer can't both be {one:?}"))
        .why("one person's voice could then read back and confirm")
        .fix(format!("give each one their own, or one for the room: {flag} {one}")))
}

fn usage(what: String) -> Failure {
    Failure::new(ExitCode::Usage, what)
}

fn named_voice(name: &str) -> Result<RenderVoice, Failure> {
    RenderVoice::from_str(name).map_err(|why| usage(format!("--voice {name}: {why}")))
}
