//! Closing the record of a session that was cut off: what it came to is folded from its journal.
//!
//! Must not decide which records may be closed, nor write by itself: `record::close` does.

use super::account::{account, Ending};
use super::keeper::Opening;
use super::replay::replay;
use crate::failure::{ExitCode, Failure};
use crate::files::{self, Links};
use crate::procedure::parse::{parse, MAX_BYTES};
use crate::record::close::{Closed, CutOff, Refused};
use crate::record::folder::PROCEDURE;
use crate::record::moved::{moves, session_of};
use crate::record::summary::{AudioAccount, ClosedLater, Outcome};
use crate::record::{Account, RecordError};
use chrono::{DateTime, FixedOffset};
use std::path::Path;

/// What closes it, for the record.
const BY: &str = concat!("antiphon close ", env!("CARGO_PKG_VERSION"));

/// Closes the session in `folder`, wholly or not at all.
///
/// Errors: `Tampered` for a record that was altered, `Usage` for one that is whole, `BadFolder`, and `BadProcedure` when
/// this version can't tell what the session came to.
pub fn close(folder: &Path, at: DateTime<FixedOffset>) -> Result<Closed, Failure> {
    let cut = CutOff::open(folder).map_err(|refused| told(folder, refused))?;
    if cut.has_end() {
        return Ok(cut.close(at, None)?);
    }
    let account = account_of(folder, &cut, at)?;
    Ok(cut.close(at, Some(&account))?)
}

fn told(folder: &Path, refused: Refused) -> Failure {
    let what = |words: &str| format!("{}: {words}", folder.display());
    match refused {
        Refused::Record(error) => error.into(),
        Refused::Altered => Failure::new(ExitCode::Tampered, what("was altered, and is not closed"))
            .why("closed, it would look whole")
            .fix("see what `antiphon verify` says"),
        Refused::Whole => Failure::new(ExitCode::Usage, what("has its end: there is nothing to close")),
        Refused::Empty => {
            Failure::new(ExitCode::BadFolder, what("its journal has no line: nothing is known of it"))
        }
    }
}

fn account_of(folder: &Path, cut: &CutOff, at: DateTime<FixedOffset>) -> Result<Account, Failure> {
    let path = folder.join(PROCEDURE);
    let not_told = |why: String| {
        Failure::new(
            ExitCode::BadProcedure,
            format!("{}: can't tell what the session came to", folder.display()),
        )
        .why(why)
        .fix("close it with the version of the program that recorded it")
    };
    let source = files::read_text(&path, Links::Refuse, MAX_BYTES)
        .map_err(|error| RecordError::io("read the procedure", &path, error))?;
    let procedure = parse(&source, PROCEDURE)
        .map_err(|errors| not_told(errors.problems.first().map(ToString::to_string).unwrap_or_default()))?;
    let replayed = replay(&cut.lines, &procedure).map_err(not_told)?;
    let (Some(first), Some(last)) = (cut.lines.first(), cut.lines.last()) else {
        return Err(not_told("its journal has no line".into()));
    };
    let opening: Opening =
        serde_json::from_value(first.body.clone()).map_err(|error| not_told(format!("line 1: {error}")))?;
    let sound = cut.sound()?;
    let mut cautions: Vec<String> = procedure.cautions.clone();
    cautions.extend(moves(&cut.lines).map(|(line, moved)| moved.caution(line.ms)));
    let session = session_of(&cut.lines).unwrap_or_else(|| opening.session.clone());
    cautions.push(format!(
        "The record was cut off at {:.1} s and closed later, on {}.",
        last.ms as f64 / 1000.0,
        at.format("%Y-%m-%d")
    ));
    if let Some((line, _)) = replayed.differs {
        cautions
            .push(format!("This version's rules give something else from line {line} of the journal on."));
    }
    let mut tracks: Vec<String> = opening.posts.iter().map(|post| post.name().to_string()).collect();
    tracks.push("tool".to_string());
    let ending = Ending {
        session: &session,
        started: first.at,
        ended: last.at,
        end_ms: last.ms,
        outcome: Outcome::CutOff,
        audio: sound.as_ref().and_then(|sound| sound.extent).map(|(count, seconds)| {
            tracks.truncate(usize::from(count));
            AudioAccount { tracks, seconds, dropped_frames: 0 }
        }),
        audio_sha256: sound.map(|sound| sound.sha256),
        cautions,
        closed_later: Some(ClosedLater {
            at,
            by: BY.to_string(),
            journal_sha256_before: cut.digest().to_string(),
            broken_bytes: cut.broken_bytes,
        }),
    };
    Ok(account(&procedure, &replayed.state, &opening, ending))
}
