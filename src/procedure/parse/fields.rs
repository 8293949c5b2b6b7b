//! Reads the keys of one TOML table, with their places: unknown keys, missing keys, wrong types.
//!
//! Owns what an author is told about shape; must not know what any key means.

use super::error::Sink;
use std::ops::Range;
use toml::de::{DeTable, DeValue};
use toml::Spanned;

/// At least this alike (1 is the same) for a key to be suggested; lower gives suggestions that read as nonsense.
const ALIKE: f64 = 0.7;

const NOTHING: &str = "an empty list gives nothing to work with";

/// One table of the file under reading.
pub(super) struct Fields<'t, 's> {
    /// As the author writes it: `[procedure]`, `[[step]]`.
    label: &'static str,
    span: Range<usize>,
    table: &'t DeTable<'s>,
}

/// A text with the bytes it was written in.
pub(super) type Text = Spanned<String>;

impl<'t, 's> Fields<'t, 's> {
    /// Reports every key that is not in `known`.
    pub(super) fn new(
        sink: &mut Sink,
        label: &'static str,
        span: Range<usize>,
        table: &'t DeTable<'s>,
        known: &[&str],
    ) -> Self {
        for key in table.keys() {
            if !known.contains(&key.get_ref().as_ref()) {
                report_unknown(sink, label, key.span(), key.get_ref(), known);
            }
        }
        Fields { label, span, table }
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Reports a key that is not there; `example` is what could stand to its right.
    pub(super) fn need(&self, sink: &mut Sink, key: &str, example: &str) {
        if !self.has(key) {
            let what = format!("{} has no `{key}`", self.label);
            sink.report(
                self.span.clone(),
                what,
                "it can't be guessed",
                format!("add a line: {key} = {example}"),
            );
        }
    }

    pub(super) fn text(&self, sink: &mut Sink, key: &str) -> Option<Text> {
        let value = self.table.get(key)?;
        let text = as_text(value);
        if text.is_none() {
            let fix = format!("write it in quotes: {key} = \"...\"");
            report_type(sink, key, value, "a text", fix);
        }
        text
    }

    pub(super) fn needed_text(&self, sink: &mut Sink, key: &str) -> Option<Text> {
        self.need(sink, key, "\"...\"");
        self.text(sink, key)
    }

    /// One text or a list of texts; `None` when the key is not there. An empty list is reported.
    pub(super) fn texts(&self, sink: &mut Sink, key: &str) -> Option<Vec<Text>> {
        self.table.get(key).map(|value| texts_of(sink, key, value))
    }

    pub(super) fn needed_texts(&self, sink: &mut Sink, key: &str) -> Vec<Text> {
        self.need(sink, key, "\"...\"");
        self.texts(sink, key).unwrap_or_default()
    }

    /// A whole or decimal number. `inf` and `nan` are numbers too: the range check refuses them.
    pub(super) fn number(&self, sink: &mut Sink, key: &str) -> Option<Spanned<f64>> {
        let value = self.table.get(key)?;
        let number = match value.get_ref() {
            // A whole number too large for i64 is far out of every range, as infinity is.
            DeValue::Integer(i) => {
                Some(i64::from_str_radix(i.as_str(), i.radix()).map_or(f64::INFINITY, |i| i as f64))
            }
            DeValue::Float(f) => f.as_str().parse().ok(),
            _ => None,
        };
        if number.is_none() {
            let fix = format!("write it without quotes: {key} = 20");
            report_type(sink, key, value, "a number", fix);
        }
        Some(Spanned::new(value.span(), number?))
    }

    pub(super) fn flag(&self, sink: &mut Sink, key: &str) -> Option<bool> {
        let value = self.table.get(key)?;
        if let DeValue::Boolean(flag) = value.get_ref() {
            return Some(*flag);
        }
        report_type(sink, key, value, "true or false", format!("write {key} = true, or leave the line out"));
        None
    }

    /// The pairs of an inner table, in the order of the file.
    pub(super) fn pairs(
        &self,
        sink: &mut Sink,
        key: &str,
        example: &str,
    ) -> Vec<(Text, &'t Spanned<DeValue<'s>>)> {
        let Some(value) = self.table.get(key) else { return vec![] };
        let DeValue::Table(table) = value.get_ref() else {
            report_type(sink, key, value, "a table", format!("write {example}"));
            return vec![];
        };
        let mut pairs: Vec<_> = table
            .iter()
            .map(|(key, value)| (Spanned::new(key.span(), key.get_ref().to_string()), value))
            .collect();
        pairs.sort_by_key(|(key, _)| key.span().start);
        pairs
    }

    /// An inner table with its own known keys; one that is not there reads as empty.
    pub(super) fn inner(
        &self,
        sink: &mut Sink,
        key: &str,
        label: &'static str,
        known: &[&str],
    ) -> Option<Fields<'t, 's>> {
        let value = self.table.get(key)?;
        let DeValue::Table(table) = value.get_ref() else {
            report_type(sink, key, value, "a table", format!("start it with a line {label}"));
            return None;
        };
        Some(Fields::new(sink, label, value.span(), table, known))
    }

    /// The named tables within an inner table (`[slot.size]`), each with the same known keys, in the order of the file.
    pub(super) fn tables(
        &self,
        sink: &mut Sink,
        key: &str,
        label: &'static str,
        known: &[&str],
    ) -> Vec<(Text, Fields<'t, 's>)> {
        let fix = format!("start each one with a line {label}");
        let mut tables = vec![];
        for (name, value) in self.pairs(sink, key, label) {
            match value.get_ref() {
                DeValue::Table(table) => {
                    let fields = Fields::new(sink, label, name.span(), table, known);
                    tables.push((name, fields));
                }
                _ => report_type(sink, name.get_ref(), value, "a table", fix.clone()),
            }
        }
        tables
    }

    /// The tables of a list, each with the same known keys.
    pub(super) fn each(
        &self,
        sink: &mut Sink,
        key: &str,
        label: &'static str,
        known: &[&str],
    ) -> Vec<Fields<'t, 's>> {
        let Some(value) = self.table.get(key) else { return vec![] };
        let fix = format!("start each one with a line {label}");
        let DeValue::Array(list) = value.get_ref() else {
            report_type(sink, key, value, "a list of tables", fix);
            return vec![];
        };
        if list.is_empty() {
            sink.report(value.span(), format!("`{key}` is an empty list"), NOTHING, fix.clone());
        }
        let mut tables = vec![];
        for item in list.iter() {
            match item.get_ref() {
                DeValue::Table(table) => tables.push(Fields::new(sink, label, item.span(), table, known)),
                _ => report_type(sink, key, item, "a list of tables", fix.clone()),
            }
        }
        tables
    }

    pub(super) fn span(&self) -> Range<usize> {
        self.span.clone()
    }
}

/// One text or a list of texts.
pub(super) fn texts_of(sink: &mut Sink, key: &str, value: &Spanned<DeValue>) -> Vec<Text> {
    let fix = || format!("write {key} = \"...\" or {key} = [\"...\", \"...\"]");
    let wanted = "a text or a list of texts";
    if let Some(text) = as_text(value) {
        return vec![text];
    }
    let DeValue::Array(list) = value.get_ref() else {
        report_type(sink, key, value, wanted, fix());
        return vec![];
    };
    if list.is_empty() {
        sink.report(value.span(), format!("`{key}` is an empty list"), NOTHING, fix());
    }
    let mut texts = vec![];
    for item in list.iter() {
        match as_text(item) {
            Some(text) => texts.push(text),
            None => report_type(sink, key, item, wanted, fix()),
        }
    }
    texts
}

fn as_text(value: &Spanned<DeValue>) -> Option<Text> {
    match value.get_ref() {
        DeValue::String(text) => Some(Spanned::new(value.span(), text.to_string())),
        _ => None,
    }
}

fn report_type(sink: &mut Sink, key: &str, value: &Spanned<DeValue>, wanted: &str, fix: String) {
    let found = match value.get_ref() {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    };
    sink.report(value.span(), format!("`{key}` must be {wanted}; here it is {found}"), "", fix);
}

fn report_unknown(sink: &mut Sink, label: &str, span: Range<usize>, key: &str, known: &[&str]) {
    let fix = match nearest(key, known) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("known here: {}", known.join(", ")),
    };
    // Quoted keys may hold anything, line breaks and control characters included.
    let key = key.escape_debug();
    sink.report(
        span,
        format!("{label} has no key `{key}`"),
        "a key that is not read would be lost silently",
        fix,
    );
}

/// The known word most like a mistyped one.
pub(super) fn nearest<'k>(word: &str, known: &[&'k str]) -> Option<&'k str> {
    let alike = |other: &str| strsim::jaro_winkler(&word.to_lowercase(), other);
    known
        .iter()
        .copied()
        .filter(|other| alike(other) >= ALIKE)
        .max_by(|one, two| alike(one).total_cmp(&alike(two)))
}
