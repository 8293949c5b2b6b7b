//! `new`: starts a procedure by asking a few questions.
//!
//! Owns the questions. Must not know what the file says (`procedure::draft`) or judge it (`proof`).

mod aloud;

use super::lint;
use super::tell;
use crate::failure::{ExitCode, Failure};
use crate::files::write::{Unfinished, OPEN};
use crate::procedure::draft::{id_of, Draft, DraftStep};
use crate::procedure::parse;
use aloud::Aloud;
use dialoguer::Input;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon new gown.toml                                        asks, and writes
  antiphon new gown.toml --title \"Gown and gloves\" --yes        two example steps, nothing is asked
  antiphon new gown.toml --title \"Gown\" --step \"Put on the gown.|gown is tied behind me|no gap at the back|back is covered\"

A file that is there already is never touched.")]
pub struct NewArgs {
    /// The new file
    file: PathBuf,
    /// What it is called
    #[arg(long)]
    title: Option<String>,
    /// Short name for files and records (default: made of the title)
    #[arg(long)]
    id: Option<String>,
    /// Where it is done
    #[arg(long)]
    unit: Option<String>,
    /// A step: what the worker is told, the worker's words, where the observer looks, the observer's words
    #[arg(long, value_name = "DO|SAY|LOOK|CONFIRM", value_parser = step)]
    step: Vec<DraftStep>,
    /// Ask nothing
    #[arg(long)]
    yes: bool,
}

fn step(text: &str) -> Result<DraftStep, String> {
    let parts: Vec<&str> = text.split('|').map(str::trim).collect();
    match parts.as_slice() {
        [instruction, read_back, look, confirm] if parts.iter().all(|part| !part.is_empty()) => {
            Ok(DraftStep {
                instruction: instruction.to_string(),
                read_back: read_back.to_string(),
                look: look.to_string(),
                confirm: confirm.to_string(),
            })
        }
        _ => Err("write four parts with | between them: DO|SAY|LOOK|CONFIRM".to_string()),
    }
}

pub fn run(args: NewArgs) -> Result<ExitCode, Failure> {
    // A link to nothing is something too.
    if args.file.symlink_metadata().is_ok() {
        return Err(there_already(&args.file));
    }
    let draft =
        if args.yes || args.title.is_some() && !args.step.is_empty() { given(&args)? } else { ask(&args)? };
    let text = draft
        .text()
        .map_err(|error| Failure::new(ExitCode::Internal, format!("can't make the file: {error}")))?;
    // Nothing is written that could not be read again.
    parse::parse(&text, &args.file.display().to_string())?;
    write_new(&args.file, &text)?;
    tell(&format!("written: {}", args.file.display()));
    let clean = lint::run_plain(&args.file)?;
    let next =
        if clean == ExitCode::Done { "next:" } else { "next: change what is above, antiphon lint it, then:" };
    tell(&format!("{next} antiphon rehearse {}", args.file.display()));
    Ok(ExitCode::Done)
}

fn given(args: &NewArgs) -> Result<Draft, Failure> {
    let title = args.title.clone().ok_or_else(|| {
        Failure::new(ExitCode::Usage, "--yes asks nothing, so it needs a title").fix("give --title \"...\"")
    })?;
    let id = args.id.clone().unwrap_or_else(|| id_of(&title));
    Ok(Draft { id, title, unit: args.unit.clone(), steps: args.step.clone() })
}

