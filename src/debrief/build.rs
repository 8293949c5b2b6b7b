//! From a journal to a debrief: folds the events again, so that what was awaited at each moment is known.
//!
//! PURE. The journal may be cut off, altered, or from a newer version: what can't be understood is shown by name, what
//! can't be known is said in `Report::doubts`, and nothing is made up in its place.

use super::model::*;
use super::steps;
use super::words;
use crate::conduct::keeper::Opening;
use crate::procedure::Procedure;
use crate::record::journal::{MOVED, SOUND};
use crate::record::moved::Moved;
use crate::record::read::{Line, Reading};
use crate::record::summary::Account;
use crate::record::verify;
use crate::session::{self, Action, State};
use parts::*;
use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};

mod heard;
mod parts;
pub(crate) use parts::understood;

/// Longest session clock that is believed, ms: 30 days. What lies beyond comes from an altered journal.
const LONGEST_MS: u64 = 30 * 24 * 3_600_000;

/// Text of a journal that is shown at most, bytes; eight hours have a tenth of it. Each line counts for a hundred more.
const MOST_TEXT: usize = 32 << 20;

/// Shown when the record has no cautions of the procedure's own.
const CAUTION: &str =
    "A training aid. Local protocol, the equipment makers' instructions and licensed practice come first.";

/// What a debrief is made of.
pub struct Sources<'a> {
    pub reading: &'a Reading,
    pub verified: &'a verify::Report,
    /// The procedure as it was, or why it can't be read.
    pub procedure: Result<&'a Procedure, String>,
    /// Length of the sound that can be played and its tracks' names; or why there is none.
    pub audio: Result<Audio, String>,
}

/// Makes the debrief.
pub fn build(sources: &Sources) -> Report {
    let mut fold = Fold::new(sources);
    for line in &sources.reading.lines {
        fold.line(line);
    }
    fold.finish(sources)
}

struct Fold<'a> {
    procedure: Option<&'a Procedure>,
    state: Option<State>,
    /// The state as far as it was known, once it no longer is.
    known: Option<State>,
    /// Actions that the rules give and the journal should have.
    due: VecDeque<Action>,
    /// First line of the journal that is not to be trusted, and everything after it.
    broken_at: usize,
    report: Report,
    /// Utterances of the tool that have not ended: number in the journal, index in the report.
    open: BTreeMap<u64, usize>,
    /// The person's utterance whose notes are being read, and the notes so far.
    judging: Option<(usize, Vec<String>)>,
    /// Since when the present place or hold lasts.
    visit: Option<Visit>,
    hold: Option<(f64, String)>,
    seconds: f64,
    differs: Option<usize>,
    /// Text taken in so far, bytes.
    taken: usize,
}

pub(super) fn seconds(ms: u64) -> f64 {
    ms.min(LONGEST_MS) as f64 / 1000.0
}

fn text<'v>(body: &'v Value, key: &str) -> &'v str {
    body.get(key).and_then(Value::as_str).unwrap_or_default()
}

