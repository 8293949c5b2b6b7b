//! `practice`: one person alone with the tool, which plays the other one and tells at the end how it went.
//!
//! Owns the options, the file with the score and the words at the end. What the partner does is `conduct::partner`'s,
//! what the trainee did is `practice::score`'s.

mod live;
mod simulated;

use super::posts::SoundArgs;
use super::rehearse::script as read_script;
use super::session::{person_voice, About, Clock, Places, SessionArgs};
use super::{say, tell};
use crate::conduct::actors::Script;
use crate::conduct::keeper::Keeper;
use crate::conduct::set_up::Ready;
use crate::conduct::simulation::AtTheEnd;
use crate::failure::{ExitCode, Failure};
use crate::files::{self, Links};
use crate::practice::{self, words, Practice, Score, Source};
use crate::procedure::parse::{parse, MAX_BYTES};
use crate::procedure::{Post, Procedure, Role};
use crate::record::folder::{write_private, JOURNAL, PRACTICE, PROCEDURE};
use crate::record::{read, Lock, RecordError, Summary};
use crate::screen::text::clean;
use crate::voice::RenderVoice;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::str::FromStr;

#[derive(Debug, clap::Args)]
#[command(
    mut_arg("procedure", |arg| arg.help("The procedure's file; or the folder of a practice, to see its score again")),
    mut_arg("json", |arg| arg.help("The score as one JSON object on stdout; events go to stderr")),
    mut_arg("who", |arg| arg.help("Who practises, as a short id: worker=w7 or observer=o2 (kept with the record)")),
    after_help = "The tool reads the steps, plays the other person with a second voice, and errs on
purpose now and then. At the end it shows what was known by heart, what was asked again, times,
and what you did about each error. It gives no marks: a trainer judges. See docs/practice.md.

Examples:
  antiphon practice procedures/isolation-donning.toml --as worker
      live: the default microphone is yours, the observer is a stand-in
  antiphon practice procedures/isolation-donning.toml --as observer --mic headset --slips 0.3
      the stand-in worker errs at about every third step
  antiphon practice procedures/isolation-donning.toml --as worker --slips 0
      nothing goes wrong but what you do wrong
  antiphon practice ~/.local/share/antiphon/sessions/NAME
      the score of a finished practice once more
  antiphon practice procedures/isolation-donning.toml --as worker --seed 7 \\
      --trainee-stand-in docs/demo-trainee.toml
      a demonstration without microphone: a stand-in trainee too, who slips as the script says"
)]
pub struct PracticeArgs {
    #[command(flatten)]
    session: SessionArgs,
    /// Who you are: worker or observer
    #[arg(long = "as", value_name = "ROLE", value_parser = role)]
    trainee: Option<Role>,
    /// Your microphone (default: the system's)
    #[arg(long, value_name = "DEVICE")]
    mic: Option<String>,
    /// A recording of you instead of a microphone: FILE, or FILE#N for channel N; on virtual time
    #[arg(long = "in", value_name = "FILE", conflicts_with = "mic")]
    input: Option<String>,
    /// Loudspeaker for the rendered voices
    #[arg(long, value_name = "DEVICE")]
    speaker: Option<String>,
    /// The tool's voice: system, rendered, or a rendered voice such as flite:slt (default: as for run)
    #[arg(long, value_name = "VOICE")]
    voice: Option<String>,
    /// The stand-in's voice (default: flite:awb as observer and flite:rms as worker in English, espeak-ng otherwise)
    #[arg(long, value_name = "VOICE", value_parser = RenderVoice::from_str)]
    partner_voice: Option<RenderVoice>,
    /// Share of steps at which the stand-in errs on purpose, 0 to 1; above 0 each kind of error comes once at least
    #[arg(long, value_name = "RATE", default_value_t = 0.15, value_parser = super::rehearse::rate)]
    slips: f64,
    /// The stand-in's answer to a question, for example apron=yes (otherwise the seed decides)
    #[arg(long, value_name = "ID=VALUE", value_parser = super::rehearse::answer)]
    answer: Vec<(String, String)>,
    /// Same seed, same errors at the same steps (default: others every time)
    #[arg(long)]
    seed: Option<u64>,
    /// A demonstration: a stand-in trainee answers, with the slips of this script (docs/rehearsal.md), on virtual time
    #[arg(long, value_name = "FILE", conflicts_with_all = ["mic", "input", "who"])]
    trainee_stand_in: Option<PathBuf>,
    /// With --trainee-stand-in: the loudspeaker leaks into the trainee's microphone, this many dB over the trainee
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = super::rehearse::leak, requires = "trainee_stand_in")]
    leak: Option<f32>,
    /// Give up after this many minutes on the session's clock
    #[arg(long, value_name = "MINUTES", default_value_t = 60)]
    limit: u64,
}

