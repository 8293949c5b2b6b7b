//! Characters that are not seen, where the format lets them stand: in remarks.
//!
//! Owns this rule. Must not know what a procedure is: it looks at the file's lines.

use super::{Finding, Level};
use crate::procedure::parse::{is_steering, name_of};
use crate::procedure::Place;

/// Lines that are told of.
const MOST: usize = 100;

/// A remark can turn the rest of its line round, so that an editor shows a key as a remark or a remark as a key (Boucher and
/// Anderson 2021, "Trojan Source", CVE-2021-42574). In texts and ids the format refuses these characters.
pub(super) fn check(lines: &[&str]) -> Vec<Finding> {
    let in_line = |(number, line): (usize, &&str)| {
        // A mark at the very beginning says that a file is UTF-8.
        let (column, c) = line
            .chars()
            .enumerate()
            .find(|(column, c)| is_steering(*c) && (number, *column, *c) != (0, 0, '\u{feff}'))?;
        let at = Place { line: number + 1, column: column + 1 };
        let what = format!("a character that is not seen stands in a remark: {}", name_of(c));
        Some(
            Finding::new(Level::Error, "hidden-character", at, what)
                .why("it can make editors show the line otherwise than it is read (Trojan Source, CVE-2021-42574)")
                .fix("delete it, or write the remark again"),
        )
    };
    lines.iter().enumerate().filter_map(in_line).take(MOST).collect()
}
