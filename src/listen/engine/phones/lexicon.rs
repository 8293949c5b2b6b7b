//! Pronunciations: CMUdict and the procedure's own.
//!
//! Owns the dictionary text and looks words up in it. Must not know how phones are scored.

use super::tokens;
use crate::files::{self, Links};
use crate::listen::engine::WordProblem;
use std::collections::BTreeMap;
use std::path::Path;

/// Phone indices of one way to say a word.
pub type Pronunciation = Vec<u8>;

/// Words as they are said within a sentence, which the dictionary lacks: 'and' between words has no D. General phonetics, from
/// memory.
const WEAK_FORMS: [(&str, &[&str]); 1] = [("and", &["AH", "N"])];

/// The dictionary, kept as its text with a sorted index of line starts: a third of the memory of a hash map of strings.
pub struct Lexicon {
    text: String,
    lines: Vec<u32>,
}

impl Lexicon {
    pub fn load(path: &Path) -> std::io::Result<Lexicon> {
        Ok(Lexicon::from_text(files::read_text(path, Links::Follow, files::MAX_MODEL)?))
    }

    pub fn from_text(text: String) -> Lexicon {
        let mut lines: Vec<u32> = Vec::with_capacity(140_000);
        let mut at = 0usize;
        for line in text.split_inclusive('\n') {
            if !line.trim().is_empty() && !line.starts_with(";;;") {
                lines.push(at as u32);
            }
            at += line.len();
        }
        lines.sort_by(|a, b| head(&text, *a).cmp(head(&text, *b)));
        Lexicon { text, lines }
    }

    /// Calls `found` with every line of a wanted word and its phones. Lines with phones that are none are passed over.
    pub fn each(&self, wanted: &dyn Fn(&str) -> bool, mut found: impl FnMut(u32, &[u8])) {
        let mut phones = Vec::new();
        for line in self.lines.iter().filter(|line| wanted(head(&self.text, **line))) {
            phones.clear();
            let rest = self.text[*line as usize..].lines().next().unwrap_or_default();
            let names = rest.split('#').next().unwrap_or_default().split_ascii_whitespace().skip(1);
            let known = names.map(tokens::phone).all(|phone| phone.map(|phone| phones.push(phone)).is_some());
            if known && !phones.is_empty() {
                found(*line, &phones);
            }
        }
    }

    /// The word of a line that `each` gave.
    pub fn word(&self, line: u32) -> &str {
        head(&self.text, line)
    }

    /// Every pronunciation of a word; the procedure's own replace the dictionary's. A participle with 'un' before it
    /// that the dictionary lacks is said as its two parts: the dictionary has only the common ones, and each must be
    /// told from the word without.
    pub fn look_up(
        &self,
        word: &str,
        given: &BTreeMap<String, Vec<Vec<String>>>,
    ) -> Result<Vec<Pronunciation>, WordProblem> {
        if let Some(own) = given.get(word) {
            return own.iter().map(|phones| indices(phones.iter().map(String::as_str))).collect();
        }
        let first = self.lines.partition_point(|line| head(&self.text, *line) < word);
        let mut found = Vec::new();
        for line in self.lines[first..].iter().take_while(|line| head(&self.text, **line) == word) {
            let rest = self.text[*line as usize..].lines().next().unwrap_or_default();
            let phones = rest.split('#').next().unwrap_or_default().split_whitespace().skip(1);
            let pronunciation = indices(phones)?;
            if !found.contains(&pronunciation) {
                found.push(pronunciation);
            }
        }
        if let Some((_, phones)) = WEAK_FORMS.iter().find(|(weak, _)| *weak == word && !found.is_empty()) {
            found.push(indices(phones.iter().copied())?);
        }
        match word.strip_prefix("un") {
            _ if !found.is_empty() => Ok(found),
            Some(done) if done.ends_with("ed") && !done.starts_with("un") => {
                let un = indices(["AH", "N"].into_iter())?;
                let said = |done: Pronunciation| [un.as_slice(), done.as_slice()].concat();
                Ok(self.look_up(done, given)?.into_iter().map(said).collect())
            }
            _ => Err(WordProblem::NotInDictionary),
        }
    }
}

/// The word at a line start, without its variant number: `tear(2)` is `tear`.
fn head(text: &str, line: u32) -> &str {
    let rest = &text[line as usize..];
    let end = rest.find(|c: char| c.is_whitespace() || c == '(').unwrap_or(rest.len());
    &rest[..end]
}

fn indices<'a>(phones: impl Iterator<Item = &'a str>) -> Result<Pronunciation, WordProblem> {
    phones
        .map(|phone| tokens::phone(phone).ok_or_else(|| WordProblem::UnknownPhone(phone.to_string())))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(pronunciation: &[u8]) -> String {
        let names: Vec<&str> = pronunciation.iter().map(|p| tokens::PHONES[usize::from(*p)].0).collect();
        names.join(" ")
    }

    fn small() -> Lexicon {
        Lexicon::from_text(
            "glove G L AH1 V\ntear T EH1 R\ntear(2) T IH1 R # weep\n;;; note\ngown G AW1 N\n".into(),
        )
    }

    #[test]
    fn every_variant_of_a_word_is_found() {
        let found = small().look_up("tear", &BTreeMap::new()).unwrap();
        // CMUdict has these two for 'tear'.
        assert_eq!(found.iter().map(|p| names(p)).collect::<Vec<_>>(), ["T EH R", "T IH R"]);
    }

    #[test]
    fn and_may_lose_its_d() {
        let lexicon = Lexicon::from_text("and AH0 N D\nand(2) AE1 N D\nband B AE1 N D\n".into());
        let said = lexicon.look_up("and", &BTreeMap::new()).expect("it is there");
        assert_eq!(said.iter().map(|way| names(way)).collect::<Vec<_>>(), ["AH N D", "AE N D", "AH N"]);
        assert_eq!(lexicon.look_up("band", &BTreeMap::new()).expect("it is there").len(), 1);
    }

    #[test]
    fn an_unknown_word_is_a_problem_not_an_empty_list() {
        assert_eq!(small().look_up("glov", &BTreeMap::new()), Err(WordProblem::NotInDictionary));
    }

    #[test]
    fn a_participle_with_un_before_it_is_said_as_its_parts() {
        let lexicon = Lexicon::from_text("gloved G L AH1 V D\nuncle AH1 NG K AH0 L\n".into());
        assert_eq!(names(&lexicon.look_up("ungloved", &BTreeMap::new()).unwrap()[0]), "AH N G L AH V D");
        for unknown in ["unmuted", "uncled", "ununglov", "unungloved", "un"] {
            assert_eq!(lexicon.look_up(unknown, &BTreeMap::new()), Err(WordProblem::NotInDictionary));
        }
    }

    #[test]
    fn a_given_pronunciation_wins_and_its_phones_are_checked() {
        let mut given = BTreeMap::new();
        given.insert("doff".to_string(), vec![vec!["D".to_string(), "AO1".to_string(), "F".to_string()]]);
        given.insert("bad".to_string(), vec![vec!["QX".to_string()]]);
        assert_eq!(names(&small().look_up("doff", &given).unwrap()[0]), "D AO F");
        assert_eq!(small().look_up("bad", &given), Err(WordProblem::UnknownPhone("QX".into())));
    }
}
