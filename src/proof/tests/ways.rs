//! Where contingencies and exits lead, and calls within what is spoken: the exact words of each finding.
//! What is told of here is common practice, no source: every procedure for trouble has an end that does not depend on luck.

use super::*;

/// One step, a question, and what follows it.
fn procedure(step_more: &str, rest: &str) -> String {
    let gloves = step("gloves", "Do it.", "\"inner gloves are on\"", "\"i see wrists protected\"", step_more);
    let gown = step("gown", "Put on the gown.", "\"gown reaches my knees\"", "\"back is closed up\"", "");
    format!("{HEAD}{QUESTION}{gloves}{gown}{rest}")
}

fn contingency(id: &str, call: &str, then: &str) -> String {
    format!("[[contingency]]\nid = \"{id}\"\ntitle = \"What happened\"\ncall = \"{call}\"\n{then}\n")
}

const OWN_STEP: &str =
    "id = \"own\"\ninstruction = \"Wipe it.\"\nlook = \"it is so\"\nread_back = \"wiped with a cloth\"\n\
    confirm = \"no drop is visible\"\n";
const SPLASH: &str = "a splash hit me";

fn restart(step: &str) -> String {
    contingency("splash", SPLASH, &format!("then = \"restart\"\nrestart_at = \"{step}\""))
}

fn way_out(more: &str) -> String {
    let exit = "[[exit]]\nid = \"out\"\ntitle = \"Out\"\nclosing = \"You are out.\"\n";
    let step = "id = \"leave\"\ninstruction = \"Walk out.\"\nlook = \"it is so\"\n\
        read_back = \"standing outside by now\"\nconfirm = \"nobody is near you\"\n";
    format!("{exit}[[exit.step]]\n{step}{more}\n")
}

/// What is found of this rule: its level, place in the file (the text there) and all of its words.
#[track_caller]
fn says(source: &str, rule: &str, expected: &[(Level, &str, &str, &str, &str)]) {
    let found: Vec<Finding> = lint(source).into_iter().filter(|finding| finding.rule == rule).collect();
    let line = |at: Option<Place>| at.map_or("", |at| source.split('\n').nth(at.line - 1).unwrap());
    let found: Vec<_> = found
        .iter()
        .map(|one| (one.level, line(one.at), one.what.as_str(), one.why.as_str(), one.fix.as_str()))
        .collect();
    assert_eq!(found, expected);
}

#[test]
fn steps_that_are_done_again_for_ever_are_a_warning_until_there_is_a_way_out_or_a_hold_point() {
    let rule = "no-way-out";
    says(
        &procedure("", &restart("gown")),
        rule,
        &[(
            Level::Warning,
            "restart_at = \"gown\"",
            "contingency \"splash\" restarts, and there is no way out",
            "if it happens each time, the steps are done again for ever: no hold point is among them, and no contingency leads to an exit",
            "write an [[exit]] and a contingency with then = \"exit\", or a hold point from the step on at which it restarts",
        )],
    );
    // An exit to which nothing leads is none.
    assert!(rules(&procedure("", &(restart("gown") + &way_out("")))).contains(&(rule, Level::Warning)));
    let leads_out = contingency("ill", "i feel very faint", "then = \"exit\"\nexit = \"out\"");
    says(&procedure("", &(restart("gown") + &leads_out + &way_out(""))), rule, &[]);
    let waits = "hold_point = \"Wait.\"\nrelease = \"the lead agrees now\"";
    says(&procedure(waits, &restart("gloves")), rule, &[]);
    // A hold point before the step at which it restarts is not met again.
    assert!(rules(&procedure(waits, &restart("gown"))).contains(&(rule, Level::Warning)));
    let own = restart("gown") + "[[contingency.step]]\n" + OWN_STEP + waits + "\n";
    says(&procedure("", &own), rule, &[]);
}

#[test]
fn an_exit_to_which_nothing_leads_is_a_warning() {
    let tear = contingency("tear", "my glove has torn", "then = \"return\"");
    let source = procedure("", &(tear + "[[contingency.step]]\n" + OWN_STEP + &way_out("")));
    says(
        &source,
        "unused-exit",
        &[(
            Level::Warning,
            "[[exit]]",
            "no contingency leads to exit \"out\"",
            "its steps are never done",
            "give a contingency: then = \"exit\" and exit = \"out\"; or delete the exit",
        )],
    );
    says(&source.replace("then = \"return\"", "then = \"exit\"\nexit = \"out\""), "unused-exit", &[]);
}

#[test]
fn a_restart_at_a_step_that_an_answer_switches_off_is_advice() {
    let source = procedure("when = { apron = \"yes\" }", &restart("gloves"));
    says(
        &source,
        "skipped-restart",
        &[(
            Level::Advice,
            "restart_at = \"gloves\"",
            "contingency \"splash\" restarts at step \"gloves\", which is not done with apron = no",
            "the steps are then done again from a later one",
            "restart at a step that is always done, or make sure that the later one is early enough",
        )],
    );
    says(&procedure("when = { apron = [\"yes\", \"no\"] }", &restart("gloves")), "skipped-restart", &[]);
    says(&source.replace("at = \"gloves\"", "at = \"gown\""), "skipped-restart", &[]);
}

