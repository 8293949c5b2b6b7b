//! Mistakes in contingencies, exits, hold points, slots, times and spoken words, with the exact words of the answer.

mod procedure_base;

use antiphon::procedure::parse::parse;
use procedure_base::EVERYTHING;

/// `EVERYTHING` with its first `from` replaced has exactly these problems, in these words.
#[track_caller]
fn says(from: &str, to: &str, expected: &str) {
    assert!(EVERYTHING.contains(from), "EVERYTHING has no {from:?}");
    let source = EVERYTHING.replacen(from, to, 1);
    let found = parse(&source, "all.toml").map(|_| "no problem").map_err(|errors| errors.to_string());
    assert_eq!(found.unwrap_err(), expected);
}

#[test]
fn a_contingency_without_its_step_leads_nowhere() {
    says(
        "then = \"restart\"\nrestart_at = \"gloves\"",
        "then = \"restart\"",
        "all.toml:98:8: contingency `splash` leads nowhere\n\
         \x20 98 | then = \"restart\"\n\
         \x20    |        ^^^^^^^^^\n\
         \x20 why: then = \"restart\" needs the step that it leads to\n\
         \x20 do:  add a line: restart_at = \"...\" with the id of one of the procedure's steps",
    );
}

#[test]
fn a_contingency_that_restarts_at_an_unknown_step_leads_nowhere() {
    says(
        "restart_at = \"gloves\"",
        "restart_at = \"glove\"",
        "all.toml:99:14: contingency `splash` leads nowhere: there is no step `glove`\n\
         \x20 99 | restart_at = \"glove\"\n\
         \x20    |              ^^^^^^^\n\
         \x20 why: restart_at names one of the procedure's own steps\n\
         \x20 do:  did you mean `gloves`?",
    );
}

#[test]
fn a_contingency_restarts_at_a_step_of_the_procedure_only() {
    says(
        "restart_at = \"gloves\"",
        "restart_at = \"walk\"",
        "all.toml:99:14: contingency `splash` leads nowhere: there is no step `walk`\n\
         \x20 99 | restart_at = \"walk\"\n\
         \x20    |              ^^^^^^\n\
         \x20 why: restart_at names one of the procedure's own steps\n\
         \x20 do:  the steps are: gloves, hose",
    );
}

#[test]
fn a_contingency_that_takes_an_unknown_exit_leads_nowhere() {
    says(
        "then = \"exit\"\nexit = \"out\"",
        "then = \"exit\"\nexit = \"way\"",
        "all.toml:106:8: contingency `no-air` leads nowhere: there is no exit `way`\n\
         \x20 106 | exit = \"way\"\n\
         \x20     |        ^^^^^\n\
         \x20 why: exit names one of the procedure's own exits\n\
         \x20 do:  the exits are: out",
    );
}

#[test]
fn a_contingency_without_its_exit_leads_nowhere() {
    says(
        "then = \"exit\"\nexit = \"out\"",
        "then = \"exit\"",
        "all.toml:105:8: contingency `no-air` leads nowhere\n\
         \x20 105 | then = \"exit\"\n\
         \x20     |        ^^^^^^\n\
         \x20 why: then = \"exit\" needs the exit that it leads to\n\
         \x20 do:  add a line: exit = \"...\" with the id of one of the procedure's exits",
    );
}

#[test]
fn an_unknown_end_of_a_contingency_suggests_the_nearest() {
    says(
        "then = \"return\"",
        "then = \"retrun\"",
        "all.toml:80:8: `then` must be return, restart or exit; here it is `retrun`\n\
         \x20 80 | then = \"retrun\"\n\
         \x20    |        ^^^^^^^^\n\
         \x20 why: a contingency has to lead somewhere\n\
         \x20 do:  did you mean `return`?",
    );
}

#[test]
fn a_contingency_has_to_say_what_follows() {
    says(
        "then = \"return\"\n",
        "",
        "all.toml:75:1: [[contingency]] has no `then`\n\
         \x20 75 | [[contingency]]\n\
         \x20    | ^^^^^^^^^^^^^^^\n\
         \x20 why: it can't be guessed\n\
         \x20 do:  add a line: then = \"return\", or \"restart\" with restart_at, or \"exit\" with exit",
    );
}

