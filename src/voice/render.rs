//! Text to samples: by flite or espeak-ng as a child process, or by the network of the natural voices.
//!
//! Owns the calls: text goes in by standard input and never through a shell or an argument, so no text can become an
//! option or a command; the sound comes back in a file of its own. Must not know where the sound is played.

use super::natural::NaturalVoice;
use super::VoiceError;
use crate::audio::{wav, RATE};
use std::collections::HashMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use std::{fmt, str::FromStr};

/// A voice that can be rendered, written `flite:slt`, `espeak-ng:en-gb` or `natural:af_heart`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum RenderVoice {
    Flite(String),
    EspeakNg(String),
    Natural(NaturalVoice),
}

impl RenderVoice {
    /// `language`: BCP 47 tag. English speaks with flite's slt, everything else with espeak-ng.
    pub fn for_language(language: &str) -> RenderVoice {
        let lower = language.to_lowercase();
        if lower == "en" || lower.starts_with("en-") {
            RenderVoice::Flite("slt".into())
        } else {
            RenderVoice::EspeakNg(lower)
        }
    }
}

impl fmt::Display for RenderVoice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            RenderVoice::Flite(name) => write!(f, "flite:{name}"),
            RenderVoice::EspeakNg(name) => write!(f, "espeak-ng:{name}"),
            RenderVoice::Natural(voice) => write!(f, "natural:{voice}"),
        }
    }
}

impl FromStr for RenderVoice {
    type Err = String;

    fn from_str(text: &str) -> Result<RenderVoice, String> {
        const FORM: &str =
            "write natural:NAME (natural:af_heart), flite:NAME (flite:slt, flite:rms) or espeak-ng:NAME (espeak-ng:en-gb, espeak-ng:ko)";
        let (program, name) = text.split_once(':').unwrap_or((text, ""));
        if program == "natural" {
            return name.parse().map(RenderVoice::Natural);
        }
        // Both programs take a path for a name; a voice's name has none of these characters in it.
        let sound =
            name.chars().all(|c| c.is_ascii_alphanumeric() || "_+-".contains(c)) && !name.starts_with('-');
        match program {
            _ if !sound => Err(format!("'{name}' can't be the name of a voice; {FORM}")),
            "flite" => Ok(RenderVoice::Flite(if name.is_empty() { "slt" } else { name }.into())),
            "espeak-ng" => Ok(RenderVoice::EspeakNg(if name.is_empty() { "en-gb" } else { name }.into())),
            other => Err(format!("'{other}' is not a program that speaks; {FORM}")),
        }
    }
}

/// How long a program may take over one text. It takes a tenth of a second; on a busy machine 10 s were seen.
const TIMEOUT: Duration = Duration::from_secs(30);
/// Silence left before and after the words, samples at [`RATE`] (50 ms).
const MARGIN: usize = RATE as usize / 20;
/// What counts as silence: -50 dBFS. Common practice, no source.
const SILENCE: u16 = 104;

/// Renders texts with one voice, and remembers them. Copies remember together.
#[derive(Clone)]
pub struct Renderer {
    voice: RenderVoice,
    said: Arc<Mutex<HashMap<String, Arc<[i16]>>>>,
}

impl Renderer {
    /// Checks that the program is there and knows the voice.
    pub fn new(voice: RenderVoice) -> Result<Renderer, VoiceError> {
        match &voice {
            RenderVoice::Flite(name) => {
                let mut command = Command::new("flite");
                command.arg("-lv");
                let outcome = run(command, "", &Speaker { voice: &voice.to_string(), program: "flite" })?;
                // flite takes a voice it doesn't know for its first one, and says nothing.
                if !outcome.text.split_whitespace().any(|word| word == name) {
                    let fix = outcome.text.trim().to_lowercase();
                    return Err(VoiceError::Unknown { voice: voice.to_string(), fix });
                }
            }
            RenderVoice::EspeakNg(name) => {
                let mut command = Command::new("espeak-ng");
                command.args(["-q", "-v", name, "--stdin"]);
                let speaker = Speaker { voice: &voice.to_string(), program: "espeak-ng" };
                if !run(command, "", &speaker)?.success {
                    let fix = "see `espeak-ng --voices`".into();
                    return Err(VoiceError::Unknown { voice: voice.to_string(), fix });
                }
            }
            RenderVoice::Natural(natural) => natural.check()?,
        }
        Ok(Renderer { voice, said: Arc::default() })
    }

