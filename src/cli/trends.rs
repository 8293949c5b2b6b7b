//! `trends`: many sessions side by side, as a page or as JSON.

use super::{say, tell};
use crate::failure::{ExitCode, Failure};
use crate::record::folder::write_private;
use crate::record::SessionFolder;
use crate::trends::load::{load, rules};
use crate::trends::{page, schema, Standing, Trends, TOO_FEW};
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Writes FOLDER/trends.html. People are told apart by the ids given with `run --who`. See docs/trends.md.

Examples:
  antiphon trends ~/.local/share/antiphon/sessions
  antiphon trends FOLDER --training unit.toml       whose training is due
  antiphon trends FOLDER --json > trends.json
  antiphon trends --schema > trends.schema.json"
)]
pub struct TrendsArgs {
    /// The folder of sessions (default: $XDG_DATA_HOME/antiphon/sessions)
    folder: Option<PathBuf>,
    /// The unit's rules on training: how long a completed session is good for
    #[arg(long, value_name = "FILE")]
    training: Option<PathBuf>,
    /// Where the page goes (default: trends.html in the folder)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// One JSON object on stdout; no page
    #[arg(long, conflicts_with = "out")]
    json: bool,
    /// The JSON schema of that object on stdout
    #[arg(long, exclusive = true)]
    schema: bool,
}

pub fn run(args: &TrendsArgs) -> Result<ExitCode, Failure> {
    if args.schema {
        return print(&schema());
    }
    let folder = match &args.folder {
        Some(folder) => folder.clone(),
        None => SessionFolder::default_root()?,
    };
    let rules = args.training.as_deref().map(rules).transpose()?;
    let trends = load(&folder, rules.as_ref(), chrono::Local::now().fixed_offset())?;
    for doubt in &trends.doubts {
        tell(&format!("caution: {}", crate::screen::text::clean(doubt)));
    }
    if args.json {
        return print(&trends);
    }
    let page = args.out.clone().unwrap_or_else(|| folder.join("trends.html"));
    let html = page::render(&trends, rules.is_some())
        .map_err(|error| Failure::new(ExitCode::Internal, "can't make the page").why(error))?;
    write_private(&page, html.as_bytes()).map_err(|error| {
        Failure::new(ExitCode::BadFolder, format!("{}: can't write the page", page.display()))
            .why(error)
            .fix("make the folder writable, or say where with --out FILE")
    })?;
    conclude(&trends, &page);
    Ok(ExitCode::Done)
}

fn conclude(trends: &Trends, page: &Path) {
    say(&format!("{} sessions, {} completed", trends.sessions, trends.completed));
    match trends.decisions.len() {
        0 => {}
        1 => say("1 step confirmed by the observer's decision"),
        count => say(&format!("{count} steps confirmed by the observer's decision")),
    }
    let told = trends.procedures.iter().flat_map(|one| &one.steps).any(|step| step.seconds.limits.is_some());
    if !told {
        say(TOO_FEW);
    }
    for one in trends.training.iter().filter(|one| one.standing != Standing::InDate) {
        let standing = match (one.standing, &one.due) {
            (Standing::DueSoon, Some(due)) => format!("due on {due}"),
            (_, Some(due)) => format!("overdue since {due}"),
            (_, None) => "never completed".to_string(),
        };
        say(&crate::screen::text::clean(&format!(
            "training: {} as {}, {}: {standing}",
            one.id, one.post, one.procedure
        )));
    }
    say(&format!("page:  {}", page.display()));
}

fn print(value: &impl serde::Serialize) -> Result<ExitCode, Failure> {
    let text = serde_json::to_string_pretty(value)
        .map_err(|error| Failure::new(ExitCode::Internal, "can't print the report").why(error))?;
    say(&text);
    Ok(ExitCode::Done)
}
