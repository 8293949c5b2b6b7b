//! Mistakes in phrases, calls, refusals, decoys and pronunciations, with the exact words of the answer.

mod procedure_base;

use procedure_base::{edit, says};

#[test]
fn a_number_in_a_list_of_phrases_is_refused() {
    says(
        &edit("read_back = \"inner gloves on\"", "read_back = [\"inner gloves on\", 3]"),
        "demo.toml:24:33: `read_back` must be a text or a list of texts; here it is a number\n\
         \x20 24 | read_back = [\"inner gloves on\", 3]\n\
         \x20    |                                 ^\n\
         \x20 do:  write read_back = \"...\" or read_back = [\"...\", \"...\"]",
    );
}

#[test]
fn an_empty_phrase_is_refused() {
    says(
        &edit("read_back = \"inner gloves on\"", "read_back = \" ... \""),
        "demo.toml:24:13: the phrase is empty\n\
         \x20 24 | read_back = \" ... \"\n\
         \x20    |             ^^^^^^^\n\
         \x20 why: a phrase is what a person says aloud; it needs words\n\
         \x20 do:  write the words to be said",
    );
}

#[test]
fn an_empty_list_of_phrases_is_refused() {
    says(
        &edit("read_back = \"inner gloves on\"", "read_back = []"),
        "demo.toml:24:13: `read_back` is an empty list\n\
         \x20 24 | read_back = []\n\
         \x20    |             ^^\n\
         \x20 why: an empty list gives nothing to work with\n\
         \x20 do:  write read_back = \"...\" or read_back = [\"...\", \"...\"]",
    );
}

#[test]
fn digits_in_a_phrase_are_refused() {
    says(
        &edit("\"inner gloves on\"", "\"2 gloves on\""),
        "demo.toml:24:13: the phrase has digits: `2`\n\
         \x20 24 | read_back = \"2 gloves on\"\n\
         \x20    |             ^^^^^^^^^^^^^\n\
         \x20 why: people say a number in several ways, and only one of them would be heard\n\
         \x20 do:  write the number as words, as it will be said",
    );
}

#[test]
fn a_symbol_in_a_phrase_is_refused() {
    says(
        &edit("\"inner gloves on\"", "\"gloves & gown\""),
        "demo.toml:24:13: the phrase has a character that can't be spoken: `&`\n\
         \x20 24 | read_back = \"gloves & gown\"\n\
         \x20    |             ^^^^^^^^^^^^^^^\n\
         \x20 why: nobody can tell how it is to be said\n\
         \x20 do:  write it as a word",
    );
}

#[test]
fn a_phrase_of_one_word_is_too_short() {
    says(
        &edit("\"inner gloves on\"", "\"gloved\""),
        "demo.toml:24:13: the phrase \"gloved\" is too short to be heard surely\n\
         \x20 24 | read_back = \"gloved\"\n\
         \x20    |             ^^^^^^^^\n\
         \x20 why: one word, or fewer than five letters, turns up too easily in chatter and noise\n\
         \x20 do:  use at least two words and five letters; three to five words are better",
    );
}

#[test]
fn a_phrase_of_four_letters_is_too_short() {
    says(
        &edit("\"inner gloves on\"", "\"is on\""),
        "demo.toml:24:13: the phrase \"is on\" is too short to be heard surely\n\
         \x20 24 | read_back = \"is on\"\n\
         \x20    |             ^^^^^^^\n\
         \x20 why: one word, or fewer than five letters, turns up too easily in chatter and noise\n\
         \x20 do:  use at least two words and five letters; three to five words are better",
    );
}

#[test]
fn a_call_may_not_be_too_short_either() {
    says(
        &edit("[[question]]", "[calls]\nhold = \"stay\"\n[[question]]"),
        "demo.toml:10:8: the phrase \"stay\" is too short to be heard surely\n\
         \x20 10 | hold = \"stay\"\n\
         \x20    |        ^^^^^^\n\
         \x20 why: one word, or fewer than five letters, turns up too easily in chatter and noise\n\
         \x20 do:  use at least two words and five letters; three to five words are better",
    );
}

