//! A practice in plain words: the note of an error made on purpose, the table at the end, the sentence that is spoken,
//! and what to practise next. Pure; decides nothing.

use super::reaction::Reaction;
use super::score::{Answer, Kind, Outcome, Score, Stumble};
use super::SlipNote;
use crate::conduct::actors::SlipKind;
use crate::procedure::{Procedure, Role, Step};
use crate::session::lines::fill;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Letters of a title in the table.
const LONGEST: usize = 60;
/// Things to practise next, at most.
const MOST_NEXT: usize = 5;

/// A step's instruction without its full stop: steps have no other title.
pub fn title_of(step: &Step) -> String {
    step.instruction.trim_end_matches('.').to_string()
}

/// What the journal and the screen say of an error made on purpose.
pub fn on_purpose(procedure: &Procedure, stand_in: Role, slip: &SlipNote) -> String {
    let title = procedure.steps.iter().find(|step| step.id == slip.step).map(title_of).unwrap_or_default();
    format!("on purpose, at \"{title}\": the stand-in {} {}", stand_in.name(), error_words(slip))
}

/// The error, as a verb.
pub fn error_words(slip: &SlipNote) -> String {
    let said = slip.said.as_deref().unwrap_or_default();
    match slip.kind {
        SlipKind::Silence => "says nothing".to_string(),
        SlipKind::Wrong => format!("says the wrong phrase (\"{said}\")"),
        SlipKind::Chatter => format!("says what is no phrase (\"{said}\")"),
        SlipKind::Early => "reads back too soon".to_string(),
        SlipKind::Refusal => format!("refuses (\"{said}\")"),
        SlipKind::Decide => format!("decides (\"{said}\")"),
        SlipKind::Contingency => format!("reports \"{said}\""),
        SlipKind::Hold | SlipKind::Stop | SlipKind::SayAgain | SlipKind::GoBack => {
            format!("calls \"{said}\"")
        }
    }
}

fn kind_words(kind: Kind, count: usize) -> &'static str {
    match (kind, count) {
        (Kind::ReadBack, 1) => "read-back",
        (Kind::ReadBack, _) => "read-backs",
        (Kind::Confirmation, 1) => "confirmation",
        (Kind::Confirmation, _) => "confirmations",
    }
}

fn outcome_words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Completed => "completed",
        Outcome::Exited => "left by an exit",
        Outcome::Stopped => "stopped",
        Outcome::InputEnded => "the sound ended before the last step",
        Outcome::Interrupted => "interrupted",
        Outcome::Unfinished => "broken off",
    }
}

fn stumble_words(stumble: &Stumble) -> String {
    match stumble {
        Stumble::WrongPhrase { heard, step: Some(step) } => {
            format!("said \"{heard}\", which belongs to: {}", short(step))
        }
        Stumble::WrongPhrase { heard, step: None } => format!("said \"{heard}\""),
        Stumble::NotSure { .. } => "not heard surely".to_string(),
        Stumble::TooSoon { left_s } => format!("too soon, {left_s} s before the minimum time"),
        Stumble::WhileSpeaking => "said while the tool was speaking".to_string(),
        Stumble::Reminder => "the tool had to call".to_string(),
        Stumble::SaidAgain => "asked to hear it again".to_string(),
    }
}

/// Cut after a whole word, where there is one.
fn short(text: &str) -> String {
    let Some((at, _)) = text.char_indices().nth(LONGEST) else { return text.to_string() };
    let (head, rest) = text.split_at(at);
    let cut = if rest.starts_with(' ') { at } else { head.rfind(' ').unwrap_or(at) };
    format!("{}...", head[..cut].trim_end_matches([' ', ',', ':']))
}

fn verdict_words(right: Option<bool>) -> &'static str {
    match right {
        Some(true) => "right",
        Some(false) => "NOT RIGHT",
        None => "can't be told",
    }
}

/// The score as a short table.
pub fn table(score: &Score) -> String {
    let practice = &score.practice;
    let totals = &score.totals;
    let mut out = String::new();
    let mut row = |name: &str, words: String| {
        let _ = writeln!(out, "  {name:<17} {words}");
    };
    let kinds: Vec<String> = [Kind::ReadBack, Kind::Confirmation]
        .into_iter()
        .filter_map(|kind| {
            let all: Vec<&Answer> = score.answers.iter().filter(|answer| answer.kind == kind).collect();
            let right = all.iter().filter(|answer| answer.by_heart).count();
            (!all.is_empty()).then(|| format!("{right} of {} {}", all.len(), kind_words(kind, all.len())))
        })
        .collect();
    row("by heart", if kinds.is_empty() { "nothing was answered".into() } else { kinds.join(", ") });
    let early = totals.too_soon + totals.while_speaking;
    row(
        "asked again",
        format!(
            "{} (wrong phrase {}, not heard surely {}, too early {early})",
            totals.asked_again, totals.wrong_phrase, totals.not_sure
        ),
    );
    row("wrong order", format!("{} (a phrase of another step)", totals.wrong_order));
    row(
        "too early",
        format!(
            "{early} (before the minimum time {}, over the tool's words {})",
            totals.too_soon, totals.while_speaking
        ),
    );
    row("had to be called", format!("{}; asked to hear it again {}", totals.reminders, totals.said_again));
    for times in &score.times {
        row(
            "time to answer",
            format!(
                "{}: median {:.1} s, longest {:.1} s ({})",
                kind_words(times.kind, 2),
                times.median_s,
                times.worst_s,
                short(&times.worst_at)
            ),
        );
    }
    for step in score.steps.iter().filter(|step| step.seconds > step.usual_s) {
        row(
            "longer than usual",
            format!("{:.0} s instead of {:.0} s ({})", step.seconds, step.usual_s, short(&step.title)),
        );
    }
    let unknown = totals.reactions - totals.reactions_right - totals.reactions_wrong;
    let can_t = if unknown > 0 { format!(", {unknown} can't be told") } else { String::new() };
    row(
        "reactions",
        format!(
            "{} errors on purpose: {} right, {} not right{can_t}",
            totals.reactions, totals.reactions_right, totals.reactions_wrong
        ),
    );
    let stand_in = practice.stand_in().name();
    let mut text = format!(
        "Practice as the {}, with a stand-in {stand_in}: {}\n{out}",
        practice.trainee.name(),
        outcome_words(score.outcome)
    );
    list(&mut text, "Errors on purpose, and what you did:", score.reactions.iter().map(reaction_line));
    let not_by_heart = score.answers.iter().filter(|answer| !answer.by_heart);
    list(&mut text, "Not by heart:", not_by_heart.map(answer_line));
    list(&mut text, "Practise next:", score.practise_next.iter().cloned());
    text.push_str(&score.caution);
    text
}

