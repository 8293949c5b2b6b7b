//! Texts as the network writes them: the ways of writing a phrase, their tokens, and which written texts say the same.
//!
//! Owns the tokens and the spelling. Must not know how a text is weighed.

use crate::files::{self, Links};
use std::collections::HashMap;
use std::path::Path;
use tokenizers::Tokenizer;

/// A phrase written in one way, word by word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Writing {
    /// Tokens of each word.
    pub words: Vec<Vec<u32>>,
}

impl Writing {
    /// Tokens of it and of a full stop behind it.
    pub fn tokens(&self) -> usize {
        self.words.iter().map(Vec::len).sum::<usize>() + 1
    }
}

/// The tokens that mean something of their own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Marks {
    /// What stands before every text: start, language, transcribe, no times.
    pub before: Vec<u32>,
    /// Stands before what was said earlier.
    previous: u32,
    pub end: u32,
    pub full_stop: u32,
}

pub struct Text {
    tokenizer: Tokenizer,
    pub marks: Marks,
    known: HashMap<String, Vec<u32>>,
}

/// Number words and their digits. Above twenty only the tens: nobody has more steps or gloves.
const NUMBERS: [(&str, &str); 29] = [
    ("zero", "0"),
    ("one", "1"),
    ("two", "2"),
    ("three", "3"),
    ("four", "4"),
    ("five", "5"),
    ("six", "6"),
    ("seven", "7"),
    ("eight", "8"),
    ("nine", "9"),
    ("ten", "10"),
    ("eleven", "11"),
    ("twelve", "12"),
    ("thirteen", "13"),
    ("fourteen", "14"),
    ("fifteen", "15"),
    ("sixteen", "16"),
    ("seventeen", "17"),
    ("eighteen", "18"),
    ("nineteen", "19"),
    ("twenty", "20"),
    ("thirty", "30"),
    ("forty", "40"),
    ("fifty", "50"),
    ("sixty", "60"),
    ("seventy", "70"),
    ("eighty", "80"),
    ("ninety", "90"),
    ("hundred", "100"),
];

impl Text {
    /// `language`: the first part of a BCP 47 tag.
    pub fn load(path: &Path, language: &str) -> Result<Text, String> {
        let raw =
            files::read_text(path, Links::Follow, files::MAX_MODEL).map_err(|error| error.to_string())?;
        let mut file: serde_json::Value = serde_json::from_str(&raw).map_err(|error| error.to_string())?;
        with_first_merge(&mut file)?;
        let tokenizer: Tokenizer = serde_json::from_value(file).map_err(|error| error.to_string())?;
        let mark = |name: &str| tokenizer.token_to_id(name).ok_or_else(|| format!("it has no {name}"));
        let spoken = tokenizer
            .token_to_id(&format!("<|{language}|>"))
            .ok_or_else(|| format!("it does not know the language {language:?}"))?;
        let before =
            vec![mark("<|startoftranscript|>")?, spoken, mark("<|transcribe|>")?, mark("<|notimestamps|>")?];
        let marks = Marks {
            previous: mark("<|startofprev|>")?,
            before,
            end: mark("<|endoftext|>")?,
            full_stop: mark(".")?,
        };
        Ok(Text { tokenizer, marks, known: HashMap::new() })
    }

    /// What stands before every text: words that may come, as if they had been said just now, and the marks.
    pub fn before(&mut self, context: &str) -> Vec<u32> {
        if context.is_empty() {
            return self.marks.before.clone();
        }
        let words = self.tokens(&format!(" {context}"));
        [&[self.marks.previous], &words[..], &self.marks.before].concat()
    }

    /// The ways a phrase (words in lower case, single spaces) may be written, without what ends it.
    pub fn writings(&mut self, phrase: &str) -> Vec<Writing> {
        let plain: Vec<String> = phrase.split(' ').map(as_written).collect();
        let mut ways = vec![plain.clone()];
        let digits: Vec<String> = plain.iter().map(|word| in_digits(word)).collect();
        if digits != plain {
            ways.push(digits);
        }
        let capital: Vec<Vec<String>> = ways.iter().map(|way| with_capital(way)).collect();
        ways.extend(capital);
        ways.sort();
        ways.dedup();
        ways.iter()
            .map(|way| Writing { words: way.iter().map(|word| self.tokens(&format!(" {word}"))).collect() })
            .collect()
    }

