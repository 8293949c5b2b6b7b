//! A session driven by hand, for tests of what is shown.

use super::{LastHeard, View};
use crate::listen::heard::{Doubt, Evidence, Heard, Verdict};
use crate::procedure::{parse, Phrase, PhraseId, Post, Procedure, Role};
use crate::session::{step, Action, Event, Note, Phase, State, What, DEFAULT_GRACE_MS};

pub const KOREAN: &str = r#"
[procedure]
id = "gloves"
title = "장갑 착용 연습"
version = "1"
language = "ko"
closing = "모든 단계가 끝났습니다."
cautions = ["연습용입니다."]

[refusal]
phrases = "아직 아닙니다 다시 하세요"

[calls]
hold = "잠깐 멈춰 주세요"
carry-on = "계속 진행해 주세요"
say-again = "다시 말해 주세요"
go-back = "앞 단계로 돌아가요"
stop = "모두 중지 중지"

[[step]]
id = "inner"
instruction = "속장갑을 끼세요."
look = "양쪽 손목이 덮였는지 보세요."
read_back = "속장갑을 끼었습니다"
confirm = "손목이 모두 덮였습니다"
"#;

pub struct Run {
    pub procedure: Procedure,
    pub state: State,
    pub last: Option<LastHeard>,
    /// The latest words of the tool.
    pub said: Option<String>,
    pub now_ms: u64,
}

impl Run {
    pub fn shipped() -> Run {
        Run::of(include_str!("../../procedures/isolation-donning.toml"))
    }

    /// Begun; the tool is speaking its first words.
    pub fn of(source: &str) -> Run {
        let mut run = Run::ready(source);
        run.event(What::Begin);
        run
    }

    pub fn ready(source: &str) -> Run {
        let procedure = parse::parse(source, "test.toml").unwrap();
        let state = State::new(&procedure, &[Post::Worker, Post::Observer], DEFAULT_GRACE_MS);
        Run { procedure, state, last: None, said: None, now_ms: 0 }
    }

    pub fn view(&self) -> View {
        View::of(&self.procedure, &self.state, self.last.as_ref())
    }

    pub fn event(&mut self, what: What) {
        self.now_ms += 500;
        let event = Event { at_ms: self.now_ms, what };
        let (state, actions) = step(self.state.clone(), event.clone(), &self.procedure);
        self.state = state;
        for action in &actions {
            if let Action::Say { text, .. } = action {
                self.said = Some(text.clone());
            }
        }
        if let What::Heard(heard) = event.what {
            let note = actions.iter().find_map(|action| match action {
                Action::Note(note) if !matches!(note, Note::StepDone { .. } | Note::Decided { .. }) => {
                    Some(note.clone())
                }
                _ => None,
            });
            self.last = Some(LastHeard { heard, note });
        }
    }

    /// Time passes, nothing happens.
    pub fn wait(&mut self, ms: u64) {
        self.now_ms += ms;
        self.state.now_ms = self.now_ms;
    }

    /// The tool ends what it is saying.
    pub fn spoken(&mut self) {
        if let Some(speaking) = self.state.speaking {
            self.event(What::SpeechBegan { utterance: speaking.utterance });
            self.now_ms += 1_500;
            self.event(What::SpeechEnded { utterance: speaking.utterance, whole: true });
        }
    }

    fn id(&self, text: &str) -> PhraseId {
        let known = |phrase: &Phrase| phrase.text == text;
        let index = self.procedure.phrases.iter().position(known);
        PhraseId(index.unwrap_or_else(|| panic!("no phrase {text:?}")) as u16)
    }

    pub fn hears(&mut self, post: Post, verdict: Verdict) {
        let (start_ms, end_ms) = (self.now_ms + 200, self.now_ms + 480);
        let evidence = Evidence::default();
        self.event(What::Heard(Heard { post, start_ms, end_ms, verdict, evidence }));
    }

    /// Somebody says a phrase, surely.
    pub fn says(&mut self, post: Post, text: &str) {
        let phrase = self.id(text);
        self.hears(post, Verdict::Accepted { phrase });
    }

    /// Somebody says something like a phrase.
    pub fn mumbles(&mut self, post: Post, text: &str, like: &str) {
        let closest = self.id(text);
        self.hears(post, Verdict::Unsure { closest, why: Doubt::Decoy { text: like.into() } });
    }

    /// The tool's words are spoken to their end, or what is awaited is said.
    pub fn on(&mut self) {
        if self.state.speaking.is_some() {
            return self.spoken();
        }
        let post = match self.state.awaited(&self.procedure) {
            Some(Role::Worker) => Post::Worker,
            _ => Post::Observer,
        };
        self.wait(self.view().not_before_s.unwrap_or(0) * 1000);
        let phrase = self.state.expected(&self.procedure)[0];
        self.hears(post, Verdict::Accepted { phrase });
    }

    /// Everything right until the worker is awaited at this step.
    pub fn until(&mut self, id: &str) {
        let wanted = self.procedure.steps.iter().position(|step| step.id == id).unwrap() as u16;
        while self.state.phase != (Phase::ReadBack { step: wanted }) || self.state.speaking.is_some() {
            self.on();
        }
    }

    /// Everything right until the tool speaks its last words.
    pub fn until_closing(&mut self) {
        while self.state.phase != Phase::Closing {
            self.on();
        }
    }
}
