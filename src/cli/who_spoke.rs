//! `who-spoke`: whether the confirmations of a session sound like whoever read back.

use super::say;
use crate::conduct::who_spoke::{account, Account, Step};
use crate::debrief::page::clock;
use crate::failure::{ExitCode, Failure};
use crate::procedure::Post;
use crate::screen::text::clean;
use crate::who::Sounds;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Each confirmation is compared with the read-back before it, and with all else that whoever read back has said.
The numbers are log-likelihood ratios in nats: above 0 one voice is likelier, from 4 on it is said, up to 0 it is two.
It proves nothing and accuses nobody: it is a hint to listen. docs/who-spoke.md says how often it is wrong.
Exit code 8 when a step sounds like one voice. Nothing is written, and nothing of a voice is kept.

Examples:
  antiphon who-spoke SESSION
  antiphon who-spoke SESSION --json
  antiphon play SESSION --step gloves   listen to a step that it names"
)]
pub struct WhoSpokeArgs {
    /// The session's folder
    session: PathBuf,
    /// One JSON object on stdout
    #[arg(long)]
    json: bool,
}

pub fn run(args: &WhoSpokeArgs) -> Result<ExitCode, Failure> {
    let account = account(&args.session)?;
    if args.json {
        let text = serde_json::to_string_pretty(&account)
            .map_err(|error| Failure::new(ExitCode::Internal, "can't print the report").why(error))?;
        say(&text);
    } else {
        say(&as_text(&account));
    }
    Ok(if account.summary.suspicious() { ExitCode::NotCompleted } else { ExitCode::Done })
}

fn as_text(account: &Account) -> String {
    let microphones = match account.posts[..] {
        [Post::Room] => "one shared microphone",
        [_] => "one microphone",
        _ => "a microphone each",
    };
    let mut lines = vec![format!("{}, {microphones}", clean(&account.session))];
    if let Some(stand_in) = account.stand_in {
        lines.push(format!("A practice: the {} was played by the tool.", stand_in.name()));
    }
    lines.extend(account.cautions.iter().map(|caution| format!("caution: {}", clean(caution))));
    let widest = account.steps.iter().map(|step| step.step.len()).max().unwrap_or(0);
    lines.extend(account.steps.iter().map(|step| row(step, widest)));
    lines.push(account.summary.words());
    lines.push(String::new());
    for limit in account.limits {
        lines.push(textwrap::fill(limit, textwrap::Options::new(100).subsequent_indent("  ")));
    }
    lines.join("\n")
}

fn row(step: &Step, widest: usize) -> String {
    let sign = if step.sounds == Some(Sounds::OneVoice) { "*" } else { " " };
    let at = clock(step.confirmed_ms as f64 / 1000.0);
    let mut line = format!("{sign} {at:>9}  {:<widest$}  {}", clean(&step.step), step.words());
    if let Some(llr) = step.llr {
        let read_back = step.with_the_read_back.map(|one| format!("read-back {:+.1}", one.llr));
        let rest = step.with_the_rest.map(|rest| format!("all else {:+.1}", rest.likeness.llr));
        let parts: Vec<String> = read_back.into_iter().chain(rest).collect();
        line.push_str(&format!("  {llr:+.1} ({})", parts.join(", ")));
    }
    line
}
