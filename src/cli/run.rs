//! `run`: a session with real people, live or from recordings.

use super::session::{interrupted_flag, is_set, SessionArgs};
use crate::audio::wav;
use crate::conduct::set_up::{ready, Ready};
use crate::conduct::simulation::{Recorded, Simulation};
use crate::failure::{ExitCode, Failure};
use crate::procedure::Post;
use crate::voice::{RenderVoice, Renderer};
use std::str::FromStr;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon run procedures/isolation-donning.toml
      live: one shared microphone (the default one), the system's voice
  antiphon run procedures/isolation-donning.toml --mic worker=headset --mic observer=desk
      live: a microphone each (names from `antiphon devices`)
  antiphon run procedures/isolation-donning.toml --in worker=audio.wav#1 --in observer=audio.wav#2
      from recordings, on virtual time")]
pub struct RunArgs {
    #[command(flatten)]
    session: SessionArgs,
    /// A microphone: POST=DEVICE (post: worker, observer or room), or DEVICE for the room
    #[arg(long, value_name = "POST=DEVICE")]
    mic: Vec<String>,
    /// A recording instead of a microphone: POST=FILE, FILE#N for channel N, or FILE for the room
    #[arg(long = "in", value_name = "POST=FILE", conflicts_with = "mic")]
    input: Vec<String>,
    /// Loudspeaker for the rendered voice
    #[arg(long, value_name = "DEVICE")]
    speaker: Option<String>,
    /// system, rendered, or a rendered voice such as flite:slt or espeak-ng:en-gb (default: system when it answers
    /// within a second, else rendered)
    #[arg(long, value_name = "VOICE")]
    voice: Option<String>,
}

/// Options that say where each post's sound comes from: `worker=x`, `observer=y`, or `z` for the room.
fn by_post(options: &[String], flag: &str) -> Result<Vec<(Post, String)>, Failure> {
    let mut found: Vec<(Post, String)> = Vec::new();
    for option in options {
        let (post, value) = match option.split_once('=') {
            Some(("worker", value)) => (Post::Worker, value),
            Some(("observer", value)) => (Post::Observer, value),
            Some(("room", value)) => (Post::Room, value),
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
    found.sort_by_key(|(post, _)| *post);
    Ok(found)
}

fn usage(what: String) -> Failure {
    Failure::new(ExitCode::Usage, what)
}

pub fn run(args: RunArgs) -> Result<ExitCode, Failure> {
    if args.input.is_empty() {
        return Err(usage("live: not yet".into()));
    }
    from_recordings(&args)
}

/// From WAV files: virtual time, rendered voice.
fn from_recordings(args: &RunArgs) -> Result<ExitCode, Failure> {
    let inputs = by_post(&args.input, "--in")?;
    let posts: Vec<Post> = inputs.iter().map(|(post, _)| *post).collect();
    let mut ready =
        ready(&args.session.procedure, &posts, args.session.engine, args.session.model.as_deref())?;
    let mut clips = Vec::new();
    for (post, file) in &inputs {
        let clip = wav::read(file)?;
        ready.notes.extend(clip.notes.iter().map(|note| format!("{file}: {note}")));
        clips.push((*post, clip.samples));
    }
    let voice = rendered_voice(args.voice.as_deref(), &mut ready)?;
    let mut renderer = Renderer::new(voice.clone())?;
    let interrupted = interrupted_flag()?;
    args.session.introduce(&ready, &ready.notes);
    let keeper = args.session.open(&ready, &posts, format!("rendered: {voice}"), "wav", None, false)?;
    let folder = keeper.folder().path().to_path_buf();
    let listeners = std::mem::take(&mut ready.listeners);
    let source = Box::new(Recorded::new(clips));
    let simulation = Simulation::new(keeper, listeners, &mut renderer, source, None, u64::MAX);
    let (keeper, end_ms, result) = simulation.run(&|| is_set(&interrupted));
    let closed = keeper.close(end_ms, result.is_err());
    // What ended the session tells more than what then kept its record from being closed.
    result?;
    args.session.conclude(&closed?, &folder)
}

/// The voice to render with; the system's voice can't be had as sound, which is said.
fn rendered_voice(wanted: Option<&str>, ready: &mut Ready) -> Result<RenderVoice, Failure> {
    match wanted {
        Some("system") => {
            ready
                .notes
                .push("the system's voice needs a live run: a rendered voice speaks instead".to_string());
            Ok(RenderVoice::for_language(&ready.procedure.language))
        }
        None | Some("rendered") => Ok(RenderVoice::for_language(&ready.procedure.language)),
        Some(name) => RenderVoice::from_str(name).map_err(|why| usage(format!("--voice {name}: {why}"))),
    }
}
