//! Reading a journal back, whatever state it is in.
//!
//! Owns the judgement of the chain: which lines hold, which were altered, and whether the end is there. Must not know
//! the other files or what an event means. Never panics, never writes.
//!
//! A journal that was **cut off** (a crash, a dead battery) is a beginning of a whole one: it has no closing line, and
//! perhaps a last line that breaks off before its line end. Some file systems pad such an end with NUL bytes, which
//! counts as nothing. Everything else that is wrong cannot come about by stopping, so it was **altered**.

use super::chain::{sha256_hex, split, MAX_BODY, NOTHING_BEFORE};
use super::journal::END;
use super::strict::Strict;
use super::{weight, RecordError};
use crate::files::{self, Links, Refused};
use chrono::{DateTime, FixedOffset};
use serde::de::IgnoredAny;
use serde::Deserialize;
use serde_json::Value;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

/// Largest journal read, bytes; hours of session take a few MB.
pub const MAX_JOURNAL: u64 = 1 << 28;

/// Memory that the lines of a journal may take, bytes: twice what eight hours of session do. A line counts for
/// [`LEAST_OF_LINE`] at least, so that a file of nothing but line ends is soon given up.
const MAX_MEMORY: u64 = 160 << 20;

const LEAST_OF_LINE: u64 = 256;

/// Longest line, bytes: its body and what stands around that.
const MAX_LINE: usize = MAX_BODY + 4_096;

/// Problems that are told; one more line says how many there were.
const MAX_PROBLEMS: usize = 1_000;

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

/// Reads `journal.jsonl`, line by line. Errors: `NotAFile`, `TooLarge` (more bytes, or more in them, than any session
/// writes), `NotAllowed`, `Io`; whatever else the bytes are is no error but in the `Reading`.
pub fn read(path: &Path) -> Result<Reading, RecordError> {
    const DOING: &str = "read the journal";
    let read = || -> io::Result<Reading> {
        let file = files::open(path, Links::Refuse)?;
        let bytes = file.metadata()?.len();
        if bytes > MAX_JOURNAL {
            return Err(Refused::TooLarge { bytes, most: MAX_JOURNAL }.into());
        }
        follow(BufReader::with_capacity(1 << 16, file.take(MAX_JOURNAL)), MAX_MEMORY)
    };
    read().map_err(|error| RecordError::io(DOING, path, error))
}

/// Judges a journal's bytes.
pub fn read_bytes(bytes: &[u8]) -> Reading {
    follow(bytes, u64::MAX).expect("what is in memory already can be read")
}

/// Errors: those of the reader, and `TooLarge` when the lines take more memory than `most`.
fn follow(mut bytes: impl BufRead, most: u64) -> io::Result<Reading> {
    let mut chain = Chain::new();
    let mut raw = Vec::new();
    loop {
        let end = next_line(&mut bytes, &mut raw)?;
        match end {
            End::OfLine => chain.take(&raw),
            End::OfFile => {
                let tail = chain.finish(&raw);
                return Ok(chain.into_reading(tail));
            }
            End::TooLong { ended } => {
                chain.too_long();
                if !ended {
                    let what = "the last line has no line end".to_owned();
                    let tail = Tail::CutOff { line: chain.seen, what };
                    return Ok(chain.into_reading(tail));
                }
            }
        }
        if chain.memory > most {
            return Err(Refused::TooLarge { bytes: chain.memory, most }.into());
        }
    }
}

/// Where a line stopped.
enum End {
    OfLine,
    OfFile,
    /// It went on after `MAX_LINE` bytes; `ended`: to a line end.
    TooLong {
        ended: bool,
    },
}

