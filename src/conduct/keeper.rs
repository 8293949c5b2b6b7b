//! Keeps one session: folds events into the state, and puts each event and each action in the journal before anything
//! is done about it.
//!
//! Owns the state, the journal, the tracks and the screen. Must not know where events come from or how actions are
//! carried out. `new_place` moves a record that was damaged.

mod new_place;

use super::account::{account, recorded_outcome, Ending};
use super::clock::Watch;
use crate::audio::{PER_MS, RATE};
use crate::failure::Failure;
use crate::listen::accept::Bar;
use crate::listen::heard::{Heard, Verdict};
use crate::practice::{Practice, Source};
use crate::procedure::{Phrase, Post, Procedure};
use crate::record::journal::SOUND;
use crate::record::ledger::{Entry, Kind, Ledger};
use crate::record::moved::Moved;
use crate::record::sound::Sound;
use crate::record::summary::{finish, AudioAccount, Summary};
use crate::record::{Journal, RecordError, SessionFolder, Tracks};
use crate::screen::{LastHeard, Screen};
use crate::session::{step, Action, Event, Note, State, What};
use chrono::{DateTime, FixedOffset, TimeDelta};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The tool waits for somebody who is speaking at most this long: a phrase of six words takes 3 s.
const LONGEST_WAIT_MS: u64 = 4_000;

/// The record is looked at from outside this often, samples: half a second.
const LOOK_EVERY: u64 = RATE as u64 / 2;
/// The caution of a session whose sound was given up before its end, which was told then.
pub const STOPPED_EARLY: &str = "the recording stopped early";
/// The caution of a session whose record was removed, replaced or cut while it ran begins so.
pub const DAMAGED: &str = "the record was damaged while the session ran";

/// How a session began: the journal's first line, of kind `session`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// Version of the program.
    pub antiphon: String,
    pub session: String,
    /// `live`, `wav`, `rehearsal` or `practice`.
    pub mode: String,
    pub procedure_id: String,
    pub procedure_version: String,
    pub procedure_sha256: String,
    pub engine: String,
    pub voice: String,
    pub posts: Vec<Post>,
    /// Who is at which post, as short ids; empty when it was not said.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub people: BTreeMap<String, String>,
    pub grace_ms: u64,
    /// Decoys listened for besides the phrases.
    pub decoys: usize,
    /// What was asked for on the command line that shapes the run (seed, noise, script), for a rehearsal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rehearsal: Option<String>,
    /// One of the two is a stand-in, and the other one practises.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub practice: Option<Practice>,
    /// Every fallback and conversion made at the start.
    pub notes: Vec<String>,
    /// The bars by which phrases are accepted, by name (nats and probabilities). `None` in records from before this was kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bars: Option<Value>,
}

impl Opening {
    /// Whether there were microphones, in real time.
    pub fn is_live(&self) -> bool {
        let practised = self.practice.as_ref().is_some_and(|practice| practice.source == Source::Microphone);
        self.mode == "live" || practised
    }
}

/// Today's bars by name, with the digits they are written with: as a value of 64 bits 0.65 would be 0.6499999761581421.
fn bars() -> Option<Value> {
    serde_json::to_string(&Bar::default()).ok().and_then(|text| serde_json::from_str(&text).ok())
}

/// An event in the journal (kind `in`): the event and, for people, the words behind its phrase number.
#[derive(Serialize)]
struct EventLine<'a> {
    #[serde(flatten)]
    event: &'a Event,
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<&'a str>,
    /// Slots of the phrase with what was said in them.
    #[serde(skip_serializing_if = "Option::is_none")]
    values: Option<BTreeMap<&'a str, &'a str>>,
}

/// The session clock's zero on the wall.
#[derive(Debug, Clone, Copy)]
pub enum WallClock {
    /// Real time.
    Real,
    /// The session's ms are counted from here.
    From(DateTime<FixedOffset>),
}

impl WallClock {
    fn at(&self, ms: u64) -> DateTime<FixedOffset> {
        match self {
            WallClock::Real => chrono::Local::now().fixed_offset(),
            WallClock::From(start) => *start + TimeDelta::milliseconds(i64::try_from(ms).unwrap_or(i64::MAX)),
        }
    }
}

