//! `redact`, `prune` and `sign`: what happens to records after their sessions.

use super::{ledger, say, tell};
use crate::conduct::enrol;
use crate::failure::{ExitCode, Failure};
use crate::files;
use crate::record::ledger::{entry_of, Entry, Kind, Ledger};
use crate::record::prune::{find, prune};
use crate::record::redact::{redact, Refused};
use crate::record::sign::BadKey;
use crate::record::verify::{verify, State};
use crate::record::{sign, SessionFolder};
use crate::screen::text::clean;
use crate::who::kept;
use chrono::TimeDelta;
use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
#[command(
    after_help = "The chain is made anew, with a line that says what was done: the digest noted when the session ended no longer
fits, and the new one is shown. Debriefs in the folder, a practice's score and a signature are deleted, and so is the voice
that is kept under the removed id, if one is. There is no way back.

Examples:
  antiphon redact SESSION --who worker
  antiphon redact SESSION --who room       one shared microphone: both people's sound"
)]
pub struct RedactArgs {
    /// The session's folder
    session: PathBuf,
    /// The post whose person is taken out: worker, observer or room
    #[arg(long, value_name = "POST")]
    who: String,
    /// Don't ask
    #[arg(long)]
    yes: bool,
}

pub fn run_redact(args: &RedactArgs) -> Result<ExitCode, Failure> {
    if !args.yes
        && !confirmed(&format!("Silence the {}'s sound in {} for ever?", args.who, args.session.display()))?
    {
        say("Nothing was changed.");
        return Ok(ExitCode::Done);
    }
    let now = chrono::Local::now().fixed_offset();
    let done = redact(&args.session, &args.who, now).map_err(|refused| match refused {
        Refused::Record(error) => error.into(),
        Refused::Altered => Failure::new(
            ExitCode::Tampered,
            format!("{}: was altered, and is not redacted", args.session.display()),
        )
        .why("its chain would be made anew, and it would look whole")
        .fix("see what `antiphon verify` says; delete the folder when nobody needs it"),
        Refused::NoSuchPost(posts) => {
            Failure::new(ExitCode::Usage, format!("--who {}: nobody was listened to there", args.who))
                .fix(format!("this session's posts: {}", posts.join(", ")))
        }
    })?;
    if let Some(post) = &done.finished {
        say(&format!("an earlier redaction, of the {post}, had been cut off: it was finished first"));
    }
    say(&format!("{:.1} s of the {}'s sound are silence now", done.seconds, args.who));
    say(if done.name.is_some() { "their name was removed" } else { "the record had no name to remove" });
    if let Some(name) = &done.name {
        if kept::forget(&enrol::folder()?, name)? {
            say(&format!("their kept voice was deleted too: {name}"));
        }
    }
    for path in &done.deleted {
        say(&format!("deleted: {}", path.display()));
    }
    say(&format!("digest: {}", done.digest));
    for left in &done.left_behind {
        tell(&format!(
            "caution: '{}', from where this record was moved when it was damaged, may have their sound too: delete it",
            clean(left)
        ));
    }
    tell("caution: another microphone may have heard them too; listen to the other tracks.");
    Ok(ExitCode::Done)
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Deletes sound, journal and everything else but summary.json, after asking. Sessions without a summary (cut off)
are left alone and named.

Examples:
  antiphon prune --older-than 90d
  antiphon prune /data/sessions --older-than 2y --yes"
)]
pub struct PruneArgs {
    /// The folder of sessions (default: $XDG_DATA_HOME/antiphon/sessions)
    folder: Option<PathBuf>,
    /// Age since a session's end: a number and d (days), w (weeks) or y (years of 365 days)
    #[arg(long, value_name = "AGE", value_parser = age)]
    older_than: TimeDelta,
    /// Don't ask
    #[arg(long)]
    yes: bool,
}

fn age(text: &str) -> Result<TimeDelta, String> {
    let wrong = || "write a number and d, w or y, for example 90d".to_string();
    let unit = text.chars().last().ok_or_else(wrong)?;
    let days: i64 = match unit {
        'd' => 1,
        'w' => 7,
        'y' => 365,
        _ => return Err(wrong()),
    };
    let count: u32 = text[..text.len() - 1].parse().map_err(|_| wrong())?;
    TimeDelta::try_days(days * i64::from(count)).ok_or_else(wrong)
}

pub fn run_prune(args: &PruneArgs) -> Result<ExitCode, Failure> {
    let root = match &args.folder {
        Some(folder) => folder.clone(),
        None => SessionFolder::default_root()?,
    };
    let now = chrono::Local::now().fixed_offset();
    let found = find(&root, now, args.older_than)?;
    for folder in &found.without_summary {
        tell(&format!("left alone, it has no summary: {}", folder.display()));
    }
    for error in found.unreadable {
        let failure = Failure::from(error);
        tell(&format!("left alone, its summary can't be read: {}", failure.reason()));
    }
    if found.old.is_empty() {
        say("No session is that old.");
        return Ok(ExitCode::Done);
    }
    for old in &found.old {
        say(&format!("{:>8.1} MB  {}", old.bytes as f64 / 1e6, old.folder.display()));
    }
    let bytes: u64 = found.old.iter().map(|old| old.bytes).sum();
    let question = format!(
        "Delete sound and journal of {} session{} ({:.1} MB) for ever? Summaries are kept.",
        found.old.len(),
        if found.old.len() == 1 { "" } else { "s" },
        bytes as f64 / 1e6
    );
    if !args.yes && !confirmed(&question)? {
        say("Nothing was deleted.");
        return Ok(ExitCode::Done);
    }
    for old in &found.old {
        prune(old, now)?;
    }
    say(&format!("{} deleted, summaries kept", found.old.len()));
    Ok(ExitCode::Done)
}

