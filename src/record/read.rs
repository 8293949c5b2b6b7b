//! Reading a journal back, whatever state it is in.
//!
//! Owns the judgement of the chain: which lines hold, which were altered, and whether the end is there. Must not know
//! the other files or what an event means. Never panics, never writes.
//!
//! A journal that was **cut off** (a crash, a dead battery) is a beginning of a whole one: it has no closing line, and
//! perhaps a last line that breaks off before its line end. Some file systems pad such an end with NUL bytes, which
//! counts as nothing. Everything else that is wrong cannot come about by stopping, so it was **altered**.

use super::chain::{sha256_hex, split, NOTHING_BEFORE};
use super::journal::END;
use super::strict::Strict;
use super::RecordError;
use chrono::{DateTime, FixedOffset};
use serde::de::IgnoredAny;
use serde::Deserialize;
use serde_json::Value;
use std::fs;
use std::path::Path;

/// Largest journal read, bytes; hours of session take a few MB.
pub const MAX_JOURNAL: u64 = 1 << 28;

/// One event as it was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Where it stands in the file, from 1.
    pub line: usize,
    pub n: u64,
    pub at: DateTime<FixedOffset>,
    /// Session clock, ms.
    pub ms: u64,
    pub kind: String,
    pub body: Value,
    pub prev: String,
    pub digest: String,
    /// Whether the digest fits the line. What an unsound line says is not to be trusted.
    pub sound: bool,
}

/// Something that cannot come about by stopping.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Where, from 1.
    pub line: usize,
    pub what: String,
}

/// How the journal ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tail {
    /// With its closing line.
    Whole,
    /// Before it: in or after line `line` (0: before the first).
    CutOff { line: usize, what: String },
}

/// A journal read back.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Every line that could be read, unsound ones included.
    pub lines: Vec<Line>,
    /// In the order of the file; empty unless the journal was altered.
    pub problems: Vec<Problem>,
    pub tail: Tail,
}

impl Reading {
    /// The closing line, when it is there and sound.
    pub fn end(&self) -> Option<&Line> {
        self.lines.last().filter(|line| self.tail == Tail::Whole && line.sound)
    }
}

/// Reads `journal.jsonl`. Errors: `NoSession` when it is no file, `TooLarge`, `NotAllowed`, `Io`; whatever the bytes
/// are is no error but in the `Reading`.
pub fn read(path: &Path) -> Result<Reading, RecordError> {
    const DOING: &str = "read the journal";
    let meta = fs::metadata(path).map_err(|error| RecordError::io(DOING, path, error))?;
    if !meta.is_file() {
        return Err(RecordError::NoSession { path: path.to_owned(), why: "not a file".to_owned() });
    }
    if meta.len() > MAX_JOURNAL {
        return Err(RecordError::TooLarge { path: path.to_owned(), bytes: meta.len(), limit: MAX_JOURNAL });
    }
    fs::read(path).map(|bytes| read_bytes(&bytes)).map_err(|error| RecordError::io(DOING, path, error))
}

/// Judges a journal's bytes.
pub fn read_bytes(bytes: &[u8]) -> Reading {
    let whole = bytes.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
    let (whole, rest) = bytes.split_at(whole);
    let mut chain = Chain::new();
    for line in whole.split_inclusive(|&byte| byte == b'\n') {
        chain.take(&line[..line.len() - 1]);
    }
    let tail = chain.finish(rest);
    Reading { lines: chain.lines, problems: chain.problems, tail }
}

/// The chain as far as it was followed.
struct Chain {
    lines: Vec<Line>,
    problems: Vec<Problem>,
    /// Lines of the file seen so far.
    seen: usize,
    /// What the next line must say; `None` after a line that could not be read.
    next: Option<Next>,
    /// The last line seen was read as the closing one.
    ended: bool,
}

struct Next {
    n: u64,
    prev: String,
    from_ms: u64,
}

impl Chain {
    fn new() -> Chain {
        let next = Some(Next { n: 1, prev: NOTHING_BEFORE.to_owned(), from_ms: 0 });
        Chain { lines: Vec::new(), problems: Vec::new(), seen: 0, next, ended: false }
    }

    /// Judges one line that had its line end.
    fn take(&mut self, raw: &[u8]) {
        self.seen += 1;
        if self.ended {
            self.problem("stands after the closing line".to_owned());
        }
        match parse(raw, self.seen) {
            Ok(line) => self.link(line),
            Err(why) => {
                self.problem(format!("is no line of a journal: {why}"));
                self.next = None;
                self.ended = false;
            }
        }
    }

