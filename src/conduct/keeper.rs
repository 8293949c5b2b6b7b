//! Keeps one session: folds events into the state, and puts each event and each action in the journal before anything
//! is done about it.
//!
//! Owns the state, the journal, the tracks and the screen. Must not know where events come from or how actions are
//! carried out.

use crate::audio::{PER_MS, RATE};
use crate::listen::heard::{Heard, Verdict};
use crate::practice::{Practice, Source};
use crate::procedure::{Part, Phrase, Post, Procedure, Then};
use crate::record::sound::Sound;
use crate::record::summary::{
    finish, Account, AudioAccount, ContingencyAccount, DecisionAccount, ExitAccount,
    Outcome as RecordedOutcome, ProcedureRef, SkippedBy, StepAccount, StepDecision, Summary, Totals,
};
use crate::record::{Journal, RecordError, SessionFolder, Tracks};
use crate::screen::{LastHeard, Screen};
use crate::session::{step, Action, Event, Note, Outcome, Progress, Run, Standing, State, What};
use chrono::{DateTime, FixedOffset, TimeDelta};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The tool waits for somebody who is speaking at most this long: a phrase of six words takes 3 s.
const LONGEST_WAIT_MS: u64 = 4_000;

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
}

impl Opening {
    /// Whether there were microphones, in real time.
    pub fn is_live(&self) -> bool {
        let practised = self.practice.as_ref().is_some_and(|practice| practice.source == Source::Microphone);
        self.mode == "live" || practised
    }
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
    folder: SessionFolder,
    journal: Journal,
    sound: Sound,
    opening: Opening,
    wall: WallClock,
    started: DateTime<FixedOffset>,
    screen: Box<dyn Screen>,
    last_heard: Option<LastHeard>,
    late_samples: u64,
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
        let mut journal = Journal::create(&folder)?;
        let mut names: Vec<&str> = opening.posts.iter().map(|post| post.name()).collect();
        names.push("tool");
        let sound = Sound::new(Tracks::create(&folder, &names)?, opening.is_live())?;
        let started = wall.at(0);
        journal.append(started, 0, "session", &opening)?;
        journal.sync()?;
        let state = State::new(&procedure, &opening.posts, opening.grace_ms);
        Ok(Keeper {
            procedure,
            state,
            folder,
            journal,
            sound,
            opening,
            wall,
            started,
            screen,
            last_heard: None,
            late_samples: 0,
        })
    }

    pub fn folder(&self) -> &SessionFolder {
        &self.folder
    }

    /// Journals the event, folds it in, journals what is to be done, and hands that back. When something is to be
    /// said, everything before it is on the disk by then.
    pub fn event(&mut self, event: Event) -> Result<Vec<Action>, RecordError> {
        let ms = event.at_ms.max(self.state.now_ms);
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
        let ms = ms.max(self.state.now_ms);
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
        let ms = ms.max(self.state.now_ms);
        let body = serde_json::json!({ "note": text, key: data });
        self.journal.append(self.wall.at(ms), ms, "note", &body)?;
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
        match self.sound.news() {
            Some(why) => self.remark(to_sample / PER_MS, &format!("no sound is recorded from now on: {why}")),
            None => Ok(()),
        }
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
        let audio = self.sound.finish()?;
        let mut cautions: Vec<String> = self.opening.practice.iter().map(Practice::caution).collect();
        cautions.extend(self.procedure.cautions.iter().cloned());
        if self.late_samples > 0 {
            cautions.push(format!("{} samples came too late to be recorded", self.late_samples));
        }
        if audio.failed {
            cautions.push("the recording stopped early".to_string());
        }
        let state = &self.state;
        let procedure = &self.procedure;
        let account = Account {
            session: self.folder.id().to_string(),
            procedure: ProcedureRef {
                id: procedure.id.clone(),
                title: procedure.title.clone(),
                version: procedure.version.clone(),
                sha256: self.opening.procedure_sha256.clone(),
            },
            started: self.started,
            ended: self.wall.at(end_ms),
            outcome: recorded_outcome(state, failed),
            engine: self.opening.engine.clone(),
            voice: self.opening.voice.clone(),
            posts: self.opening.posts.iter().map(|post| post.name().to_string()).collect(),
            people: self.opening.people.clone(),
            practice: self.opening.practice.clone(),
            answers: answers(procedure, state),
            decisions: decisions(procedure, state),
            totals: totals(procedure, state, end_ms),
            audio: Some(AudioAccount {
                tracks: names,
                seconds: audio.samples as f64 / f64::from(RATE),
                dropped_frames: audio.dropped,
            }),
            audio_sha256: Some(audio.sha256),
            steps: step_accounts(procedure, state, Part::Main),
            contingencies: contingencies(procedure, state),
            exit: exit(procedure, state),
            cautions,
        };
        let summary = finish(&self.folder, self.journal, end_ms, account)?;
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
                | Note::ContingencyBegan { .. }
                | Note::Held { .. }),
            ) => Some(note.clone()),
            _ => None,
        });
        self.last_heard = Some(LastHeard { heard: heard.clone(), note });
    }
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

fn recorded_outcome(state: &State, failed: bool) -> RecordedOutcome {
    match state.ended() {
        _ if failed => RecordedOutcome::Failed,
        Some(Outcome::Completed) => RecordedOutcome::Completed,
        Some(Outcome::Exited) => RecordedOutcome::Exited,
        Some(Outcome::Stopped) => RecordedOutcome::Stopped,
        Some(Outcome::InputEnded) => RecordedOutcome::InputEnded,
        Some(Outcome::Interrupted) => RecordedOutcome::Interrupted,
        None => RecordedOutcome::Held,
    }
}