pub struct Keeper {
    pub procedure: Procedure,
    pub state: State,
    /// The procedure's file as it was, for a new place.
    source: String,
    folder: SessionFolder,
    journal: Journal,
    sound: Sound,
    opening: Opening,
    wall: WallClock,
    /// With a real clock: a step of it is noted.
    watch: Option<(Watch, Instant)>,
    started: DateTime<FixedOffset>,
    screen: Box<dyn Screen>,
    last_heard: Option<LastHeard>,
    late_samples: u64,
    /// The folder whose ledger has the session's start.
    ledger: Option<PathBuf>,
    /// What was done to the record from outside; told once.
    harm: Option<String>,
    harm_told: bool,
    looked_at: u64,
    /// Every move of the record, and when, ms; and the folders that it was in before.
    moves: Vec<(u64, Moved)>,
    left: Vec<PathBuf>,
}

impl Keeper {
    /// Makes the folder's files and writes the first line.
    pub fn open(
        procedure: Procedure,
        source: &str,
        folder: SessionFolder,
        mut opening: Opening,
        wall: WallClock,
        screen: Box<dyn Screen>,
    ) -> Result<Keeper, RecordError> {
        opening.procedure_sha256 = folder.keep_procedure(source)?;
        opening.session = folder.id().to_string();
        opening.bars = bars();
        let mut journal = Journal::create(&folder)?;
        journal.keep_spare();
        let mut names: Vec<&str> = opening.posts.iter().map(|post| post.name()).collect();
        names.push("tool");
        let sound = Sound::new(Tracks::create(&folder, &names)?, opening.is_live())?;
        let started = wall.at(0);
        journal.append(started, 0, "session", &opening)?;
        journal.sync()?;
        let state = State::new(&procedure, &opening.posts, opening.grace_ms);
        let watch = match wall {
            WallClock::Real => Some((Watch::new(started, Duration::ZERO), Instant::now())),
            WallClock::From(_) => None,
        };
        let mut keeper = Keeper {
            procedure,
            state,
            source: source.to_owned(),
            folder,
            journal,
            sound,
            opening,
            wall,
            watch,
            started,
            screen,
            last_heard: None,
            late_samples: 0,
            ledger: None,
            harm: None,
            harm_told: false,
            looked_at: 0,
            moves: Vec::new(),
            left: Vec::new(),
        };
        keeper.look_at_spare(0)?;
        Ok(keeper)
    }

    /// Enters the session's start in the ledger of this folder of sessions. When that can't be, it is told, and the
    /// session goes on without.
    pub fn enter_in_ledger(&mut self, root: &Path) -> Result<(), RecordError> {
        let now = chrono::Local::now().fixed_offset();
        let (_, first) = self.journal.head();
        let entry = Entry {
            session: self.folder.id().to_string(),
            first_sha256: Some(first.to_string()),
            ..Entry::default()
        };
        let entered = Ledger::open_or_begin(root, now, self.folder.id())
            .and_then(|mut ledger| ledger.enter(now, Kind::Started, &entry));
        match entered {
            Ok(()) => self.ledger = Some(root.to_owned()),
            Err(error) => {
                self.remark(0, &format!("the ledger of sessions has no entry of this one: {}", told(error)))?
            }
        }
        Ok(())
    }

    pub fn folder(&self) -> &SessionFolder {
        &self.folder
    }

    /// Journals the event, folds it in, journals what is to be done, and hands that back. When something is to be
    /// said, everything before it is on the disk by then.
    pub fn event(&mut self, event: Event) -> Result<Vec<Action>, RecordError> {
        self.look_at_clock(event.at_ms)?;
        let ms = self.line_ms(event.at_ms);
        let at = self.wall.at(ms);
        let phrase = phrase_of(&self.procedure, &event);
        let values = phrase.map(|phrase| phrase.values().iter().map(|(slot, said)| (&**slot, &**said)));
        let line = EventLine {
            event: &event,
            text: phrase.map(|phrase| phrase.text.as_str()),
            values: values.map(Iterator::collect).filter(|values: &BTreeMap<_, _>| !values.is_empty()),
        };
        self.journal.append(at, ms, "in", &line)?;
        let (state, actions) = step(self.state.clone(), event.clone(), &self.procedure);
        self.state = state;
        for action in &actions {
            self.journal.append(at, ms, "out", action)?;
        }
        if actions.iter().any(|action| matches!(action, Action::Say { .. } | Action::End { .. })) {
            self.secure_sound(&event);
            self.journal.sync()?;
            self.look_at_record();
        }
        if let What::Heard(heard) = &event.what {
            self.remember(heard, &actions);
        }
        self.screen.event(&self.procedure, &event, &actions);
        self.show();
        Ok(actions)
    }

