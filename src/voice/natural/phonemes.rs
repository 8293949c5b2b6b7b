//! English text to the numbers that the natural voices' network reads.
//!
//! Owns the vocabulary and the cutting at punctuation, which espeak-ng leaves out of its phonemes and the network needs
//! for its pauses. Must not know the network.

use crate::voice::render::{run, Speaker};
use crate::voice::VoiceError;
use std::collections::HashMap;
use std::process::Command;
use std::sync::OnceLock;

/// Most tokens the network takes at once, its edges not counted.
pub const MOST: usize = 510;
/// What stands between spoken words and is kept. espeak-ng reads the rest (dashes, apostrophes) its own way.
const MARKS: &str = ";:,.!?¡¿—…\"«»“”(){}[]";

const SPEAKER: Speaker = Speaker { voice: "espeak-ng", program: "espeak-ng" };

/// Whether espeak-ng is there; it is looked for once.
pub fn check() -> Result<(), VoiceError> {
    static THERE: OnceLock<Result<(), VoiceError>> = OnceLock::new();
    let look = || {
        let mut command = Command::new(SPEAKER.program);
        command.arg("--version");
        run(command, "", &SPEAKER).map(|_| ())
    };
    THERE.get_or_init(look).clone()
}

/// The text's tokens, as espeak-ng says it in this language.
pub fn tokens(text: &str, language: &str) -> Result<Vec<i64>, VoiceError> {
    let mut phonemes = String::new();
    for part in parts(text) {
        match part {
            Part::Words(words) => phonemes.push_str(&said(words, language)?),
            Part::Mark(mark) => phonemes.push_str(mark),
        }
    }
    Ok(numbers(&phonemes))
}

/// Cut so that the network takes each piece: at the last sentence's end that fits, else clause, else word, else anywhere.
pub fn pieces(tokens: &[i64]) -> Vec<&[i64]> {
    let marks =
        |marks: &str| marks.chars().filter_map(|mark| vocabulary().get(&mark).copied()).collect::<Vec<_>>();
    let borders = [marks(".!?…"), marks(",;:"), marks(" ")];
    let mut pieces = Vec::new();
    let mut rest = tokens;
    while rest.len() > MOST {
        let last = |border: &Vec<i64>| rest[..MOST].iter().rposition(|token| border.contains(token));
        let cut = borders.iter().find_map(last).map_or(MOST, |at| at + 1);
        let (piece, after) = rest.split_at(cut);
        pieces.push(piece);
        rest = after;
    }
    pieces.push(rest);
    pieces
}

#[derive(Debug, PartialEq)]
enum Part<'a> {
    Words(&'a str),
    /// Punctuation with the blanks around it.
    Mark(&'a str),
}

/// Words and punctuation in turn. A point or comma within a number belongs to the number.
fn parts(text: &str) -> Vec<Part<'_>> {
    let text = text.trim();
    let signs: Vec<(usize, char)> = text.char_indices().collect();
    let digit = |index: Option<usize>| {
        index.and_then(|index| signs.get(index)).is_some_and(|(_, sign)| sign.is_ascii_digit())
    };
    let is_mark = |index: usize| {
        let (_, sign) = signs[index];
        let in_number = ".,".contains(sign) && digit(index.checked_sub(1)) && digit(Some(index + 1));
        MARKS.contains(sign) && !in_number
    };
    let mut parts = Vec::new();
    let mut from = 0;
    while from < signs.len() {
        // Blanks belong to the mark beside them, and to the words where there is none.
        let next = (from..signs.len()).find(|index| !signs[*index].1.is_whitespace()).unwrap_or(signs.len());
        let mark = next < signs.len() && is_mark(next);
        let end = if mark {
            (next..signs.len()).find(|i| !is_mark(*i) && !signs[*i].1.is_whitespace()).unwrap_or(signs.len())
        } else {
            let words = (next..signs.len()).find(|index| is_mark(*index)).unwrap_or(signs.len());
            // The blanks before a mark are the mark's.
            (from..words).rev().find(|index| !signs[*index].1.is_whitespace()).map_or(words, |last| last + 1)
        };
        let place = |index: usize| signs.get(index).map_or(text.len(), |(at, _)| *at);
        let part = &text[place(from)..place(end)];
        parts.push(if mark { Part::Mark(part) } else { Part::Words(part) });
        from = end;
    }
    parts
}

/// How espeak-ng says words, one line.
fn said(words: &str, language: &str) -> Result<String, VoiceError> {
    let mut command = Command::new(SPEAKER.program);
    command.args(["-q", "--ipa", "-v", language, "--stdin"]);
    let outcome = run(command, words, &SPEAKER)?;
    if !outcome.success {
        let why = format!("espeak-ng failed: {}", outcome.text.trim());
        return Err(VoiceError::Text { voice: SPEAKER.voice.into(), text: words.into(), why });
    }
    Ok(without_languages(&outcome.text).split_whitespace().collect::<Vec<_>>().join(" "))
}

