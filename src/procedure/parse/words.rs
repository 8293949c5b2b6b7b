//! Brings phrases and texts into their one written form.
//!
//! Owns which characters a phrase may hold; must not know what a phrase is used for.

use thiserror::Error;
use unicode_normalization::{char::is_combining_mark, UnicodeNormalization};

/// Why a text can't be a phrase.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum WordsError {
    #[error("the phrase is empty")]
    Empty,
    /// The digits as written, for example `25`.
    #[error("the phrase has digits: `{0}`")]
    Digits(String),
    #[error("the phrase has a character that can't be spoken: {0}")]
    Unspeakable(String),
    #[error("the phrase has a control character: {0}")]
    Control(String),
}

impl WordsError {
    pub fn why(&self) -> &'static str {
        match self {
            WordsError::Empty => "a phrase is what a person says aloud; it needs words",
            WordsError::Digits(_) => {
                "people say a number in several ways, and only one of them would be heard"
            }
            WordsError::Unspeakable(_) => "nobody can tell how it is to be said",
            WordsError::Control(_) => "it is invisible and can change how screens show the text",
        }
    }
    pub fn fix(&self) -> &'static str {
        match self {
            WordsError::Empty => "write the words to be said",
            WordsError::Digits(_) => "write the number as words, as it will be said",
            WordsError::Unspeakable(_) => "write it as a word",
            WordsError::Control(_) => "delete it",
        }
    }
}

/// A phrase in its one form: lower case, NFC, single spaces; punctuation becomes a space, except apostrophes inside
/// words (`don't`). Applying it twice changes nothing.
///
/// # Errors
/// When nothing is left, or when the text has digits, symbols that punctuation rules don't cover (`&`, `%`, pictures)
/// or control characters.
pub fn words(raw: &str) -> Result<String, WordsError> {
    let lower: String = raw.nfc().collect::<String>().to_lowercase().nfc().collect();
    if let Some(digits) = lower.split(|c: char| !c.is_numeric()).find(|run| !run.is_empty()) {
        return Err(WordsError::Digits(digits.to_owned()));
    }
    let mut spaced = String::with_capacity(lower.len());
    for c in lower.chars() {
        spaced.push(match c {
            // Some of these are letters or marks, so they come first.
            _ if is_unseen(c) => return Err(WordsError::Control(name_of(c))),
            '\'' | '\u{2019}' | '\u{2018}' | '\u{02bc}' => '\'',
            _ if c.is_alphabetic() || is_combining_mark(c) => c,
            _ if c.is_whitespace() || is_punctuation(c) => ' ',
            _ if c.is_control() => return Err(WordsError::Control(name_of(c))),
            _ => return Err(WordsError::Unspeakable(format!("`{c}`"))),
        });
    }
    let kept = spaced.split(' ').map(|word| word.trim_matches('\'')).filter(|word| !word.is_empty());
    let phrase = kept.collect::<Vec<_>>().join(" ");
    if !phrase.chars().any(char::is_alphabetic) {
        return Err(WordsError::Empty);
    }
    Ok(phrase)
}

/// Letters of a phrase, Hangul syllables counted as the letters they are made of.
pub(super) fn letters(phrase: &str) -> usize {
    phrase.nfd().filter(|c| c.is_alphabetic() && !is_combining_mark(*c)).count()
}

