//! The debrief as one page of HTML.
//!
//! Owns how a report is laid out and worded on the page; the template escapes every text. Must not read files. The policy
//! in the page's head names its own styles and script by digest, so that nothing else runs, and allows no connection.

use super::model::{Became, Report, Standing};
use super::sound::{Inside, Shape};
use crate::screen::text::clean;
use askama::Template;
use base64::Engine;
use sha2::{Digest, Sha256};
use std::fmt::{self, Write};
use std::io;

mod rows;
mod timeline;
mod view;
use rows::{groups, step_row};
use timeline::{bands, lanes, marks, ticks, Places};
use view::*;

const STYLE: &str = include_str!("page/debrief.css");
const SCRIPT: &str = include_str!("page/debrief.js");

/// A sound of the page: the track's name and where it is, a file beside the page or `data:`.
pub struct Sound {
    pub name: String,
    pub source: Source,
}

pub enum Source {
    /// A file beside the page: its relative address.
    File(String),
    Inside(Inside),
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::File(address) => f.write_str(address),
            Source::Inside(sound) => sound.fmt(f),
        }
    }
}

/// The page as text. `shapes` are those of the report's audio tracks, in order; `sounds` has the mix first.
pub fn render(report: &Report, shapes: &[Shape], sounds: &[Sound]) -> Result<String, askama::Error> {
    Page::new(report, shapes, sounds).render()
}

/// Writes the page as it is made, so that it may be larger than the memory.
pub fn write(report: &Report, shapes: &[Shape], sounds: &[Sound], to: &mut impl io::Write) -> io::Result<()> {
    Page::new(report, shapes, sounds).write_into(to)
}

/// The policy: no connection of any kind; the page's own styles and script, by digest; sound from `media`.
pub(crate) fn policy(styles: &[&str], script: &str, media: Option<&str>) -> String {
    let digest = |text: &str| {
        let sum = Sha256::digest(text.as_bytes());
        format!("'sha256-{}'", base64::engine::general_purpose::STANDARD.encode(sum))
    };
    let styles: Vec<String> = styles.iter().map(|style| digest(style)).collect();
    let mut policy =
        format!("default-src 'none'; style-src {}; base-uri 'none'; form-action 'none'", styles.join(" "));
    if !script.is_empty() {
        let _ = write!(policy, "; script-src {}", digest(script));
    }
    if let Some(media) = media {
        let _ = write!(policy, "; media-src {media}");
    }
    policy
}

impl<'a> Page<'a> {
    fn new(report: &'a Report, shapes: &[Shape], sounds: &'a [Sound]) -> Page<'a> {
        let sound_ends = report.audio.as_ref().map_or(0.0, |audio| audio.seconds);
        let mut places = Places { total: report.seconds.max(sound_ends).max(0.001), css: String::new() };
        let heard = Heard { sound_ends };
        let title = report.procedure.as_ref().map_or(report.session.as_str(), |procedure| &procedure.title);
        let bands = bands(report, &mut places);
        let holds = report.holds.iter().enumerate().map(|(n, hold)| Piece {
            id: places.span(format!("h{n}"), hold.from, hold.to),
            ..Piece::default()
        });
        let holds = holds.collect();
        let marks = marks(report, &mut places);
        let lanes = lanes(report, shapes, &mut places);
        let ticks = ticks(&mut places);
        let inside = sounds.iter().any(|sound| matches!(sound.source, Source::Inside(_)));
        let (outcome_class, outcome_sign) = match report.outcome.word.as_str() {
            "completed" => ("good", "\u{2713}"),
            "unknown" => ("ask", "?"),
            _ => ("bad", "\u{25a0}"),
        };
        Page {
            policy: policy(
                &[STYLE, &places.css],
                SCRIPT,
                Some(if inside { "data:" } else { "'self' file:" }),
            ),
            style: STYLE,
            script: SCRIPT,
            title: safe(title),
            outcome: safe(&report.outcome.sentence),
            outcome_class,
            outcome_sign,
            when: when(report),
            figures: figures(report),
            cautions: report.cautions.iter().map(|text| safe(text)).collect(),
            record_sentence: &report.record.sentence,
            record_bad: report.record.state != "sound",
            doubts: report.doubts.iter().map(|text| safe(text)).collect(),
            total: secs(places.total),
            length: clock(places.total),
            ticks,
            bands,
            holds,
            marks,
            lanes,
            sounds: sounds
                .iter()
                .map(|sound| SoundView {
                    name: safe(&sound.name),
                    title: track_title(&sound.name, report),
                    source: &sound.source,
                })
                .collect(),
            steps: report.steps.iter().map(|step| step_row(report, step, &heard)).collect(),
            hold_rows: report
                .holds
                .iter()
                .map(|hold| format!("{} to {}: {}", clock(hold.from), clock(hold.to), safe(&hold.why)))
                .collect(),
            mark_rows: report
                .marks
                .iter()
                .map(|mark| format!("{} {}", clock(mark.at), safe(&mark.words)))
                .collect(),
            groups: groups(report, &heard),
            facts: facts(report),
            findings: report.record.findings.iter().map(|text| safe(text)).collect(),
            version: env!("CARGO_PKG_VERSION"),
            places: places.css,
        }
    }
}

/// What can be heard.
struct Heard {
    sound_ends: f64,
}

impl Heard {
    fn from(&self, from: f64) -> bool {
        from < self.sound_ends
    }
}

