//! Mistakes in keys, ids, texts, numbers and references, with the exact words of the answer.

mod procedure_base;

use procedure_base::{edit, says, BASE};

/// `BASE` with a single step whose brackets are not doubled.
fn one_step_table() -> String {
    let second = BASE.rfind("[[step]]").expect("BASE has a step");
    BASE[..second].replace("[[step]]", "[step]")
}

#[test]
fn an_unknown_key_suggests_the_nearest_known_one() {
    says(
        &edit(
            "read_back = \"inner gloves on\"",
            "read_bak = \"inner gloves on\"\nread_back = \"inner gloves on\"",
        ),
        "demo.toml:24:1: [[step]] has no key `read_bak`\n\
         \x20 24 | read_bak = \"inner gloves on\"\n\
         \x20    | ^^^^^^^^\n\
         \x20 why: a key that is not read would be lost silently\n\
         \x20 do:  did you mean `read_back`?",
    );
}

#[test]
fn an_unknown_key_like_no_other_lists_the_known_ones() {
    says(
        &edit("by = \"observer\"", "by = \"observer\"\nzzz = 1"),
        "demo.toml:13:1: [[question]] has no key `zzz`\n\
         \x20 13 | zzz = 1\n\
         \x20    | ^^^\n\
         \x20 why: a key that is not read would be lost silently\n\
         \x20 do:  known here: id, ask, by, answer",
    );
}

#[test]
fn an_unknown_table_is_refused() {
    says(
        &edit("[[step]]\nid = \"gloves\"", "[steps]\nx = 1\n[[step]]\nid = \"gloves\""),
        "demo.toml:20:2: the file has no key `steps`\n\
         \x20 20 | [steps]\n\
         \x20    |  ^^^^^\n\
         \x20 why: a key that is not read would be lost silently\n\
         \x20 do:  did you mean `step`?",
    );
}

#[test]
fn a_number_where_a_text_belongs_is_refused() {
    says(
        &edit("version = \"1\"", "version = 1"),
        "demo.toml:4:11: `version` must be a text; here it is a number\n\
         \x20 4 | version = 1\n\
         \x20   |           ^\n\
         \x20 do:  write it in quotes: version = \"...\"",
    );
}

#[test]
fn a_text_where_a_number_belongs_is_refused() {
    says(
        &edit("at_least_s = 20", "at_least_s = \"20\""),
        "demo.toml:26:14: `at_least_s` must be a number; here it is a text\n\
         \x20 26 | at_least_s = \"20\"\n\
         \x20    |              ^^^^\n\
         \x20 do:  write it without quotes: at_least_s = 20",
    );
}

#[test]
fn a_text_where_true_or_false_belongs_is_refused() {
    says(
        &edit("at_least_s = 20", "critical = \"yes\""),
        "demo.toml:26:12: `critical` must be true or false; here it is a text\n\
         \x20 26 | critical = \"yes\"\n\
         \x20    |            ^^^^^\n\
         \x20 do:  write critical = true, or leave the line out",
    );
}

#[test]
fn a_single_step_table_is_told_to_double_its_brackets() {
    says(
        &one_step_table(),
        "demo.toml:20:1: `step` must be a list of tables; here it is a table\n\
         \x20 20 | [step]\n\
         \x20    | ^^^^^^\n\
         \x20 do:  start each one with a line [[step]]",
    );
}

#[test]
fn a_condition_that_is_no_table_is_refused() {
    says(
        &edit("when = { apron = \"yes\" }", "when = \"apron\""),
        "demo.toml:34:8: `when` must be a table; here it is a text\n\
         \x20 34 | when = \"apron\"\n\
         \x20    |        ^^^^^^^\n\
         \x20 do:  write when = { question-id = \"value\" }",
    );
}

#[test]
fn a_missing_key_is_named_with_what_to_add() {
    says(
        &edit("look = \"both wrists covered\"\n", ""),
        "demo.toml:20:1: [[step]] has no `look`\n\
         \x20 20 | [[step]]\n\
         \x20    | ^^^^^^^^\n\
         \x20 why: it can't be guessed\n\
         \x20 do:  add a line: look = \"...\"",
    );
}

#[test]
fn a_step_without_read_back_is_refused() {
    says(
        &edit("read_back = \"inner gloves on\"\n", ""),
        "demo.toml:20:1: [[step]] has no `read_back`\n\
         \x20 20 | [[step]]\n\
         \x20    | ^^^^^^^^\n\
         \x20 why: it can't be guessed\n\
         \x20 do:  add a line: read_back = \"...\"",
    );
}