fn role(text: &str) -> Result<Role, String> {
    match text {
        "worker" => Ok(Role::Worker),
        "observer" => Ok(Role::Observer),
        _ => Err("you are the worker or the observer".to_string()),
    }
}

fn usage(what: impl Into<String>) -> Failure {
    Failure::new(ExitCode::Usage, what)
}

/// What stands fixed before anybody speaks.
struct Plan<'a> {
    args: &'a PracticeArgs,
    practice: Practice,
    ready: Ready,
    /// Of the stand-in trainee; its answers are those of the partner too.
    script: Script,
}

/// Both posts: the trainee's microphone, and the stand-in's sound as it is made.
const POSTS: [Post; 2] = [Post::Worker, Post::Observer];

pub fn run(args: &PracticeArgs) -> Result<ExitCode, Failure> {
    if args.session.procedure.is_dir() {
        return again(args);
    }
    let Some(trainee) = args.trainee else {
        return Err(usage("practice: who are you?").fix("add --as worker, or --as observer"));
    };
    if let Some((post, id)) = args.session.who.iter().find(|(post, _)| post != trainee.name()) {
        return Err(usage(format!("--who {post}={id}: the {post} is a stand-in"))
            .fix(format!("leave it out; only the {} is a person here", trainee.name())));
    }
    let mut ready = args.session.ready_alone(&POSTS)?;
    let script = read_script(args.trainee_stand_in.as_deref(), &args.answer, &ready)?;
    let seed = args.seed.unwrap_or_else(rand::random);
    let stand_in = trainee.other();
    let source = match (&args.trainee_stand_in, &args.input) {
        (Some(_), _) => Source::StandIn,
        (None, Some(_)) => Source::Recording,
        (None, None) => Source::Microphone,
    };
    let tool = tool_voice(args, &ready.procedure.language)?;
    let stand_in_voice = match &args.partner_voice {
        Some(voice) if *voice == tool => {
            return Err(usage(format!("--partner-voice {voice}: the tool speaks with this voice"))
                .why("two people can't be told apart by one voice")
                .fix("choose another, for example flite:awb or flite:rms"));
        }
        Some(voice) => voice.clone(),
        None => person_voice(&ready.procedure.language, stand_in, Some(&tool)),
    };
    let practice =
        Practice { trainee, stand_in_voice: stand_in_voice.to_string(), slips: args.slips, seed, source };
    ready.notes.push(format!(
        "the stand-in {} speaks with {stand_in_voice}; errors on purpose: rate {}, seed {seed}",
        stand_in.name(),
        args.slips
    ));
    let plan = Plan { args, practice, ready, script };
    match source {
        Source::Microphone => live::run(plan, stand_in_voice),
        Source::Recording | Source::StandIn => simulated::run(plan, tool, stand_in_voice),
    }
}

/// The rendered voice with which the tool speaks, or would if the system's fails.
fn tool_voice(args: &PracticeArgs, language: &str) -> Result<RenderVoice, Failure> {
    match args.voice.as_deref() {
        None | Some("system" | "rendered") => Ok(RenderVoice::for_language(language)),
        Some(name) => RenderVoice::from_str(name).map_err(|why| usage(format!("--voice {name}: {why}"))),
    }
}

/// Opens the record, and says in it and on the screen that one of the two is a stand-in.
fn open(plan: &Plan, voice: String, clock: Clock) -> Result<Keeper, Failure> {
    let about = About { practice: Some(plan.practice.clone()), ..About::new("practice", clock) };
    let mut keeper = plan.args.session.open(&plan.ready, &POSTS, voice, about)?;
    keeper.remark(0, &plan.practice.caution())?;
    Ok(keeper)
}

