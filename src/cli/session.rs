//! What `run` and `rehearse` have in common: options, the record's folder, the screen, the closing words.

use super::engine::EngineArgs;
use super::{say, tell};
use crate::conduct::enrol::KnownPeople;
use crate::conduct::keeper::{Keeper, Opening, WallClock, DAMAGED, STOPPED_EARLY};
use crate::conduct::same_voice::Wish;
use crate::conduct::set_up::{self, Listening, Ready};
use crate::failure::{ExitCode, Failure};
use crate::practice::Practice;
use crate::procedure::{Post, Role, VoiceRule};
use crate::record::summary::{Outcome, StepAccount};
use crate::record::verify::{verify, Finding, Weight};
use crate::record::{self, SessionFolder, Summary};
use crate::screen::big::Big;
use crate::screen::plain::Plain;
use crate::screen::Screen;
use crate::session::{Ending, DEFAULT_GRACE_MS};
use crate::voice::RenderVoice;
use crate::who::kept::{is_short_id, LONGEST_ID};
use std::collections::BTreeMap;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::Arc;

#[derive(Debug, clap::Args)]
pub struct SessionArgs {
    /// The procedure's file
    pub procedure: PathBuf,
    #[command(flatten)]
    pub engine: EngineArgs,
    /// What follows when an answer sounds like the other person (default: as the procedure says, or ask)
    #[arg(long, value_name = "WHAT", value_enum)]
    pub same_voice: Option<VoiceRule>,
    /// Where session folders go (default: $XDG_DATA_HOME/antiphon/sessions)
    #[arg(long, value_name = "DIR")]
    pub sessions: Option<PathBuf>,
    /// Name of this session's folder (default: the time and the procedure's id)
    #[arg(long, value_name = "NAME")]
    pub id: Option<String>,
    /// Who is at a post, as a short id: worker=w7 or observer=o2 (kept with the record)
    #[arg(long, value_name = "POST=ID", value_parser = person)]
    pub who: Vec<(String, String)>,
    /// Take whole names for --who too
    #[arg(long)]
    pub full_names: bool,
    /// Write the debrief when the session is over
    #[arg(long)]
    pub debrief: bool,
    /// One line an event instead of the large screen
    #[arg(long)]
    pub plain: bool,
    /// The session's summary as one JSON object on stdout; events go to stderr
    #[arg(long)]
    pub json: bool,
}

impl SessionArgs {
    /// The procedure, and a listener for each post.
    pub fn ready(&self, posts: &[Post]) -> Result<Ready, Failure> {
        let wish = Wish { same_voice: self.same_voice, known: KnownPeople::of(&self.people()?)? };
        let listening = Listening { voices: Some(wish), ..self.engine.listening() };
        set_up::ready(&self.procedure, posts, &listening)
    }

    /// The same where one of the two is the tool: its voice is not compared with the other's.
    pub fn ready_alone(&self, posts: &[Post]) -> Result<Ready, Failure> {
        set_up::ready(&self.procedure, posts, &self.engine.listening())
    }

    /// Makes the session's folder and opens its record.
    pub fn open(
        &self,
        ready: &Ready,
        posts: &[Post],
        voice: String,
        about: About,
    ) -> Result<Keeper, Failure> {
        let people = self.people()?;
        let root = match &self.sessions {
            Some(root) => root.clone(),
            None => SessionFolder::default_root()?,
        };
        let now = chrono::Local::now().fixed_offset();
        let folder = match &self.id {
            Some(id) => SessionFolder::create(&root, id)?,
            None => SessionFolder::begin(&root, &now, &ready.procedure.id)?,
        };
        if about.clock == Clock::Real {
            // The tool's voice has a track too.
            if let Some(minutes) = record::sound::minutes_left(folder.path(), posts.len() + 1) {
                tell(&format!("antiphon: the disk has room for {} of sound", in_hours(minutes)));
            }
        }
        let opening = Opening {
            antiphon: env!("CARGO_PKG_VERSION").to_string(),
            session: String::new(),
            mode: about.mode.to_string(),
            procedure_id: ready.procedure.id.clone(),
            procedure_version: ready.procedure.version.clone(),
            procedure_sha256: String::new(),
            engine: ready.engine.clone(),
            voice,
            posts: posts.to_vec(),
            people,
            grace_ms: DEFAULT_GRACE_MS,
            decoys: ready.decoys,
            rehearsal: about.rehearsal,
            practice: about.practice,
            notes: ready.notes.clone(),
            bars: None,
        };
        let by_heart = opening.practice.as_ref().map(|practice| practice.trainee);
        let wall = if about.clock == Clock::Real { WallClock::Real } else { WallClock::From(now) };
        let screen = self.screen(about.clock != Clock::Virtual, by_heart);
        let mut keeper = Keeper::open(ready.procedure.clone(), &ready.source, folder, opening, wall, screen)?;
        keeper.enter_in_ledger(&root)?;
        Ok(keeper)
    }

