//! Many sessions side by side: how long people and steps take, where they stumble, whose training is due.
//!
//! `stats` has the arithmetic, this file what is compared with what (both pure), `load` reads summaries, `page` shows them.
//! Must not judge people: a value outside its limits is a reason to listen to the session, and the page says so. Where
//! there are too few sessions to tell, that is all it says.

pub mod load;
pub mod page;
pub mod stats;

use crate::record::redact::REMOVED;
use crate::record::summary::Outcome;
use crate::record::Summary;
use chrono::{DateTime, FixedOffset, TimeDelta};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stats::{limits, spread, Limits, Spread};
use std::collections::BTreeMap;

/// What is said where nothing can be told.
pub const TOO_FEW: &str = "too few sessions to tell";

/// Everything `trends` says.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Trends {
    pub format: u32,
    /// Sessions that count.
    pub sessions: usize,
    pub completed: usize,
    /// RFC 3339: the first and the last session's beginning.
    pub first: Option<String>,
    pub last: Option<String>,
    pub people: Vec<Person>,
    pub procedures: Vec<Procedure>,
    pub training: Vec<Training>,
    /// Steps that were confirmed by the observer's decision, session by session.
    pub decisions: Vec<Decision>,
    /// What could not be read or counted, and why.
    pub doubts: Vec<String>,
}

/// A step that was confirmed by the observer's decision.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Decision {
    pub session: String,
    pub procedure: String,
    pub step: String,
    /// How the reason is shown.
    pub reason: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Person {
    pub id: String,
    /// `worker` or `observer`.
    pub post: String,
    pub procedure: String,
    pub sessions: usize,
    pub completed: usize,
    /// Seconds a step done, one value a session.
    pub pace: Series,
    /// For each ten steps done.
    pub asked_again: f64,
    pub refusals: f64,
    pub holds: f64,
    /// Steps confirmed by the observer's decision, in all sessions.
    pub decisions: u32,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Procedure {
    pub id: String,
    pub title: String,
    pub sessions: usize,
    pub steps: Vec<Step>,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Step {
    pub id: String,
    pub critical: bool,
    /// Times it was done, by two answers or by decision.
    pub done: usize,
    /// Of these: by decision.
    pub decided: usize,
    /// Seconds, one value a session in which both answers were heard.
    pub seconds: Series,
    /// Sessions in which it was asked again, refused, held.
    pub asked_again_in: usize,
    pub refused_in: usize,
    pub held_in: usize,
}

/// Values in the order of time, and what can be told from them.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Series {
    pub points: Vec<Point>,
    /// `null`: too few sessions to tell.
    pub spread: Option<Spread>,
    /// `null`: too few sessions to tell.
    pub limits: Option<Limits>,
    /// Points outside the limits.
    pub outside: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Point {
    pub session: String,
    pub value: f64,
}

/// When somebody's training ends.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Training {
    pub id: String,
    pub post: String,
    pub procedure: String,
    /// Date of the last completed session; `null` when there is none.
    pub last: Option<String>,
    /// Date from which it is overdue.
    pub due: Option<String>,
    pub standing: Standing,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    Overdue,
    /// Never completed.
    NotYet,
    DueSoon,
    InDate,
}

/// The unit's rules on training; a TOML file.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rules {
    /// A completed session is good for so many days.
    pub every_days: u32,
    /// Due soon: so many days before.
    #[serde(default = "month")]
    pub soon_days: u32,
    /// Other intervals by the procedure's id.
    #[serde(default)]
    pub procedure: BTreeMap<String, u32>,
}

fn month() -> u32 {
    30
}

fn series(points: Vec<Point>) -> Series {
    let values: Vec<f64> = points.iter().map(|point| point.value).collect();
    let limits = limits(&values);
    let outside = limits.map_or(0, |limits| values.iter().filter(|value| limits.outside(**value)).count());
    Series { spread: spread(&values), limits, outside, points }
}

/// Compares sessions, which must be in the order of time.
pub fn compare(summaries: &[Summary], rules: Option<&Rules>, now: DateTime<FixedOffset>) -> Trends {
    let completed = |one: &&Summary| one.account.outcome == Outcome::Completed;
    let began = |one: &Summary| one.account.started.to_rfc3339();
    Trends {
        format: 1,
        sessions: summaries.len(),
        completed: summaries.iter().filter(completed).count(),
        first: summaries.first().map(began),
        last: summaries.last().map(began),
        people: people(summaries),
        procedures: procedures(summaries),
        training: rules.map(|rules| training(summaries, rules, now)).unwrap_or_default(),
        decisions: decisions(summaries),
        doubts: Vec::new(),
    }
}

fn decisions(summaries: &[Summary]) -> Vec<Decision> {
    let of = |summary: &Summary| {
        let account = &summary.account;
        let decision = |one: &crate::record::summary::DecisionAccount| Decision {
            session: account.session.clone(),
            procedure: account.procedure.id.clone(),
            step: one.step.clone(),
            reason: one.decision.label.clone(),
        };
        account.decisions.iter().map(decision).collect::<Vec<_>>()
    };
    summaries.iter().flat_map(of).collect()
}

type Key<'s> = (&'s str, &'s str, &'s str);

/// Sessions by person, post and procedure.
fn by_person(summaries: &[Summary]) -> BTreeMap<Key<'_>, Vec<&Summary>> {
    let mut found: BTreeMap<Key, Vec<&Summary>> = BTreeMap::new();
    for summary in summaries {
        for (post, id) in &summary.account.people {
            if id != REMOVED {
                let key = (id.as_str(), post.as_str(), summary.account.procedure.id.as_str());
                found.entry(key).or_default().push(summary);
            }
        }
    }
    found
}

