//! `soundcheck`: are microphones, room, loudspeaker and voices fit for a session?
//!
//! Owns the lines on the screen and the JSON around the report. Must not judge: `soundcheck` does.

use super::engine::EngineArgs;
use super::enrol::{Enrol, EnrolArgs, Enrolment};
use super::posts::{self, SoundArgs};
use super::session::{interrupted_flag, is_set};
use crate::conduct::set_up::Ready;
use crate::conduct::soundcheck as driver;
use crate::failure::{ExitCode, Failure};
use crate::procedure::Post;
use crate::screen::text::clean;
use crate::soundcheck::check::{Action, Check, Shown};
use crate::soundcheck::report::{prompt_words, room_words, tried_words, Report};
use serde::Serialize;
use std::io::Write;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon soundcheck procedures/isolation-donning.toml
      live: one shared microphone (the default one), the system's voice
  antiphon soundcheck procedures/isolation-donning.toml --mic worker=headset --mic observer=desk
      live: a microphone each (names from `antiphon devices`)
  antiphon soundcheck procedures/isolation-donning.toml --in worker=w.wav --in observer=o.wav
      from recordings: each holds three seconds of room, then the person's two phrases, in order
  antiphon soundcheck procedures/isolation-donning.toml --enrol worker=w7 --enrol observer=o2
      five phrases each; their voices are kept if they agree, and told apart in later sessions (--who worker=w7 ...)
  antiphon soundcheck procedures/isolation-donning.toml --json | jq -r '.findings[].advice'

It ends with 0 when everything is ready, and with 8 when something must be changed first.")]
pub struct SoundcheckArgs {
    /// The procedure's file
    procedure: PathBuf,
    #[command(flatten)]
    sound: SoundArgs,
    #[command(flatten)]
    engine: EngineArgs,
    #[command(flatten)]
    enrol: EnrolArgs,
    /// The report as one JSON object on stdout; what happens goes to stderr
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Output<'a> {
    procedure: &'a str,
    mode: &'static str,
    engine: &'a str,
    /// What spoke; nothing in a check of recordings.
    voice: Option<String>,
    #[serde(flatten)]
    report: &'a Report,
    notes: &'a [String],
    /// Whose voices are known now.
    #[serde(skip_serializing_if = "Option::is_none")]
    enrolled: Option<Enrolment>,
}

pub fn run(args: SoundcheckArgs) -> Result<ExitCode, Failure> {
    let live = args.sound.input.is_empty();
    let interrupted = interrupted_flag()?;
    let interrupted = || is_set(&interrupted);
    let mut tell = |at_ms: u64, action: &Action| show(args.json, at_ms, action);
    let (check, ready, voice, enrol) = if live {
        let mics = args.sound.microphones()?;
        let (mut ready, enrol) = prepare(&args, mics.iter().map(|(post, _)| *post).collect())?;
        let mouth = args.sound.mouth(&mut ready)?;
        let microphones = posts::open(&mics, &mut ready)?;
        introduce(&ready);
        let voice = mouth.voice.describe();
        let check = new_check(&args, &ready, false);
        let listeners = std::mem::take(&mut ready.listeners);
        let check = driver::live(check, mouth, listeners, microphones, &interrupted, &mut tell)?;
        (check, ready, Some(voice), enrol)
    } else {
        let inputs = args.sound.recordings()?;
        let (mut ready, enrol) = prepare(&args, inputs.iter().map(|(post, _)| *post).collect())?;
        let clips = posts::read(&inputs, &mut ready)?;
        if args.sound.voice.is_some() || args.sound.speaker.is_some() {
            ready
                .notes
                .push("a check of recordings speaks nothing aloud: --voice and --speaker are unused".into());
        }
        introduce(&ready);
        let check = new_check(&args, &ready, true);
        let listeners = std::mem::take(&mut ready.listeners);
        let check = driver::from_recordings(check, listeners, clips, &interrupted, &mut tell)?;
        (check, ready, None, enrol)
    };
    if interrupted() {
        return Err(Failure::new(ExitCode::NotCompleted, "the sound check was interrupted before its end")
            .fix("run it again, to the end"));
    }
    let mode = if live { "live" } else { "wav" };
    conclude(&args, mode, &check.report(), &ready, voice, enrol)
}

fn prepare(args: &SoundcheckArgs, posts: Vec<Post>) -> Result<(Ready, Option<Enrol>), Failure> {
    let mut ready = args.engine.ready(&args.procedure, &posts)?;
    let enrol = args.enrol.begin(&mut ready)?;
    Ok((ready, enrol))
}

fn new_check(args: &SoundcheckArgs, ready: &Ready, recorded: bool) -> Check {
    let posts: Vec<Post> = ready.listeners.iter().map(|listener| listener.post()).collect();
    Check::new(&ready.procedure, &posts, recorded, &args.enrol.roles())
}

fn introduce(ready: &Ready) {
    for note in &ready.notes {
        super::tell(&format!("note: {}", clean(note)));
    }
}

/// One line for what happens.
fn show(json: bool, at_ms: u64, action: &Action) {
    let (kind, text) = match action {
        Action::Say { text, .. } => ("says", text.clone()),
        Action::Show(Shown::Room { post, room }) => {
            ("room", format!("{}: {}", post.name(), room_words(room.as_ref())))
        }
        Action::Show(Shown::Prompt { post, prompt }) => match prompt_words(*prompt) {
            Some(words) => ("prompt", format!("{}: {words}", post.name())),
            None => return,
        },
        Action::Show(Shown::Tried { post, tried }) => {
            ("heard", format!("{}: {}", post.name(), tried_words(tried)))
        }
        Action::Over => return,
    };
    let (seconds, tenths) = (at_ms / 1000, at_ms % 1000 / 100);
    let text = clean(&text);
    let line = format!("{:>3}:{:02}.{tenths} {kind:<7} {text}\n", seconds / 60, seconds % 60);
    print(json, &line);
}

/// To the screen; a closed pipe must not end a check that people are taking part in.
fn print(json: bool, text: &str) {
    let _ = if json {
        std::io::stderr().write_all(text.as_bytes())
    } else {
        std::io::stdout().write_all(text.as_bytes())
    };
}

fn conclude(
    args: &SoundcheckArgs,
    mode: &'static str,
    report: &Report,
    ready: &Ready,
    voice: Option<String>,
    enrol: Option<Enrol>,
) -> Result<ExitCode, Failure> {
    let enrolled = enrol.map(|enrol| enrol.finish(report.ready)).transpose()?;
    if args.json {
        let output = Output {
            procedure: &ready.procedure.id,
            mode,
            engine: &ready.engine,
            voice,
            report,
            notes: &ready.notes,
            enrolled,
        };
        let text = serde_json::to_string(&output)
            .map_err(|error| Failure::new(ExitCode::Internal, format!("can't write the report: {error}")))?;
        print(false, &format!("{text}\n"));
    } else {
        let words: Vec<String> = report.words().lines().map(|line| clean(line).into_owned()).collect();
        print(false, &format!("\n{}\n", words.join("\n")));
        enrolled
            .iter()
            .flat_map(Enrolment::words)
            .for_each(|line| print(false, &format!("{}\n", clean(&line))));
    }
    Ok(if report.ready { ExitCode::Done } else { ExitCode::NotCompleted })
}