    /// Who is there. Records outlive sessions: names go in only when that was wanted.
    fn people(&self) -> Result<BTreeMap<String, String>, Failure> {
        let mut people = BTreeMap::new();
        for (post, id) in &self.who {
            if !is_short_id(id) && !self.full_names {
                return Err(Failure::new(ExitCode::Usage, format!("--who {post}={id}: not a short id"))
                    .why(format!("a short id is 1 to {LONGEST_ID} letters, digits, '-', '_' or '.', so that no name is kept"))
                    .fix("give an id that only your unit can trace, or add --full-names"));
            }
            if people.insert(post.clone(), id.clone()).is_some() {
                return Err(Failure::new(
                    ExitCode::Usage,
                    format!("--who {post}={id}: the {post} is named twice"),
                ));
            }
        }
        Ok(people)
    }

    /// The large screen in a terminal in real time, otherwise a line an event.
    fn screen(&self, real_time: bool, by_heart: Option<Role>) -> Box<dyn Screen> {
        if self.json {
            return Box::new(Plain::new(std::io::stderr()));
        }
        if real_time && !self.plain && std::io::stdout().is_terminal() {
            match Big::open() {
                Ok(big) => return Box::new(big.by_heart(by_heart)),
                Err(error) => {
                    tell(&format!("antiphon: no large screen ({error}); one line an event instead"))
                }
            }
        }
        Box::new(Plain::new(std::io::stdout()))
    }

    /// Prints the outcome and decides the exit code.
    pub fn conclude(&self, summary: &Summary, places: &Places) -> Result<ExitCode, Failure> {
        let folder = &places.folder;
        let stands = places.stand(summary);
        if self.json {
            let text = serde_json::to_string(summary).map_err(|error| {
                Failure::new(ExitCode::Internal, format!("can't write the summary: {error}"))
            })?;
            say(&text);
        } else {
            say(&closing_words(summary, folder, stands.is_ok()));
        }
        stands?;
        self.write_debrief(folder)?;
        places.code(summary)
    }

    /// The debrief, when it was asked for.
    pub fn write_debrief(&self, folder: &std::path::Path) -> Result<(), Failure> {
        if self.debrief {
            let page = crate::debrief::write::in_folder(folder)?;
            let line = format!("debrief: {}", page.display());
            if self.json {
                tell(&line)
            } else {
                say(&line)
            }
        }
        Ok(())
    }

    /// Everything the people should know before it begins, on stderr.
    pub fn introduce(&self, ready: &Ready, notes: &[String]) {
        for caution in &ready.procedure.cautions {
            tell(&format!("caution: {caution}"));
        }
        for note in notes {
            tell(&format!("note: {note}"));
        }
    }
}

/// Where a session's record is, and where it was before: damaged while the session ran, and moved.
pub struct Places {
    pub folder: PathBuf,
    left: Vec<PathBuf>,
}

impl Places {
    pub fn of(keeper: &Keeper) -> Places {
        Places { folder: keeper.folder().path().to_owned(), left: keeper.left_behind().to_vec() }
    }

    /// Whether the record is what the session wrote. One that is not never ends as if all were well.
    pub fn stand(&self, summary: &Summary) -> Result<(), Failure> {
        stands(summary, &self.folder).map_err(|mut failure| {
            if !self.left.is_empty() {
                failure.what = format!("{} (before: {})", failure.what, self.left_behind());
            }
            failure
        })
    }

    /// The exit code of a session whose record stands.
    ///
    /// Errors: `Tampered` when it was moved. It is whole, but somebody has to know what became of the folder before.
    pub fn code(&self, summary: &Summary) -> Result<ExitCode, Failure> {
        if self.left.is_empty() {
            return Ok(code(summary));
        }
        let what = format!(
            "{}: the record was damaged while the session ran ({}) and goes on in {}",
            self.left_behind(),
            summary.account.outcome.name(),
            self.folder.display()
        );
        Err(Failure::new(ExitCode::Tampered, what)
            .why("somebody or something removed, replaced or cut it")
            .fix("rely on the new folder, which verifies and says what is missing; find out what became of the other"))
    }

    fn left_behind(&self) -> String {
        let left: Vec<String> = self.left.iter().map(|path| path.display().to_string()).collect();
        left.join(", ")
    }
}

fn stands(summary: &Summary, folder: &Path) -> Result<(), Failure> {
    let cautions = &summary.account.cautions;
    let damaged = cautions.iter().find(|caution| caution.starts_with(DAMAGED));
    let not_sound = |code, why: String| {
        Failure::new(
            code,
            format!("{}: the record of this session is not what was recorded", folder.display()),
        )
        .why(why)
        .fix("don't rely on it: write down now what was done, and see what `antiphon verify` says")
    };
    let verified = match verify(folder) {
        Ok(verified) => verified,
        Err(error) => {
            let failure = Failure::from(error);
            let why = damaged.cloned().unwrap_or_else(|| failure.reason());
            return Err(not_sound(failure.code, why));
        }
    };
    // Sound that was given up is told when that happens, and the rest of the record is whole.
    let told = cautions.iter().any(|caution| caution == STOPPED_EARLY);
    let grave = |one: &&Finding| {
        one.weight == Weight::Altered
            || one.weight == Weight::CutOff && !(told && one.file == record::folder::AUDIO)
    };
    let first = verified.findings.iter().find(grave);
    let code = match first.map(|finding| finding.weight) {
        Some(Weight::CutOff) => ExitCode::CutOff,
        Some(_) => ExitCode::Tampered,
        None if damaged.is_some() => ExitCode::Tampered,
        None => return Ok(()),
    };
    let found = first.map(|finding| format!("{}: {}", finding.file, finding.what));
    Err(not_sound(code, damaged.cloned().or(found).unwrap_or_default()))
}

