//! Microphones: frames from the sound system's own thread into a channel, and nothing else on that thread.
//!
//! Owns the callback and what it must keep: it allocates nothing, waits for nothing, and counts what it could not hand
//! over. Must not know what is said. [`super::convert`] turns blocks into sound at [`super::RATE`] on the reader's
//! thread. Guards watch what the sound system does not report: silence of the callback, a device that is gone, and a stream
//! that hangs on another device than the one it was opened for.

use super::convert::Converter;
use super::device::{self, Device, Direction, Settings};
use super::pinned::{self, Pinned};
use super::AudioError;
use crate::procedure::Post;
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{FromSample, Sample, SampleFormat, SizedSample};
use crossbeam_channel::{Receiver, Sender};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Most frames in one block.
pub const BLOCK_FRAMES: usize = 480;

/// A piece of one microphone's stream, mono, at the microphone's own rate.
#[derive(Clone)]
pub struct Block {
    pub post: Post,
    /// Counts blocks from 0, dropped ones included.
    pub seq: u64,
    /// Frames before this block since the stream began, dropped ones included.
    pub at: u64,
    /// When the block's first frame was captured, as well as the sound system knows.
    pub captured: Instant,
    /// How many of `samples` count.
    pub len: u16,
    /// -1 to 1
    pub samples: [f32; BLOCK_FRAMES],
}

/// What happened to a microphone besides sound.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MicEvent {
    /// No more sound comes from it, or what comes may be someone else's. Open it again.
    Lost { post: Post, why: String },
    /// Sound goes on; the user should know.
    Note { post: Post, what: String },
    /// Only exact silence comes from it, as from one that is muted or switched off.
    Mute { post: Post, why: String },
    /// It gives sound again.
    Sound { post: Post },
}

/// Counters shared with the callback.
#[derive(Default)]
pub struct Counters {
    frames: AtomicU64,
    dropped_blocks: AtomicU64,
    dropped_frames: AtomicU64,
    xruns: AtomicU64,
    /// Frames of exact silence since the last other one.
    silent: AtomicU64,
}

impl Counters {
    /// Frames captured so far.
    pub fn frames(&self) -> u64 {
        self.frames.load(Ordering::Relaxed)
    }
    /// Blocks that found the channel full.
    pub fn dropped_blocks(&self) -> u64 {
        self.dropped_blocks.load(Ordering::Relaxed)
    }
    /// Frames in those blocks.
    pub fn dropped_frames(&self) -> u64 {
        self.dropped_frames.load(Ordering::Relaxed)
    }
    /// Frames of exact silence since the last other one.
    fn silent(&self) -> u64 {
        self.silent.load(Ordering::Relaxed)
    }
    /// Overruns the sound system reported: sound it lost before it reached the callback.
    pub fn xruns(&self) -> u64 {
        self.xruns.load(Ordering::Relaxed)
    }
}

/// The callback's whole body and state.
pub struct Feeder {
    channels: usize,
    rate: u32,
    /// The block being filled. Sound servers hand over pieces of a few frames among larger ones.
    block: Block,
    /// Frames of exact silence since the last other one.
    silent: u64,
    out: Sender<Block>,
    counters: Arc<Counters>,
}

impl Feeder {
    /// `rate` in Hz. `out` must be bounded: an unbounded channel allocates as it grows.
    pub fn new(post: Post, rate: u32, channels: u16, out: Sender<Block>, counters: Arc<Counters>) -> Feeder {
        let block =
            Block { post, seq: 0, at: 0, captured: Instant::now(), len: 0, samples: [0.0; BLOCK_FRAMES] };
        Feeder { channels: usize::from(channels.max(1)), rate, block, silent: 0, out, counters }
    }

    /// Takes interleaved samples as the sound system has them, averages the channels, and hands blocks over. Less than
    /// 10 ms waits for the next call.
    ///
    /// Allocates nothing and never waits. The one lock on the way is inside the channel, taken for a few instructions
    /// to wake a reader that sleeps in `recv`; a reader that polls leaves it untouched.
    pub fn feed<T>(&mut self, interleaved: &[T], captured: Instant)
    where
        T: Sample,
        f32: FromSample<T>,
    {
        let share = 1.0 / self.channels as f32;
        for (number, frame) in (0_u64..).zip(interleaved.chunks_exact(self.channels)) {
            if self.block.len == 0 {
                self.block.captured =
                    captured + Duration::from_nanos(number * 1_000_000_000 / u64::from(self.rate));
            }
            let sample = share * frame.iter().map(|s| s.to_sample::<f32>()).sum::<f32>();
            self.silent = if sample == 0.0 { self.silent + 1 } else { 0 };
            self.block.samples[usize::from(self.block.len)] = sample;
            self.block.len += 1;
            if usize::from(self.block.len) == BLOCK_FRAMES {
                self.hand_over();
            }
        }
        if u32::from(self.block.len) >= self.rate / 100 {
            self.hand_over();
        }
        self.counters.silent.store(self.silent, Ordering::Relaxed);
        self.counters.frames.store(self.block.at + u64::from(self.block.len), Ordering::Relaxed);
    }

