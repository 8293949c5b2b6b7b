//! The table of steps and what was said, in words.

use super::view::{Group, Said, StepRow};
use super::{clock, safe, secs, sign, track_class, Heard};
use crate::debrief::model::{Became, Judged, Report, Standing, Step, TimeVerdict, Utterance};
use crate::debrief::words::{self as told, capital};

pub(super) fn step_row(report: &Report, step: &Step, heard: &Heard) -> StepRow {
    let visits = || report.visits.iter().filter(|visit| visit.step == Some(step.number - 1));
    let from = visits().map(|visit| visit.from).next().or(step.began);
    let to = visits().map(|visit| visit.to).next_back().or(step.confirmed).or(step.decided);
    let (standing, class) = match step.standing {
        Standing::Done => ("done", "good"),
        Standing::Decided => ("by decision", "ask"),
        Standing::Skipped => ("skipped", "soft"),
        Standing::Open => ("not confirmed", "bad"),
        Standing::NotReached => ("not reached", "soft"),
    };
    let mut remarks = Vec::new();
    if step.by != "worker" {
        remarks.push(format!("done by {}", safe(&step.by)));
    }
    remarks.extend(step.values.iter().map(|(slot, value)| format!("{}: {}", safe(slot), safe(value))));
    if let Some(why) = &step.decided_for {
        let heard = match step.read_back {
            Some(_) => "the confirmation was not heard",
            None => "neither answer was heard",
        };
        remarks.push(format!("the observer accepted it: {}; {heard}", safe(why)));
    }
    if let Some(by) = &step.skipped_by {
        remarks.push(format!("because {}", safe(by)));
    }
    match step.expected.verdict {
        TimeVerdict::TooSoonOnce => remarks.push("said too soon; it did not count".into()),
        TimeVerdict::Slow => remarks.push("called again".into()),
        TimeVerdict::Longer => remarks.push("took longer than usual".into()),
        TimeVerdict::AsExpected | TimeVerdict::Unknown => {}
    }
    let mut expected = Vec::new();
    if let Some(floor) = step.expected.at_least_s {
        expected.push(format!("at least {floor}\u{a0}s"));
    }
    if let Some(usual) = step.expected.expected_s {
        expected.push(format!("about {usual}\u{a0}s"));
    }
    if let Some(reminder) = step.expected.reminder_s {
        expected.push(format!("an answer within {reminder}\u{a0}s"));
    }
    StepRow {
        number: step.number,
        id: safe(&step.id),
        instruction: safe(&step.instruction),
        critical: step.critical,
        part: step.part.as_deref().map(safe).unwrap_or_default(),
        standing,
        class,
        remark: remarks.join("; "),
        began: step.began.map(clock).unwrap_or_default(),
        took: step.seconds.map(|seconds| format!("{seconds:.1} s")).unwrap_or_default(),
        expected: expected.join(", "),
        asked_again: step.asked_again,
        refusals: step.refusals,
        reminders: step.reminders,
        holds: step.holds,
        can_play: from.is_some_and(|from| heard.from(from)) && to.is_some(),
        from: secs(from.unwrap_or(0.0)),
        to: secs(to.unwrap_or(0.0)),
    }
}

pub(super) fn groups(report: &Report, heard: &Heard) -> Vec<Group> {
    let mut groups: Vec<(String, Group)> = Vec::new();
    for one in &report.utterances {
        if groups.last().is_none_or(|(place, _)| *place != one.place) {
            let step = report.steps.iter().find(|step| step.id == one.place);
            let title = match step {
                Some(step) => format!("Step {}: {}", step.number, safe(&step.id)),
                None if one.place.is_empty() => "Place not known".to_string(),
                None => capital(&safe(&one.place.replace('-', " "))),
            };
            groups.push((one.place.clone(), Group { title, said: Vec::new() }));
        }
        if let Some((_, group)) = groups.last_mut() {
            group.said.push(said(one, heard));
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

fn said(one: &Utterance, heard: &Heard) -> Said {
    let judged = one.judged.as_ref();
    let (tag, tag_class) = match (judged, &one.saying) {
        (Some(judged), _) => tag(judged),
        (None, Some(saying)) => (safe(&saying.replace('-', " ")), "soft"),
        (None, None) => (String::new(), ""),
    };
    Said {
        number: one.number,
        class: track_class(&one.track),
        from: secs(one.from),
        to: secs(one.to),
        at: clock(one.from),
        speaker: safe(&one.speaker),
        text: safe(&one.text),
        tag,
        tag_class,
        altered: one.altered,
        can_play: heard.from(one.from),
        judged: judged.is_some(),
        expected: judged.map(|judged| safe(&told::expected(judged))).unwrap_or_default(),
        verdict: judged.map(|judged| safe(&judged.verdict_words)).unwrap_or_default(),
        result: judged.map(|judged| safe(&judged.result_words)).unwrap_or_default(),
        evidence: judged.map(|judged| safe(&judged.evidence.join(" "))).unwrap_or_default(),
    }
}

fn tag(judged: &Judged) -> (String, &'static str) {
    let (words, class) = match judged.result {
        Became::Counted => ("counted", "good"),
        Became::AskedAgain => ("asked again", "ask"),
        Became::TooSoon => ("too soon", "ask"),
        Became::Refused => ("refusal", "bad"),
        Became::Held => ("hold", "bad"),
        Became::NotCounted => ("did not count", "soft"),
    };
    (format!("{} {words}", sign(judged.result)), class)
}
