//! `rehearse`: a whole session with stand-in people through the real audio path.

mod trials;

use super::session::{interrupted_flag, is_set, person_voice, About, Clock, Places, SessionArgs};
use super::tell;
use crate::audio::noise::NoiseSpec;
use crate::audio::speaker::Speaker;
use crate::audio::{level, PER_MS, RATE};
use crate::conduct::actors::{Actors, Script};
use crate::conduct::set_up::Ready;
use crate::conduct::simulation::{Aloud, Cast, Simulation};
use crate::failure::{ExitCode, Failure};
use crate::files::{self, Links};
use crate::procedure::parse::ProcedureErrors;
use crate::procedure::{Post, Role};
use crate::voice::{RenderVoice, Renderer};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon rehearse procedures/isolation-donning.toml --seed 7
  antiphon rehearse procedures/isolation-donning.toml --noise fan:15 --answer apron=yes
  antiphon rehearse procedures/isolation-donning.toml --leak -10
  antiphon rehearse procedures/isolation-donning.toml --script slips.toml --one-microphone
  antiphon rehearse procedures/isolation-donning.toml --aloud
  antiphon rehearse procedures/isolation-donning.toml --trials 20 --noise fan:10 --slips 0.05

A script says what goes wrong (docs/rehearsal.md):
  [answers]
  apron = \"yes\"
  [[slip]]
  step = \"gown\"
  who = \"worker\"
  kind = \"wrong\"   # silence, chatter, early, refusal, hold, stop, say-again, go-back, contingency
  say = \"gown is open\"
  [[slip]]
  step = \"gown\"
  who = \"worker\"
  kind = \"stop\"
  while_speaking = true   # a call made over the prompt")]
pub struct RehearseArgs {
    #[command(flatten)]
    session: SessionArgs,
    /// Same seed, same session
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Noise at the microphones: KIND:SNR in dB, for example fan:15, pink:10, white:20
    #[arg(long, value_name = "KIND:DB")]
    noise: Option<NoiseSpec>,
    /// The tool's voice leaks into every microphone, this many dB over the people's (-10: fainter by 10)
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = leak)]
    leak: Option<f32>,
    /// What goes wrong, and answers to questions
    #[arg(long, value_name = "FILE")]
    script: Option<PathBuf>,
    /// Answer to a question, for example apron=yes (otherwise the seed decides)
    #[arg(long, value_name = "ID=VALUE", value_parser = answer)]
    answer: Vec<(String, String)>,
    /// Both people share one microphone
    #[arg(long)]
    one_microphone: bool,
    /// In real time through the loudspeakers
    #[arg(long)]
    aloud: bool,
    /// Loudspeaker for --aloud
    #[arg(long, value_name = "DEVICE")]
    speaker: Option<String>,
    /// The tool's voice (default: flite:slt in English, espeak-ng otherwise)
    #[arg(long, value_name = "VOICE")]
    voice: Option<RenderVoice>,
    /// The stand-in worker's voice (default: flite:rms in English, espeak-ng otherwise)
    #[arg(long, value_name = "VOICE")]
    worker_voice: Option<RenderVoice>,
    /// The stand-in observer's voice (default: flite:awb in English, espeak-ng otherwise)
    #[arg(long, value_name = "VOICE")]
    observer_voice: Option<RenderVoice>,
    /// Play the procedure this many times, on all cores, and count for each phrase how often it was heard right
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000),
          conflicts_with_all = ["aloud", "script", "answer", "leak", "id"])]
    trials: Option<u32>,
    /// With --trials: share of answers at which the stand-in people slip, 0 to 1
    #[arg(long, value_name = "RATE", default_value_t = 0.05, value_parser = rate, requires = "trials")]
    slips: f64,
    /// Give up after this many minutes on the session's clock
    #[arg(long, value_name = "MINUTES", default_value_t = 60)]
    limit: u64,
}

pub(super) fn answer(text: &str) -> Result<(String, String), String> {
    let (id, value) = text.split_once('=').ok_or("write ID=VALUE, for example apron=yes")?;
    Ok((id.to_string(), value.to_string()))
}

pub(super) fn rate(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(rate) if (0.0..=1.0).contains(&rate) => Ok(rate),
        _ => Err("write a share from 0 to 1, for example 0.05".to_string()),
    }
}

pub(super) fn leak(text: &str) -> Result<f32, String> {
    match text.parse::<f32>() {
        Ok(db) if (-60.0..=20.0).contains(&db) => Ok(db),
        _ => Err("write a level in dB from -60 to 20, for example -10".to_string()),
    }
}

