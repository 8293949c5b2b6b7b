//! The timeline: where each band, mark, utterance and waveform stands.

use super::view::{Lane, Piece, Tick};
use super::{clock, result_class, safe, secs, sign, track_class, track_title};
use crate::debrief::model::{Mark, Report, Utterance, Visit};
use crate::debrief::sound::Shape;
use std::fmt::Write;

/// Where things stand on the timeline: styles may not stand at the elements, so each gets a rule of its own.
pub(super) struct Places {
    pub total: f64,
    pub css: String,
}

impl Places {
    pub fn at(&mut self, id: String, at: f64) -> String {
        let left = (100.0 * at / self.total).clamp(0.0, 100.0);
        let _ = write!(self.css, "#{id}{{left:{left:.4}%}}");
        id
    }

    pub fn span(&mut self, id: String, from: f64, to: f64) -> String {
        let left = (100.0 * from / self.total).clamp(0.0, 100.0);
        let width = (100.0 * (to - from) / self.total).clamp(0.0, 100.0 - left);
        let _ = write!(self.css, "#{id}{{left:{left:.4}%;width:{width:.4}%}}");
        id
    }
}

pub(super) fn ticks(places: &mut Places) -> Vec<Tick> {
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

pub(super) fn bands(report: &Report, places: &mut Places) -> Vec<Piece> {
    let band = |(n, visit): (usize, &Visit)| {
        let step = visit.step.and_then(|index| report.steps.get(index));
        let number = visit.step.map(|index| index + 1);
        let name = match visit.kind.as_str() {
            "step" => {
                let part = step.and_then(|step| step.part.as_deref());
                let part = part.map(|part| format!(" of {}", safe(part))).unwrap_or_default();
                format!("Step {}, {}{part}", number.unwrap_or(0), safe(&visit.place))
            }
            "question" => format!("Question {}", safe(&visit.place)),
            _ => safe(&visit.place.replace('-', " ")),
        };
        let critical = step.is_some_and(|step| step.critical);
        let decided = step.is_some_and(|step| step.decided.is_some());
        Piece {
            id: places.span(format!("b{n}"), visit.from, visit.to),
            from: secs(visit.from),
            to: secs(visit.to),
            label: match number {
                Some(number) if decided => format!("{number}\u{25c6}"),
                Some(number) => number.to_string(),
                None if visit.kind == "question" => "Q".into(),
                None => String::new(),
            },
            words: format!(
                "{name}{}{}: {} to {}, {:.1} s",
                if critical { ", critical" } else { "" },
                if decided { ", confirmed by decision" } else { "" },
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

pub(super) fn marks(report: &Report, places: &mut Places) -> Vec<Piece> {
    let total = places.total;
    let mut mark = |(n, mark): (usize, &Mark)| Piece {
        id: places.at(format!("m{n}"), mark.at),
        // A mark is made when an answer was heard: what led to it is what one wants to hear.
        from: secs((mark.at - 5.0).max(0.0)),
        to: secs(mark.at + 1.0),
        label: match mark.kind.as_str() {
            "refused" => "\u{2717}",
            "asked-again" => "?",
            "too-soon" => "!",
            "held" => "\u{2016}",
            "decided" => "\u{25c6}",
            "carried-on" => "\u{25b6}",
            "went-back" => "\u{21b6}",
            "reminder" => "\u{2026}",
            "contingency-began" => "\u{26a0}",
            "contingency-ended" => "\u{2690}",
            _ => "\u{2022}",
        }
        .to_string(),
        words: format!("{} at {}", safe(&mark.words), clock(mark.at)),
        ..Piece::default()
    };
    // What is in every session and says nothing more than its neighbours stays in the list below.
    let worth = |mark: &&Mark| !matches!(mark.kind.as_str(), "note" | "obeyed");
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

pub(super) fn lanes(report: &Report, shapes: &[Shape], places: &mut Places) -> Vec<Lane> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_outline_of_silence_is_flat_and_ends_with_the_sound() {
        let shape = Shape { peaks: vec![0, 32_767], audible: 1 };
        assert_eq!(drawn(&shape, 1.0, 2.0), ("M0 100L1 4L1 197L0 101Z".to_string(), 4));
    }
}
