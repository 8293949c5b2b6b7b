//! What the tool says by itself, per language: everything spoken that the procedure's author did not write.
//!
//! After a wrong read-back the reply is 'negative', what was heard, and the right version again, as aeronautical
//! phraseology has it (SERA.14075 in the Commission Implementing Regulation (EU) 923/2012).

/// Templates; `{x}` is filled in by `fill`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lines {
    pub wrong: &'static str,
    pub unsure: &'static str,
    pub early: &'static str,
    pub reminder: &'static str,
    pub too_soon: &'static str,
    pub refused: &'static str,
    pub noted: &'static str,
    pub look: &'static str,
    pub going_back: &'static str,
    pub first_place: &'static str,
    pub carrying_on: &'static str,
    pub held_called: &'static str,
    pub held_stop: &'static str,
    pub held_maybe_stop: &'static str,
    pub held_maybe_contingency: &'static str,
    pub maybe_contingency: &'static str,
    pub held_tries: &'static str,
    pub held_no_answer: &'static str,
    pub held_post_lost: &'static str,
    pub held_voice: &'static str,
    pub held_record: &'static str,
    pub still_no_record: &'static str,
    pub moved_on: &'static str,
    pub same_voice: &'static str,
    pub held_same_voice: &'static str,
    pub strange_voice: &'static str,
    pub held_strange_voice: &'static str,
    pub still_held: &'static str,
    pub observer_only: &'static str,
    pub still_lost: &'static str,
    pub contingency: &'static str,
    pub may_decide: &'static str,
    pub ask_reason: &'static str,
    pub decided: &'static str,
    pub tries_left: &'static str,
    pub no_decision: &'static str,
    pub returning: &'static str,
    pub restarting: &'static str,
    pub leaving: &'static str,
    pub cancelled: &'static str,
    pub hold_point: &'static str,
    pub to_doer: &'static str,
    pub digits: &'static str,
    pub one_of: &'static str,
    pub stopped: &'static str,
    pub failed: &'static str,
    pub worker: &'static str,
    pub observer: &'static str,
    pub both: &'static str,
    /// The posts as they are spoken of.
    pub the_worker: &'static str,
    pub the_observer: &'static str,
    pub the_room: &'static str,
    pub or: &'static str,
}

impl Lines {
    /// Every line with its name.
    pub fn all(&self) -> Vec<(&'static str, &'static str)> {
        macro_rules! named {
            ($($name:ident)*) => {{
                // A line that is added has to be named here, or this no longer compiles.
                let Lines { $($name),* } = *self;
                vec![$((stringify!($name), $name)),*]
            }};
        }
        named!(
            wrong unsure early reminder too_soon refused noted
            look going_back first_place carrying_on held_called held_stop held_maybe_stop
            held_maybe_contingency maybe_contingency held_tries held_no_answer held_post_lost held_voice held_record still_no_record moved_on same_voice held_same_voice strange_voice held_strange_voice
            still_held observer_only still_lost contingency may_decide ask_reason decided tries_left no_decision returning restarting leaving cancelled hold_point
            to_doer digits one_of stopped failed worker observer both the_worker the_observer the_room or
        )
    }
}

/// Languages the tool has lines in.
pub const LANGUAGES: [&str; 2] = ["en", "ko"];

