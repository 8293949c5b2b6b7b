//! Reads a procedure from TOML and checks it.
//!
//! Owns the file format; must not know how phrases are heard (which of them sound alike is proofing, not parsing).
//! `fields` reads shapes, `raw` lists the keys, `check` and those it hands parts to say what is good, `error` how a problem reads.

mod book;
mod check;
mod decision;
mod error;
mod fields;
mod pronounce;
mod questions;
mod raw;
mod side;
mod slots;
mod steps;
mod values;
mod words;

pub use book::{MAX_PHRASE, MAX_PHRASES};
pub use check::MAX_DECOYS;
pub use decision::MAX_REASONS;
pub use error::{place_of, safely_shown, Excerpt, Problem, ProcedureErrors};
pub use pronounce::ARPABET;
pub use questions::{MAX_ANSWERS, MAX_QUESTIONS};
pub use raw::{KEYS, TABLES};
pub use side::{MAX_CALLS, MAX_CONTINGENCIES, MAX_EXITS};
pub use slots::MAX_WAYS;
pub use steps::MAX_STEPS;
pub use words::{is_steering, name_of, words, WordsError};

use super::Procedure;
use crate::files::{self, Links, Refused};
use error::Sink;
use std::io::ErrorKind;
use std::path::Path;

/// Bytes of a procedure file. The shipped ones have about 1 % of it.
pub const MAX_BYTES: u64 = 1_000_000;
/// TOML's own errors shown at once: after the first ones they are mostly consequences.
const MAX_SYNTAX: usize = 5;

/// Reads a procedure. `name` is how problems name the file.
///
/// # Errors
/// Everything that is wrong, in the order of the file; when the TOML itself is broken, only that.
pub fn parse(source: &str, name: &str) -> Result<Procedure, ProcedureErrors> {
    let mut sink = Sink::new(name, source);
    let (root, syntax) = toml::de::DeTable::parse_recoverable(source);
    let fix = "look at quotes, brackets and equal signs here and on the line before";
    for error in syntax.iter().take(MAX_SYNTAX) {
        let span = error.span().unwrap_or(0..0);
        sink.report(span, format!("this is not TOML: {}", error.message()), "", fix.into());
    }
    if !sink.is_empty() {
        return Err(sink.into_errors());
    }
    let raw = raw::read(&mut sink, root.get_ref());
    let procedure = check::build(&mut sink, &raw);
    if sink.is_empty() {
        Ok(procedure)
    } else {
        Err(sink.into_errors())
    }
}

/// Reads a procedure file; also gives its text, which goes into the record as it was.
///
/// # Errors
/// When the file can't be read, is larger than [`MAX_BYTES`] or not UTF-8, and as [`parse`].
pub fn load(path: &Path) -> Result<(Procedure, String), ProcedureErrors> {
    let source = read(path)?;
    let procedure = parse(&source, &path.display().to_string())?;
    Ok((procedure, source))
}

/// The text of a procedure file, not yet looked at.
///
/// # Errors
/// When the file can't be read, is no ordinary file, is larger than [`MAX_BYTES`] or not UTF-8.
pub fn read(path: &Path) -> Result<String, ProcedureErrors> {
    let name = path.display().to_string();
    let problem = |what: String, why: String, fix: &str| {
        ProcedureErrors::from(Problem::of_file(&name, what).why(why).fix(fix))
    };
    files::read_text(path, Links::Follow, MAX_BYTES).map_err(|error| match Refused::of(&error) {
        Some(Refused::NotAFile(kind)) => {
            let what = format!("this is {kind}, not a procedure");
            let fix = if path.is_dir() { "name a .toml file in it" } else { "name a .toml file" };
            problem(what, "a procedure is one file".into(), fix)
        }
        Some(Refused::TooLarge { .. }) => {
            let what = "the file is larger than 1 MB".into();
            problem(what, "no procedure is that long".into(), "check that this is a procedure")
        }
        None if error.kind() == ErrorKind::InvalidData => {
            let what = error.to_string().replacen("it is", "the file is", 1);
            problem(what, "TOML is always UTF-8".into(), files::remedy(&error))
        }
        None => {
            let fix = match error.kind() {
                ErrorKind::NotFound => "check the path; shipped procedures are in the folder procedures",
                _ => files::remedy(&error),
            };
            problem("the procedure can't be read".into(), error.to_string(), fix)
        }
    })
}

/// Phrases that are good when each person has a microphone but not when both share one: the same words used by the
/// worker and by the observer. Problems have places but no file; see [`Problem::in_source`].
pub fn shared_microphone_problems(procedure: &Procedure) -> Vec<Problem> {
    check::same_words_for_both(procedure)
}
