//! `debrief`: a session's record as a page, captions, tables or a report.

use super::{say, tell};
use crate::debrief::load::{load, Session};
use crate::debrief::model::schema;
use crate::debrief::write::{write, Wanted, PAGE};
use crate::failure::{ExitCode, Failure};
use crate::record::verify::State;
use crate::record::Lock;
use serde::Serialize;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Writes SESSION/debrief.html, its sound in SESSION/debrief-audio/ (one WAV file for the mix, one a
track) and captions in SESSION/debrief.vtt. The record itself is left as it is. See docs/debrief.md.

Examples:
  antiphon debrief SESSION                      then open SESSION/debrief.html in a browser
  antiphon debrief SESSION --embed              the sound inside the page: one file to hand on, 10 MB a minute
  antiphon debrief SESSION --csv                also tables of steps and utterances for a spreadsheet
  antiphon debrief SESSION --json > report.json
  antiphon debrief --schema > report.schema.json"
)]
pub struct DebriefArgs {
    /// The session's folder
    #[arg(required_unless_present = "schema")]
    session: Option<PathBuf>,
    /// Where the page goes; its sound and captions go beside it (default: into the session's folder)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// The sound inside the page instead of beside it
    #[arg(long)]
    embed: bool,
    /// Also tables of steps and utterances (CSV)
    #[arg(long)]
    csv: bool,
    /// The report as one JSON object on stdout; no files
    #[arg(long, conflicts_with_all = ["out", "embed", "csv"])]
    json: bool,
    /// The JSON schema of the report on stdout
    #[arg(long, exclusive = true)]
    schema: bool,
}

pub fn run(args: DebriefArgs) -> Result<ExitCode, Failure> {
    let Some(folder) = &args.session else {
        say(&pretty(&schema())?);
        return Ok(ExitCode::Done);
    };
    // Into the folder only one command writes; for a page elsewhere it is enough that nobody does meanwhile.
    let _lock = match (args.json, &args.out) {
        (true, _) => None,
        (false, None) => Some(Lock::of(folder)?),
        (false, Some(_)) => Some(Lock::to_read(folder)?),
    };
    let session = load(folder)?;
    warn(&session);
    if args.json {
        say(&pretty(&session.report)?);
        return Ok(ExitCode::Done);
    }
    let page = args.out.clone().unwrap_or_else(|| folder.join(PAGE));
    if page.file_name().is_none() {
        return Err(Failure::new(ExitCode::Usage, format!("--out {}: is no file's name", page.display()))
            .fix("name the page, for example --out debrief.html"));
    }
    let made = write(&session, &Wanted { page, embed: args.embed, csv: args.csv })?;
    say(&session.report.outcome.sentence);
    for (n, path) in made.iter().enumerate() {
        say(&format!("{} {}", if n == 0 { "page: " } else { "beside:" }, path.display()));
    }
    Ok(ExitCode::Done)
}

/// A page can be made of almost anything; that it is made of a doubtful record must not go unsaid.
fn warn(session: &Session) {
    let report = &session.report;
    if session.verified.state != State::Sound {
        tell(&format!("caution: {} `antiphon verify` says more.", report.record.sentence));
    }
    for doubt in &report.doubts {
        tell(&format!("caution: {}", crate::screen::text::clean(doubt)));
    }
}

fn pretty(value: &impl Serialize) -> Result<String, Failure> {
    serde_json::to_string_pretty(value)
        .map_err(|error| Failure::new(ExitCode::Internal, "can't print the report").why(error))
}