const ENGLISH: Lines = Lines {
    wrong: "Negative. I heard: {heard}. {who}, the phrase is: {expected}.",
    unsure: "I am not sure what I heard. {who}, please say: {expected}.",
    early: "I was still speaking. {who}, please say it now: {expected}.",
    reminder: "{who}, I am waiting for: {expected}.",
    too_soon: "Too soon. {seconds} seconds more, then say: {expected}.",
    refused: "Not right. Once more. ",
    noted: "Noted: {answer}. ",
    look: "{who}, look: {look}",
    going_back: "Going back. ",
    first_place: "This is the beginning. ",
    carrying_on: "Carrying on. ",
    held_called: "On hold. Observer, say: {carry_on}, when both are ready.",
    held_stop:
        "Stopped. Stand still. Observer: {carry_on}, to go on with this step. Or {stop}, once more, to end.",
    held_maybe_stop: "I may have heard a call to stop. On hold. Observer: {carry_on}, or {stop}.",
    held_maybe_contingency: "I may have heard: {heard}. On hold. Observer: {carry_on}, or: {heard}.",
    maybe_contingency: "I may have heard: {heard}. If it is so, say it once more.",
    held_tries: "On hold after too many tries. Observer, you decide: {carry_on}, {go_back}, or {stop}.",
    held_no_answer: "No answer. On hold. Observer, you decide: {carry_on}, {go_back}, or {stop}.",
    held_post_lost: "I can no longer hear {who}. On hold.",
    held_voice: "The voice failed. On hold. Observer, say: {carry_on}, to try again.",
    held_record:
        "The record of this session was damaged. On hold. Observer: {carry_on}, and I keep it in a new place, or {stop}.",
    still_no_record:
        "I cannot keep the record in a new place either. Still on hold. Observer: {carry_on}, to try again, or {stop}.",
    moved_on: "The record goes on in a new place. ",
    same_voice: "That sounded like {reader}. {who}, please say it yourself: {expected}.",
    held_same_voice: "That sounded like one person again. On hold. Observer, when you have looked yourself: {carry_on}, or {stop}.",
    strange_voice: "That sounded like neither of you. {who}, please say it yourself: {expected}.",
    held_strange_voice: "That sounded like somebody else again. On hold. Observer, when you have looked yourself: {carry_on}, or {stop}.",
    still_held: "Still on hold. Observer, say: {carry_on}, to go on.",
    observer_only: "Only the observer can say that.",
    still_lost: "I still cannot hear {who}. On hold.",
    contingency: "{title}. ",
    may_decide: "{text} Or, if you saw it done right, say: {decision}.",
    ask_reason: "Observer, why? Say: {expected}.",
    decided: "Confirmed by decision, {reason}. ",
    tries_left: "Not yet. {who}, please say: {expected}.",
    no_decision: "This step needs both answers. {who}, please say: {expected}.",
    returning: "That is done. Back to where we were. ",
    restarting: "That is done. We do the steps again from here. ",
    leaving: "Now we leave. ",
    cancelled: "Back to where we were. ",
    hold_point: "{text} {who}, when it is so, say: {expected}.",
    to_doer: "{who}: {instruction}",
    digits: "{count} digits",
    one_of: " or ",
    stopped: "The session is ended. Follow the local procedure.",
    failed: "This session failed and is no longer recorded. Stop here, and follow the local procedure.",
    worker: "Worker",
    observer: "Observer",
    both: "Together",
    the_worker: "the worker",
    the_observer: "the observer",
    the_room: "the room",
    or: ", or: ",
};