    pub fn voice(&self) -> &RenderVoice {
        &self.voice
    }

    /// Samples at [`RATE`], with at most 50 ms of silence before and after the words.
    pub fn render(&mut self, text: &str) -> Result<Arc<[i16]>, VoiceError> {
        if let Some(known) = self.said().get(text) {
            return Ok(known.clone());
        }
        // Not while others wait: one text twice at the same moment is rare, and does no harm.
        let fresh: Arc<[i16]> = self.fresh(text)?.into();
        self.said().insert(text.to_string(), fresh.clone());
        Ok(fresh)
    }

    fn said(&self) -> MutexGuard<'_, HashMap<String, Arc<[i16]>>> {
        self.said.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn fresh(&self, text: &str) -> Result<Vec<i16>, VoiceError> {
        let failed =
            |why: String| VoiceError::Text { voice: self.voice.to_string(), text: text.to_string(), why };
        let plain = plain(text);
        if !plain.chars().any(char::is_alphanumeric) {
            return Err(failed("there is nothing to say in it".into()));
        }
        let samples = match &self.voice {
            RenderVoice::Natural(voice) => voice.say(&plain)?,
            RenderVoice::Flite(name) => {
                self.by_program("flite", &["-voice", name, "-f", "/dev/stdin", "-o"], &plain, &failed)?
            }
            RenderVoice::EspeakNg(name) => {
                self.by_program("espeak-ng", &["-v", name, "-b", "1", "--stdin", "-w"], &plain, &failed)?
            }
        };
        let words = trim(&samples);
        if words.is_empty() {
            return Err(failed("it came out silent".into()));
        }
        Ok(words.to_vec())
    }

    /// What a program says; the last of its options takes the file for the sound.
    fn by_program(
        &self,
        program: &'static str,
        options: &[&str],
        text: &str,
        failed: &dyn Fn(String) -> VoiceError,
    ) -> Result<Vec<i16>, VoiceError> {
        let folder = Scratch::new().map_err(|error| failed(format!("no place for the sound: {error}")))?;
        let file = folder.0.join("said.wav");
        let mut command = Command::new(program);
        command.args(options).arg(&file);
        let speaker = Speaker { voice: &self.voice.to_string(), program };
        let outcome = run(command, text, &speaker).map_err(|error| match error {
            VoiceError::Text { why, .. } => failed(why),
            other => other,
        })?;
        if !outcome.success {
            return Err(failed(format!("{program} failed: {}", outcome.text.trim())));
        }
        let clip = wav::read(&file.to_string_lossy()).map_err(|error| failed(error.to_string()))?;
        Ok(clip.samples)
    }
}

/// One line of text without control characters, and without espeak-ng's brackets for phonemes.
fn plain(text: &str) -> String {
    let line: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    line.replace("[[", "[ [").trim().to_string()
}

/// The samples without the silence before and after, but for 50 ms; empty when all is silence.
fn trim(samples: &[i16]) -> &[i16] {
    let loud = |s: &i16| s.unsigned_abs() > SILENCE;
    let (Some(first), Some(last)) = (samples.iter().position(loud), samples.iter().rposition(loud)) else {
        return &[];
    };
    &samples[first.saturating_sub(MARGIN)..(last + 1 + MARGIN).min(samples.len())]
}

/// A folder of one's own, removed afterwards.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> std::io::Result<Scratch> {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        // `create_dir` fails where something stands already, so nobody else's file is ever written over; try a few.
        let mut last = std::io::Error::other("every name is taken");
        for _ in 0..100 {
            let number = COUNT.fetch_add(1, Ordering::Relaxed);
            let path = std::env::temp_dir().join(format!("antiphon-{}-{number}", std::process::id()));
            match private_folder(&path) {
                Ok(()) => return Ok(Scratch(path)),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => last = error,
                Err(error) => return Err(error),
            }
        }
        Err(last)
    }
}

fn private_folder(path: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::DirBuilderExt;
    std::fs::DirBuilder::new().mode(0o700).create(path)
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // What can't be removed is left to the system's own cleaning of its temporary folder.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Who speaks, for errors.
pub(super) struct Speaker<'a> {
    pub(super) voice: &'a str,
    /// Also the name of its Debian package.
    pub(super) program: &'static str,
}

