//! `relisten`: recorded sessions through today's listening, verdicts side by side.

use super::session::{interrupted_flag, is_set};
use super::{progress, say, tell};
use crate::conduct::relisten::{Pair, Recorded, Taken};
use crate::conduct::second_ear::{self, Ears};
use crate::conduct::set_up::EngineName;
use crate::failure::{ExitCode, Failure};
use crate::listen::engine::whisper::WhisperEngine;
use crate::procedure::parse;
use crate::record::ledger::{LEDGER, LEDGER_SIGNATURE};
use crate::screen::text::clean;
use indicatif::ProgressBar;
use serde::Serialize;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Each microphone's track is heard again by today's engine and acceptor, while the session goes as it went then.
Exit code 8 when a verdict differs in a way that would have changed the session.

Examples:
  antiphon relisten SESSION
  antiphon relisten ~/.local/share/antiphon/sessions/* --json > today.json
  antiphon relisten SESSION --procedure procedures/isolation-donning.toml   with today's phrases and decoys"
)]
pub struct RelistenArgs {
    /// Sessions' folders
    #[arg(required = true)]
    sessions: Vec<PathBuf>,
    /// The procedure to listen for, instead of the one that was followed
    #[arg(long, value_name = "FILE")]
    procedure: Option<PathBuf>,
    /// What listens (default: what listened then)
    #[arg(long, value_enum)]
    engine: Option<EngineName>,
    /// How many ears listen (default: as many as then)
    #[arg(long, value_name = "EARS", value_enum)]
    ears: Option<Ears>,
    /// Folder of a Vosk model (with --engine vosk; default: the one in models/)
    #[arg(long, value_name = "DIR")]
    model: Option<PathBuf>,
    /// All pairs, not only those that differ
    #[arg(long)]
    all: bool,
    /// One JSON object on stdout
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Track {
    session: String,
    post: &'static str,
    pairs: Vec<Pair>,
}

#[derive(Serialize)]
struct Outcome {
    sessions: usize,
    utterances: usize,
    differ: usize,
    /// Utterances that the recorded sound ends before.
    after_the_sound: usize,
    /// Utterances whose sound was lost when the record was damaged.
    sound_missing: usize,
    tracks: Vec<Track>,
    /// Sessions that could not be heard again, and why.
    left_out: Vec<String>,
}

pub fn run(args: &RelistenArgs) -> Result<ExitCode, Failure> {
    let today = args.procedure.as_deref().map(parse::load).transpose()?.map(|(procedure, _)| procedure);
    let mut recorded = Vec::new();
    let mut left_out = Vec::new();
    // A shell's `SESSIONS/*` names what lies beside them too.
    let ledger = |path: &PathBuf| [LEDGER, LEDGER_SIGNATURE].iter().any(|name| path.ends_with(name));
    for folder in args.sessions.iter().filter(|path| !ledger(path)) {
        match Recorded::open(folder, today.as_ref()) {
            Ok(one) => {
                for caution in &one.cautions {
                    tell(&format!("caution: {}: {}", folder.display(), clean(caution)));
                }
                recorded.push(one);
            }
            Err(failure) if args.sessions.len() == 1 => return Err(failure),
            // One bad record among many must not keep the others from being heard.
            Err(failure) => {
                tell(&format!("left out: {}", failure.reason()));
                left_out.push(failure.reason());
            }
        }
    }
    let tracks = hear_all(args, &recorded)?;
    let pairs = || tracks.iter().flat_map(|track| &track.pairs);
    let outcome = Outcome {
        sessions: recorded.len(),
        utterances: pairs().count(),
        differ: pairs().filter(|pair| pair.differs()).count(),
        after_the_sound: pairs().filter(|pair| pair.after_the_sound).count(),
        sound_missing: pairs().filter(|pair| pair.sound_missing).count(),
        left_out,
        tracks,
    };
    show(args, &outcome)?;
    Ok(if outcome.differ == 0 { ExitCode::Done } else { ExitCode::NotCompleted })
}

/// The second ear, one for each of so many workers, where any session is heard with both; why it is not there is told.
fn second_ears_for(args: &RelistenArgs, recorded: &[Recorded], workers: usize) -> Vec<WhisperEngine> {
    let both = |one: &&Recorded| args.ears.unwrap_or_else(|| one.ears()) == Ears::Both;
    let Some(one) = recorded.iter().find(both) else { return Vec::new() };
    let wanted = Some(Ears::Both);
    let found = second_ear::several_coming(workers, wanted, EngineName::Phones, one.language()).wait();
    if let Some(note) = found.note {
        tell(&format!("note: {note}"));
    }
    found.ears
}

/// Hears every track of every session, as many at once as there are cores.
fn hear_all(args: &RelistenArgs, recorded: &[Recorded]) -> Result<Vec<Track>, Failure> {
    let tasks: Vec<(usize, usize)> = recorded
        .iter()
        .enumerate()
        .flat_map(|(n, one)| (0..one.posts().len()).map(move |post| (n, post)))
        .collect();
    let seconds: f64 = tasks.iter().map(|(n, _)| recorded[*n].seconds()).sum();
    let bar = bar(seconds);
    let interrupted = interrupted_flag()?;
    let next = AtomicUsize::new(0);
    let (out, results) = crossbeam_channel::unbounded();
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(tasks.len().max(1));
    let seconds = second_ears_for(args, recorded, workers);
    std::thread::scope(|scope| {
        for worker in 0..workers {
            let second = seconds.get(worker);
            let (out, next, tasks, bar, interrupted) = (out.clone(), &next, &tasks, &bar, &interrupted);
            scope.spawn(move || loop {
                let task = next.fetch_add(1, Ordering::Relaxed);
                let Some((n, post)) = tasks.get(task).copied().filter(|_| !is_set(interrupted)) else {
                    return;
                };
                let one = &recorded[n];
                let engine = args.engine.unwrap_or_else(|| one.engine());
                let second = second.filter(|_| args.ears.unwrap_or_else(|| one.ears()) == Ears::Both);
                let second = second.filter(|_| engine == EngineName::Phones);
                let heard = one.hear(post, engine, args.model.as_deref(), second, &|passed| bar.inc(passed));
                // The receiver lives until every worker is done.
                let _ = out.send((task, heard));
            });
        }
    });
    drop(out);
    bar.finish_and_clear();
    if is_set(&interrupted) {
        return Err(Failure::new(ExitCode::NotCompleted, "interrupted"));
    }
    let mut tracks = Vec::new();
    let mut done: Vec<_> = results.iter().collect();
    done.sort_by_key(|(task, _)| *task);
    for (task, pairs) in done {
        let (n, post) = tasks[task];
        let session = recorded[n].folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
        tracks.push(Track { session, post: recorded[n].posts()[post].name(), pairs: pairs? });
    }
    Ok(tracks)
}

fn bar(seconds: f64) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    progress::bar(seconds as u64, "{percent} %, {pos} of {len} s of sound, {eta} to go")
}

fn show(args: &RelistenArgs, outcome: &Outcome) -> Result<(), Failure> {
    if args.json {
        let text = serde_json::to_string_pretty(outcome)
            .map_err(|error| Failure::new(ExitCode::Internal, "can't print the report").why(error))?;
        say(&text);
        return Ok(());
    }
    for track in &outcome.tracks {
        let worth: Vec<&Pair> = track.pairs.iter().filter(|pair| args.all || pair.differs()).collect();
        if worth.is_empty() {
            continue;
        }
        say(&format!("{}, {}", track.session, track.post));
        for pair in worth {
            let at = crate::debrief::page::clock(pair.from_ms as f64 / 1000.0);
            let sign = if pair.differs() { "*" } else { " " };
            let now = if pair.has_sound() { words(&pair.now) } else { "(no sound)".into() };
            say(&format!("{sign} {at:>9}  then {:<44} now {now}", words(&pair.then)));
        }
    }
    if outcome.after_the_sound > 0 {
        say(&format!(
            "{} utterances come after the end of the recorded sound: they can't be heard again",
            outcome.after_the_sound
        ));
    }
    if outcome.sound_missing > 0 {
        say(&format!(
            "the sound of {} utterances was lost when the record was damaged: they can't be heard again",
            outcome.sound_missing
        ));
    }
    say(&format!(
        "{} session{}, {} utterances, {} would be taken otherwise",
        outcome.sessions,
        if outcome.sessions == 1 { "" } else { "s" },
        outcome.utterances,
        outcome.differ
    ));
    Ok(())
}

fn words(taken: &Option<Taken>) -> String {
    match taken {
        None => "nothing heard".into(),
        Some(Taken { verdict, phrase }) if phrase.is_empty() => (*verdict).into(),
        Some(Taken { verdict, phrase }) => clean(&format!("{verdict} \"{phrase}\"")).into_owned(),
    }
}
