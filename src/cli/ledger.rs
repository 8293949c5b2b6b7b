//! `ledger`, `verify --ledger` and `sign --ledger`: the chain of all sessions in a folder.
//!
//! Owns the wording and the exit codes; must not judge anything itself.

use super::verify::finding_line;
use super::{keeping, say};
use crate::failure::{ExitCode, Failure};
use crate::record::ledger::check::{check, Finding, Report};
use crate::record::ledger::Ledger;
use crate::record::verify::{State, SHORTEST_NOTE};
use crate::record::{sign, SessionFolder};
use chrono::{DateTime, FixedOffset};
use qrcode::render::unicode::Dense1x2;
use qrcode::QrCode;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
#[command(
    after_help = "The ledger holds the digest of every session in a folder at its start and its end. Whoever noted its head can show
later that no session before it was deleted, swapped or altered.

Examples:
  antiphon ledger                          the head, to be noted elsewhere: on paper, or with a telephone's camera
  antiphon verify --ledger                 every session against the ledger
  antiphon verify --ledger --digest HEAD   and the ledger against a head that was noted
  antiphon sign --ledger --key unit.pem    signs the head"
)]
pub struct LedgerArgs {
    /// The folder of sessions (default: $XDG_DATA_HOME/antiphon/sessions)
    folder: Option<PathBuf>,
    /// Without the QR code
    #[arg(long)]
    no_qr: bool,
    /// One JSON object on stdout
    #[arg(long, conflicts_with = "no_qr")]
    json: bool,
}

fn root(folder: Option<&Path>) -> Result<PathBuf, Failure> {
    match folder {
        Some(folder) => Ok(folder.to_owned()),
        None => Ok(SessionFolder::default_root()?),
    }
}

/// The ledger in a folder, open.
fn open(root: &Path) -> Result<Ledger, Failure> {
    Ledger::open(root)?.ok_or_else(|| {
        Failure::new(ExitCode::BadFolder, format!("{}: no ledger of sessions here", root.display()))
            .why("it begins with the next session that is recorded there")
            .fix("give the folder that holds the sessions")
    })
}

pub fn run(args: &LedgerArgs) -> Result<ExitCode, Failure> {
    let root = root(args.folder.as_deref())?;
    let ledger = open(&root)?;
    let (entries, head) = ledger.head();
    if args.json {
        say(&serde_json::json!({ "folder": root, "entries": entries, "head": head }).to_string());
        return Ok(ExitCode::Done);
    }
    say(&format!("ledger   {}", root.display()));
    say(&format!("entries  {entries}"));
    say(&format!("head     {head}"));
    if !args.no_qr {
        say(&qr(head)?);
    }
    Ok(ExitCode::Done)
}

/// The digest for a camera. Capitals take less room, and `verify` takes either.
fn qr(head: &str) -> Result<String, Failure> {
    let code = QrCode::new(head.to_uppercase())
        .map_err(|error| Failure::new(ExitCode::Internal, "can't make the QR code").why(error))?;
    // On a dark terminal what is drawn is light: the background is drawn, and the code's dark is left out.
    Ok(code.render::<Dense1x2>().dark_color(Dense1x2::Light).light_color(Dense1x2::Dark).build())
}

/// Checks a folder of sessions against its ledger, and the ledger against a noted head and a key.
pub fn verify(
    folder: Option<&Path>,
    json: bool,
    noted: Option<&str>,
    key: Option<&Path>,
) -> Result<ExitCode, Failure> {
    let root = root(folder)?;
    if let Some(short) = noted.map(str::trim).filter(|noted| noted.len() < SHORTEST_NOTE) {
        return Err(Failure::new(
            ExitCode::Usage,
            format!("--digest {short:?} is too short to prove anything"),
        )
        .fix(format!("give at least the first {SHORTEST_NOTE} digits of the head noted")));
    }
    let read = |path| sign::read_public_key(path).map_err(|why| keeping::bad_key(path, why));
    let key = key.map(read).transpose()?;
    let mut report = match check(&root) {
        Err(error) if noted.is_some() || key.is_some() => {
            let failure = Failure::from(error);
            // Somebody noted or signed one: that there is none now is what was looked for.
            let code = if root.is_dir() { ExitCode::Tampered } else { failure.code };
            return Err(Failure { code, ..failure });
        }
        report => report?,
    };
    if let Some(noted) = noted {
        report.compare_with(noted);
    }
    report.require_signature(key.as_ref());
    if json {
        let text = serde_json::to_string_pretty(&report)
            .map_err(|error| Failure::new(ExitCode::Internal, "can't print the report").why(error))?;
        say(&text);
    } else {
        say(&as_text(&report, noted.is_some() || key.is_some()));
    }
    Ok(super::verify::exit_code(report.state))
}