    /// Whether `What::Time` is due. Nobody is talked over: it waits for whoever is speaking, though not for ever, since
    /// what sounds like speech may be noise.
    pub fn due(&self, now_ms: u64, somebody_speaks: bool) -> bool {
        let patience = if somebody_speaks { LONGEST_WAIT_MS } else { 0 };
        self.state.wake_at().is_some_and(|wake| now_ms >= wake.saturating_add(patience))
    }

    /// A fallback, a conversion, a loss: on the screen and in the journal.
    pub fn remark(&mut self, ms: u64, text: &str) -> Result<(), RecordError> {
        let ms = self.line_ms(ms);
        self.journal.append(self.wall.at(ms), ms, "note", &serde_json::json!({ "note": text }))?;
        self.screen.remark(ms, text);
        Ok(())
    }

    /// The same in the journal only, with data under a key for programs that read it.
    pub fn quiet_remark(
        &mut self,
        ms: u64,
        text: &str,
        key: &str,
        data: &impl Serialize,
    ) -> Result<(), RecordError> {
        let ms = self.line_ms(ms);
        let body = serde_json::json!({ "note": text, key: data });
        self.journal.append(self.wall.at(ms), ms, "note", &body)?;
        Ok(())
    }

    /// The clock of a line: it never goes back, and a line may be written for an earlier moment.
    fn line_ms(&self, ms: u64) -> u64 {
        ms.max(self.state.now_ms).max(self.journal.last_ms())
    }

    /// The journal's times are those of the machine's clock: when that is set, the journal says so.
    fn look_at_clock(&mut self, ms: u64) -> Result<(), RecordError> {
        let Some((watch, since)) = &mut self.watch else { return Ok(()) };
        let Some(step) = watch.look(self.wall.at(ms), since.elapsed()) else { return Ok(()) };
        let words = step.words();
        self.quiet_remark(ms, &words, "clock", &step)?;
        self.screen.remark(ms, &words);
        Ok(())
    }

    /// The same on the screen only.
    pub fn show_remark(&mut self, text: &str) {
        self.screen.remark(self.state.now_ms, text);
    }

    /// Something heard at a post that came from the loudspeaker: kept, and nothing follows from it.
    pub fn echo(&mut self, ms: u64, heard: &Heard) -> Result<(), RecordError> {
        let words = crate::screen::words::heard_words(&self.procedure, heard);
        self.remark(ms, &format!("not counted: the loudspeaker, heard at the post of the {words}"))
    }

    /// Redraws; call it a few times a second for the clocks.
    pub fn show(&mut self) {
        self.screen.show(&self.procedure, &self.state, self.last_heard.as_ref());
    }

    /// The same at a time between events.
    pub fn show_at(&mut self, now_ms: u64) {
        let mut state = self.state.clone();
        state.now_ms = state.now_ms.max(now_ms);
        self.screen.show(&self.procedure, &state, self.last_heard.as_ref());
    }

    /// Samples of a post, at a position on the session clock.
    pub fn keep_post(&mut self, post: Post, at_sample: u64, samples: &[i16]) -> Result<(), RecordError> {
        match self.opening.posts.iter().position(|known| *known == post) {
            Some(track) => self.keep(track, at_sample, samples),
            None => Ok(()),
        }
    }

    /// Samples of the tool's own voice.
    pub fn keep_tool(&mut self, at_sample: u64, samples: &[i16]) -> Result<(), RecordError> {
        self.keep(self.opening.posts.len(), at_sample, samples)
    }

    fn keep(&mut self, track: usize, at_sample: u64, samples: &[i16]) -> Result<(), RecordError> {
        self.late_samples += self.sound.write(track, at_sample, samples)?;
        Ok(())
    }

