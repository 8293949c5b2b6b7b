//! A session played event by event, with everything that went in and came out kept for judging it from the outside.

use antiphon::listen::heard::{Doubt, Evidence, Heard, Ignored, Verdict};
use antiphon::procedure::{Call, PhraseId, Post, Procedure, Role, Use};
use antiphon::session::{step, Action, Event, HoldWhy, Note, Phase, Saying, State, What, DEFAULT_GRACE_MS};
use antiphon::who::BesideBoth;

/// One event, what was going on before it, and what came of it.
#[derive(Debug, Clone)]
pub struct Turn {
    pub event: Event,
    pub before: State,
    pub after: State,
    pub actions: Vec<Action>,
}

pub struct Play {
    pub procedure: Procedure,
    pub first: State,
    pub state: State,
    pub turns: Vec<Turn>,
    pub now_ms: u64,
}

/// Speech of the tool takes this long in examples, ms.
pub const SPEECH_MS: u64 = 2_000;

impl Play {
    pub fn new(procedure: Procedure, posts: &[Post]) -> Play {
        let first = State::new(&procedure, posts, DEFAULT_GRACE_MS);
        Play { procedure, state: first.clone(), first, turns: Vec::new(), now_ms: 0 }
    }

    /// Sends an event at the present time.
    pub fn send(&mut self, what: What) -> &[Action] {
        self.send_at(self.now_ms, what)
    }

    /// Sends an event stamped with any time.
    pub fn send_at(&mut self, at_ms: u64, what: What) -> &[Action] {
        let event = Event { at_ms, what };
        let before = self.state.clone();
        let (after, actions) = step(before.clone(), event.clone(), &self.procedure);
        self.state = after.clone();
        self.turns.push(Turn { event, before, after, actions });
        &self.turns.last().expect("one was just pushed").actions
    }

    // ---- the tool's voice ----

    /// The tool's utterance begins now and ends after `SPEECH_MS`.
    pub fn tool_speaks(&mut self) {
        self.tool_speaks_for(SPEECH_MS);
    }

    pub fn tool_speaks_for(&mut self, ms: u64) {
        let utterance = self.state.speaking.expect("the tool has something to say").utterance;
        self.send(What::SpeechBegan { utterance });
        self.now_ms += ms;
        self.send(What::SpeechEnded { utterance, whole: true });
    }

    /// What the tool said last.
    pub fn last_said(&self) -> (Saying, String) {
        let said = self.turns.iter().rev().flat_map(|turn| turn.actions.iter().rev()).find_map(said);
        said.expect("the tool has said something")
    }

    // ---- people ----

    pub fn id(&self, by: Option<Role>, text: &str) -> PhraseId {
        self.procedure
            .phrase_ids()
            .find(|id| self.procedure.phrase(*id).text == text && self.procedure.phrase(*id).by == by)
            .unwrap_or_else(|| panic!("the procedure has no phrase {text:?} of {by:?}"))
    }

    pub fn call_id(&self, wanted: Call) -> PhraseId {
        let is = |id: &PhraseId| self.procedure.phrase(*id).used == Use::Call { call: wanted };
        self.procedure.phrase_ids().find(is).expect("every procedure has every call")
    }

    /// An utterance that begins 200 ms from now and takes 1 s; it is reported when it is over.
    pub fn hears(&mut self, post: Post, verdict: Verdict) -> Vec<Note> {
        let start_ms = self.now_ms + 200;
        self.hears_at(post, verdict, start_ms, start_ms + 1_000)
    }

    pub fn hears_at(&mut self, post: Post, verdict: Verdict, start_ms: u64, end_ms: u64) -> Vec<Note> {
        self.now_ms = self.now_ms.max(end_ms);
        let actions = self.send(What::Heard(heard(post, verdict, start_ms, end_ms)));
        actions.iter().filter_map(note).collect()
    }

    /// Surely this phrase of a person, at the person's own microphone.
    pub fn says(&mut self, by: Role, text: &str) -> Vec<Note> {
        let phrase = self.id(Some(by), text);
        self.hears(by.post(), Verdict::Accepted { phrase })
    }

    /// The same in a voice that is so much likelier that of whoever read back, nats.
    pub fn says_as(&mut self, by: Role, text: &str, same_voice: f32) -> Vec<Note> {
        let phrase = self.id(Some(by), text);
        let start_ms = self.now_ms + 200;
        self.now_ms = start_ms + 1_000;
        let mut heard = heard(by.post(), Verdict::Accepted { phrase }, start_ms, self.now_ms);
        heard.evidence.same_voice = Some(same_voice);
        self.send(What::Heard(heard)).iter().filter_map(note).collect()
    }

    /// The same in a voice so like the person's own and so like the other's, as cosines; both are enrolled.
    pub fn says_beside(&mut self, by: Role, text: &str, own: f32, other: f32) -> Vec<Note> {
        let phrase = self.id(Some(by), text);
        let start_ms = self.now_ms + 200;
        self.now_ms = start_ms + 1_000;
        let mut heard = heard(by.post(), Verdict::Accepted { phrase }, start_ms, self.now_ms);
        heard.evidence.beside_both = Some(BesideBoth { own, other, enrolled: true });
        // What the two utterances alone would tell counts no more.
        heard.evidence.same_voice = Some(8.0);
        self.send(What::Heard(heard)).iter().filter_map(note).collect()
    }

    pub fn calls(&mut self, post: Post, call: Call) -> Vec<Note> {
        let phrase = self.call_id(call);
        self.hears(post, Verdict::Accepted { phrase })
    }

    // ---- time ----

    /// Waits until the session wants to be woken, and wakes it.
    pub fn wait(&mut self) -> Vec<Note> {
        self.now_ms = self.state.wake_at().expect("the session waits for something").max(self.now_ms);
        self.send(What::Time).iter().filter_map(note).collect()
    }

    pub fn held(&self) -> Option<HoldWhy> {
        match self.state.phase {
            Phase::Held { why, .. } => Some(why),
            _ => None,
        }
    }
}

pub fn heard(post: Post, verdict: Verdict, start_ms: u64, end_ms: u64) -> Heard {
    let evidence = Evidence {
        words: "as heard".into(),
        score: -0.372_5,
        margin: 12.062_5,
        confidence: 0.9,
        level_dbfs: -26.4,
        snr_db: 31.7,
        compute_ms: 41.3,
        ..Evidence::default()
    };
    Heard { post, start_ms, end_ms, verdict, evidence }
}

pub fn unsure(closest: PhraseId) -> Verdict {
    Verdict::Unsure { closest, why: Doubt::Faint }
}

pub const NOISE: Verdict = Verdict::Ignored { why: Ignored::NoPhrase };

pub fn note(action: &Action) -> Option<Note> {
    match action {
        Action::Note(note) => Some(note.clone()),
        _ => None,
    }
}

pub fn said(action: &Action) -> Option<(Saying, String)> {
    match action {
        Action::Say { saying, text, .. } => Some((*saying, text.clone())),
        _ => None,
    }
}
