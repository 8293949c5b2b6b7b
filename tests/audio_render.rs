//! The rendered voices, with flite and espeak-ng as they are installed.

use antiphon::audio::{level, RATE};
use antiphon::failure::{ExitCode, Failure};
use antiphon::voice::{RenderVoice, Renderer, VoiceError};
use std::sync::Arc;

fn renderer(voice: &str) -> Renderer {
    Renderer::new(voice.parse().expect("the voice is written right"))
        .unwrap_or_else(|error| panic!("{error} (this test needs flite and espeak-ng)"))
}

fn seconds(samples: &[i16]) -> f32 {
    samples.len() as f32 / RATE as f32
}

#[test]
fn each_voice_speaks_its_language_at_a_speech_level() {
    for (voice, text) in [
        ("flite:slt", "Put on the inner gloves."),
        ("flite:rms", "Put on the inner gloves."),
        ("espeak-ng:en-gb", "Put on the inner gloves."),
        ("espeak-ng:ko", "안쪽 장갑을 끼세요."),
    ] {
        let samples = renderer(voice).render(text).unwrap();
        assert!((0.7..4.0).contains(&seconds(&samples)), "{voice}: {} s", seconds(&samples));
        let active = level::active_level_dbfs(&samples);
        assert!((-35.0..-5.0).contains(&active.level_dbfs), "{voice}: {active:?}");
        assert!(active.activity > 0.7, "{voice}: {active:?}");
    }
}

#[test]
fn a_text_is_rendered_once_and_the_same_each_time() {
    let mut first = renderer("flite:slt");
    let one = first.render("hood on").unwrap();
    assert!(Arc::ptr_eq(&one, &first.render("hood on").unwrap()));
    assert_eq!(one, renderer("flite:slt").render("hood on").unwrap());
    assert_ne!(one, first.render("hood off").unwrap());
}

#[test]
fn no_text_becomes_an_option_or_a_command() {
    let folder = tempfile::tempdir().unwrap();
    let trap = folder.path().join("trap");
    let hostile = [
        format!("gloves $(touch {0}) `touch {0}` ; touch {0}", trap.display()),
        "-o /dev/null -h --version gloves".to_string(),
        "--stdin gloves".to_string(),
        "gloves \"on\" 'off' \\ \n second line \r\n \t third \0 end".to_string(),
        "<speak>gloves</speak> [[h@'loU]] & %s %n".to_string(),
    ];
    for voice in ["flite:slt", "espeak-ng:en-gb"] {
        let mut renderer = renderer(voice);
        for text in &hostile {
            let samples = renderer.render(text).unwrap_or_else(|error| panic!("{voice}: {error}"));
            assert!(seconds(&samples) > 0.4, "{voice}: {text:?} took {} s", seconds(&samples));
        }
    }
    assert!(!trap.exists());
}

#[test]
fn the_second_line_of_a_text_is_spoken_too() {
    for voice in ["flite:slt", "espeak-ng:en-gb"] {
        let mut renderer = renderer(voice);
        let one = renderer.render("inner gloves on").unwrap();
        let two = renderer.render("inner gloves on\nouter gloves on").unwrap();
        assert!(two.len() as f32 > 1.6 * one.len() as f32, "{voice}: {} and {}", one.len(), two.len());
    }
}

#[test]
fn a_text_without_words_is_an_error() {
    let mut renderer = renderer("flite:slt");
    for text in ["", "  \n", "...", "--"] {
        let error = renderer.render(text).unwrap_err();
        assert!(matches!(error, VoiceError::Text { .. }), "{error}");
    }
}

#[test]
fn a_voice_that_is_not_there_is_refused_and_the_known_ones_are_named() {
    let refused = |voice: &str| match Renderer::new(voice.parse().unwrap()) {
        Ok(_) => panic!("{voice} was taken"),
        Err(error) => error,
    };
    let error = refused("flite:nobody");
    assert!(error.to_string().contains("slt"), "{error}");
    assert_eq!(Failure::from(error).code, ExitCode::NoDevice);
    assert!(matches!(refused("espeak-ng:zz-nobody"), VoiceError::Unknown { .. }));
}

#[test]
fn a_program_that_is_not_installed_is_named_with_its_package() {
    // The search path is the whole process's: look at it in a process of its own.
    let output = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--ignored", "--exact", "without_any_program"])
        .env("PATH", "/nonexistent")
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
}

#[test]
#[ignore = "run by the test above in a process without programs"]
fn without_any_program() {
    for voice in [RenderVoice::Flite("slt".into()), RenderVoice::EspeakNg("ko".into())] {
        let Err(error) = Renderer::new(voice) else { panic!("there is a program in an empty path") };
        assert!(error.to_string().contains("apt-get install "), "{error}");
        assert_eq!(Failure::from(error).code, ExitCode::NoDevice);
    }
}