const KOREAN: Lines = Lines {
    wrong: "아닙니다. {heard}, 라고 들었습니다. {who}, 말할 문구는: {expected}.",
    unsure: "확실히 듣지 못했습니다. {who}, 다시 말해 주세요: {expected}.",
    early: "아직 말하는 중이었습니다. {who}, 지금 말해 주세요: {expected}.",
    reminder: "{who}, 기다리고 있습니다: {expected}.",
    too_soon: "너무 빠릅니다. {seconds}초 뒤에 말해 주세요: {expected}.",
    refused: "올바르지 않습니다. 다시 합니다. ",
    noted: "기록했습니다: {answer}. ",
    look: "{who}, 확인하세요: {look}",
    going_back: "앞으로 돌아갑니다. ",
    first_place: "처음입니다. ",
    carrying_on: "계속합니다. ",
    held_called: "대기합니다. 관찰자, 준비되면 말해 주세요: {carry_on}.",
    held_stop: "중지했습니다. 움직이지 마세요. 관찰자: 계속하려면 {carry_on}. 끝내려면 한 번 더 {stop}.",
    held_maybe_stop: "중지하라는 말을 들은 것 같습니다. 대기합니다. 관찰자: {carry_on}, 또는 {stop}.",
    held_maybe_contingency: "{heard}, 라고 들은 것 같습니다. 대기합니다. 관찰자: {carry_on}, 또는: {heard}.",
    maybe_contingency: "{heard}, 라고 들은 것 같습니다. 맞으면 다시 말해 주세요.",
    held_tries: "여러 번 틀려서 대기합니다. 관찰자가 정하세요: {carry_on}, {go_back}, 또는 {stop}.",
    held_no_answer: "대답이 없어 대기합니다. 관찰자가 정하세요: {carry_on}, {go_back}, 또는 {stop}.",
    held_post_lost: "{who} 마이크가 들리지 않습니다. 대기합니다.",
    held_voice: "음성이 실패했습니다. 대기합니다. 관찰자: {carry_on}.",
    held_record:
        "이 세션의 기록이 손상되었습니다. 대기합니다. 관찰자: 기록을 새 위치에 남기고 계속하려면 {carry_on}, 또는 {stop}.",
    still_no_record:
        "새 위치에도 기록을 남길 수 없습니다. 아직 대기 중입니다. 관찰자: 다시 시도하려면 {carry_on}, 또는 {stop}.",
    moved_on: "기록은 새 위치에서 계속됩니다. ",
    same_voice: "{reader} 목소리처럼 들렸습니다. {who}, 직접 말해 주세요: {expected}.",
    held_same_voice:
        "또 같은 사람 목소리처럼 들렸습니다. 대기합니다. 관찰자, 직접 확인했으면: {carry_on}, 또는 {stop}.",
    strange_voice: "두 분의 목소리가 아닌 것 같습니다. {who}, 직접 말해 주세요: {expected}.",
    held_strange_voice:
        "또 다른 사람 목소리처럼 들렸습니다. 대기합니다. 관찰자, 직접 확인했으면: {carry_on}, 또는 {stop}.",
    still_held: "아직 대기 중입니다. 관찰자, 계속하려면 말해 주세요: {carry_on}.",
    observer_only: "관찰자만 말할 수 있습니다.",
    still_lost: "{who} 마이크가 아직 들리지 않습니다. 대기합니다.",
    contingency: "{title}. ",
    may_decide: "{text} 또는 제대로 된 것을 보았으면 말해 주세요: {decision}.",
    ask_reason: "관찰자, 이유를 말해 주세요: {expected}.",
    decided: "관찰자의 결정으로 확인했습니다, {reason}. ",
    tries_left: "아직 아닙니다. {who}, 말해 주세요: {expected}.",
    no_decision: "이 단계에는 두 대답이 모두 필요합니다. {who}, 말해 주세요: {expected}.",
    returning: "끝났습니다. 하던 곳으로 돌아갑니다. ",
    restarting: "끝났습니다. 여기서부터 다시 합니다. ",
    leaving: "이제 나갑니다. ",
    cancelled: "하던 곳으로 돌아갑니다. ",
    hold_point: "{text} {who}, 그렇게 되면 말해 주세요: {expected}.",
    to_doer: "{who}: {instruction}",
    digits: "숫자 {count}개",
    one_of: " 또는 ",
    stopped: "끝났습니다. 현장 지침을 따르세요.",
    failed: "이 세션은 실패했고 더 이상 기록되지 않습니다. 멈추고 현장 지침을 따르세요.",
    worker: "작업자",
    observer: "관찰자",
    both: "함께",
    the_worker: "작업자",
    the_observer: "관찰자",
    the_room: "방",
    or: ", 또는: ",
};

/// The lines for a BCP 47 language tag, and whether they are in that language (English stands in otherwise, which the
/// caller must tell the user).
pub fn lines(language: &str) -> (&'static Lines, bool) {
    match language.split('-').next().unwrap_or_default() {
        "en" => (&ENGLISH, true),
        "ko" => (&KOREAN, true),
        _ => (&ENGLISH, false),
    }
}

/// Fills `{name}` places of a template. Values are not scanned again.
pub fn fill(template: &str, values: &[(&str, &str)]) -> String {
    let mut text = String::with_capacity(template.len() + 32);
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        let Some(close) = rest[open..].find('}').map(|at| open + at) else { break };
        text.push_str(&rest[..open]);
        let name = &rest[open + 1..close];
        match values.iter().find(|(key, _)| *key == name) {
            Some((_, value)) => text.push_str(value),
            None => text.push_str(&rest[open..=close]),
        }
        rest = &rest[close + 1..];
    }
    text.push_str(rest);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_filled_once_and_not_scanned_again() {
        assert_eq!(fill("a {x} b {y}", &[("x", "{y}"), ("y", "2")]), "a {y} b 2");
        assert_eq!(fill("open { here", &[]), "open { here");
    }

    #[test]
    fn an_unknown_language_is_told_as_such() {
        assert!(lines("en-GB").1);
        assert!(lines("ko").1);
        assert!(!lines("fr").1);
    }
}
