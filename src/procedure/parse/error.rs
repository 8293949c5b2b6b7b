//! What is wrong with a procedure, and how it reads: place, what, why, what to do, the line with a caret.
//!
//! Owns the wording's frame; must not know any rule of the format.

use crate::failure::{ExitCode, Failure};
use crate::procedure::Place;
use std::fmt;
use std::ops::Range;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Characters of a source line shown on either side of the place.
const SHOWN_BEFORE: usize = 60;
const SHOWN_AFTER: usize = 40;
/// Problems kept for one file; a hostile file could otherwise hold hundreds of thousands.
const MAX_PROBLEMS: usize = 100;

/// One thing that is wrong, in the words the author reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file as the user named it; empty when it is not known.
    pub file: String,
    /// `None` when the whole file is meant.
    pub at: Option<Place>,
    pub what: String,
    pub why: Option<String>,
    pub fix: Option<String>,
    /// The source line under the message.
    pub excerpt: Option<Excerpt>,
}

/// A piece of one source line and what to underline in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excerpt {
    /// Safe to print: tabs are blanks and control characters are replaced.
    pub text: String,
    /// In terminal columns, from the start of `text`.
    pub caret_from: usize,
    pub caret_width: usize,
}

impl Problem {
    /// A problem with the whole file.
    pub fn of_file(file: &str, what: impl Into<String>) -> Self {
        Problem { file: file.to_owned(), at: None, what: what.into(), why: None, fix: None, excerpt: None }
    }
    /// A problem at a place whose file is not known yet; `in_source` fills that in.
    pub fn at(place: Place, what: impl Into<String>) -> Self {
        Problem { at: (place != Place::BUILT_IN).then_some(place), ..Problem::of_file("", what) }
    }
    pub fn why(mut self, why: impl Into<String>) -> Self {
        self.why = Some(why.into());
        self
    }
    pub fn fix(mut self, fix: impl Into<String>) -> Self {
        self.fix = Some(fix.into());
        self
    }
    /// Names the file and shows the line.
    pub fn in_source(mut self, file: &str, source: &str) -> Self {
        self.file = file.to_owned();
        if let (Some(place), None) = (self.at, &self.excerpt) {
            let line = source.split('\n').nth(place.line.saturating_sub(1)).unwrap_or_default();
            let rest = line.chars().skip(place.column.saturating_sub(1));
            let quoted = rest.take_while(|c| *c != ',' && *c != ']').count();
            self.excerpt = Some(Excerpt::cut(line, place.column, quoted));
        }
        self
    }
    /// `file:line:column: what`, one line.
    pub fn headline(&self) -> String {
        let file = if self.file.is_empty() { "procedure" } else { &self.file };
        match self.at {
            Some(place) => format!("{file}:{}:{}: {}", place.line, place.column, self.what),
            None => format!("{file}: {}", self.what),
        }
    }
    fn headline_and_excerpt(&self) -> String {
        let mut text = self.headline();
        if let (Some(excerpt), Some(place)) = (&self.excerpt, self.at) {
            let number = place.line.to_string();
            let margin = " ".repeat(number.len());
            let blank = " ".repeat(excerpt.caret_from);
            let carets = "^".repeat(excerpt.caret_width);
            text += &format!("\n  {number} | {}\n  {margin} | {blank}{carets}", excerpt.text);
        }
        text
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.headline_and_excerpt())?;
        if let Some(why) = &self.why {
            write!(f, "\n  why: {why}")?;
        }
        if let Some(fix) = &self.fix {
            write!(f, "\n  do:  {fix}")?;
        }
        Ok(())
    }
}

impl Excerpt {
    /// `column` counts characters from 1; `length` is how many to underline (cut at the end of the line).
    pub fn cut(line: &str, column: usize, length: usize) -> Excerpt {
        let line = line.strip_suffix('\r').unwrap_or(line);
        let start = column.saturating_sub(1);
        let first = start.saturating_sub(SHOWN_BEFORE);
        let shown: Vec<char> =
            line.chars().skip(first).take(start - first + SHOWN_AFTER).map(printable).collect();
        let before: String = shown.iter().take(start - first).collect();
        let marked: String = shown.iter().skip(start - first).take(length.max(1)).collect();
        let marked = marked.trim_end();
        Excerpt {
            text: shown.iter().collect::<String>().trim_end().to_owned(),
            caret_from: before.width(),
            caret_width: marked.width().max(1),
        }
    }
}

/// A file may hold anything; nothing in it may steer the terminal.
fn printable(c: char) -> char {
    match c {
        '\t' => ' ',
        _ if c.width().is_none() || super::words::is_steering(c) => '\u{fffd}',
        _ => c,
    }
}

