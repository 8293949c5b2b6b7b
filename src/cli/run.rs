//! `run`: a session with real people, live or from recordings.

use super::posts::{self, SoundArgs};
use super::session::{interrupted_flag, is_set, About, Clock, Places, SessionArgs};
use super::tell;
use crate::conduct::keeper::Keeper;
use crate::conduct::live::Live;
use crate::conduct::simulation::{Recorded, Simulation};
use crate::failure::{ExitCode, Failure};
use crate::procedure::Post;
use crate::voice::Renderer;

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
    #[command(flatten)]
    sound: SoundArgs,
}

pub fn run(args: RunArgs) -> Result<ExitCode, Failure> {
    if args.sound.input.is_empty() {
        live(&args)
    } else {
        from_recordings(&args)
    }
}

/// With microphones, in real time.
fn live(args: &RunArgs) -> Result<ExitCode, Failure> {
    let mics = args.sound.microphones()?;
    let posts: Vec<Post> = mics.iter().map(|(post, _)| *post).collect();
    tell("antiphon: opening the voice and the microphones");
    let mut ready = args.session.ready(&posts)?;
    let mouth = args.sound.mouth(&mut ready)?;
    let microphones = posts::open(&mics, &mut ready)?;
    let interrupted = interrupted_flag()?;
    args.session.introduce(&ready, &ready.notes);
    let voice = mouth.voice.describe();
    let keeper = args.session.open(&ready, &posts, voice, About::new("live", Clock::Real))?;
    let listeners = std::mem::take(&mut ready.listeners);
    let (keeper, end_ms, result) =
        Live::new(keeper, mouth, listeners, microphones)?.run(&|| is_set(&interrupted));
    conclude(args, keeper, end_ms, result)
}

/// Closes the record. What ended the session tells more than what then kept its record from being closed.
fn conclude<E: Into<Failure>>(
    args: &RunArgs,
    keeper: Keeper,
    end_ms: u64,
    result: Result<(), E>,
) -> Result<ExitCode, Failure> {
    let places = Places::of(&keeper);
    let closed = keeper.close(end_ms, result.is_err());
    result.map_err(Into::into)?;
    args.session.conclude(&closed?, &places)
}

/// From WAV files: virtual time, rendered voice.
fn from_recordings(args: &RunArgs) -> Result<ExitCode, Failure> {
    let inputs = args.sound.recordings()?;
    let posts: Vec<Post> = inputs.iter().map(|(post, _)| *post).collect();
    let mut ready = args.session.ready(&posts)?;
    let clips = posts::read(&inputs, &mut ready)?;
    let voice = args.sound.rendered_voice(&mut ready)?;
    let mut renderer = Renderer::new(voice.clone())?;
    let interrupted = interrupted_flag()?;
    args.session.introduce(&ready, &ready.notes);
    let keeper =
        args.session.open(&ready, &posts, format!("rendered: {voice}"), About::new("wav", Clock::Virtual))?;
    let listeners = std::mem::take(&mut ready.listeners);
    let source = Box::new(Recorded::new(clips));
    let simulation = Simulation::new(keeper, listeners, &mut renderer, source, None, u64::MAX);
    let (keeper, end_ms, result) = simulation.run(&|| is_set(&interrupted));
    conclude(args, keeper, end_ms, result)
}