/// Text of others: nothing that reorders or hides what is shown. The template does the escaping.
fn safe(text: &str) -> String {
    clean(text).into_owned()
}

/// Seconds as the script reads them.
fn secs(seconds: f64) -> String {
    format!("{seconds:.3}")
}

/// `m:ss.t`, with hours when there are any.
pub(crate) fn clock(seconds: f64) -> String {
    let tenths = (seconds * 10.0).floor().max(0.0) as u64;
    let (minutes, rest) = (tenths / 600, tenths % 600);
    match minutes / 60 {
        0 => format!("{minutes}:{:02}.{}", rest / 10, rest % 10),
        hours => format!("{hours}:{:02}:{:02}.{}", minutes % 60, rest / 10, rest % 10),
    }
}

fn track_title(track: &str, report: &Report) -> String {
    let person = report.people.get(track).map(|id| format!(" {}", safe(id))).unwrap_or_default();
    match track {
        super::sound::MIXED => "All mixed".into(),
        "tool" => "Tool".into(),
        "worker" => format!("Worker{person}"),
        "observer" => format!("Observer{person}"),
        "room" => "Room".into(),
        other => safe(other),
    }
}

fn track_class(track: &str) -> &'static str {
    match track {
        "worker" => "worker",
        "observer" => "observer",
        "room" => "room",
        _ => "tool",
    }
}

fn when(report: &Report) -> String {
    let mut parts = Vec::new();
    if let Some(started) =
        report.started.as_deref().and_then(|at| chrono::DateTime::parse_from_rfc3339(at).ok())
    {
        parts.push(started.format("%Y-%m-%d, %H:%M").to_string());
    }
    match report.mode.as_str() {
        "rehearsal" => parts.push("a rehearsal with stand-in voices".into()),
        "practice" => parts.push("a practice: one voice is a stand-in".into()),
        "wav" => parts.push("from recordings".into()),
        "live" => parts.push("live".into()),
        _ => {}
    }
    if let Some(unit) = report.procedure.as_ref().and_then(|procedure| procedure.unit.as_deref()) {
        parts.push(safe(unit));
    }
    parts.extend(report.people.iter().map(|(post, id)| format!("{} {}", safe(post), safe(id))));
    parts.push(format!("session {}", safe(&report.session)));
    parts.join(" \u{b7} ")
}

fn figures(report: &Report) -> Vec<Figure> {
    let totals = report.totals;
    let count = |value: usize, name: &'static str| Figure { value: value.to_string(), name };
    let mut figures = vec![
        Figure { value: clock(report.seconds), name: "length" },
        Figure {
            value: format!("{} / {}", report.outcome.steps_done, report.outcome.steps_due),
            name: "steps done",
        },
        count(totals.asked_again, "asked again"),
        count(totals.too_soon, "too soon"),
        count(totals.refusals, "refusals"),
        count(totals.reminders, "reminders"),
        count(totals.holds, "holds"),
    ];
    let decided = report.steps.iter().filter(|step| step.standing == Standing::Decided).count();
    if decided > 0 {
        figures.insert(2, count(decided, "by decision"));
    }
    figures
}

fn result_class(result: Became) -> &'static str {
    match result {
        Became::Counted => "counted",
        Became::AskedAgain => "asked",
        Became::TooSoon => "soon",
        Became::Refused => "refused",
        Became::Held => "held",
        Became::NotCounted => "unheeded",
    }
}

fn sign(result: Became) -> &'static str {
    match result {
        Became::Counted => "\u{2713}",
        Became::AskedAgain => "?",
        Became::TooSoon => "!",
        Became::Refused => "\u{2717}",
        Became::Held => "\u{2016}",
        Became::NotCounted => "\u{2013}",
    }
}

fn facts(report: &Report) -> Vec<Fact> {
    let mut facts = Vec::new();
    let mut fact = |name: &'static str, value: String| {
        if !value.is_empty() {
            facts.push(Fact { name, value });
        }
    };
    fact("State", report.record.sentence.clone());
    fact("Journal", format!("{} lines", report.record.lines));
    fact(
        "Last digest (SHA-256); compare it with the one noted when the session ended",
        report.record.digest.clone().unwrap_or_default(),
    );
    if let Some(procedure) = &report.procedure {
        fact("Procedure", format!("{}, version {}", safe(&procedure.id), safe(&procedure.version)));
    }
    let answers: Vec<String> =
        report.answers.iter().map(|(id, value)| format!("{} = {}", safe(id), safe(value))).collect();
    fact("Answers", answers.join(", "));
    fact("Listened", safe(&report.engine));
    fact("Spoke", safe(&report.voice));
    facts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_has_tenths_and_hours_only_when_there_are_any() {
        assert_eq!(clock(0.0), "0:00.0");
        assert_eq!(clock(605.19), "10:05.1");
        assert_eq!(clock(3_723.5), "1:02:03.5");
    }

    #[test]
    fn the_policy_has_no_place_outside_and_names_the_script_by_digest() {
        let policy = policy(&["a", "b"], "abc", Some("file:"));
        // SHA-256 of 'abc' (FIPS 180-4) in base64.
        assert!(
            policy.contains("script-src 'sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0='"),
            "{policy}"
        );
        assert!(
            policy.starts_with("default-src 'none'") && !policy.contains("unsafe") && !policy.contains('*')
        );
    }
}
