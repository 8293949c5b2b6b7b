//! The one error that reaches the user, and the exit code that goes with it.
//!
//! Owns the table of exit codes; must not know what any module does. Every module has its own error type for what a
//! caller may want to tell apart; at the edge each becomes a `Failure`: what happened, where, why, and what to do.

use std::fmt;

/// Exit codes of the program, documented in `antiphon --help` and README. Keep the three in step (a test checks).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExitCode {
    /// Everything asked for was done; a session ran to its last step.
    Done = 0,
    /// Something failed that is not the user's input (a bug, a full disk, an engine that returned an error).
    Internal = 1,
    /// The command line is wrong (clap's own code).
    Usage = 2,
    /// A procedure, phrase list or script file is wrong; the message has file:line.
    BadProcedure = 3,
    /// An audio file can't be used.
    BadAudio = 4,
    /// No microphone, no loudspeaker, no sound server, or no voice.
    NoDevice = 5,
    /// A library or model is missing; the message says how to get it.
    MissingModel = 6,
    /// The session folder can't be used: exists already, read-only, full.
    BadFolder = 7,
    /// The session ended before its last step (stopped, left on hold, input ended, interrupted), or `soundcheck`
    /// found something to change first, `relisten` a verdict that differs, `who-spoke` a step to listen to.
    NotCompleted = 8,
    /// `verify`, or a session at its end, found a record that was altered.
    Tampered = 9,
    /// `verify`, or a session at its end, found a record that is cut off but otherwise sound.
    CutOff = 10,
}

impl ExitCode {
    /// Every code with its one-line meaning, in order; `--help` prints this table.
    pub const TABLE: &'static [(ExitCode, &'static str)] = &[
        (ExitCode::Done, "done; a session ran to its last step"),
        (ExitCode::Internal, "something failed inside or on the machine"),
        (ExitCode::Usage, "the command line is wrong"),
        (
            ExitCode::BadProcedure,
            "a procedure, phrase list or script file is wrong; lint: something to change",
        ),
        (ExitCode::BadAudio, "an audio file can't be used"),
        (ExitCode::NoDevice, "no microphone, loudspeaker or voice"),
        (ExitCode::MissingModel, "a library or model is missing"),
        (ExitCode::BadFolder, "the session folder can't be used"),
        (
            ExitCode::NotCompleted,
            "the session ended early; soundcheck: not ready; relisten: a difference; who-spoke: listen",
        ),
        (ExitCode::Tampered, "the record was altered (verify), or harmed while its session ran"),
        (ExitCode::CutOff, "the record is cut off but otherwise sound (verify, or at a session's end)"),
    ];
}

/// A failure as the user reads it: `error: WHAT`, an optional `why:` and an optional `do:` line.
#[derive(Debug)]
pub struct Failure {
    pub code: ExitCode,
    /// What failed and where (`file:line: ...` where there is a line).
    pub what: String,
    /// Why, when `what` does not say it already.
    pub why: Option<String>,
    /// What the user can do about it.
    pub fix: Option<String>,
}

impl Failure {
    /// What and why on one line, for a result that has room for one.
    pub fn reason(&self) -> String {
        match &self.why {
            Some(why) => format!("{}: {why}", self.what),
            None => self.what.clone(),
        }
    }

    pub fn new(code: ExitCode, what: impl Into<String>) -> Self {
        Failure { code, what: what.into(), why: None, fix: None }
    }
    pub fn why(mut self, why: impl fmt::Display) -> Self {
        self.why = Some(why.to_string());
        self
    }
    pub fn fix(mut self, fix: impl Into<String>) -> Self {
        self.fix = Some(fix.into());
        self
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.what)?;
        if let Some(why) = &self.why {
            write!(f, "\n  why: {why}")?;
        }
        if let Some(fix) = &self.fix {
            write!(f, "\n  do:  {fix}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Failure {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_lists_every_code_once_in_order() {
        let codes: Vec<i32> = ExitCode::TABLE.iter().map(|(code, _)| *code as i32).collect();
        assert_eq!(codes, (0..=10).collect::<Vec<_>>());
    }

    #[test]
    fn a_failure_reads_what_why_do() {
        let failure = Failure::new(ExitCode::BadAudio, "a.wav: empty").why("0 samples").fix("record again");
        assert_eq!(failure.to_string(), "a.wav: empty\n  why: 0 samples\n  do:  record again");
    }
}
