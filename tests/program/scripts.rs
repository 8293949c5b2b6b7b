//! `lint` on other scripts, on characters that are not seen, and on large files: where the marks stand, exact words, JSON.

use crate::common::{edited, run, text, write, Ran, SHORT};
use antiphon::failure::ExitCode;

/// Hebrew; the words mean what they do in English.
const RIGHT_TO_LEFT: &str = "[procedure]\nid = \"hebrew\"\ntitle = \"כפפות וחלוק\"\nversion = \"1\"\nlanguage = \"he\"\n\
    cautions = [\"עזר הדרכה\"]\nclosing = \"סוף\"\n\n[calls]\nhold = \"לעצור הכול עכשיו\"\ncarry-on = \"אפשר להמשיך\"\n\
    say-again = \"לחזור שוב בבקשה\"\ngo-back = \"צעד אחורה\"\nstop = \"עצור עצור\"\n\n[refusal]\nphrases = [\"לא נכון שוב\"]\n\n\
    [[step]]\nid = \"gloves\"\ninstruction = \"ללבוש כפפות\"\nlook = \"שתי הידיים מכוסות\"\nread_back = \"הכפפות על הידיים\"\n\
    confirm = \"ראיתי שתי ידיים\"\n";

/// What `lint` shows of a procedure with these bytes, the file's name as FILE.
fn shown(source: impl AsRef<[u8]>, more: &[&str]) -> Ran {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "it.toml", source);
    let mut ran = run(&[&["lint", text(&file)], more].concat());
    ran.out = ran.out.replace(text(&file), "FILE");
    ran
}

/// A format error of this source, to the last mark under its line.
#[track_caller]
fn marks(source: &str, expected: &str) {
    let ran = shown(source, &[]);
    ran.exits(ExitCode::BadProcedure);
    assert!(ran.out.contains(expected), "no\n{expected}\nin\n{ran}");
    json(source);
}

/// The same as JSON: whole, and without any character that is not seen.
fn json(source: &str) -> serde_json::Value {
    let ran = shown(source, &["--json", "--fail-on", "never"]);
    ran.exits(ExitCode::Done);
    assert!(!ran.out.chars().any(hidden), "{:?}", ran.out);
    serde_json::from_str(&ran.out).expect("one JSON object")
}

/// The characters of the attack called Trojan Source (Boucher and Anderson 2021, CVE-2021-42574), and a few more that
/// nothing is seen of.
fn hidden(c: char) -> bool {
    let trojan = ('\u{202a}'..='\u{202e}').chain('\u{2066}'..='\u{2069}');
    trojan.chain(['\u{61c}', '\u{200b}', '\u{200e}', '\u{200f}', '\u{2060}', '\u{feff}']).any(|one| one == c)
}

#[test]
fn a_procedure_written_from_right_to_left_is_good_and_its_phrases_are_in_the_json_as_written() {
    let ran = shown(RIGHT_TO_LEFT, &[]);
    ran.exits(ExitCode::Done);
    assert!(ran.out.ends_with("1 file: 0 errors, 0 warnings, 3 advice\n"), "{ran}");
    let all = json(RIGHT_TO_LEFT);
    let phrases = all["files"][0]["phrases"].as_array().unwrap();
    assert!(phrases.iter().any(|phrase| phrase["text"] == "הכפפות על הידיים"), "{phrases:?}");
}

#[test]
fn marks_under_letters_of_other_scripts_are_as_wide_as_the_letters() {
    // Columns of a terminal (UAX #11): Hebrew and Arabic letters one, points and accents none, Hangul syllables two.
    let twice = |from: &str, phrases: &str| RIGHT_TO_LEFT.replacen(from, phrases, 1);
    marks(
        &twice("\"ראיתי שתי ידיים\"", "[\"שָׁלוֹם לכולם\", \"שָׁלוֹם לכולם\"]"),
        &format!(
            "   ┌─ FILE:24:29\n   │\n24 │ confirm = [\"שָׁלוֹם לכולם\", \"שָׁלוֹם לכולם\"]\n   │ {}{}\n",
            " ".repeat(25),
            "^".repeat(12)
        ),
    );
    marks(
        &twice("\"הכפפות על הידיים\"", "[\"القفازات على اليدين\", \"القفازات على  اليدين!\"]"),
        &format!(
            "   ┌─ FILE:23:37\n   │\n23 │ read_back = [\"القفازات على اليدين\", \"القفازات على  اليدين!\"]\n   │ {}{}\n",
            " ".repeat(36),
            "^".repeat(23)
        ),
    );
    marks(
        &twice("\"הכפפות על הידיים\"", "[\"장갑 착용 완료\", \"장갑 착용 완료\"]"),
        &format!(
            "error[format]: the phrase \"장갑 착용 완료\" is used twice\n   ┌─ FILE:23:26\n   │\n\
             23 │ read_back = [\"장갑 착용 완료\", \"장갑 착용 완료\"]\n   │ {}{}\n",
            " ".repeat(31),
            "^".repeat(16)
        ),
    );
}