fn ask(args: &NewArgs) -> Result<Draft, Failure> {
    if !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
        return Err(Failure::new(ExitCode::Usage, "there is no terminal to ask in")
            .fix("give --title \"...\" and --yes, or --step for each step; see antiphon new --help"));
    }
    let mut draft = Draft { id: id_of(""), title: "x".into(), unit: None, steps: args.step.clone() };
    draft.title = match &args.title {
        Some(title) => title.clone(),
        None => answer("What is it called? (for example: Gown and gloves)", None, &|title| Draft {
            title: title.into(),
            ..draft.clone()
        })?,
    };
    draft.id = match &args.id {
        Some(id) => id.clone(),
        None => answer("Short name for files", Some(id_of(&draft.title)), &|id| Draft {
            id: id.into(),
            ..draft.clone()
        })?,
    };
    draft.unit = match &args.unit {
        Some(unit) => Some(unit.clone()).filter(|unit| !unit.trim().is_empty()),
        None => answer_or_none("Where is it done? (may stay empty)", &|unit| Draft {
            unit: Some(unit.into()),
            ..draft.clone()
        })?,
    };
    let mut aloud = Aloud::load();
    tell("Now the steps. Phrases are three to five words that say what is true. Empty ends; none at all gives two examples.");
    loop {
        let number = draft.steps.len() + 1;
        let with = |step: DraftStep| Draft {
            steps: draft.steps.iter().cloned().chain([step]).collect(),
            ..draft.clone()
        };
        let told = answer_or_none(&format!("Step {number}: what is the worker told?"), &|instruction| {
            with(DraftStep { instruction: instruction.into(), ..unfinished() })
        })?;
        let Some(instruction) = told else { return Ok(draft) };
        let mut step = DraftStep { instruction, ..unfinished() };
        step.read_back =
            phrase(&mut aloud, "  the worker then says (for example: inner gloves are on)", &|words| {
                with(DraftStep { read_back: words.into(), ..step.clone() })
            })?;
        step.look = answer("  where does the observer look?", None, &|look| {
            with(DraftStep { look: look.into(), ..step.clone() })
        })?;
        step.confirm = phrase(
            &mut aloud,
            "  the observer then says (for example: both wrists are covered)",
            &|words| with(DraftStep { confirm: words.into(), ..step.clone() }),
        )?;
        draft.steps.push(step);
    }
}

/// What is not asked yet; a person's own words are compared with these too, so they are none that people say.
fn unfinished() -> DraftStep {
    DraftStep {
        instruction: String::new(),
        read_back: "unfinished words of the worker".into(),
        look: "unfinished".into(),
        confirm: "unfinished words of the observer".into(),
    }
}

/// One answer; asked again at once when the file could not be read with it, since at the end that would cost all the
/// answers. `with` is what there is to write by then.
fn answer(prompt: &str, default: Option<String>, with: &dyn Fn(&str) -> Draft) -> Result<String, Failure> {
    let mut input = Input::<String>::new().with_prompt(prompt);
    if let Some(default) = default {
        input = input.default(default);
    }
    let fits = |text: &String| refused(&with(text)).map_or(Ok(()), Err);
    input.validate_with(fits).interact_text().map_err(broken_off)
}

/// A phrase that people will say: tried with a few voices at once. One that is not heard from all of them may be changed;
/// Enter keeps it.
fn phrase(aloud: &mut Aloud, prompt: &str, with: &dyn Fn(&str) -> Draft) -> Result<String, Failure> {
    let mut words = answer(prompt, None, with)?;
    while let Some(remark) = aloud.remark(&with(&words), &words) {
        tell(&format!("    {}", remark.text));
        if remark.good {
            break;
        }
        let again = answer("    other words, or Enter to keep these", Some(words.clone()), with)?;
        if again == words {
            break;
        }
        words = again;
    }
    Ok(words)
}

/// The same where nothing is an answer too.
fn answer_or_none(prompt: &str, with: &dyn Fn(&str) -> Draft) -> Result<Option<String>, Failure> {
    let fits = |text: &String| match text.trim() {
        "" => Ok(()),
        text => refused(&with(text)).map_or(Ok(()), Err),
    };
    let input = Input::<String>::new().with_prompt(prompt).allow_empty(true).validate_with(fits);
    let text = input.interact_text().map_err(broken_off)?;
    Ok(Some(text).filter(|text| !text.trim().is_empty()))
}

fn broken_off(error: dialoguer::Error) -> Failure {
    Failure::new(ExitCode::Usage, format!("the questions ended: {error}"))
}

/// What is wrong with a draft, in one line.
fn refused(draft: &Draft) -> Option<String> {
    let text = match draft.text() {
        Ok(text) => text,
        Err(error) => return Some(error.to_string()),
    };
    let errors = parse::parse(&text, "").err()?;
    let first = errors.problems.into_iter().next()?;
    Some([Some(first.what), first.why].into_iter().flatten().collect::<Vec<_>>().join(": "))
}

fn there_already(file: &Path) -> Failure {
    Failure::new(ExitCode::BadFolder, format!("{}: there is a file already", file.display()))
        .fix("take another name; nothing is ever overwritten")
}

fn write_new(file: &Path, text: &str) -> Result<(), Failure> {
    let write = || {
        let mut new = Unfinished::new(file, OPEN)?;
        new.write_all(text.as_bytes())?;
        new.keep_new()
    };
    write().map_err(|error: std::io::Error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => there_already(file),
        _ => Failure::new(ExitCode::BadFolder, format!("{}: can't be written", file.display())).why(error),
    })
}
