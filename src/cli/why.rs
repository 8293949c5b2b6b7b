//! `antiphon why`: what decided each answer of a session, with what was measured and what was needed.
//!
//! Owns which answers are shown and how; the sentences are `screen::why`'s, and what was expected is the debrief's fold.

use super::play::time;
use super::say;
use crate::debrief::load::load;
use crate::debrief::model::{Became, Report, Utterance};
use crate::debrief::page::clock;
use crate::debrief::words;
use crate::failure::{ExitCode, Failure};
use crate::screen::text::clean;
use serde_json::json;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(after_help = "Without --step, --at or --all it shows the answers that did not count.
What was needed is what was needed on that day; it stands in the record beside what was measured.

Examples:
  antiphon why SESSION                     every answer that did not count
  antiphon why SESSION --step gloves       all that was heard at a step
  antiphon why SESSION --at 6:53           what was heard at this moment of the session
  antiphon why SESSION --all --json")]
pub struct WhyArgs {
    /// The session's folder
    session: PathBuf,
    /// All that was heard at this step or question
    #[arg(long, value_name = "ID", conflicts_with_all = ["at", "all"])]
    step: Option<String>,
    /// What was heard at this time of the session, for example 6:53, or last before it
    #[arg(long, value_name = "TIME", value_parser = time, conflicts_with = "all")]
    at: Option<f64>,
    /// Everything that was heard
    #[arg(long)]
    all: bool,
    /// One JSON object on stdout
    #[arg(long)]
    json: bool,
}

pub fn run(args: &WhyArgs) -> Result<ExitCode, Failure> {
    let report = load(&args.session)?.report;
    let chosen = chosen(args, &report)?;
    if args.json {
        let object = json!({ "session": report.session, "doubts": report.doubts, "utterances": chosen });
        let text = serde_json::to_string_pretty(&object)
            .map_err(|error| Failure::new(ExitCode::Internal, "can't print the answers").why(error))?;
        say(&text);
        return Ok(ExitCode::Done);
    }
    say(&clean(&report.session));
    report.doubts.iter().for_each(|doubt| say(&format!("doubt: {}", clean(doubt))));
    if chosen.is_empty() {
        say("Every answer counted. --all shows them.");
    }
    for one in chosen {
        say("");
        told(one).iter().for_each(|line| say(line));
    }
    Ok(ExitCode::Done)
}

fn chosen<'r>(args: &WhyArgs, report: &'r Report) -> Result<Vec<&'r Utterance>, Failure> {
    let people = || report.utterances.iter().filter(|one| one.judged.is_some());
    if let Some(id) = &args.step {
        let there: Vec<&Utterance> = people().filter(|one| one.place == *id).collect();
        if there.is_empty() {
            let mut places: Vec<&str> = people().map(|one| one.place.as_str()).collect();
            places.dedup();
            let heard_at = if places.is_empty() { "nobody was heard".into() } else { places.join(", ") };
            return Err(Failure::new(ExitCode::Usage, format!("--step {id}: nothing was heard there"))
                .fix(format!("something was heard at: {heard_at}")));
        }
        return Ok(there);
    }
    if let Some(at) = args.at {
        let during: Vec<&Utterance> = people().filter(|one| one.from <= at && at <= one.to).collect();
        if !during.is_empty() {
            return Ok(during);
        }
        let last = people().filter(|one| one.to <= at).max_by(|a, b| a.to.total_cmp(&b.to));
        return match last {
            Some(last) => Ok(vec![last]),
            None => {
                Err(Failure::new(ExitCode::Usage, format!("--at {}: nobody was heard before", clock(at)))
                    .fix("without --at it shows every answer that did not count"))
            }
        };
    }
    let wanted = |one: &&Utterance| {
        args.all || one.judged.as_ref().is_some_and(|judged| judged.result != Became::Counted)
    };
    Ok(people().filter(wanted).collect())
}

/// One answer, its lines.
fn told(one: &Utterance) -> Vec<String> {
    let Some(judged) = &one.judged else { return Vec::new() };
    let mut lines = vec![format!(
        "{}  {}: \"{}\"  ({})",
        clock(one.from),
        clean(&one.speaker),
        clean(&one.text),
        clean(&one.place)
    )];
    let mut add = |label: &str, text: &str| {
        let indent = " ".repeat(12);
        let options = textwrap::Options::new(100).subsequent_indent(&indent);
        lines.push(textwrap::fill(&format!("  {label:<9} {}", clean(text)), options));
    };
    add("expected", &words::expected(judged));
    add("verdict", &judged.verdict_words);
    judged.evidence.first().into_iter().for_each(|sentence| add("because", sentence));
    judged.tests.iter().for_each(|test| add("test", test));
    judged.evidence.iter().skip(1).for_each(|sentence| add("also", sentence));
    add("so", &judged.result_words);
    lines
}
