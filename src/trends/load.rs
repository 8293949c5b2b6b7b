//! Reads the summaries in a folder of sessions, and the unit's rules on training.
//!
//! Summaries are taken as they stand: `verify` is what checks a record.

use super::{compare, Rules, Trends};
use crate::failure::{ExitCode, Failure};
use crate::files::{self, Links};
use crate::record::folder::SUMMARY;
use crate::record::summary::StepAccount;
use crate::record::verify::MAX_SUMMARY;
use crate::record::{strict, RecordError, Summary};
use chrono::{DateTime, FixedOffset};
use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

/// Memory that all summaries together may take, bytes: ten thousand sessions of thirty steps.
const MOST: usize = 160 << 20;

/// Everything in `folder`, compared. Folders in it without a summary are passed over; ones that can't be read are named.
pub fn load(folder: &Path, rules: Option<&Rules>, now: DateTime<FixedOffset>) -> Result<Trends, Failure> {
    const DOING: &str = "look through the sessions";
    let failed = |error| Failure::from(RecordError::io(DOING, folder, error));
    let mut doubts = Vec::new();
    let mut summaries: Vec<Summary> = Vec::new();
    let mut seen: BTreeMap<String, String> = BTreeMap::new();
    let mut names = Vec::new();
    let mut practices = 0;
    for entry in fs::read_dir(folder).map_err(failed)? {
        names.push(entry.map_err(failed)?.file_name());
    }
    // The latest first: when there are more than the memory holds, the oldest are left out.
    names.sort();
    let (mut memory_taken, mut left_out) = (0, 0);
    for name in names.into_iter().rev() {
        if memory_taken > MOST {
            left_out += 1;
            continue;
        }
        let shown = name.to_string_lossy().into_owned();
        let summary = match read(&folder.join(&name).join(SUMMARY)) {
            Ok(Some(summary)) => summary,
            Ok(None) => continue,
            Err(why) => {
                doubts.push(format!("{shown}: not counted, its summary can't be read: {why}"));
                continue;
            }
        };
        memory_taken += memory(&summary);
        // Half of its answers are the tool's own.
        if summary.account.practice.is_some() {
            practices += 1;
            continue;
        }
        let id = summary.account.session.clone();
        match seen.insert(id.clone(), summary.journal_sha256.clone()) {
            Some(before) if before == summary.journal_sha256 => {
                doubts.push(format!("{shown}: not counted, it is a copy of session {id}"));
                continue;
            }
            Some(_) => {
                doubts.push(format!("{shown}: another session has its id too, {id}; both are counted"))
            }
            None => {}
        }
        summaries.push(summary);
    }
    if left_out > 0 {
        doubts.push(format!("too many to compare at once: the {left_out} oldest folders are left out"));
    }
    if practices > 0 {
        doubts.push(format!("practices with a stand-in are not counted: {practices}"));
    }
    summaries.sort_by_key(|one| one.account.started);
    let mut trends = compare(&summaries, rules, now);
    trends.doubts = doubts;
    Ok(trends)
}

fn read(path: &Path) -> Result<Option<Summary>, String> {
    match files::read(path, Links::Refuse, MAX_SUMMARY) {
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Ok(None),
        Err(error) => Err(error.to_string()),
        Ok(bytes) => strict::from_slice(&bytes).map(Some),
    }
}

/// What a summary takes, about, bytes: mostly its steps.
fn memory(summary: &Summary) -> usize {
    let account = &summary.account;
    let of = |steps: &[StepAccount]| -> usize {
        steps.iter().map(|step| size_of::<StepAccount>() + step.id.len() + step.instruction.len() + 64).sum()
    };
    let parts = account.contingencies.iter().map(|one| size_of_val(one) + one.title.len() + of(&one.steps));
    let texts: usize = account.cautions.iter().map(|text| 24 + text.len()).sum();
    size_of::<Summary>()
        + of(&account.steps)
        + parts.sum::<usize>()
        + account.exit.as_ref().map_or(0, |exit| of(&exit.steps))
        + (account.answers.len() + account.people.len()) * 64
        + account.decisions.len() * 256
        + texts
}

/// Reads the rules on training.
pub fn rules(path: &Path) -> Result<Rules, Failure> {
    let name = path.display();
    let bad = |what: String| Failure::new(ExitCode::Usage, what).fix("docs/trends.md has an example");
    let text = files::read_text(path, Links::Follow, files::MAX_TEXT).map_err(|error| {
        Failure::new(ExitCode::Usage, format!("{name}: can't be read")).fix(files::remedy(&error)).why(error)
    })?;
    toml::from_str(&text).map_err(|error| {
        let line =
            error.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
        bad(format!("{name}:{line}: {}", error.message()))
    })
}