    /// Everything before this position goes to the file. When it can't, that is told and the session goes on.
    pub fn advance_tracks(&mut self, to_sample: u64) -> Result<(), RecordError> {
        self.sound.advance(to_sample);
        if to_sample >= self.looked_at + LOOK_EVERY {
            self.looked_at = to_sample;
            self.look_at_record();
        }
        self.look_at_clock(to_sample / PER_MS)?;
        self.vouch_for_sound(to_sample / PER_MS)?;
        self.look_at_spare(to_sample / PER_MS)?;
        match self.sound.news() {
            Some(why) => self.remark(to_sample / PER_MS, &format!("no sound is recorded from now on: {why}")),
            None => Ok(()),
        }
    }

    /// The journal has the sound's digest at every ten seconds: a record that is cut off proves its sound too.
    fn vouch_for_sound(&mut self, ms: u64) -> Result<(), RecordError> {
        for piece in self.sound.pieces() {
            let ms = self.line_ms(ms);
            self.journal.append(self.wall.at(ms), ms, SOUND, &piece)?;
        }
        Ok(())
    }

    /// Without a second copy a journal that is cut can't go on in a new place.
    fn look_at_spare(&mut self, ms: u64) -> Result<(), RecordError> {
        match self.journal.spare_lost() {
            Some(why) => self.remark(ms, &format!("no second copy of the journal is kept: {why}")),
            None => Ok(()),
        }
    }

    /// From inside every write to a file that was removed or cut succeeds.
    fn look_at_record(&mut self) {
        if self.harm.is_none() {
            self.harm = self.journal.harm().or_else(|| self.sound.harm());
        }
    }

    /// What was done to the record from outside, once: whoever drives the session makes it an event.
    pub fn harmed(&mut self) -> Option<String> {
        let why = self.harm.clone().filter(|_| !self.harm_told);
        self.harm_told |= why.is_some();
        why
    }

    /// The sound of an answer that counts is on the disk before the journal says that it counted.
    fn secure_sound(&mut self, event: &Event) {
        if let What::Heard(Heard { verdict: Verdict::Accepted { .. }, end_ms, .. }) = &event.what {
            self.sound.secure(end_ms * PER_MS, self.opening.posts.len());
        }
    }

    /// Closes the record and writes the summary.
    pub fn close(mut self, end_ms: u64, failed: bool) -> Result<Summary, RecordError> {
        let end_ms = end_ms.max(self.state.now_ms);
        let names = self.sound.names().to_vec();
        self.sound.advance(end_ms * PER_MS);
        self.vouch_for_sound(end_ms)?;
        let end_ms = self.line_ms(end_ms);
        self.look_at_record();
        let tracks = self.sound.finish();
        let audio = match (tracks, &self.harm) {
            (Ok(audio), _) => Some(audio),
            // The journal is closed all the same, as far as there is one.
            (Err(_), Some(_)) => None,
            (Err(error), None) => return Err(error),
        };
        let mut cautions: Vec<String> = self.opening.practice.iter().map(Practice::caution).collect();
        cautions.extend(self.procedure.cautions.iter().cloned());
        if self.late_samples > 0 {
            cautions.push(format!("{} samples came too late to be recorded", self.late_samples));
        }
        if audio.as_ref().is_some_and(|audio| audio.failed) {
            cautions.push(STOPPED_EARLY.to_string());
        }
        cautions.extend(self.moves.iter().map(|(ms, moved)| moved.caution(*ms)));
        if let Some(why) = &self.harm {
            cautions.push(format!("{DAMAGED}: {why}"));
        }
        let ending = Ending {
            session: self.folder.id(),
            started: self.started,
            ended: self.wall.at(end_ms),
            end_ms,
            outcome: recorded_outcome(&self.state, failed),
            audio: audio.as_ref().map(|audio| AudioAccount {
                tracks: names,
                seconds: audio.samples as f64 / f64::from(RATE),
                dropped_frames: audio.dropped,
            }),
            audio_sha256: audio.map(|audio| audio.sha256),
            cautions,
            closed_later: None,
        };
        let account = account(&self.procedure, &self.state, &self.opening, ending);
        let summary = finish(&self.folder, self.journal, end_ms, account)?;
        let entered = self.ledger.map_or(Ok(()), |root| enter_end(&root, &summary));
        if let Err(error) = entered {
            // The journal is closed: the screen is all there is.
            let text = format!("the ledger of sessions has no entry of this end: {}", told(error));
            self.screen.remark(end_ms, &text);
        }
        self.screen.close();
        Ok(summary)
    }

