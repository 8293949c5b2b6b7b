//! A session's record, opened to be heard again: its journal whole, its procedure as it was, its tracks measured.
//!
//! Owns what makes a record unfit for that. Must not write anything, nor know what is heard.

use super::keeper::Opening;
use crate::debrief::build::understood;
use crate::debrief::sound::{self, Extent};
use crate::failure::{ExitCode, Failure};
use crate::procedure::{parse, Procedure};
use crate::record::folder::{AUDIO, JOURNAL, PROCEDURE};
use crate::record::moved::{moves, Missing};
use crate::record::read::{self, Line};
use crate::record::RecordError;
use crate::session::{Event, State};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

pub(super) struct Record {
    pub folder: PathBuf,
    pub procedure: Procedure,
    pub opening: Opening,
    pub lines: Vec<Line>,
    pub extent: Extent,
    /// What whoever reads of it should know first.
    pub cautions: Vec<String>,
    /// Sound that silence stands in for.
    pub missing: Vec<Missing>,
}

impl Record {
    /// A record that was cut off is as good as a whole one. Errors: `BadFolder` for one that was altered or has no sound,
    /// `BadProcedure`.
    pub fn open(folder: &Path) -> Result<Record, Failure> {
        let at = |name: &str| folder.join(name);
        let unusable = |what: &str| unusable(folder, what);
        let reading = read::read(&at(JOURNAL)).map_err(|error| match error {
            RecordError::Io { source, .. } if source.kind() == ErrorKind::NotFound => {
                unusable("there is no journal.jsonl in it")
            }
            error => error.into(),
        })?;
        if let Some(problem) = reading.problems.first() {
            return Err(unusable(&format!("{JOURNAL}:{}: {}", problem.line, problem.what))
                .fix("see what `antiphon verify` says; only a record as it was written can be compared"));
        }
        let (procedure, _) = parse::load(&at(PROCEDURE))?;
        let first = reading.lines.first().ok_or_else(|| unusable("its journal is empty"))?;
        let opening: Opening = serde_json::from_value(first.body.clone())
            .map_err(|error| unusable(&format!("{JOURNAL}:1: {error}")))?;
        let extent = sound::measure(&at(AUDIO)).map_err(|why| unusable(&format!("{AUDIO}: {why}")))?;
        if usize::from(extent.tracks) != opening.posts.len() + 1 {
            return Err(unusable(&format!(
                "{AUDIO}: {} tracks for {} posts",
                extent.tracks,
                opening.posts.len()
            )));
        }
        let lines = reading.lines;
        let cautions = moves(&lines).map(|(line, moved)| moved.caution(line.ms)).collect();
        let missing = moves(&lines).filter_map(|(_, moved)| moved.sound_missing).collect();
        Ok(Record { folder: folder.to_path_buf(), procedure, opening, lines, extent, cautions, missing })
    }

    /// The state before the first event.
    pub fn beginning(&self) -> State {
        State::new(&self.procedure, &self.opening.posts, self.opening.grace_ms)
    }

    /// The event of a line of kind `in`; `beginning` is what it must fit.
    pub fn event(&self, line: &Line, beginning: &State) -> Result<Event, Failure> {
        understood(line, beginning, &self.procedure).ok_or_else(|| {
            let what = format!("{JOURNAL}:{}: this version does not understand it", line.line);
            unusable(&self.folder, &what)
        })
    }
}

fn unusable(folder: &Path, what: &str) -> Failure {
    Failure::new(ExitCode::BadFolder, format!("{}: can't be heard again", folder.display())).why(what)
}