fn list(text: &mut String, title: &str, lines: impl Iterator<Item = String>) {
    let lines: Vec<String> = lines.map(|line| format!("  {line}\n")).collect();
    if !lines.is_empty() {
        let _ = writeln!(text, "{title}\n{}", lines.concat().trim_end_matches('\n'));
    }
}

fn reaction_line(reaction: &Reaction) -> String {
    let after = reaction.after_s.map(|s| format!(" after {s:.1} s")).unwrap_or_default();
    format!(
        "{}: it {}; you {}{after}: {}",
        short(&reaction.title),
        error_words(&reaction.slip),
        reaction.did,
        verdict_words(reaction.right)
    )
}

fn answer_line(answer: &Answer) -> String {
    let why: Vec<String> = answer.stumbles.iter().map(stumble_words).collect();
    format!("{}: {}; the phrase is \"{}\"", short(&answer.title), why.join("; "), answer.phrase)
}

/// The spoken sentence in a language: what was by heart, what was done about errors, who judges.
struct Spoken {
    by_heart: &'static str,
    reactions: &'static str,
    judge: &'static str,
}

const ENGLISH: Spoken = Spoken {
    by_heart: "The practice is over: {right} of {all} answers by heart",
    reactions: ", and {right} of {all} reactions right",
    judge: ". A trainer judges the rest.",
};

const KOREAN: Spoken = Spoken {
    by_heart: "연습이 끝났습니다. 외워서 말한 답 {all}개 중 {right}개",
    reactions: ", 바른 대처 {all}번 중 {right}번",
    judge: "입니다. 나머지는 교관이 판단합니다.",
};

/// The sentence that is spoken, in English where the tool has no lines in the language.
pub fn sentence(score: &Score, language: &str) -> String {
    let lines = match language.split('-').next() {
        Some("ko") => KOREAN,
        _ => ENGLISH,
    };
    let filled = |template: &str, right: usize, all: usize| {
        fill(template, &[("right", &right.to_string()), ("all", &all.to_string())])
    };
    let totals = &score.totals;
    let known = totals.reactions_right + totals.reactions_wrong;
    let mut text = filled(lines.by_heart, totals.by_heart, totals.answers);
    if known > 0 {
        text.push_str(&filled(lines.reactions, totals.reactions_right, known));
    }
    text + lines.judge
}

/// What stood out, worst first: reactions that were not right, then phrases, the most stumbled at first.
pub fn practise_next(score: &Score) -> Vec<String> {
    let wrong = score.reactions.iter().filter(|reaction| reaction.right == Some(false));
    let mut next: Vec<String> = wrong.map(advice).collect();
    let mut stumbled: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for answer in score.answers.iter().filter(|answer| !answer.by_heart) {
        *stumbled.entry((&answer.title, &answer.phrase)).or_default() += answer.stumbles.len();
    }
    let mut stumbled: Vec<_> = stumbled.into_iter().collect();
    stumbled.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    next.extend(
        stumbled.into_iter().map(|((title, phrase), _)| format!("{}: say \"{phrase}\"", short(title))),
    );
    next.dedup();
    next.truncate(MOST_NEXT);
    if next.is_empty() && !score.answers.is_empty() {
        let other = score.practice.stand_in().name();
        next.push(format!("nothing stood out: more errors (--slips), or the other part (--as {other})"));
    }
    next
}

fn advice(reaction: &Reaction) -> String {
    let words = match reaction.slip.kind {
        SlipKind::Refusal => "after a refusal, do the step again and read the same step back",
        SlipKind::Contingency => "after such a call, leave the step and do only what the tool reads",
        SlipKind::Hold => "on hold, say nothing but the words that carry on, when both are ready",
        _ => "when the other one is wrong or silent, wait, and neither confirm nor go on",
    };
    format!("{}: {words}", short(&reaction.title))
}

#[cfg(test)]
mod tests {
    use super::short;

    #[test]
    fn a_long_title_is_cut_after_a_whole_word_in_any_script() {
        assert_eq!(short("Put on the gown"), "Put on the gown");
        let long = "Rub your hands with alcohol hand rub, every surface, until they are dry";
        assert_eq!(short(long), "Rub your hands with alcohol hand rub, every surface, until...");
        let korean = "장갑을 끼고 소매를 덮으세요 ".repeat(6);
        assert!(short(&korean).ends_with("..."));
        assert_eq!(short(&"가".repeat(80)).chars().count(), 63);
    }
}
