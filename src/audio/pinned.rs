//! A microphone's stream on the sound server, nailed to its device.
//!
//! Owns one connection to the server and its threads. Must not know what is recorded. cpal records from the server too, but
//! has no way to say that the stream must stay where it is: when a microphone is unplugged or another becomes the default,
//! the server moves streams to whatever is left, and one person is heard at both posts. A nailed stream ends instead, which
//! `mic` notices by its silence.

use super::device::{Settings, OPEN_TIMEOUT};
use super::mic::Feeder;
use super::server::Server;
use futures::executor::block_on;
use pulseaudio::protocol::{self, ChannelMap, RecordStreamParams, SampleSpec};
use pulseaudio::{Client, RecordStream};
use std::ffi::CString;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The server is asked this often how old the sound is that it hands over.
const LATENCY_EVERY: Duration = Duration::from_millis(200);
/// The server is asked this often where the stream hangs.
const PLACE_EVERY: Duration = Duration::from_millis(1_000);
const BYTES: usize = std::mem::size_of::<f32>();
/// Samples that are turned into numbers at a time, so that the server's thread allocates nothing.
const PIECE: usize = 1_024;

/// An open stream. Sound stops when it is dropped; dropping waits for nothing.
pub struct Pinned {
    over: Arc<AtomicBool>,
    source: String,
    /// The stream's name on the server, like no other's.
    name: String,
    _stream: RecordStream,
    _client: Client,
}

impl Pinned {
    /// Watches on a thread of its own where the stream hangs, and tells once when that is not its device.
    pub fn watch(&self, moved: impl FnOnce(String) + Send + 'static) {
        let (over, source, name) = (Arc::clone(&self.over), self.source.clone(), self.name.clone());
        std::thread::spawn(move || {
            let mut server = None;
            while !over.load(Ordering::Relaxed) {
                std::thread::sleep(PLACE_EVERY);
                if server.is_none() {
                    server = Server::connect().ok();
                }
                // A server that hangs sends no sound either, which `mic` tells.
                let Some(asked) = &mut server else { continue };
                match asked.source_of(&name) {
                    Ok(Some(found)) if found == source => {}
                    Ok(_) if over.load(Ordering::Relaxed) => return,
                    Ok(Some(found)) => return moved(format!("the sound server moved it to {found}")),
                    Ok(None) => return moved("the sound server closed its stream".to_string()),
                    Err(_) => server = None,
                }
            }
        });
    }
}

impl Drop for Pinned {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
    }
}

/// Opens a source by its name on the server. `frames`: size of one callback. The feeder expects as many channels as
/// `channels` says.
pub fn open(source: &str, settings: Settings, frames: u32, feeder: Feeder) -> Result<Pinned, String> {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    let name = format!("antiphon {}.{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
    let source = source.to_string();
    let (tell, told) = crossbeam_channel::bounded(1);
    // A server that hangs answers nothing: the thread is given up then.
    std::thread::spawn(move || {
        let _ = tell.send(open_now(source, name, settings, frames, feeder));
    });
    match told.recv_timeout(OPEN_TIMEOUT) {
        Ok(opened) => opened,
        Err(_) => Err(format!("the sound server gave no answer in {} s", OPEN_TIMEOUT.as_secs())),
    }
}

/// Channels that are asked for: the server mixes more than two down.
pub fn channels(settings: Settings) -> u16 {
    settings.channels.clamp(1, 2)
}

fn open_now(
    source: String,
    name: String,
    settings: Settings,
    frames: u32,
    mut feeder: Feeder,
) -> Result<Pinned, String> {
    let text = |error: pulseaudio::ClientError| error.to_string();
    let c_string = |text: &str| CString::new(text).map_err(|_| "its name has a NUL".to_string());
    let mut props = protocol::Props::new();
    props.set(protocol::Prop::MediaName, c_string(&name)?);
    let client = Client::from_env(c"antiphon").map_err(text)?;
    let channels = channels(settings);
    let channel_map = if channels == 1 { ChannelMap::mono() } else { ChannelMap::stereo() };
    let sample_spec = SampleSpec {
        format: protocol::SampleFormat::Float32Le,
        channels: channels as u8,
        sample_rate: settings.rate,
    };
    let params = RecordStreamParams {
        sample_spec,
        channel_map,
        source_name: Some(c_string(&source)?),
        buffer_attr: protocol::stream::BufferAttr {
            fragment_size: frames * u32::from(channels) * BYTES as u32,
            ..Default::default()
        },
        flags: protocol::stream::StreamFlags { no_move: true, adjust_latency: true, ..Default::default() },
        props,
        ..Default::default()
    };
    let latency = Arc::new(AtomicU64::new(0));
    let age = Arc::clone(&latency);
    let mut samples = [0.0f32; PIECE];
    let sink = move |bytes: &[u8]| {
        let now = Instant::now();
        let age = Duration::from_micros(age.load(Ordering::Relaxed));
        let mut captured = now.checked_sub(age).unwrap_or(now);
        for piece in bytes.chunks(PIECE * BYTES) {
            let numbers = piece.chunks_exact(BYTES).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
            let count = samples.iter_mut().zip(numbers).map(|(sample, number)| *sample = number).count();
            feeder.feed(&samples[..count], captured);
            captured += sample_spec.bytes_to_duration(piece.len());
        }
    };
    let stream = block_on(client.create_record_stream(params, sink)).map_err(text)?;
    let over = Arc::new(AtomicBool::new(false));
    watch_age(stream.clone(), sample_spec, latency, Arc::clone(&over));
    Ok(Pinned { over, source, name, _stream: stream, _client: client })
}

/// Keeps asking how long ago the sound that is handed over was captured.
fn watch_age(stream: RecordStream, spec: SampleSpec, age: Arc<AtomicU64>, over: Arc<AtomicBool>) {
    std::thread::spawn(move || {
        while !over.load(Ordering::Relaxed) {
            let Ok(timing) = block_on(stream.timing_info()) else { return };
            let waiting = timing.write_offset.saturating_sub(timing.read_offset).max(0);
            let waiting = spec.bytes_to_duration(waiting as usize).as_micros() as u64;
            age.store(timing.source_usec + waiting, Ordering::Relaxed);
            std::thread::sleep(LATENCY_EVERY);
        }
    });
}
