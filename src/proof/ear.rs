//! What the ear says: phrases that can be taken for each other, short ones, words said in two ways or in none.
//!
//! Owns the bars of risk and the wording. Must not know how risks come about (`book`, `risk`).

use super::book::{pairs, ways_to_say, Book, RivalKind, Standing, MAX_WAYS};
use super::{word_place, wording, Finding, Guess, Level, LookUp, Pair};
use crate::listen::accept::ENOUGH_UNITS;
use crate::listen::confusions::names;
use crate::listen::decoys::WEAK;
use crate::procedure::parse::name_of;
use crate::procedure::{Phrase, PhraseId, Place, Procedure};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Risk from which two phrases of one moment are an error, and a warning; a slip between moments is one level less. Our
/// choice: at one in a hundred an exercise of forty answers has a mistake in every third session.
const ERROR: f64 = 0.05;
const WARNING: f64 = 0.01;
/// Below this nothing is said.
const ADVICE: f64 = 0.003;
/// A derived decoy this likely to be taken for its phrase is told of: the listener then asks again, often.
const NEAR_DECOY: f64 = 0.1;
/// Pairs for which other wordings are tried, the riskiest first; and pairs told of.
const TRIED: usize = 40;
const TOLD: usize = 200;
/// Words of one spelling that are two by their sound. Own list; a test looks each up in CMUdict.
pub(super) const TWO_WORDS: [&str; 19] = [
    "bow", "bass", "close", "content", "does", "dove", "excuse", "lead", "live", "minute", "object",
    "polish", "read", "record", "refuse", "tear", "use", "wind", "wound",
];
/// More words than this are hard to say by heart (common practice, no source).
const MANY_WORDS: usize = 7;

pub(super) fn check(
    procedure: &Procedure,
    lines: &[&str],
    book: &Book,
    look_up: &LookUp,
    guess: &Guess,
) -> Vec<Finding> {
    let mut found = unknown(procedure, lines, look_up, guess);
    found.extend(confusable(procedure, book, look_up));
    let mut two_ways = BTreeSet::new();
    for id in procedure.phrase_ids().filter(|id| procedure.phrase(*id).at != Place::BUILT_IN) {
        let phrase = procedure.phrase(id);
        found.extend(length(phrase, book, id));
        found.extend(near_decoy(phrase, book, id, look_up));
        for word in phrase.words().filter(|word| !WEAK.contains(word)) {
            if !procedure.pronunciations.contains_key(word) && two_ways.insert(word.to_string()) {
                found.extend(said_in_two_ways(phrase, word, lines, look_up));
            }
        }
    }
    found
}

/// Words that nobody can be heard saying, each told once.
fn unknown(procedure: &Procedure, lines: &[&str], look_up: &LookUp, guess: &Guess) -> Vec<Finding> {
    let mut words: BTreeMap<&str, &Phrase> = BTreeMap::new();
    for phrase in &procedure.phrases {
        for word in phrase.words().filter(|word| look_up(word).is_empty()) {
            words.entry(word).or_insert(phrase);
        }
    }
    let finding = |(word, phrase): (&&str, &&Phrase)| {
        let what = format!("nobody knows how to say \"{word}\" in \"{}\"", phrase.text);
        let fix = match guess(word) {
            Some(phones) => format!(
                "guessed by letter-to-sound rules, say it aloud and correct it: under [pronounce] write {word} = \"{}\"",
                names(&phones)
            ),
            None => format!("under [pronounce] write {word} = \"...\", its sounds in ARPAbet, or take another word"),
        };
        Finding::new(Level::Error, "unknown-word", word_place(lines, phrase.at, word), what)
            .why(format!(
                "the pronouncing dictionary (CMUdict) does not have it, so it can't be listened for{}",
                other_letters(word)
            ))
            .fix(fix)
    };
    let mut found: Vec<Finding> = words.iter().map(finding).collect();
    for phrase in &procedure.phrases {
        let ways: usize =
            phrase.words().map(|word| look_up(word).len()).fold(1, |all, more| all.saturating_mul(more));
        if ways > MAX_WAYS {
            let what = format!("\"{}\" can be said in {ways} ways", phrase.text);
            let why = format!("more than {MAX_WAYS} are not listened for");
            let fix = "use fewer words with several pronunciations, or give them one under [pronounce]";
            found.push(Finding::new(Level::Error, "many-ways", phrase.at, what).why(why).fix(fix));
        }
    }
    found
}

