//! The form of one journal line and the chain that ties it to the line before.
//!
//! Owns the bytes: how an event becomes a line, which bytes its digest covers, and SHA-256 in hex. Must not know
//! files or what an event means.
//!
//! # The format
//!
//! UTF-8, one event a line, every line ended by one `\n`, no other white space outside strings, keys in this order:
//! ```text
//! {"n":1,"at":"2026-11-24T23:15:00.123Z","ms":123,"kind":"heard","body":{},"prev":"<64 hex>","sha256":"<64 hex>"}
//! ```
//! | key | meaning |
//! |---|---|
//! | `n` | 1 for the first line, then one more each line |
//! | `at` | wall clock, RFC 3339 with milliseconds |
//! | `ms` | session clock, milliseconds since the session began; never less than in the line before |
//! | `kind` | what happened; the first line's is `session` and has `procedure_sha256` in its body, the last one's is `end` |
//! | | of kind `sound`: `frames` and the `sha256` of all sound up to there (see [`super::tracks::Piece`]) |
//! | | of kind `moved`: the record was damaged, and went on in this folder (see [`super::moved::Moved`]) |
//! | `body` | anything; a number that is not finite is written as `null` |
//! | `prev` | the `sha256` of the line before; 64 zeros in the first line |
//! | `sha256` | SHA-256 (FIPS 180-4), lower-case hex, of the line's bytes before the last `,"sha256":"` |
//!
//! So it can be checked without this program, by any POSIX shell with `sha256sum`, in the session's folder
//! ([`CHECK_BY_HAND`]); it prints one line for each thing wrong, then the last digest:
//! ```sh
#![doc = include_str!("check.sh")]
//! ```

use super::RecordError;
use crate::files::{self, Links};
use chrono::{DateTime, Datelike, FixedOffset, SecondsFormat};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::io::{self, Read, Write};
use std::path::Path;

/// The `prev` of the first line.
pub const NOTHING_BEFORE: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// The shell commands that check a `journal.jsonl` in the current folder.
pub const CHECK_BY_HAND: &str = include_str!("check.sh");

/// What a line ends with: this, 64 hex digits, `"}`.
const DIGEST_KEY: &[u8] = br#","sha256":""#;
const LINE_END: &[u8] = br#""}"#;

/// Bytes a body may have; far more than any event needs, and a bound for the reader.
pub const MAX_BODY: usize = 1 << 20;

/// Arrays and objects a body may nest. The reader's parser gives up at 128; a line nobody can read back would look
/// altered.
pub const MAX_DEPTH: usize = 100;

/// One event before it has its digest.
pub(super) struct Event<'a> {
    pub n: u64,
    pub at: DateTime<FixedOffset>,
    pub ms: u64,
    pub kind: &'a str,
}

