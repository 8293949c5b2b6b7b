//! `lint`: proofs procedures by structure and by ear.
//!
//! Owns how findings are shown and the exit code. Must not judge anything itself (`proof` does).

mod show;
mod voices;

use super::{say, tell};
use crate::audio::noise::NoiseSpec;
use crate::conduct::set_up::dictionary;
use crate::failure::{ExitCode, Failure};
use crate::listen::engine::phones::Lexicon;
use crate::procedure::parse::{self, ProcedureErrors};
use crate::procedure::{PhraseId, Procedure};
use crate::proof::{self, matrix, Book, Finding, Level, RivalKind};
use crate::voice::sounds;
use serde::Serialize;
use std::path::{Path, PathBuf};
pub(super) use voices::in_words;
use voices::Voices;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon lint procedures/isolation-donning.toml
  antiphon lint procedures/*.toml --fail-on error              in CI: exit code 3 from this level on
  antiphon lint my.toml --decoys                               what must not be taken for each phrase
  antiphon lint my.toml --voices                               say each phrase with 12 natural voices
  antiphon lint my.toml --voices=24 --noise fan:10             with 24, in a blower's noise
  antiphon lint my.toml --matrix my.svg                        which phrase can be taken for which
  antiphon lint my.toml --json | jq '.files[].findings[].what'

Levels: error (can't be run, or is dangerous), warning (change it before you rely on it), advice. Every rule is explained
in docs/lint.md. Risks are estimates; --voices and `antiphon rehearse --trials` measure.
Exit codes: 0 nothing from the level of --fail-on on; 3 something; others as in antiphon --help.")]
pub struct LintArgs {
    /// The procedures' files
    #[arg(required = true, value_name = "PROCEDURE")]
    procedures: Vec<PathBuf>,
    /// From which level on the exit code is 3
    #[arg(long, value_enum, value_name = "LEVEL", default_value = "warning")]
    fail_on: FailOn,
    /// Also list the decoys of each phrase, with their risks
    #[arg(long)]
    decoys: bool,
    /// Say every phrase with so many natural voices (12 unless you say --voices=N), and warn of those that are not heard
    /// from 95 % of them
    #[arg(long, value_name = "N", num_args = 0..=1, require_equals = true, default_missing_value = "12",
          value_parser = clap::value_parser!(u16).range(1..=224))]
    voices: Option<u16>,
    /// Noise at the microphone while they speak: KIND:SNR in dB, for example fan:15, pink:10, white:20
    #[arg(long, value_name = "KIND:DB", requires = "voices")]
    noise: Option<NoiseSpec>,
    /// Draw which phrase can be taken for which (SVG; one procedure)
    #[arg(long, value_name = "FILE")]
    matrix: Option<PathBuf>,
    /// One JSON object on stdout
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum FailOn {
    Advice,
    Warning,
    Error,
    Never,
}

impl FailOn {
    fn fails(self, level: Level) -> bool {
        match self {
            FailOn::Advice => true,
            FailOn::Warning => level >= Level::Warning,
            FailOn::Error => level >= Level::Error,
            FailOn::Never => false,
        }
    }
}

/// What was found in one file.
#[derive(Serialize)]
struct File {
    file: String,
    findings: Vec<Finding>,
    phrases: Vec<Phrase>,
    /// How each phrase was heard, with --voices.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    voices: Vec<proof::voices::Count>,
    #[serde(skip)]
    source: String,
    #[serde(skip)]
    more: usize,
}

/// One phrase with the risk of everything it must be told from.
#[derive(Serialize)]
struct Phrase {
    text: String,
    by: Option<&'static str>,
    /// That it is taken for something else, or something else for it.
    risk: f64,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    decoys: Vec<Decoy>,
}

#[derive(Serialize)]
struct Decoy {
    text: String,
    risk: f64,
}

#[derive(Serialize)]
struct All<'a> {
    files: &'a [File],
    errors: usize,
    warnings: usize,
    advice: usize,
}

pub fn run(args: LintArgs) -> Result<ExitCode, Failure> {
    if args.matrix.is_some() && args.procedures.len() > 1 {
        return Err(Failure::new(ExitCode::Usage, "--matrix draws one procedure").fix("name one file"));
    }
    let lexicon = dictionary()?;
    let mut voices = args.voices.map(|count| Voices::load(usize::from(count), args.noise)).transpose()?;
    let proofed = args.procedures.iter().map(|path| proofed(path, &lexicon, &args, voices.as_mut()));
    let files = proofed.collect::<Result<Vec<File>, Failure>>()?;
    report(&args, &files)?;
    let found = || files.iter().flat_map(|file| &file.findings);
    Ok(match found().any(|finding| args.fail_on.fails(finding.level)) {
        true => ExitCode::BadProcedure,
        false => ExitCode::Done,
    })
}

fn proofed(
    path: &Path,
    lexicon: &Lexicon,
    args: &LintArgs,
    voices: Option<&mut Voices>,
) -> Result<File, Failure> {
    let name = path.display().to_string();
    let source = match parse::read(path) {
        Ok(source) => source,
        Err(errors) => return Ok(unreadable(name, String::new(), errors)),
    };
    let procedure = match parse::parse(&source, &name) {
        Ok(procedure) => procedure,
        Err(errors) => return Ok(unreadable(name, source, errors)),
    };
    let look_up = |word: &str| lexicon.look_up(word, &procedure.pronunciations).unwrap_or_default();
    let (mut findings, book) = proof::check(&procedure, &source, &look_up, &guess);
    if let Some(file) = &args.matrix {
        draw(file, &procedure, &book)?;
    }
    let counts = match voices {
        Some(voices) => voices.count(&procedure, &name)?,
        None => Vec::new(),
    };
    let noise = args.noise.map(|noise| noise.to_string());
    findings.extend(proof::voices::check(&procedure, &counts, noise.as_deref()));
    proof::in_order(&mut findings);
    let phrases = phrases(&procedure, &book, args.decoys);
    Ok(File { file: name, findings, phrases, voices: counts, source, more: 0 })
}

/// As `antiphon lint FILE`.
pub(super) fn run_plain(file: &Path) -> Result<ExitCode, Failure> {
    run(LintArgs {
        procedures: vec![file.to_path_buf()],
        fail_on: FailOn::Warning,
        decoys: false,
        voices: None,
        noise: None,
        matrix: None,
        json: false,
    })
}

fn guess(word: &str) -> Option<Vec<u8>> {
    sounds::guess(word)?.iter().map(|phone| crate::listen::confusions::index(phone)).collect()
}

/// A file that can't be run at all: each problem is an error.
fn unreadable(name: String, source: String, errors: ProcedureErrors) -> File {
    let findings = errors.problems.iter().map(|problem| Finding {
        level: Level::Error,
        rule: "format",
        at: problem.at,
        what: problem.what.clone(),
        why: problem.why.clone().unwrap_or_default(),
        fix: problem.fix.clone().unwrap_or_default(),
        also: None,
        pair: None,
    });
    File {
        file: name,
        findings: findings.collect(),
        phrases: vec![],
        voices: vec![],
        source,
        more: errors.more,
    }
}

fn phrases(procedure: &Procedure, book: &Book, with_decoys: bool) -> Vec<Phrase> {
    let decoys = |id: PhraseId| {
        let rivals = book.rivals[usize::from(id.0)].iter().filter(|rival| rival.kind == RivalKind::Decoy);
        rivals.map(|rival| Decoy { text: rival.text.clone(), risk: rival.risk }).collect()
    };
    let phrase = |id: PhraseId| {
        let phrase = procedure.phrase(id);
        Phrase {
            text: phrase.text.clone(),
            by: phrase.by.map(|role| role.name()),
            risk: book.risk_of(id),
            decoys: if with_decoys { decoys(id) } else { Vec::new() },
        }
    };
    procedure.phrase_ids().map(phrase).collect()
}

fn draw(file: &Path, procedure: &Procedure, book: &Book) -> Result<(), Failure> {
    let failed = |why: String| {
        Failure::new(ExitCode::BadFolder, format!("{}: can't write the picture", file.display())).why(why)
    };
    let picture = matrix::svg(procedure, book).map_err(|error| failed(error.to_string()))?;
    std::fs::write(file, picture).map_err(|error| failed(error.to_string()))?;
    tell(&format!("picture: {}", file.display()));
    Ok(())
}

fn report(args: &LintArgs, files: &[File]) -> Result<(), Failure> {
    let count = |level: Level| {
        files.iter().flat_map(|file| &file.findings).filter(|finding| finding.level == level).count()
    };
    let (errors, warnings, advice) = (count(Level::Error), count(Level::Warning), count(Level::Advice));
    if args.json {
        let all = All { files, errors, warnings, advice };
        let text = serde_json::to_string(&all).map_err(|error| {
            Failure::new(ExitCode::Internal, format!("can't write the findings: {error}"))
        })?;
        say(&text);
        return Ok(());
    }
    for file in files {
        show::findings(file)?;
        if args.decoys {
            show::decoys(file);
        }
        voices::show(file);
    }
    let number =
        |count: usize, one: &str, many: &str| format!("{count} {}", if count == 1 { one } else { many });
    say(&format!(
        "{}: {}, {}, {advice} advice",
        number(files.len(), "file", "files"),
        number(errors, "error", "errors"),
        number(warnings, "warning", "warnings"),
    ));
    Ok(())
}