    /// Words are cut into tokens one by one: no token reaches over a space.
    fn tokens(&mut self, word: &str) -> Vec<u32> {
        if let Some(known) = self.known.get(word) {
            return known.clone();
        }
        // The tokens are bytes in the end: there is no text that has none.
        let tokens = self.tokenizer.encode_fast(word, false).map(|found| found.get_ids().to_vec());
        let tokens = tokens.unwrap_or_default();
        self.known.insert(word.to_string(), tokens.clone());
        tokens
    }

    /// What tokens say; the marks are left out.
    pub fn read(&self, tokens: &[u32]) -> String {
        self.tokenizer.decode(tokens, true).unwrap_or_default()
    }

    /// Whether a token is one of the marks: end, times, tasks, languages.
    pub fn is_mark(&self, token: u32) -> bool {
        token >= self.marks.end
    }
}

/// The published list of merges begins with the one of a space and a 't'; the file lacks it, and without it every word
/// with a 't' in front is cut into tokens that the network never writes.
fn with_first_merge(file: &mut serde_json::Value) -> Result<(), String> {
    const FIRST: &str = "Ġ t";
    let merges = file["model"]["merges"].as_array_mut().ok_or("it has no list of merges")?;
    let first = merges.first().ok_or("its list of merges is empty")?;
    let has = first.as_str() == Some(FIRST)
        || first.as_array().is_some_and(|pair| {
            pair.iter().all(|p| p.as_str().is_some_and(|p| FIRST.split(' ').any(|f| f == p)))
        });
    if !has {
        let form = match first.is_array() {
            true => serde_json::json!(FIRST.split(' ').collect::<Vec<_>>()),
            false => FIRST.into(),
        };
        merges.insert(0, form);
    }
    Ok(())
}

fn as_written(word: &str) -> String {
    match word.strip_prefix('i') {
        Some(rest) if rest.is_empty() || rest.starts_with('\'') => format!("I{rest}"),
        _ => word.to_string(),
    }
}

fn in_digits(word: &str) -> String {
    NUMBERS.iter().find(|(name, _)| *name == word).map_or(word, |(_, digits)| digits).to_string()
}

fn with_capital(words: &[String]) -> Vec<String> {
    let mut words = words.to_vec();
    if let Some(first) = words.first_mut() {
        let mut letters = first.chars();
        if let Some(letter) = letters.next() {
            *first = letter.to_uppercase().chain(letters).collect();
        }
    }
    words
}

/// The words of a written text: lower case, numbers in words, without marks but for those inside a word.
pub fn words_of(text: &str) -> Vec<String> {
    let lower = text.to_lowercase().replace('’', "'");
    lower
        .split(|c: char| !c.is_alphanumeric() && c != '\'')
        .map(|word| word.trim_matches('\''))
        .filter(|word| !word.is_empty())
        .map(|word| {
            NUMBERS.iter().find(|(_, digits)| *digits == word).map_or(word, |(name, _)| name).to_string()
        })
        .collect()
}

/// Whether words are a phrase once, or over and over, the last time perhaps in part: in a short stretch of sound the
/// network likes to write the same again. A text that has not `ended` may be cut in the middle of a word.
pub fn says_only(words: &[String], phrase: &[String], ended: bool) -> bool {
    let said = |(at, wanted): (usize, &String)| {
        words[at] == *wanted || (!ended && at + 1 == words.len() && wanted.starts_with(&words[at]))
    };
    !phrase.is_empty() && words.len() >= phrase.len() && (0..words.len()).zip(phrase.iter().cycle()).all(said)
}

