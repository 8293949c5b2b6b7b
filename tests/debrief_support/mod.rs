//! Sessions for the tests of the debrief: the real keeper and rules, people who are tones, every sound at a known time.

// Each test program uses its own part of this.
#![allow(dead_code)]

use antiphon::audio::{PER_MS, RATE};
use antiphon::conduct::keeper::{Keeper, Opening, WallClock};
use antiphon::listen::heard::{Doubt, Evidence, Heard, Verdict};
use antiphon::procedure::{parse::parse, Call, PhraseId, Post, Role, Use};
use antiphon::record::SessionFolder;
use antiphon::screen::Blank;
use antiphon::session::{Action, Event, Phase, What};
use chrono::DateTime;
use std::path::{Path, PathBuf};

/// Where a tone stands: track, from and to in ms.
pub type Tone = (&'static str, u64, u64);

/// What goes wrong on the way, once each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Slip {
    /// The worker's read-back of this step is unsure.
    Unsure(u16),
    /// The observer refuses this step.
    Refusal(u16),
    /// The observer calls a hold at this step.
    Hold(u16),
}

pub struct Played {
    pub folder: PathBuf,
    pub tones: Vec<Tone>,
}

struct Stage {
    keeper: Keeper,
    now: u64,
    tones: Vec<Tone>,
    slips: Vec<Slip>,
    answer_ms: u64,
}

/// How long people take to answer, ms: long enough after the prompt for a step with a minimum time.
const ANSWER_MS: u64 = 8_213;

/// Plays a whole session of `source` into `root/id`.
pub fn play(root: &Path, id: &str, source: &str, slips: &[Slip]) -> Played {
    play_with(root, id, source, slips, ANSWER_MS, &mut |_| {})
}

/// The same with people who take so long to answer; `says` is told what the tool says.
pub fn play_with(
    root: &Path,
    id: &str,
    source: &str,
    slips: &[Slip],
    answer_ms: u64,
    says: &mut dyn FnMut(&str),
) -> Played {
    let procedure = parse(source, "test.toml").expect("the procedure of the test is right");
    let opening = Opening {
        antiphon: "0".into(),
        session: String::new(),
        mode: "rehearsal".into(),
        procedure_id: procedure.id.clone(),
        procedure_version: procedure.version.clone(),
        procedure_sha256: String::new(),
        engine: "none".into(),
        voice: "tones".into(),
        posts: vec![Post::Worker, Post::Observer],
        people: [("worker".to_string(), "w7".to_string()), ("observer".to_string(), "o2".to_string())].into(),
        grace_ms: 250,
        decoys: 0,
        rehearsal: None,
        practice: None,
        notes: Vec::new(),
        bars: None,
    };
    let folder = SessionFolder::create(root, id).unwrap();
    let path = folder.path().to_path_buf();
    let start = DateTime::parse_from_rfc3339("2026-11-25T09:00:00+01:00").unwrap();
    let keeper =
        Keeper::open(procedure, source, folder, opening, WallClock::From(start), Box::new(Blank)).unwrap();
    let mut stage = Stage { keeper, now: 0, tones: Vec::new(), slips: slips.to_vec(), answer_ms };
    stage.keeper.remark(0, "a remark with <b>markup</b> and \u{1b}[2J\u{202e}control").unwrap();
    let mut actions = stage.event(What::Begin);
    while stage.keeper.state.ended().is_none() {
        for action in &actions {
            if let Action::Say { text, .. } = action {
                says(text);
            }
        }
        actions = match said(&actions) {
            Some(utterance) => stage.speak(utterance),
            None => stage.answer(),
        };
        assert!(stage.now < 6_000_000, "the session of a test ends");
    }
    if let Some(utterance) = said(&actions) {
        stage.speak(utterance);
    }
    let end = stage.now;
    let tones = stage.tones;
    stage.keeper.close(end, false).unwrap();
    Played { folder: path, tones }
}

fn said(actions: &[Action]) -> Option<u64> {
    actions.iter().find_map(|action| match action {
        Action::Say { utterance, .. } => Some(*utterance),
        _ => None,
    })
}

/// A tone as loud as speech at a microphone.
fn tone(hz: f64, ms: u64) -> Vec<i16> {
    let angle = std::f64::consts::TAU * hz / f64::from(RATE);
    (0..ms * PER_MS).map(|n| ((n as f64 * angle).sin() * 6_000.0) as i16).collect()
}

impl Stage {
    fn event(&mut self, what: What) -> Vec<Action> {
        // Nothing is heard before now any more: its sound goes to the file, as it does while a session runs.
        self.keeper.advance_tracks(self.now * PER_MS).unwrap();
        self.keeper.event(Event { at_ms: self.now, what }).unwrap()
    }

    fn sound(&mut self, track: &'static str, from: u64, to: u64) {
        let at = from * PER_MS;
        match track {
            "worker" => self.keeper.keep_post(Post::Worker, at, &tone(700.0, to - from)).unwrap(),
            "observer" => self.keeper.keep_post(Post::Observer, at, &tone(900.0, to - from)).unwrap(),
            _ => self.keeper.keep_tool(at, &tone(400.0, to - from)).unwrap(),
        }
        self.tones.push((track, from, to));
    }

    fn speak(&mut self, utterance: u64) -> Vec<Action> {
        self.now += 137;
        let from = self.now;
        self.sound("tool", from, from + 1_200);
        let began = self.event(What::SpeechBegan { utterance });
        assert_eq!(said(&began), None);
        self.now += 1_200;
        self.event(What::SpeechEnded { utterance, whole: true })
    }

    fn answer(&mut self) -> Vec<Action> {
        let procedure = self.keeper.procedure.clone();
        let state = self.keeper.state.clone();
        let expected = state.expected(&procedure);
        let role = state.awaited(&procedure).expect("somebody is awaited when the tool is silent");
        let step = state.current_step();
        let confirming = matches!(state.phase, Phase::Confirm { .. });
        let right = Verdict::Accepted { phrase: expected[0] };
        let call =
            procedure.phrase_ids().find(|id| procedure.phrase(*id).used == Use::Call { call: Call::Hold });
        let slip = self.slips.iter().position(|slip| match slip {
            Slip::Unsure(at) => step == Some(*at) && role == Role::Worker,
            Slip::Refusal(at) | Slip::Hold(at) => step == Some(*at) && confirming,
        });
        let verdict = match slip.map(|at| self.slips.remove(at)) {
            None => right,
            Some(Slip::Unsure(_)) => Verdict::Unsure {
                closest: expected[0],
                why: Doubt::Decoy { text: "something like it".into() },
            },
            Some(Slip::Refusal(at)) => {
                Verdict::Accepted { phrase: procedure.steps[usize::from(at)].refuse[0] }
            }
            Some(Slip::Hold(_)) => Verdict::Accepted { phrase: call.expect("every procedure has the call") },
        };
        self.now += self.answer_ms;
        let (from, to) = (self.now, self.now + 1_100);
        let (track, post) = match role {
            Role::Worker => ("worker", Post::Worker),
            Role::Observer => ("observer", Post::Observer),
        };
        self.sound(track, from, to);
        self.now = to + 400;
        let phrase: Option<PhraseId> = expected.first().copied();
        let evidence = Evidence {
            words: "some words".into(),
            phrase,
            score: -0.2,
            margin: 8.0,
            confidence: 0.97,
            level_dbfs: -26.0,
            snr_db: 25.0,
            ..Evidence::default()
        };
        self.event(What::Heard(Heard { post, start_ms: from, end_ms: to, verdict, evidence }))
    }
}
