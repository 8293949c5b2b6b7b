//! A robot worker and a robot observer: they listen to the room's loudspeaker, make out which prompt was spoken, and
//! answer into their own microphones with flite voices. They see nothing of the program but what it says aloud.

use super::room::Room;
use antiphon::listen::engine::{phones::PhonesEngine, Candidate, Engine, Kind};
use antiphon::procedure::parse::words;
use antiphon::procedure::{Call, PhraseId, Procedure, Role, Use};
use antiphon::session::lines::{fill, lines};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::Arc;
use std::time::Duration;

/// What a robot does when it has heard a prompt.
#[derive(Debug, Clone)]
pub struct Reply {
    pub role: Role,
    pub text: String,
    pub after: Duration,
}

/// One prompt the tool may speak, and the reply to it.
struct Prompt {
    text: String,
    reply: Option<Reply>,
}

/// The first time a prompt for `wanted` is answered, `instead` is said.
#[derive(Debug, Clone)]
pub struct Slip {
    pub wanted: &'static str,
    pub role: Role,
    pub instead: &'static str,
}

pub struct Robots {
    prompts: Vec<Prompt>,
    slips: Vec<Slip>,
    engine: PhonesEngine,
    replies: BTreeMap<String, PathBuf>,
    folder: PathBuf,
    environment: Vec<(&'static str, PathBuf)>,
    /// What was heard and answered, for the test's own words.
    pub log: Vec<String>,
}

const REACTION: Duration = Duration::from_millis(300);
/// A prompt is over after this much silence; the tool pauses less than this within one.
const SILENCE_MS: usize = 900;

impl Robots {
    pub fn new(procedure: &Procedure, slips: &[Slip], room: &Room) -> Robots {
        let mut engine = PhonesEngine::load().expect("models are set up");
        let prompts = prompts(procedure);
        let candidates: Vec<Candidate> = prompts
            .iter()
            .map(|prompt| Candidate { text: sayable(&prompt.text, &engine), kind: Kind::Counts(PhraseId(0)) })
            .collect();
        engine.listen_for(&candidates, &BTreeMap::new()).expect("every word is in the dictionary");
        Robots {
            prompts,
            slips: slips.to_vec(),
            engine,
            replies: BTreeMap::new(),
            folder: room.path().to_path_buf(),
            environment: room.environment(),
            log: Vec::new(),
        }
    }

    /// Listens and answers until told to stop.
    pub fn run(mut self, room_monitor: Child, stop: Arc<AtomicBool>) -> Vec<String> {
        let mut room_monitor = room_monitor;
        let mut sound = room_monitor.stdout.take().expect("a pipe");
        let mut prompt: Vec<i16> = Vec::new();
        let mut silent = 0;
        let mut bytes = [0u8; 640];
        while !stop.load(Ordering::Relaxed) && sound.read_exact(&mut bytes).is_ok() {
            let tick: Vec<i16> = bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
            let loud = tick.iter().any(|sample| sample.unsigned_abs() > 60);
            silent = if loud { 0 } else { silent + 20 };
            if loud || !prompt.is_empty() {
                prompt.extend(tick);
            }
            if silent >= SILENCE_MS && prompt.len() > 16 * 300 {
                self.answer(&prompt);
                prompt.clear();
            } else if silent >= SILENCE_MS {
                prompt.clear();
            }
        }
        let _ = room_monitor.kill();
        let _ = room_monitor.wait();
        self.log
    }

    fn answer(&mut self, sound: &[i16]) {
        let scores = self.engine.hear(sound).expect("the engine hears");
        let best = (0..self.prompts.len()).max_by(|a, b| scores.ratio[*a].total_cmp(&scores.ratio[*b]));
        let prompt = &self.prompts[best.expect("there are prompts")];
        let Some(mut reply) = prompt.reply.clone() else {
            self.log.push(format!("heard {:?}", prompt.text));
            return;
        };
        let slip = self.slips.iter().position(|slip| slip.wanted == reply.text);
        if let Some(slip) = slip.map(|index| self.slips.remove(index)) {
            reply = Reply { role: slip.role, text: slip.instead.to_string(), after: reply.after };
        }
        self.log.push(format!("heard {:?}: the {} says {:?}", prompt.text, reply.role.name(), reply.text));
        std::thread::sleep(reply.after);
        self.say(&reply);
    }

