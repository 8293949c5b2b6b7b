//! The built program, run as a user runs it, and what the tests feed it.
// Each test file uses a part of this.
#![allow(dead_code)]

use antiphon::failure::ExitCode;
use assert_cmd::Command;
use std::path::{Path, PathBuf};

/// How one run of the program ended.
#[derive(Debug)]
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Ran {
    /// The exit code is this one, and both texts are shown when it isn't.
    #[track_caller]
    pub fn exits(&self, code: ExitCode) -> &Ran {
        assert_eq!(self.code, code as i32, "not {code:?}\n{self}");
        self
    }

    /// Standard error has each of these.
    #[track_caller]
    pub fn says(&self, fragments: &[&str]) -> &Ran {
        for fragment in fragments {
            assert!(self.err.contains(fragment), "no {fragment:?} in\n{}", self.err);
        }
        self
    }

    /// The JSON lines on standard output.
    #[track_caller]
    pub fn json_lines(&self) -> Vec<serde_json::Value> {
        let parse = |line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        self.out.lines().map(parse).collect()
    }
}

impl std::fmt::Display for Ran {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "exit {}\n--- stdout\n{}\n--- stderr\n{}", self.code, self.out, self.err)
    }
}

/// The program, without anything of the caller's surroundings that changes what it does.
pub fn antiphon(arguments: &[&str]) -> Command {
    let mut command = Command::cargo_bin("antiphon").expect("cargo builds the program for its tests");
    command.args(arguments).env("NO_COLOR", "1").env("HOME", "/nonexistent").env_remove("XDG_DATA_HOME");
    // The second ear takes more time than the rest of a test; those about it ask for it.
    command.env("ANTIPHON_EARS", "phones");
    // What natural voices said once is kept for the next run of the tests.
    command.env("XDG_CACHE_HOME", env!("CARGO_TARGET_TMPDIR"));
    command.env("XDG_STATE_HOME", env!("CARGO_TARGET_TMPDIR"));
    command.env_remove("ANTIPHON_MODELS").timeout(std::time::Duration::from_secs(400));
    command
}