impl<'a> Fold<'a> {
    fn new(sources: &Sources<'a>) -> Fold<'a> {
        let procedure = sources.procedure.as_ref().ok().copied();
        let broken_at = sources.reading.problems.iter().map(|p| p.line).min().unwrap_or(usize::MAX);
        let report = Report {
            format: FORMAT,
            session: folder_name(sources),
            procedure: procedure.map(about),
            mode: String::new(),
            started: sources.reading.lines.first().map(|line| line.at.to_rfc3339()),
            seconds: 0.0,
            outcome: Outcome {
                word: "unknown".into(),
                sentence: String::new(),
                steps_done: 0,
                steps_decided: 0,
                steps_due: 0,
            },
            people: BTreeMap::new(),
            engine: String::new(),
            voice: String::new(),
            answers: BTreeMap::new(),
            steps: Vec::new(),
            visits: Vec::new(),
            utterances: Vec::new(),
            marks: Vec::new(),
            holds: Vec::new(),
            totals: Totals::default(),
            cautions: procedure.map(|procedure| procedure.cautions.clone()).unwrap_or_default(),
            record: record(sources),
            doubts: doubts(sources),
            audio: sources.audio.as_ref().ok().cloned(),
        };
        Fold {
            procedure,
            state: None,
            known: None,
            due: VecDeque::new(),
            broken_at,
            report,
            open: BTreeMap::new(),
            judging: None,
            visit: None,
            hold: None,
            seconds: 0.0,
            differs: None,
            taken: 0,
        }
    }

    fn line(&mut self, line: &Line) {
        self.seconds = self.seconds.max(seconds(line.ms));
        self.taken += 100 + line.kind.len() + length_of_text(&line.body);
        if self.taken > MOST_TEXT {
            self.known = self.state.take().or(self.known.take());
            return self.doubt("The journal has more in it than can be shown: its end is left out.".into());
        }
        if line.line >= self.broken_at {
            // What the rules would make of events that may be wrong or missing is not known.
            self.known = self.state.take().or(self.known.take());
        }
        match line.kind.as_str() {
            "session" => self.opening(line),
            "in" => self.event(line),
            "out" => self.action(line),
            "note" => self.mark(line, "note", text(&line.body, "note").to_string()),
            MOVED => self.moved(line),
            // They prove the sound, and say nothing of the session.
            "end" | SOUND => {}
            other => self.mark(line, other, format!("{other} (this version does not know it)")),
        }
    }

    fn opening(&mut self, line: &Line) {
        self.report.mode = text(&line.body, "mode").to_string();
        self.report.engine = text(&line.body, "engine").to_string();
        self.report.voice = text(&line.body, "voice").to_string();
        if let Some(people) = line.body.get("people").and_then(Value::as_object) {
            let people =
                people.iter().filter_map(|(post, id)| Some((post.clone(), id.as_str()?.to_string())));
            self.report.people = people.collect();
        }
        let Some(procedure) = self.procedure.filter(|_| line.line < self.broken_at) else { return };
        match serde_json::from_value::<Opening>(line.body.clone()) {
            Ok(opening) => self.state = Some(State::new(procedure, &opening.posts, opening.grace_ms)),
            Err(error) => self.doubt(format!("The journal's first line can't be read: {error}.")),
        }
    }

    /// From here on the record is in another folder. Once it has its end, that says so among its cautions.
    fn moved(&mut self, line: &Line) {
        match Moved::of(line) {
            Some(moved) => {
                let caution = moved.caution(line.ms);
                self.mark(line, MOVED, caution.clone());
                self.report.cautions.push(caution);
            }
            None => self.mark(line, MOVED, "the record was moved (this version can't read how)".into()),
        }
    }

    fn doubt(&mut self, doubt: String) {
        if !self.report.doubts.contains(&doubt) {
            self.report.doubts.push(doubt);
        }
    }

    fn mark(&mut self, line: &Line, kind: &str, words: String) {
        self.report.marks.push(Mark { at: seconds(line.ms), kind: kind.to_string(), words });
    }

    /// An event: shown, and folded into the state.
    fn event(&mut self, line: &Line) {
        self.settle_notes();
        let at = seconds(line.ms);
        let number = line.body.get("utterance").and_then(Value::as_u64);
        match text(&line.body, "event") {
            "heard" => self.heard(line),
            "speech-began" => {
                if let Some(index) = number.and_then(|number| self.open.get(&number)) {
                    self.report.utterances[*index].from = at;
                }
            }
            "speech-ended" => self.tool_falls_silent(number, at),
            "voice-failed" => {
                self.tool_falls_silent(number, at);
                self.mark(line, "voice-failed", format!("the voice failed: {}", text(&line.body, "why")));
            }
            "record-lost" => {
                self.mark(
                    line,
                    "record-lost",
                    format!("the record was damaged: {}", text(&line.body, "why")),
                );
            }
            // What follows from it tells of it, or stands in a line of its own.
            "post-lost" | "post-back" | "begin" | "time" | "record-moved" | "record-stuck" => {}
            "input-ended" => self.mark(line, "input-ended", "there was no more sound to hear".into()),
            "interrupt" => self.mark(line, "interrupt", "the program was told to quit".into()),
            other => self.mark(line, other, words::note(None, &line.body).unwrap_or_default()),
        }
        self.fold(line);
        self.follow_place(at);
    }

    fn fold(&mut self, line: &Line) {
        let (Some(state), Some(procedure)) = (self.state.take(), self.procedure) else { return };
        if !self.due.is_empty() {
            self.differs.get_or_insert(line.line);
        }
        match understood(line, &state, procedure) {
            Some(event) => {
                let (next, actions) = session::step(state, event, procedure);
                self.state = Some(next);
                self.due = actions.into();
            }
            None => {
                self.known = Some(state);
                self.doubt(format!(
                    "Line {} of the journal is not understood by this version; from there on it is not known where in \
                     the procedure it was, nor which phrases were expected.",
                    line.line
                ));
            }
        }
    }

    /// Ends the present visit and begins the next when the place changed.
    fn follow_place(&mut self, at: f64) {
        let Some((state, procedure)) = self.state.as_ref().zip(self.procedure) else {
            return self.end_visit(at);
        };
        let (kind, step, place) = place_of(state, procedure);
        if self.visit.as_ref().is_some_and(|visit| visit.place == place && visit.step == step) {
            return;
        }
        self.end_visit(at);
        self.visit = Some(Visit { from: at, to: at, kind: kind.to_string(), step, place });
    }

    fn end_visit(&mut self, at: f64) {
        if let Some(visit) = self.visit.take() {
            if at > visit.from {
                self.report.visits.push(Visit { to: at, ..visit });
            }
        }
    }

    fn place(&self) -> String {
        self.visit.as_ref().map(|visit| visit.place.clone()).unwrap_or_default()
    }

    fn tool_falls_silent(&mut self, number: Option<u64>, at: f64) {
        if let Some(index) = number.and_then(|number| self.open.remove(&number)) {
            self.report.utterances[index].to = at;
        }
    }

    fn action(&mut self, line: &Line) {
        let at = seconds(line.ms);
        if self.state.is_some() {
            let wrote = serde_json::from_value::<Action>(line.body.clone()).ok();
            let given = self.due.pop_front();
            if wrote.is_none() || wrote != given {
                self.differs.get_or_insert(line.line);
            }
        }
        match text(&line.body, "action") {
            "say" => {
                let saying = text(&line.body, "saying").to_string();
                // A decision ends the hold at which it was made.
                if saying == "ask-reason" {
                    self.end_hold(at);
                }
                if saying == "reminder" {
                    self.report.totals.reminders += 1;
                    self.mark(line, "reminder", "nobody had answered: called again".into());
                }
                self.report.utterances.push(Utterance {
                    number: 0,
                    line: line.line,
                    from: at,
                    to: at,
                    track: "tool".into(),
                    speaker: "Tool".into(),
                    text: text(&line.body, "text").to_string(),
                    place: self.place(),
                    saying: Some(saying),
                    judged: None,
                    altered: !line.sound,
                });
                if let Some(number) = line.body.get("utterance").and_then(Value::as_u64) {
                    self.open.insert(number, self.report.utterances.len() - 1);
                }
            }
            "note" => self.note(line),
            "hush" | "move-record" => {}
            "end" => self.report.outcome.word = text(&line.body, "outcome").to_string(),
            other => self.mark(line, other, words::note(None, &line.body).unwrap_or_default()),
        }
    }

    fn note(&mut self, line: &Line) {
        let name = text(&line.body, "note").to_string();
        let said = words::note(self.procedure, &line.body).unwrap_or_else(|| name.replace('-', " "));
        let totals = &mut self.report.totals;
        match name.as_str() {
            "asked-again" => totals.asked_again += 1,
            "too-soon" => totals.too_soon += 1,
            "refused" => totals.refusals += 1,
            "decided" => totals.decisions += 1,
            "obeyed" => totals.calls += 1,
            "held" => {
                totals.holds += 1;
                self.end_hold(seconds(line.ms));
                self.hold = Some((seconds(line.ms), said.trim_start_matches("on hold: ").to_string()));
            }
            "carried-on" | "went-back" => self.end_hold(seconds(line.ms)),
            _ => {}
        }
        if !matches!(name.as_str(), "counted" | "unheeded" | "step-done" | "answered") {
            self.mark(line, &name, said.clone());
        }
        if let Some((index, names)) = &mut self.judging {
            if let Some(judged) = &mut self.report.utterances[*index].judged {
                if !judged.result_words.is_empty() {
                    judged.result_words.push_str("; ");
                }
                judged.result_words.push_str(&said);
            }
            names.push(name);
        }
    }

    fn end_hold(&mut self, at: f64) {
        if let Some((from, why)) = self.hold.take() {
            self.report.holds.push(Hold { from, to: at, why });
        }
    }

    /// The notes on the latest utterance are complete.
    fn settle_notes(&mut self) {
        let Some((index, names)) = self.judging.take() else { return };
        let Some(judged) = &mut self.report.utterances[index].judged else { return };
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        judged.result = words::became(&names);
        if judged.result_words.is_empty() {
            judged.result_words = "nothing followed".into();
        }
    }

    fn finish(mut self, sources: &Sources) -> Report {
        self.settle_notes();
        let end = self.seconds;
        self.end_visit(end);
        self.end_hold(end);
        // The tool was still speaking where the record stops.
        for index in std::mem::take(&mut self.open).into_values() {
            self.report.utterances[index].to = end;
        }
        if let Some(line) = self.differs {
            self.doubt(format!(
                "From line {line} on today's rules would have done otherwise than was done then (another version); \
                 which phrases were expected may be wrong."
            ));
        }
        let account = sources.reading.end().and_then(|end| serde_json::from_value(end.body.clone()).ok());
        self.report.seconds = end;
        self.fill_steps(account.as_ref());
        self.fill_outcome(account.as_ref());
        if let Some(account) = account {
            self.report.cautions = account.cautions;
            self.report.answers = account.answers;
        }
        if self.report.cautions.is_empty() {
            self.report.cautions.push(CAUTION.to_string());
        }
        let mut report = self.report;
        report
            .utterances
            .sort_by(|one, other| one.from.total_cmp(&other.from).then(one.line.cmp(&other.line)));
        for (index, utterance) in report.utterances.iter_mut().enumerate() {
            utterance.number = index + 1;
        }
        if report.visits.is_empty() {
            report.visits = visits_from(&report.steps);
        }
        report
    }

    fn fill_steps(&mut self, account: Option<&Account>) {
        let known = self.state.as_ref().or(self.known.as_ref()).zip(self.procedure);
        let accounts =
            account.map(steps::of_account).or(known.map(|(state, given)| steps::of_state(given, state)));
        let Some(accounts) = accounts else {
            self.doubt("The table of steps is missing: the record has no account of them.".into());
            return;
        };
        self.report.steps = steps::table(&accounts, self.procedure, &self.report.utterances);
        for visit in &mut self.report.visits {
            let at = self.report.steps.iter().position(|step| step.id == visit.place);
            visit.step = at.filter(|_| visit.kind == "step");
        }
    }

    fn fill_outcome(&mut self, account: Option<&Account>) {
        let outcome = &mut self.report.outcome;
        if let Some(account) = account {
            outcome.word = account.outcome.name().to_string();
        }
        let own = || self.report.steps.iter().filter(|step| step.part.is_none());
        let count = |standing: Standing| own().filter(|step| step.standing == standing).count();
        outcome.steps_decided = count(Standing::Decided);
        outcome.steps_done = count(Standing::Done) + outcome.steps_decided;
        outcome.steps_due = own().count() - count(Standing::Skipped);
        let how = match outcome.word.as_str() {
            "completed" => "Completed",
            "exited" => "Left by the exit, as a contingency asks for",
            "stopped" => "Stopped before the last step: somebody called stop",
            "held" => "Left on hold before the last step",
            "input-ended" => "Ended before the last step: there was no more sound to hear",
            "interrupted" => "Interrupted before the last step",
            "cut-off" => "Cut off before its end, and its record closed later",
            "failed" => "Failed: something broke",
            "unknown" => "Not known how it ended: the record stops before its end",
            _ => "Ended in a way that this version does not know",
        };
        outcome.sentence = match outcome.steps_due {
            0 => format!("{how}."),
            due => format!("{how}. {} of {due} steps done.", outcome.steps_done),
        };
        let decided = self.report.steps.iter().filter(|step| step.standing == Standing::Decided).count();
        if decided > 0 {
            let steps = if decided == 1 { "step" } else { "steps" };
            let told = format!(" {decided} {steps} confirmed by the observer's decision, not heard.");
            outcome.sentence.push_str(&told);
        }
        for contingency in account.iter().flat_map(|account| &account.contingencies) {
            outcome.sentence.push_str(&format!(" Contingency called: {}.", contingency.title));
        }
    }
}
