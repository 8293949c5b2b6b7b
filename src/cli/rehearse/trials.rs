//! `rehearse --trials`: the procedure many times, and a table of its phrases.
//!
//! Owns the report. Must not count (`conduct::trials`) or judge.

use super::super::session::{interrupted_flag, is_set};
use super::super::{progress, say, tell};
use super::{RehearseArgs, Voices};
use crate::conduct::set_up::dictionary;
use crate::conduct::trials::{self, Count, Plan, Tally};
use crate::failure::{ExitCode, Failure};
use crate::procedure::{parse, PhraseId, Post, Procedure};
use crate::proof::Book;
use crate::statistics::{spearman, spearman95, wilson95};
use crate::voice::{natural, RenderVoice};
use indicatif::ProgressBar;
use serde::Serialize;

/// Natural voices of English trials, taken in turn, where they are installed; else these of flite.
const NATURAL: usize = 12;
const FLITE: [&str; 4] = ["rms", "awb", "slt", "kal16"];

#[derive(Serialize)]
struct Report {
    procedure: String,
    trials: usize,
    completed: usize,
    /// Steps that were confirmed by the observer's decision, in all trials.
    decisions: usize,
    seed: u64,
    slips: f64,
    noise: Option<String>,
    voices: Vec<String>,
    minutes_each: f64,
    /// Caused by phrases that were said rightly and did not count.
    extra_minutes_each: f64,
    phrases: Vec<Line>,
    /// Of lint's risk and what was counted, over the phrases that were said.
    agreement: Vec<Agreement>,
}

/// Do the phrases with the higher risk also have the higher share of something?
#[derive(Serialize)]
struct Agreement {
    share: &'static str,
    /// Lint's risk of being taken for a phrase valid at the same moment, or of everything a phrase must be told from.
    risk: &'static str,
    /// Spearman's rank correlation with its 95 % interval.
    rho: f64,
    low: f64,
    high: f64,
    phrases: usize,
}

#[derive(Serialize)]
struct Line {
    text: String,
    by: Option<&'static str>,
    said: usize,
    right: Share,
    asked_again: Share,
    mistaken: Share,
    unnoticed: Share,
    slips: usize,
    slips_taken: Share,
    extra_seconds: f64,
    /// Lint's estimate, where there is one: with everything that it must be told from.
    lint_risk: Option<f64>,
    /// Lint's estimate that it is taken for another phrase valid at the same moment.
    lint_taken: Option<f64>,
}

/// A count with Wilson's 95 % interval of its share.
#[derive(Serialize)]
struct Share {
    count: usize,
    low: f64,
    high: f64,
}

fn share(count: usize, of: usize) -> Share {
    let (low, high) = wilson95(count, of);
    Share { count, low, high }
}

pub(super) fn run(args: &RehearseArgs, count: usize) -> Result<ExitCode, Failure> {
    let (procedure, _) = parse::load(&args.session.procedure)?;
    let plan = plan(args, &procedure, count);
    let interrupted = interrupted_flag()?;
    for caution in &procedure.cautions {
        tell(&format!("caution: {caution}"));
    }
    let bar = progress::bar(count as u64, "");
    let tally = trials::run(&plan, &Bar(bar.clone(), count), &|| is_set(&interrupted))?;
    bar.finish_and_clear();
    let report = report(args, &plan, &procedure, &tally)?;
    if args.session.json {
        let text = serde_json::to_string(&report)
            .map_err(|error| Failure::new(ExitCode::Internal, format!("can't write the report: {error}")))?;
        say(&text);
    } else {
        show(&report);
    }
    Ok(if tally.completed == count { ExitCode::Done } else { ExitCode::NotCompleted })
}

/// One bar, for the voices and then for the trials.
struct Bar(ProgressBar, usize);

impl trials::Progress for Bar {
    fn note(&self, note: &str) {
        self.0.suspend(|| tell(&format!("note: {note}")));
    }
    fn voices(&self, phrases: usize) {
        self.0.reset();
        self.0.set_length(phrases as u64);
        self.0.set_style(progress::style("{pos} of {len} phrases spoken by the stand-in voices, {eta} left"));
    }
    fn voiced(&self) {
        self.0.inc(1);
    }
    fn trials(&self) {
        self.0.reset();
        self.0.set_length(self.1 as u64);
        self.0.set_style(progress::style("{pos} of {len} trials, {eta} left"));
        // A trial takes a while: the bar is to be seen before the first is over.
        self.0.tick();
    }
    fn done(&self) {
        self.0.inc(1);
    }
}

fn plan(args: &RehearseArgs, procedure: &Procedure, trials: usize) -> Plan {
    let chosen = Voices::chosen(args, &procedure.language);
    let english = procedure.language.split('-').next() == Some("en");
    let given = args.worker_voice.is_some() || args.observer_voice.is_some();
    let people = match english && !given {
        true => company(),
        false => vec![chosen.worker, chosen.observer],
    };
    Plan {
        procedure: args.session.procedure.clone(),
        listening: args.session.engine.listening(),
        posts: if args.one_microphone { vec![Post::Room] } else { vec![Post::Worker, Post::Observer] },
        seed: args.seed,
        trials,
        noise: args.noise,
        slips: args.slips,
        tool: chosen.tool,
        people,
        limit_ms: args.limit.saturating_mul(60_000),
    }
}

/// Everybody who takes part in English trials.
fn company() -> Vec<RenderVoice> {
    match natural::company(NATURAL) {
        Ok(voices) => voices.into_iter().map(RenderVoice::Natural).collect(),
        Err(why) => {
            tell(&format!(
                "note: flite's {} voices take part instead of {NATURAL} natural ones: {why}",
                FLITE.len()
            ));
            FLITE.iter().map(|name| RenderVoice::Flite(name.to_string())).collect()
        }
    }
}

