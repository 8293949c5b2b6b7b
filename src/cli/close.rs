//! `close`: ends the record of a session that was cut off.

use super::keeping::confirmed;
use super::say;
use crate::conduct::closing;
use crate::failure::{ExitCode, Failure};
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Adds a last line that says that the record was cut off and closed later, when, by what, and which digest it had
before; then the summary, with outcome 'cut-off'. After that it can be signed. Nothing that was recorded is changed.

Examples:
  antiphon close SESSION
  antiphon close SESSION --yes && antiphon sign SESSION --key unit.pem"
)]
pub struct CloseArgs {
    /// The session's folder
    session: PathBuf,
    /// Don't ask
    #[arg(long)]
    yes: bool,
}

pub fn run(args: &CloseArgs) -> Result<ExitCode, Failure> {
    if !args.yes && !confirmed(&format!("Close the record in {} as cut off?", args.session.display()))? {
        say("Nothing was changed.");
        return Ok(ExitCode::Done);
    }
    let closed = closing::close(&args.session, chrono::Local::now().fixed_offset())?;
    say(match closed.had_end {
        true => "the record had its end: the summary was missing, and is written",
        false => "closed: the record says that it was cut off, and closed later",
    });
    say(&format!("digest: {}", closed.digest));
    Ok(ExitCode::Done)
}