/// A spoken or shown text, NFC: runs of blanks and line breaks become one space.
///
/// # Errors
/// The name of the first control character.
pub(super) fn text(raw: &str) -> Result<String, String> {
    if let Some(c) = raw.chars().find(|c| (c.is_control() && !c.is_whitespace()) || is_steering(*c)) {
        return Err(name_of(c));
    }
    // Composed, so that the words of `[say]` and of phrases are found in it however they were typed.
    let composed: String = raw.nfc().collect();
    Ok(composed.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// Invisible characters that reorder or hide what is shown: Unicode's `Bidi_Control`, by which a source can read otherwise
/// than it works (Boucher and Anderson 2021, "Trojan Source", CVE-2021-42574), and others without a shape of their own.
/// The joiners U+200C and U+200D and the selectors of variants stay: some scripts and pictures need them.
pub fn is_steering(c: char) -> bool {
    is_unseen(c)
        && !matches!(c, '\u{200c}' | '\u{200d}' | '\u{34f}' | '\u{17b4}' | '\u{17b5}')
        && !matches!(c, '\u{180b}'..='\u{180d}' | '\u{180f}' | '\u{fe00}'..='\u{fe0f}' | '\u{e0100}'..='\u{e01ef}')
}

/// Unicode's `Default_Ignorable_Code_Point`: nothing is seen of them, so two phrases could look the same and not be.
fn is_unseen(c: char) -> bool {
    matches!(c, '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}')
        || matches!(c, '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}')
        || matches!(c, '\u{3164}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}' | '\u{ffa0}' | '\u{fff0}'..='\u{fff8}')
        || matches!(c, '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}' | '\u{e0000}'..='\u{e0fff}')
}

fn is_punctuation(c: char) -> bool {
    matches!(c, '.' | ',' | ';' | ':' | '!' | '?' | '-' | '_' | '"' | '`' | '(' | ')' | '[' | ']' | '{' | '}')
        || matches!(c, '¡' | '¿' | '«' | '»' | '·' | '‚' | '„' | '“' | '”' | '…' | '‹' | '›' | '‐'..='―')
        || matches!(c, '、' | '。' | '「' | '」' | '，' | '．' | '！' | '？' | '：' | '；' | '・')
}

/// As Unicode writes it: `U+202E`.
pub fn name_of(c: char) -> String {
    format!("U+{:04X}", u32::from(c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_phrase_is_lower_case_without_punctuation_but_with_inner_apostrophes() {
        assert_eq!(words("  Inner-gloves: ON!  ").as_deref(), Ok("inner gloves on"));
        assert_eq!(words("Don\u{2019}t 'move' yet").as_deref(), Ok("don't move yet"));
        assert_eq!(words("장갑,  착용").as_deref(), Ok("장갑 착용"));
    }

    #[test]
    fn composed_and_decomposed_letters_are_the_same_phrase() {
        assert_eq!(words("caf\u{e9} ouvert"), words("cafe\u{301} OUVERT"));
    }

    #[test]
    fn digits_symbols_and_control_characters_are_refused() {
        assert_eq!(words("wait 25 seconds"), Err(WordsError::Digits("25".into())));
        assert_eq!(words("half ½ way"), Err(WordsError::Digits("½".into())));
        assert_eq!(words("gown & gloves"), Err(WordsError::Unspeakable("`&`".into())));
        assert_eq!(words("gown\u{7} on"), Err(WordsError::Control("U+0007".into())));
        assert_eq!(words("gown \u{202e}on"), Err(WordsError::Control("U+202E".into())));
        // Letters and marks of which nothing is seen: Hangul filler, combining grapheme joiner, a selector of variants.
        for (raw, name) in
            [("gown\u{3164} on", "U+3164"), ("go\u{34f}wn on", "U+034F"), ("gown\u{fe0f} on", "U+FE0F")]
        {
            assert_eq!(words(raw), Err(WordsError::Control(name.into())));
        }
    }

    #[test]
    fn a_phrase_without_a_letter_is_empty() {
        for raw in ["", "  ", "...", "'", "- ' -", "\u{301}"] {
            assert_eq!(words(raw), Err(WordsError::Empty), "{raw:?}");
        }
    }

    #[test]
    fn hangul_counts_its_parts_as_letters_and_accents_do_not_count() {
        assert_eq!(letters("장갑"), 6);
        assert_eq!(letters("été"), 3);
    }

    #[test]
    fn line_breaks_in_a_text_become_spaces_and_control_characters_are_named() {
        assert_eq!(text(" one\n  two\tthree ").as_deref(), Ok("one two three"));
        assert_eq!(text("one\u{1b}[2J"), Err("U+001B".to_owned()));
        assert_eq!(text("cafe\u{301}").as_deref(), Ok("caf\u{e9}"));
    }

    #[test]
    fn every_character_of_the_trojan_source_attack_is_steering_and_joiners_are_not() {
        // Unicode's Bidi_Control (UAX #9, table 1), which Boucher and Anderson 2021 used (CVE-2021-42574).
        let controls = ['\u{61c}', '\u{200e}', '\u{200f}'];
        let controls = controls.into_iter().chain('\u{202a}'..='\u{202e}').chain('\u{2066}'..='\u{2069}');
        assert!(controls.chain(['\u{200b}', '\u{ad}', '\u{3164}', '\u{e0041}']).all(is_steering));
        assert!(!['\u{200c}', '\u{200d}', '\u{fe0f}', 'a', '\u{5d0}', '\u{301}']
            .into_iter()
            .any(is_steering));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2_000))]
        #[test]
        fn normalising_twice_changes_nothing(raw in "\\PC*") {
            if let Ok(once) = words(&raw) {
                prop_assert_eq!(words(&once), Ok(once.clone()));
                prop_assert!(!once.contains("  ") && once.trim() == once);
            }
        }
    }
}