fn report(args: &RehearseArgs, plan: &Plan, procedure: &Procedure, tally: &Tally) -> Result<Report, Failure> {
    let english = procedure.language.split('-').next() == Some("en");
    let book = match english {
        true => {
            let lexicon = dictionary()?;
            let look_up = |word: &str| lexicon.look_up(word, &procedure.pronunciations).unwrap_or_default();
            Some(Book::of(procedure, &look_up))
        }
        false => None,
    };
    let line = |(id, count): (&PhraseId, &Count)| {
        let phrase = procedure.phrase(*id);
        Line {
            text: phrase.text.clone(),
            by: phrase.by.map(|role| role.name()),
            said: count.said,
            right: share(count.right, count.said),
            asked_again: share(count.asked_again, count.said),
            mistaken: share(count.mistaken, count.said),
            unnoticed: share(count.unnoticed, count.said),
            slips: count.slips,
            slips_taken: share(count.slips_taken, count.slips),
            extra_seconds: count.extra_ms as f64 / 1000.0,
            lint_risk: book.as_ref().map(|book| book.risk_of(*id)),
            lint_taken: book.as_ref().map(|book| book.risk_of_being_taken(*id)),
        }
    };
    let phrases: Vec<Line> = tally.phrases.iter().map(line).collect();
    let each = |total: f64| total / 60.0 / tally.trials.max(1) as f64;
    Ok(Report {
        procedure: args.session.procedure.display().to_string(),
        trials: tally.trials,
        completed: tally.completed,
        decisions: tally.decisions,
        seed: plan.seed,
        slips: plan.slips,
        noise: plan.noise.map(|noise| noise.to_string()),
        voices: plan.people.iter().map(ToString::to_string).collect(),
        minutes_each: each(tally.seconds as f64),
        extra_minutes_each: each(phrases.iter().map(|line| line.extra_seconds).sum()),
        agreement: agreement(&phrases),
        phrases,
    })
}

type RiskOf = fn(&Line) -> Option<f64>;
type CountOf = fn(&Line) -> usize;

/// Of both of lint's risks with each way in which a phrase that was said did not count at once. Nothing for a share that is
/// the same for all phrases.
fn agreement(phrases: &[Line]) -> Vec<Agreement> {
    let risks: [(&'static str, RiskOf); 2] =
        [("valid-then", |line| line.lint_taken), ("all", |line| line.lint_risk)];
    let shares: [(&'static str, CountOf); 4] = [
        ("taken for another", |line| line.mistaken.count),
        ("asked again", |line| line.asked_again.count),
        ("not noticed", |line| line.unnoticed.count),
        ("not right at once", |line| line.said - line.right.count),
    ];
    let mut all = Vec::new();
    for (share, count) in shares {
        for (risk, of) in risks {
            let said = phrases.iter().filter(|line| line.said > 0);
            let pair = |line: &Line| Some((of(line)?, count(line) as f64 / line.said as f64));
            let pairs: Vec<(f64, f64)> = said.filter_map(pair).collect();
            if let Some(rho) = spearman(&pairs) {
                let (low, high) = spearman95(rho, pairs.len());
                all.push(Agreement { share, risk, rho, low, high, phrases: pairs.len() });
            }
        }
    }
    all
}

fn show(report: &Report) {
    let noise = report.noise.as_deref().unwrap_or("none");
    say(&format!(
        "{}: {} trials, {} completed; seeds {} to {}, noise {noise}, slips {}, voices {}",
        report.procedure,
        report.trials,
        report.completed,
        report.seed,
        report.seed.wrapping_add(report.trials as u64).wrapping_sub(1),
        report.slips,
        report.voices.join(" "),
    ));
    say("\nheard right  (95 %)       asked  taken for  not      slip taken  extra");
    say("                          again  another    noticed  for it      s      phrase");
    let percent = |share: f64| format!("{:.0}", share * 100.0);
    for line in &report.phrases {
        say(&format!(
            "{:>4} of {:<4}  {:>3}-{:<3} %     {:>5}  {:>9}  {:>7}  {:>4} of {:<3} {:>6.1}  {} ({})",
            line.right.count,
            line.said,
            percent(line.right.low),
            percent(line.right.high),
            line.asked_again.count,
            line.mistaken.count,
            line.unnoticed.count,
            line.slips_taken.count,
            line.slips,
            line.extra_seconds,
            line.text,
            line.by.unwrap_or("both"),
        ));
    }
    let (right, said) =
        report.phrases.iter().fold((0, 0), |sum, line| (sum.0 + line.right.count, sum.1 + line.said));
    let (low, high) = wilson95(right, said);
    say(&format!(
        "\n{right} of {said} answers heard right at once ({:.1} to {:.1} %).\nA session takes {:.1} minutes, of which {:.1} because right answers did not count.",
        low * 100.0,
        high * 100.0,
        report.minutes_each,
        report.extra_minutes_each
    ));
    if report.decisions > 0 {
        say(&format!("Steps confirmed by the observer's decision, not heard: {}.", report.decisions));
    }
    if let Some(first) = report.agreement.first() {
        say(&format!(
            "Agreement with lint over {} phrases, Spearman's rank correlation (95 %) of the risk and the share:",
            first.phrases
        ));
    }
    for agreement in &report.agreement {
        let Agreement { share, risk, rho, low, high, .. } = agreement;
        let risk = if *risk == "all" { "with all rivals and decoys" } else { "with the phrases valid then" };
        say(&format!("  {share:<17}  {risk:<27}  {rho:>5.2}  ({low:.2} to {high:.2})"));
    }
    say("Stand-in voices: people may be heard better or worse.");
}
