//! A long session takes no more memory than a short one: 400 steps on virtual time, everything said by flite's voice, and
//! answers that come as verdicts. Alone in its program, since it looks at the memory of all of it.

mod common;
mod debrief_support;

use antiphon::voice::{RenderVoice, Renderer};
use debrief_support::play_with;
use std::fmt::Write;

const STEPS: usize = 400;

/// Each phrase of its own words, as phrases must be.
fn long() -> String {
    let colours =
        ["red", "blue", "green", "amber", "silver", "golden", "purple", "orange", "crimson", "violet"];
    let things =
        ["valve", "bottle", "window", "ladder", "pocket", "carpet", "mirror", "basket", "button", "candle"];
    let states = ["closed", "opened", "lifted", "emptied"];
    let mut source = String::from(
        "[procedure]\nid = \"long\"\ntitle = \"A long one\"\nversion = \"1\"\nlanguage = \"en\"\n\
         cautions = [\"Training aid.\"]\nopening = \"We begin.\"\nclosing = \"All done.\"\n",
    );
    for n in 0..STEPS {
        let (colour, thing, state) = (colours[n % 10], things[n / 10 % 10], states[n / 100]);
        let _ = write!(
            source,
            "[[step]]\nid = \"s{n}\"\ninstruction = \"Go to the {colour} {thing}, and see that it is {state}: {n}.\"\n\
             look = \"the {thing}\"\nread_back = \"{colour} {thing} was {state}\"\n\
             confirm = \"i see {colour} {thing} {state}\"\n"
        );
    }
    source
}

/// What this program has of the machine's memory, kB.
fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

#[test]
fn four_hundred_steps_take_no_more_memory_than_a_hundred() {
    let room = tempfile::tempdir().unwrap();
    let mut voice = Renderer::new(RenderVoice::for_language("en")).unwrap();
    let (mut steps, mut seen) = (0, Vec::new());
    play_with(room.path(), "long", &long(), &[], 600, &mut |text| {
        voice.render(text).unwrap();
        if text.starts_with("Go to the") {
            steps += 1;
            if steps % 100 == 0 {
                seen.push(resident());
            }
        }
    });
    assert_eq!(seen.len(), STEPS / 100);
    let grown = seen[3].saturating_sub(seen[0]);
    println!("kB at steps 100, 200, 300, 400: {seen:?}; {:.1} kB a step", grown as f64 / 300.0);
    // 300 instructions of 3 s each are 30 MB of sound.
    assert!(grown < 3_000, "{seen:?}");
}