#[test]
fn a_place_to_restart_at_without_a_restart_is_refused() {
    says(
        "then = \"return\"",
        "then = \"return\"\nrestart_at = \"gloves\"",
        "all.toml:81:14: `restart_at` has no effect in contingency `tear`\n\
         \x20 81 | restart_at = \"gloves\"\n\
         \x20    |              ^^^^^^^^\n\
         \x20 why: it says then = \"return\"\n\
         \x20 do:  delete the line, or write then = \"restart\"",
    );
}

#[test]
fn a_contingency_that_returns_at_once_is_refused() {
    says(
        "then = \"exit\"\nexit = \"out\"",
        "then = \"return\"",
        "all.toml:101:1: contingency `no-air` has no steps\n\
         \x20 101 | [[contingency]]\n\
         \x20     | ^^^^^^^^^^^^^^^\n\
         \x20 why: it would return at once, and nothing would be done\n\
         \x20 do:  write at least one [[contingency.step]]",
    );
}

#[test]
fn two_contingencies_with_one_id_are_refused() {
    says(
        "id = \"splash\"",
        "id = \"tear\"",
        "all.toml:95:6: the contingency id `tear` is used twice\n\
         \x20 95 | id = \"tear\"\n\
         \x20    |      ^^^^^^\n\
         \x20 why: line 76 has it already\n\
         \x20 do:  give one of the two another id",
    );
}

#[test]
fn a_step_of_a_contingency_may_not_have_the_id_of_another() {
    says(
        "id = \"new-glove\"",
        "id = \"gloves\"",
        "all.toml:82:6: the step id `gloves` is used twice\n\
         \x20 82 | id = \"gloves\"\n\
         \x20    |      ^^^^^^^^\n\
         \x20 why: line 52 has it already\n\
         \x20 do:  give one of the two another id",
    );
}

