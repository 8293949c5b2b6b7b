//! `hear`: one utterance a file against a list of phrases, a JSON line each.

use super::engine::EngineArgs;
use super::{progress, say, tell};
use crate::audio::{wav, RATE};
use crate::conduct::second_ear;
use crate::conduct::set_up::{engines, unknown_words};
use crate::failure::{ExitCode, Failure};
use crate::files::{self, Links};
use crate::listen::accept::Bar;
use crate::listen::heard::{Doubt, Heard, Ignored, Verdict};
use crate::listen::listener::{Listener, Vocabulary};
use crate::listen::segment::Limits;
use crate::procedure::parse::{words, Problem, ProcedureErrors};
use crate::procedure::{Place, Post};
use indicatif::ProgressBar;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon hear --phrases phrases.txt clip.wav
  antiphon hear --phrases phrases.txt recordings/*.wav | jq -r '[.file, .phrase, .verdict] | @tsv'
  antiphon hear --phrases phrases.txt 'stereo.wav#2'            the second channel

A phrase list has one phrase a line; '#' begins a comment; `word = D AO F` gives a pronunciation (ARPAbet).")]
pub struct HearArgs {
    /// Phrases to listen for, one a line
    #[arg(long, value_name = "FILE")]
    phrases: PathBuf,
    /// WAV files, one utterance each; FILE#N takes channel N
    #[arg(required = true, value_name = "WAV")]
    files: Vec<String>,
    #[command(flatten)]
    engine: EngineArgs,
    /// JSON lines, which is what it always prints
    #[arg(long)]
    json: bool,
}

/// One output line.
#[derive(Serialize)]
struct Line<'a> {
    file: &'a str,
    /// The phrase that was surely said.
    phrase: Option<&'a str>,
    /// The words that fit best, decoys included.
    words: String,
    /// accepted, unsure, ignored, or error.
    verdict: &'static str,
    confidence: f32,
    /// Nats per phone below the best free path.
    score: f32,
    /// Nats above the best decoy or other phrase.
    margin: f32,
    speech_start_ms: Option<u64>,
    speech_end_ms: Option<u64>,
    compute_ms: f32,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

/// Fewer files need no bar.
const FEW: usize = 20;

/// A whole file is one utterance, however long it pauses: up to a minute.
const WHOLE_FILE: Limits = Limits {
    voice: 0.5,
    silence: 0.35,
    begin_ms: 48.0,
    ahead_ms: f32::INFINITY,
    in_advance: false,
    early_ms: f32::INFINITY,
    again_ms: f32::INFINITY,
    end_ms: f32::INFINITY,
    lead_ms: 480.0,
    longest_ms: 60_000.0,
};

pub fn run(args: HearArgs) -> Result<ExitCode, Failure> {
    let name = args.phrases.display().to_string();
    let source = files::read_text(&args.phrases, Links::Follow, files::MAX_TEXT).map_err(|error| {
        Failure::new(ExitCode::BadProcedure, format!("{name}: can't read the phrase list"))
            .fix(files::remedy(&error))
            .why(error)
    })?;
    let (phrases, given) = phrase_list(&source, &name)?;
    let engine = engines(args.engine.name, args.engine.model.as_deref(), 1)?.remove(0);
    let second = second_ear::coming(args.engine.ears, args.engine.name, "en");
    let vocabulary = Vocabulary::of(phrases, Vec::new(), given, engine.as_ref())
        .map_err(|bad| unknown_words(&bad, engine.as_ref(), &name, &source))?;
    let vocabulary = Arc::new(vocabulary);
    let mut listener =
        Listener::with_limits(Post::Room, engine, Arc::clone(&vocabulary), Bar::default(), WHOLE_FILE);
    listener.set_counts(&vocabulary.ids())?;
    let second_ear::Found { ears, note } = second.wait();
    if let Some(note) = note {
        tell(&format!("note: {note}"));
    }
    if let Some(ear) = ears.into_iter().next() {
        listener = listener.with_second(Box::new(ear));
    }
    let progress = match args.files.len() {
        ..FEW => ProgressBar::hidden(),
        files => progress::bar(files as u64, "{pos}/{len} {eta}"),
    };
    let mut code = ExitCode::Done;
    for file in &args.files {
        let line = match hear_file(file, &mut listener, &vocabulary) {
            Ok(line) => line,
            Err(failure) => {
                code = failure.code;
                progress.suspend(|| tell(&format!("antiphon: {failure}")));
                nothing(file, "error", failure.reason())
            }
        };
        let text = serde_json::to_string(&line)
            .map_err(|error| Failure::new(ExitCode::Internal, format!("can't write a result: {error}")))?;
        progress.suspend(|| say(&text));
        progress.inc(1);
    }
    progress.finish_and_clear();
    Ok(code)
}

fn hear_file<'a>(
    file: &'a str,
    listener: &mut Listener,
    vocabulary: &'a Vocabulary,
) -> Result<Line<'a>, Failure> {
    let clip = wav::read(file)?;
    for note in &clip.notes {
        tell(&format!("note: {file}: {note}"));
    }
    listener.restart();
    let mut heard = listener.push(&clip.samples)?;
    // Half a second of silence lets the last frames of speech be seen as such.
    heard.extend(listener.push(&[0; RATE as usize / 2])?);
    heard.extend(listener.finish()?);
    // A file is one utterance unless it is longer than any can be.
    if heard.len() > 1 || heard.iter().any(|one| one.verdict == Verdict::Ignored { why: Ignored::TooLong }) {
        return Err(Failure::new(ExitCode::BadAudio, format!("{file}: longer than one utterance"))
            .why("each file is heard as one utterance, of a minute at most")
            .fix(
                "cut it, for example with `sox in.wav out.wav trim 12 4`, or give it to `antiphon run --in`",
            ));
    }
    Ok(match heard.first() {
        Some(heard) => line(file, heard, vocabulary),
        None => nothing(file, "ignored", "no speech".to_string()),
    })
}

fn line<'a>(file: &'a str, heard: &Heard, vocabulary: &'a Vocabulary) -> Line<'a> {
    let (phrase, verdict, why) = match &heard.verdict {
        Verdict::Accepted { phrase } | Verdict::Other { phrase } => {
            (Some(vocabulary.text(*phrase)), "accepted", None)
        }
        Verdict::Unsure { closest, why } => {
            let closest = vocabulary.text(*closest);
            let why = match why {
                Doubt::Faint => format!("like {closest:?}, but too faint"),
                Doubt::Decoy { text } => format!("like {closest:?}, but it may be {text:?}"),
                Doubt::Ears { first, second } => {
                    format!("like {closest:?}, but one ear heard {first:?}, the other {second:?}")
                }
                Doubt::TwoPhrases { other } => {
                    format!("like {closest:?}, but it may be {:?}", vocabulary.text(*other))
                }
            };
            (None, "unsure", Some(why))
        }
        Verdict::Ignored { .. } => (None, "ignored", Some("no phrase".to_string())),
    };
    Line {
        file,
        phrase,
        words: heard.evidence.words.clone(),
        verdict,
        confidence: heard.evidence.confidence,
        score: heard.evidence.score,
        margin: heard.evidence.margin,
        speech_start_ms: Some(heard.start_ms),
        speech_end_ms: Some(heard.end_ms),
        compute_ms: heard.evidence.compute_ms,
        why,
    }
}

/// A line about a file in which nothing was heard.
fn nothing<'a>(file: &'a str, verdict: &'static str, why: String) -> Line<'a> {
    Line {
        file,
        phrase: None,
        words: String::new(),
        verdict,
        confidence: 0.0,
        score: 0.0,
        margin: 0.0,
        speech_start_ms: None,
        speech_end_ms: None,
        compute_ms: 0.0,
        why: Some(why),
    }
}

/// Word -> its pronunciations, ARPAbet.
type Pronunciations = BTreeMap<String, Vec<Vec<String>>>;

fn phrase_list(source: &str, name: &str) -> Result<(Vec<(String, Place)>, Pronunciations), Failure> {
    let mut phrases: Vec<(String, Place)> = Vec::new();
    let mut given = Pronunciations::new();
    let mut problems = Vec::new();
    for (index, raw) in source.lines().enumerate() {
        let text = raw.split('#').next().unwrap_or_default().trim();
        let place = Place { line: index + 1, column: 1 };
        if text.is_empty() {
            continue;
        }
        if let Some((word, phones)) = text.split_once('=') {
            let phones = phones.trim().trim_matches('"').split_whitespace().map(str::to_string).collect();
            given.entry(word.trim().to_lowercase()).or_default().push(phones);
            continue;
        }
        match words(text) {
            Ok(phrase) if phrases.iter().any(|(known, _)| *known == phrase) => {
                problems.push(Problem::at(place, format!("the phrase {phrase:?} is listed twice")));
            }
            Ok(phrase) => phrases.push((phrase, place)),
            Err(error) => {
                problems.push(
                    Problem::at(place, format!("{text:?} is no phrase")).why(error.why()).fix(error.fix()),
                );
            }
        }
    }
    if phrases.is_empty() && problems.is_empty() {
        return Err(Failure::new(ExitCode::BadProcedure, format!("{name}: no phrases in it"))
            .fix("write one phrase a line"));
    }
    if !problems.is_empty() {
        let problems = problems.into_iter().map(|problem| problem.in_source(name, source)).collect();
        return Err(ProcedureErrors { problems, more: 0 }.into());
    }
    Ok((phrases, given))
}