pub fn run(args: RehearseArgs) -> Result<ExitCode, Failure> {
    if let Some(trials) = args.trials {
        return trials::run(&args, trials as usize);
    }
    let posts: &[Post] = if args.one_microphone { &[Post::Room] } else { &[Post::Worker, Post::Observer] };
    let mut ready = args.session.ready(posts)?;
    let script = script(args.script.as_deref(), &args.answer, &ready)?;
    let voices = Voices::chosen(&args, &ready.procedure.language);
    let mut tool = Renderer::new(voices.tool.clone())?;
    let worker = Renderer::new(voices.worker.clone())?;
    let observer = Renderer::new(voices.observer.clone())?;
    let aloud: Option<Box<dyn Aloud>> = match args.aloud {
        true => Some(Box::new(Loud::open(args.speaker.as_deref())?)),
        false => None,
    };
    let interrupted = interrupted_flag()?;
    args.session.introduce(&ready, &ready.notes);
    let described = describe(&args, &voices);
    let voice = format!("rendered: {}", voices.tool);
    let clock = if args.aloud { Clock::VirtualAloud } else { Clock::Virtual };
    let about = About { rehearsal: Some(described), ..About::new("rehearsal", clock) };
    let keeper = args.session.open(&ready, posts, voice, about)?;
    let actors = Actors::new(script, args.seed);
    let mut cast = Cast::new(actors, posts, worker, observer, args.noise, args.seed);
    if let Some(leak_db) = args.leak {
        let spoken = tool.render(&ready.procedure.closing)?;
        cast.leak(leak_db, level::active_level_dbfs(&spoken).level_dbfs, args.seed);
    }
    let listeners = std::mem::take(&mut ready.listeners);
    let limit = args.limit.saturating_mul(60_000);
    let simulation = Simulation::new(keeper, listeners, &mut tool, Box::new(cast), aloud, limit);
    let (keeper, end_ms, result) = simulation.run(&|| is_set(&interrupted));
    let places = Places::of(&keeper);
    let closed = keeper.close(end_ms, result.is_err());
    // What ended the session tells more than what then kept its record from being closed.
    result?;
    args.session.conclude(&closed?, &places)
}

/// Who speaks with which voice.
struct Voices {
    tool: RenderVoice,
    worker: RenderVoice,
    observer: RenderVoice,
}

impl Voices {
    fn chosen(args: &RehearseArgs, language: &str) -> Voices {
        let person = |chosen: &Option<RenderVoice>, role: Role| {
            chosen.clone().unwrap_or_else(|| person_voice(language, role, None))
        };
        Voices {
            tool: args.voice.clone().unwrap_or_else(|| RenderVoice::for_language(language)),
            worker: person(&args.worker_voice, Role::Worker),
            observer: person(&args.observer_voice, Role::Observer),
        }
    }
}

/// What shapes the session, for the journal.
fn describe(args: &RehearseArgs, voices: &Voices) -> String {
    let mut words = vec![
        format!("seed {}", args.seed),
        format!("worker {}", voices.worker),
        format!("observer {}", voices.observer),
    ];
    if let Some(noise) = args.noise {
        words.push(format!("noise {noise}"));
    }
    if let Some(leak_db) = args.leak {
        words.push(format!("leak {leak_db} dB"));
    }
    if let Some(script) = &args.script {
        words.push(format!("script {}", script.file_name().unwrap_or_default().to_string_lossy()));
    }
    words.extend(args.answer.iter().map(|(id, value)| format!("{id} = {value}")));
    words.join(", ")
}

/// The script in this file, if any, with these answers in it.
pub(super) fn script(
    file: Option<&Path>,
    answers: &[(String, String)],
    ready: &Ready,
) -> Result<Script, Failure> {
    let mut script = match file {
        Some(path) => read_script(path, ready)?,
        None => Script::default(),
    };
    for (id, value) in answers {
        let question = ready.procedure.questions.iter().find(|question| question.id == *id);
        if !question.is_some_and(|question| question.answers.iter().any(|answer| answer.value == *value)) {
            return Err(Failure::new(
                ExitCode::Usage,
                format!("--answer {id}={value}: no such question or answer"),
            )
            .fix("name a question's id and one of its values, as in the procedure's file"));
        }
        script.answers.insert(id.clone(), value.clone());
    }
    Ok(script)
}

fn read_script(path: &Path, ready: &Ready) -> Result<Script, Failure> {
    let name = path.display().to_string();
    let source = files::read_text(path, Links::Follow, files::MAX_TEXT).map_err(|error| {
        Failure::new(ExitCode::BadProcedure, format!("{name}: can't read the script"))
            .fix(files::remedy(&error))
            .why(error)
    })?;
    Script::parse(&source, &name, &ready.procedure)
        .map_err(|problems| ProcedureErrors { problems, more: 0 }.into())
}

/// Plays ticks through the loudspeaker, as fast as they are heard.
struct Loud {
    speaker: Speaker,
    /// When the first piece went out; later by as much as pieces have been late, since a hole can't be made up.
    began: Option<Instant>,
    played: u64,
    failed: bool,
    /// Sound that is not yet a whole piece.
    waiting: Vec<i16>,
}

/// The loudspeaker gets sound in pieces of 100 ms.
const PIECE: usize = RATE as usize / 10;
/// How far ahead of the loudspeaker the session may be, so that hearing an utterance out never makes a hole.
const AHEAD: Duration = Duration::from_millis(1_000);

impl Loud {
    fn open(device: Option<&str>) -> Result<Loud, Failure> {
        Ok(Loud {
            speaker: Speaker::open(device)?,
            began: None,
            played: 0,
            failed: false,
            waiting: Vec::new(),
        })
    }
}

impl Aloud for Loud {
    fn play(&mut self, mix: &[i16]) {
        self.waiting.extend_from_slice(mix);
        if self.waiting.len() < PIECE {
            return;
        }
        // A loudspeaker that goes away must not end the session; the record goes on.
        let piece = std::mem::take(&mut self.waiting);
        if let Err(error) = self.speaker.play(self.played, &piece) {
            if !std::mem::replace(&mut self.failed, true) {
                tell(&format!("note: the loudspeaker failed, going on without sound: {error}"));
            }
        }
        while self.speaker.events().try_recv().is_ok() {}
        self.played += piece.len() as u64;
        let sound = Duration::from_millis(self.played / PER_MS);
        let began = self.began.get_or_insert_with(Instant::now);
        let elapsed = began.elapsed();
        *began += elapsed.saturating_sub(sound);
        if let Some(wait) = sound.saturating_sub(AHEAD).checked_sub(elapsed) {
            std::thread::sleep(wait);
        }
    }
}
