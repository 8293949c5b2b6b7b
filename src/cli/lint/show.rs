//! Findings as people read them: file, line and column, the source line, two texts side by side.
//!
//! Owns the layout, drawn by codespan-reporting. Must not judge.

use super::super::say;
use super::File;
use crate::failure::{ExitCode, Failure};
use crate::procedure::parse::{safely_shown, Excerpt};
use crate::procedure::Place;
use crate::proof::{Finding, Level, Pair};
use crate::screen::text::{clean, columns};
use codespan_reporting::diagnostic::{Diagnostic, Label, Severity};
use codespan_reporting::files::SimpleFile;
use codespan_reporting::term::termcolor::{Buffer, BufferWriter, ColorChoice};
use codespan_reporting::term::{self, Config};
use std::io::{IsTerminal, Write};
use std::ops::Range;
use unicode_normalization::char::is_combining_mark;

/// Columns of a column of phones: the longest names have two letters.
const PHONE: usize = 3;
const HELP: &[u8] = b"help";
/// Bytes of a line that is shown whole; of a longer one a piece is.
const WHOLE_LINE: usize = 400;

pub fn findings(file: &File) -> Result<(), Failure> {
    let source = safely_shown(&file.source);
    let name = clean(&file.file);
    let simple = SimpleFile::new(&name, &source);
    // termcolor's `Auto` heeds NO_COLOR; a pipe has no colours either way.
    let colour = if std::io::stdout().is_terminal() { ColorChoice::Auto } else { ColorChoice::Never };
    let out = BufferWriter::stdout(colour);
    for finding in &file.findings {
        let mut buffer = out.buffer();
        let shown = diagnostic(finding, &name, &source);
        term::emit_to_write_style(&mut buffer, &Config::default(), &simple, &shown)
            .map_err(|error| Failure::new(ExitCode::Internal, format!("can't show a finding: {error}")))?;
        if finding.level == Level::Advice {
            call_it_advice(&mut buffer);
        }
        // Whoever reads it may have seen enough (`| head`).
        let _ = out.print(&buffer);
    }
    if file.more > 0 {
        say(&format!("{}: {} more problems\n", file.file, file.more));
    }
    Ok(())
}

/// codespan-reporting has its own names for levels, and the lowest, `help`, comes first in what it writes.
fn call_it_advice(buffer: &mut Buffer) {
    let bytes = buffer.as_mut_slice().to_vec();
    if let Some(at) = bytes.windows(HELP.len()).position(|part| part == HELP) {
        buffer.clear();
        // Writing to memory does not fail.
        let _ = buffer.write_all(&bytes[..at]);
        let _ = buffer.write_all(Level::Advice.name().as_bytes());
        let _ = buffer.write_all(&bytes[at + HELP.len()..]);
    }
}

fn diagnostic(finding: &Finding, file: &str, source: &str) -> Diagnostic<()> {
    let severity = match finding.level {
        Level::Error => Severity::Error,
        Level::Warning => Severity::Warning,
        Level::Advice => Severity::Help,
    };
    let mut labels = Vec::new();
    let mut notes: Vec<String> = Vec::new();
    let what = match finding.at.and_then(|at| Some((at, span(source, at)?))) {
        Some((_, span)) if line_of(source, &span).len() <= WHOLE_LINE => {
            labels.push(Label::primary((), span));
            finding.what.clone()
        }
        Some((at, span)) => {
            notes.push(piece(source, at, &span));
            format!("{file}:{}:{}: {}", at.line, at.column, finding.what)
        }
        None => format!("{file}: {}", finding.what),
    };
    if let Some((at, words)) = &finding.also {
        let also = span(source, *at).filter(|span| line_of(source, span).len() <= WHOLE_LINE);
        labels.extend(also.map(|span| Label::secondary((), span).with_message(words)));
    }
    notes.extend(finding.pair.iter().map(side_by_side));
    let mut note = |name: &str, words: &str| {
        if !words.is_empty() {
            notes.push(format!("{name} {words}"));
        }
    };
    note("why:", &finding.why);
    note("do: ", &finding.fix);
    Diagnostic::new(severity).with_code(finding.rule).with_message(what).with_labels(labels).with_notes(notes)
}

/// The line that a span begins in.
fn line_of<'s>(source: &'s str, span: &Range<usize>) -> &'s str {
    let from = source[..span.start].rfind('\n').map_or(0, |at| at + 1);
    source[from..].split('\n').next().unwrap_or_default()
}

