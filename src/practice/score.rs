//! How the trainee did, read back from the journal of a practice: what was answered by heart, what was asked again and
//! why, times, and what was done about each deliberate error.
//!
//! PURE: folds the journal's events through the session's rules, so it works while a practice is being closed and for a
//! finished one. Describes; must not pass or fail anybody.

use super::reaction::{Reaction, Reactions};
use super::words::{practise_next, title_of};
use super::Practice;
use crate::conduct::keeper::Opening;
use crate::debrief::build::understood;
use crate::listen::heard::{Heard, Verdict};
use crate::procedure::{Call, PhraseId, Post, Procedure, Role, Use};
use crate::record::read::Line;
use crate::session::{step, Action, Event, HoldWhy, Note, Phase, Saying, State, Unheeded, What};
use crate::statistics::median;
use serde::{Deserialize, Serialize};

/// Said with every score.
pub const CAUTION: &str = "A description of one practice with a stand-in, not a test: there is no pass mark. Whether \
                           somebody is competent is for a trainer to judge, in the equipment and by local protocol.";

/// `practice.json`. Seconds are on the session clock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Score {
    pub format: u32,
    pub session: String,
    pub procedure: String,
    pub title: String,
    pub version: String,
    pub practice: Practice,
    pub outcome: Outcome,
    pub seconds: f64,
    pub totals: Totals,
    /// Every time the trainee's words were awaited at a step, in order.
    pub answers: Vec<Answer>,
    /// From the end of the prompt to the beginning of the answer that counted.
    pub times: Vec<Times>,
    /// Steps whose usual time the procedure gives.
    pub steps: Vec<StepTime>,
    /// What was done about each deliberate error.
    pub reactions: Vec<Reaction>,
    pub practise_next: Vec<String>,
    pub caution: String,
}

/// How the practice ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    Completed,
    Exited,
    Stopped,
    InputEnded,
    Interrupted,
    /// It was broken off.
    Unfinished,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Totals {
    pub answers: usize,
    /// Right at the first try, before the tool said or showed the phrase.
    pub by_heart: usize,
    /// Answers that were asked again, whatever the reason.
    pub asked_again: usize,
    /// Of the times asked again: a phrase that was heard surely, of another step or of the other person.
    pub wrong_phrase: usize,
    /// Of these: of another step, so in the wrong order.
    pub wrong_order: usize,
    pub not_sure: usize,
    pub too_soon: usize,
    pub while_speaking: usize,
    pub reminders: usize,
    pub said_again: usize,
    pub reactions: usize,
    pub reactions_right: usize,
    pub reactions_wrong: usize,
}

/// What the trainee had to say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    ReadBack,
    Confirmation,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// Id of the step, and its instruction.
    pub step: String,
    pub title: String,
    pub kind: Kind,
    /// The phrase that is due.
    pub phrase: String,
    pub by_heart: bool,
    /// It counted in the end.
    pub answered: bool,
    /// It was a refusal.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub refused: bool,
    pub seconds: Option<f64>,
    pub stumbles: Vec<Stumble>,
}

/// Why an answer did not count at once, or not by heart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "why", rename_all = "kebab-case")]
pub enum Stumble {
    /// A phrase that was not due; `step` is the title of the step it belongs to.
    WrongPhrase { heard: String, step: Option<String> },
    /// Not heard surely.
    NotSure { closest: String },
    /// Before the step's minimum time was over.
    TooSoon { left_s: u64 },
    /// While the tool was speaking.
    WhileSpeaking,
    /// The tool had to call.
    Reminder,
    /// The trainee asked to hear it again.
    SaidAgain,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Times {
    pub kind: Kind,
    pub answers: usize,
    pub median_s: f64,
    pub worst_s: f64,
    /// Title of the step at which it was worst.
    pub worst_at: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepTime {
    pub step: String,
    pub title: String,
    pub seconds: f64,
    pub usual_s: f64,
}

/// Reads a practice back. `Err` tells why it can't be scored.
pub fn score(lines: &[Line], procedure: &Procedure) -> Result<Score, String> {
    let first = lines.first().filter(|line| line.kind == "session");
    let first = first.ok_or("line 1 of the journal is no session's first line")?;
    let opening: Opening = serde_json::from_value(first.body.clone())
        .map_err(|error| format!("line 1 of the journal can't be read: {error}"))?;
    let practice = opening.practice.clone().ok_or("it is a session, not a practice")?;
    let mut fold = Fold::new(procedure, &opening, practice);
    for line in lines {
        match line.kind.as_str() {
            "in" => fold.event(line)?,
            "note" => fold.note(line)?,
            _ => {}
        }
    }
    Ok(fold.finish(opening.session))
}

/// The trainee's words are awaited.
struct Open {
    kind: Kind,
    step: usize,
    visit: u32,
    prompted_ms: Option<u64>,
    stumbles: Vec<Stumble>,
}

struct Fold<'a> {
    procedure: &'a Procedure,
    practice: Practice,
    trainee: Post,
    state: State,
    open: Option<Open>,
    answers: Vec<Answer>,
    reactions: Reactions<'a>,
    end_ms: u64,
}

/// One event with everything that is known about it.
pub(super) struct Moment<'a> {
    pub what: &'a What,
    pub actions: &'a [Action],
}