/// Asks at the terminal. Without one nobody can answer, and that is no yes.
pub(super) fn confirmed(question: &str) -> Result<bool, Failure> {
    let input = std::io::stdin();
    if !input.is_terminal() {
        return Err(Failure::new(ExitCode::Usage, "nobody is at the terminal to be asked")
            .fix("run it in a terminal, or add --yes"));
    }
    let mut out = std::io::stderr().lock();
    let _ = write!(out, "{question} Type yes: ").and_then(|()| out.flush());
    let mut answer = String::new();
    let read = input.lock().read_line(&mut answer);
    Ok(read.is_ok() && answer.trim() == "yes")
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "A signature shows that whoever holds the key had this very record. The key is Ed25519 in PKCS#8 PEM, as
`openssl genpkey -algorithm ed25519` makes it too. Keep it away from the machine that records.

Examples:
  antiphon sign --new-key unit.pem             makes unit.pem and unit.pem.pub
  antiphon sign SESSION --key unit.pem
  antiphon sign --ledger --key unit.pem        the ledger of all sessions, up to now
  antiphon verify SESSION --public-key unit.pem.pub"
)]
pub struct SignArgs {
    /// The session's folder; with --ledger the folder of sessions (default: $XDG_DATA_HOME/antiphon/sessions)
    #[arg(required_unless_present_any = ["new_key", "ledger"], requires = "key")]
    session: Option<PathBuf>,
    /// Sign the head of the ledger of sessions
    #[arg(long, requires = "key")]
    ledger: bool,
    /// The private key
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// Make a key pair: FILE and FILE.pub
    #[arg(long, value_name = "FILE", exclusive = true)]
    new_key: Option<PathBuf>,
}

pub fn run_sign(args: &SignArgs) -> Result<ExitCode, Failure> {
    if let Some(path) = &args.new_key {
        return make_key(path);
    }
    if let (true, Some(key)) = (args.ledger, &args.key) {
        return ledger::sign_head(args.session.as_deref(), key);
    }
    let (Some(folder), Some(path)) = (&args.session, &args.key) else {
        return Err(Failure::new(ExitCode::Usage, "a session and --key are needed"));
    };
    let key = sign::read_key(path).map_err(|why| bad_key(path, why))?;
    let verified = verify(folder)?;
    let digest = match (verified.state, &verified.digest) {
        (State::Sound, Some(digest)) => digest,
        (State::Sound | State::CutOff, _) => {
            return Err(Failure::new(ExitCode::CutOff, format!("{}: has no end to sign", folder.display()))
                .why("the record is cut off")
                .fix("`antiphon close` closes it, and says that it did"))
        }
        (State::Altered, _) => {
            return Err(Failure::new(
                ExitCode::Tampered,
                format!("{}: was altered, and is not signed", folder.display()),
            )
            .fix("see what `antiphon verify` says"))
        }
    };
    let inside = |why: String| Failure::new(ExitCode::Internal, "can't sign").why(why);
    sign::write(folder, &sign::sign(digest, &key).map_err(inside)?)?;
    let name = sign::short_name(&key.verifying_key());
    if let Some(mut ledger) = Ledger::of_session(folder)? {
        let entry = Entry { key: Some(name), ..entry_of(folder) };
        ledger.enter(chrono::Local::now().fixed_offset(), Kind::Signed, &entry)?;
    }
    say(&format!("signed {digest} with key {}", sign::short_name(&key.verifying_key())));
    Ok(ExitCode::Done)
}

fn make_key(path: &Path) -> Result<ExitCode, Failure> {
    if path.exists() {
        return Err(Failure::new(ExitCode::Usage, format!("{}: exists already", path.display()))
            .why("what was signed with a key can't be checked without it")
            .fix("give another name"));
    }
    let key = sign::new_key();
    sign::write_key(&key, path).map_err(|why| {
        Failure::new(ExitCode::BadFolder, format!("{}: can't write the key", path.display())).why(why)
    })?;
    say(&format!(
        "key {} in {}, its public part in {}.pub",
        sign::short_name(&key.verifying_key()),
        path.display(),
        path.display()
    ));
    Ok(ExitCode::Done)
}

pub(super) fn bad_key(path: &Path, why: BadKey) -> Failure {
    let failure = |what: &str| Failure::new(ExitCode::Usage, format!("{}: {what}", path.display()));
    match why {
        BadKey::Unreadable(error) => failure("the key can't be read").fix(files::remedy(&error)).why(error),
        BadKey::NoKey(why) => failure("no key").why(why).fix("make one with `antiphon sign --new-key FILE`"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_age_is_a_number_and_a_unit() {
        assert_eq!(age("90d").unwrap(), TimeDelta::days(90));
        assert_eq!(age("2w").unwrap(), TimeDelta::days(14));
        assert_eq!(age("1y").unwrap(), TimeDelta::days(365));
        for wrong in ["", "d", "90", "-1d", "1m", "9 d", "99999999999d", "1\u{e4}"] {
            assert!(age(wrong).is_err(), "{wrong:?}");
        }
    }
}
