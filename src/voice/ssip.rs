//! Whether the system's speech service answers, asked on a connection of our own: the library that speaks through it does not
//! say when the service was killed or hangs.
//!
//! Owns this one question, in the service's open protocol (SSIP: a command a line, an answer that begins with a number; QUIT
//! is answered and ends the connection). Must not speak.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::time::Duration;

/// The service answers within a millisecond; one that is busy listing its voices takes longer.
const PATIENCE: Duration = Duration::from_secs(2);

/// Where the service listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Service {
    Unix(PathBuf),
    Inet(String),
}

impl Service {
    /// As the service's own library looks for it: SPEECHD_ADDRESS, else the socket in XDG_RUNTIME_DIR. `None` where neither
    /// says anything.
    pub fn find() -> Option<Service> {
        Service::from(
            std::env::var("SPEECHD_ADDRESS").ok(),
            std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from),
        )
    }

    fn from(address: Option<String>, runtime: Option<PathBuf>) -> Option<Service> {
        let own = || Some(Service::Unix(runtime.clone()?.join("speech-dispatcher/speechd.sock")));
        let Some(address) = address.filter(|address| !address.is_empty()) else { return own() };
        match address.split_once(':') {
            Some(("unix_socket", path)) => Some(Service::Unix(path.into())),
            Some(("inet_socket", place)) => Some(Service::Inet(place.into())),
            _ if address == "unix_socket" => own(),
            _ => None,
        }
    }

    /// Waits for an answer, two seconds at most. Errors: why there is none, in words.
    pub fn answers(&self) -> Result<(), String> {
        let asked = match self {
            Service::Unix(path) => UnixStream::connect(path).and_then(|stream| {
                stream.set_read_timeout(Some(PATIENCE))?;
                ask(stream)
            }),
            Service::Inet(place) => TcpStream::connect(place).and_then(|stream| {
                stream.set_read_timeout(Some(PATIENCE))?;
                ask(stream)
            }),
        };
        match asked {
            Ok(true) => Ok(()),
            Ok(false) => Err("the speech service ends every connection".into()),
            Err(error)
                if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) =>
            {
                Err(format!("the speech service has not answered for {} s", PATIENCE.as_secs()))
            }
            Err(error) => Err(format!("the speech service is gone ({error})")),
        }
    }
}

fn ask(mut stream: impl Read + Write) -> std::io::Result<bool> {
    stream.write_all(b"QUIT\r\n")?;
    Ok(stream.read(&mut [0u8; 64])? > 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::net::UnixListener;

    #[test]
    fn it_is_looked_for_where_the_services_own_library_looks() {
        let unix = |path: &str| Some(Service::Unix(path.into()));
        let run = || Some(PathBuf::from("/run/user/7"));
        assert_eq!(Service::from(None, run()), unix("/run/user/7/speech-dispatcher/speechd.sock"));
        assert_eq!(Service::from(Some("unix_socket:/a/b".into()), run()), unix("/a/b"));
        assert_eq!(Service::from(Some("unix_socket".into()), run()), Service::from(None, run()));
        let inet = Some(Service::Inet("localhost:6560".into()));
        assert_eq!(Service::from(Some("inet_socket:localhost:6560".into()), None), inet);
        assert_eq!(Service::from(Some("pigeon".into()), run()), None);
        assert_eq!(Service::from(None, None), None);
    }

    #[test]
    fn one_that_answers_is_there_and_one_that_hangs_or_is_gone_is_told_apart() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("speechd.sock");
        let service = Service::Unix(path.clone());
        assert!(service.answers().unwrap_err().contains("gone"));
        let listener = UnixListener::bind(&path).unwrap();
        // Nobody takes the connection, as when the service is stopped.
        assert!(service.answers().unwrap_err().contains("not answered for 2 s"));
        let answering = std::thread::spawn(move || {
            // The one that nobody took, and the next.
            for _ in 0..2 {
                let (mut stream, _) = listener.accept().unwrap();
                let _ = stream.read(&mut [0u8; 16]);
                let _ = stream.write_all(b"231 HAPPY HACKING\r\n");
            }
        });
        assert_eq!(service.answers(), Ok(()));
        answering.join().unwrap();
    }
}
