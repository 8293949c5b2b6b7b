//! An utterance beside two people whose voices are known. Pure.
//!
//! Owns the bars: whose voice it is, where that can be said. Measured on 33 speakers in six pairs of conditions
//! (docs/who-spoke.md): with five utterances known of each, 0.4 % of right answers were taken for another's, 97 % of those of
//! the other person were noticed, and a third of those of somebody else. The bars were chosen with all of them in view.

use super::Voice;
use serde::{Deserialize, Serialize};

/// It is the other's where it is likelier theirs by this much, as a cosine.
const OTHERS: f32 = 0.15;
/// It is neither's where it is less like whoever should have said it than this.
const NEITHERS: f32 = 0.08;
/// Two people are told apart where they are less alike than this: beside three utterances of one, likelier two people.
const APART: f32 = 0.34;

/// How alike an utterance is to both, as cosines.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BesideBoth {
    /// To whoever should have said it.
    pub own: f32,
    /// To the other person.
    pub other: f32,
    /// Both are known well enough to say that it is neither of them.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub enrolled: bool,
}

/// Whose voice an utterance has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// That of whoever should have said it, or it can't be told.
    Own,
    Others,
    Neithers,
}

impl BesideBoth {
    pub fn of(voice: &Voice, own: &Voice, other: &Voice, enrolled: bool) -> BesideBoth {
        BesideBoth { own: voice.cosine(own), other: voice.cosine(other), enrolled }
    }

    /// Numbers that are none say nothing.
    pub fn whose(&self) -> Whose {
        match () {
            () if self.other - self.own > OTHERS => Whose::Others,
            () if self.enrolled && self.own < NEITHERS => Whose::Neithers,
            () => Whose::Own,
        }
    }
}

/// Whether two people's voices are different enough to be told apart.
pub fn apart(one: &Voice, other: &Voice) -> bool {
    one.cosine(other) < APART
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside(own: f32, other: f32, enrolled: bool) -> Whose {
        BesideBoth { own, other, enrolled }.whose()
    }

    #[test]
    fn an_utterance_is_anothers_only_where_that_is_clear() {
        assert_eq!(beside(0.7, 0.1, true), Whose::Own);
        assert_eq!(beside(0.1, 0.7, false), Whose::Others);
        assert_eq!(beside(0.30, 0.44, true), Whose::Own, "not clear");
        assert_eq!(beside(0.05, 0.02, true), Whose::Neithers);
        assert_eq!(beside(0.05, 0.02, false), Whose::Own, "three utterances don't tell a stranger");
        assert_eq!(beside(f32::NAN, 0.9, true), Whose::Own);
    }

    #[test]
    fn two_people_are_apart_and_one_is_not() {
        let voice = |numbers: &[f32]| {
            let mut all = vec![0.0; super::super::NUMBERS];
            all[..numbers.len()].copy_from_slice(numbers);
            Voice::of(&all).unwrap()
        };
        let (one, other) = (voice(&[1.0]), voice(&[0.2, 1.0]));
        assert!(apart(&one, &other) && !apart(&one, &one));
        let heard = BesideBoth::of(&other, &one, &other, false);
        assert_eq!(heard.whose(), Whose::Others);
    }
}
