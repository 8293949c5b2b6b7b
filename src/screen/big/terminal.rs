//! Taking the terminal and giving it back: alternate screen, cursor, keys, and what others write to stderr.
//!
//! Owns the promise that the terminal is as it was after `leave`, which also runs before a panic is reported. Must not
//! know what is drawn.
//!
//! No raw mode: Ctrl-C must still end the session. But typed keys must not be echoed into the picture, and no key may
//! stop the program: Ctrl-S would block the next drawing, Ctrl-Z would leave two people without the tool in mid-step.

use crossbeam_channel::{never, unbounded, Receiver};
use crossterm::cursor::{Hide, Show};
use crossterm::execute;
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen};
use rustix::termios::{
    tcflush, tcgetattr, tcsetattr, InputModes, LocalModes, OptionalActions, QueueSelector, SpecialCodeIndex,
    Termios,
};
use std::io::{self, BufRead, BufReader, IsTerminal};
use std::os::fd::OwnedFd;
use std::sync::{Mutex, Once, PoisonError};
use std::time::{Duration, Instant};

/// The value of a special character that no key sends (POSIX `_POSIX_VDISABLE`).
const NO_KEY: u8 = if cfg!(target_os = "linux") { 0 } else { 0xff };

/// What is needed to give the terminal back.
struct Taken {
    modes: Termios,
    stderr: Option<OwnedFd>,
}

/// Global, because the panic hook has to reach it.
static TAKEN: Mutex<Option<Taken>> = Mutex::new(None);
static HOOK: Once = Once::new();

/// Takes the terminal on stdout. What anything writes to stderr meanwhile, where that is the terminal too, arrives line
/// by line in the channel instead of in the picture.
pub fn enter() -> io::Result<Receiver<String>> {
    let stdout = io::stdout();
    if !stdout.is_terminal() {
        return Err(io::Error::other("stdout is not a terminal"));
    }
    if std::env::var("TERM").is_ok_and(|term| term == "dumb") {
        return Err(io::Error::other("the terminal can't place a cursor (TERM=dumb)"));
    }
    let modes = tcgetattr(&stdout)?;
    // Everything that may fail without a trace comes first.
    let (saved, lines) = if io::stderr().is_terminal() {
        let (saved, lines) = catch_stderr()?;
        (Some(saved), lines)
    } else {
        (None, never())
    };
    *taken() = Some(Taken { modes: modes.clone(), stderr: saved });
    HOOK.call_once(|| {
        let report = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            leave();
            report(info);
        }));
    });
    let entered = tcsetattr(&stdout, OptionalActions::Now, &quiet(modes))
        .map_err(io::Error::from)
        .and_then(|()| execute!(io::stdout(), EnterAlternateScreen, Hide));
    match entered {
        Ok(()) => Ok(lines),
        Err(error) => {
            leave();
            Err(error)
        }
    }
}

/// Whether the terminal is still ours; a panic of another thread gives it back.
pub fn is_taken() -> bool {
    taken().is_some()
}

/// Gives the terminal back, once.
pub fn leave() {
    let Some(was) = taken().take() else { return };
    // A terminal that is gone can't be restored and has nobody in front of it: there is nothing to do about an error.
    let _ = execute!(io::stdout(), LeaveAlternateScreen, Show);
    // Keys typed at the picture were not meant for the shell.
    let _ = tcflush(io::stdout(), QueueSelector::IFlush);
    let _ = tcsetattr(io::stdout(), OptionalActions::Now, &was.modes);
    if let Some(stderr) = was.stderr {
        let _ = rustix::stdio::dup2_stderr(&stderr);
    }
}

/// What is left of stderr's lines after `leave`. A child process may hold the pipe open, so there is a limit.
pub fn last_lines(lines: &Receiver<String>) -> Vec<String> {
    let until = Instant::now() + Duration::from_millis(50);
    std::iter::from_fn(|| lines.recv_deadline(until).ok()).collect()
}

fn taken() -> std::sync::MutexGuard<'static, Option<Taken>> {
    // The value is whole even if a thread died with the lock: it is only ever put in or taken out.
    TAKEN.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The same modes without echo, line editing, and keys that stop the output, the program, or dump it.
fn quiet(mut modes: Termios) -> Termios {
    modes.local_modes &= !(LocalModes::ECHO | LocalModes::ECHONL | LocalModes::ICANON);
    modes.input_modes &= !InputModes::IXON;
    for key in [SpecialCodeIndex::VSUSP, SpecialCodeIndex::VQUIT] {
        modes.special_codes[key] = NO_KEY;
    }
    modes
}