    fn say(&mut self, reply: &Reply) {
        let voice = match reply.role {
            Role::Worker => "rms",
            Role::Observer => "slt",
        };
        let folder = self.folder.clone();
        let count = self.replies.len();
        let file = self.replies.entry(format!("{voice}: {}", reply.text)).or_insert_with(|| {
            let file = folder.join(format!("reply-{count}.wav"));
            let made =
                Command::new("flite").args(["-voice", voice, "-t", &reply.text, "-o"]).arg(&file).status();
            assert!(made.expect("flite runs").success());
            file
        });
        let mut command = Command::new("paplay");
        command.envs(self.environment.iter().cloned());
        let played = command.arg(format!("--device={}", reply.role.name())).arg(file).status();
        assert!(played.expect("paplay runs").success());
    }
}

/// What the room's loudspeaker plays: 16 kHz mono, raw.
pub fn monitor(room: &Room) -> Child {
    let mut command = room.command("parec");
    command.args([
        "--device=room.monitor",
        "--rate=16000",
        "--channels=1",
        "--format=s16le",
        "--latency-msec=20",
    ]);
    command.stdout(Stdio::piped()).spawn().expect("parec starts")
}

/// Everything the tool may say, each with the reply of a person who knows the procedure.
fn prompts(procedure: &Procedure) -> Vec<Prompt> {
    let lines = lines(&procedure.language).0;
    let text = |id: PhraseId| procedure.phrase(id).text.clone();
    let reply = |role: Role, id: PhraseId| Reply { role, text: text(id), after: REACTION };
    let call = |wanted: Call| {
        let found =
            procedure.phrase_ids().find(|id| procedure.phrase(*id).used == Use::Call { call: wanted });
        found.expect("every procedure has every call")
    };
    let mut prompts = Vec::new();
    let mut add = |text: String, reply: Option<Reply>| prompts.push(Prompt { text, reply });
    add(procedure.opening.clone().unwrap_or_default(), None);
    add(procedure.closing.clone(), None);
    let mut asked_for: Vec<(Role, String, Reply)> = Vec::new();
    for question in &procedure.questions {
        let answer = reply(question.by, question.answers[0].phrase);
        add(question.ask.clone(), Some(answer.clone()));
        let all: Vec<String> = question.answers.iter().map(|a| text(a.phrase)).collect();
        asked_for.push((question.by, all.join(lines.or), answer));
    }
    for step in &procedure.steps {
        let mut done = reply(Role::Worker, step.read_back[0]);
        done.after += Duration::from_secs_f64(step.at_least_s.unwrap_or(0.0));
        let seen = reply(Role::Observer, step.confirm[0]);
        add(step.instruction.clone(), Some(done.clone()));
        // Near enough to what is said when the record goes on in a new place, too.
        add(format!("{}{}", lines.carrying_on, step.instruction), Some(done.clone()));
        for answer in procedure.questions.iter().flat_map(|question| &question.answers) {
            let noted = fill(lines.noted, &[("answer", &text(answer.phrase))]);
            add(format!("{noted}{}", step.instruction), Some(done.clone()));
        }
        add(fill(lines.look, &[("look", &step.look)]), Some(seen.clone()));
        asked_for.push((Role::Worker, text(step.read_back[0]), done));
        asked_for.push((Role::Observer, [text(step.confirm[0]), text(step.refuse[0])].join(lines.or), seen));
    }
    for (role, expected, answer) in asked_for {
        let who = if role == Role::Worker { lines.worker } else { lines.observer };
        let values = [("who", who), ("expected", expected.as_str())];
        for template in [lines.unsure, lines.early, lines.reminder] {
            add(fill(template, &values), Some(answer.clone()));
        }
        for heard in procedure.phrases.iter().filter(|phrase| phrase.by == Some(role)) {
            let mut values = values.to_vec();
            values.push(("heard", &heard.text));
            add(fill(lines.wrong, &values), Some(answer.clone()));
        }
    }
    let (carry_on, back, stop) =
        (text(call(Call::CarryOn)), text(call(Call::GoBack)), text(call(Call::Stop)));
    let calls = [("carry_on", carry_on.as_str()), ("go_back", back.as_str()), ("stop", stop.as_str())];
    for template in [lines.held_called, lines.held_tries, lines.held_no_answer, lines.held_maybe_stop] {
        add(fill(template, &calls), Some(reply(Role::Observer, call(Call::CarryOn))));
    }
    // Its beginning: the whole of it can be said in more ways than an engine listens for.
    let damaged = lines.held_record.split(". ").next().unwrap_or(lines.held_record);
    add(damaged.to_string(), Some(reply(Role::Observer, call(Call::CarryOn))));
    prompts
}

/// The words a dictionary robot can know: the others are passed over.
fn sayable(text: &str, engine: &PhonesEngine) -> String {
    let plain = words(text).expect("prompts are plain words");
    let known: Vec<&str> =
        plain.split(' ').filter(|word| engine.check_word(word, &BTreeMap::new()).is_ok()).collect();
    known.join(" ")
}
