//! Reads the summaries in a folder of sessions, and the unit's rules on training.
//!
//! Summaries are taken as they stand: `verify` is what checks a record.

use super::{compare, Rules, Trends};
use crate::failure::{ExitCode, Failure};
use crate::record::folder::SUMMARY;
use crate::record::{strict, RecordError, Summary};
use chrono::{DateTime, FixedOffset};
use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

/// Largest summary read, bytes.
const LARGEST: u64 = 1 << 24;

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
    names.sort();
    for name in names {
        let shown = name.to_string_lossy().into_owned();
        let summary = match read(&folder.join(&name).join(SUMMARY)) {
            Ok(Some(summary)) => summary,
            Ok(None) => continue,
            Err(why) => {
                doubts.push(format!("{shown}: not counted, its summary can't be read: {why}"));
                continue;
            }
        };
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
    if practices > 0 {
        doubts.push(format!("practices with a stand-in are not counted: {practices}"));
    }
    summaries.sort_by_key(|one| one.account.started);
    let mut trends = compare(&summaries, rules, now);
    trends.doubts = doubts;
    Ok(trends)
}

fn read(path: &Path) -> Result<Option<Summary>, String> {
    match fs::metadata(path) {
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
            return Ok(None)
        }
        Err(error) => return Err(error.to_string()),
        Ok(meta) if meta.len() > LARGEST => return Err(format!("{} bytes are too many", meta.len())),
        Ok(_) => {}
    }
    let bytes = fs::read(path).map_err(|error| error.to_string())?;
    strict::from_slice(&bytes).map(Some)
}

/// Reads the rules on training.
pub fn rules(path: &Path) -> Result<Rules, Failure> {
    let name = path.display();
    let bad = |what: String| Failure::new(ExitCode::Usage, what).fix("docs/trends.md has an example");
    let text = fs::read_to_string(path).map_err(|error| bad(format!("{name}: can't be read")).why(error))?;
    toml::from_str(&text).map_err(|error| {
        let line =
            error.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
        bad(format!("{name}:{line}: {}", error.message()))
    })
}
