//! Slots: `{size}` in a phrase, and the closed lists that may stand for it.
//!
//! Owns how a phrase with slots becomes plain phrases, and how many it may become. Must not know who says them.

use super::error::Sink;
use super::fields::{nearest, Text};
use super::raw::RawSlot;
use super::words::words;
use crate::procedure::{Slot, SlotKind};

/// Plain phrases that one phrase with slots may become: two digits are 100. All of them are listened for at once.
pub const MAX_WAYS: usize = 120;
/// Words of one slot. Nobody remembers more.
const MAX_WORDS: usize = 60;
const DIGITS: [&str; 10] = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];
/// More digits make more phrases than `MAX_WAYS`.
const MAX_DIGITS: f64 = 2.0;

pub(super) fn has_slots(raw: &Text) -> bool {
    raw.get_ref().contains(['{', '}'])
}

/// The `[slot]` table.
pub(super) fn read(sink: &mut Sink, raw: &[RawSlot], english: bool) -> Vec<Slot> {
    let mut slots = vec![];
    for slot in raw {
        let id = super::values::ident(sink, Some(&slot.id), "a slot's name");
        let kind = match (&slot.words, &slot.digits) {
            (Some(words), None) => Some(SlotKind::Words(closed_list(sink, words))),
            (None, Some(count)) => digits(sink, count, english),
            _ => {
                sink.report(
                    slot.id.span(),
                    format!("the slot `{id}` needs either words or digits"),
                    "what may stand in it is a closed list",
                    "write words = [\"small\", \"large\"], or digits = 2".into(),
                );
                None
            }
        };
        slots.extend(kind.filter(|_| !id.is_empty()).map(|kind| Slot { id, kind }));
    }
    slots
}

fn closed_list(sink: &mut Sink, raw: &[Text]) -> Vec<String> {
    let mut list: Vec<String> = vec![];
    for word in raw {
        match words(word.get_ref()) {
            Err(error) => sink.report(word.span(), error.to_string(), error.why(), error.fix().into()),
            Ok(text) if list.contains(&text) => sink.report(
                word.span(),
                format!("the value \"{text}\" stands here twice"),
                "once is enough, and a second one may hide a slip",
                "delete one".into(),
            ),
            Ok(text) => list.push(text),
        }
    }
    if let Some(over) = raw.get(MAX_WORDS) {
        let what = format!("a slot has {} words; at most {MAX_WORDS} are allowed", raw.len());
        sink.report(over.span(), what, "nobody can keep track of more", "leave some out".into());
    }
    if raw.len() < 2 {
        if let Some(first) = raw.first() {
            let why = "with one word there is nothing to fill in";
            sink.report(
                first.span(),
                "a slot has fewer than two words".into(),
                why,
                "add another, or write the word into the phrase".into(),
            );
        }
    }
    list
}

fn digits(sink: &mut Sink, raw: &toml::Spanned<f64>, english: bool) -> Option<SlotKind> {
    let count = super::values::whole(sink, "digits", raw, 1.0..=MAX_DIGITS);
    if !english {
        sink.report(
            raw.span(),
            "digits can be named in English only".into(),
            "the program knows no other language's digits",
            "write words = [...] with the numbers as they are said".into(),
        );
        return None;
    }
    Some(SlotKind::Digits(count as usize))
}

/// What may stand in a slot: the words said and the value meant.
fn ways(kind: &SlotKind) -> Vec<(String, String)> {
    match kind {
        SlotKind::Words(words) => words.iter().map(|word| (word.clone(), word.clone())).collect(),
        SlotKind::Digits(count) => {
            let mut all = vec![(String::new(), String::new())];
            for _ in 0..*count {
                let longer = |(said, value): &(String, String)| {
                    let (said, value) = (said.clone(), value.clone());
                    DIGITS.iter().enumerate().map(move |(digit, word)| {
                        (format!("{said} {word}").trim().to_owned(), format!("{value}{digit}"))
                    })
                };
                all = all.iter().flat_map(longer).collect();
            }
            all
        }
    }
}

