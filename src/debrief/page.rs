//! The debrief as one page of HTML.
//!
//! Owns how a report is laid out and worded on the page; the template escapes every text. Must not read files. The policy
//! in the page's head names its own styles and script by digest, so that nothing else runs, and allows no connection.

use super::model::{Became, Judged, Report, Standing, Step, TimeVerdict, Utterance};
use super::sound::Shape;
use crate::screen::text::clean;
use askama::Template;
use base64::Engine;
use sha2::{Digest, Sha256};
use std::fmt::Write;

mod view;
use view::*;

const STYLE: &str = include_str!("page/debrief.css");
const SCRIPT: &str = include_str!("page/debrief.js");

/// A sound of the page: the track's name and where it is, a file beside the page or `data:`.
pub struct Sound {
    pub name: String,
    pub source: String,
}

/// Writes the page. `shapes` are those of the report's audio tracks, in order; `sounds` has the mix first.
pub fn render(report: &Report, shapes: &[Shape], sounds: &[Sound]) -> Result<String, askama::Error> {
    Page::new(report, shapes, sounds).render()
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
        let inside = sounds.iter().any(|sound| sound.source.starts_with("data:"));
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

/// Where things stand on the timeline: styles may not stand at the elements, so each gets a rule of its own.
struct Places {
    total: f64,
    css: String,
}

impl Places {
    fn at(&mut self, id: String, at: f64) -> String {
        let left = (100.0 * at / self.total).clamp(0.0, 100.0);
        let _ = write!(self.css, "#{id}{{left:{left:.4}%}}");
        id
    }

    fn span(&mut self, id: String, from: f64, to: f64) -> String {
        let left = (100.0 * from / self.total).clamp(0.0, 100.0);
        let width = (100.0 * (to - from) / self.total).clamp(0.0, 100.0 - left);
        let _ = write!(self.css, "#{id}{{left:{left:.4}%;width:{width:.4}%}}");
        id
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
    vec![
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
    ]
}

fn ticks(places: &mut Places) -> Vec<Tick> {
    // About ten, at round times.
    let every = [5, 10, 15, 30, 60, 120, 300, 600, 900, 1_800, 3_600, 7_200];
    let every = every.into_iter().find(|every| places.total / f64::from(*every) <= 12.0).unwrap_or(86_400);
    let count = (places.total / f64::from(every)).floor() as u32;
    (0..=count.min(60))
        .map(|n| {
            let at = n * every;
            let id = places.at(format!("t{n}"), f64::from(at));
            Tick { id, label: clock(f64::from(at)).trim_end_matches(".0").to_string() }
        })
        .collect()
}

fn bands(report: &Report, places: &mut Places) -> Vec<Piece> {
    let band = |(n, visit): (usize, &super::model::Visit)| {
        let step = visit.step.and_then(|index| report.steps.get(index));
        let number = visit.step.map(|index| index + 1);
        let name = match visit.kind.as_str() {
            "step" => format!("Step {}, {}", number.unwrap_or(0), safe(&visit.place)),
            "question" => format!("Question {}", safe(&visit.place)),
            _ => safe(&visit.place.replace('-', " ")),
        };
        let critical = step.is_some_and(|step| step.critical);
        Piece {
            id: places.span(format!("b{n}"), visit.from, visit.to),
            from: secs(visit.from),
            to: secs(visit.to),
            label: match number {
                Some(number) => number.to_string(),
                None if visit.kind == "question" => "Q".into(),
                None => String::new(),
            },
            words: format!(
                "{name}{}: {} to {}, {:.1} s",
                if critical { ", critical" } else { "" },
                clock(visit.from),
                clock(visit.to),
                visit.to - visit.from
            ),
            critical,
            ..Piece::default()
        }
    };
    report.visits.iter().enumerate().map(band).collect()
}

fn marks(report: &Report, places: &mut Places) -> Vec<Piece> {
    let total = places.total;
    let mut mark = |(n, mark): (usize, &super::model::Mark)| Piece {
        id: places.at(format!("m{n}"), mark.at),
        // A mark is made when an answer was heard: what led to it is what one wants to hear.
        from: secs((mark.at - 5.0).max(0.0)),
        to: secs(mark.at + 1.0),
        label: match mark.kind.as_str() {
            "refused" => "\u{2717}",
            "asked-again" => "?",
            "too-soon" => "!",
            "held" => "\u{2016}",
            "carried-on" => "\u{25b6}",
            "went-back" => "\u{21b6}",
            "reminder" => "\u{2026}",
            _ => "\u{2022}",
        }
        .to_string(),
        words: format!("{} at {}", safe(&mark.words), clock(mark.at)),
        ..Piece::default()
    };
    // What is in every session and says nothing more than its neighbours stays in the list below.
    let worth = |mark: &&super::model::Mark| !matches!(mark.kind.as_str(), "note" | "obeyed");
    let mut low = false;
    let mut before = f64::NEG_INFINITY;
    let mut pieces = Vec::new();
    for (n, one) in report.marks.iter().filter(worth).enumerate() {
        // Marks close to each other stand one below the other.
        low = !low && (one.at - before) / total < 0.025;
        before = one.at;
        pieces.push(Piece { class: if low { "low" } else { "" }, ..mark((n, one)) });
    }
    pieces
}

fn lanes(report: &Report, shapes: &[Shape], places: &mut Places) -> Vec<Lane> {
    let lane = |(l, track): (usize, String)| {
        let channel =
            report.audio.as_ref().and_then(|audio| audio.tracks.iter().position(|name| *name == track));
        let shape = channel.and_then(|channel| shapes.get(channel));
        let said: Vec<&Utterance> = report.utterances.iter().filter(|one| one.track == track).collect();
        let spoken: f64 = said.iter().map(|one| one.to - one.from).sum();
        let pieces = said.iter().map(|one| Piece {
            id: places.span(format!("l{l}u{}", one.number), one.from, one.to),
            number: one.number,
            from: secs(one.from),
            to: secs(one.to),
            class: one.judged.as_ref().map_or("", |judged| result_class(judged.result)),
            label: one.judged.as_ref().map_or("", |judged| sign(judged.result)).to_string(),
            words: format!("{} at {}: {}", safe(&one.speaker), clock(one.from), safe(&one.text)),
            ..Piece::default()
        });
        let pieces: Vec<Piece> = pieces.collect();
        let (path, points) = match (shape, report.audio.as_ref()) {
            (Some(shape), Some(audio)) => drawn(shape, audio.seconds, places.total),
            _ => (String::new(), 1),
        };
        let sound = match shape {
            None => "no sound kept",
            Some(shape) if shape.audible == 0 => "its sound is silence throughout",
            Some(_) => "its sound is drawn as a waveform",
        };
        Lane {
            class: track_class(&track),
            title: track_title(&track, report),
            summary: format!("{} utterances, {} in all; {sound}.", pieces.len(), clock(spoken)),
            path,
            points,
            pieces,
        }
    };
    report.lanes().into_iter().enumerate().map(lane).collect()
}

/// A waveform as the outline of its peaks, and the width of the drawing. Quiet speech is drawn larger: the height goes
/// with the square root of the peak.
fn drawn(shape: &Shape, seconds: f64, total: f64) -> (String, usize) {
    let height = |peak: u16| (f64::from(peak) / 32_767.0).sqrt() * 96.0;
    let mut path = String::with_capacity(shape.peaks.len() * 12);
    for (x, peak) in shape.peaks.iter().enumerate() {
        let _ = write!(path, "{}{x} {:.0}", if x == 0 { "M" } else { "L" }, 100.0 - height(*peak));
    }
    for (x, peak) in shape.peaks.iter().enumerate().rev() {
        let _ = write!(path, "L{x} {:.0}", 101.0 + height(*peak));
    }
    path.push('Z');
    let points = (shape.peaks.len() as f64 * total / seconds.max(0.001)).round().max(1.0);
    (path, points as usize)
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

fn step_row(report: &Report, step: &Step, heard: &Heard) -> StepRow {
    let visits = || report.visits.iter().filter(|visit| visit.step == Some(step.number - 1));
    let from = visits().map(|visit| visit.from).next().or(step.began);
    let to = visits().map(|visit| visit.to).next_back().or(step.confirmed);
    let (standing, class) = match step.standing {
        Standing::Done => ("done", "good"),
        Standing::Skipped => ("skipped", "soft"),
        Standing::Open => ("not confirmed", "bad"),
        Standing::NotReached => ("not reached", "soft"),
    };
    let mut remarks = Vec::new();
    if let Some(by) = &step.skipped_by {
        remarks.push(format!("because {}", safe(by)));
    }
    match step.expected.verdict {
        TimeVerdict::TooSoonOnce => remarks.push("read back too soon; it did not count".into()),
        TimeVerdict::Slow => remarks.push("called again".into()),
        TimeVerdict::AsExpected | TimeVerdict::Unknown => {}
    }
    let mut expected = Vec::new();
    if let Some(floor) = step.expected.at_least_s {
        expected.push(format!("at least {floor}\u{a0}s"));
    }
    if let Some(reminder) = step.expected.reminder_s {
        expected.push(format!("an answer within {reminder}\u{a0}s"));
    }
    StepRow {
        number: step.number,
        id: safe(&step.id),
        instruction: safe(&step.instruction),
        critical: step.critical,
        standing,
        class,
        remark: remarks.join("; "),
        began: step.began.map(clock).unwrap_or_default(),
        took: step.seconds.map(|seconds| format!("{seconds:.1} s")).unwrap_or_default(),
        expected: expected.join(", "),
        asked_again: step.asked_again,
        refusals: step.refusals,
        reminders: step.reminders,
        holds: step.holds,
        can_play: from.is_some_and(|from| heard.from(from)) && to.is_some(),
        from: secs(from.unwrap_or(0.0)),
        to: secs(to.unwrap_or(0.0)),
    }
}

fn groups(report: &Report, heard: &Heard) -> Vec<Group> {
    let mut groups: Vec<(String, Group)> = Vec::new();
    for one in &report.utterances {
        if groups.last().is_none_or(|(place, _)| *place != one.place) {
            let step = report.steps.iter().find(|step| step.id == one.place);
            let title = match step {
                Some(step) => format!("Step {}: {}", step.number, safe(&step.id)),
                None if one.place.is_empty() => "Place not known".to_string(),
                None => {
                    let name = safe(&one.place.replace('-', " "));
                    let mut letters = name.chars();
                    letters
                        .next()
                        .map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
                }
            };
            groups.push((one.place.clone(), Group { title, said: Vec::new() }));
        }
        if let Some((_, group)) = groups.last_mut() {
            group.said.push(said(one, heard));
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

fn said(one: &Utterance, heard: &Heard) -> Said {
    let judged = one.judged.as_ref();
    let (tag, tag_class) = judged.map_or((String::new(), ""), tag);
    Said {
        number: one.number,
        class: track_class(&one.track),
        from: secs(one.from),
        to: secs(one.to),
        at: clock(one.from),
        speaker: safe(&one.speaker),
        text: safe(&one.text),
        tag,
        tag_class,
        altered: one.altered,
        can_play: heard.from(one.from),
        judged: judged.is_some(),
        expected: judged.map(expected).unwrap_or_default(),
        verdict: judged.map(|judged| safe(&judged.verdict_words)).unwrap_or_default(),
        result: judged.map(|judged| safe(&judged.result_words)).unwrap_or_default(),
        evidence: judged.map(|judged| safe(&judged.evidence.join(" "))).unwrap_or_default(),
    }
}

fn tag(judged: &Judged) -> (String, &'static str) {
    let (words, class) = match judged.result {
        Became::Counted => ("counted", "good"),
        Became::AskedAgain => ("asked again", "ask"),
        Became::TooSoon => ("too soon", "ask"),
        Became::Refused => ("refusal", "bad"),
        Became::Held => ("hold", "bad"),
        Became::NotCounted => ("did not count", "soft"),
    };
    (format!("{} {words}", sign(judged.result)), class)
}

fn expected(judged: &Judged) -> String {
    let phrases = match &judged.expected {
        None => return "not known".into(),
        Some(phrases) if phrases.is_empty() => return "nothing from anybody".into(),
        Some(phrases) => phrases,
    };
    let quoted: Vec<String> =
        phrases.iter().map(|phrase| format!("\u{201c}{}\u{201d}", safe(phrase))).collect();
    match &judged.awaited {
        Some(who) => format!("from the {}: {}", safe(who), quoted.join(" or ")),
        None => format!("not yet, the tool was speaking; then: {}", quoted.join(" or ")),
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

    #[test]
    fn the_outline_of_silence_is_flat_and_ends_with_the_sound() {
        let shape = Shape { peaks: vec![0, 32_767], audible: 1 };
        assert_eq!(drawn(&shape, 1.0, 2.0), ("M0 100L1 4L1 197L0 101Z".to_string(), 4));
    }
}