#[test]
fn a_read_back_used_in_two_steps_is_refused() {
    says(
        &edit("\"gown over cuffs\"", "\"Inner gloves: on!\""),
        "demo.toml:32:13: the phrase \"inner gloves on\" is used twice\n\
         \x20 32 | read_back = \"Inner gloves: on!\"\n\
         \x20    |             ^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is also the read-back of step `gloves` (line 24); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn a_phrase_may_not_be_a_built_in_call() {
    says(
        &edit("\"gown over cuffs\"", "\"go back\""),
        "demo.toml:32:13: the phrase \"go back\" is used twice\n\
         \x20 32 | read_back = \"go back\"\n\
         \x20    |             ^^^^^^^^^\n\
         \x20 why: it is also the call `go-back` (built in); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn a_call_may_not_be_another_built_in_call() {
    says(
        &edit("[[question]]", "[calls]\nhold = \"carry on\"\n[[question]]"),
        "demo.toml:10:8: the phrase \"carry on\" is used twice\n\
         \x20 10 | hold = \"carry on\"\n\
         \x20    |        ^^^^^^^^^^\n\
         \x20 why: it is also the call `carry-on` (built in); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn a_confirmation_may_not_be_the_general_refusal() {
    says(
        &edit("\"gown is closed\"", "\"not right do it again\""),
        "demo.toml:33:11: the phrase \"not right do it again\" is used twice\n\
         \x20 33 | confirm = \"not right do it again\"\n\
         \x20    |           ^^^^^^^^^^^^^^^^^^^^^^^\n\
         \x20 why: it is also the general refusal (built in); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn an_answer_may_not_be_a_confirmation() {
    says(
        &edit("\"gown is closed\"", "\"apron needed\""),
        "demo.toml:33:11: the phrase \"apron needed\" is used twice\n\
         \x20 33 | confirm = \"apron needed\"\n\
         \x20    |           ^^^^^^^^^^^^^^\n\
         \x20 why: it is also the answer `yes` to question `apron` (line 15); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn two_steps_may_not_share_a_refusal_of_their_own() {
    says(
        &edit("at_least_s = 20", "refuse = \"that is torn\"\n[[step]]\nid=\"x\"\ninstruction=\"a\"\nlook=\"b\"\nread_back=\"all is well\"\nconfirm=\"seen and noted\"\nrefuse = \"that is torn\""),
        "demo.toml:33:10: the phrase \"that is torn\" is used twice\n\
         \x20 33 | refuse = \"that is torn\"\n\
         \x20    |          ^^^^^^^^^^^^^^\n\
         \x20 why: it is also the refusal of step `gloves` (line 26); what is heard must mean one thing\n\
         \x20 do:  choose words that sound different for one of the two",
    );
}

#[test]
fn a_pronunciation_with_an_unknown_phone_is_refused() {
    says(
        &edit("[[question]]", "[pronounce]\ndoff = \"D O F\"\n[[question]]"),
        "demo.toml:10:8: `O` is not a phone\n\
         \x20 10 | doff = \"D O F\"\n\
         \x20    |        ^^^^^^^\n\
         \x20 why: pronunciations are read as ARPAbet, the way CMUdict writes them\n\
         \x20 do:  use these: AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH",
    );
}

#[test]
fn a_pronunciation_of_two_words_is_refused() {
    says(
        &edit("[[question]]", "[pronounce]\n\"go on\" = \"G OW\"\n[[question]]"),
        "demo.toml:10:1: `go on` is not one word\n\
         \x20 10 | \"go on\" = \"G OW\"\n\
         \x20    | ^^^^^^^\n\
         \x20 why: [pronounce] has one word on each line\n\
         \x20 do:  write the words one by one",
    );
}

#[test]
fn an_empty_pronunciation_is_refused() {
    says(
        &edit("[[question]]", "[pronounce]\ndoff = \"\"\n[[question]]"),
        "demo.toml:10:8: the pronunciation is empty\n\
         \x20 10 | doff = \"\"\n\
         \x20    |        ^^\n\
         \x20 do:  write phones, for example D AO F",
    );
}

#[test]
fn a_word_pronounced_twice_is_refused() {
    says(
        &edit("[[question]]", "[pronounce]\nDoff = \"D AO F\"\ndoff = \"D AO F\"\n[[question]]"),
        "demo.toml:11:1: the word `doff` is given twice\n\
         \x20 11 | doff = \"D AO F\"\n\
         \x20    | ^^^^\n\
         \x20 why: capital letters make no difference\n\
         \x20 do:  write one line: doff = [\"...\", \"...\"]",
    );
}

#[test]
fn a_decoy_that_is_a_phrase_is_refused() {
    says(
        &edit("[[question]]", "[decoys]\nphrases = [\"inner gloves on\"]\n[[question]]"),
        "demo.toml:10:12: the decoy \"inner gloves on\" is a phrase\n\
         \x20 10 | phrases = [\"inner gloves on\"]\n\
         \x20    |            ^^^^^^^^^^^^^^^^^\n\
         \x20 why: line 26 has the same words as a phrase, which then could never be accepted\n\
         \x20 do:  delete one of the two",
    );
}

#[test]
fn a_decoy_given_twice_is_refused() {
    says(
        &edit(
            "[[question]]",
            "[decoys]\nphrases = [\"outer gloves on\", \"Outer gloves on.\"]\n[[question]]",
        ),
        "demo.toml:10:31: the decoy \"outer gloves on\" stands here twice\n\
         \x20 10 | phrases = [\"outer gloves on\", \"Outer gloves on.\"]\n\
         \x20    |                               ^^^^^^^^^^^^^^^^^^\n\
         \x20 why: once is enough, and a second one may hide a slip\n\
         \x20 do:  delete one",
    );
}
