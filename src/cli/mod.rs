//! The command line: reads arguments once into a decided configuration and runs one command.
//!
//! Owns `--help`, where output goes, and exit codes. Results go to stdout, progress and messages to stderr.

mod close;
mod completions;
mod debrief;
pub mod devices;
mod engine;
mod enrol;
mod hear;
mod keeping;
mod ledger;
mod lint;
mod new;
mod play;
mod posts;
mod practice;
mod print;
mod progress;
mod rehearse;
mod relisten;
mod run;
mod schema;
mod session;
mod soundcheck;
mod trends;
pub mod verify;
mod who_spoke;
mod why;

use crate::failure::{ExitCode, Failure};
use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};
use std::path::PathBuf;

/// Runs a two-person safety procedure by voice: speaks each step, listens offline for the worker's read-back and the
/// observer's confirmation, moves on only when both are right, and keeps a record.
///
/// A training aid. Local protocol, the equipment makers' instructions and licensed practice come first; it supports a
/// trained observer and never replaces one.
#[derive(Debug, Parser)]
#[command(name = "antiphon", version, after_help = AFTER)]
struct Args {
    #[command(subcommand)]
    command: Command,
}

const AFTER: &str = "Examples:
  antiphon rehearse procedures/isolation-donning.toml         a whole session with stand-in people, in seconds
  antiphon rehearse procedures/isolation-donning.toml --aloud the same through the loudspeakers
  antiphon lint procedures/isolation-donning.toml             can its phrases be told apart?
  antiphon devices                                            microphones, loudspeakers, voices
  antiphon soundcheck procedures/isolation-donning.toml       can everybody be heard? before a session
  antiphon run procedures/isolation-donning.toml              live, one shared microphone
  antiphon practice procedures/isolation-donning.toml --as worker   alone, the tool plays the observer
  antiphon verify ~/.local/share/antiphon/sessions/NAME       is the record whole and unaltered?
  antiphon verify --ledger                                    are all sessions there, and as they were?
  antiphon debrief ~/.local/share/antiphon/sessions/NAME      the session as a page with its sound

Set NO_COLOR to have no colours.";

#[derive(Debug, Subcommand)]
enum Command {
    /// Run a session with real people, live or from recordings
    Run(run::RunArgs),
    /// Check microphones, room, loudspeaker and voices before a session
    Soundcheck(soundcheck::SoundcheckArgs),
    /// Run a session with stand-in people: a demonstration, a test of a procedure
    Rehearse(rehearse::RehearseArgs),
    /// Practise alone: the tool plays the other person, errs on purpose, and tells at the end how it went
    Practice(practice::PracticeArgs),
    /// Start a procedure: asks a few questions and writes the file
    New(new::NewArgs),
    /// Proof procedures: structure, and phrases that can be mistaken by ear
    Lint(lint::LintArgs),
    /// Print a procedure on paper, with boxes for times and initials
    Print(print::PrintArgs),
    /// Hear single utterances from WAV files against a list of phrases
    Hear(hear::HearArgs),
    /// List microphones, loudspeakers and voices
    Devices {
        /// One JSON object on stdout
        #[arg(long)]
        json: bool,
    },
    /// Check that a session's record is whole and unaltered
    #[command(after_help = "Examples:
  antiphon verify ~/.local/share/antiphon/sessions/20261124T231500Z-isolation-donning
  antiphon verify SESSION --digest 5f2c...   also compare with a digest noted elsewhere
  antiphon verify SESSION --public-key unit.pem.pub   it must be signed with this key
  antiphon verify --ledger                 every session against the ledger of their folder
  antiphon verify --ledger /data/sessions --digest 77aa...   and the ledger against a head noted elsewhere")]
    Verify {
        /// The session's folder; with --ledger the folder of sessions (default: $XDG_DATA_HOME/antiphon/sessions)
        #[arg(required_unless_present = "ledger")]
        session: Option<PathBuf>,
        /// Check all sessions against the ledger of their folder: none deleted, swapped, altered or put in
        #[arg(long)]
        ledger: bool,
        /// The journal's last digest as it was noted elsewhere when the session ended; with --ledger, the ledger's head
        #[arg(long, value_name = "SHA256")]
        digest: Option<String>,
        /// The record must be signed with the key whose public part this is (see `sign`)
        #[arg(long, value_name = "FILE")]
        public_key: Option<PathBuf>,
        /// One JSON object on stdout
        #[arg(long)]
        json: bool,
    },
    /// Show the head of the ledger of all sessions, to be noted elsewhere
    Ledger(ledger::LedgerArgs),
    /// Play a session through the loudspeaker, with a timeline in the terminal
    Play(play::PlayArgs),
    /// Hear recorded sessions again with today's listening, and compare the verdicts
    Relisten(relisten::RelistenArgs),
    /// Tell whether two people spoke in a session, or one in both parts: a hint to listen
    WhoSpoke(who_spoke::WhoSpokeArgs),
    /// Tell why each answer of a session counted or not: what was measured, and what was needed
    Why(why::WhyArgs),
    /// Compare many sessions: times, stumbles, training due
    Trends(trends::TrendsArgs),
    /// Sign a session's last digest, or make a key to sign with
    Sign(keeping::SignArgs),
    /// Close the record of a session that was cut off, so that it can be signed
    Close(close::CloseArgs),
    /// Take one person's sound and name out of a record
    Redact(keeping::RedactArgs),
    /// Delete a person's kept voice, or list whose are kept
    Forget(enrol::ForgetArgs),
    /// Delete sound and journal of old sessions; summaries are kept
    Prune(keeping::PruneArgs),
    /// Write a session's debrief: a page to look at together, with its sound, captions and tables
    Debrief(debrief::DebriefArgs),
    /// Print the JSON Schema of procedure files
    #[command(after_help = "Examples:
  antiphon schema > procedure.schema.json
A procedure names it in its first line, for editors that complete and check while you type:
  #:schema procedure.schema.json")]
    Schema,
    /// Write a completion script for a shell to stdout
    Completions {
        /// bash, zsh, fish, elvish or powershell
        shell: clap_complete::Shell,
    },
}