/// The whole line, `\n` included, and its digest.
pub(super) fn compose(
    event: &Event,
    body: &(impl Serialize + ?Sized),
    prev: &str,
) -> Result<(Vec<u8>, String), RecordError> {
    let Event { n, at, ms, kind } = event;
    let refuse = |why: String| RecordError::Event { kind: (*kind).to_owned(), why };
    if !(0..=9999).contains(&at.year()) {
        return Err(refuse(format!("RFC 3339 has no year {}", at.year())));
    }
    let mut guarded = OneLine::default();
    serde_json::to_writer(&mut guarded, body).map_err(|error| refuse(error.to_string()))?;
    let kind = serde_json::to_string(kind).map_err(|error| refuse(error.to_string()))?;
    let at = at.to_rfc3339_opts(SecondsFormat::Millis, true);
    let mut line = format!(r#"{{"n":{n},"at":"{at}","ms":{ms},"kind":{kind},"body":"#).into_bytes();
    line.extend_from_slice(&guarded.bytes);
    line.extend_from_slice(format!(r#","prev":"{prev}""#).as_bytes());
    let digest = sha256_hex(&line);
    line.extend_from_slice(DIGEST_KEY);
    line.extend_from_slice(digest.as_bytes());
    line.extend_from_slice(LINE_END);
    line.push(b'\n');
    Ok((line, digest))
}

/// A line (without its `\n`) as the bytes its digest covers and the digest it states. `None` when it doesn't end as
/// a line must.
pub(super) fn split(line: &[u8]) -> Option<(&[u8], &str)> {
    let rest = line.strip_suffix(LINE_END)?;
    let (rest, digest) = rest.split_at_checked(rest.len().checked_sub(64)?)?;
    let covered = rest.strip_suffix(DIGEST_KEY)?;
    Some((covered, std::str::from_utf8(digest).ok()?))
}

/// SHA-256 in lower-case hex.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// SHA-256 of a whole file, in lower-case hex, read in pieces.
pub fn sha256_file(path: &Path) -> io::Result<String> {
    let mut file = files::open(path, Links::Refuse)?;
    let mut hasher = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    loop {
        match file.read(&mut piece) {
            Ok(0) => return Ok(hex(&hasher.finalize())),
            Ok(count) => hasher.update(&piece[..count]),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

pub(super) fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    bytes
        .iter()
        .flat_map(|byte| [DIGITS[usize::from(byte >> 4)], DIGITS[usize::from(byte & 15)]])
        .map(char::from)
        .collect()
}

/// Takes JSON as it is written and refuses what could not be read back from one line. It looks while the serializer
/// is still at work, so that a body nested without end is stopped before the stack is.
#[derive(Default)]
struct OneLine {
    bytes: Vec<u8>,
    depth: usize,
    in_string: bool,
    escaped: bool,
}

impl Write for OneLine {
    fn write(&mut self, piece: &[u8]) -> io::Result<usize> {
        if self.bytes.len() + piece.len() > MAX_BODY {
            return Err(io::Error::other(format!("longer than {MAX_BODY} bytes")));
        }
        for &byte in piece {
            self.look_at(byte)?;
        }
        self.bytes.extend_from_slice(piece);
        Ok(piece.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl OneLine {
    fn look_at(&mut self, byte: u8) -> io::Result<()> {
        // JSON text of our own making has no raw control character; ready-made JSON handed through might.
        if byte < b' ' {
            return Err(io::Error::other("a raw control character"));
        }
        if self.in_string {
            match byte {
                _ if self.escaped => self.escaped = false,
                b'\\' => self.escaped = true,
                b'"' => self.in_string = false,
                _ => {}
            }
            return Ok(());
        }
        match byte {
            b'"' => self.in_string = true,
            b'[' | b'{' => self.depth += 1,
            b']' | b'}' => self.depth = self.depth.saturating_sub(1),
            _ => {}
        }
        if self.depth > MAX_DEPTH {
            return Err(io::Error::other(format!("nested deeper than {MAX_DEPTH}")));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at() -> DateTime<FixedOffset> {
        DateTime::parse_from_rfc3339("2026-11-24T23:15:00.123Z").expect("a valid time")
    }

    fn composed(kind: &str, body: &impl Serialize) -> Result<(Vec<u8>, String), RecordError> {
        compose(&Event { n: 1, at: at(), ms: 123, kind }, body, NOTHING_BEFORE)
    }

    /// FIPS 180-4 (NIST's published example values for SHA-256), and the million 'a' of the same examples.
    #[test]
    fn sha256_agrees_with_the_published_examples() {
        let examples: [(&str, &str); 3] = [
            ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
            (
                "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
        ];
        for (message, digest) in examples {
            assert_eq!(sha256_hex(message.as_bytes()), digest, "{message:?}");
        }
        let million = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0";
        assert_eq!(sha256_hex(&[b'a'; 1_000_000]), million);
    }

    #[test]
    fn a_file_has_the_digest_of_its_bytes() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), [b'a'; 1_000_000]).unwrap();
        assert_eq!(sha256_file(file.path()).unwrap(), sha256_hex(&[b'a'; 1_000_000]));
    }

    #[test]
    fn a_line_reads_as_documented() {
        let (line, digest) = composed("heard", &serde_json::json!({"post": "worker"})).unwrap();
        let text = format!(
            r#"{{"n":1,"at":"2026-11-24T23:15:00.123Z","ms":123,"kind":"heard","body":{{"post":"worker"}},"prev":"{NOTHING_BEFORE}""#
        );
        assert_eq!(digest, sha256_hex(text.as_bytes()));
        assert_eq!(String::from_utf8(line).unwrap(), format!("{text},\"sha256\":\"{digest}\"}}\n"));
    }

    #[test]
    fn a_body_that_looks_like_the_end_of_a_line_does_not_move_it() {
        let fake = serde_json::json!({"sha256": "f".repeat(64), "text": r#","sha256":"ff"}"#});
        let (line, digest) = composed("note", &fake).unwrap();
        let (covered, stated) = split(&line[..line.len() - 1]).unwrap();
        assert_eq!(stated, digest);
        assert_eq!(sha256_hex(covered), digest);
        assert!(covered.ends_with(format!(r#","prev":"{NOTHING_BEFORE}""#).as_bytes()));
    }

    #[test]
    fn newlines_control_characters_and_infinities_stay_on_one_line() {
        let body =
            ("a\nb\r\n\u{0}\u{1b}[31m\u{2028}\u{85}", [f64::NAN, f64::INFINITY, -0.0], f32::NEG_INFINITY);
        let (line, _) = composed("odd\nkind", &body).unwrap();
        assert_eq!(line.iter().filter(|&&byte| byte < b' ').count(), 1);
        let value: serde_json::Value = serde_json::from_slice(&line).unwrap();
        assert_eq!(value["kind"], "odd\nkind");
        assert_eq!(value["body"][0], "a\nb\r\n\u{0}\u{1b}[31m\u{2028}\u{85}");
        assert_eq!(value["body"][1], serde_json::json!([null, null, -0.0]));
        assert_eq!(value["body"][2], serde_json::Value::Null);
    }

    fn nested(depth: usize) -> serde_json::Value {
        (1..depth).fold(serde_json::json!([]), |inner, _| serde_json::json!([inner]))
    }

    #[test]
    fn nesting_is_written_as_deep_as_it_can_be_read_and_refused_beyond() {
        let (line, _) = composed("deep", &nested(MAX_DEPTH)).unwrap();
        assert!(serde_json::from_slice::<serde_json::Value>(&line).is_ok());
        assert!(matches!(composed("deep", &nested(MAX_DEPTH + 1)), Err(RecordError::Event { .. })));
        assert!(composed("flat", &"[".repeat(1000)).is_ok(), "brackets in a string don't nest");
    }

    /// Serializes as a list within a list without end.
    struct Endless;
    impl Serialize for Endless {
        fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
            [Endless].serialize(serializer)
        }
    }

    #[test]
    fn a_body_without_end_is_refused_before_the_stack_runs_out() {
        assert!(matches!(composed("endless", &Endless), Err(RecordError::Event { .. })));
    }

    #[test]
    fn a_body_that_is_too_long_or_no_json_is_refused() {
        assert!(composed("long", &"x".repeat(MAX_BODY - 2)).is_ok());
        assert!(matches!(composed("long", &"x".repeat(MAX_BODY - 1)), Err(RecordError::Event { .. })));
        let pairs = std::collections::BTreeMap::from([((1, 2), 3)]);
        assert!(matches!(composed("pairs", &pairs), Err(RecordError::Event { .. })));
    }

    #[test]
    fn what_does_not_end_like_a_line_is_not_split() {
        let (line, _) = composed("note", &1).unwrap();
        assert!(split(&line).is_none(), "the line end is not part of it");
        for bytes in [&b""[..], b"\"}", b"{}", &line[..line.len() - 2], &[0xff; 200]] {
            assert!(split(bytes).is_none(), "{bytes:?}");
        }
    }
}