/// Puts a pipe in stderr's place; a thread reads it for as long as anybody can write to it.
fn catch_stderr() -> io::Result<(OwnedFd, Receiver<String>)> {
    let saved = rustix::io::fcntl_dupfd_cloexec(io::stderr(), 3)?;
    let (read, write) = io::pipe()?;
    let (send, lines) = unbounded();
    std::thread::Builder::new().name("stderr".into()).spawn(move || {
        for line in BufReader::new(read).split(b'\n') {
            let Ok(line) = line else { break };
            // An error means that nobody reads any more; the pipe is emptied all the same, because a full one would
            // stop whoever writes to stderr, the audio threads among them.
            let _ = send.send(String::from_utf8_lossy(&line).into_owned());
        }
    })?;
    rustix::stdio::dup2_stderr(&write)?;
    Ok((saved, lines))
}

// Linux has the one way to open the other end of a pseudo-terminal that needs no path.
#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use rustix::pty::{grantpt, ioctl_tiocgptpeer, openpt, unlockpt, OpenptFlags};
    use std::io::Read;
    use std::process::{Command, Stdio};

    /// Runs one of the ignored tests below in a pseudo-terminal; what it wrote there, and whether the modes are as
    /// they were.
    fn in_a_terminal(test: &str) -> (String, bool) {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let ours = openpt(flags).unwrap();
        grantpt(&ours).unwrap();
        unlockpt(&ours).unwrap();
        let theirs = ioctl_tiocgptpeer(&ours, flags).unwrap();
        let before = tcgetattr(&theirs).unwrap();
        let end = || Stdio::from(theirs.try_clone().unwrap());
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([&format!("screen::big::terminal::tests::{test}"), "--exact", "--ignored", "--nocapture"])
            .env("TERM", "xterm-256color")
            .env_remove("RUST_BACKTRACE")
            .stdin(end())
            .stdout(end())
            .stderr(end())
            .spawn()
            .unwrap();
        let reader = std::thread::spawn(move || {
            let mut written = Vec::new();
            let mut ours = std::fs::File::from(ours);
            let mut piece = [0; 4096];
            // Reading fails (EIO) when the last of their ends is closed.
            while let Ok(count) = ours.read(&mut piece) {
                written.extend_from_slice(&piece[..count]);
            }
            String::from_utf8_lossy(&written).into_owned()
        });
        child.wait().unwrap();
        let after = tcgetattr(&theirs).unwrap();
        drop(theirs);
        let same = (before.local_modes, before.input_modes) == (after.local_modes, after.input_modes)
            && format!("{:?}", before.special_codes) == format!("{:?}", after.special_codes);
        (reader.join().unwrap(), same)
    }

    const ENTER: &str = "\u{1b}[?1049h";
    const LEAVE: &str = "\u{1b}[?1049l";

    #[test]
    #[ignore = "run by the tests below, in a terminal of its own"]
    fn inside_a_panic() {
        let _lines = enter().unwrap();
        eprintln!("noise of a library");
        panic!("the roof is on fire");
    }

    #[test]
    #[ignore = "run by the tests below, in a terminal of its own"]
    fn inside_a_session() {
        let lines = enter().unwrap();
        assert!(is_taken());
        let modes = tcgetattr(io::stdout()).unwrap();
        assert!(!modes.local_modes.contains(LocalModes::ECHO), "keys are echoed");
        assert!(modes.local_modes.contains(LocalModes::ISIG), "Ctrl-C does not interrupt");
        // Not by eprintln!, which the test harness may keep for itself.
        io::Write::write_all(&mut io::stderr(), b"noise of a library\nand half a line").unwrap();
        leave();
        leave();
        assert!(!is_taken());
        assert_eq!(last_lines(&lines), ["noise of a library", "and half a line"]);
        println!("all seen");
    }

    #[test]
    fn a_panic_gives_the_terminal_back_before_it_is_reported() {
        let (written, same) = in_a_terminal("inside_a_panic");
        let at = |what: &str| written.find(what).unwrap_or_else(|| panic!("no {what:?} in {written:?}"));
        assert!(at(ENTER) < at(LEAVE) && at(LEAVE) < at("the roof is on fire"), "{written:?}");
        assert!(same, "the terminal's modes have changed");
    }

    #[test]
    fn a_session_gives_the_terminal_back_and_keeps_stderr_out_of_the_picture() {
        let (written, same) = in_a_terminal("inside_a_session");
        assert!(written.contains("all seen"), "{written}");
        assert!(!written.contains("noise of a library"), "{written}");
        assert_eq!((written.matches(ENTER).count(), written.matches(LEAVE).count()), (1, 1));
        assert!(same, "the terminal's modes have changed");
    }
}