/// A line on stdout. Whoever reads it may have seen enough (`| head`): no reason to fail, nor to end a session.
pub(crate) fn say(text: &str) {
    use std::io::Write;
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{text}").and_then(|()| out.flush());
}

/// A line on stderr, in the same way.
pub(crate) fn tell(text: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}

/// Entry point of the program.
pub fn main() -> std::process::ExitCode {
    if let Err(failure) = heed_file_limits() {
        tell(&format!("antiphon: {failure}"));
    }
    let matches = command().get_matches();
    let code = match Args::from_arg_matches(&matches) {
        Ok(args) => match dispatch(args.command) {
            Ok(code) => code,
            Err(failure) => {
                tell(&format!("antiphon: {failure}"));
                failure.code
            }
        },
        Err(error) => error.exit(),
    };
    std::process::ExitCode::from(code as u8)
}

/// A file that may grow no further (`ulimit -f`) is a failed write, as on a full disk, and no reason for the system to end the
/// program: it does so unless somebody takes its signal.
fn heed_file_limits() -> Result<(), Failure> {
    let nobody_looks = std::sync::Arc::default();
    signal_hook::flag::register(signal_hook::consts::SIGXFSZ, nobody_looks)
        .map(|_| ())
        .map_err(|error| Failure::new(ExitCode::Internal, "can't watch for signals").why(error))
}

/// The command line with the table of exit codes under its help.
fn command() -> clap::Command {
    let codes: Vec<String> =
        ExitCode::TABLE.iter().map(|(code, words)| format!("  {:>2}  {words}", *code as i32)).collect();
    Args::command().after_long_help(format!("{AFTER}\n\nExit codes:\n{}", codes.join("\n")))
}

fn dispatch(command: Command) -> Result<ExitCode, Failure> {
    match command {
        Command::Run(args) => run::run(args),
        Command::Soundcheck(args) => soundcheck::run(args),
        Command::Rehearse(args) => rehearse::run(args),
        Command::Practice(args) => practice::run(&args),
        Command::New(args) => new::run(args),
        Command::Lint(args) => lint::run(args),
        Command::Print(args) => print::run(args),
        Command::Hear(args) => hear::run(args),
        Command::Devices { json } => devices::run(json),
        Command::Verify { session, ledger, digest, public_key, json } => {
            let (noted, key) = (digest.as_deref(), public_key.as_deref());
            match session {
                Some(session) if !ledger => verify::run_signed(&session, json, noted, key),
                folder => ledger::verify(folder.as_deref(), json, noted, key),
            }
        }
        Command::Ledger(args) => ledger::run(&args),
        Command::Play(args) => play::run(&args),
        Command::Relisten(args) => relisten::run(&args),
        Command::WhoSpoke(args) => who_spoke::run(&args),
        Command::Why(args) => why::run(&args),
        Command::Trends(args) => trends::run(&args),
        Command::Sign(args) => keeping::run_sign(&args),
        Command::Close(args) => close::run(&args),
        Command::Redact(args) => keeping::run_redact(&args),
        Command::Forget(args) => enrol::run_forget(&args),
        Command::Prune(args) => keeping::run_prune(&args),
        Command::Debrief(args) => debrief::run(args),
        Command::Schema => schema::run(),
        Command::Completions { shell } => completions::run(shell, &mut self::command()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        command().debug_assert();
    }

    #[test]
    fn the_long_help_lists_every_exit_code() {
        let help = command().render_long_help().to_string();
        for (code, words) in ExitCode::TABLE {
            assert!(help.contains(&format!("{:>2}  {words}", *code as i32)), "{words}");
        }
    }
}
