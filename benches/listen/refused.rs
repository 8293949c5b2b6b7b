//! People's phrases that were not accepted: which, and what the tool said of each.
//!
//! Owns the causes and their wording. Must not judge what was right.

use super::corpus::{Clip, Corpus};
use super::hear::Result as Heard;
use antiphon::listen::heard::{Doubt, Verdict};
use std::fmt::Write;

/// Why a phrase was not accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cause {
    Shorter,
    Otherwise,
    TwoPhrases,
    Ears,
    Faint,
    Nothing,
}

impl Cause {
    const ALL: [Cause; 6] =
        [Cause::Shorter, Cause::Otherwise, Cause::TwoPhrases, Cause::Ears, Cause::Faint, Cause::Nothing];

    fn words(self) -> &'static str {
        match self {
            Cause::Shorter => "the phrase without some of its words fits as well",
            Cause::Otherwise => "other words fit as well",
            Cause::TwoPhrases => "another phrase that counts fits as well",
            Cause::Ears => "one ear heard it, the other something else",
            Cause::Faint => "too little of it was heard",
            Cause::Nothing => "nothing like a phrase was heard",
        }
    }
}

/// One of them.
pub struct Refused {
    words: String,
    cause: Cause,
    /// What fits as well; empty for other causes.
    rival: String,
}

impl Refused {
    pub fn new(corpus: &Corpus, clip: &Clip, result: &Heard) -> Refused {
        let doubt = result.all.iter().find_map(|one| match &one.heard.verdict {
            Verdict::Unsure { why, .. } => Some(why),
            _ => None,
        });
        let count = |text: &str| text.split(' ').count();
        let (cause, rival) = match doubt {
            Some(Doubt::Decoy { text }) if count(text) < count(&clip.words) => (Cause::Shorter, text.clone()),
            Some(Doubt::Decoy { text }) => (Cause::Otherwise, text.clone()),
            Some(Doubt::Ears { first, second }) => {
                let rival = if *first == clip.words { second } else { first };
                (Cause::Ears, rival.clone())
            }
            Some(Doubt::TwoPhrases { other }) => {
                (Cause::TwoPhrases, corpus.groups[clip.group][usize::from(other.0)].clone())
            }
            Some(Doubt::Faint) => (Cause::Faint, String::new()),
            None => (Cause::Nothing, String::new()),
        };
        Refused { words: clip.words.clone(), cause, rival }
    }
}

/// The page's section: how many for each cause, then each of them by condition.
pub fn section<'a>(
    conditions: impl Iterator<Item = (&'a str, &'a [Refused])> + Clone,
) -> Result<String, std::fmt::Error> {
    let mut text = String::from("## Human phrases that were not accepted\n\n| why | how many |\n|---|---|\n");
    for cause in Cause::ALL {
        let count =
            conditions.clone().flat_map(|(_, all)| all).filter(|refused| refused.cause == cause).count();
        writeln!(text, "| {} | {count} |", cause.words())?;
    }
    text.push('\n');
    for (condition, all) in conditions.filter(|(_, all)| !all.is_empty()) {
        let each = all.iter().map(|refused| match refused.rival.as_str() {
            "" => format!("\"{}\": {}", refused.words, refused.cause.words()),
            rival => format!("\"{}\": \"{rival}\" fits as well", refused.words),
        });
        writeln!(text, "* {condition}: {}", each.collect::<Vec<_>>().join("; "))?;
    }
    text.push('\n');
    Ok(text)
}
