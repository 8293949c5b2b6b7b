//! Single values: ids, texts, numbers, language tags, and lists that are too long.
//!
//! Owns what each may be and how a bad one is told. Must not know what it is for.

use super::error::Sink;
use super::fields::{nearest, Text};
use super::words;
use std::collections::BTreeMap;
use std::ops::{Range, RangeInclusive};
use toml::Spanned;

/// Characters of an id, which also names folders.
const MAX_ID: usize = 64;
/// Characters of one text. Nobody keeps a longer one in mind, and it would be spoken for over a minute.
const MAX_TEXT: usize = 1_000;

/// Texts a procedure may do without.
const OPTIONAL: [&str; 2] = ["unit", "opening"];

pub(super) fn suggestion(word: &str, known: &[&str], what: &str) -> String {
    match nearest(word, known) {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => format!("the file has no {what}"),
        None => format!("the {what} are: {}", known.join(", ")),
    }
}

/// A count, or the lower end of the range when it was reported.
pub(super) fn whole(sink: &mut Sink, key: &str, raw: &Spanned<f64>, range: RangeInclusive<f64>) -> u32 {
    let value = number(sink, key, raw, range);
    if value.fract() != 0.0 {
        let what = format!("`{key}` must be a whole number; here it is {value}");
        sink.report(raw.span(), what, "it is a count", format!("write {key} = {}", value.round()));
    }
    value as u32
}

/// The number, or the lower end of the range when it was reported.
pub(super) fn number(sink: &mut Sink, key: &str, raw: &Spanned<f64>, range: RangeInclusive<f64>) -> f64 {
    let value = *raw.get_ref();
    if range.contains(&value) {
        return value;
    }
    let (low, high) = (range.start(), range.end());
    let what = format!("`{key}` must be from {low} to {high}; here it is {value}");
    let unit = if key.ends_with("_s") { "it is in seconds" } else { "it is a count" };
    sink.report(raw.span(), what, unit, format!("write a number from {low} to {high}"));
    *low
}

/// A text for ears and eyes, or an empty one when it was reported.
pub(super) fn shown(sink: &mut Sink, raw: Option<&Text>, key: &str) -> String {
    let Some(raw) = raw else { return String::new() };
    let text = match words::text(raw.get_ref()) {
        Ok(text) => text,
        Err(name) => {
            sink.report(
                raw.span(),
                format!("`{key}` has a control character: {name}"),
                "it is invisible and can change how screens show the text",
                "delete it".into(),
            );
            return String::new();
        }
    };
    let length = text.chars().count();
    if text.is_empty() {
        let or = if OPTIONAL.contains(&key) { ", or leave out the line" } else { "" };
        let what = format!("`{key}` is empty");
        sink.report(raw.span(), what, "people hear or read it", format!("write it{or}"));
    } else if length > MAX_TEXT {
        let why = format!("at most {MAX_TEXT} characters can be taken in at once");
        sink.report(
            raw.span(),
            format!("`{key}` has {length} characters"),
            &why,
            "shorten or split it".into(),
        );
    }
    text
}

/// `None` when it is missing or was reported.
pub(super) fn language_tag(sink: &mut Sink, raw: Option<&Text>) -> Option<String> {
    let raw = raw?;
    if oxilangtag::LanguageTag::parse(raw.get_ref().as_str()).is_ok() {
        return Some(raw.get_ref().clone());
    }
    sink.report(
        raw.span(),
        format!("`{}` is not a language tag", raw.get_ref().escape_debug()),
        "voices and listening are chosen by it (BCP 47)",
        "write for example language = \"en\" or language = \"ko\"".into(),
    );
    None
}

pub(super) fn is_english(tag: &str) -> bool {
    tag.split('-').next().is_some_and(|primary| primary.eq_ignore_ascii_case("en"))
}

/// An id, or an empty text when it was reported.
pub(super) fn ident(sink: &mut Sink, raw: Option<&Text>, what: &str) -> String {
    let Some(raw) = raw else { return String::new() };
    let id = raw.get_ref();
    let fits = id.starts_with(|c: char| c.is_ascii_alphanumeric())
        && id.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
        && id.len() <= MAX_ID;
    if fits {
        return id.clone();
    }
    sink.report(
        raw.span(),
        format!("{what} can't be `{}`", id.escape_debug()),
        "it names files and places in the record",
        format!("use 1 to {MAX_ID} letters, digits and dashes, a letter or digit first"),
    );
    String::new()
}

pub(super) fn cap<T>(
    sink: &mut Sink,
    list: &[T],
    most: usize,
    what: &str,
    span: impl Fn(&T) -> Range<usize>,
) {
    if let Some(first_over) = list.get(most) {
        let text = format!("there are {} {what}; at most {most} are allowed", list.len());
        sink.report(
            span(first_over),
            text,
            "nobody can keep track of more",
            "leave some out or split the procedure".into(),
        );
    }
}

/// Ids of one kind seen so far, each with its line.
pub(super) struct Ids {
    kind: &'static str,
    seen: BTreeMap<String, usize>,
}

impl Ids {
    pub(super) fn new(kind: &'static str) -> Self {
        Ids { kind, seen: BTreeMap::new() }
    }
    pub(super) fn take(&mut self, sink: &mut Sink, raw: Option<&Text>) -> String {
        let name = if self.kind == "answer" { "value" } else { "id" };
        let id = ident(sink, raw, &format!("the {}'s {name}", self.kind));
        let Some(raw) = raw.filter(|_| !id.is_empty()) else { return id };
        let line = sink.place(raw.span().start).line;
        match self.seen.get(&id) {
            Some(earlier) => sink.report(
                raw.span(),
                format!("the {} {name} `{id}` is used twice", self.kind),
                &format!("line {earlier} has it already"),
                format!("give one of the two another {name}"),
            ),
            None => {
                self.seen.insert(id.clone(), line);
            }
        }
        id
    }
}