pub(super) struct Outcome {
    pub(super) success: bool,
    /// What the program printed, errors included.
    pub(super) text: String,
}

/// Runs the program with the text on its standard input, for at most [`TIMEOUT`].
pub(super) fn run(mut command: Command, text: &str, speaker: &Speaker) -> Result<Outcome, VoiceError> {
    let failed =
        |why: String| VoiceError::Text { voice: speaker.voice.to_string(), text: text.to_string(), why };
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().map_err(
            |error| match error.kind() {
                std::io::ErrorKind::NotFound => {
                    VoiceError::Missing { program: speaker.program, package: speaker.program }
                }
                _ => failed(format!("can't be started: {error}")),
            },
        )?;
    let stdin = child.stdin.take().expect("standard input was asked for as a pipe");
    let text = text.to_string();
    // On its own thread: a program that doesn't read must not stop this one.
    std::thread::spawn(move || {
        let mut stdin = stdin;
        // A program that ends early closes the pipe; its exit status tells.
        let _ = stdin.write_all(text.as_bytes()).and_then(|()| stdin.write_all(b"\n"));
    });
    let output = [
        drain(child.stdout.take().expect("standard output was asked for as a pipe")),
        drain(child.stderr.take().expect("standard error was asked for as a pipe")),
    ];
    let success = wait(&mut child).map_err(failed)?;
    // Both pipes are closed by now, unless the program left a child of its own behind: then its words don't matter.
    let text = output.iter().filter_map(|part| part.recv_timeout(Duration::from_millis(200)).ok()).collect();
    Ok(Outcome { success, text })
}

/// Reads a pipe to its end on its own thread, so that the program never waits for a reader.
fn drain(mut pipe: impl std::io::Read + Send + 'static) -> std::sync::mpsc::Receiver<String> {
    let (tell, text) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let mut bytes = Vec::new();
        // What was read before an error is still worth showing.
        let _ = pipe.read_to_end(&mut bytes);
        let _ = tell.send(String::from_utf8_lossy(&bytes).into_owned());
    });
    text
}

fn wait(child: &mut Child) -> Result<bool, String> {
    let start = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Ok(status.success()),
            Ok(None) if start.elapsed() < TIMEOUT => std::thread::sleep(Duration::from_millis(2)),
            Ok(None) => {
                // If it can't be killed there is nothing left to try.
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("it took longer than {} s", TIMEOUT.as_secs()));
            }
            Err(error) => return Err(error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_voice_is_written_program_colon_name() {
        for text in ["flite:slt", "flite:rms", "espeak-ng:en-gb", "espeak-ng:ko", "espeak-ng:en+f3"] {
            assert_eq!(text.parse::<RenderVoice>().unwrap().to_string(), text);
        }
        assert_eq!("flite".parse::<RenderVoice>().unwrap().to_string(), "flite:slt");
        for wrong in
            ["", "say", "say:x", "flite:../x", "flite:http://x", "flite:-x", "espeak-ng:a b", "espeak-ng:x/y"]
        {
            assert!(wrong.parse::<RenderVoice>().unwrap_err().contains("espeak-ng:NAME"), "{wrong}");
        }
    }

    #[test]
    fn english_speaks_with_flite_and_the_rest_with_espeak_ng() {
        for (language, voice) in
            [("en", "flite:slt"), ("en-GB", "flite:slt"), ("ko", "espeak-ng:ko"), ("enm", "espeak-ng:enm")]
        {
            assert_eq!(RenderVoice::for_language(language).to_string(), voice);
        }
    }

    #[test]
    fn silence_before_and_after_is_cut_to_50_ms() {
        let mut samples = vec![0_i16; 5000];
        samples.extend([3000; 1000]);
        samples.extend([0; 400]);
        samples.extend([-3000; 1000]);
        samples.extend([50; 5000]);
        assert_eq!(trim(&samples).len(), 800 + 2400 + 800);
        assert_eq!(trim(&samples[4900..]).len(), 100 + 2400 + 800);
        assert!(trim(&[0; 100]).is_empty());
        assert!(trim(&[]).is_empty());
    }

    #[test]
    fn text_is_one_line_without_control_characters_or_phoneme_brackets() {
        assert_eq!(plain("a\n\tb\0c\u{1b}"), "a  b c");
        assert_eq!(plain("[[h@'loU]]"), "[ [h@'loU]]");
    }
}
