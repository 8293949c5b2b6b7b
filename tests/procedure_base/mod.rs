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

/// Every key of the format at once.
pub const EVERYTHING: &str = concat!(
    r##"[procedure]
id = "all"
title = "Everything"
version = "1"
language = "en"
unit = "Lantern Ward (invented)"
cautions = "Training aid."
opening = "We begin."
closing = "The end."

[rules]
tries = 2
reminder_s = 12.5
reminders = 2

[calls]
hold = "wait there"
carry-on = "carry on"
say-again = "say again"
go-back = "go back"
stop = ["stop stop", "stop right now"]

[refusal]
phrases = ["that is not right"]

[pronounce]
doff = ["D AO F", "D AA F"]

[decoys]
phrases = "inner gloves off"

[say]
PAPR = "powered hood"

[slot.size]
words = ["small", "medium", "large"]
[slot.tag]
digits = 2

[[question]]
id = "apron"
ask = "Apron? Say: apron needed, or: leave the apron."
by = "worker"
[[question.answer]]
value = "yes"
phrase = "apron needed"
[[question.answer]]
value = "no"
phrase = "leave the apron"

[[step]]
id = "gloves"
by = "both"
hold_point = "Wait for the shift lead."
release = "the lead agrees"
instruction = "Put on the gloves."
look = "both wrists covered"
read_back = "gloves on size {size}"
confirm = ["i see size {size}", "box number {tag}"]
refuse = ["a wrist is bare", "that is not right"]
at_least_s = 5
expected_s = 20
reminder_s = 30
when = { apron = ["yes"] }
critical = true

[[step]]
id = "hose"
by = "observer"
instruction = "Connect the hose of the PAPR."
look = "you feel the air"
read_back = "hose is connected"
confirm = "cool air arrives"

"##,
    include_str!("../contingencies.toml"),
    // Last, so that it moves no line that a test names.
    r#"
[decision]
phrase = ["i saw it done", "seen and accepted"]
[[decision.reason]]
id = "hood"
label = "hood muffles the voice"
phrase = "the hood muffles it"
"#
);