    fn link(&mut self, line: Line) {
        let expected = self.next.take();
        if !line.sound {
            self.problem("does not fit its own sha256".to_owned());
        } else if let Some(next) = &expected {
            if line.n != next.n {
                self.problem(format!("is number {} where {} was due", line.n, next.n));
            }
            if line.prev != next.prev {
                self.problem("does not follow the line before it (prev)".to_owned());
            }
            if line.ms < next.from_ms {
                self.problem(format!("goes back in time, from {} ms to {} ms", next.from_ms, line.ms));
            }
        }
        // After an unsound line the chain is picked up where that line stood before it was altered, as far as can be
        // known, so that one change is told once.
        self.next = Some(match expected {
            Some(next) if !line.sound => {
                Next { n: next.n.saturating_add(1), prev: line.digest.clone(), from_ms: next.from_ms }
            }
            _ => Next { n: line.n.saturating_add(1), prev: line.digest.clone(), from_ms: line.ms },
        });
        self.ended = line.kind == END;
        self.lines.push(line);
    }

    /// Judges what stands after the last line end, and with it the tail.
    fn finish(&mut self, rest: &[u8]) -> Tail {
        let padding = rest.iter().rev().take_while(|&&byte| byte == 0).count();
        let text = &rest[..rest.len() - padding];
        if rest.is_empty() && self.ended {
            return Tail::Whole;
        }
        let cut = |line: usize, what: &str| Tail::CutOff { line, what: what.to_owned() };
        if text.is_empty() {
            return match self.seen {
                0 => cut(0, "the journal is empty"),
                seen if self.ended => cut(seen, "the closing line is followed by padding"),
                seen => cut(seen, "this is the last line, and not the closing one"),
            };
        }
        if !breaks_off(text) || self.ended {
            // A whole line that lacks only its line end is as good as any; whatever else stands here was put here.
            self.take(text);
            return cut(self.seen, "the last line has no line end");
        }
        cut(self.seen + 1, "the last line breaks off")
    }

    fn problem(&mut self, what: String) {
        self.problems.push(Problem { line: self.seen, what });
    }
}

/// Whether this is the beginning of a JSON text.
fn breaks_off(text: &[u8]) -> bool {
    let eof = |text: &[u8]| serde_json::from_slice::<IgnoredAny>(text).is_err_and(|error| error.is_eof());
    // The parser takes a number cut after its sign or its 'e' for a wrong one; with a digit more it is one that is
    // still within an unfinished object.
    eof(text) || eof(&[text, b"0"].concat())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Fields {
    n: u64,
    at: DateTime<FixedOffset>,
    ms: u64,
    kind: String,
    body: Strict,
    prev: String,
    sha256: String,
}

fn parse(raw: &[u8], line: usize) -> Result<Line, String> {
    let (covered, stated) = split(raw).ok_or_else(|| "it does not end with a sha256".to_owned())?;
    let sound = sha256_hex(covered) == stated;
    let Fields { n, at, ms, kind, body: Strict(body), prev, sha256 } =
        serde_json::from_slice(raw).map_err(|error| error.to_string())?;
    Ok(Line { line, n, at, ms, kind, body, prev, digest: sha256, sound })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_journal_is_cut_off() {
        let reading = read_bytes(b"");
        assert!(reading.lines.is_empty() && reading.problems.is_empty());
        assert!(matches!(reading.tail, Tail::CutOff { line: 0, .. }));
    }

    #[test]
    fn padding_left_by_a_power_cut_is_a_cut_and_no_alteration() {
        for bytes in [&[0; 4096][..], b"{\"n\":1,\"at\":\"20\0\0\0\0"] {
            let reading = read_bytes(bytes);
            assert!(reading.problems.is_empty(), "{reading:?}");
            assert!(matches!(reading.tail, Tail::CutOff { .. }));
        }
    }

    #[test]
    fn a_number_may_break_off_anywhere() {
        for text in ["{\"a\":-", "{\"a\":-0.", "{\"a\":1e", "{\"a\":1e-", "{\"a\":[1E+"] {
            let reading = read_bytes(text.as_bytes());
            assert!(reading.problems.is_empty(), "{text}");
        }
    }

    #[test]
    fn garbage_is_altered_with_or_without_a_line_end() {
        for bytes in ["hello\n", "hello", "\n", "{}\n", "{}", "[1]\n{\"n\":", "\u{feff}{\"n\":1"] {
            assert!(!read_bytes(bytes.as_bytes()).problems.is_empty(), "{bytes:?}");
        }
    }

    #[test]
    fn what_is_no_file_is_an_error_and_no_reading() {
        let root = tempfile::tempdir().unwrap();
        assert!(matches!(read(root.path()), Err(RecordError::NoSession { .. })));
        assert!(matches!(read(&root.path().join("none")), Err(RecordError::Io { .. })));
    }

    #[test]
    fn a_journal_too_large_to_be_one_is_not_read() {
        let file = tempfile::NamedTempFile::new().unwrap();
        file.as_file().set_len(MAX_JOURNAL + 1).unwrap();
        assert!(matches!(read(file.path()), Err(RecordError::TooLarge { .. })));
    }
}