    fn hand_over(&mut self) {
        let len = u64::from(self.block.len);
        if self.out.try_send(self.block.clone()).is_err() {
            self.counters.dropped_blocks.fetch_add(1, Ordering::Relaxed);
            self.counters.dropped_frames.fetch_add(len, Ordering::Relaxed);
        }
        self.block.seq += 1;
        self.block.at += len;
        self.block.len = 0;
    }
}

/// An open microphone. Sound stops when it is dropped.
pub struct Microphone {
    post: Post,
    device: Device,
    settings: Settings,
    counters: Arc<Counters>,
    events: Receiver<MicEvent>,
    notes: Vec<String>,
    over: Arc<AtomicBool>,
    stream: Option<Stream>,
}

/// What hands the sound over.
enum Stream {
    /// From a sound server, which leaves it on its device.
    Pinned { _stream: Pinned },
    /// From anything else.
    Cpal { _stream: cpal::Stream },
}

/// Callback period, ms: short enough for a quick answer, long enough to survive a busy machine.
const PERIOD_MS: u32 = 20;
/// A microphone that hands over nothing for this long is lost. The first sound may take longer: a server that slept
/// was seen to need two seconds.
const STALLED: Duration = Duration::from_millis(1500);
const STARTS: Duration = Duration::from_secs(5);
/// A microphone that gives nothing but zeros for this long is muted.
const MUTE: Duration = Duration::from_secs(4);

impl Microphone {
    /// Opens the named microphone, or the default one. Blocks go to `out`, which must be bounded and may be shared.
    pub fn open(wanted: Option<&str>, post: Post, out: Sender<Block>) -> Result<Microphone, AudioError> {
        let (device, mut notes) = device::find(Direction::Input, wanted)?;
        let settings = device::settings(&device, Direction::Input)?;
        let counters = Arc::new(Counters::default());
        let (tell, events) = crossbeam_channel::bounded(64);
        let period = settings.rate * PERIOD_MS / 1000;
        let feeder = |channels| Feeder::new(post, settings.rate, channels, out.clone(), counters.clone());
        let stream = match device.id.strip_prefix("pulseaudio:") {
            Some(source) => {
                let opened = pinned::open(source, settings, period, feeder(pinned::channels(settings)));
                let stream = opened.map_err(|why| AudioError::Device {
                    device: device.name.clone(),
                    why,
                    fix: "choose another device (see `antiphon devices`), or start the sound server again"
                        .into(),
                })?;
                let lost = tell.clone();
                stream.watch(move |why| drop(lost.try_send(MicEvent::Lost { post, why })));
                Stream::Pinned { _stream: stream }
            }
            None => {
                // The error callback may allocate: it runs when sound has stopped already.
                let errors = || errors(post, tell.clone(), counters.clone());
                let (stream, note) = by_cpal(&device, settings, period, feeder, errors)?;
                notes.extend(note);
                Stream::Cpal { _stream: stream }
            }
        };
        let over = Arc::new(AtomicBool::new(false));
        watch_progress(post, settings.rate, tell.clone(), counters.clone(), over.clone());
        device::watch(&device, Direction::Input, over.clone(), move |why| {
            let _ = tell.try_send(MicEvent::Lost { post, why });
        });
        Ok(Microphone { post, device, settings, counters, events, notes, over, stream: Some(stream) })
    }

    pub fn post(&self) -> Post {
        self.post
    }
    /// The device's id, which finds it again.
    pub fn id(&self) -> &str {
        &self.device.id
    }
    /// The device's name and id.
    pub fn describe(&self) -> String {
        format!("{} ({})", self.device.name, self.device.id)
    }
    pub fn settings(&self) -> Settings {
        self.settings
    }
    /// What was done instead of the first choice; for the screen and the log.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
    pub fn events(&self) -> &Receiver<MicEvent> {
        &self.events
    }
    /// Captured, dropped and lost so far.
    pub fn counters(&self) -> &Counters {
        &self.counters
    }
    /// What turns this microphone's blocks into sound at [`super::RATE`].
    pub fn converter(&self) -> Result<Converter, AudioError> {
        Converter::new(self.settings.rate)
    }
}

