//! Proofing: what is doubtful about a procedure before anybody relies on it, by its structure and by ear.
//!
//! Owns the findings and what is compared with what. Pure: it is handed a checked procedure, its text and a way to look
//! words up. Must not know engines, files or how findings are shown.

mod book;
mod calls;
mod ear;
mod hidden;
pub mod matrix;
mod moments;
pub mod risk;
mod structure;
pub mod voices;
mod ways;
mod wording;
mod words;

pub use book::{Book, Rival, RivalKind, Standing};
pub use moments::{moments, Moment};

use crate::procedure::{parse, Place, Procedure};
use serde::Serialize;
use unicode_normalization::char::is_combining_mark;

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Could be better.
    Advice,
    /// Should be changed before anybody relies on it.
    Warning,
    /// A session can't be run with it, or people could be hurt.
    Error,
}

impl Level {
    pub fn name(self) -> &'static str {
        match self {
            Level::Advice => "advice",
            Level::Warning => "warning",
            Level::Error => "error",
        }
    }
}

/// What was found, and where.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    pub level: Level,
    /// Short name of the rule, as in docs/lint.md.
    pub rule: &'static str,
    /// `None`: the whole file, or something built in.
    pub at: Option<Place>,
    pub what: String,
    pub why: String,
    pub fix: String,
    /// The other place a finding is about, and what is there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub also: Option<(Place, String)>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pair: Option<Pair>,
}

/// Two texts that sound alike, one above the other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    pub said: String,
    pub taken_for: String,
    /// Phones of both, a column each, blank where one has none.
    pub said_phones: Vec<String>,
    pub taken_phones: Vec<String>,
    /// Estimated, 0 to 1.
    pub risk: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub better: Option<Better>,
}

/// Another wording that was tried, and what remains of the risk: with all that may be said at the same moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Better {
    pub instead_of: String,
    pub text: String,
    pub risk: f64,
}

impl Finding {
    fn new(level: Level, rule: &'static str, at: Place, what: impl Into<String>) -> Finding {
        Finding {
            level,
            rule,
            at: (at != Place::BUILT_IN).then_some(at),
            what: what.into(),
            why: String::new(),
            fix: String::new(),
            also: None,
            pair: None,
        }
    }
    fn why(mut self, why: impl Into<String>) -> Finding {
        self.why = why.into();
        self
    }
    fn fix(mut self, fix: impl Into<String>) -> Finding {
        self.fix = fix.into();
        self
    }
}

/// Looks a word up: every way to say it, in the numbers of `parse::ARPABET`; none when it is not known.
pub type LookUp<'a> = dyn Fn(&str) -> Vec<Vec<u8>> + 'a;
/// Guesses how a word that is not known is said.
pub type Guess<'a> = dyn Fn(&str) -> Option<Vec<u8>> + 'a;

/// Everything that is doubtful, in the order of the file. `source` is the procedure's text.
pub fn check(procedure: &Procedure, source: &str, look_up: &LookUp, guess: &Guess) -> (Vec<Finding>, Book) {
    let lines: Vec<&str> = source.split('\n').collect();
    let book = Book::of(procedure, look_up);
    let mut found = structure::check(procedure, &lines);
    found.extend(ways::check(procedure, &lines));
    found.extend(calls::check(procedure, &lines));
    found.extend(hidden::check(&lines));
    found.extend(words::check(procedure, &lines));
    if english(procedure) {
        found.extend(ear::check(procedure, &lines, &book, look_up, guess));
    } else {
        let what = format!("the phrases are not checked by ear in {:?}", procedure.language);
        let finding = Finding::new(Level::Advice, "not-by-ear", Place::BUILT_IN, what);
        found.push(
            finding
                .why("the pronouncing dictionary is of English")
                .fix("rehearse it in this language, with the voices and the noise of your unit"),
        );
    }
    in_order(&mut found);
    (found, book)
}

/// In the order of the file, at the same place the worst first.
pub fn in_order(found: &mut [Finding]) {
    found.sort_by(|a, b| (a.at, b.level, a.rule).cmp(&(b.at, a.level, b.rule)));
}

/// Whether the procedure is spoken in English.
pub fn english(procedure: &Procedure) -> bool {
    procedure.language.split('-').next().is_some_and(|primary| primary.eq_ignore_ascii_case("en"))
}

/// Where a key of a step or question stands, of which only the first line is known.
fn key_place(lines: &[&str], table: Place, key: &str) -> Place {
    let is_key = |line: &str| {
        line.trim_start().strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='))
    };
    let rest = lines.iter().enumerate().skip(table.line);
    let mut within = rest.take_while(|(_, line)| !line.trim_start().starts_with('['));
    within.find(|(_, line)| is_key(line)).map_or(table, |(number, line)| {
        let before = line.chars().take_while(|c| c.is_whitespace()).count();
        Place { line: number + 1, column: before + 1 }
    })
}

/// Where a word of a phrase stands in a line, from a place on; the place itself when it is not found.
fn word_place(lines: &[&str], at: Place, word: &str) -> Place {
    if at == Place::BUILT_IN {
        return at;
    }
    let line = lines.get(at.line - 1).copied().unwrap_or_default();
    let is_part = |c: &char| c.is_alphanumeric() || is_combining_mark(*c) || matches!(c, '\'' | '\u{2019}');
    let mut column = at.column;
    let mut rest = line.chars().skip(at.column - 1).peekable();
    while let Some(first) = rest.next() {
        let from = column;
        column += 1;
        if is_part(&first) && first != '\'' {
            let mut written = String::from(first);
            while let Some(c) = rest.next_if(is_part) {
                written.push(c);
                column += 1;
            }
            // However it was typed: capitals, letters with marks in one piece or two.
            if parse::words(&written).is_ok_and(|written| written == word) {
                return Place { line: at.line, column: from };
            }
        }
    }
    at
}

#[cfg(test)]
mod tests;
