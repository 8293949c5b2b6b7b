//! The network's output tokens, grouped by ARPAbet phone.
//!
//! The network writes IPA; the pronouncing dictionary writes ARPAbet. One ARPAbet phone stands for a set of IPA tokens
//! whose probabilities are added.

/// ARPAbet phones of CMUdict (39, without stress) and the IPA tokens that count as each.
/// Values after the ARPAbet table of the CMU dictionary's own documentation; the wider sets (flapped and unreleased t,
/// reduced vowels) are allophones of American English, common practice, no source.
pub const PHONES: [(&str, &[&str]); 39] = [
    ("AA", &["ɑ", "ɒ", "a"]),
    ("AE", &["æ"]),
    ("AH", &["ʌ", "ə", "ɐ"]),
    ("AO", &["ɔ", "ɒ"]),
    ("AW", &["aʊ"]),
    ("AY", &["aɪ"]),
    ("B", &["b"]),
    ("CH", &["t͡ʃ"]),
    ("D", &["d", "ɾ"]),
    ("DH", &["ð"]),
    ("EH", &["ɛ", "e"]),
    ("ER", &["ɝ", "ɚ", "ɜ"]),
    ("EY", &["eɪ"]),
    ("F", &["f"]),
    ("G", &["g", "ɡ"]),
    ("HH", &["h", "ɦ"]),
    ("IH", &["ɪ", "ɨ"]),
    ("IY", &["i"]),
    ("JH", &["d͡ʒ"]),
    ("K", &["k", "kʰ"]),
    ("L", &["l", "ɫ"]),
    ("M", &["m"]),
    ("N", &["n"]),
    ("NG", &["ŋ"]),
    ("OW", &["oʊ", "o"]),
    ("OY", &["ɔɪ"]),
    ("P", &["p", "pʰ"]),
    ("R", &["ɹ", "r"]),
    ("S", &["s"]),
    ("SH", &["ʃ"]),
    ("T", &["t", "tʰ", "ɾ"]),
    ("TH", &["θ"]),
    ("UH", &["ʊ"]),
    ("UW", &["u", "ʉ"]),
    ("V", &["v"]),
    ("W", &["w"]),
    ("Y", &["j"]),
    ("Z", &["z"]),
    ("ZH", &["ʒ"]),
];

/// Number of ARPAbet phones.
pub const PHONE_COUNT: usize = PHONES.len();

/// Index of an ARPAbet phone, stress digit allowed (`AH0`).
pub fn phone(arpabet: &str) -> Option<u8> {
    let bare = arpabet.trim_end_matches(|c: char| c.is_ascii_digit());
    PHONES.iter().position(|(name, _)| *name == bare).map(|index| index as u8)
}

/// Phones as they run together in speech: one that comes twice in a row is said once.
pub fn run_together(phones: &[u8]) -> Vec<u8> {
    let mut phones = phones.to_vec();
    phones.dedup();
    phones
}

/// Which output column belongs to which group.
#[derive(Debug, Clone)]
pub struct Tokens {
    /// Names of the columns, for reading the free path.
    pub names: Vec<String>,
    /// Columns of each phone, in the order of `PHONES`.
    pub columns: Vec<Vec<usize>>,
    /// Columns that mean 'no phone': blank and word break.
    pub blanks: Vec<usize>,
    /// Columns that belong to no phone and no blank.
    pub rest: Vec<usize>,
}

impl Tokens {
    /// From the `decoder` list of the vocabulary file; the network adds a word break and a blank at the end.
    pub fn new(decoder: &[String]) -> Result<Tokens, String> {
        let mut names = decoder.to_vec();
        names.push("<wb>".to_string());
        names.push("<blank>".to_string());
        let mut owner = vec![false; names.len()];
        let mut columns = Vec::with_capacity(PHONE_COUNT);
        for (arpabet, tokens) in PHONES {
            let mut mine = Vec::new();
            for token in tokens {
                if let Some(column) = names.iter().position(|name| name == token) {
                    owner[column] = true;
                    mine.push(column);
                }
            }
            if mine.is_empty() {
                return Err(format!("the vocabulary has no token for {arpabet}"));
            }
            columns.push(mine);
        }
        let blanks = vec![names.len() - 2, names.len() - 1];
        let rest = (0..names.len() - 2).filter(|column| !owner[*column]).collect();
        Ok(Tokens { names, columns, blanks, rest })
    }

    /// Number of output columns.
    pub fn width(&self) -> usize {
        self.names.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phones_are_listed_once_and_found_with_or_without_stress() {
        for (index, (name, _)) in PHONES.iter().enumerate() {
            assert_eq!(phone(name), Some(index as u8));
            assert_eq!(phone(&format!("{name}1")), Some(index as u8));
        }
        assert_eq!(phone("QQ"), None);
    }

    #[test]
    fn a_vocabulary_without_a_phone_is_refused() {
        assert!(Tokens::new(&["a".to_string()]).is_err());
    }
}