pub(crate) fn step_accounts(procedure: &Procedure, state: &State, part: Part) -> Vec<StepAccount> {
    procedure.range(part).map(|index| step_account(procedure, state, index)).collect()
}

pub(crate) fn contingencies(procedure: &Procedure, state: &State) -> Vec<ContingencyAccount> {
    let account = |(number, run): (usize, &Run)| {
        let contingency = &procedure.contingencies[usize::from(run.contingency)];
        let again = state.runs[number + 1..].iter().any(|later| later.contingency == run.contingency);
        let part = Part::Contingency(run.contingency);
        ContingencyAccount {
            id: contingency.id.clone(),
            title: contingency.title.clone(),
            called_at: run.post.name().to_string(),
            called_ms: run.called_ms,
            ended_ms: run.ended_ms,
            ending: run.ending,
            steps: if again { Vec::new() } else { step_accounts(procedure, state, part) },
        }
    };
    state.runs.iter().enumerate().map(account).collect()
}

pub(crate) fn exit(procedure: &Procedure, state: &State) -> Option<ExitAccount> {
    let because_of = &procedure.contingencies[usize::from(state.leaving_by()?)];
    let Then::Exit { exit } = because_of.then else { return None };
    let about = &procedure.exits[usize::from(exit)];
    Some(ExitAccount {
        id: about.id.clone(),
        title: about.title.clone(),
        because_of: because_of.id.clone(),
        steps: step_accounts(procedure, state, Part::Exit(exit)),
    })
}

fn step_account(procedure: &Procedure, state: &State, index: usize) -> StepAccount {
    let step = &procedure.steps[index];
    let progress = &state.steps[index];
    StepAccount {
        id: step.id.clone(),
        instruction: step.instruction.clone(),
        critical: step.critical,
        by: step.by,
        expected_s: step.expected_s,
        at_least_s: step.at_least_s,
        released_ms: progress.released_ms,
        values: progress
            .read_back_as
            .map(|id| procedure.phrase(id).values().iter().cloned().collect())
            .unwrap_or_default(),
        skipped_by: (progress.standing == Standing::Skipped)
            .then(|| skipped_by(procedure, state, index))
            .flatten(),
        started_ms: progress.first_began_ms,
        read_back_ms: progress.read_back_ms,
        confirmed_ms: progress.confirmed_ms,
        decision: step_decision(procedure, progress),
        repeats: progress.asks_again,
        refusals: progress.refusals,
        reminders: progress.reminders,
        holds: progress.holds,
        seconds: progress
            .confirmed_ms
            .or(progress.decided.map(|decided| decided.at_ms))
            .zip(progress.first_began_ms)
            .map(|(done, began)| done.saturating_sub(began) as f64 / 1000.0),
    }
}

fn step_decision(procedure: &Procedure, progress: &Progress) -> Option<StepDecision> {
    let decided = progress.decided?;
    let reason = procedure.decision.as_ref()?.reasons.get(usize::from(decided.reason))?;
    Some(StepDecision { reason: reason.id.clone(), label: reason.label.clone(), decided_ms: decided.at_ms })
}

/// The decisions that stand, in the order of the steps.
fn decisions(procedure: &Procedure, state: &State) -> Vec<DecisionAccount> {
    let pairs = procedure.steps.iter().zip(&state.steps);
    pairs
        .filter_map(|(step, progress)| {
            let decision = step_decision(procedure, progress)?;
            Some(DecisionAccount { step: step.id.clone(), decision })
        })
        .collect()
}

/// The first condition that does not hold.
fn skipped_by(procedure: &Procedure, state: &State, index: usize) -> Option<SkippedBy> {
    procedure.steps[index].when.iter().find_map(|condition| {
        let answer = state.answers[usize::from(condition.question)]?;
        let question = &procedure.questions[usize::from(condition.question)];
        (!condition.answers.contains(&answer)).then(|| SkippedBy {
            question: question.id.clone(),
            answer: question.answers[usize::from(answer)].value.clone(),
        })
    })
}

fn answers(procedure: &Procedure, state: &State) -> BTreeMap<String, String> {
    let pairs = procedure.questions.iter().zip(&state.answers);
    pairs
        .filter_map(|(question, answer)| {
            answer.map(|answer| (question.id.clone(), question.answers[usize::from(answer)].value.clone()))
        })
        .collect()
}

fn totals(procedure: &Procedure, state: &State, end_ms: u64) -> Totals {
    let own = &state.steps[procedure.range(Part::Main)];
    let count = |wanted: fn(Standing) -> bool| own.iter().filter(|step| wanted(step.standing)).count() as u32;
    Totals {
        seconds: end_ms as f64 / 1000.0,
        steps_done: count(Standing::is_done),
        decisions: decisions(procedure, state).len() as u32,
        steps_skipped: count(|standing| standing == Standing::Skipped),
        asks_again: state.all_asks_again,
        refusals: state.steps.iter().map(|step| step.refusals).sum(),
        reminders: state.all_reminders,
        holds: state.holds,
        stops: state.stops,
        go_backs: state.go_backs,
        contingencies: state.runs.len() as u32,
        calls: state.calls_obeyed,
    }
}