/// Letters of other scripts look like English ones (Boucher and Anderson 2021, CVE-2021-42694): which they are.
fn other_letters(word: &str) -> String {
    let others: Vec<String> =
        word.chars().filter(|c| !c.is_ascii()).map(|c| format!("\"{c}\" is {}", name_of(c))).collect();
    if others.is_empty() {
        return String::new();
    }
    format!("; not all of its letters are English: {}", others.join(", "))
}

/// Pairs of phrases that can be taken for each other.
fn confusable(procedure: &Procedure, book: &Book, look_up: &LookUp) -> Vec<Finding> {
    let mut all: Vec<_> = pairs(book)
        .into_iter()
        .filter_map(|((a, b), (standing, risk))| Some((a, b, standing, risk, level(standing, risk)?)))
        .filter(|(a, b, ..)| [a, b].iter().any(|id| procedure.phrase(**id).at != Place::BUILT_IN))
        .collect();
    all.sort_by(|a, b| b.4.cmp(&a.4).then(b.3.total_cmp(&a.3)));
    let more = all.len().saturating_sub(TOLD);
    let mut found: Vec<Finding> = Vec::new();
    for (number, (a, b, standing, risk, level)) in all.into_iter().take(TOLD).enumerate() {
        let better =
            (number < TRIED).then(|| wording::better(procedure, book, (a, b), risk, look_up)).flatten();
        found.push(told(procedure, book, (a, b), standing, risk, level, better));
    }
    if more > 0 {
        let what = format!("{more} more pairs of phrases sound alike");
        found.push(
            Finding::new(Level::Warning, "confusable", Place::BUILT_IN, what)
                .why(format!("the {TOLD} riskiest are shown"))
                .fix("see them all with --matrix"),
        );
    }
    found
}

fn level(standing: Standing, risk: f64) -> Option<Level> {
    match standing {
        Standing::Together if risk >= ERROR => Some(Level::Error),
        Standing::Together if risk >= WARNING => Some(Level::Warning),
        Standing::Apart if risk >= ERROR => Some(Level::Warning),
        _ if risk >= ADVICE => Some(Level::Advice),
        _ => None,
    }
}

fn told(
    procedure: &Procedure,
    book: &Book,
    pair: (PhraseId, PhraseId),
    standing: Standing,
    risk: f64,
    level: Level,
    better: Option<super::Better>,
) -> Finding {
    // The label goes where the author can change something: the later line, as a compiler does.
    let (earlier, later) =
        if procedure.phrase(pair.0).at <= procedure.phrase(pair.1).at { pair } else { (pair.1, pair.0) };
    let (a, b) = (procedure.phrase(earlier), procedure.phrase(later));
    let what = format!("\"{}\" sounds like \"{}\": risk {}", b.text, a.text, percent(risk));
    let why = match standing {
        Standing::Together => "both may be said at the same moment, and one would count for the other",
        Standing::Apart => "said by a slip at the other's step, it could count there",
    };
    let fix = match &better {
        Some(better) => {
            format!(
                "tried for you: \"{}\" in place of \"{}\", risk {}",
                better.text,
                better.instead_of,
                percent(better.risk)
            )
        }
        None => {
            "choose words that share fewer sounds; none of the words the tool knows is better".to_string()
        }
    };
    let mut finding = Finding::new(level, "confusable", b.at, what).why(why).fix(fix);
    finding.also = (a.at != Place::BUILT_IN).then(|| (a.at, format!("\"{}\"", a.text)));
    finding.pair = side_by_side(
        book,
        (&a.text, &book.ways[usize::from(earlier.0)]),
        (&b.text, &book.ways[usize::from(later.0)]),
        risk,
    );
    if let Some(pair) = &mut finding.pair {
        pair.better = better;
    }
    finding
}

