//! Steps: who does each, what it says, when it is done, what may hold it up.
//!
//! Owns what makes a step one that a session can run. Must not know TOML, nor which list of steps it is in.

use super::book::PhraseBook;
use super::error::Sink;
use super::fields::Text;
use super::questions::condition;
use super::raw::RawStep;
use super::values::{cap, number, shown, Ids};
use crate::procedure::{Doer, HoldPoint, PhraseId, Question, Role, Step, Use};
use toml::Spanned;

pub const MAX_STEPS: usize = 500;

pub(super) fn steps(
    sink: &mut Sink,
    book: &mut PhraseBook,
    raw: &[&RawStep],
    questions: &[Question],
    shared: &[PhraseId],
) -> Vec<Step> {
    cap(sink, raw, MAX_STEPS, "steps", |step| step.span.clone());
    let mut ids = Ids::new("step");
    let mut steps = vec![];
    for (index, raw) in raw.iter().take(MAX_STEPS).enumerate() {
        let (id, index) = (ids.take(sink, raw.id.as_ref()), index as u16);
        let by = doer(sink, raw.by.as_ref());
        let mut add = |sink: &mut Sink, list: &[Text], by, used, what: &str| -> Vec<PhraseId> {
            let label = format!("{what} of step `{id}`");
            list.iter().flat_map(|raw| book.add_filled(sink, raw, Some(by), used, label.clone())).collect()
        };
        let read_back =
            add(sink, &raw.read_back, by.reads_back(), Use::ReadBack { step: index }, "read-back");
        let confirm =
            add(sink, &raw.confirm, by.confirms(), Use::Confirmation { step: index }, "confirmation");
        let refuse = match &raw.refuse {
            None => shared.to_vec(),
            Some(own) => refusals(sink, book, own, shared, &id, by.confirms()),
        };
        let at_least_s = raw.at_least_s.as_ref().map(|s| number(sink, "at_least_s", s, 0.0..=3600.0));
        let expected_s = expected(sink, raw.expected_s.as_ref(), at_least_s);
        steps.push(Step {
            by,
            hold_point: hold_point(sink, book, raw, index, &id),
            expected_s,
            instruction: shown(sink, raw.instruction.as_ref(), "instruction"),
            look: shown(sink, raw.look.as_ref(), "look"),
            read_back,
            confirm,
            refuse,
            at_least_s,
            reminder_s: raw.reminder_s.as_ref().map(|s| number(sink, "reminder_s", s, 3.0..=3600.0)),
            when: raw.when.iter().filter_map(|(id, values)| condition(sink, id, values, questions)).collect(),
            critical: raw.critical,
            // `decision` sets it, once all steps are known.
            decision: false,
            at: sink.place(raw.span.start),
            id,
        });
    }
    steps
}

/// The two texts of a hold point, of which neither makes sense alone.
fn hold_point(
    sink: &mut Sink,
    book: &mut PhraseBook,
    raw: &RawStep,
    step: u16,
    id: &str,
) -> Option<HoldPoint> {
    let (text, release) = match (&raw.hold_point, &raw.release) {
        (Some(text), Some(release)) => (text, release),
        (Some(text), None) => {
            let fix = "add a line: release = \"...\"".into();
            sink.report(
                text.span(),
                format!("the hold point of step `{id}` has no release"),
                "the session would wait there for ever",
                fix,
            );
            return None;
        }
        (None, Some(release)) => {
            let span = release.first().map_or(raw.span.clone(), Text::span);
            let what = format!("step `{id}` has a release but no hold point");
            sink.report(
                span,
                what,
                "there would be nothing to release",
                "add a line: hold_point = \"...\"".into(),
            );
            return None;
        }
        (None, None) => return None,
    };
    let (by, used) = (Some(Role::Observer), Use::Release { step });
    let label = format!("release of step `{id}`");
    let release = release.iter().filter_map(|raw| book.add(sink, raw, by, used, label.clone())).collect();
    Some(HoldPoint { text: shown(sink, Some(text), "hold_point"), release })
}

/// Usual seconds; fewer than the least ones can't be.
fn expected(sink: &mut Sink, raw: Option<&Spanned<f64>>, at_least_s: Option<f64>) -> Option<f64> {
    let raw = raw?;
    let seconds = number(sink, "expected_s", raw, 1.0..=3600.0);
    if let Some(least) = at_least_s.filter(|least| *least > seconds) {
        sink.report(
            raw.span(),
            format!("`expected_s` is {seconds}, but `at_least_s` is {least}"),
            "no step can usually be done sooner than it may be",
            "write a larger expected_s, or a smaller at_least_s".into(),
        );
    }
    Some(seconds)
}

/// A step's own refusals, among which the general ones may stand too.
fn refusals(
    sink: &mut Sink,
    book: &mut PhraseBook,
    own: &[Text],
    shared: &[PhraseId],
    id: &str,
    by: Role,
) -> Vec<PhraseId> {
    let mut refuse: Vec<PhraseId> = vec![];
    for raw in own {
        let general = book.refusal(raw).filter(|known| shared.contains(known) && !refuse.contains(known));
        let label = || format!("refusal of step `{id}`");
        refuse.extend(general.or_else(|| book.add(sink, raw, Some(by), Use::Refusal, label())));
    }
    refuse
}

fn doer(sink: &mut Sink, raw: Option<&Text>) -> Doer {
    let Some(raw) = raw else { return Doer::default() };
    let found = Doer::ALL.into_iter().find(|doer| doer.name() == raw.get_ref());
    found.unwrap_or_else(|| {
        let given = raw.get_ref().escape_debug();
        sink.report(
            raw.span(),
            format!("`by` must be worker, both or observer; here it is `{given}`"),
            "who does a step reads it back, and the other one confirms",
            "write by = \"worker\", by = \"both\" or by = \"observer\"".into(),
        );
        Doer::default()
    })
}
