//! Contingencies and exits: the lists of steps beside the procedure's own, and where each leads.
//!
//! Owns that every contingency leads somewhere. Must not know TOML, nor what a step needs.

use super::book::PhraseBook;
use super::error::Sink;
use super::fields::{nearest, Text};
use super::raw::{RawContingency, RawProcedure, RawStep};
use super::values::{cap, shown, suggestion, Ids};
use crate::procedure::{Contingency, Exit, Step, Then, Use};
use std::ops::Range;

/// Their phrases are valid at any moment, so they have to be few.
pub const MAX_CONTINGENCIES: usize = 12;
pub const MAX_EXITS: usize = 12;
/// Phrases that call one contingency.
pub const MAX_CALLS: usize = 3;
const THEN: [&str; 3] = ["return", "restart", "exit"];

/// Every step in the order of `Procedure::steps`.
pub(super) fn all_steps(raw: &RawProcedure) -> Vec<&RawStep> {
    let contingencies = raw.contingencies.iter().take(MAX_CONTINGENCIES).flat_map(|one| &one.steps);
    let exits = raw.exits.iter().take(MAX_EXITS).flat_map(|one| &one.steps);
    raw.steps.iter().chain(contingencies).chain(exits).collect()
}

pub(super) fn build(
    sink: &mut Sink,
    book: &mut PhraseBook,
    raw: &RawProcedure,
    steps: &[Step],
) -> (Vec<Contingency>, Vec<Exit>) {
    cap(sink, &raw.contingencies, MAX_CONTINGENCIES, "contingencies", |one| one.span.clone());
    cap(sink, &raw.exits, MAX_EXITS, "exits", |one| one.span.clone());
    let mut next = raw.steps.len();
    // Steps beyond the limit were reported and are not there.
    let mut take = |count: usize| {
        let range = next.min(steps.len())..(next + count).min(steps.len());
        next += count;
        range
    };
    let contingencies = raw.contingencies.iter().take(MAX_CONTINGENCIES);
    let ranges: Vec<Range<usize>> = contingencies.clone().map(|one| take(one.steps.len())).collect();
    let mut ids = Ids::new("exit");
    let exits: Vec<Exit> = raw
        .exits
        .iter()
        .take(MAX_EXITS)
        .map(|one| {
            let id = ids.take(sink, one.id.as_ref());
            if one.steps.is_empty() {
                let what = format!("exit `{id}` has no steps");
                let fix = "write at least one [[exit.step]]".into();
                sink.report(one.span.clone(), what, "there would be no way out in it", fix);
            }
            Exit {
                id,
                title: shown(sink, one.title.as_ref(), "title"),
                closing: shown(sink, one.closing.as_ref(), "closing"),
                steps: take(one.steps.len()),
                at: sink.place(one.span.start),
            }
        })
        .collect();
    let own = &steps[..raw.steps.len().min(steps.len())];
    let mut ids = Ids::new("contingency");
    let contingencies = contingencies
        .zip(ranges)
        .enumerate()
        .map(|(index, (one, steps))| {
            let id = ids.take(sink, one.id.as_ref());
            let used = Use::Contingency { contingency: index as u16 };
            cap(sink, &one.call, MAX_CALLS, "phrases that call one contingency", Text::span);
            let label = format!("call of contingency `{id}`");
            let call = one.call.iter().take(MAX_CALLS);
            let call = call.filter_map(|raw| book.add(sink, raw, None, used, label.clone())).collect();
            Contingency {
                title: shown(sink, one.title.as_ref(), "title"),
                call,
                opening: one.opening.as_ref().map(|text| shown(sink, Some(text), "opening")),
                steps,
                then: then(sink, one, &id, own, &exits),
                at: sink.place(one.span.start),
                id,
            }
        })
        .collect();
    (contingencies, exits)
}

/// Where it leads; `Return` when that was reported.
fn then(sink: &mut Sink, raw: &RawContingency, id: &str, own: &[Step], exits: &[Exit]) -> Then {
    let Some(then) = &raw.then else { return Then::Return };
    for (key, text, fits) in [("restart_at", &raw.restart_at, "restart"), ("exit", &raw.exit, "exit")] {
        if let Some(text) = text.as_ref().filter(|_| then.get_ref() != fits) {
            let what = format!("`{key}` has no effect in contingency `{id}`");
            let why = format!("it says then = \"{}\"", then.get_ref().escape_debug());
            sink.report(text.span(), what, &why, format!("delete the line, or write then = \"{fits}\""));
        }
    }
    match then.get_ref().as_str() {
        "return" => {
            if raw.steps.is_empty() {
                let what = format!("contingency `{id}` has no steps");
                let why = "it would return at once, and nothing would be done";
                sink.report(raw.span.clone(), what, why, "write at least one [[contingency.step]]".into());
            }
            Then::Return
        }
        "restart" => {
            let ids: Vec<&str> = own.iter().map(|step| step.id.as_str()).collect();
            let found =
                target(sink, then, raw.restart_at.as_ref(), ("restart_at", "step", "steps"), id, &ids);
            found.map_or(Then::Return, |step| Then::Restart { step })
        }
        "exit" => {
            let ids: Vec<&str> = exits.iter().map(|exit| exit.id.as_str()).collect();
            let found = target(sink, then, raw.exit.as_ref(), ("exit", "exit", "exits"), id, &ids);
            found.map_or(Then::Return, |exit| Then::Exit { exit })
        }
        other => {
            let fix = match nearest(other, &THEN) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "write then = \"return\", then = \"restart\" or then = \"exit\"".into(),
            };
            let what =
                format!("`then` must be return, restart or exit; here it is `{}`", other.escape_debug());
            sink.report(then.span(), what, "a contingency has to lead somewhere", fix);
            Then::Return
        }
    }
}

/// The place a contingency leads to. `key` and what it names, one and several.
fn target(
    sink: &mut Sink,
    then: &Text,
    named: Option<&Text>,
    (key, what, many): (&str, &str, &str),
    id: &str,
    known: &[&str],
) -> Option<u16> {
    let Some(named) = named else {
        sink.report(
            then.span(),
            format!("contingency `{id}` leads nowhere"),
            &format!("then = \"{}\" needs the {what} that it leads to", then.get_ref()),
            format!("add a line: {key} = \"...\" with the id of one of the procedure's {many}"),
        );
        return None;
    };
    let found = known.iter().position(|known| known == named.get_ref());
    if found.is_none() {
        let name = named.get_ref().escape_debug();
        sink.report(
            named.span(),
            format!("contingency `{id}` leads nowhere: there is no {what} `{name}`"),
            &format!("{key} names one of the procedure's own {many}"),
            suggestion(named.get_ref(), known, many),
        );
    }
    // Both lists are far shorter than u16::MAX.
    found.map(|at| at as u16)
}
