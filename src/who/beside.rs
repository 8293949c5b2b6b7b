//! An utterance beside what somebody else has said: beside one utterance, and beside all the others three at a time. Pure.
//!
//! Owns how the two make one number: each by itself claims no more than was measured, and their mean decides
//! (docs/who-spoke.md).

use super::{Likeness, Sounds, Voice};
use crate::statistics::median;
use serde::Serialize;

/// Utterances of one person that are put together: so many were measured.
const TOGETHER: usize = 3;

/// How an utterance compares with somebody's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beside {
    pub with_the_one: Option<Likeness>,
    pub with_the_rest: Option<Rest>,
}

/// Beside all else that somebody has said, three at a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rest {
    /// How many threes there are.
    pub threes: usize,
    /// The middle one of them.
    #[serde(flatten)]
    pub likeness: Likeness,
}

impl Beside {
    /// `one` is the utterance that counts most, where it has a voice; `rest` the others, in the order in which they were said.
    pub fn of(voice: &Voice, one: Option<&Voice>, rest: &[&Voice]) -> Beside {
        Beside {
            with_the_one: one.map(|one| Likeness::to_one(voice, one)),
            with_the_rest: threes(voice, rest),
        }
    }

    /// The mean of both, nats; `None` when there was nothing to compare with.
    pub fn llr(&self) -> Option<f32> {
        let llrs = [self.with_the_one.map(|one| one.llr), self.with_the_rest.map(|rest| rest.likeness.llr)];
        let known: Vec<f32> = llrs.into_iter().flatten().collect();
        (!known.is_empty()).then(|| known.iter().sum::<f32>() / known.len() as f32)
    }

    pub fn sounds(&self) -> Option<Sounds> {
        self.llr().map(Sounds::of)
    }
}

/// Beside as many threes as there are; the middle one stands for all.
fn threes(voice: &Voice, rest: &[&Voice]) -> Option<Rest> {
    let threes = rest.chunks_exact(TOGETHER).filter_map(|three| match three {
        [one, two, three] => Likeness::to_three(voice, [one, two, three]),
        _ => None,
    });
    let all: Vec<Likeness> = threes.collect();
    let middle = |number: fn(&Likeness) -> f32| {
        median(&all.iter().map(|one| f64::from(number(one))).collect::<Vec<_>>()).map(|middle| middle as f32)
    };
    let likeness = Likeness { cosine: middle(|one| one.cosine)?, llr: middle(|one| one.llr)? };
    Some(Rest { threes: all.len(), likeness })
}