#[test]
fn a_missing_caution_is_refused() {
    says(
        &edit("cautions = [\"Training aid.\"]\n", ""),
        "demo.toml:1:1: [procedure] has no `cautions`\n\
         \x20 1 | [procedure]\n\
         \x20   | ^^^^^^^^^^^\n\
         \x20 why: it can't be guessed\n\
         \x20 do:  add a line: cautions = [\"Training aid. Local protocol comes first.\"]",
    );
}

#[test]
fn an_empty_list_of_cautions_is_refused() {
    says(
        &edit("cautions = [\"Training aid.\"]", "cautions = []"),
        "demo.toml:6:12: `cautions` is an empty list\n\
         \x20 6 | cautions = []\n\
         \x20   |            ^^\n\
         \x20 why: an empty list gives nothing to work with\n\
         \x20 do:  write cautions = \"...\" or cautions = [\"...\", \"...\"]",
    );
}

#[test]
fn a_file_without_procedure_table_is_refused() {
    says(
        &BASE[BASE.find("[[question]]").expect("BASE has a question")..],
        "demo.toml: there is no [procedure] table\n\
         \x20 why: it says what the file is\n\
         \x20 do:  begin the file with [procedure] and its id, title, version, language, cautions and closing",
    );
}

#[test]
fn a_file_without_steps_is_refused() {
    says(
        &BASE[..BASE.find("[[step]]").expect("BASE has a step")],
        "demo.toml: there are no steps\n\
         \x20 why: there would be nothing to do\n\
         \x20 do:  write at least one [[step]]",
    );
}

#[test]
fn an_empty_list_of_steps_is_refused() {
    says(
        &format!("step = []\n{}", &BASE[..BASE.find("[[step]]").expect("BASE has a step")]),
        "demo.toml:1:8: `step` is an empty list\n\
         \x20 1 | step = []\n\
         \x20   |        ^^\n\
         \x20 why: an empty list gives nothing to work with\n\
         \x20 do:  start each one with a line [[step]]",
    );
}

#[test]
fn a_step_id_used_twice_is_refused() {
    says(
        &edit("id = \"gown\"", "id = \"gloves\""),
        "demo.toml:29:6: the step id `gloves` is used twice\n\
         \x20 29 | id = \"gloves\"\n\
         \x20    |      ^^^^^^^^\n\
         \x20 why: line 21 has it already\n\
         \x20 do:  give one of the two another id",
    );
}

#[test]
fn a_question_id_used_twice_is_refused() {
    says(
        &edit("[[step]]\nid = \"gloves\"", "[[question]]\nid = \"apron\"\nask = \"Why?\"\nby = \"worker\"\nanswer = [{ value = \"a\", phrase = \"one good reason\" }, { value = \"b\", phrase = \"another good reason\" }]\n[[step]]\nid = \"gloves\""),
        "demo.toml:21:6: the question id `apron` is used twice\n\
         \x20 21 | id = \"apron\"\n\
         \x20    |      ^^^^^^^\n\
         \x20 why: line 10 has it already\n\
         \x20 do:  give one of the two another id",
    );
}

#[test]
fn an_answer_value_used_twice_is_refused() {
    says(
        &edit("value = \"no\"", "value = \"yes\""),
        "demo.toml:17:9: the answer value `yes` is used twice\n\
         \x20 17 | value = \"yes\"\n\
         \x20    |         ^^^^^\n\
         \x20 why: line 14 has it already\n\
         \x20 do:  give one of the two another value",
    );
}

#[test]
fn an_id_with_a_blank_is_refused() {
    says(
        &edit("id = \"gloves\"", "id = \"inner gloves\""),
        "demo.toml:21:6: the step's id can't be `inner gloves`\n\
         \x20 21 | id = \"inner gloves\"\n\
         \x20    |      ^^^^^^^^^^^^^^\n\
         \x20 why: it names files and places in the record\n\
         \x20 do:  use 1 to 64 letters, digits and dashes, a letter or digit first",
    );
}

#[test]
fn an_id_that_starts_with_a_dash_is_refused() {
    says(
        &edit("id = \"demo\"", "id = \"-demo\""),
        "demo.toml:2:6: the procedure's id can't be `-demo`\n\
         \x20 2 | id = \"-demo\"\n\
         \x20   |      ^^^^^^^\n\
         \x20 why: it names files and places in the record\n\
         \x20 do:  use 1 to 64 letters, digits and dashes, a letter or digit first",
    );
}

