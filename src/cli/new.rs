//! `new`: starts a procedure by asking a few questions.
//!
//! Owns the questions. Must not know what the file says (`procedure::draft`) or judge it (`proof`).

use super::lint;
use super::tell;
use crate::failure::{ExitCode, Failure};
use crate::procedure::draft::{id_of, Draft, DraftStep};
use crate::procedure::parse;
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
    if args.file.exists() {
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
    if clean == ExitCode::Done {
        tell(&format!("next: antiphon rehearse {}", args.file.display()));
    }
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
    let failed =
        |error: dialoguer::Error| Failure::new(ExitCode::Usage, format!("the questions ended: {error}"));
    let text = |prompt: &str, default: Option<String>, may_be_empty: bool| -> Result<String, Failure> {
        let mut input = Input::<String>::new().with_prompt(prompt).allow_empty(may_be_empty);
        if let Some(default) = default {
            input = input.default(default);
        }
        input.interact_text().map_err(failed)
    };
    // Asked again at once: after the last question a phrase that can't be heard would cost all the answers.
    let phrase = |prompt: &str| -> Result<String, Failure> {
        let heard = |text: &String| match parse::words(text) {
            Ok(words) if words.contains(' ') => Ok(()),
            Ok(_) => Err("one word turns up too easily in chatter; write at least two".to_string()),
            Err(error) => Err(error.to_string()),
        };
        Input::<String>::new().with_prompt(prompt).validate_with(heard).interact_text().map_err(failed)
    };
    let title = match &args.title {
        Some(title) => title.clone(),
        None => text("What is it called? (for example: Gown and gloves)", None, false)?,
    };
    let id = match &args.id {
        Some(id) => id.clone(),
        None => text("Short name for files", Some(id_of(&title)), false)?,
    };
    let unit = match &args.unit {
        Some(unit) => unit.clone(),
        None => text("Where is it done? (may stay empty)", None, true)?,
    };
    let mut steps = args.step.clone();
    tell("Now the steps. Phrases are three to five words that say what is true. Empty ends; none at all gives two examples.");
    loop {
        let number = steps.len() + 1;
        let instruction = text(&format!("Step {number}: what is the worker told?"), None, true)?;
        if instruction.trim().is_empty() {
            break;
        }
        steps.push(DraftStep {
            instruction,
            read_back: phrase("  the worker then says (for example: inner gloves are on)")?,
            look: text("  where does the observer look?", None, false)?,
            confirm: phrase("  the observer then says (for example: i see wrists protected)")?,
        });
    }
    let unit = Some(unit).filter(|unit| !unit.trim().is_empty());
    Ok(Draft { id, title, unit, steps })
}

fn there_already(file: &Path) -> Failure {
    Failure::new(ExitCode::BadFolder, format!("{}: there is a file already", file.display()))
        .fix("take another name; nothing is ever overwritten")
}

fn write_new(file: &Path, text: &str) -> Result<(), Failure> {
    let mut open = std::fs::OpenOptions::new();
    let made =
        open.write(true).create_new(true).open(file).and_then(|mut file| file.write_all(text.as_bytes()));
    made.map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => there_already(file),
        _ => Failure::new(ExitCode::BadFolder, format!("{}: can't be written", file.display())).why(error),
    })
}
