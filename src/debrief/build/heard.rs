//! A person's utterance: who spoke, what was expected of whom, and how it was judged.

use super::{seconds, text, Fold};
use crate::debrief::model::{Became, Judged, Utterance};
use crate::debrief::words;
use crate::listen::heard::Heard;
use crate::procedure::{Procedure, Use};
use crate::record::read::Line;
use crate::screen::why;
use serde_json::Value;

impl Fold<'_> {
    pub(super) fn heard(&mut self, line: &Line) {
        let procedure = self.procedure.filter(|procedure| words::fits(procedure, &line.body));
        let (awaited, expected) = match (&self.state, self.procedure) {
            (Some(state), Some(procedure)) => {
                let expected = state.expected(procedure);
                let expected = expected.iter().map(|id| words::phrase(Some(procedure), *id)).collect();
                let awaited = state.awaited(procedure).filter(|_| state.speaking.is_none());
                (awaited.map(|role| role.name().to_string()), Some(expected))
            }
            _ => (None, None),
        };
        self.taken += expected.iter().flatten().map(|phrase: &String| 32 + phrase.len()).sum::<usize>();
        let track = text(&line.body, "post").to_string();
        let ms = |key: &str| line.body.get(key).and_then(Value::as_u64).unwrap_or(line.ms);
        let (from, to) = (seconds(ms("start_ms")), seconds(ms("end_ms")));
        let mut judged = Judged {
            awaited,
            expected,
            verdict: text(&line.body, "verdict").to_string(),
            verdict_words: String::new(),
            result: Became::NotCounted,
            result_words: String::new(),
            evidence: Vec::new(),
            tests: Vec::new(),
            confidence: None,
        };
        let mut said = text(&line.body, "text").to_string();
        match serde_json::from_value::<Heard>(line.body.clone()) {
            Ok(heard) => {
                judged.verdict = words::verdict_name(&heard.verdict).to_string();
                judged.verdict_words = words::verdict(procedure, &heard.verdict);
                judged.evidence = words::evidence(&heard);
                judged.tests = why::lines(&heard.evidence);
                judged.confidence = Some(f64::from(heard.evidence.confidence)).filter(|c| c.is_finite());
                if said.is_empty() {
                    said = words::heard(procedure, &heard);
                }
            }
            Err(error) => judged.verdict_words = format!("This version can't read the verdict: {error}."),
        }
        let speaker = self.speaker(&track, procedure, &line.body);
        self.report.utterances.push(Utterance {
            number: 0,
            line: line.line,
            from,
            to: to.max(from),
            speaker,
            text: said,
            place: self.place(),
            saying: None,
            judged: Some(judged),
            altered: !line.sound,
            track,
        });
        self.judging = Some((self.report.utterances.len() - 1, Vec::new()));
    }

    /// Who spoke: the post, or at a shared microphone the one whose phrase it is.
    fn speaker(&self, track: &str, procedure: Option<&Procedure>, body: &Value) -> String {
        let owner = ["phrase", "closest"].iter().find_map(|key| body.get(*key)?.as_u64());
        let owner = owner.zip(procedure).and_then(|(id, procedure)| {
            let phrase = procedure.phrases.get(usize::try_from(id).ok()?)?;
            phrase.by.filter(|_| !matches!(phrase.used, Use::Call { .. }))
        });
        let name = match (track, owner) {
            ("room", Some(role)) => role.name(),
            ("room", None) => "room",
            (track, _) => track,
        };
        let mut title: String = name.to_string();
        if let Some(first) = title.get_mut(0..1) {
            first.make_ascii_uppercase();
        }
        match self.report.people.get(name) {
            Some(id) => format!("{title} {id}"),
            None => title,
        }
    }
}