    fn remember(&mut self, heard: &Heard, actions: &[Action]) {
        let note = actions.iter().find_map(|action| match action {
            Action::Note(
                note @ (Note::Counted { .. }
                | Note::Obeyed { .. }
                | Note::AskedAgain { .. }
                | Note::Unheeded { .. }
                | Note::TooSoon { .. }
                | Note::SameVoice { .. }
                | Note::ContingencyBegan { .. }
                | Note::Held { .. }),
            ) => Some(note.clone()),
            _ => None,
        });
        self.last_heard = Some(LastHeard { heard: heard.clone(), note });
    }
}

/// As the session wrote it, whatever has become of its files since.
fn enter_end(root: &Path, summary: &Summary) -> Result<(), RecordError> {
    let entry = Entry {
        session: summary.account.session.clone(),
        last_sha256: Some(summary.journal_sha256.clone()),
        outcome: Some(summary.account.outcome.name().to_string()),
        ..Entry::default()
    };
    // The one that has the start: another is not begun for an end.
    let missing =
        || RecordError::io("write the ledger of sessions", root, std::io::ErrorKind::NotFound.into());
    let mut ledger = Ledger::open(root)?.ok_or_else(missing)?;
    ledger.enter(chrono::Local::now().fixed_offset(), Kind::Ended, &entry)
}

fn told(error: RecordError) -> String {
    Failure::from(error).reason()
}

fn phrase_of<'a>(procedure: &'a Procedure, event: &Event) -> Option<&'a Phrase> {
    let What::Heard(heard) = &event.what else { return None };
    let phrase = match &heard.verdict {
        Verdict::Accepted { phrase } | Verdict::Other { phrase } => phrase,
        Verdict::Unsure { closest, .. } => closest,
        Verdict::Ignored { .. } => return None,
    };
    Some(procedure.phrase(*phrase))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::verify::{verify, State as Found, Weight};
    use crate::screen::Blank;
    use crate::session::Outcome;
    use chrono::TimeDelta;

    #[test]
    fn a_clock_that_is_set_is_noted_when_it_happens_and_verify_names_it() {
        let root = tempfile::tempdir().unwrap();
        let source = include_str!("../../procedures/isolation-donning.toml");
        let procedure = crate::procedure::parse::parse(source, "p.toml").unwrap();
        let opening = serde_json::json!({
            "antiphon": "0", "session": "", "mode": "live", "procedure_id": "x", "procedure_version": "1",
            "procedure_sha256": "", "engine": "none", "voice": "none", "posts": ["room"], "grace_ms": 250,
            "decoys": 0, "notes": [],
        });
        let opening = serde_json::from_value(opening).unwrap();
        let folder = SessionFolder::create(root.path(), "one").unwrap();
        let path = folder.path().to_owned();
        let mut keeper =
            Keeper::open(procedure, source, folder, opening, WallClock::Real, Box::new(Blank)).unwrap();
        keeper.event(Event { at_ms: 10, what: What::Begin }).unwrap();
        // An hour more than has passed: the clock was set back since.
        let ahead = chrono::Local::now().fixed_offset() + TimeDelta::hours(1);
        keeper.watch = Some((Watch::new(ahead, Duration::ZERO), Instant::now()));
        keeper.advance_tracks(16_000).unwrap();
        keeper.advance_tracks(32_000).unwrap();
        keeper.event(Event { at_ms: 3_000, what: What::Interrupt }).unwrap();
        assert_eq!(keeper.state.ended(), Some(Outcome::Interrupted));
        keeper.close(3_000, false).unwrap();
        let report = verify(&path).unwrap();
        let told = report.findings.iter().filter(|one| one.what.contains("clock was set back by 3600.0 s"));
        let told: Vec<_> = told.collect();
        assert!(told.len() == 1 && told[0].weight == Weight::Note, "{:?}", report.findings);
        assert_eq!(report.state, Found::Sound, "{:?}", report.findings);
    }
}
