//! Tests that speak with the network itself; few, because it takes as long as talking.

use super::*;
use crate::voice::{RenderVoice, Renderer};

#[test]
fn a_natural_voice_is_written_with_its_pace_unless_that_is_its_own() {
    for (text, shown) in [
        ("natural:af_heart", "natural:af_heart"),
        ("natural:bm_george@1.1", "natural:bm_george@1.1"),
        ("natural:bm_george@1.0", "natural:bm_george"),
        ("natural:x@0.85", "natural:x@0.85"),
        ("natural", "natural:af_heart"),
    ] {
        assert_eq!(text.parse::<RenderVoice>().expect(text).to_string(), shown);
    }
    for wrong in
        ["natural:../x", "natural:a@", "natural:a@x", "natural:a@NaN", "natural:a@0.2", "natural:a@3"]
    {
        let error = wrong.parse::<RenderVoice>().expect_err(wrong);
        assert!(error.contains("natural:NAME@PACE"), "{wrong}: {error}");
    }
}

#[test]
fn an_unknown_voice_is_refused_with_those_there_are() {
    let voice: RenderVoice = "natural:nobody".parse().expect("it could be a name");
    let error = Renderer::new(voice).err().expect("there is nobody of this name").to_string();
    assert!(error.contains("natural:nobody") && error.contains("af_heart"), "{error}");
}

#[test]
fn a_company_is_of_different_people_half_of_them_at_another_pace() {
    let all = company(12).expect("run models/setup.sh --voices");
    let names: std::collections::BTreeSet<&str> = all.iter().map(|voice| voice.name.as_str()).collect();
    assert_eq!(names.len(), 12);
    assert_eq!(all.iter().filter(|voice| voice.pace_percent == 100).count(), 6);
    let many = company(40).expect("more than there are voices");
    let different: std::collections::HashSet<&NaturalVoice> = many.iter().collect();
    assert_eq!(different.len(), 40);
}

/// Length in seconds with its edges cut as a rendered voice is.
fn seconds(voice: &str, text: &str) -> f64 {
    let voice = voice.parse::<RenderVoice>().expect("a voice's name");
    let samples =
        Renderer::new(voice).expect("run models/setup.sh --voices").render(text).expect("it speaks");
    samples.len() as f64 / f64::from(RATE)
}

#[test]
fn it_speaks_and_faster_when_asked_to() {
    let slow = seconds("natural:af_heart", "inner gloves are on");
    let fast = seconds("natural:af_heart@1.25", "inner gloves are on");
    assert!((0.8..2.0).contains(&slow), "{slow} s");
    assert!((0.7..0.95).contains(&(fast / slow)), "{fast} of {slow} s");
}

/// Run with `cargo test --lib how_fast -- --ignored --nocapture`; THREADS=1 for one thread.
#[test]
#[ignore = "a measurement"]
fn how_fast_it_speaks_and_the_sound_for_a_comparison() {
    let threads = std::env::var("THREADS").ok().and_then(|count| count.parse().ok()).unwrap_or(0);
    use_threads(threads);
    let cases = [
        ("af_heart", "inner gloves are on"),
        ("bm_george", "Rub your hands with alcohol hand rub, every surface, until they are dry."),
        ("am_adam@1.15", "Worker, please say: second pair over sleeves."),
        ("af_heart", "gown is tied"),
        ("af_heart", "gown is tied"),
    ];
    for (number, (voice, text)) in cases.into_iter().enumerate() {
        let voice: NaturalVoice = voice.parse().expect("a voice's name");
        let style = voice.file().expect("run models/setup.sh --voices");
        let process = || rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
        let (wall, before) = (std::time::Instant::now(), process());
        let tokens = phonemes::tokens(text, voice.language()).expect("espeak-ng speaks");
        let spelled = wall.elapsed();
        let sound = network::speak(&tokens, &style, voice.pace()).expect("it speaks");
        let after = process();
        let busy = (after.tv_sec - before.tv_sec) as f64 + (after.tv_nsec - before.tv_nsec) as f64 / 1e9;
        let (length, took) = (sound.len() as f64 / 24_000.0, wall.elapsed().as_secs_f64());
        println!(
            "{voice}: {length:.2} s of sound in {took:.2} s ({:.2} x), {busy:.2} s of processor; phonemes {spelled:?}: {text}",
            took / length
        );
        if let Some(folder) = std::env::var_os("SOUND") {
            let bytes: Vec<u8> = sound.iter().flat_map(|sample| sample.to_le_bytes()).collect();
            std::fs::write(std::path::Path::new(&folder).join(format!("ours{number}.f32")), bytes)
                .expect("a folder");
        }
    }
}
