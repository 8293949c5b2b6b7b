//! The procedure that the tests of the format break or read.
// Each test file uses a part of this.
#![allow(dead_code)]

use antiphon::procedure::parse::parse;

/// The smallest procedure that uses everything; each test breaks one thing in it.
pub const BASE: &str = r#"[procedure]
id = "demo"
title = "Demo"
version = "1"
language = "en"
cautions = ["Training aid."]
closing = "The end."

[[question]]
id = "apron"
ask = "Is an apron needed?"
by = "observer"
[[question.answer]]
value = "yes"
phrase = "apron needed"
[[question.answer]]
value = "no"
phrase = "leave the apron"

[[step]]
id = "gloves"
instruction = "Put on the gloves."
look = "both wrists covered"
read_back = "inner gloves on"
confirm = "i see both wrists"
at_least_s = 20

[[step]]
id = "gown"
instruction = "Put on the gown."
look = "cuffs covered"
read_back = "gown over cuffs"
confirm = "gown is closed"
when = { apron = "yes" }
"#;

/// `BASE` with its first `from` replaced.
pub fn edit(from: &str, to: &str) -> String {
    assert!(BASE.contains(from), "BASE has no {from:?}");
    BASE.replacen(from, to, 1)
}

/// The source has exactly these problems, in these words.
#[track_caller]
pub fn says(source: &str, expected: &str) {
    let found = parse(source, "demo.toml").map(|_| "no problem").map_err(|errors| errors.to_string());
    assert_eq!(found.unwrap_err(), expected);
}
