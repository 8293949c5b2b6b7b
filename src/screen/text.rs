//! Text made fit for a terminal: safe, wrapped, shortened.
//!
//! Owns the one way by which text of others (procedures, devices, libraries) reaches a terminal. Must not know what the
//! text means.

use crate::procedure::parse::is_steering;
use std::borrow::Cow;
use textwrap::{Options, WordSeparator, WordSplitter, WrapAlgorithm};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// The same text without anything that moves a cursor, changes a terminal's state, or reorders what is shown. Blanks of
/// any kind become a space, the rest a replacement character, so that it is seen that something was there.
pub fn clean(text: &str) -> Cow<'_, str> {
    if !text.chars().any(is_hostile) {
        return Cow::Borrowed(text);
    }
    let safe = |c: char| match c {
        _ if !is_hostile(c) => c,
        _ if c.is_whitespace() => ' ',
        _ => char::REPLACEMENT_CHARACTER,
    };
    Cow::Owned(text.chars().map(safe).collect())
}

/// Control characters (C0, DEL, C1), line separators, and the invisible ones that reorder or hide text.
fn is_hostile(c: char) -> bool {
    c.is_control() || is_steering(c) || matches!(c, '\u{2028}' | '\u{2029}')
}

/// Columns a text takes.
pub fn columns(text: &str) -> usize {
    text.width()
}

/// Lines of at most so many columns, broken between words; a word longer than a line is broken inside. Empty for a text
/// without words.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let text = clean(text);
    if text.trim().is_empty() {
        return Vec::new();
    }
    let options = Options::new(width.max(2))
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
        .wrap_algorithm(WrapAlgorithm::FirstFit);
    textwrap::wrap(text.trim(), options).into_iter().map(Cow::into_owned).collect()
}

/// `wrap`, with at most so many lines; an ellipsis says that there is more.
pub fn wrap_within(text: &str, width: usize, lines: usize) -> Vec<String> {
    let mut all = wrap(text, width);
    if all.len() > lines {
        all.truncate(lines);
        if let Some(last) = all.last_mut() {
            let kept = if columns(last) < width { last.clone() } else { shorten(last, width - 1) };
            *last = format!("{}\u{2026}", kept.trim_end_matches([' ', '\u{2026}']));
        }
    }
    all
}

/// One line of at most so many columns; an ellipsis says that there is more.
pub fn shorten(text: &str, width: usize) -> String {
    let text = clean(text);
    if columns(&text) <= width {
        return text.into_owned();
    }
    let mut short = String::new();
    let mut used = 0;
    for c in text.chars() {
        let next = used + c.width().unwrap_or(0);
        if next + 1 > width {
            break;
        }
        used = next;
        short.push(c);
    }
    let mut short = short.trim_end().to_string();
    if width > 0 {
        short.push('\u{2026}');
    }
    short
}

/// `m:ss`
pub fn clock(seconds: u64) -> String {
    format!("{}:{:02}", seconds / 60, seconds % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn control_characters_are_shown_as_replaced_and_blanks_as_spaces() {
        assert_eq!(clean("a\u{1b}[2Jb\nc\td"), "a\u{fffd}[2Jb c d");
        assert_eq!(clean("\u{9b}31m \u{202e}abc"), "\u{fffd}31m \u{fffd}abc");
        assert!(matches!(clean("장갑을 끼세요"), Cow::Borrowed(_)));
    }

    #[test]
    fn lines_break_between_words_and_a_word_too_long_inside() {
        assert_eq!(wrap("inner gloves are on", 12), ["inner gloves", "are on"]);
        assert_eq!(wrap("abcdefgh ij", 4), ["abcd", "efgh", "ij"]);
        assert_eq!(wrap("  ", 4), Vec::<String>::new());
    }

    #[test]
    fn hangul_counts_two_columns_a_syllable() {
        assert_eq!(wrap("장갑을 끼었습니다", 10), ["장갑을", "끼었습니다"]);
        assert_eq!(shorten("장갑을 끼었습니다", 8), "장갑을\u{2026}");
    }

    #[test]
    fn what_is_cut_off_is_marked() {
        assert_eq!(wrap_within("one two three four", 9, 1), ["one two\u{2026}"]);
        assert_eq!(shorten("gown is closed", 8), "gown is\u{2026}");
        assert_eq!(shorten("gown", 4), "gown");
    }

    #[test]
    fn a_clock_has_two_digits_of_seconds() {
        assert_eq!(clock(0), "0:00");
        assert_eq!(clock(605), "10:05");
    }

    proptest! {
        #[test]
        fn no_line_is_wider_than_asked_and_none_is_hostile(text in "\\PC{0,40}|.{0,40}", width in 2usize..40, most in 1usize..4) {
            let lines = wrap_within(&text, width, most);
            prop_assert!(lines.len() <= most);
            for line in lines.iter().chain([&shorten(&text, width)]) {
                prop_assert!(columns(line) <= width, "{line:?}");
                prop_assert!(!line.chars().any(is_hostile));
            }
        }
    }
}
