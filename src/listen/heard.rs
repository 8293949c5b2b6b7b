//! What one utterance turned out to be: plain data that listening hands to the session and the record.

use crate::procedure::{PhraseId, Post};
use crate::who::BesideBoth;
use serde::{Deserialize, Serialize};

/// What the acceptor makes of one utterance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "verdict", rename_all = "kebab-case")]
pub enum Verdict {
    /// Surely this phrase, and the phrase counts now at this post.
    Accepted { phrase: PhraseId },
    /// Surely this phrase of the procedure, which does not count now at this post.
    Other { phrase: PhraseId },
    /// Something like this phrase, but not surely: ask again.
    Unsure { closest: PhraseId, why: Doubt },
    /// Not addressed to the tool: noise, chatter, a cough.
    Ignored { why: Ignored },
}

/// Why a verdict is unsure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "doubt", rename_all = "kebab-case")]
pub enum Doubt {
    /// The phrase itself scored too low.
    Faint,
    /// These words, which must not be taken for the phrase, scored as well or nearly.
    Decoy { text: String },
    /// Another phrase that counts now scored nearly as well.
    TwoPhrases { other: PhraseId },
    /// One ear was sure of the phrase and the other heard something else: what each heard.
    Ears { first: String, second: String },
}

/// Why an utterance was ignored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ignored {
    /// Nothing like any phrase.
    NoPhrase,
    /// Too short to be any phrase.
    TooShort,
    /// Too long to be any phrase.
    TooLong,
}

/// The numbers behind a verdict, kept in the journal.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Words of the best candidate, decoys included; empty when there was none.
    pub words: String,
    /// The phrase that fits best, whatever the verdict.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phrase: Option<PhraseId>,
    /// Score of the best phrase, in nats per phone below the best free path (0 is perfect).
    pub score: f32,
    /// How far the best phrase is above the best decoy or other phrase, in nats.
    pub margin: f32,
    /// Units of the best phrase: its phones (words, from an engine of words).
    #[serde(default)]
    pub units: f32,
    /// Words of the best phrase.
    #[serde(default)]
    pub words_of_phrase: usize,
    /// Most nats lost within a quarter of a second of the phrase: a wrong word shows here. 0 where unknown, like the
    /// next three.
    #[serde(default)]
    pub worst: f32,
    /// Nats lost to speech before and after the phrase.
    #[serde(default)]
    pub before: f32,
    #[serde(default)]
    pub after: f32,
    /// How far the best phrase is above the same with one word replaced by one that sounds like it, nats.
    #[serde(default)]
    pub alike: f32,
    /// That other word in its place; empty where unknown.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub alike_words: String,
    /// The speaker corrected themselves: only what followed 'correction' was judged.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub corrected: bool,
    /// It was not clear at once and was heard a second time: scores are the mean of both.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub twice: bool,
    /// Phones of the phrase in a second.
    #[serde(default)]
    pub pace: f32,
    /// What the second ear made of it; `None` when it was not asked, or is not there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<Box<SecondOpinion>>,
    /// Of a confirmation: how many times likelier it is that whoever read the step back said it than somebody else, as a
    /// natural logarithm, nats. `None` where voices are not compared, or it can't be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub same_voice: Option<f32>,
    /// The voice beside both people's, where those are known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub beside_both: Option<BesideBoth>,
    /// What it had to pass to be taken for the phrase, as it was applied: it was taken when it passed all. Empty when no phrase
    /// came near, and in records from before this was kept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tests: Vec<Test>,
    /// 0 to 1; see `accept`.
    pub confidence: f32,
    /// Level of the speech, dBFS RMS.
    pub level_dbfs: f32,
    /// Level of the speech over the room before it, dB.
    pub snr_db: f32,
    /// Time the engine and scoring took, ms of wall time. Not part of what decides.
    pub compute_ms: f32,
}

/// One test of a phrase: what was measured, and what it took.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Test {
    pub of: Measure,
    pub measured: f32,
    /// Passed from here on.
    pub needed: f32,
    /// The bar of a critical step.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub critical: bool,
}

impl Test {
    pub fn of(of: Measure, measured: f32, needed: f32) -> Test {
        Test { of, measured, needed, critical: false }
    }

    pub fn passed(&self) -> bool {
        self.measured >= self.needed
    }
}

/// What a test is of. Nats, but for the probability.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// That it was this phrase, by all ears that listened: 0 to 1.
    Probability,
    /// How well the phrase fits the sounds, by the first ear, per phone; 0 is perfect.
    Score,
    /// How far it is above every other phrase and decoy, by the first ear.
    Margin,
    /// The same two of a phrase of few phones, which has to pass stricter ones too.
    ShortScore,
    ShortMargin,
    /// Log-probability of the phrase, by the second ear.
    Weight,
    /// How far it is above the texts that the second ear was asked about.
    Asked,
    /// How far it is above what the second ear would have written by itself.
    Free,
}

/// What the second ear made of the phrase. All in nats; 0 is certain.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SecondOpinion {
    /// Log-probability that exactly the phrase was said.
    pub weight: f32,
    /// The least probable word of the phrase, and its log-probability after the words before it.
    pub worst: f32,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub worst_word: String,
    /// Log-probability that the phrase ends where it ends.
    pub end: f32,
    /// Of all other texts, asked about or written freely, the one that comes nearest by both ears.
    #[serde(default)]
    pub rival: Against,
    /// Of those that it was asked about, the nearest by the second ear.
    #[serde(default)]
    pub asked: Against,
    /// Of what it would have written by itself, the nearest by the second ear.
    #[serde(default)]
    pub free: Against,
    /// Time it took, ms of wall time. Not part of what decides.
    #[serde(default)]
    pub compute_ms: f32,
}

/// Another text, and how far the phrase is above it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Against {
    /// Empty when there is none near.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub text: String,
    /// By the first ear, nats.
    pub first: f32,
    /// By the second, nats.
    pub second: f32,
}

/// One utterance after recognition. Times are on the session clock, ms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    pub post: Post,
    pub start_ms: u64,
    pub end_ms: u64,
    #[serde(flatten)]
    pub verdict: Verdict,
    pub evidence: Evidence,
}