#[test]
fn a_condition_on_an_unknown_question_is_refused() {
    says(
        &edit("apron = \"yes\" }", "aprn = \"yes\" }"),
        "demo.toml:34:10: there is no question `aprn`\n\
         \x20 34 | when = { aprn = \"yes\" }\n\
         \x20    |          ^^^^\n\
         \x20 why: the condition could never be decided\n\
         \x20 do:  did you mean `apron`?",
    );
}

#[test]
fn a_condition_on_an_unknown_answer_is_refused() {
    says(
        &edit("apron = \"yes\" }", "apron = \"maybe\" }"),
        "demo.toml:34:18: question `apron` has no answer `maybe`\n\
         \x20 34 | when = { apron = \"maybe\" }\n\
         \x20    |                  ^^^^^^^\n\
         \x20 why: the condition could never hold\n\
         \x20 do:  the answers are: yes, no",
    );
}

#[test]
fn a_condition_that_names_a_value_twice_is_refused() {
    says(
        &edit("apron = \"yes\" }", "apron = [\"yes\", \"yes\"] }"),
        "demo.toml:34:26: the value `yes` stands here twice\n\
         \x20 34 | when = { apron = [\"yes\", \"yes\"] }\n\
         \x20    |                          ^^^^^\n\
         \x20 why: once is enough, and a second one may hide a slip\n\
         \x20 do:  delete one",
    );
}

#[test]
fn a_negative_time_is_refused() {
    says(
        &edit("at_least_s = 20", "at_least_s = -1"),
        "demo.toml:26:14: `at_least_s` must be from 0 to 3600; here it is -1\n\
         \x20 26 | at_least_s = -1\n\
         \x20    |              ^^\n\
         \x20 why: it is in seconds\n\
         \x20 do:  write a number from 0 to 3600",
    );
}

#[test]
fn a_time_of_more_than_an_hour_is_refused() {
    says(
        &edit("at_least_s = 20", "at_least_s = 3600.5"),
        "demo.toml:26:14: `at_least_s` must be from 0 to 3600; here it is 3600.5\n\
         \x20 26 | at_least_s = 3600.5\n\
         \x20    |              ^^^^^^\n\
         \x20 why: it is in seconds\n\
         \x20 do:  write a number from 0 to 3600",
    );
}

#[test]
fn a_time_that_is_no_number_is_refused() {
    says(
        &edit("at_least_s = 20", "at_least_s = nan"),
        "demo.toml:26:14: `at_least_s` must be from 0 to 3600; here it is NaN\n\
         \x20 26 | at_least_s = nan\n\
         \x20    |              ^^^\n\
         \x20 why: it is in seconds\n\
         \x20 do:  write a number from 0 to 3600",
    );
}

#[test]
fn a_number_too_large_for_the_machine_is_refused() {
    says(
        &edit("at_least_s = 20", "at_least_s = 99999999999999999999"),
        "demo.toml:26:14: `at_least_s` must be from 0 to 3600; here it is inf\n\
         \x20 26 | at_least_s = 99999999999999999999\n\
         \x20    |              ^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is in seconds\n\
         \x20 do:  write a number from 0 to 3600",
    );
}

#[test]
fn a_reminder_under_three_seconds_is_refused() {
    says(
        &edit("at_least_s = 20", "reminder_s = 2"),
        "demo.toml:26:14: `reminder_s` must be from 3 to 3600; here it is 2\n\
         \x20 26 | reminder_s = 2\n\
         \x20    |              ^\n\
         \x20 why: it is in seconds\n\
         \x20 do:  write a number from 3 to 3600",
    );
}

#[test]
fn no_tries_at_all_are_refused() {
    says(
        &edit("[[question]]", "[rules]\ntries = 0\n[[question]]"),
        "demo.toml:10:9: `tries` must be from 1 to 10; here it is 0\n\
         \x20 10 | tries = 0\n\
         \x20    |         ^\n\
         \x20 why: it is a count\n\
         \x20 do:  write a number from 1 to 10",
    );
}

#[test]
fn half_a_reminder_is_refused() {
    says(
        &edit("[[question]]", "[rules]\nreminders = 2.5\n[[question]]"),
        "demo.toml:10:13: `reminders` must be a whole number; here it is 2.5\n\
         \x20 10 | reminders = 2.5\n\
         \x20    |             ^^^\n\
         \x20 why: it is a count\n\
         \x20 do:  write reminders = 3",
    );
}