/// A whole source, safe to print, with its lines and every character of them where it was.
pub fn safely_shown(source: &str) -> String {
    let line = |line: &str| line.strip_suffix('\r').unwrap_or(line).chars().map(printable).collect();
    source.split('\n').map(line).collect::<Vec<String>>().join("\n")
}

/// All that is wrong with one procedure, in the order of the file. Never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProcedureErrors {
    pub problems: Vec<Problem>,
    /// How many more there were than are kept.
    pub more: usize,
}

impl fmt::Display for ProcedureErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            if index > 0 {
                f.write_str("\n\n")?;
            }
            write!(f, "{problem}")?;
        }
        match (self.problems.len(), self.more) {
            (1, _) => Ok(()),
            (shown, 0) => write!(f, "\n\n{shown} problems"),
            (shown, more) => write!(f, "\n\n{} problems, the first {shown} shown", shown + more),
        }
    }
}

impl std::error::Error for ProcedureErrors {}

impl From<Problem> for ProcedureErrors {
    fn from(problem: Problem) -> Self {
        ProcedureErrors { problems: vec![problem], more: 0 }
    }
}

impl From<Problem> for Failure {
    fn from(problem: Problem) -> Self {
        let mut failure = Failure::new(ExitCode::BadProcedure, problem.headline_and_excerpt());
        failure.why = problem.why;
        failure.fix = problem.fix;
        failure
    }
}

impl From<ProcedureErrors> for Failure {
    fn from(errors: ProcedureErrors) -> Self {
        match errors.problems.as_slice() {
            [problem] => problem.clone().into(),
            _ => Failure::new(ExitCode::BadProcedure, errors.to_string()),
        }
    }
}

/// Finds lines and columns, and gathers the problems found on the way.
pub(super) struct Sink<'s> {
    name: &'s str,
    source: &'s str,
    /// Byte offset at which each line starts; the first is 0.
    line_starts: Vec<usize>,
    problems: Vec<Problem>,
    more: usize,
}

/// The place of a byte offset in a file; one past the end is its last place.
pub fn place_of(source: &str, offset: usize) -> Place {
    place_among(&line_starts(source), source, offset)
}

fn line_starts(source: &str) -> Vec<usize> {
    let after_breaks = source.match_indices('\n').map(|(at, _)| at + 1);
    std::iter::once(0).chain(after_breaks).collect()
}

fn place_among(line_starts: &[usize], source: &str, offset: usize) -> Place {
    let line = line_starts.partition_point(|start| *start <= offset).max(1);
    let before = source.get(line_starts[line - 1]..offset).unwrap_or_default();
    Place { line, column: before.chars().count() + 1 }
}

impl<'s> Sink<'s> {
    pub(super) fn new(name: &'s str, source: &'s str) -> Self {
        Sink { name, source, line_starts: line_starts(source), problems: vec![], more: 0 }
    }

    pub(super) fn place(&self, offset: usize) -> Place {
        place_among(&self.line_starts, self.source, offset)
    }

    fn excerpt(&self, span: &Range<usize>) -> Excerpt {
        let place = self.place(span.start);
        let from = self.line_starts[place.line - 1];
        let line = self.source[from..].split('\n').next().unwrap_or_default();
        let marked = self.source.get(span.clone()).unwrap_or_default();
        let length = marked.split('\n').next().unwrap_or_default().chars().count();
        Excerpt::cut(line, place.column, length)
    }

    pub(super) fn report(&mut self, span: Range<usize>, what: String, why: &str, fix: String) {
        if self.problems.len() == MAX_PROBLEMS {
            self.more += 1;
            return;
        }
        let problem = Problem {
            file: self.name.to_owned(),
            at: Some(self.place(span.start)),
            what,
            why: (!why.is_empty()).then(|| why.to_owned()),
            fix: (!fix.is_empty()).then_some(fix),
            excerpt: Some(self.excerpt(&span)),
        };
        self.problems.push(problem);
    }

    pub(super) fn report_file(&mut self, what: &str, why: &str, fix: &str) {
        self.problems.push(Problem::of_file(self.name, what).why(why).fix(fix));
    }

    pub(super) fn is_empty(&self) -> bool {
        self.problems.is_empty()
    }

    /// The problems in the order of the file, those of the whole file first.
    pub(super) fn into_errors(mut self) -> ProcedureErrors {
        self.problems.sort_by_key(|problem| problem.at);
        ProcedureErrors { problems: self.problems, more: self.more }
    }
}
