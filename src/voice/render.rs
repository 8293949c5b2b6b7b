//! Text to samples: by flite or espeak-ng as a child process, or by the network of the natural voices.
//!
//! Owns the calls: text goes in by standard input and never through a shell or an argument, so no text can become an
//! option or a command; the sound comes back in a file of its own. Must not know where the sound is played.

use super::natural::NaturalVoice;
use super::VoiceError;
use crate::audio::{wav, RATE};
use crate::files::scratch::Scratch;
use std::collections::VecDeque;
use std::io::Write;
use std::process::{Child, Command, Stdio};
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

/// Samples that a session remembers of one voice: a minute, which has the prompts that come again (2 MB).
const REMEMBERED: usize = 60 * RATE as usize;

/// Renders texts with one voice, and remembers what it said lately. Copies remember together.
#[derive(Clone)]
pub struct Renderer {
    voice: RenderVoice,
    said: Arc<Mutex<Said>>,
}

/// What was said lately, the latest last.
struct Said {
    clips: VecDeque<(String, Arc<[i16]>)>,
    samples: usize,
    /// Samples at most.
    most: usize,
}

impl Said {
    fn get(&mut self, text: &str) -> Option<Arc<[i16]>> {
        let at = self.clips.iter().position(|(known, _)| known == text)?;
        let found = self.clips.remove(at)?;
        let samples = found.1.clone();
        self.clips.push_back(found);
        Some(samples)
    }

    fn put(&mut self, text: &str, samples: Arc<[i16]>) {
        self.samples += samples.len();
        self.clips.push_back((text.to_string(), samples));
        while self.samples > self.most && self.clips.len() > 1 {
            let Some((_, oldest)) = self.clips.pop_front() else { return };
            self.samples -= oldest.len();
        }
    }
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
        let said = Said { clips: VecDeque::new(), samples: 0, most: REMEMBERED };
        Ok(Renderer { voice, said: Arc::new(Mutex::new(said)) })
    }

    /// The same for many sessions of one procedure: it forgets nothing.
    pub fn that_forgets_nothing(self) -> Renderer {
        self.said().most = usize::MAX;
        self
    }

    pub fn voice(&self) -> &RenderVoice {
        &self.voice
    }

    /// Samples at [`RATE`], with at most 50 ms of silence before and after the words.
    pub fn render(&mut self, text: &str) -> Result<Arc<[i16]>, VoiceError> {
        if let Some(known) = self.said().get(text) {
            return Ok(known);
        }
        // Not while others wait: one text twice at the same moment is rare, and does no harm.
        let fresh: Arc<[i16]> = self.fresh(text)?.into();
        self.said().put(text, fresh.clone());
        Ok(fresh)
    }

    fn said(&self) -> MutexGuard<'_, Said> {
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
        let file = folder.path().join("said.wav");
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
    fn what_was_said_long_ago_is_forgotten_and_what_comes_again_is_not() {
        let mut said = Said { clips: VecDeque::new(), samples: 0, most: 1_000 };
        let clip = |length: usize| -> Arc<[i16]> { vec![0; length].into() };
        said.put("again", clip(100));
        for n in 0..50 {
            said.put(&n.to_string(), clip(300));
            assert!(said.get("again").is_some() && said.samples <= 1_000, "{n}: {}", said.samples);
        }
        assert!(said.get("49").is_some() && said.get("0").is_none());
        assert_eq!(said.samples, said.clips.iter().map(|(_, clip)| clip.len()).sum::<usize>());
        said.put("longer than all", clip(5_000));
        assert_eq!((said.clips.len(), said.samples), (1, 5_000));
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