/// The piece of a long line around a place, with marks under it.
fn piece(source: &str, at: Place, span: &Range<usize>) -> String {
    let marked = source[span.clone()].chars().count();
    let excerpt = Excerpt::cut(line_of(source, span), at.column, marked);
    format!("{}\n{}{}", excerpt.text, " ".repeat(excerpt.caret_from), "^".repeat(excerpt.caret_width))
}

/// The bytes of what stands at a place: a quoted text whole, or a word.
fn span(source: &str, at: Place) -> Option<Range<usize>> {
    let start: usize = source.split_inclusive('\n').take(at.line.checked_sub(1)?).map(str::len).sum();
    let line = source.get(start..)?.split('\n').next()?;
    let from = line.char_indices().nth(at.column.checked_sub(1)?).map_or(line.len(), |(byte, _)| byte);
    let rest = &line[from..];
    let mut characters = rest.char_indices();
    let end = match characters.next() {
        Some((_, quote @ ('"' | '\''))) => {
            characters.find(|(_, c)| *c == quote).map_or(rest.len(), |(byte, _)| byte + 1)
        }
        Some(_) if rest.starts_with("[[") => rest.find("]]").map_or(rest.len(), |byte| byte + 2),
        Some(_) => {
            let goes_on = |c: char| c.is_alphanumeric() || is_combining_mark(c) || "_-'\u{2019}".contains(c);
            let ends = |c: char| !goes_on(c);
            rest.find(ends)
                .filter(|byte| *byte > 0)
                .unwrap_or_else(|| rest.chars().next().map_or(0, char::len_utf8))
        }
        None => 0,
    };
    Some(start + from..start + from + end)
}

/// Both texts with their phones under each other; where they differ is marked.
fn side_by_side(pair: &Pair) -> String {
    let row = |phones: &[String]| -> String {
        phones.iter().map(|phone| format!("{:PHONE$}", if phone.is_empty() { "." } else { phone })).collect()
    };
    let marks: String = pair
        .said_phones
        .iter()
        .zip(&pair.taken_phones)
        .map(|(a, b)| if a == b { " ".repeat(PHONE) } else { format!("{:PHONE$}", "^^") })
        .collect();
    let width = columns(&pair.said).max(columns(&pair.taken_for));
    let line = |text: &str, row: &str| format!("{text}{}   {row}", " ".repeat(width - columns(text)));
    let lines = [
        line(&pair.said, &row(&pair.said_phones)),
        line(&pair.taken_for, &row(&pair.taken_phones)),
        line("", &marks),
    ];
    lines.map(|line| line.trim_end().to_string()).join("\n")
}

/// What must not be taken for each phrase.
pub fn decoys(file: &File) {
    for phrase in &file.phrases {
        let whose = phrase.by.unwrap_or("both");
        say(&format!("{} ({whose})", phrase.text));
        for decoy in &phrase.decoys {
            let risk = match decoy.risk * 100.0 {
                percent if percent < 0.1 => "<0.1 %".to_string(),
                percent => format!("{percent:.1} %"),
            };
            say(&format!("  {risk:>6}  {}", decoy.text));
        }
    }
    say("");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quoted_text_is_marked_whole_and_a_word_to_its_end() {
        let source = "a = 1\nfix = [\"für \\u00e9\", 'b']\n[[step]]\n";
        let text = |line, column| &source[span(source, Place { line, column }).unwrap()];
        assert_eq!(text(2, 8), "\"für \\u00e9\"");
        assert_eq!(text(2, 9), "für");
        assert_eq!(text(3, 1), "[[step]]");
        assert_eq!(text(2, 99), "");
        assert_eq!(span(source, Place { line: 99, column: 1 }), Some(source.len()..source.len()));
    }

    #[test]
    fn phones_stand_under_each_other_with_marks_where_they_differ() {
        let phones = |text: &str| text.split(' ').map(|phone| phone.replace('.', "")).collect();
        let pair = Pair {
            said: "gloves on".into(),
            taken_for: "glove off".into(),
            said_phones: phones("G L AH V Z AA N"),
            taken_phones: phones("G L AH V . AO F"),
            risk: 0.1,
            better: None,
        };
        let shown = side_by_side(&pair);
        let lines: Vec<&str> = shown.lines().collect();
        assert_eq!(lines[0], "gloves on   G  L  AH V  Z  AA N");
        assert_eq!(lines[1], "glove off   G  L  AH V  .  AO F");
        assert_eq!(lines[2], "                        ^^ ^^ ^^");
    }
}