fn people(summaries: &[Summary]) -> Vec<Person> {
    let person = |((id, post, procedure), sessions): (Key, Vec<&Summary>)| {
        let done: f64 = sessions.iter().map(|one| f64::from(one.account.totals.steps_done)).sum();
        let each_ten = |count: fn(&Summary) -> u32| {
            let all: f64 = sessions.iter().map(|one| f64::from(count(one))).sum();
            if done > 0.0 {
                10.0 * all / done
            } else {
                0.0
            }
        };
        let pace = sessions.iter().filter(|one| one.account.totals.steps_done > 0).map(|one| Point {
            session: one.account.session.clone(),
            value: one.account.totals.seconds / f64::from(one.account.totals.steps_done),
        });
        Person {
            id: id.to_string(),
            post: post.to_string(),
            procedure: procedure.to_string(),
            sessions: sessions.len(),
            completed: sessions.iter().filter(|one| one.account.outcome == Outcome::Completed).count(),
            pace: series(pace.filter(|point| point.value.is_finite()).collect()),
            asked_again: each_ten(|one| one.account.totals.asks_again),
            refusals: each_ten(|one| one.account.totals.refusals),
            holds: each_ten(|one| one.account.totals.holds),
            decisions: sessions.iter().map(|one| one.account.totals.decisions).sum(),
        }
    };
    by_person(summaries).into_iter().map(person).collect()
}

fn procedures(summaries: &[Summary]) -> Vec<Procedure> {
    let mut found: BTreeMap<&str, Vec<&Summary>> = BTreeMap::new();
    for summary in summaries {
        found.entry(&summary.account.procedure.id).or_default().push(summary);
    }
    let procedure = |(id, sessions): (&str, Vec<&Summary>)| {
        // The latest session has the steps as they are now; steps of older versions follow.
        let mut ids: Vec<&str> = Vec::new();
        let mut known = std::collections::BTreeSet::new();
        for step in sessions.iter().rev().flat_map(|one| &one.account.steps) {
            if known.insert(step.id.as_str()) {
                ids.push(&step.id);
            }
        }
        let title = sessions.last().map(|one| one.account.procedure.title.clone()).unwrap_or_default();
        let mut by_step: BTreeMap<&str, Vec<(&Summary, &crate::record::summary::StepAccount)>> =
            BTreeMap::new();
        for one in &sessions {
            for step in &one.account.steps {
                by_step.entry(&step.id).or_default().push((one, step));
            }
        }
        let steps = ids.into_iter().filter_map(|id| Some(step(id, by_step.get(id)?))).collect();
        Procedure { id: id.to_string(), title, sessions: sessions.len(), steps }
    };
    found.into_iter().map(procedure).collect()
}

fn step(id: &str, all: &[(&Summary, &crate::record::summary::StepAccount)]) -> Step {
    let count = |wanted: fn(&crate::record::summary::StepAccount) -> bool| {
        all.iter().filter(|(_, step)| wanted(step)).count()
    };
    // The time of a decision tells of the listening, not of the step.
    let heard = all.iter().filter(|(_, step)| step.decision.is_none());
    let points = heard.filter_map(|(one, step)| {
        let value = step.seconds.filter(|seconds| seconds.is_finite())?;
        Some(Point { session: one.account.session.clone(), value })
    });
    Step {
        id: id.to_string(),
        critical: all.iter().any(|(_, step)| step.critical),
        done: count(|step| step.done_ms().is_some()),
        decided: count(|step| step.decision.is_some()),
        seconds: series(points.collect()),
        asked_again_in: count(|step| step.repeats > 0),
        refused_in: count(|step| step.refusals > 0),
        held_in: count(|step| step.holds > 0),
    }
}

fn training(summaries: &[Summary], rules: &Rules, now: DateTime<FixedOffset>) -> Vec<Training> {
    let one = |((id, post, procedure), sessions): (Key, Vec<&Summary>)| {
        let last = sessions
            .iter()
            .filter(|one| one.account.outcome == Outcome::Completed)
            .map(|one| one.account.ended)
            .max();
        let days = rules.procedure.get(procedure).copied().unwrap_or(rules.every_days);
        let due = last.and_then(|last| last.checked_add_signed(TimeDelta::try_days(i64::from(days))?));
        let soon = TimeDelta::try_days(i64::from(rules.soon_days)).unwrap_or_default();
        let standing = match due {
            None => Standing::NotYet,
            Some(due) if due < now => Standing::Overdue,
            Some(due) if due.signed_duration_since(now) <= soon => Standing::DueSoon,
            Some(_) => Standing::InDate,
        };
        let date = |at: DateTime<FixedOffset>| at.format("%Y-%m-%d").to_string();
        Training {
            id: id.to_string(),
            post: post.to_string(),
            procedure: procedure.to_string(),
            last: last.map(date),
            due: due.map(date),
            standing,
        }
    };
    let mut all: Vec<Training> = by_person(summaries).into_iter().map(one).collect();
    all.sort_by(|one, other| (one.standing, &one.due).cmp(&(other.standing, &other.due)));
    all
}

/// The schema of `Trends` (JSON Schema 2020-12).
pub fn schema() -> serde_json::Value {
    schemars::schema_for!(Trends).to_value()
}
