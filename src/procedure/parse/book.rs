//! Collects the phrases of a procedure and refuses words that would mean two things.
//!
//! Owns what makes a phrase fit to be heard by its text alone; must not know how phrases sound (that is proofing).

use super::error::Sink;
use super::fields::Text;
use super::slots;
use super::words::{letters, words};
use crate::procedure::{Filled, Phrase, PhraseId, Place, Role, Slot, Use};
use std::collections::HashMap;
use std::ops::Range;

/// Far above any procedure people can learn, and within `PhraseId`.
pub const MAX_PHRASES: usize = 4_000;
/// One word, or fewer letters than this, turns up in chatter by chance (common practice, no source).
const MIN_WORDS: usize = 2;
const MIN_LETTERS: usize = 5;

/// Characters of a phrase or decoy: nobody says more by heart, and each is compared with many others.
pub const MAX_PHRASE: usize = 200;

#[derive(Default)]
pub(super) struct PhraseBook {
    pub phrases: Vec<Phrase>,
    /// In step with `phrases`: how each is named to the author, and where it was written (`None`: built in).
    origin: Vec<(String, Option<Range<usize>>)>,
    by_text: HashMap<String, Vec<usize>>,
    full: bool,
    slots: Vec<Slot>,
}

impl PhraseBook {
    pub(super) fn with_slots(slots: Vec<Slot>) -> Self {
        PhraseBook { slots, ..PhraseBook::default() }
    }

    pub(super) fn into_parts(self) -> (Vec<Phrase>, Vec<Slot>) {
        (self.phrases, self.slots)
    }

    /// Adds a phrase that may have slots: one plain phrase for each way to fill them. Empty when it was reported.
    pub(super) fn add_filled(
        &mut self,
        sink: &mut Sink,
        raw: &Text,
        by: Option<Role>,
        used: Use,
        label: String,
    ) -> Vec<PhraseId> {
        if !slots::has_slots(raw) {
            return self.add(sink, raw, by, used, label).into_iter().collect();
        }
        let Some((pattern, ways)) = slots::fill(sink, raw, &self.slots) else { return vec![] };
        let mut ids = vec![];
        for (filled, values) in ways {
            let text = Text::new(raw.span(), filled);
            let Some(id) = self.add(sink, &text, by, used, label.clone()) else { return vec![] };
            self.phrases[usize::from(id.0)].filled = Some(Filled { pattern: pattern.clone(), values });
            ids.push(id);
        }
        ids
    }

    /// Adds a phrase written in the file. `None` when it was reported.
    pub(super) fn add(
        &mut self,
        sink: &mut Sink,
        raw: &Text,
        by: Option<Role>,
        used: Use,
        label: String,
    ) -> Option<PhraseId> {
        if slots::has_slots(raw) {
            slots::report_misplaced(sink, raw);
            return None;
        }
        let text = spoken(sink, raw)?;
        if text.split(' ').count() < MIN_WORDS || letters(&text) < MIN_LETTERS {
            sink.report(
                raw.span(),
                format!("the phrase \"{text}\" is too short to be heard surely"),
                "one word, or fewer than five letters, turns up too easily in chatter and noise",
                "use at least two words and five letters; three to five words are better".into(),
            );
            return None;
        }
        let at = sink.place(raw.span().start);
        self.insert(sink, Phrase { text, by, used, at, filled: None }, label, Some(raw.span()))
    }

    /// Adds a phrase that the program supplies, already in its one form.
    pub(super) fn add_built_in(
        &mut self,
        sink: &mut Sink,
        text: &str,
        by: Option<Role>,
        used: Use,
        label: String,
    ) -> Option<PhraseId> {
        let phrase = Phrase { text: text.to_owned(), by, used, at: Place::BUILT_IN, filled: None };
        self.insert(sink, phrase, label, None)
    }

    fn insert(
        &mut self,
        sink: &mut Sink,
        phrase: Phrase,
        label: String,
        span: Option<Range<usize>>,
    ) -> Option<PhraseId> {
        if let Some(earlier) = self.conflict(&phrase) {
            self.report_conflict(sink, &phrase, earlier, &label, span);
            return None;
        }
        if self.phrases.len() >= MAX_PHRASES {
            if !std::mem::replace(&mut self.full, true) {
                let why = format!("a procedure may have {MAX_PHRASES} phrases");
                sink.report(
                    span.unwrap_or(0..0),
                    "too many phrases".into(),
                    &why,
                    "split the procedure".into(),
                );
            }
            return None;
        }
        let index = self.phrases.len();
        self.by_text.entry(phrase.text.clone()).or_default().push(index);
        self.origin.push((label, span));
        self.phrases.push(phrase);
        // MAX_PHRASES is below u16::MAX.
        Some(PhraseId(index as u16))
    }

    /// An earlier phrase with the same words that could be meant by the same voice.
    fn conflict(&self, phrase: &Phrase) -> Option<usize> {
        let earlier = self.by_text.get(&phrase.text)?;
        earlier.iter().copied().find(|index| {
            let other = &self.phrases[*index];
            other.by.is_none() || phrase.by.is_none() || other.by == phrase.by
        })
    }

    fn report_conflict(
        &self,
        sink: &mut Sink,
        phrase: &Phrase,
        earlier: usize,
        label: &str,
        span: Option<Range<usize>>,
    ) {
        let (earlier_label, earlier_span) = &self.origin[earlier];
        // Calls come first, so a built-in phrase may meet one of the file: show the author's line, name the other.
        let (span, other, other_line) = match (span, earlier_span) {
            (Some(span), _) => (span, earlier_label.as_str(), self.phrases[earlier].at.line),
            (None, Some(earlier_span)) => (earlier_span.clone(), label, 0),
            (None, None) => (0..0, earlier_label.as_str(), 0),
        };
        let whence = if other_line == 0 { "built in".to_owned() } else { format!("line {other_line}") };
        sink.report(
            span,
            format!("the phrase \"{}\" is used twice", phrase.text),
            &format!("it is also the {other} ({whence}); what is heard must mean one thing"),
            "choose words that sound different for one of the two".into(),
        );
    }

    /// The phrase with these words that serves as a refusal, if there is one.
    pub(super) fn refusal(&self, raw: &Text) -> Option<PhraseId> {
        let text = words(raw.get_ref()).ok()?;
        let mut found = self.by_text.get(&text)?.iter().copied();
        // Indices are below MAX_PHRASES.
        found.find(|index| self.phrases[*index].used == Use::Refusal).map(|index| PhraseId(index as u16))
    }

    /// The first phrase with these words, whoever says it.
    pub(super) fn any(&self, text: &str) -> Option<&Phrase> {
        self.by_text.get(text)?.first().map(|index| &self.phrases[*index])
    }
}

/// The words of a phrase or decoy; reports what can't be said.
pub(super) fn spoken(sink: &mut Sink, raw: &Text) -> Option<String> {
    match words(raw.get_ref()) {
        Ok(text) if text.chars().count() > MAX_PHRASE => {
            let what = format!("the phrase has {} characters", text.chars().count());
            let why = format!("nobody says more than {MAX_PHRASE} by heart");
            sink.report(raw.span(), what, &why, "shorten it; three to five words are best".into());
            None
        }
        Ok(text) => Some(text),
        Err(error) => {
            sink.report(raw.span(), error.to_string(), error.why(), error.fix().into());
            None
        }
    }
}
