//! Questions to the sound server about our own streams (PulseAudio's protocol, which PipeWire speaks too).
//!
//! Owns one connection, on which every answer is waited for a bounded time: a server may hang. Must not know what is
//! recorded.

use crate::files::{self, Links};
use pulseaudio::protocol::{self, Command, CommandReply};
use std::ffi::CString;
use std::io::BufReader;
use std::os::unix::net::UnixStream;
use std::time::Duration;

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_secs(1);

/// Bytes of the server's secret at most; it has 256.
const MAX_COOKIE: u64 = 4_096;

pub struct Server {
    socket: BufReader<UnixStream>,
    version: u16,
    asked: u32,
}

impl Server {
    pub fn connect() -> Result<Server, String> {
        let path = pulseaudio::socket_path_from_env().ok_or("there is no sound server")?;
        let socket = UnixStream::connect(path).map_err(|error| error.to_string())?;
        socket.set_read_timeout(Some(PATIENCE)).map_err(|error| error.to_string())?;
        socket.set_write_timeout(Some(PATIENCE)).map_err(|error| error.to_string())?;
        let mut server = Server { socket: BufReader::new(socket), version: protocol::MAX_VERSION, asked: 0 };
        let cookie = pulseaudio::cookie_path_from_env()
            .and_then(|path| files::read(&path, Links::Follow, MAX_COOKIE).ok());
        let auth = protocol::AuthParams {
            version: protocol::MAX_VERSION,
            supports_shm: false,
            supports_memfd: false,
            cookie: cookie.unwrap_or_default(),
        };
        let reply: protocol::AuthReply = server.ask(Command::Auth(auth))?;
        server.version = protocol::MAX_VERSION.min(reply.version);
        let mut about = protocol::Props::new();
        about.set(protocol::Prop::ApplicationName, c"antiphon");
        let _: protocol::SetClientNameReply = server.ask(Command::SetClientName(about))?;
        Ok(server)
    }

    fn ask<R: CommandReply>(&mut self, command: Command) -> Result<R, String> {
        let number = self.asked;
        self.asked += 1;
        protocol::write_command_message(self.socket.get_mut(), number, &command, self.version)
            .map_err(|error| error.to_string())?;
        let (answered, reply) = protocol::read_reply_message(&mut self.socket, self.version)
            .map_err(|error| error.to_string())?;
        match answered == number {
            true => Ok(reply),
            false => Err(format!("it answered question {answered} instead of {number}")),
        }
    }

    /// The name of the source that a recording stream hangs on, by the stream's own name; `None` when the server has no
    /// such stream.
    pub fn source_of(&mut self, stream: &str) -> Result<Option<String>, String> {
        let wanted = CString::new(stream).map_err(|error| error.to_string())?;
        let streams: protocol::SourceOutputInfoList = self.ask(Command::GetSourceOutputInfoList)?;
        let Some(found) = streams.into_iter().find(|stream| stream.name == wanted) else { return Ok(None) };
        let sources: protocol::SourceInfoList = self.ask(Command::GetSourceInfoList)?;
        let source = sources.into_iter().find(|source| source.index == found.source_index);
        Ok(source.map(|source| source.name.to_string_lossy().into_owned()))
    }
}