/// Minutes as people say them: '40 min', '12 h'.
fn in_hours(minutes: u64) -> String {
    match minutes {
        0..=119 => format!("{minutes} min"),
        _ => format!("{} h", minutes / 60),
    }
}

/// The exit code of a session that came to this.
fn code(summary: &Summary) -> ExitCode {
    match summary.account.outcome {
        Outcome::Completed => ExitCode::Done,
        _ => ExitCode::NotCompleted,
    }
}

/// What kind of run it is, for the journal and the screen.
pub struct About {
    pub mode: &'static str,
    pub clock: Clock,
    pub rehearsal: Option<String>,
    pub practice: Option<Practice>,
}

impl About {
    pub fn new(mode: &'static str, clock: Clock) -> About {
        About { mode, clock, rehearsal: None, practice: None }
    }
}

/// How time passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    Real,
    /// As fast as the machine can.
    Virtual,
    /// The same, slowed down to what is heard.
    VirtualAloud,
}

/// The voice of a stand-in: in English one for each part, otherwise the language's; another one where the tool speaks
/// with it.
pub fn person_voice(language: &str, role: Role, tool: Option<&RenderVoice>) -> RenderVoice {
    let english = language.split('-').next() == Some("en");
    let voices = match (english, role) {
        (true, Role::Worker) => ["rms", "awb"].map(|name| RenderVoice::Flite(name.to_string())),
        (true, Role::Observer) => ["awb", "rms"].map(|name| RenderVoice::Flite(name.to_string())),
        // A variant of espeak-ng's for the same language.
        (false, _) => [
            RenderVoice::for_language(language),
            RenderVoice::EspeakNg(format!("{}+f3", language.to_lowercase())),
        ],
    };
    let [first, second] = voices;
    if tool == Some(&first) {
        second
    } else {
        first
    }
}

pub(super) fn person(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some((post @ ("worker" | "observer"), id)) if !id.trim().is_empty() && id.chars().count() <= 80 => {
            Ok((post.to_string(), crate::screen::text::clean(id.trim()).into_owned()))
        }
        _ => Err("write worker=ID or observer=ID, for example worker=w7".to_string()),
    }
}

fn closing_words(summary: &Summary, folder: &Path, stands: bool) -> String {
    let account = &summary.account;
    let totals = &account.totals;
    let mut lines = vec![String::new(), format!("{}: {}", account.procedure.title, account.outcome.name())];
    lines.push(format!(
        "{} steps done, {} skipped, in {}:{:02}; asked again {}, refusals {}, reminders {}, holds {}",
        totals.steps_done,
        totals.steps_skipped,
        totals.seconds as u64 / 60,
        totals.seconds as u64 % 60,
        totals.asks_again,
        totals.refusals,
        totals.reminders,
        totals.holds
    ));
    for contingency in &account.contingencies {
        let ending = match contingency.ending {
            Some(Ending::Returned) => "done, and back to the procedure",
            Some(Ending::Restarted) => "done, and steps of the procedure done again",
            Some(Ending::CalledAgain) => "called once more",
            Some(Ending::Exited) => "led out",
            Some(Ending::Cancelled) => "called by mistake",
            None => "not finished",
        };
        lines.push(format!(
            "contingency: {}, called by the {}, {ending}",
            contingency.title, contingency.called_at
        ));
    }
    let exit = account.exit.iter().flat_map(|exit| &exit.steps);
    for one in &account.decisions {
        lines.push(format!("confirmed by decision, not heard: {} ({})", one.step, one.decision.label));
    }
    let undone = |step: &&StepAccount| step.done_ms().is_none() && step.skipped_by.is_none();
    for step in account.steps.iter().chain(exit).filter(undone) {
        lines.push(format!("not done: {}", step.id));
    }
    if stands {
        lines.push(format!("record: {}", folder.display()));
        lines.push(format!("digest: {}", summary.journal_sha256));
    } else {
        lines.push(format!("record: DAMAGED, {}", folder.display()));
    }
    lines.join("\n")
}

/// Set when the user interrupts (Ctrl-C) or the system asks the program to end.
pub fn interrupted_flag() -> Result<Arc<AtomicBool>, Failure> {
    let flag = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
        signal_hook::flag::register(signal, Arc::clone(&flag))
            .map_err(|error| Failure::new(ExitCode::Internal, format!("can't watch for signals: {error}")))?;
    }
    Ok(flag)
}

pub fn is_set(flag: &AtomicBool) -> bool {
    flag.load(Ordering::Relaxed)
}
