//! Pronunciations the author gives, in the phones of ARPAbet as CMUdict writes them.
//!
//! Owns the list of phones an author may write; must not know how an engine names sounds.

use super::error::Sink;
use super::fields::Text;
use super::words::words;
use std::collections::BTreeMap;

/// The 39 phones of CMUdict (its file `cmudict.phones`).
pub const ARPABET: [&str; 39] = [
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G", "HH", "IH", "IY",
    "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T", "TH", "UH", "UW", "V", "W", "Y",
    "Z", "ZH",
];

/// Word -> phone sequences, stress digits dropped.
pub(super) fn read(sink: &mut Sink, raw: &[(Text, Vec<Text>)]) -> BTreeMap<String, Vec<Vec<String>>> {
    let mut pronunciations = BTreeMap::new();
    for (word, sequences) in raw {
        let normal = words(word.get_ref()).ok().filter(|normal| !normal.contains(' '));
        let Some(normal) = normal else {
            let what = format!("`{}` is not one word", word.get_ref().escape_debug());
            sink.report(
                word.span(),
                what,
                "[pronounce] has one word on each line",
                "write the words one by one".into(),
            );
            continue;
        };
        let sequences: Vec<_> = sequences.iter().filter_map(|sequence| phones(sink, sequence)).collect();
        if pronunciations.insert(normal.clone(), sequences).is_some() {
            sink.report(
                word.span(),
                format!("the word `{normal}` is given twice"),
                "capital letters make no difference",
                format!("write one line: {normal} = [\"...\", \"...\"]"),
            );
        }
    }
    pronunciations
}

fn phones(sink: &mut Sink, raw: &Text) -> Option<Vec<String>> {
    let stressless = |phone: &str| phone.to_uppercase().trim_end_matches(['0', '1', '2']).to_owned();
    let sequence: Vec<String> = raw.get_ref().split_whitespace().map(stressless).collect();
    if sequence.is_empty() {
        sink.report(
            raw.span(),
            "the pronunciation is empty".into(),
            "",
            "write phones, for example D AO F".into(),
        );
        return None;
    }
    let unknown = sequence.iter().find(|phone| !ARPABET.contains(&phone.as_str()));
    if let Some(unknown) = unknown {
        sink.report(
            raw.span(),
            format!("`{}` is not a phone", unknown.escape_debug()),
            "pronunciations are read as ARPAbet, the way CMUdict writes them",
            format!("use these: {}", ARPABET.join(" ")),
        );
        return None;
    }
    Some(sequence)
}
