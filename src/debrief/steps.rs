//! The table of steps: the procedure's own, then those of every contingency that was called and of the exit taken.
//!
//! PURE. Must not know the journal: an account is made, or was kept, elsewhere.

use super::model::{Became, Expected, Standing, Step, TimeVerdict, Utterance};
use crate::conduct::account;
use crate::procedure::{Part, Procedure};
use crate::record::summary::{Account, ContingencyAccount, ExitAccount, StepAccount};
use crate::session::State;

/// A step's account and the title of the contingency or exit it is of; `None` for the procedure's own.
type Entry = (Option<String>, StepAccount);

pub fn of_account(account: &Account) -> Vec<Entry> {
    entries(&account.steps, &account.contingencies, account.exit.as_ref())
}

/// For a record that stops before its end.
pub fn of_state(procedure: &Procedure, state: &State) -> Vec<Entry> {
    let own = account::step_accounts(procedure, state, Part::Main);
    entries(&own, &account::contingencies(procedure, state), account::exit(procedure, state).as_ref())
}

fn entries(own: &[StepAccount], called: &[ContingencyAccount], exit: Option<&ExitAccount>) -> Vec<Entry> {
    let of = |part: Option<&String>, steps: &[StepAccount]| {
        steps.iter().map(|step| (part.cloned(), step.clone())).collect::<Vec<_>>()
    };
    let called = called.iter().flat_map(|one| of(Some(&one.title), &one.steps));
    let exit = exit.into_iter().flat_map(|exit| of(Some(&exit.title), &exit.steps));
    of(None, own).into_iter().chain(called).chain(exit).collect()
}

/// The rows, numbered as they stand.
pub fn table(entries: &[Entry], procedure: Option<&Procedure>, said: &[Utterance]) -> Vec<Step> {
    let too_soon = |place: &str| {
        said.iter().any(|one| {
            one.place == place && one.judged.as_ref().is_some_and(|judged| judged.result == Became::TooSoon)
        })
    };
    let row = |(index, (part, account)): (usize, &Entry)| {
        let given = procedure.and_then(|p| p.steps.iter().find(|step| step.id == account.id));
        let expected = Expected {
            at_least_s: given.and_then(|step| step.at_least_s),
            expected_s: given.and_then(|step| step.expected_s).or(account.expected_s),
            reminder_s: given.and_then(|step| step.reminder_s).or(procedure.map(|p| p.rules.reminder_s)),
            verdict: TimeVerdict::Unknown,
        };
        let verdict = verdict(account, &expected, too_soon(&account.id));
        step(index, part.clone(), account, Expected { verdict, ..expected })
    };
    entries.iter().enumerate().map(row).collect()
}

fn verdict(account: &StepAccount, expected: &Expected, too_soon: bool) -> TimeVerdict {
    let longer = expected.expected_s.zip(account.seconds).is_some_and(|(expected, took)| took > expected);
    match account.done_ms() {
        None => TimeVerdict::Unknown,
        Some(_) if too_soon => TimeVerdict::TooSoonOnce,
        Some(_) if account.reminders > 0 => TimeVerdict::Slow,
        Some(_) if longer => TimeVerdict::Longer,
        Some(_) => TimeVerdict::AsExpected,
    }
}

fn step(index: usize, part: Option<String>, account: &StepAccount, expected: Expected) -> Step {
    let seconds = |ms: Option<u64>| ms.map(super::build::seconds);
    Step {
        number: index + 1,
        part,
        id: account.id.clone(),
        instruction: account.instruction.clone(),
        critical: account.critical,
        by: account.by.name().to_string(),
        standing: match account {
            StepAccount { skipped_by: Some(_), .. } => Standing::Skipped,
            StepAccount { confirmed_ms: Some(_), .. } => Standing::Done,
            StepAccount { decision: Some(_), .. } => Standing::Decided,
            StepAccount { started_ms: Some(_), .. } => Standing::Open,
            _ => Standing::NotReached,
        },
        skipped_by: account.skipped_by.as_ref().map(|by| format!("{} = {}", by.question, by.answer)),
        values: account.values.clone(),
        began: seconds(account.started_ms),
        read_back: seconds(account.read_back_ms),
        confirmed: seconds(account.confirmed_ms),
        decided: seconds(account.decision.as_ref().map(|decision| decision.decided_ms)),
        decided_for: account.decision.as_ref().map(|decision| decision.label.clone()),
        seconds: account.seconds.filter(|seconds| seconds.is_finite()),
        expected,
        asked_again: account.repeats,
        refusals: account.refusals,
        reminders: account.reminders,
        holds: account.holds,
    }
}