impl Moment<'_> {
    /// What was heard at this post. The tool's own voice in a microphone is nobody's words.
    pub fn heard_at(&self, wanted: Post) -> Option<&Heard> {
        let own = |note: &Note| matches!(note, Note::Unheeded { why: Unheeded::OwnVoice, .. });
        match self.what {
            What::Heard(heard) if heard.post == wanted && !self.notes().any(own) => Some(heard),
            _ => None,
        }
    }

    pub fn notes(&self) -> impl Iterator<Item = &Note> {
        self.actions.iter().filter_map(|action| match action {
            Action::Note(note) => Some(note),
            _ => None,
        })
    }
}

/// The phrase that was heard surely.
pub(super) fn surely(heard: &Heard) -> Option<PhraseId> {
    match heard.verdict {
        Verdict::Accepted { phrase } | Verdict::Other { phrase } => Some(phrase),
        _ => None,
    }
}

pub(super) fn seconds(ms: u64) -> f64 {
    (ms as f64 / 100.0).round() / 10.0
}

impl<'a> Fold<'a> {
    fn new(procedure: &'a Procedure, opening: &Opening, practice: Practice) -> Fold<'a> {
        let reactions = Reactions::new(procedure, practice.trainee);
        Fold {
            procedure,
            trainee: practice.trainee.post(),
            practice,
            state: State::new(procedure, &opening.posts, opening.grace_ms),
            open: None,
            answers: Vec::new(),
            reactions,
            end_ms: 0,
        }
    }

    fn event(&mut self, line: &Line) -> Result<(), String> {
        let event: Event = understood(line, &self.state, self.procedure)
            .ok_or_else(|| format!("line {} of the journal is not understood by this version", line.line))?;
        let (next, actions) = step(self.state.clone(), event.clone(), self.procedure);
        self.state = next;
        self.end_ms = self.state.now_ms;
        let moment = Moment { what: &event.what, actions: &actions };
        self.judge(&moment);
        self.reactions.moment(&moment);
        self.follow();
        if matches!(event.what, What::SpeechEnded { whole: true, .. }) && self.state.speaking.is_none() {
            let now = self.state.now_ms;
            if let Some(open) = &mut self.open {
                open.prompted_ms.get_or_insert(now);
            }
        }
        Ok(())
    }

    fn note(&mut self, line: &Line) -> Result<(), String> {
        let Some(slip) = line.body.get("slip") else { return Ok(()) };
        let slip = serde_json::from_value(slip.clone())
            .map_err(|error| format!("line {} of the journal can't be read: {error}", line.line))?;
        self.reactions.slip(line.ms, slip);
        Ok(())
    }

    /// What an event says about the answer that is awaited.
    fn judge(&mut self, moment: &Moment) {
        let Some(open) = &mut self.open else { return };
        if let Some(heard) = moment.heard_at(self.trainee) {
            let counted = moment.notes().find_map(|note| match note {
                Note::Counted { phrase, .. } => Some(*phrase),
                _ => None,
            });
            // A decision takes the place of an answer, and is none.
            let decides = |phrase: &PhraseId| self.procedure.phrase(*phrase).used == Use::Decision;
            let counted = counted.filter(|phrase| !decides(phrase));
            if let Some(phrase) = counted {
                let refused = matches!(self.procedure.phrase(phrase).used, Use::Refusal);
                return self.close(Some((heard.start_ms, phrase)), refused);
            }
            let expected = expected(self.procedure, open);
            open.stumbles.extend(stumble(self.procedure, heard, moment, &expected));
        }
        for action in moment.actions {
            match action {
                Action::Say { saying: Saying::Reminder, .. } => open.stumbles.push(Stumble::Reminder),
                // A procedure may have no reminders at all.
                Action::Note(Note::Held { why: HoldWhy::NoAnswer }) if open.stumbles.is_empty() => {
                    open.stumbles.push(Stumble::Reminder);
                }
                _ => {}
            }
        }
    }

    /// Opens and closes answers as the session moves on.
    fn follow(&mut self) {
        let now = awaited_answer(self.procedure, &self.state, self.practice.trainee);
        let same = |open: &Open| now == Some((open.kind, open.step, open.visit));
        if self.open.as_ref().is_some_and(same) {
            return;
        }
        self.close(None, false);
        self.open = now.map(|(kind, step, visit)| Open {
            kind,
            step,
            visit,
            prompted_ms: None,
            stumbles: Vec::new(),
        });
    }

    /// The answer counted, or is no longer awaited. One that was cut off by a call says nothing.
    fn close(&mut self, counted: Option<(u64, PhraseId)>, refused: bool) {
        let Some(open) = self.open.take() else { return };
        if counted.is_none() && open.stumbles.is_empty() {
            return;
        }
        let about = &self.procedure.steps[open.step];
        let due = expected(self.procedure, &open);
        let phrase = counted.map(|(_, phrase)| phrase).or(due.first().copied());
        self.answers.push(Answer {
            step: about.id.clone(),
            title: title_of(about),
            kind: open.kind,
            phrase: phrase.map(|id| self.procedure.phrase(id).text.clone()).unwrap_or_default(),
            by_heart: counted.is_some() && open.stumbles.is_empty(),
            answered: counted.is_some(),
            refused,
            seconds: counted
                .zip(open.prompted_ms)
                .map(|((start, _), prompted)| seconds(start.saturating_sub(prompted))),
            stumbles: open.stumbles,
        });
    }

    fn finish(mut self, session: String) -> Score {
        self.close(None, false);
        let reactions = self.reactions.finish();
        let times = [Kind::ReadBack, Kind::Confirmation].into_iter();
        let mut score = Score {
            format: 1,
            session,
            procedure: self.procedure.id.clone(),
            title: self.procedure.title.clone(),
            version: self.procedure.version.clone(),
            practice: self.practice,
            outcome: outcome(&self.state),
            seconds: seconds(self.end_ms),
            totals: totals(&self.answers, &reactions),
            times: times.filter_map(|kind| times_of(kind, &self.answers)).collect(),
            steps: step_times(self.procedure, &self.state),
            answers: self.answers,
            reactions,
            practise_next: Vec::new(),
            caution: CAUTION.to_string(),
        };
        score.practise_next = practise_next(&score);
        score
    }
}

/// What the trainee is to say at a step now.
fn awaited_answer(procedure: &Procedure, state: &State, trainee: Role) -> Option<(Kind, usize, u32)> {
    if state.awaited(procedure)? != trainee {
        return None;
    }
    let (kind, step) = match state.phase {
        Phase::ReadBack { step } => (Kind::ReadBack, usize::from(step)),
        Phase::Confirm { step } => (Kind::Confirmation, usize::from(step)),
        _ => return None,
    };
    Some((kind, step, state.steps[step].visits))
}

fn expected(procedure: &Procedure, open: &Open) -> Vec<PhraseId> {
    let step = &procedure.steps[open.step];
    match open.kind {
        Kind::ReadBack => step.read_back.clone(),
        Kind::Confirmation => step.confirm.iter().chain(&step.refuse).copied().collect(),
    }
}

/// What was wrong with something the trainee said when it was awaited.
fn stumble(procedure: &Procedure, heard: &Heard, moment: &Moment, due: &[PhraseId]) -> Option<Stumble> {
    let text = |id: PhraseId| procedure.phrase(id).text.clone();
    moment.notes().find_map(|note| match note {
        Note::TooSoon { left_ms, .. } => Some(Stumble::TooSoon { left_s: left_ms.div_ceil(1000) }),
        Note::Obeyed { call: Call::SayAgain, .. } => Some(Stumble::SaidAgain),
        Note::AskedAgain { .. } => match heard.verdict {
            Verdict::Unsure { closest, .. } => Some(Stumble::NotSure { closest: text(closest) }),
            _ => {
                let phrase = surely(heard)?;
                // It was due by then, but judged when it was not.
                match due.contains(&phrase) {
                    true => Some(Stumble::NotSure { closest: text(phrase) }),
                    false => {
                        Some(Stumble::WrongPhrase { heard: text(phrase), step: owner(procedure, phrase) })
                    }
                }
            }
        },
        Note::Unheeded { why: Unheeded::OtherPersons, .. } => {
            let phrase = surely(heard)?;
            Some(Stumble::WrongPhrase { heard: text(phrase), step: owner(procedure, phrase) })
        }
        Note::Unheeded { why: Unheeded::WhileSpeaking, .. } => {
            surely(heard).filter(|phrase| due.contains(phrase)).map(|_| Stumble::WhileSpeaking)
        }
        _ => None,
    })
}

/// Title of the step that a phrase belongs to.
fn owner(procedure: &Procedure, phrase: PhraseId) -> Option<String> {
    match procedure.phrase(phrase).used {
        Use::ReadBack { step } | Use::Confirmation { step } | Use::Release { step } => {
            procedure.steps.get(usize::from(step)).map(title_of)
        }
        _ => None,
    }
}

fn outcome(state: &State) -> Outcome {
    use crate::session::Outcome as Ended;
    match state.ended() {
        Some(Ended::Completed) => Outcome::Completed,
        Some(Ended::Exited) => Outcome::Exited,
        Some(Ended::Stopped) => Outcome::Stopped,
        Some(Ended::InputEnded) => Outcome::InputEnded,
        Some(Ended::Interrupted) => Outcome::Interrupted,
        None => Outcome::Unfinished,
    }
}

fn totals(answers: &[Answer], reactions: &[Reaction]) -> Totals {
    let all = || answers.iter().flat_map(|answer| &answer.stumbles);
    let count = |wanted: fn(&Stumble) -> bool| all().filter(|stumble| wanted(stumble)).count();
    let asked = |answer: &&Answer| {
        answer.stumbles.iter().any(|stumble| !matches!(stumble, Stumble::Reminder | Stumble::SaidAgain))
    };
    Totals {
        answers: answers.len(),
        by_heart: answers.iter().filter(|answer| answer.by_heart).count(),
        asked_again: answers.iter().filter(asked).count(),
        wrong_phrase: count(|one| matches!(one, Stumble::WrongPhrase { .. })),
        wrong_order: count(|one| matches!(one, Stumble::WrongPhrase { step: Some(_), .. })),
        not_sure: count(|one| matches!(one, Stumble::NotSure { .. })),
        too_soon: count(|one| matches!(one, Stumble::TooSoon { .. })),
        while_speaking: count(|one| matches!(one, Stumble::WhileSpeaking)),
        reminders: count(|one| matches!(one, Stumble::Reminder)),
        said_again: count(|one| matches!(one, Stumble::SaidAgain)),
        reactions: reactions.len(),
        reactions_right: reactions.iter().filter(|one| one.right == Some(true)).count(),
        reactions_wrong: reactions.iter().filter(|one| one.right == Some(false)).count(),
    }
}

fn times_of(kind: Kind, answers: &[Answer]) -> Option<Times> {
    let timed: Vec<(f64, &Answer)> = answers
        .iter()
        .filter(|answer| answer.kind == kind)
        .filter_map(|answer| Some((answer.seconds?, answer)))
        .collect();
    let (worst_s, at) = timed.iter().max_by(|one, other| one.0.total_cmp(&other.0))?;
    let values: Vec<f64> = timed.iter().map(|(seconds, _)| *seconds).collect();
    Some(Times {
        kind,
        answers: timed.len(),
        median_s: median(&values)?,
        worst_s: *worst_s,
        worst_at: at.title.clone(),
    })
}

fn step_times(procedure: &Procedure, state: &State) -> Vec<StepTime> {
    let time = |(step, progress): (&crate::procedure::Step, &crate::session::Progress)| {
        let (began, confirmed) = (progress.first_began_ms?, progress.confirmed_ms?);
        Some(StepTime {
            step: step.id.clone(),
            title: title_of(step),
            seconds: seconds(confirmed.saturating_sub(began)),
            usual_s: step.expected_s?,
        })
    };
    procedure.steps.iter().zip(&state.steps).filter_map(time).collect()
}
