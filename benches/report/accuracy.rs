//! What is heard right and wrong, and at what cost, beside Debian's plain PocketSphinx on the same clips.
//!
//! PocketSphinx is used as its documentation shows first: a grammar of the same phrases, its own English model and
//! dictionary, nothing tuned, no rejection. It says which phrase fits best, whatever was said, or nothing where no path
//! survived.

use super::process::watch;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

const MODEL: &str = "/usr/share/pocketsphinx/model/en-us";

/// A recording and which of the phrases is said in it, if any.
pub struct Clip {
    pub file: PathBuf,
    /// Its words, where they are known.
    pub words: Option<String>,
    pub said: Option<usize>,
}

/// Phrases to tell apart and recordings to do it on.
pub struct Task {
    pub phrases: Vec<String>,
    pub clips: Vec<Clip>,
    /// Length of all clips, s.
    pub seconds: f64,
}

/// What one program made of one clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    Phrase(usize),
    /// Surely words that are none of the phrases: only a grammar that is larger than the list gives it.
    Elsewhere,
    AskedAgain,
    Nothing,
}

#[derive(Debug, Default)]
pub struct Tally {
    pub said: usize,
    pub right: usize,
    pub asked_again: usize,
    pub missed: usize,
    pub wrong: usize,
    pub chatter: usize,
    pub chatter_accepted: usize,
    pub chatter_asked: usize,
    /// CPU time of the program, loading included, s, and per second of sound.
    pub cpu_s: f64,
    pub cpu_share: f64,
    /// What went wrong, for the page: clip and what it was taken for.
    pub mistakes: Vec<String>,
}

impl Task {
    fn tally(&self, answers: &[Answer], cpu_s: f64) -> Tally {
        let mut tally = Tally { cpu_s, cpu_share: cpu_s / self.seconds, ..Tally::default() };
        for (clip, answer) in self.clips.iter().zip(answers) {
            match (clip.said, answer) {
                (Some(said), Answer::Phrase(phrase)) if said == *phrase => tally.right += 1,
                (Some(_), Answer::Phrase(_) | Answer::Elsewhere) => tally.wrong += 1,
                (Some(_), Answer::AskedAgain) => tally.asked_again += 1,
                (Some(_), Answer::Nothing) => tally.missed += 1,
                (None, Answer::Phrase(_) | Answer::Elsewhere) => tally.chatter_accepted += 1,
                (None, Answer::AskedAgain) => tally.chatter_asked += 1,
                (None, Answer::Nothing) => {}
            }
            if let (said, Answer::Phrase(phrase)) = (clip.said, answer) {
                if said != Some(*phrase) {
                    let stem = clip.file.file_stem().unwrap_or_default().to_string_lossy();
                    let words = clip.words.as_deref().unwrap_or(&stem);
                    tally.mistakes.push(format!("\"{words}\" taken for \"{}\"", self.phrases[*phrase]));
                }
            }
        }
        tally.said = self.clips.iter().filter(|clip| clip.said.is_some()).count();
        tally.chatter = self.clips.len() - tally.said;
        tally
    }

    /// Through `antiphon hear`, each file one utterance.
    pub fn antiphon(&self, program: &Path, folder: &Path) -> Result<Tally, String> {
        let list = folder.join("phrases.txt");
        write(&list, &(self.phrases.join("\n") + "\n"))?;
        let output = folder.join("heard.jsonl");
        let mut command = Command::new(program);
        command.arg("hear").arg("--phrases").arg(&list).args(self.clips.iter().map(|clip| &clip.file));
        let cpu_s = run(&mut command, &output)?;
        let text = read(&output)?;
        let answers: Result<Vec<Answer>, String> = text.lines().map(|line| self.line(line)).collect();
        let answers = answers?;
        if answers.len() != self.clips.len() {
            return Err(format!("{} answers for {} clips", answers.len(), self.clips.len()));
        }
        Ok(self.tally(&answers, cpu_s))
    }

    fn line(&self, line: &str) -> Result<Answer, String> {
        let value: serde_json::Value =
            serde_json::from_str(line).map_err(|error| format!("{line:?}: {error}"))?;
        match value["verdict"].as_str() {
            Some("accepted") => {
                let phrase = value["phrase"].as_str().unwrap_or_default();
                self.index(phrase).map(Answer::Phrase).ok_or_else(|| format!("no phrase of the list: {line}"))
            }
            Some("unsure") => Ok(Answer::AskedAgain),
            Some("ignored") => Ok(Answer::Nothing),
            _ => Err(format!("no verdict: {line}")),
        }
    }

    fn index(&self, phrase: &str) -> Option<usize> {
        self.phrases.iter().position(|text| text == phrase)
    }

    /// Through pocketsphinx_batch with a grammar of exactly these phrases.
    pub fn pocketsphinx(&self, folder: &Path) -> Result<Tally, String> {
        let grammar = folder.join("phrases.gram");
        let text = self.phrases.join("\n  | ");
        write(&grammar, &format!("#JSGF V1.0;\n\ngrammar phrases;\n\npublic <phrase> = {text};\n"))?;
        self.pocketsphinx_with(&grammar, folder)
    }

    /// Through pocketsphinx_batch with another grammar.
    pub fn pocketsphinx_with(&self, grammar: &Path, folder: &Path) -> Result<Tally, String> {
        let (control, found) = (folder.join("clips.ctl"), folder.join("found.hyp"));
        // The name is the path without its first slash and its ending: pocketsphinx puts both back.
        let names: Vec<String> = self
            .clips
            .iter()
            .map(|clip| {
                clip.file.with_extension("").display().to_string().trim_start_matches('/').to_string()
            })
            .collect();
        write(&control, &(names.join("\n") + "\n"))?;
        let mut command = Command::new("pocketsphinx_batch");
        command.args(["-adcin", "yes", "-adchdr", "44", "-cepdir", "/", "-cepext", ".wav"]);
        command
            .arg("-hmm")
            .arg(format!("{MODEL}/en-us"))
            .arg("-dict")
            .arg(format!("{MODEL}/cmudict-en-us.dict"));
        command.arg("-jsgf").arg(grammar).arg("-ctl").arg(&control).arg("-hyp").arg(&found);
        command.arg("-logfn").arg(folder.join("pocketsphinx.log"));
        let cpu_s = run(&mut command, &folder.join("pocketsphinx.out"))?;
        let text = read(&found)?;
        let answers: Vec<Answer> = text.lines().map(|line| self.hypothesis(line)).collect();
        if answers.len() != self.clips.len() {
            return Err(format!("{} hypotheses for {} clips", answers.len(), self.clips.len()));
        }
        Ok(self.tally(&answers, cpu_s))
    }

    /// `words (name score)`, no words where nothing was found.
    fn hypothesis(&self, line: &str) -> Answer {
        let words = line.rsplit_once('(').map_or("", |(words, _)| words).trim();
        if words.is_empty() {
            return Answer::Nothing;
        }
        self.index(words).map_or(Answer::Elsewhere, Answer::Phrase)
    }
}

fn run(command: &mut Command, output: &Path) -> Result<f64, String> {
    let file = fs::File::create(output).map_err(|error| format!("{}: {error}", output.display()))?;
    command.stdin(Stdio::null()).stdout(file).stderr(Stdio::null());
    let ran = watch(command, &mut |_| true)?;
    if !ran.status.success() {
        return Err(format!("{:?} ended with {}", command.get_program(), ran.status));
    }
    Ok(ran.cpu_s)
}

fn write(path: &Path, text: &str) -> Result<(), String> {
    fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))
}

fn read(path: &Path) -> Result<String, String> {
    fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}