impl Drop for Microphone {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        // A sound system that hangs must not keep whoever closes a microphone waiting.
        let stream = self.stream.take();
        std::thread::spawn(move || drop(stream));
    }
}

/// A stream by cpal: blocks of the wanted size, or else of the system's own, which is told.
fn by_cpal<E: FnMut(cpal::Error) + Send + 'static>(
    device: &Device,
    settings: Settings,
    period: u32,
    feeder: impl Fn(u16) -> Feeder,
    errors: impl Fn() -> E,
) -> Result<(cpal::Stream, Option<String>), AudioError> {
    let build = |period: Option<u32>| stream(device, settings, period, feeder(settings.channels), errors());
    let (stream, note) = match build(Some(period)) {
        Ok(stream) => (stream, None),
        Err(first) => {
            let stream = build(None).map_err(|_| device::failure(device, Direction::Input, &first))?;
            (stream, Some(format!("{}: blocks of its own size ({first})", device.name)))
        }
    };
    stream.play().map_err(|error| device::failure(device, Direction::Input, &error))?;
    Ok((stream, note))
}

fn errors(
    post: Post,
    tell: Sender<MicEvent>,
    counters: Arc<Counters>,
) -> impl FnMut(cpal::Error) + Send + 'static {
    use cpal::ErrorKind;
    move |error| {
        let event = match error.kind() {
            ErrorKind::Xrun => {
                counters.xruns.fetch_add(1, Ordering::Relaxed);
                return;
            }
            ErrorKind::RealtimeDenied => MicEvent::Note { post, what: error.to_string() },
            // Another device may stand at another person's mouth.
            _ => MicEvent::Lost { post, why: error.to_string() },
        };
        // A full channel holds a loss already.
        let _ = tell.try_send(event);
    }
}

fn stream(
    device: &Device,
    settings: Settings,
    period: Option<u32>,
    feeder: Feeder,
    errors: impl FnMut(cpal::Error) + Send + 'static,
) -> Result<cpal::Stream, cpal::Error> {
    let config = settings.stream(period);
    match settings.format {
        SampleFormat::I16 => typed::<i16>(device, config, feeder, errors),
        SampleFormat::F32 => typed::<f32>(device, config, feeder, errors),
        SampleFormat::I32 => typed::<i32>(device, config, feeder, errors),
        SampleFormat::I24 => typed::<cpal::I24>(device, config, feeder, errors),
        SampleFormat::F64 => typed::<f64>(device, config, feeder, errors),
        SampleFormat::U16 => typed::<u16>(device, config, feeder, errors),
        SampleFormat::U8 => typed::<u8>(device, config, feeder, errors),
        _ => Err(cpal::ErrorKind::UnsupportedConfig.into()),
    }
}

