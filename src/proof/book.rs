//! The phrases of a procedure as they are said, and what each must be told from.
//!
//! Owns the comparing: which texts, at what distance, at what risk. Must not judge.

use super::moments::moments;
use super::{risk, LookUp};
use crate::listen::confusions::{Confusions, Costs};
use crate::listen::decoys;
use crate::procedure::{PhraseId, Procedure, Use};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Ways to say a phrase that are compared; more are an error to the engine too.
pub const MAX_WAYS: usize = 512;
/// Risks below this are taken for none: of what may be said at one moment, and of slips between moments.
const NEGLIGIBLE: f64 = 0.001;
const NEGLIGIBLE_APART: f64 = 0.003;

/// Whether two phrases may be said at the same moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// At different ones, by the same person: one is a slip for the other.
    Apart,
    Together,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RivalKind {
    Phrase {
        id: PhraseId,
        standing: Standing,
    },
    /// Derived by the program, or given in the file.
    Decoy,
}

/// Something that could be taken for a phrase.
#[derive(Debug, Clone, PartialEq)]
pub struct Rival {
    pub kind: RivalKind,
    pub text: String,
    /// That the phrase is accepted when the rival was said.
    pub risk: f64,
}

/// How each phrase is said, and its rivals.
pub struct Book {
    pub costs: Costs,
    /// Of each phrase, every way to say it. Empty: a word is not known.
    pub ways: Vec<Vec<Vec<u8>>>,
    /// Of each phrase, the most dangerous first.
    pub rivals: Vec<Vec<Rival>>,
    /// Of each phrase, what it is told from at its moments.
    pub beside: Vec<BTreeSet<PhraseId>>,
}

/// Every way to say the words; empty when one of them is not known, or when there are too many.
pub fn ways_to_say(text: &str, known: &mut HashMap<String, Vec<Vec<u8>>>, look_up: &LookUp) -> Vec<Vec<u8>> {
    let mut ways: Vec<Vec<u8>> = vec![Vec::new()];
    for word in text.split(' ') {
        if !known.contains_key(word) {
            known.insert(word.to_string(), look_up(word));
        }
        let said = &known[word];
        if ways.len() * said.len() > MAX_WAYS {
            return Vec::new();
        }
        ways = ways
            .iter()
            .flat_map(|way| said.iter().map(move |more| [way.as_slice(), more].concat()))
            .collect();
    }
    ways
}

impl Book {
    pub fn of(procedure: &Procedure, look_up: &LookUp) -> Book {
        let mut known = HashMap::new();
        let mut ways_of = |text: &str| ways_to_say(text, &mut known, look_up);
        let ways: Vec<_> = procedure.phrases.iter().map(|phrase| ways_of(&phrase.text)).collect();
        let mut book = Book {
            costs: Confusions::measured().costs(),
            rivals: vec![Vec::new(); ways.len()],
            ways,
            beside: beside(procedure),
        };
        book.compare_phrases(procedure);
        book.compare_decoys(procedure, &mut ways_of);
        for rivals in &mut book.rivals {
            rivals.sort_by(|a, b| b.risk.total_cmp(&a.risk).then_with(|| a.text.cmp(&b.text)));
        }
        book
    }

    /// Each phrase with those of its moments, and with the same person's of the same kind at other moments.
    fn compare_phrases(&mut self, procedure: &Procedure) {
        for of in procedure.phrase_ids() {
            for said in procedure.phrase_ids().filter(|said| *said != of) {
                let standing = if self.beside[usize::from(of.0)].contains(&said) {
                    Standing::Together
                } else if same_kind(procedure, of, said) {
                    Standing::Apart
                } else {
                    continue;
                };
                let least = match standing {
                    Standing::Together => NEGLIGIBLE,
                    Standing::Apart => NEGLIGIBLE_APART,
                };
                let (said_ways, ways) = (&self.ways[usize::from(said.0)], &self.ways[usize::from(of.0)]);
                let risk = self.risk_above(least, said_ways, ways);
                if risk > 0.0 {
                    let text = procedure.phrase(said).text.clone();
                    let kind = RivalKind::Phrase { id: said, standing };
                    self.rivals[usize::from(of.0)].push(Rival { kind, text, risk });
                }
            }
        }
    }