#[test]
fn an_empty_instruction_is_refused() {
    says(
        &edit("\"Put on the gloves.\"", "\" \""),
        "demo.toml:22:15: `instruction` is empty\n\
         \x20 22 | instruction = \" \"\n\
         \x20    |               ^^^\n\
         \x20 why: people hear or read it\n\
         \x20 do:  write it",
    );
}

#[test]
fn an_empty_look_is_refused() {
    says(
        &edit("\"both wrists covered\"", "\"\""),
        "demo.toml:23:8: `look` is empty\n\
         \x20 23 | look = \"\"\n\
         \x20    |        ^^\n\
         \x20 why: people hear or read it\n\
         \x20 do:  write it",
    );
}

#[test]
fn a_text_too_long_to_take_in_is_refused() {
    says(
        &edit("Put on the gloves.", &"long ".repeat(201)),
        "demo.toml:22:15: `instruction` has 1004 characters\n\
         \x20 22 | instruction = \"long long long long long long long long\n\
         \x20    |               ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: at most 1000 characters can be taken in at once\n\
         \x20 do:  shorten or split it",
    );
}

#[test]
fn a_control_character_in_a_text_is_refused() {
    says(
        &edit("\"Put on the gloves.\"", "\"Put on\\u001b[2J the gloves.\""),
        "demo.toml:22:15: `instruction` has a control character: U+001B\n\
         \x20 22 | instruction = \"Put on\\u001b[2J the gloves.\"\n\
         \x20    |               ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is invisible and can change how screens show the text\n\
         \x20 do:  delete it",
    );
}

#[test]
fn a_character_that_reorders_a_text_is_refused() {
    says(
        &edit("\"Put on the gloves.\"", "\"Put on \\u202e the gloves.\""),
        "demo.toml:22:15: `instruction` has a control character: U+202E\n\
         \x20 22 | instruction = \"Put on \\u202e the gloves.\"\n\
         \x20    |               ^^^^^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is invisible and can change how screens show the text\n\
         \x20 do:  delete it",
    );
}

#[test]
fn a_question_with_one_answer_is_refused() {
    says(
        &edit("[[question.answer]]\nvalue = \"no\"\nphrase = \"leave the apron\"\n", ""),
        "demo.toml:9:1: question `apron` has fewer than two answers\n\
         \x20 9 | [[question]]\n\
         \x20   | ^^^^^^^^^^^^\n\
         \x20 why: with one answer there is nothing to ask\n\
         \x20 do:  add a [[question.answer]] with value and phrase for each",
    );
}

#[test]
fn an_answer_from_nobody_is_refused() {
    says(
        &edit("by = \"observer\"", "by = \"doctor\""),
        "demo.toml:12:6: `by` must be worker or observer; here it is `doctor`\n\
         \x20 12 | by = \"doctor\"\n\
         \x20    |      ^^^^^^^^\n\
         \x20 why: only these two take part\n\
         \x20 do:  write by = \"worker\" or by = \"observer\"",
    );
}

#[test]
fn a_language_that_is_no_tag_is_refused() {
    says(
        &edit("language = \"en\"", "language = \"english please\""),
        "demo.toml:5:12: `english please` is not a language tag\n\
         \x20 5 | language = \"english please\"\n\
         \x20   |            ^^^^^^^^^^^^^^^^\n\
         \x20 why: voices and listening are chosen by it (BCP 47)\n\
         \x20 do:  write for example language = \"en\" or language = \"ko\"",
    );
}

#[test]
fn a_quote_left_open_is_not_toml() {
    says(
        &edit("id = \"gloves\"", "id = \"gloves"),
        "demo.toml:21:13: this is not TOML: invalid basic string, expected `\"`\n\
         \x20 21 | id = \"gloves\n\
         \x20    |             ^\n\
         \x20 do:  look at quotes, brackets and equal signs here and on the line before",
    );
}

#[test]
fn a_key_given_twice_is_not_toml() {
    says(
        &edit("look = \"cuffs covered\"", "look = \"cuffs covered\"\nlook = \"again\""),
        "demo.toml:32:1: this is not TOML: duplicate key\n\
         \x20 32 | look = \"again\"\n\
         \x20    | ^^^^\n\
         \x20 do:  look at quotes, brackets and equal signs here and on the line before",
    );
}
