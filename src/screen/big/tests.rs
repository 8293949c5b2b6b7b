//! Every phase drawn into a terminal that exists only in memory, at three sizes.

use super::letters::{sizes, Lettering};
use super::*;
use crate::listen::heard::{Ignored, Verdict};
use crate::procedure::Post;
use crate::screen::stand_in::{Run, KOREAN};
use crate::session::What;
use ratatui::backend::TestBackend;
use ratatui::style::{Color, Modifier};
use unicode_width::UnicodeWidthStr;

const SIZES: [(u16, u16); 3] = [(60, 18), (80, 24), (120, 40)];

fn look() -> Look {
    Look { palette: Palette::new(None), sizes: sizes(Some("xterm-256color")) }
}

fn draw_in(run: &Run, remarks: &[Remark], look: Look, (width, height): (u16, u16)) -> Terminal<TestBackend> {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    let view = run.view();
    let picture = Picture { view: &view, said: run.said.as_deref(), remarks };
    terminal.draw(|frame| layout::draw(picture, look, frame.area(), frame.buffer_mut())).unwrap();
    terminal
}

/// The lines of the screen as read.
fn read(terminal: &Terminal<TestBackend>) -> String {
    let buffer = terminal.backend().buffer();
    let mut text = String::new();
    for row in buffer.area.rows() {
        let mut line = String::new();
        let mut covered = 0;
        for cell in row.columns().map(|at| &buffer[at]) {
            if covered > 0 {
                covered -= 1;
                continue;
            }
            line.push_str(cell.symbol());
            covered = cell.symbol().width().saturating_sub(1);
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

fn screen(run: &Run, size: (u16, u16)) -> String {
    read(&draw_in(run, &[], look(), size))
}

/// Whether these words stand there in large letters of any size, on as many lines as they need.
fn has_large(screen: &str, words: &str, width: u16) -> bool {
    sizes(None).iter().filter_map(|size| Lettering::of(words, *size, usize::from(width) - 2)).any(
        |lettering| {
            let area = ratatui::layout::Rect::new(0, 0, width - 2, lettering.rows() as u16);
            let mut buffer = ratatui::buffer::Buffer::empty(area);
            lettering.draw(area, &mut buffer, ratatui::style::Style::new());
            let rows: Vec<String> = area
                .rows()
                .map(|row| row.columns().map(|at| buffer[at].symbol()).collect::<String>().trim().to_string())
                .collect();
            let lines: Vec<&str> = screen.lines().collect();
            lines
                .windows(rows.len())
                .any(|window| window.iter().zip(&rows).all(|(line, row)| line.contains(row.as_str())))
        },
    )
}

#[track_caller]
fn assert_words(run: &Run, words: &[&str]) {
    for size in SIZES {
        let screen = screen(run, size);
        let read = screen.split_whitespace().collect::<Vec<_>>().join(" ");
        for word in words {
            let there = read.contains(word) || has_large(&screen, word, size.0);
            assert!(there, "{word:?} is not there at {size:?}:\n{screen}");
        }
    }
}

fn at_gown() -> Run {
    let mut run = Run::shipped();
    run.until("gown");
    run
}

#[test]
fn before_and_after_nothing_is_asked() {
    let mut run = Run::ready(include_str!("../../../procedures/isolation-donning.toml"));
    assert_words(&run, &["READY", "0 of 19 done"]);
    run.event(What::Begin);
    run.until_closing();
    assert_words(&run, &["LISTEN", "CLOSING", "All steps are done.", "20 of 20 done"]);
    run.spoken();
    assert_words(&run, &["ALL DONE", "20 of 20 steps done"]);
}

#[test]
fn an_interrupted_or_stopped_session_is_not_shown_as_done() {
    let mut run = at_gown();
    run.event(What::Interrupt);
    assert_words(&run, &["INTERRUPTED", "10 of 20 steps done"]);
    let mut run = at_gown();
    run.says(Post::Worker, "stop stop");
    run.spoken();
    run.says(Post::Observer, "stop stop");
    assert_words(&run, &["STOPPED", "10 of 20 steps done"]);
    let mut run = at_gown();
    run.event(What::InputEnded);
    assert_words(&run, &["SOUND ENDED", "10 of 20 steps done"]);
}

#[test]
fn the_opening_is_listened_to() {
    assert_words(
        &Run::shipped(),
        &["OPENING", "LISTEN", "the tool is speaking", "I will read out each step."],
    );
}

#[test]
fn a_question_shows_every_answer_and_who_answers() {
    let mut run = Run::shipped();
    run.spoken();
    run.spoken();
    assert_words(
        &run,
        &[
            "QUESTION 1 of 1",
            "OBSERVER",
            "is the patient vomiting",
            "worker needs an apron",
            "skip the apron today",
        ],
    );
}

#[test]
fn a_step_shows_its_number_the_task_the_worker_and_the_phrase() {
    let run = at_gown();
    assert_words(
        &run,
        &[
            "STEP 11 of 20",
            "10 of 20 done",
            "0:02 in this step",
            "DO Put on the gown, with its sleeves over the cuffs of the inner gloves.",
            "WORKER",
            "gown on over glove cuffs",
        ],
    );
    assert!(!screen(&run, (80, 24)).contains("CRITICAL"));
}

#[test]
fn while_the_tool_speaks_nobody_is_named_as_awaited() {
    let mut run = Run::shipped();
    run.until("inner-gloves");
    run.on();
    assert_words(&run, &["LISTEN", "the tool is speaking", "after it the observer says:"]);
    let screen = screen(&run, (80, 24));
    assert!(!screen.contains("OBSERVER,") && !has_large(&screen, "OBSERVER", 40), "{screen}");
}

#[test]
fn the_observer_sees_what_to_look_at_and_how_to_refuse() {
    let mut run = Run::shipped();
    run.until("inner-gloves");
    run.on();
    run.spoken();
    assert_words(
        &run,
        &[
            "CRITICAL",
            "LOOK both wrists are covered and the gloves are intact",
            "OBSERVER",
            "both wrists are covered",
            "if it is NOT right, say: \u{201c}not right do it again\u{201d}",
        ],
    );
}

#[test]
fn the_awaited_person_is_told_by_place_as_well_as_by_name() {
    let mut run = at_gown();
    let columns_of = |run: &Run, style: Color| -> Vec<u16> {
        let terminal = draw_in(run, &[], look(), (80, 24));
        let buffer = terminal.backend().buffer();
        buffer.area.positions().filter(|at| buffer[*at].bg == style).map(|at| at.x).collect()
    };
    let worker = columns_of(&run, Color::Cyan);
    assert!(!worker.is_empty() && worker.iter().all(|x| *x < 40));
    run.on();
    run.spoken();
    let observer = columns_of(&run, Color::Green);
    assert!(!observer.is_empty() && observer.iter().all(|x| *x >= 40));
}

#[test]
fn the_minimum_time_counts_down() {
    let mut run = Run::shipped();
    run.until("hand-rub");
    run.wait(6_500);
    assert_words(&run, &["WORKER", "NOT YET, 14 s MORE", "hands are clean and dry"]);
    run.wait(14_000);
    for size in SIZES {
        assert!(!screen(&run, size).contains("NOT YET"));
    }
}

#[test]
fn a_hold_says_so_and_why_and_how_to_go_on() {
    let mut run = at_gown();
    run.says(Post::Worker, "hold everything");
    run.spoken();
    assert_words(&run, &["ON HOLD", "called by voice", "STEP 11 of 20", "OBSERVER", "carry on", "stop stop"]);
}

#[test]
fn the_way_out_the_reasons_and_a_step_confirmed_by_decision_are_shown() {
    let mut run = at_gown();
    for _ in 0..3 {
        run.mumbles(Post::Worker, "gown on over glove cuffs", "gown on under glove cuffs");
        run.spoken();
    }
    assert_words(&run, &["ON HOLD", "OBSERVER, if you saw it done right:", "seen and accepted"]);
    run.says(Post::Observer, "seen and accepted");
    run.spoken();
    assert_words(&run, &["you accepted it. Why? Say:", "too much noise", "some other reason"]);
    run.says(Post::Observer, "too much noise");
    assert_words(&run, &["11 of 20 done, 1 by decision"]);
}

#[test]
fn after_a_stop_it_is_told_what_a_second_stop_does() {
    let mut run = at_gown();
    run.says(Post::Observer, "stop stop");
    assert_words(&run, &["ON HOLD", "once more ends the session", "the tool is speaking"]);
    run.spoken();
    assert_words(&run, &["\u{201c}stop stop\u{201d} ends the session", "carry on"]);
}

#[test]
fn a_lost_microphone_and_a_dead_voice_hold_in_words() {
    let mut run = at_gown();
    run.event(What::PostLost { post: Post::Worker, why: "unplugged".into() });
    run.spoken();
    assert_words(&run, &["ON HOLD", "the worker's microphone is lost"]);
    let mut run = Run::shipped();
    run.event(What::VoiceFailed { utterance: 1, why: "no sound server".into() });
    run.spoken();
    assert_words(&run, &["ON HOLD", "the voice failed"]);
}

#[test]
fn what_was_heard_is_shown_with_why_it_did_or_did_not_count() {
    let mut run = at_gown();
    run.says(Post::Worker, "both inner gloves are on");
    assert_words(&run, &["worker: \"both inner gloves are on\" - asked again (try 1)", "SAYS Negative."]);
    run.spoken();
    run.mumbles(Post::Worker, "gown on over glove cuffs", "gown on under glove cuffs");
    assert_words(&run, &["it may have been \"gown on under"]);
    run.spoken();
    run.hears(Post::Observer, Verdict::Ignored { why: Ignored::NoPhrase });
    assert_words(&run, &["observer: speech or noise, no phrase - did not count"]);
}

#[test]
fn remarks_are_shown_the_newest_last_and_repeated_ones_once() {
    let remark = |ms, text: &str, times| Remark { ms, text: text.into(), times };
    let remarks = [
        remark(1_000, "the loudspeaker is not the one asked for", 1),
        remark(62_000, "12 ms of sound lost", 3),
    ];
    let run = at_gown();
    for size in SIZES {
        let screen = read(&draw_in(&run, &remarks, look(), size));
        assert!(screen.contains("NOTE   1:02 12 ms of sound lost (3 times)"), "{screen}");
    }
    let screen = read(&draw_in(&run, &remarks, look(), (120, 40)));
    let (first, second) = (screen.find("0:01 the loudspeaker").unwrap(), screen.find("1:02 12 ms").unwrap());
    assert!(first < second);
}

#[test]
fn a_phrase_too_long_for_large_letters_is_shown_whole_in_normal_ones() {
    let mut run = at_gown();
    let long = "the powered respirator unit hangs outside of the gown without anything over its inlet and \
                both straps are secured at the left and the right";
    for phrase in &mut run.procedure.phrases {
        if phrase.text == "gown on over glove cuffs" {
            phrase.text = long.into();
        }
    }
    let quoted = format!("\u{201c}{long}\u{201d}");
    assert_words(&run, &["WORKER", &quoted]);
    let phrase_is_large = |size: (u16, u16)| has_large(&screen(&run, size), long, size.0);
    assert!(!SIZES.into_iter().any(phrase_is_large));
}

#[test]
fn the_phrase_grows_with_the_stage() {
    let view = at_gown().view();
    let cells_of_a_letter = |(width, rows): (u16, u16)| match stage::body(&view, look(), width, rows).1 {
        stage::Body::Large(letterings) => letterings[0].size.rows * letterings[0].size.columns,
        stage::Body::Text(_) => 1,
    };
    assert_eq!([(58, 7), (78, 12), (118, 14), (198, 40)].map(cells_of_a_letter), [1, 16, 32, 64]);
}

#[test]
fn korean_phrases_are_shown_in_normal_bold_letters() {
    let mut run = Run::of(KOREAN);
    run.spoken();
    assert_words(&run, &["STEP 1 of 1", "WORKER", "속장갑을 끼세요.", "\u{201c}속장갑을 끼었습니다\u{201d}"]);
    let terminal = draw_in(&run, &[], look(), (80, 24));
    let buffer = terminal.backend().buffer();
    let bold = buffer
        .content()
        .iter()
        .filter(|cell| cell.symbol() == "었")
        .all(|cell| cell.modifier.contains(Modifier::BOLD));
    assert!(bold);
    run.on();
    run.spoken();
    assert_words(&run, &["OBSERVER", "\u{201c}손목이 모두 덮였습니다\u{201d}", "아직 아닙니다 다시 하세요"]);
}

#[test]
fn hostile_text_never_reaches_the_terminal() {
    let nasty = "\u{1b}]0;owned\u{7}\u{1b}[2J\u{9b}31m\r\n\u{202e}drawkcab";
    let mut run = at_gown();
    run.procedure.title = nasty.into();
    run.procedure.unit = Some(nasty.into());
    for phrase in &mut run.procedure.phrases {
        phrase.text = nasty.into();
    }
    for step in &mut run.procedure.steps {
        step.instruction = nasty.into();
        step.look = nasty.into();
    }
    run.said = Some(nasty.into());
    run.mumbles(Post::Observer, nasty, nasty);
    let remarks = [Remark { ms: 0, text: nasty.into(), times: 2 }];
    for size in [(20, 8), (59, 17), (60, 18), (80, 24), (120, 40)] {
        for _ in 0..3 {
            let terminal = draw_in(&run, &remarks, look(), size);
            for cell in terminal.backend().buffer().content() {
                let bad = |c: char| c.is_control() || c == '\u{202e}';
                assert!(!cell.symbol().contains(bad), "{:?} at {size:?}", cell.symbol());
            }
            run.on();
        }
    }
}

#[test]
fn a_small_terminal_shows_the_essential_words() {
    let mut run = at_gown();
    run.on();
    run.spoken();
    let small = screen(&run, (40, 12));
    for words in
        ["OBSERVER, say:", "\u{201c}gown is closed all around\u{201d}", "not right:", "STEP 11 of 20"]
    {
        assert!(small.contains(words), "{words:?} is not in\n{small}");
    }
    run.says(Post::Worker, "hold everything");
    assert!(screen(&run, (40, 12)).contains("ON HOLD: called by voice"));
}

#[test]
fn no_size_of_terminal_is_too_small_or_too_large() {
    let mut run = at_gown();
    run.on();
    for width in [1, 2, 5, 59, 60, 61, 300] {
        for height in [1, 2, 17, 18, 19, 150] {
            draw_in(&run, &[], look(), (width, height));
        }
    }
}

#[test]
fn without_colour_no_cell_has_one() {
    let mut run = at_gown();
    run.says(Post::Worker, "hold everything");
    let plain = Look { palette: Palette::new(Some("1")), ..look() };
    let terminal = draw_in(&run, &[], plain, (80, 24));
    let cells = terminal.backend().buffer().content();
    assert!(cells.iter().all(|cell| cell.fg == Color::Reset && cell.bg == Color::Reset));
    assert!(cells.iter().any(|cell| cell.modifier.contains(Modifier::REVERSED)));
}

#[test]
fn a_text_console_is_drawn_without_quadrants() {
    let console = Look { sizes: sizes(Some("linux")), ..look() };
    for size in SIZES {
        let screen = read(&draw_in(&at_gown(), &[], console, size));
        assert!(!screen.chars().any(|c| ('\u{2596}'..='\u{259f}').contains(&c)), "{screen}");
        assert!(screen.contains("WORKER"), "{screen}");
    }
}

#[test]
fn pictures_of_the_main_moments() {
    let mut run = Run::shipped();
    run.until("inner-gloves");
    insta::assert_snapshot!("worker_80x24", screen(&run, (80, 24)));
    run.on();
    insta::assert_snapshot!("speaking_80x24", screen(&run, (80, 24)));
    run.spoken();
    insta::assert_snapshot!("observer_60x18", screen(&run, (60, 18)));
    insta::assert_snapshot!("observer_80x24", screen(&run, (80, 24)));
    insta::assert_snapshot!("observer_120x40", screen(&run, (120, 40)));
    run.says(Post::Worker, "hold everything");
    run.spoken();
    insta::assert_snapshot!("hold_80x24", screen(&run, (80, 24)));
    insta::assert_snapshot!("hold_40x12", screen(&run, (40, 12)));
}

// ---- pace ----

#[test]
fn fifty_shows_a_second_are_ten_drawings_and_a_new_moment_is_drawn_at_once() {
    let mut run = at_gown();
    let mut pace = Pace::default();
    let start = Instant::now();
    let mut drawings = 0;
    for tick in 0..50 {
        // The view changes with every show.
        run.last = None;
        let mut view = run.view();
        view.session_s = tick;
        drawings += usize::from(pace.due(&view, (80, 24), start + Duration::from_millis(tick * 20)));
    }
    assert_eq!(drawings, 10);
    let mut soon = run.view();
    soon.last = Some("worker: a cough".into());
    assert!(!pace.due(&soon, (80, 24), start + Duration::from_millis(985)));
    run.says(Post::Worker, "hold everything");
    assert!(pace.due(&run.view(), (80, 24), start + Duration::from_millis(986)));
}

#[test]
fn an_unchanged_picture_is_not_drawn_again_unless_the_terminal_changed_or_something_was_noted() {
    let view = at_gown().view();
    let mut pace = Pace::default();
    let start = Instant::now();
    let after = |seconds: u64| start + Duration::from_secs(seconds);
    assert!(pace.due(&view, (80, 24), start));
    assert!(!pace.due(&view, (80, 24), after(1)));
    assert!(pace.due(&view, (100, 30), after(2)));
    pace.touch();
    assert!(pace.due(&view, (100, 30), after(3)));
    assert!(!pace.due(&view, (100, 30), after(4)));
}