/// Runs it to its end. Whatever happens, it never panics, and a message names no place in its own source.
#[track_caller]
pub fn ran(command: &mut Command) -> Ran {
    let output = command.output().expect("the program starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("the program writes UTF-8");
    let ran = Ran {
        // Without a code it was ended by a signal, which no test here sends.
        code: output.status.code().unwrap_or(-1),
        out: text(output.stdout),
        err: text(output.stderr),
    };
    assert!(!ran.err.contains("panicked") && !ran.out.contains("panicked"), "it panicked\n{ran}");
    assert!(!ran.err.contains("RUST_BACKTRACE") && !ran.err.contains("src/"), "it shows its insides\n{ran}");
    ran
}

#[track_caller]
pub fn run(arguments: &[&str]) -> Ran {
    ran(&mut antiphon(arguments))
}

/// The same with variables of the environment.
#[track_caller]
pub fn run_with(arguments: &[&str], variables: &[(&str, &Path)]) -> Ran {
    ran(antiphon(arguments).envs(variables.iter().copied()))
}

/// A models folder with all there is but this.
#[track_caller]
pub fn models_without(name: &str) -> tempfile::TempDir {
    let room = tempfile::tempdir().expect("a temporary folder");
    let models = Path::new(env!("CARGO_MANIFEST_DIR")).join("models");
    for entry in std::fs::read_dir(models).expect("run models/setup.sh").flatten() {
        if entry.file_name() != name {
            let link = room.path().join(entry.file_name());
            std::os::unix::fs::symlink(entry.path(), link).expect("the folder is writable");
        }
    }
    room
}

/// A file of a Debian package that only tests need.
#[track_caller]
pub fn needed(path: &str, package: &str) -> PathBuf {
    assert!(
        Path::new(path).exists(),
        "{path} is missing: install the package {package}, or all that tests need with `models/setup.sh --test`"
    );
    PathBuf::from(path)
}

/// Runs a program that only tests need.
#[track_caller]
pub fn tool(program: &str, arguments: &[&str]) {
    let output = std::process::Command::new(program)
        .args(arguments)
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap_or_else(|error| panic!("{program}: {error}: run `models/setup.sh --test`"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{program} failed: {said}");
}

/// Whether this machine lets strace watch a program; says so when it does not.
pub fn can_trace() -> bool {
    needed("/usr/bin/strace", "strace");
    let tried = std::process::Command::new("strace").args(["-o", "/dev/null", "true"]).output();
    let can = tried.is_ok_and(|ran| ran.status.success());
    if !can {
        println!("skipped: this machine does not let strace watch a program");
    }
    can
}

/// The program with these arguments, killed at its nth call of this name. It succeeds where it makes fewer.
pub fn killed_at(call: &str, nth: usize, arguments: &[&str]) -> std::process::Command {
    let mut command = std::process::Command::new("strace");
    command.args(["-f", "-o", "/dev/null", "-e", &format!("trace={call}"), "-e"]);
    command.arg(format!("inject={call}:signal=SIGKILL:when={nth}"));
    command.arg(env!("CARGO_BIN_EXE_antiphon")).args(arguments);
    command
}

pub fn text(path: &Path) -> &str {
    path.to_str().expect("temporary paths are UTF-8")
}

pub fn write(folder: &Path, name: &str, contents: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, contents).expect("a temporary folder can be written");
    path
}

/// A WAV file of 16 kHz mono 16-bit sound in another form. `as_value` gives the value for each sample of each frame.
pub fn wav(path: &Path, spec: hound::WavSpec, frames: &[i16], as_value: impl Fn(i16, u16) -> i32) {
    let mut writer = hound::WavWriter::create(path, spec).expect("a temporary folder can be written");
    for frame in frames {
        for channel in 0..spec.channels {
            writer.write_sample(as_value(*frame, channel)).expect("the value fits the sample's width");
        }
    }
    writer.finalize().expect("a temporary folder can be written");
}

pub fn spec(rate: u32, bits: u16, channels: u16) -> hound::WavSpec {
    let sample_format = hound::SampleFormat::Int;
    hound::WavSpec { channels, sample_rate: rate, bits_per_sample: bits, sample_format }
}

/// A short procedure with everything that can slip in it.
pub const SHORT: &str = r#"[procedure]
id = "short"
title = "A short one"
version = "1"
language = "en"
cautions = ["Training aid."]
opening = "We begin."
closing = "All done."

[rules]
reminder_s = 6

[[question]]
id = "apron"
ask = "Is an apron needed?"
by = "observer"
[[question.answer]]
value = "yes"
phrase = "splashes are likely"
[[question.answer]]
value = "no"
phrase = "dry care today"

[[step]]
id = "rub"
instruction = "Rub your hands."
look = "both hands are dry"
read_back = "both hands rubbed dry"
confirm = "every finger was treated"
at_least_s = 8

[[step]]
id = "gloves"
instruction = "Put on the gloves."
look = "both wrists are covered"
read_back = "inner gloves are on"
confirm = "i see wrists protected"
critical = true

[[step]]
id = "apron"
instruction = "Put on the apron."
look = "chest to mid calf"
read_back = "apron strings are tied"
confirm = "front shielded to calves"
when = { apron = "yes" }

[[step]]
id = "hood"
instruction = "Put on the hood."
look = "chin and neck are inside"
read_back = "hood reaches my shoulders"
confirm = "chin and neck enclosed"
"#;

/// `SHORT` with its first `from` replaced, and the line (from 1) on which the replacement begins.
pub fn edited(from: &str, to: &str) -> (String, usize) {
    let at = SHORT.find(from).unwrap_or_else(|| panic!("SHORT has no {from:?}"));
    let line = SHORT[..at].matches('\n').count() + 1;
    (SHORT.replacen(from, to, 1), line)
}