fn typed<T>(
    device: &Device,
    config: cpal::StreamConfig,
    mut feeder: Feeder,
    errors: impl FnMut(cpal::Error) + Send + 'static,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample,
    f32: FromSample<T>,
{
    device.inner.build_input_stream(
        config,
        move |data: &[T], info: &cpal::InputCallbackInfo| {
            let stamp = info.timestamp();
            let age = stamp.callback.saturating_duration_since(stamp.capture);
            let now = Instant::now();
            feeder.feed(data, now.checked_sub(age).unwrap_or(now));
        },
        errors,
        Some(device::OPEN_TIMEOUT),
    )
}

/// Reports a microphone whose callback is no longer called, and one that gives nothing but zeros: noise of its own is in
/// the sound of every one that is on.
fn watch_progress(
    post: Post,
    rate: u32,
    tell: Sender<MicEvent>,
    counters: Arc<Counters>,
    over: Arc<AtomicBool>,
) {
    std::thread::spawn(move || {
        let (mut last, mut since) = (0, Instant::now());
        let mut mute = false;
        while !over.load(Ordering::Relaxed) {
            std::thread::sleep(Duration::from_millis(100));
            let silent = counters.silent() / u64::from(rate.max(1)) >= MUTE.as_secs();
            if silent != mute {
                mute = silent;
                let why = format!("nothing but zeros for {} s: it is muted or switched off", MUTE.as_secs());
                let event = if mute { MicEvent::Mute { post, why } } else { MicEvent::Sound { post } };
                let _ = tell.try_send(event);
            }
            let frames = counters.frames();
            if frames != last {
                (last, since) = (frames, Instant::now());
            } else if since.elapsed() > if last == 0 { STARTS } else { STALLED } {
                let why = format!("no sound has arrived for {} ms", since.elapsed().as_millis());
                let _ = tell.try_send(MicEvent::Lost { post, why });
                return;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feeder(channels: u16, room: usize) -> (Feeder, Receiver<Block>, Arc<Counters>) {
        let (out, blocks) = crossbeam_channel::bounded(room);
        let counters = Arc::new(Counters::default());
        (Feeder::new(Post::Worker, 48_000, channels, out, counters.clone()), blocks, counters)
    }

    #[test]
    fn channels_are_averaged_and_formats_scaled() {
        let (mut feeder, blocks, _) = feeder(2, 8);
        feeder.feed(&[16_384_i16, 0, -32_768, -32_768].repeat(240), Instant::now());
        feeder.feed(&[255_u8, 255, 128, 128].repeat(240), Instant::now());
        let first = blocks.recv().unwrap();
        assert_eq!(first.len, 480);
        assert_eq!(first.samples[..3], [0.25, -1.0, 0.25]);
        let second = blocks.recv().unwrap();
        assert!((second.samples[0] - 0.992).abs() < 0.001 && second.samples[1] == 0.0);
        assert_eq!((second.seq, second.at), (1, 480));
    }

    #[test]
    fn a_long_callback_is_cut_into_blocks_with_their_own_times() {
        let (mut feeder, blocks, _) = feeder(1, 8);
        let now = Instant::now();
        feeder.feed(&vec![0.5_f32; 1440], now);
        let all: Vec<Block> = blocks.try_iter().collect();
        let shape: Vec<_> = all.iter().map(|b| (b.seq, b.at, b.len)).collect();
        assert_eq!(shape, [(0, 0, 480), (1, 480, 480), (2, 960, 480)]);
        assert_eq!(all[2].captured - now, Duration::from_millis(20));
    }

    #[test]
    fn crumbs_wait_until_they_make_10_ms() {
        let (mut feeder, blocks, _) = feeder(1, 8);
        let now = Instant::now();
        feeder.feed(&[0.5_f32; 2], now);
        assert!(blocks.is_empty());
        feeder.feed(&[0.25_f32; 478], now + Duration::from_millis(9));
        let block = blocks.recv().unwrap();
        assert_eq!((block.len, block.at, block.captured), (480, 0, now));
        assert_eq!(block.samples[1..3], [0.5, 0.25]);
    }

    #[test]
    fn what_finds_no_room_is_counted_and_leaves_a_gap_in_the_position() {
        let (mut feeder, blocks, counters) = feeder(1, 1);
        feeder.feed(&[0.5_f32; 1440], Instant::now());
        assert_eq!(counters.dropped_blocks(), 2);
        assert_eq!(counters.dropped_frames(), 960);
        assert_eq!(blocks.recv().unwrap().at, 0);
        feeder.feed(&[0.5_f32; 480], Instant::now());
        let next = blocks.recv().unwrap();
        assert_eq!((next.at, next.seq), (1440, 3));
    }

    #[test]
    fn exact_silence_is_counted_until_the_first_other_sample() {
        let (mut feeder, _blocks, counters) = feeder(1, 8);
        feeder.feed(&[0_i16; 960], Instant::now());
        assert_eq!(counters.silent(), 960);
        feeder.feed(&[0_i16, 1, 0, 0], Instant::now());
        assert_eq!(counters.silent(), 2);
    }

    #[test]
    fn errors_are_split_into_loss_note_and_count() {
        let (tell, events) = crossbeam_channel::bounded(8);
        let counters = Arc::new(Counters::default());
        let mut errors = errors(Post::Room, tell, counters.clone());
        errors(cpal::ErrorKind::Xrun.into());
        assert_eq!(counters.xruns(), 1);
        assert!(events.is_empty());
        errors(cpal::ErrorKind::RealtimeDenied.into());
        assert!(matches!(events.recv().unwrap(), MicEvent::Note { post: Post::Room, .. }));
        for kind in [cpal::ErrorKind::DeviceNotAvailable, cpal::ErrorKind::DeviceChanged] {
            errors(kind.into());
            assert!(matches!(events.recv().unwrap(), MicEvent::Lost { post: Post::Room, .. }));
        }
    }
}