fn as_text(report: &Report, compared: bool) -> String {
    let state = match report.state {
        State::Sound => "SOUND: every session that was entered is there, and as it was",
        State::CutOff => "CUT OFF: a session stops early; what there is is as it was",
        State::Altered => "ALTERED: a session or the ledger was changed, or is gone",
    };
    let date = |at: Option<DateTime<FixedOffset>>| at.map_or_else(String::new, |at| at.to_rfc3339());
    let mut text = format!("ledger   {}\nstate    {state}\n", report.folder.display());
    text.push_str(&format!("entries  {}, of {} sessions\n", report.entries, report.sessions));
    text.push_str(&format!("from     {}\nto       {}\n", date(report.first), date(report.last)));
    if let Some(head) = &report.head {
        text.push_str(&format!("head     {head}\n"));
    }
    if !report.findings.is_empty() {
        text.push_str("\nfindings\n");
        report.findings.iter().for_each(|one| text.push_str(&finding(one)));
    }
    if report.state == State::Sound && !compared {
        text.push_str("\nOnly the head, noted elsewhere, or a signature shows that the ledger itself was not written anew.\n");
    }
    text.pop();
    text
}

fn finding(finding: &Finding) -> String {
    let entry = finding.line.map(|line| format!("entry {line}")).unwrap_or_default();
    let place = match (&finding.session, entry.is_empty()) {
        (Some(session), true) => session.clone(),
        (Some(session), false) => format!("{session} ({entry})"),
        (None, true) => "the ledger".to_owned(),
        (None, false) => format!("the ledger, {entry}"),
    };
    finding_line(finding.weight, &place, &finding.what)
}

/// Signs the head of the ledger in a folder, unless something is wrong with it.
pub fn sign_head(folder: Option<&Path>, key: &Path) -> Result<ExitCode, Failure> {
    let root = root(folder)?;
    let path = key;
    let key = sign::read_key(path).map_err(|why| keeping::bad_key(path, why))?;
    let report = check(&root)?;
    if report.state == State::Altered {
        return Err(Failure::new(
            ExitCode::Tampered,
            format!(
                "{}: the ledger and its sessions don't go together, and it is not signed",
                root.display()
            ),
        )
        .fix("see what `antiphon verify --ledger` says"));
    }
    let head = report.head.unwrap_or_default();
    let inside = |why: String| Failure::new(ExitCode::Internal, "can't sign").why(why);
    sign::write_ledger(&root, &sign::sign(&head, &key).map_err(inside)?)?;
    say(&format!("signed {head} with key {}", sign::short_name(&key.verifying_key())));
    Ok(ExitCode::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Another implementation reads what the terminal shows, as a camera would.
    #[test]
    fn the_qr_code_is_read_back_by_another_program() {
        let head = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let shown = qr(head).unwrap();
        let rows: Vec<Vec<char>> = shown.lines().map(|line| line.chars().collect()).collect();
        let (width, height) = (rows[0].len(), 2 * rows.len());
        assert!(width <= 79 && rows.iter().all(|row| row.len() == width), "{width}");
        const DOT: usize = 4;
        let light = |x: usize, y: usize| match (rows[y / 2][x], y % 2) {
            ('\u{2588}', _) | ('\u{2580}', 0) | ('\u{2584}', 1) => 255,
            _ => 0,
        };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(width * DOT, height * DOT, |x, y| {
            light(x / DOT, y / DOT)
        });
        let (_, text) = image.detect_grids()[0].decode().unwrap();
        assert_eq!(text.to_lowercase(), head);
    }
}