/// espeak-ng marks words it takes from another language: `(fr)...(en-us)`. Brackets of the text never reach it.
fn without_languages(phonemes: &str) -> String {
    let mut inside = false;
    let kept = phonemes.chars().filter(|sign| {
        let was = inside;
        inside = (was || *sign == '(') && *sign != ')';
        !was && !inside
    });
    kept.collect()
}

/// Phonemes as the network's numbers; what it does not know is left out, and blanks are single.
fn numbers(phonemes: &str) -> Vec<i64> {
    let line = phonemes.split_whitespace().collect::<Vec<_>>().join(" ");
    let known: String = line.chars().filter(|sign| vocabulary().contains_key(sign)).collect();
    let line = known.split_whitespace().collect::<Vec<_>>().join(" ");
    line.chars().filter_map(|sign| vocabulary().get(&sign).copied()).collect()
}

fn vocabulary() -> &'static HashMap<char, i64> {
    static VOCABULARY: OnceLock<HashMap<char, i64>> = OnceLock::new();
    VOCABULARY.get_or_init(|| {
        let entry = |line: &str| -> Option<(char, i64)> {
            let mut fields = line.split('\t');
            let sign =
                u32::from_str_radix(fields.next()?.strip_prefix("U+")?, 16).ok().and_then(char::from_u32)?;
            Some((sign, fields.nth(1)?.parse().ok()?))
        };
        let lines = include_str!("phonemes.tsv").lines().filter(|line| !line.starts_with('#'));
        lines.map(|line| entry(line).expect("every line of our own table is sign and number")).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_cut_at_punctuation_but_not_within_numbers() {
        use Part::{Mark, Words};
        assert_eq!(
            parts(" Worker, say: \"no\" - about 2.5 cm (now)... "),
            [
                Words("Worker"),
                Mark(", "),
                Words("say"),
                Mark(": \""),
                Words("no"),
                Mark("\" "),
                Words("- about 2.5 cm"),
                Mark(" ("),
                Words("now"),
                Mark(")..."),
            ]
        );
        assert_eq!(parts("  "), []);
        assert_eq!(parts("é, ü"), [Words("é"), Mark(", "), Words("ü")]);
    }

    /// Expected tokens: kokoro-onnx 0.6.1 (Kokoro's own vocabulary) with phonemizer over espeak-ng.
    #[test]
    fn the_tokens_are_those_of_the_reference() {
        let cases: [(&str, &str, &[i64]); 4] = [
            (
                "en-us",
                "inner gloves are on",
                &[156, 102, 56, 85, 16, 92, 54, 156, 138, 64, 68, 16, 69, 158, 123, 16, 156, 76, 56],
            ),
            (
                "en-gb",
                "inner gloves are on",
                &[156, 102, 56, 83, 16, 92, 54, 156, 138, 64, 68, 16, 69, 158, 123, 16, 156, 71, 56],
            ),
            (
                "en-us",
                "Negative. I heard: new splash. Is there a hole?",
                &[
                    56, 156, 86, 92, 83, 62, 157, 102, 64, 4, 16, 43, 102, 16, 50, 156, 87, 158, 46, 2, 16,
                    56, 156, 63, 158, 16, 61, 58, 54, 156, 72, 131, 4, 16, 102, 68, 16, 81, 86, 123, 16, 70,
                    16, 50, 156, 57, 135, 54, 6,
                ],
            ),
            (
                "en-us",
                "\"no\" - I said \"no\"...",
                &[
                    11, 56, 156, 57, 135, 11, 16, 43, 102, 16, 61, 156, 86, 46, 16, 11, 56, 156, 57, 135, 11,
                    4, 4, 4,
                ],
            ),
        ];
        for (language, text, expected) in cases {
            assert_eq!(
                tokens(text, language).expect("espeak-ng is installed"),
                expected,
                "{language} {text}"
            );
        }
    }

    #[test]
    fn a_text_too_long_for_the_network_is_cut_at_sentences_and_none_of_it_is_lost() {
        let sentence = numbers("ɹˈʌb jʊɹ hˈændz. ");
        let long: Vec<i64> = sentence.iter().copied().cycle().take(1_300).collect();
        let cut = pieces(&long);
        assert_eq!(cut.concat(), long);
        assert!(cut.iter().all(|piece| piece.len() <= MOST));
        let stop = vocabulary()[&'.'];
        assert!(cut[..cut.len() - 1].iter().all(|piece| piece.last() == Some(&stop)), "{cut:?}");
        assert_eq!(pieces(&[5; 600]).len(), 2);
    }

    #[test]
    fn another_languages_mark_is_no_phoneme() {
        assert_eq!(without_languages("ɐ (fr)plˈa(en-us) dˈeɪ"), "ɐ plˈa dˈeɪ");
    }
}