#[test]
fn answers_that_leave_a_contingency_or_an_exit_nothing_to_do_are_a_warning() {
    let when = "when = { apron = \"yes\" }\n";
    let tear = contingency("tear", "my glove has torn", "then = \"return\"");
    says(
        &procedure("", &(tear.clone() + "[[contingency.step]]\n" + OWN_STEP + when)),
        "nothing-left",
        &[(
            Level::Warning,
            "[[contingency]]",
            "with apron = no contingency \"tear\" has no step to do",
            "it would return at once, and nothing would be done",
            "give these answers a step, or leave a condition out",
        )],
    );
    let leads_out = tear.replace("then = \"return\"", "then = \"exit\"\nexit = \"out\"");
    says(
        &procedure("", &(leads_out.clone() + &way_out(when))),
        "nothing-left",
        &[(
            Level::Warning,
            "[[exit]]",
            "with apron = no exit \"out\" has no step to do",
            "the session would end with its closing words, and nobody would be led out",
            "give these answers a step, or leave a condition out",
        )],
    );
    says(&procedure("", &(leads_out + &way_out(""))), "nothing-left", &[]);
}

#[test]
fn a_restart_after_which_no_step_is_left_is_a_warning() {
    let source = procedure("", &restart("gown")).replace(
        "confirm = \"back is closed up\"",
        "confirm = \"back is closed up\"\nwhen = { apron = \"yes\" }",
    );
    says(
        &source,
        "nothing-left",
        &[(
            Level::Warning,
            "restart_at = \"gown\"",
            "with apron = no no step is left where contingency \"splash\" restarts",
            "the session could end as completed right after something happened",
            "restart at a step before one that is always done",
        )],
    );
    says(&source, "skipped-restart", &[]);
    says(&source.replace("at = \"gown\"", "at = \"gloves\""), "nothing-left", &[]);
}

#[test]
fn critical_steps_without_any_contingency_are_advice() {
    let source = procedure("critical = true", "");
    says(
        &source,
        "no-contingency",
        &[(
            Level::Advice,
            "critical = true",
            "steps are critical, and no contingency is written",
            "when something happens there, people can only stop: nothing says what to do then",
            "write a [[contingency]] for what can happen, or name another procedure in the closing words",
        )],
    );
    says(&procedure("critical = true", &restart("gown")), "no-contingency", &[]);
    says(&procedure("", ""), "no-contingency", &[]);
}

#[test]
fn the_words_of_a_call_in_what_the_tool_says_are_a_warning_there() {
    let rule = "call-within";
    let says_it = procedure("", &restart("gown")).replace("Put on the gown.", "If a splash: hit ME, stop.");
    let why = "while the tool says these words itself, the call is not heard";
    let fix = "say it in other words";
    let found = [(
        Level::Warning,
        "instruction = \"If a splash: hit ME, stop.\"",
        "the call \"a splash hit me\" is in the instruction of step \"gown\"",
        why,
        fix,
    )];
    says(&says_it, rule, &found);
    let finding = finds(&says_it, rule, Level::Warning);
    let (also, label) = finding.also.expect("the call has a place");
    assert_eq!(
        (says_it.split('\n').nth(also.line - 1).unwrap(), label.as_str()),
        ("call = \"a splash hit me\"", "the call")
    );
    // As it is spoken, too.
    let spoken = procedure("", &restart("gown")).replace("Put on the gown.", "In case of ASHM, stop.")
        + "[say]\nASHM = \"a splash hit me\"\n";
    let found = [(
        Level::Warning,
        "instruction = \"In case of ASHM, stop.\"",
        "the call \"a splash hit me\" is in the instruction of step \"gown\"",
        why,
        fix,
    )];
    says(&spoken, rule, &found);
    // The procedure's opening tells people what they can call.
    let opening = procedure("", &restart("gown"))
        .replace("closing =", "opening = \"At any moment: a splash hit me, or: stop stop.\"\nclosing =");
    says(&opening, rule, &[]);
    // The calls that every procedure has, which stand nowhere in this file.
    let built_in = procedure("", "").replace("Is an apron needed?", "Apron? Carry on, if not.");
    let found = [(
        Level::Warning,
        "ask = \"Apron? Carry on, if not.\"",
        "the call \"carry on\" is in the text of question \"apron\"",
        why,
        fix,
    )];
    says(&built_in, rule, &found);
    assert_eq!(finds(&built_in, rule, Level::Warning).also, None);
    // Its own opening is spoken when it was called already; another one's is not.
    let own = restart("gown") + "opening = \"A splash hit me, says the worker.\"\n";
    says(&procedure("", &own), rule, &[]);
    let other = own
        + &contingency("tear", "my glove has torn", "then = \"restart\"\nrestart_at = \"gown\"")
        + "opening = \"Has it torn after a splash hit me?\"\n";
    let found = [(
        Level::Warning,
        "opening = \"Has it torn after a splash hit me?\"",
        "the call \"a splash hit me\" is in the opening of contingency \"tear\"",
        why,
        fix,
    )];
    says(&procedure("", &other), rule, &found);
}

#[test]
fn the_words_of_a_call_within_another_phrase_are_a_warning() {
    let source = procedure("", &restart("gown")).replace("gown reaches my knees", "a splash hit me there");
    says(
        &source,
        "call-within",
        &[(
            Level::Warning,
            "read_back = \"a splash hit me there\"",
            "the call \"a splash hit me\" is in the phrase \"a splash hit me there\"",
            "who says the phrase says the call too, and while the tool prompts for it the call is not heard",
            "give one of the two other words",
        )],
    );
}