/// The next line without its end, no longer than `MAX_LINE`. Zeros after that are as good as nothing when nothing follows.
fn next_line(bytes: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<End> {
    line.clear();
    let mut too_long = false;
    loop {
        let piece = match bytes.fill_buf() {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            piece => piece?,
        };
        let found = piece.iter().position(|&byte| byte == b'\n');
        let part = &piece[..found.unwrap_or(piece.len())];
        let (fits, rest) = part.split_at(part.len().min(MAX_LINE - line.len()));
        line.extend_from_slice(fits);
        too_long |= rest.iter().any(|&byte| byte != 0) || (!rest.is_empty() && found.is_some());
        let (is_end, used) = (piece.is_empty(), part.len() + usize::from(found.is_some()));
        bytes.consume(used);
        match (too_long, found.is_some()) {
            (true, true) => return Ok(End::TooLong { ended: true }),
            (true, false) if is_end => return Ok(End::TooLong { ended: false }),
            (false, true) => return Ok(End::OfLine),
            (false, false) if is_end => return Ok(End::OfFile),
            _ => {}
        }
    }
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
    /// What the lines take, about, bytes.
    memory: u64,
    /// Problems too many to be told.
    untold: usize,
}

struct Next {
    n: u64,
    prev: String,
    from_ms: u64,
}

impl Chain {
    fn new() -> Chain {
        let next = Some(Next { n: 1, prev: NOTHING_BEFORE.to_owned(), from_ms: 0 });
        Chain { lines: Vec::new(), problems: Vec::new(), seen: 0, next, ended: false, memory: 0, untold: 0 }
    }

    /// Judges one line that had its line end.
    fn take(&mut self, raw: &[u8]) {
        self.seen += 1;
        if self.ended {
            self.problem("stands after the closing line".to_owned());
        }
        self.memory += LEAST_OF_LINE;
        match parse(raw, self.seen) {
            Ok(line) => self.link(line),
            Err(why) => self.no_line(&why),
        }
    }

    /// One line that goes on and on.
    fn too_long(&mut self) {
        self.seen += 1;
        self.no_line(&format!("longer than {MAX_LINE} bytes"));
    }

    fn no_line(&mut self, why: &str) {
        self.problem(format!("is no line of a journal: {why}"));
        self.next = None;
        self.ended = false;
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
        self.memory += line.memory() as u64;
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
        match self.problems.len() < MAX_PROBLEMS {
            true => self.problems.push(Problem { line: self.seen, what }),
            false => self.untold += 1,
        }
    }

    fn into_reading(mut self, tail: Tail) -> Reading {
        if self.untold > 0 {
            let what = format!("is the last of {} more with something wrong", self.untold);
            self.problems.push(Problem { line: self.seen, what });
        }
        Reading { lines: self.lines, problems: self.problems, tail }
    }
}

impl Line {
    fn memory(&self) -> usize {
        let texts = self.kind.capacity() + self.prev.capacity() + self.digest.capacity();
        std::mem::size_of::<Line>() + texts + weight::of(&self.body)
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
    if !weight::is_light(raw) {
        return Err("it has more parts than a line can have".to_owned());
    }
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
        assert!(matches!(read(root.path()), Err(RecordError::NotAFile { what: "a folder", .. })));
        assert!(matches!(read(&root.path().join("none")), Err(RecordError::Io { .. })));
    }

    #[test]
    fn a_journal_too_large_to_be_one_is_not_read() {
        let file = tempfile::NamedTempFile::new().unwrap();
        file.as_file().set_len(MAX_JOURNAL + 1).unwrap();
        assert!(matches!(read(file.path()), Err(RecordError::TooLarge { .. })));
    }

    #[test]
    fn a_line_without_end_is_no_line_and_takes_no_memory() {
        let long = b"x".repeat(3 * MAX_LINE);
        for (bytes, lines) in [([&long[..], b"\n"].concat(), 1), ([b"\n", &long[..]].concat(), 2)] {
            let reading = read_bytes(&bytes);
            assert!(reading.problems.iter().any(|one| one.line == lines && one.what.contains("longer than")));
        }
        // A disk's padding may be longer than any line.
        let padded = [br#"{"n":1,"at":"20"#.as_slice(), &vec![0; 3 * MAX_LINE]].concat();
        let reading = read_bytes(&padded);
        assert!(reading.problems.is_empty() && matches!(reading.tail, Tail::CutOff { line: 1, .. }));
    }

    #[test]
    fn problems_without_end_are_counted_and_not_all_told() {
        let lines = b"\n".repeat(1_000_000);
        let reading = read_bytes(&lines);
        assert_eq!(reading.problems.len(), MAX_PROBLEMS + 1);
        assert!(reading.problems[MAX_PROBLEMS].what.contains("999000 more"), "{:?}", reading.problems.last());
        assert!(follow(&lines[..], MAX_MEMORY).is_err());
    }

    #[test]
    fn lines_that_take_more_memory_than_a_session_are_refused() {
        let body = serde_json::json!({"a": "b"});
        let (at, mut bytes, mut prev) =
            (chrono::Utc::now().fixed_offset(), Vec::new(), NOTHING_BEFORE.to_owned());
        for n in 1..=100 {
            let event = super::super::chain::Event { n, at, ms: 0, kind: "note" };
            let (line, digest) = super::super::chain::compose(&event, &body, &prev).unwrap();
            bytes.extend_from_slice(&line);
            prev = digest;
        }
        assert_eq!(follow(&bytes[..], 200_000).unwrap().lines.len(), 100);
        let error = follow(&bytes[..], 50_000).unwrap_err();
        assert!(matches!(Refused::of(&error), Some(Refused::TooLarge { most: 50_000, .. })), "{error}");
    }
}