#[test]
fn the_call_of_a_contingency_may_not_be_a_read_back() {
    says(
        "\"my glove is torn\"",
        "\"hose is connected\"",
        "all.toml:78:9: the phrase \"hose is connected\" is used twice\n\
         \x20 78 | call = [\"hose is connected\", \"glove is torn\"]\n\
         \x20    |         ^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is also the read-back of step `hose` (line 72); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn a_contingency_with_four_calls_is_refused() {
    says(
        "[\"my glove is torn\", \"glove is torn\"]",
        "[\"my glove is torn\", \"one more tear\", \"yet another tear\", \"a fourth tear\"]",
        "all.toml:78:66: there are 4 phrases that call one contingency; at most 3 are allowed\n\
         \x20 78 | = [\"my glove is torn\", \"one more tear\", \"yet another tear\", \"a fourth tear\"]\n\
         \x20    |                                                             ^^^^^^^^^^^^^^^\n\
         \x20 why: nobody can keep track of more\n\
         \x20 do:  leave some out or split the procedure",
    );
}

#[test]
fn an_unknown_key_of_a_contingency_suggests_the_nearest() {
    says(
        "opening = \"A glove is torn. Step back.\"",
        "openning = \"A glove is torn. Step back.\"",
        "all.toml:79:1: [[contingency]] has no key `openning`\n\
         \x20 79 | openning = \"A glove is torn. Step back.\"\n\
         \x20    | ^^^^^^^^\n\
         \x20 why: a key that is not read would be lost silently\n\
         \x20 do:  did you mean `opening`?",
    );
}

#[test]
fn an_exit_without_steps_is_refused() {
    says(
        "[[exit.step]]\nid = \"walk\"\ninstruction = \"Walk to the door.\"\nlook = \"the worker walks without touching anything\"\nread_back = \"standing at the door\"\nconfirm = \"door closed behind you\"\n",
        "",
        "all.toml:108:1: exit `out` has no steps\n\
         \x20 108 | [[exit]]\n\
         \x20     | ^^^^^^^^\n\
         \x20 why: there would be no way out in it\n\
         \x20 do:  write at least one [[exit.step]]",
    );
}

#[test]
fn a_step_by_nobody_known_is_refused() {
    says(
        "by = \"both\"",
        "by = \"helper\"",
        "all.toml:53:6: `by` must be worker, both or observer; here it is `helper`\n\
         \x20 53 | by = \"helper\"\n\
         \x20    |      ^^^^^^^^\n\
         \x20 why: who does a step reads it back, and the other one confirms\n\
         \x20 do:  write by = \"worker\", by = \"both\" or by = \"observer\"",
    );
}

#[test]
fn a_hold_point_without_a_release_is_refused() {
    says(
        "release = \"the lead agrees\"\n",
        "",
        "all.toml:54:14: the hold point of step `gloves` has no release\n\
         \x20 54 | hold_point = \"Wait for the shift lead.\"\n\
         \x20    |              ^^^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: the session would wait there for ever\n\
         \x20 do:  add a line: release = \"...\"",
    );
}

#[test]
fn a_release_without_a_hold_point_is_refused() {
    says(
        "hold_point = \"Wait for the shift lead.\"\n",
        "",
        "all.toml:54:11: step `gloves` has a release but no hold point\n\
         \x20 54 | release = \"the lead agrees\"\n\
         \x20    |           ^^^^^^^^^^^^^^^^^\n\
         \x20 why: there would be nothing to release\n\
         \x20 do:  add a line: hold_point = \"...\"",
    );
}

#[test]
fn usual_seconds_below_the_least_ones_are_refused() {
    says(
        "expected_s = 20",
        "expected_s = 4",
        "all.toml:62:14: `expected_s` is 4, but `at_least_s` is 5\n\
         \x20 62 | expected_s = 4\n\
         \x20    |              ^\n\
         \x20 why: no step can usually be done sooner than it may be\n\
         \x20 do:  write a larger expected_s, or a smaller at_least_s",
    );
}

#[test]
fn usual_seconds_in_another_unit_are_refused() {
    says(
        "expected_s = 20",
        "expected_s = \"20 s\"",
        "all.toml:62:14: `expected_s` must be a number; here it is a text\n\
         \x20 62 | expected_s = \"20 s\"\n\
         \x20    |              ^^^^^^\n\
         \x20 do:  write it without quotes: expected_s = 20",
    );
}

#[test]
fn milliseconds_are_not_seconds() {
    says(
        "at_least_s = 5\n",
        "at_least_ms = 5000\n",
        "all.toml:61:1: [[step]] has no key `at_least_ms`\n\
         \x20 61 | at_least_ms = 5000\n\
         \x20    | ^^^^^^^^^^^\n\
         \x20 why: a key that is not read would be lost silently\n\
         \x20 do:  did you mean `at_least_s`?",
    );
}

#[test]
fn minutes_as_seconds_out_of_range_are_refused() {
    says(
        "at_least_s = 5\n",
        "at_least_s = 5000\n",
        "all.toml:61:14: `at_least_s` must be from 0 to 3600; here it is 5000\n\
         \x20 61 | at_least_s = 5000\n\
         \x20    |              ^^^^\n\
         \x20 why: it is in seconds\n\
         \x20 do:  write a number from 0 to 3600",
    );
}

#[test]
fn an_unknown_slot_suggests_the_nearest() {
    says(
        "\"gloves on size {size}\"",
        "\"gloves on size {sise}\"",
        "all.toml:58:13: there is no slot `sise`\n\
         \x20 58 | read_back = \"gloves on size {sise}\"\n\
         \x20    |             ^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: nobody knows what may stand there\n\
         \x20 do:  did you mean `size`?",
    );
}

#[test]
fn a_slot_without_its_brace_is_refused() {
    says(
        "\"gloves on size {size}\"",
        "\"gloves on size {size\"",
        "all.toml:58:13: a brace has no partner\n\
         \x20 58 | read_back = \"gloves on size {size\"\n\
         \x20    |             ^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: braces stand around the name of a slot\n\
         \x20 do:  write {name}, or delete the brace",
    );
}

#[test]
fn a_slot_twice_in_a_phrase_is_refused() {
    says(
        "\"gloves on size {size}\"",
        "\"gloves {size} on {size}\"",
        "all.toml:58:13: the slot `size` stands in the phrase twice\n\
         \x20 58 | read_back = \"gloves {size} on {size}\"\n\
         \x20    |             ^^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: its two values could differ\n\
         \x20 do:  use it once",
    );
}

#[test]
fn slots_that_make_too_many_phrases_are_refused() {
    says(
        "\"gloves on size {size}\"",
        "\"gloves {tag} on {size}\"",
        "all.toml:58:13: the slots make 300 phrases of this one\n\
         \x20 58 | read_back = \"gloves {tag} on {size}\"\n\
         \x20    |             ^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: each way to say it is listened for by itself; at most 120 are allowed\n\
         \x20 do:  use fewer slots, or shorter lists",
    );
}

#[test]
fn a_slot_in_a_call_is_refused() {
    says(
        "\"my glove is torn\"",
        "\"my {size} glove is torn\"",
        "all.toml:78:9: a slot can't stand here\n\
         \x20 78 | call = [\"my {size} glove is torn\", \"glove is tor\n\
         \x20    |         ^^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: slots are for read_back and confirm\n\
         \x20 do:  write the words to be said",
    );
}

#[test]
fn a_slot_of_three_digits_is_refused() {
    says(
        "digits = 2",
        "digits = 3",
        "all.toml:38:10: `digits` must be from 1 to 2; here it is 3\n\
         \x20 38 | digits = 3\n\
         \x20    |          ^\n\
         \x20 why: it is a count\n\
         \x20 do:  write a number from 1 to 2",
    );
}

#[test]
fn a_slot_of_words_and_digits_is_refused() {
    says(
        "digits = 2",
        "digits = 2\nwords = [\"a\", \"b\"]",
        "all.toml:37:7: the slot `tag` needs either words or digits\n\
         \x20 37 | [slot.tag]\n\
         \x20    |       ^^^\n\
         \x20 why: what may stand in it is a closed list\n\
         \x20 do:  write words = [\"small\", \"large\"], or digits = 2\n\
         \n\
         all.toml:60:33: there is no slot `tag`\n\
         \x20 60 | confirm = [\"i see size {size}\", \"box number {tag}\"]\n\
         \x20    |                                 ^^^^^^^^^^^^^^^^^^\n\
         \x20 why: nobody knows what may stand there\n\
         \x20 do:  add a table [slot.tag] with words or digits\n\
         \n\
         2 problems",
    );
}

#[test]
fn a_slot_of_one_word_is_refused() {
    says(
        "[\"small\", \"medium\", \"large\"]",
        "[\"small\"]",
        "all.toml:36:10: a slot has fewer than two words\n\
         \x20 36 | words = [\"small\"]\n\
         \x20    |          ^^^^^^^\n\
         \x20 why: with one word there is nothing to fill in\n\
         \x20 do:  add another, or write the word into the phrase",
    );
}

#[test]
fn a_word_twice_in_a_slot_is_refused() {
    says(
        "[\"small\", \"medium\", \"large\"]",
        "[\"small\", \"Small\"]",
        "all.toml:36:19: the value \"small\" stands here twice\n\
         \x20 36 | words = [\"small\", \"Small\"]\n\
         \x20    |                   ^^^^^^^\n\
         \x20 why: once is enough, and a second one may hide a slip\n\
         \x20 do:  delete one",
    );
}

#[test]
fn a_word_with_two_ways_to_be_spoken_is_refused() {
    says(
        "PAPR = \"powered hood\"",
        "PAPR = [\"powered hood\", \"the hood\"]",
        "all.toml:33:25: `PAPR` has more than one way to be spoken\n\
         \x20 33 | PAPR = [\"powered hood\", \"the hood\"]\n\
         \x20    |                         ^^^^^^^^^^\n\
         \x20 why: the voice says one\n\
         \x20 do:  keep one",
    );
}

#[test]
fn a_word_to_be_spoken_given_twice_is_refused() {
    says(
        "PAPR = \"powered hood\"",
        "PAPR = \"powered hood\"\npapr = \"hood\"",
        "all.toml:34:1: the word `papr` is given twice\n\
         \x20 34 | papr = \"hood\"\n\
         \x20    | ^^^^\n\
         \x20 why: capital letters make no difference\n\
         \x20 do:  delete one",
    );
}

#[test]
fn a_right_to_left_mark_in_a_call_is_refused() {
    says(
        "\"my glove is torn\"",
        "\"my glove \u{202e}is torn\"",
        "all.toml:78:9: the phrase has a control character: U+202E\n\
         \x20 78 | call = [\"my glove \u{fffd}is torn\", \"glove is torn\"]\n\
         \x20    |         ^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is invisible and can change how screens show the text\n\
         \x20 do:  delete it",
    );
}

#[test]
fn a_combining_letter_alone_is_no_phrase() {
    says(
        "\"my glove is torn\"",
        "\"\u{301} \u{301}\"",
        "all.toml:78:9: the phrase is empty\n\
         \x20 78 | call = [\"\u{301} \u{301}\", \"glove is torn\"]\n\
         \x20    |         ^^^\n\
         \x20 why: a phrase is what a person says aloud; it needs words\n\
         \x20 do:  write the words to be said",
    );
}