    fn compare_decoys(&mut self, procedure: &Procedure, ways_of: &mut dyn FnMut(&str) -> Vec<Vec<u8>>) {
        let all: BTreeSet<String> = procedure.phrases.iter().map(|phrase| phrase.text.clone()).collect();
        let own: Vec<(&String, Vec<Vec<u8>>)> =
            procedure.decoys.iter().map(|text| (text, ways_of(text))).collect();
        for (index, phrase) in procedure.phrases.iter().enumerate() {
            let add = |text: &str, ways: &[Vec<u8>], least: f64, rivals: &mut Vec<Rival>| {
                let risk = self.risk(ways, &self.ways[index]);
                // A decoy with a word that nobody can say to the engine is left out by the listener too.
                if !ways.is_empty() && risk >= least {
                    rivals.push(Rival { kind: RivalKind::Decoy, text: text.to_string(), risk });
                }
            };
            let mut rivals = Vec::new();
            for text in decoys::derive(&phrase.text, &all) {
                add(&text, &ways_of(&text), 0.0, &mut rivals);
            }
            for (text, ways) in &own {
                add(text, ways, NEGLIGIBLE, &mut rivals);
            }
            self.rivals[index].extend(rivals);
        }
    }

    /// How likely the second is accepted when the first was said: of the ways of saying both that are nearest. 0 when
    /// either can't be said.
    pub fn risk(&self, said: &[Vec<u8>], taken_for: &[Vec<u8>]) -> f64 {
        self.risk_above(NEGLIGIBLE, said, taken_for)
    }

    /// The same; 0 below `negligible`.
    fn risk_above(&self, negligible: f64, said: &[Vec<u8>], taken_for: &[Vec<u8>]) -> f64 {
        let mut least = risk::reach(negligible);
        let mut found = false;
        for said in said {
            for other in taken_for {
                let distance = self.costs.distance(said, other, least);
                if distance <= least {
                    (least, found) = (distance, true);
                }
            }
        }
        if found {
            risk::of(least)
        } else {
            0.0
        }
    }

    /// The ways of saying both that are nearest to each other.
    pub fn nearest<'w>(&self, said: &'w [Vec<u8>], other: &'w [Vec<u8>]) -> Option<(&'w [u8], &'w [u8])> {
        let pairs = said.iter().flat_map(|said| other.iter().map(move |other| (said, other)));
        let far = |(a, b): &(&Vec<u8>, &Vec<u8>)| self.costs.distance(a, b, f32::INFINITY);
        pairs.min_by(|a, b| far(a).total_cmp(&far(b))).map(|(a, b)| (a.as_slice(), b.as_slice()))
    }

    /// That a phrase is taken for something else or something else for it, all its rivals together.
    pub fn risk_of(&self, id: PhraseId) -> f64 {
        let rivals = self.rivals[usize::from(id.0)].iter();
        1.0 - rivals.map(|rival| 1.0 - rival.risk).product::<f64>()
    }

    /// That some other phrase valid at the same moment is accepted when this one was said.
    pub fn risk_of_being_taken(&self, id: PhraseId) -> f64 {
        let wanted = RivalKind::Phrase { id, standing: Standing::Together };
        let said = self.rivals.iter().flatten().filter(|rival| rival.kind == wanted);
        1.0 - said.map(|rival| 1.0 - rival.risk).product::<f64>()
    }
}

/// Of each phrase, the others that may be said at a moment of its own.
fn beside(procedure: &Procedure) -> Vec<BTreeSet<PhraseId>> {
    let (moments, always) = moments(procedure);
    let mut beside = vec![BTreeSet::new(); procedure.phrases.len()];
    let groups = moments.iter().map(|moment| &moment.own).chain([&always]);
    for group in groups {
        for of in group {
            let own = &mut beside[usize::from(of.0)];
            own.extend(group.iter().chain(&always).filter(|other| *other != of));
        }
    }
    for of in &always {
        let all = procedure.phrase_ids().filter(|other| other != of);
        beside[usize::from(of.0)].extend(all);
    }
    beside
}

/// Whether one is what the other's person could say by a slip.
fn same_kind(procedure: &Procedure, a: PhraseId, b: PhraseId) -> bool {
    let (a, b) = (procedure.phrase(a), procedure.phrase(b));
    a.by == b.by
        && matches!(
            (a.used, b.used),
            (Use::ReadBack { .. }, Use::ReadBack { .. })
                | (Use::Confirmation { .. }, Use::Confirmation { .. })
        )
}

/// Every pair once, with the greater of both risks, by the smaller number first.
pub fn pairs(book: &Book) -> BTreeMap<(PhraseId, PhraseId), (Standing, f64)> {
    let mut pairs = BTreeMap::new();
    for (of, rivals) in book.rivals.iter().enumerate() {
        let of = PhraseId(of as u16);
        for rival in rivals {
            let RivalKind::Phrase { id, standing } = rival.kind else { continue };
            let pair = pairs.entry((of.min(id), of.max(id))).or_insert((standing, 0.0f64));
            pair.1 = pair.1.max(rival.risk);
        }
    }
    pairs
}