/// A text without its repetitions: the first words that all the rest only repeat.
pub fn said_once(words: Vec<String>, ended: bool) -> Vec<String> {
    // A text that goes on is at its second time as soon as it begins again.
    let most = if ended { words.len() / 2 } else { words.len().saturating_sub(1) };
    // A word said twice is a stumble; a sentence is not.
    let once = (2..=most).find(|count| says_only(&words, &words[..*count], ended));
    match once {
        Some(count) => words[..count].to_vec(),
        None => words,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::models::{self, Asset};

    fn text() -> Text {
        Text::load(&models::find(Asset::WhisperTokens).unwrap(), "en").unwrap()
    }

    fn read(text: &Text, writing: &Writing) -> String {
        text.read(&writing.words.concat())
    }

    #[test]
    fn a_phrase_is_written_with_and_without_a_capital_and_numbers_in_both_ways() {
        let mut text = text();
        let writings = text.writings("i have two gloves");
        let read: Vec<String> = writings.iter().map(|writing| read(&text, writing)).collect();
        assert_eq!(read, [" I have 2 gloves", " I have two gloves"]);
        let writings = text.writings("hands are dry");
        let read: Vec<String> = writings.iter().map(|writing| self::read(&text, writing)).collect();
        assert_eq!(read, [" Hands are dry", " hands are dry"]);
    }

    /// OpenAI's published merges begin with 'Ġ t' (token 256 of the vocabulary is ' t').
    #[test]
    fn a_word_that_begins_with_t_is_cut_as_the_network_writes_it() {
        let mut text = text();
        let writings = text.writings("gown tied tight");
        assert!(writings.iter().all(|writing| writing.words[1].len() == 1), "{writings:?}");
    }

    #[test]
    fn letters_the_vocabulary_has_no_word_for_still_have_tokens() {
        let mut text = text();
        for phrase in ["ïnner glöves", "장갑", "ⴰⵣⵓⵍ"] {
            for writing in text.writings(phrase) {
                assert!(writing.words.iter().all(|word| !word.is_empty()));
                assert_eq!(words_of(&read(&text, &writing)), words_of(phrase));
            }
        }
    }

    #[test]
    fn an_unknown_language_and_a_damaged_file_are_errors() {
        let path = models::find(Asset::WhisperTokens).unwrap();
        assert!(Text::load(&path, "tlh").err().unwrap().contains("language"));
        let folder = tempfile::tempdir().unwrap();
        let cut = folder.path().join("cut.json");
        std::fs::write(&cut, &std::fs::read(&path).unwrap()[..10_000]).unwrap();
        assert!(Text::load(&cut, "en").is_err());
    }

    #[test]
    fn marks_case_and_digits_make_no_other_text() {
        assert_eq!(words_of(" Two gloves, re-checked."), ["two", "gloves", "re", "checked"]);
        assert_eq!(words_of(" 2 Gloves re-checked!"), ["two", "gloves", "re", "checked"]);
        assert_eq!(words_of(" Hands aren’t dry"), ["hands", "aren't", "dry"]);
    }

    #[test]
    fn a_text_that_only_repeats_itself_is_said_once_and_a_stumble_stays() {
        let once = |text: &str| said_once(words_of(text), true).join(" ");
        assert_eq!(once("smart matter smart matter smart"), "smart matter");
        assert_eq!(once("hands are dry"), "hands are dry");
        assert_eq!(once("stop stop"), "stop stop");
        assert_eq!(once("hands are dry hands"), "hands are dry hands");
        let cut = |text: &str| said_once(words_of(text), false).join(" ");
        assert_eq!(cut("Hands are cleaned. Hands ar"), "hands are cleaned");
        assert_eq!(cut("hands are dry hats"), "hands are dry hats");
        assert_eq!(cut("hands are"), "hands are");
    }

    #[test]
    fn the_same_said_again_is_that_text_and_anything_else_is_not() {
        let phrase = words_of("hands are dry");
        for same in ["hands are dry", "Hands are dry. Hands are dry.", "hands are dry. hands are"] {
            assert!(says_only(&words_of(same), &phrase, true), "{same}");
        }
        for other in ["hands are", "hands are dry now", "hands are dry. hands aren't", "my hands are dry", ""]
        {
            assert!(!says_only(&words_of(other), &phrase, true), "{other}");
        }
    }
}