#[test]
fn a_letter_with_its_mark_in_one_piece_or_in_two_is_the_same_phrase() {
    // Unicode normal forms C and D (UAX #15): both look the same.
    let (source, line) =
        edited("\"inner gloves are on\"", "[\"caf\u{e9} gloves are on\", \"cafe\u{301} gloves are on\"]");
    marks(
        &source,
        &format!(
            "error[format]: the phrase \"caf\u{e9} gloves are on\" is used twice\n   ┌─ FILE:{line}:36\n   │\n\
             {line} │ read_back = [\"caf\u{e9} gloves are on\", \"cafe\u{301} gloves are on\"]\n   │ {}{}\n   │\n   \
             = why: it is also the read-back of step `gloves` (line {line}); what is heard must mean one thing\n",
            " ".repeat(35),
            "^".repeat(20)
        ),
    );
    let (source, line) = edited("\"inner gloves are on\"", "\"the cafe\u{301} is on\"");
    let ran = shown(source, &[]);
    let under =
        format!("{line} │ read_back = \"the cafe\u{301} is on\"\n   │ {}{}\n", " ".repeat(17), "^".repeat(4));
    assert!(ran.out.contains("nobody knows how to say \"caf\u{e9}\"") && ran.out.contains(&under), "{ran}");
}

#[test]
fn characters_that_are_not_seen_are_refused_in_phrases_texts_and_ids_and_never_shown() {
    let cases = [
        ("inner gloves are on", "inner gloves\u{202e} are on", "the phrase has a control character: U+202E"),
        ("inner gloves are on", "inner glo\u{200b}ves are on", "the phrase has a control character: U+200B"),
        ("inner gloves are on", "inner glo\u{200d}ves are on", "the phrase has a control character: U+200D"),
        ("inner gloves are on", "inner glo\u{ad}ves are on", "the phrase has a control character: U+00AD"),
        ("inner gloves are on", "inner gloves\u{3164} are on", "the phrase has a control character: U+3164"),
        ("A short one", "A \u{61c}short\u{2069} one", "`title` has a control character: U+061C"),
        ("Put on the hood.", "Put \\u2066on the hood.", "`instruction` has a control character: U+2066"),
        ("id = \"hood\"", "id = \"ho\u{2066}od\"", "the step's id can't be `ho\\u{2066}od`"),
        ("id = \"hood\"", "\"id\u{202e}\" = \"hood\"", "[[step]] has no key `id\\u{202e}`"),
    ];
    for (from, to, expected) in cases {
        let (source, line) = edited(from, to);
        let ran = shown(&source, &[]);
        ran.exits(ExitCode::BadProcedure);
        assert!(ran.out.contains(&format!("error[format]: {expected}\n")), "no {expected:?} in\n{ran}");
        assert!(ran.out.contains(&format!("FILE:{line}:")), "{ran}");
        assert!(!ran.out.chars().any(hidden), "{:?}", ran.out);
        json(&source);
    }
}

#[test]
fn a_remark_that_turns_its_line_round_is_an_error() {
    // After the paper's "commenting-out": the end of the remark looks like the beginning of the line.
    let (source, line) =
        edited("critical = true\n", "# \u{202e} \u{2066}critical = true\u{2069} \u{2066}# so it is\n");
    let ran = shown(&source, &["--fail-on", "error"]);
    ran.exits(ExitCode::BadProcedure);
    let expected = format!(
        "error[hidden-character]: a character that is not seen stands in a remark: U+202E\n   ┌─ FILE:{line}:3\n   │\n\
         {line} │ # \u{fffd} \u{fffd}critical = true\u{fffd} \u{fffd}# so it is\n   │   ^\n   │\n   \
         = why: it can make editors show the line otherwise than it is read (Trojan Source, CVE-2021-42574)\n   \
         = do:  delete it, or write the remark again\n"
    );
    assert!(ran.out.contains(&expected), "no\n{expected}\nin\n{ran}");
    assert!(!ran.out.chars().any(hidden));
    assert_eq!(json(&source)["errors"], 1);
    // A mark of byte order at the beginning is none.
    let ran = shown(format!("\u{feff}{SHORT}"), &["--fail-on", "error"]);
    ran.exits(ExitCode::Done);
}