/// `--speaker` and `--voice` as `run` has them.
fn sound(args: &PracticeArgs) -> SoundArgs {
    SoundArgs { mic: Vec::new(), input: Vec::new(), speaker: args.speaker.clone(), voice: args.voice.clone() }
}

/// The sentence that is spoken at the end, from the journal as it is by then.
fn closing_sentence() -> AtTheEnd {
    Box::new(|keeper: &Keeper| match score_of(keeper.folder().path(), &keeper.procedure) {
        Ok(score) if !score.answers.is_empty() => Some(words::sentence(&score, &keeper.procedure.language)),
        Ok(_) => None,
        Err(failure) => {
            tell(&format!("note: no score is spoken: {}", failure.reason()));
            None
        }
    })
}

fn score_of(folder: &Path, procedure: &Procedure) -> Result<Score, Failure> {
    let reading = read::read(&folder.join(JOURNAL))?;
    if let Some(problem) = reading.problems.first() {
        return Err(Failure::new(
            ExitCode::Tampered,
            format!("{}:{}: {}", folder.join(JOURNAL).display(), problem.line, problem.what),
        )
        .why("the record was altered after it was written")
        .fix("don't rely on it; `antiphon verify` tells more"));
    }
    practice::score(&reading.lines, procedure).map_err(|why| {
        Failure::new(ExitCode::BadFolder, format!("{}: can't be scored as a practice", folder.display()))
            .why(why)
    })
}

/// Closes the record, writes the score beside it and shows it.
fn conclude<E: Into<Failure>>(
    args: &PracticeArgs,
    keeper: Keeper,
    end_ms: u64,
    result: Result<(), E>,
) -> Result<ExitCode, Failure> {
    let places = Places::of(&keeper);
    let folder = places.folder.clone();
    let procedure = keeper.procedure.clone();
    let closed = keeper.close(end_ms, result.is_err());
    result.map_err(Into::into)?;
    let summary: Summary = closed?;
    // A score of a record that is not what was recorded would be one of nothing.
    places.stand(&summary)?;
    let score = score_of(&folder, &procedure)?;
    let file = folder.join(PRACTICE);
    let mut text = json(&score)?;
    text.push('\n');
    let lock = Lock::of(&folder)?;
    write_private(&file, text.as_bytes())
        .map_err(|error| RecordError::io("write the score", &file, error))?;
    // What follows (the debrief) takes it for itself.
    drop(lock);
    if args.session.json {
        say(&json_line(&score)?);
        args.session.write_debrief(&folder)?;
        return places.code(&summary);
    }
    let code = args.session.conclude(&summary, &places);
    show(&score);
    say(&format!("score:  {}", file.display()));
    code
}

/// The score of a practice that is over.
fn again(args: &PracticeArgs) -> Result<ExitCode, Failure> {
    let folder = &args.session.procedure;
    let path = folder.join(PROCEDURE);
    let source = files::read_text(&path, Links::Refuse, MAX_BYTES).map_err(|error| match error.kind() {
        ErrorKind::NotFound => {
            Failure::new(ExitCode::BadFolder, format!("{}: no practice's folder", folder.display()))
                .why(error)
        }
        _ => RecordError::io("read the procedure", &path, error).into(),
    })?;
    let procedure = parse(&source, &path.display().to_string())?;
    let score = score_of(folder, &procedure)?;
    if args.session.json {
        say(&json_line(&score)?);
    } else {
        show(&score);
    }
    Ok(ExitCode::Done)
}

fn show(score: &Score) {
    let lines: Vec<String> = words::table(score).lines().map(|line| clean(line).into_owned()).collect();
    say(&format!("\n{}", lines.join("\n")));
}

fn json(score: &Score) -> Result<String, Failure> {
    serde_json::to_string_pretty(score).map_err(unwritable)
}

fn json_line(score: &Score) -> Result<String, Failure> {
    serde_json::to_string(score).map_err(unwritable)
}

fn unwritable(error: serde_json::Error) -> Failure {
    Failure::new(ExitCode::Internal, "can't write the score").why(error)
}
