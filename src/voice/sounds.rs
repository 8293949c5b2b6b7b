//! Guesses how a word is said, by the letter-to-sound rules of flite (Black and Lenzo), which were trained on CMUdict.
//!
//! Owns asking flite. Must not know who accepts a guess: it may be wrong.

use super::render::{run, Speaker};
use std::process::Command;

/// Phones in ARPAbet, without stress; `None` when flite is not there or makes nothing of the word.
pub fn guess(word: &str) -> Option<Vec<String>> {
    if word.is_empty() || !word.chars().all(|c| c.is_ascii_alphabetic() || c == '\'') {
        return None;
    }
    let mut command = Command::new("flite");
    command.args(["-ps", "-t", word, "none"]);
    let outcome = run(command, "", &Speaker { voice: "flite", program: "flite" }).ok()?;
    phones(&outcome.text).filter(|_| outcome.success)
}

/// flite's phones are ARPAbet in small letters, with `ax` for the reduced vowel and `pau` for silence.
fn phones(said: &str) -> Option<Vec<String>> {
    let names = said.split_whitespace().filter(|phone| *phone != "pau");
    let phones: Vec<String> = names
        .map(|phone| match phone {
            "ax" => "AH".to_string(),
            other => other.to_uppercase(),
        })
        .collect();
    let known = phones.iter().all(|phone| crate::procedure::parse::ARPABET.contains(&phone.as_str()));
    (known && !phones.is_empty()).then_some(phones)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_flite_prints_becomes_arpabet_and_nonsense_becomes_nothing() {
        let said = phones("pau r eh s p ax r ey t er pau \n").unwrap();
        assert_eq!(said.join(" "), "R EH S P AH R EY T ER");
        assert_eq!(phones("pau pau"), None);
        assert_eq!(phones("cannot open voice"), None);
    }

    #[test]
    fn a_word_of_the_dictionary_is_guessed_as_the_dictionary_has_it_and_a_trick_is_not_run() {
        // CMUdict: respirator R EH S P ER EY T ER; flite has the reduced vowel and the r apart or as one.
        let said = guess("respirator").expect("flite is one of the packages of models/setup.sh").join(" ");
        assert!(said.starts_with("R EH S P") && said.ends_with("EY T ER"), "{said}");
        for trick in ["", "-voice", "a b", "a;b", "장갑"] {
            assert_eq!(guess(trick), None, "{trick:?}");
        }
    }
}