/// Two texts with their phones, in the ways of saying them that are nearest.
fn side_by_side(book: &Book, said: (&str, &[Vec<u8>]), other: (&str, &[Vec<u8>]), risk: f64) -> Option<Pair> {
    let (a, b) = book.nearest(said.1, other.1)?;
    let name = |phone: Option<u8>| phone.map(|phone| names(&[phone])).unwrap_or_default();
    let aligned = book.costs.align(a, b);
    Some(Pair {
        said: said.0.to_string(),
        taken_for: other.0.to_string(),
        said_phones: aligned.iter().map(|pair| name(pair.0)).collect(),
        taken_phones: aligned.iter().map(|pair| name(pair.1)).collect(),
        risk,
        better: None,
    })
}

fn length(phrase: &Phrase, book: &Book, id: PhraseId) -> Option<Finding> {
    let phones = book.ways[usize::from(id.0)].iter().map(Vec::len).min()?;
    if (phones as f32) < ENOUGH_UNITS {
        let what = format!("\"{}\" has only {phones} sounds", phrase.text);
        let why = format!(
            "below {ENOUGH_UNITS} noise and chatter come near soon, so the listener asks again more often"
        );
        let finding = Finding::new(Level::Warning, "short-phrase", phrase.at, what).why(why);
        return Some(finding.fix("use three to five words that say what is true now"));
    }
    let words = phrase.words().count();
    (words > MANY_WORDS).then(|| {
        let what = format!("\"{}\" has {words} words", phrase.text);
        Finding::new(Level::Advice, "long-phrase", phrase.at, what)
            .why("it must be said by heart, word for word")
            .fix("three to five words are enough")
    })
}

/// A phrase whose reverse, or what is left of it, is too near. Cut and dropped words are near by nature, and the listener
/// weighs them by what was said around; they are listed with --decoys.
fn near_decoy(phrase: &Phrase, book: &Book, id: PhraseId, look_up: &LookUp) -> Option<Finding> {
    let lost = |text: &str| is_part(text, &phrase.text);
    let rivals = book.rivals[usize::from(id.0)].iter();
    let near = rivals.filter(|rival| rival.kind == RivalKind::Decoy && !lost(&rival.text));
    let worst = near.max_by(|a, b| a.risk.total_cmp(&b.risk)).filter(|worst| worst.risk >= NEAR_DECOY)?;
    let what =
        format!("\"{}\" is near to its decoy \"{}\": risk {}", phrase.text, worst.text, percent(worst.risk));
    let mut finding = Finding::new(Level::Advice, "near-decoy", phrase.at, what)
        .why("the decoy stands guard, but in noise the listener will ask again more often")
        .fix("add or change a word so that the two differ in more than one sound");
    let said = ways_to_say(&worst.text, &mut HashMap::new(), look_up);
    finding.pair =
        side_by_side(book, (&worst.text, &said), (&phrase.text, &book.ways[usize::from(id.0)]), worst.risk);
    Some(finding)
}

/// Whether a text is another less some of its words.
fn is_part(less: &str, whole: &str) -> bool {
    let mut words = whole.split(' ');
    less.split(' ').all(|word| words.any(|other| other == word))
}

/// Two words written alike: which of them is meant, the letters don't say.
fn said_in_two_ways(phrase: &Phrase, word: &str, lines: &[&str], look_up: &LookUp) -> Option<Finding> {
    if !TWO_WORDS.contains(&word) {
        return None;
    }
    let ways: Vec<String> = look_up(word).iter().map(|way| names(way)).collect();
    let (first, rest) = ways.split_first()?;
    if rest.is_empty() {
        return None;
    }
    let what = format!("\"{word}\" is said in {} ways: {}", ways.len(), ways.join(", "));
    Some(
        Finding::new(Level::Advice, "two-pronunciations", word_place(lines, phrase.at, word), what)
            .why("they are different words; all are listened for, and each is one more to be mistaken")
            .fix(format!("write the one that is meant under [pronounce], for example: {word} = \"{first}\"")),
    )
}

/// For people: `4.2 %`.
pub(super) fn percent(share: f64) -> String {
    match share * 100.0 {
        percent if percent < 0.1 => "under 0.1 %".to_string(),
        percent => format!("{percent:.1} %"),
    }
}
