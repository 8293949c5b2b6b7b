//! `print` and `new`: what is written, and what is never overwritten.

use crate::common::{run, text, write, SHORT};
use antiphon::failure::ExitCode;
use antiphon::record::chain::sha256_hex;

#[test]
fn the_page_goes_to_standard_output_or_a_file_and_carries_the_digest_of_the_file() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "short.toml", SHORT);
    let page = room.path().join("page.html");
    run(&["print", text(&file), "--out", text(&page), "--paper", "letter"]).exits(ExitCode::Done);
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(html.contains(&sha256_hex(SHORT.as_bytes())) && html.contains("size: letter"));
    let ran = run(&["print", text(&file)]);
    ran.exits(ExitCode::Done);
    assert!(ran.out.starts_with("<!DOCTYPE html>") && ran.out.contains("inner gloves are on"), "{ran}");
}

#[test]
fn without_a_browser_the_pdf_is_refused_with_what_to_do() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = write(room.path(), "short.toml", SHORT);
    let pdf = room.path().join("page.pdf");
    let mut command = crate::common::antiphon(&["print", text(&file), "--pdf", text(&pdf)]);
    command.env("PATH", room.path());
    crate::common::ran(&mut command)
        .exits(ExitCode::MissingModel)
        .says(&["no Chromium was found", "--out FILE.html"]);
    assert!(!pdf.exists());
}

#[test]
fn a_new_procedure_is_lint_clean_and_never_written_over_another_file() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = room.path().join("gown.toml");
    let ran = run(&["new", text(&file), "--title", "Gown & \"gloves\"", "--unit", "Ward 3", "--yes"]);
    ran.exits(ExitCode::Done);
    assert!(ran.out.contains("0 errors, 0 warnings"), "{ran}");
    run(&["lint", text(&file)]).exits(ExitCode::Done);
    let before = std::fs::read(&file).unwrap();
    run(&["new", text(&file), "--title", "Other", "--yes"])
        .exits(ExitCode::BadFolder)
        .says(&["nothing is ever overwritten"]);
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

#[test]
fn steps_are_given_by_flags_and_a_bad_phrase_writes_nothing() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = room.path().join("gown.toml");
    let step = "Put on the gown.|gown is tied behind me|no gap at the back|back is covered";
    run(&["new", text(&file), "--title", "Gown", "--step", step]).exits(ExitCode::Done);
    assert!(std::fs::read_to_string(&file).unwrap().contains("read_back = \"gown is tied behind me\""));
    let other = room.path().join("other.toml");
    let bad = "Put on the gown.|done|no gap at the back|back is covered";
    run(&["new", text(&other), "--title", "Gown", "--step", bad])
        .exits(ExitCode::BadProcedure)
        .says(&["too short to be heard surely"]);
    assert!(!other.exists());
    run(&["new", text(&other), "--title", "Gown", "--step", "a|b"]).exits(ExitCode::Usage);
    run(&["new", text(&other)]).exits(ExitCode::Usage).says(&["no terminal to ask in"]);
}