/// Text and values of one way to fill a phrase.
type Way = (String, Vec<(String, String)>);

/// The phrase in its one form with its slots, and every way to fill them. `None` when it was reported.
pub(super) fn fill(sink: &mut Sink, raw: &Text, slots: &[Slot]) -> Option<(String, Vec<Way>)> {
    let pieces = pieces(sink, raw, slots)?;
    let count: usize =
        pieces.iter().map(|piece| piece.slot.map_or(1, |slot| ways(&slot.kind).len())).product();
    if count > MAX_WAYS {
        let why = format!("each way to say it is listened for by itself; at most {MAX_WAYS} are allowed");
        sink.report(
            raw.span(),
            format!("the slots make {count} phrases of this one"),
            &why,
            "use fewer slots, or shorter lists".into(),
        );
        return None;
    }
    let mut all: Vec<Way> = vec![(String::new(), vec![])];
    let mut pattern = String::new();
    for piece in &pieces {
        pattern += &piece.before;
        let Some(slot) = piece.slot else {
            all.iter_mut().for_each(|(text, _)| text.push_str(&piece.before));
            continue;
        };
        pattern += &format!("{{{}}}", slot.id);
        let longer = |(text, values): &Way| {
            let (text, values) = (text.clone(), values.clone());
            ways(&slot.kind).into_iter().map(move |(said, value)| {
                let mut values = values.clone();
                values.push((slot.id.clone(), value));
                (format!("{text}{} {said} ", piece.before), values)
            })
        };
        all = all.iter().flat_map(longer).collect();
    }
    let pattern = pattern.split_whitespace().collect::<Vec<_>>().join(" ");
    Some((pattern, all))
}

/// Text, and the slot after it.
struct Piece<'s> {
    before: String,
    slot: Option<&'s Slot>,
}

fn pieces<'s>(sink: &mut Sink, raw: &Text, slots: &'s [Slot]) -> Option<Vec<Piece<'s>>> {
    let mut pieces: Vec<Piece> = vec![];
    let mut rest = raw.get_ref().as_str();
    while let Some((before, after)) = rest.split_once('{') {
        let Some((id, after)) = after.split_once('}').filter(|(id, _)| !id.contains('{')) else {
            report_braces(sink, raw);
            return None;
        };
        let Some(slot) = slots.iter().find(|slot| slot.id == id) else {
            let known: Vec<&str> = slots.iter().map(|slot| slot.id.as_str()).collect();
            let fix = match nearest(id, &known) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("add a table [slot.{}] with words or digits", id.escape_debug()),
            };
            let what = format!("there is no slot `{}`", id.escape_debug());
            sink.report(raw.span(), what, "nobody knows what may stand there", fix);
            return None;
        };
        if pieces.iter().any(|piece| piece.slot.is_some_and(|other| other.id == id)) {
            let what = format!("the slot `{id}` stands in the phrase twice");
            sink.report(raw.span(), what, "its two values could differ", "use it once".into());
            return None;
        }
        if before.contains('}') {
            report_braces(sink, raw);
            return None;
        }
        pieces.push(Piece { before: before.to_owned(), slot: Some(slot) });
        rest = after;
    }
    if rest.contains('}') {
        report_braces(sink, raw);
        return None;
    }
    pieces.push(Piece { before: rest.to_owned(), slot: None });
    Some(pieces)
}

fn report_braces(sink: &mut Sink, raw: &Text) {
    sink.report(
        raw.span(),
        "a brace has no partner".into(),
        "braces stand around the name of a slot",
        "write {name}, or delete the brace".into(),
    );
}

/// Slots have a meaning only where a value is told and kept.
pub(super) fn report_misplaced(sink: &mut Sink, raw: &Text) {
    sink.report(
        raw.span(),
        "a slot can't stand here".into(),
        "slots are for read_back and confirm",
        "write the words to be said".into(),
    );
}
