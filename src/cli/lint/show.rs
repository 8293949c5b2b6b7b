//! Findings as people read them: file, line and column, the source line, two texts side by side.
//!
//! Owns the layout, drawn by codespan-reporting. Must not judge.

use super::super::say;
use super::File;
use crate::failure::{ExitCode, Failure};
use crate::procedure::parse::safely_shown;
use crate::procedure::Place;
use crate::proof::{Finding, Level, Pair};
use codespan_reporting::diagnostic::{Diagnostic, Label, Severity};
use codespan_reporting::files::SimpleFile;
use codespan_reporting::term::termcolor::{Buffer, BufferWriter, ColorChoice};
use codespan_reporting::term::{self, Config};
use std::io::{IsTerminal, Write};
use std::ops::Range;

/// Columns of a column of phones: the longest names have two letters.
const PHONE: usize = 3;
const HELP: &[u8] = b"help";

pub fn findings(file: &File) -> Result<(), Failure> {
    let source = safely_shown(&file.source);
    let simple = SimpleFile::new(&file.file, &source);
    // termcolor's `Auto` heeds NO_COLOR; a pipe has no colours either way.
    let colour = if std::io::stdout().is_terminal() { ColorChoice::Auto } else { ColorChoice::Never };
    let out = BufferWriter::stdout(colour);
    for finding in &file.findings {
        let mut buffer = out.buffer();
        let shown = diagnostic(finding, &file.file, &source);
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
    let what = match finding.at.and_then(|at| span(source, at)) {
        Some(span) => {
            labels.push(Label::primary((), span));
            finding.what.clone()
        }
        None => format!("{file}: {}", finding.what),
    };
    if let Some((at, words)) = &finding.also {
        labels.extend(span(source, *at).map(|span| Label::secondary((), span).with_message(words)));
    }
    let mut notes: Vec<String> = finding.pair.iter().map(side_by_side).collect();
    let mut note = |name: &str, words: &str| {
        if !words.is_empty() {
            notes.push(format!("{name} {words}"));
        }
    };
    note("why:", &finding.why);
    note("do: ", &finding.fix);
    Diagnostic::new(severity).with_code(finding.rule).with_message(what).with_labels(labels).with_notes(notes)
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
            let ends = |c: char| !(c.is_alphanumeric() || c == '_' || c == '-' || c == '\'');
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
    let width = pair.said.chars().count().max(pair.taken_for.chars().count());
    let lines = [
        format!("{:width$}   {}", pair.said, row(&pair.said_phones)),
        format!("{:width$}   {}", pair.taken_for, row(&pair.taken_phones)),
        format!("{:width$}   {marks}", ""),
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