#[test]
fn a_letter_of_another_script_that_looks_english_is_named() {
    // Boucher and Anderson 2021 again, on letters that look alike: CVE-2021-42694. The o is Cyrillic.
    let (source, line) = edited("inner gloves are on", "inner gl\u{43e}ves are on");
    let ran = shown(&source, &[]);
    ran.exits(ExitCode::BadProcedure);
    let under = format!(
        "{line} │ read_back = \"inner gl\u{43e}ves are on\"\n   │ {}{}\n",
        " ".repeat(19),
        "^".repeat(6)
    );
    assert!(ran.out.contains(&under), "{ran}");
    assert!(ran.out.contains("not all of its letters are English: \"\u{43e}\" is U+043E\n"), "{ran}");
}

#[test]
fn lines_that_end_as_on_other_systems_are_shown_as_they_are() {
    let ran = shown(SHORT.replace("gloves are on", "glurpel are on").replace('\n', "\r\n"), &[]);
    ran.exits(ExitCode::BadProcedure);
    assert!(ran.out.contains("read_back = \"inner glurpel are on\"\n"), "{ran}");
    assert!(!ran.out.contains('\u{fffd}') && !ran.out.contains('\r'), "{:?}", ran.out);
}

#[test]
fn a_file_of_10_mb_is_refused_in_one_message() {
    let ran = shown(vec![b'#'; 10_000_000], &[]);
    ran.exits(ExitCode::BadProcedure);
    assert_eq!(
        ran.out,
        "error[format]: FILE: the file is larger than 1 MB\n = why: no procedure is that long\n \
         = do:  check that this is a procedure\n\n1 file: 1 error, 0 warnings, 0 advice\n"
    );
}

#[test]
fn a_phrase_of_a_hundred_thousand_words_is_refused_and_only_a_piece_of_it_is_shown() {
    let (source, line) = edited("inner gloves are on", &format!("inner gloves{}", " are on".repeat(50_000)));
    let ran = shown(&source, &[]);
    ran.exits(ExitCode::BadProcedure);
    assert!(
        ran.out.starts_with(&format!(
            "error[format]: FILE:{line}:13: the phrase has 350012 characters\n \
             = read_back = \"inner gloves are on are on are on are o\n   {}{}\n \
             = why: nobody says more than 200 by heart\n",
            " ".repeat(12),
            "^".repeat(40)
        )),
        "{ran}"
    );
}

#[test]
fn five_hundred_steps_are_read_and_compared() {
    let words = ["gown", "hood", "belt", "mask", "boots", "apron", "visor", "sleeve", "collar", "ribbon"];
    let states = ["covers", "touches", "follows", "leaves", "crosses"];
    let steps = (0..500).map(|number| {
        let (a, b) = (words[number % 10], words[number / 10 % 10]);
        let state = states[number / 100];
        format!(
            "\n[[step]]\nid = \"s{number}\"\ninstruction = \"Do it.\"\nlook = \"it is so\"\n\
             read_back = \"my {a} {state} the {b}\"\nconfirm = \"your {b} {state} this {a}\"\n"
        )
    });
    let source = format!("{SHORT}{}", steps.skip(4).collect::<String>());
    let all = json(&source);
    let file = &all["files"][0];
    assert!(file["findings"].as_array().unwrap().iter().all(|finding| finding["rule"] != "format"), "{file}");
    // Two for each step, two answers, five calls, one refusal, two phrases of the observer's decision and its
    // three reasons.
    assert_eq!(file["phrases"].as_array().unwrap().len(), 1013);
    let ran = shown(
        source
            + "\n[[step]]\nid = \"more\"\ninstruction = \"Do it.\"\nlook = \"so\"\n\
        read_back = \"one more than that\"\nconfirm = \"that is too much\"\n",
        &[],
    );
    ran.exits(ExitCode::BadProcedure);
    assert!(ran.out.contains("error[format]: there are 501 steps; at most 500 are allowed\n"), "{ran}");
}
