//! The loudspeaker: plays one clip after another, says when each begins and ends, and falls silent at once.
//!
//! Owns the output stream, which stays open between clips so that a word's first sound isn't lost to a device waking
//! up. Must not know what the clips say. The callback allocates and frees nothing: clips travel by reference count, and
//! the last reference is given back to the reader of the events.

use super::device::{self, Device, Direction, Settings, OPEN_TIMEOUT};
use super::{resample, to_f32, AudioError, RATE};
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{FromSample, Sample, SampleFormat, SizedSample};
use crossbeam_channel::{Receiver, Sender, TrySendError};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What became of a clip. `at` is when it is heard, as well as the sound system knows; that may lie ahead.
#[derive(Debug, Clone)]
pub enum Spoken {
    Began {
        id: u64,
        at: Instant,
    },
    /// The last sample was handed over, and sounds at `at`.
    Ended {
        id: u64,
        at: Instant,
        clip: Clip,
    },
    /// Cut off by [`Speaker::hush`] after this many samples at [`RATE`].
    CutShort {
        id: u64,
        at: Instant,
        samples: usize,
        clip: Clip,
    },
    /// The loudspeaker is gone; nothing will be played any more.
    Lost {
        why: String,
    },
}

/// A clip at the loudspeaker's own rate, -1 to 1.
pub type Clip = Arc<[f32]>;

/// A clip on its way to the callback.
pub struct Play {
    pub id: u64,
    /// Hushes before this clip was queued; a later hush cuts it.
    pub hushes: u64,
    pub clip: Clip,
}

/// Counters shared with the callback.
#[derive(Default)]
pub struct Shared {
    hushes: AtomicU64,
    /// Samples of the current clip handed over so far, for whoever follows along.
    progress: AtomicU64,
    /// Buffers filled so far.
    fills: AtomicU64,
}

/// The callback's whole body and state.
pub struct Player {
    channels: usize,
    rate: u32,
    queue: Receiver<Play>,
    current: Option<(Play, usize)>,
    shared: Arc<Shared>,
    events: Sender<Spoken>,
}

impl Player {
    /// `rate` in Hz. Both channels must be bounded, so that nothing allocates.
    pub fn new(
        rate: u32,
        channels: u16,
        queue: Receiver<Play>,
        events: Sender<Spoken>,
        shared: Arc<Shared>,
    ) -> Player {
        Player { channels: usize::from(channels.max(1)), rate, queue, current: None, shared, events }
    }

    /// Fills the buffer, whose first frame sounds at `heard`. Allocates, frees and waits for nothing.
    pub fn fill<T>(&mut self, out: &mut [T], heard: Instant)
    where
        T: Sample + FromSample<f32>,
    {
        self.shared.fills.fetch_add(1, Ordering::Relaxed);
        let mut frames = out.chunks_exact_mut(self.channels);
        let total = frames.len();
        let mut done = 0;
        let hushes = self.shared.hushes.load(Ordering::Acquire);
        while done < total {
            let Some((play, position)) = self.current.take().or_else(|| self.next(hushes, heard, done))
            else {
                break;
            };
            if play.hushes < hushes {
                self.cut(play, position, heard, done);
                continue;
            }
            let count = (play.clip.len() - position).min(total - done);
            // The clip leads: a `zip` led by the frames would take one more before it sees that the clip is over.
            for (&sample, frame) in play.clip[position..position + count].iter().zip(frames.by_ref()) {
                frame.fill(T::from_sample(sample));
            }
            done += count;
            if position + count == play.clip.len() {
                let at = self.time(heard, done);
                let _ = self.events.try_send(Spoken::Ended { id: play.id, at, clip: play.clip });
                self.shared.progress.store(0, Ordering::Release);
            } else {
                self.shared.progress.store((position + count) as u64, Ordering::Release);
                self.current = Some((play, position + count));
            }
        }
        for frame in frames {
            frame.fill(T::EQUILIBRIUM);
        }
    }

    fn next(&mut self, hushes: u64, heard: Instant, done: usize) -> Option<(Play, usize)> {
        let play = self.queue.try_recv().ok()?;
        if play.hushes >= hushes {
            let at = self.time(heard, done);
            let _ = self.events.try_send(Spoken::Began { id: play.id, at });
        }
        Some((play, 0))
    }

    fn cut(&mut self, play: Play, position: usize, heard: Instant, done: usize) {
        let at = self.time(heard, done);
        let samples = (position as u64 * u64::from(RATE) / u64::from(self.rate)) as usize;
        let _ = self.events.try_send(Spoken::CutShort { id: play.id, at, samples, clip: play.clip });
        self.shared.progress.store(0, Ordering::Release);
    }

    fn time(&self, heard: Instant, frames: usize) -> Instant {
        heard + Duration::from_nanos(frames as u64 * 1_000_000_000 / u64::from(self.rate))
    }
}

/// Most clips that wait. The voice queues one at a time.
const QUEUE: usize = 64;
/// Callback period, ms. The server holds two, so silence follows a hush within 40 ms and what the device adds.
const PERIOD_MS: u32 = 20;
/// Buffers that must have been asked for before the loudspeaker counts as open.
const FLOWING: u64 = 4;

/// An open loudspeaker.
pub struct Speaker {
    device: Device,
    settings: Settings,
    queue: Sender<Play>,
    shared: Arc<Shared>,
    events: Receiver<Spoken>,
    notes: Vec<String>,
    over: Arc<AtomicBool>,
    _stream: cpal::Stream,
}

impl Speaker {
    /// Opens the named loudspeaker, or the default one, and waits until it takes sound: an idle server can need two
    /// seconds for its first buffers (measured on a null sink), which would hold back the first words.
    pub fn open(wanted: Option<&str>) -> Result<Speaker, AudioError> {
        Speaker::open_with(wanted, Arc::new(Shared::default()))
    }

    /// Opens the same device again after it was lost. Its silencers go on working; its events are new ones.
    pub fn open_again(&self) -> Result<Speaker, AudioError> {
        self.shared.fills.store(0, Ordering::Relaxed);
        self.shared.progress.store(0, Ordering::Relaxed);
        Speaker::open_with(Some(&self.device.id), self.shared.clone())
    }

    fn open_with(wanted: Option<&str>, shared: Arc<Shared>) -> Result<Speaker, AudioError> {
        let (device, mut notes) = device::find(Direction::Output, wanted)?;
        let settings = device::settings(&device, Direction::Output)?;
        let (queue, plays) = crossbeam_channel::bounded(QUEUE);
        let (tell, events) = crossbeam_channel::bounded(4 * QUEUE);
        let build = |period: Option<u32>| {
            let player =
                Player::new(settings.rate, settings.channels, plays.clone(), tell.clone(), shared.clone());
            stream(&device, settings, period, player, tell.clone())
        };
        let stream = match build(Some(settings.rate * PERIOD_MS / 1000)) {
            Ok(stream) => stream,
            Err(first) => {
                let stream = build(None).map_err(|_| device::failure(&device, Direction::Output, &first))?;
                notes.push(format!(
                    "{}: blocks of its own size ({first}); it may fall silent late",
                    device.name
                ));
                stream
            }
        };
        stream.play().map_err(|error| device::failure(&device, Direction::Output, &error))?;
        let start = Instant::now();
        while shared.fills.load(Ordering::Relaxed) < FLOWING {
            if let Ok(Spoken::Lost { why }) = events.try_recv() {
                return Err(dead(&device, why));
            }
            if start.elapsed() > OPEN_TIMEOUT {
                return Err(dead(&device, format!("it takes no sound within {} s", OPEN_TIMEOUT.as_secs())));
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        let over = Arc::new(AtomicBool::new(false));
        device::watch(&device, Direction::Output, over.clone(), move |why| {
            let _ = tell.try_send(Spoken::Lost { why });
        });
        Ok(Speaker { device, settings, queue, shared, events, notes, over, _stream: stream })
    }

    /// Queues mono samples at [`RATE`]. `id` comes back in the events.
    pub fn play(&self, id: u64, samples: &[i16]) -> Result<(), AudioError> {
        let floats: Vec<f32> = samples.iter().copied().map(to_f32).collect();
        let clip: Clip = resample::clip(&floats, RATE, self.settings.rate)?.into();
        let play = Play { id, hushes: self.shared.hushes.load(Ordering::Acquire), clip };
        self.queue.try_send(play).map_err(|error| {
            let why = match error {
                TrySendError::Full(_) => format!("{QUEUE} clips wait and none is played"),
                TrySendError::Disconnected(_) => "it is gone".into(),
            };
            dead(&self.device, why)
        })
    }

    /// Cuts the clip being played and drops those that wait; each is reported as [`Spoken::CutShort`].
    pub fn hush(&self) {
        self.shared.hushes.fetch_add(1, Ordering::AcqRel);
    }

    /// Samples of the current clip handed over so far, at [`RATE`].
    pub fn progress(&self) -> usize {
        (self.shared.progress.load(Ordering::Acquire) * u64::from(RATE) / u64::from(self.settings.rate))
            as usize
    }

    pub fn events(&self) -> &Receiver<Spoken> {
        &self.events
    }
    /// What was done instead of the first choice; for the screen and the log.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
    /// The device's name and id.
    pub fn describe(&self) -> String {
        format!("{} ({})", self.device.name, self.device.id)
    }
    /// A switch for another thread, which hushes without waiting for this one.
    pub fn silencer(&self) -> Silencer {
        Silencer(self.shared.clone())
    }
}

impl Drop for Speaker {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
    }
}

fn dead(device: &Device, why: String) -> AudioError {
    AudioError::Device { device: device.name.clone(), why, fix: "choose another loudspeaker".into() }
}

/// Hushes a [`Speaker`] from another thread.
#[derive(Clone)]
pub struct Silencer(Arc<Shared>);

impl Silencer {
    pub fn hush(&self) {
        self.0.hushes.fetch_add(1, Ordering::AcqRel);
    }
}

fn stream(
    device: &Device,
    settings: Settings,
    period: Option<u32>,
    player: Player,
    tell: Sender<Spoken>,
) -> Result<cpal::Stream, cpal::Error> {
    let config = settings.stream(period);
    match settings.format {
        SampleFormat::I16 => typed::<i16>(device, config, player, tell),
        SampleFormat::F32 => typed::<f32>(device, config, player, tell),
        SampleFormat::I32 => typed::<i32>(device, config, player, tell),
        SampleFormat::I24 => typed::<cpal::I24>(device, config, player, tell),
        SampleFormat::F64 => typed::<f64>(device, config, player, tell),
        SampleFormat::U16 => typed::<u16>(device, config, player, tell),
        SampleFormat::U8 => typed::<u8>(device, config, player, tell),
        _ => Err(cpal::ErrorKind::UnsupportedConfig.into()),
    }
}

fn typed<T>(
    device: &Device,
    config: cpal::StreamConfig,
    mut player: Player,
    tell: Sender<Spoken>,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32>,
{
    device.inner.build_output_stream(
        config,
        move |out: &mut [T], info: &cpal::OutputCallbackInfo| {
            let stamp = info.timestamp();
            player.fill(out, Instant::now() + stamp.playback.saturating_duration_since(stamp.callback));
        },
        move |error: cpal::Error| match error.kind() {
            // An underrun is a click; the words go on.
            cpal::ErrorKind::Xrun | cpal::ErrorKind::RealtimeDenied => {}
            _ => {
                let _ = tell.try_send(Spoken::Lost { why: error.to_string() });
            }
        },
        Some(OPEN_TIMEOUT),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Rig {
        player: Player,
        queue: Sender<Play>,
        events: Receiver<Spoken>,
        shared: Arc<Shared>,
        start: Instant,
    }

    fn rig(channels: u16) -> Rig {
        let (queue, plays) = crossbeam_channel::bounded(8);
        let (tell, events) = crossbeam_channel::bounded(32);
        let shared = Arc::new(Shared::default());
        let player = Player::new(48_000, channels, plays, tell, shared.clone());
        Rig { player, queue, events, shared, start: Instant::now() }
    }

    impl Rig {
        fn play(&self, id: u64, samples: usize) {
            let hushes = self.shared.hushes.load(Ordering::Acquire);
            self.queue.send(Play { id, hushes, clip: vec![0.5; samples].into() }).unwrap();
        }
        fn fill(&mut self, frames: usize) -> Vec<f32> {
            let mut out = vec![9.0_f32; frames * self.player.channels];
            self.player.fill(&mut out, self.start);
            out
        }
        fn told(&self) -> Vec<String> {
            let ms = |at: Instant| (at - self.start).as_millis();
            self.events
                .try_iter()
                .map(|event| match event {
                    Spoken::Began { id, at } => format!("{id} began at {}", ms(at)),
                    Spoken::Ended { id, at, .. } => format!("{id} ended at {}", ms(at)),
                    Spoken::CutShort { id, at, samples, .. } => {
                        format!("{id} cut at {} after {samples}", ms(at))
                    }
                    Spoken::Lost { why } => why,
                })
                .collect()
        }
    }

    #[test]
    fn an_idle_loudspeaker_plays_silence() {
        let mut rig = rig(2);
        assert_eq!(rig.fill(4), vec![0.0; 8]);
        assert!(rig.told().is_empty());
    }

    #[test]
    fn a_clip_begins_and_ends_where_its_samples_are_heard() {
        let mut rig = rig(1);
        rig.play(7, 48_000 / 10);
        assert!(rig.fill(2400).iter().all(|&sample| sample == 0.5));
        assert_eq!(rig.told(), ["7 began at 0"]);
        let out = rig.fill(4800);
        assert_eq!((out[2399], out[2400]), (0.5, 0.0));
        assert_eq!(rig.told(), ["7 ended at 50"]);
    }

    #[test]
    fn clips_follow_each_other_without_a_gap() {
        let mut rig = rig(2);
        rig.play(1, 480);
        rig.play(2, 480);
        assert!(rig.fill(960).iter().all(|&sample| sample == 0.5));
        assert_eq!(rig.told(), ["1 began at 0", "1 ended at 10", "2 began at 10", "2 ended at 20"]);
    }

    #[test]
    fn a_hush_silences_the_very_next_buffer_and_drops_what_waits() {
        let mut rig = rig(1);
        rig.play(1, 48_000);
        rig.play(2, 48_000);
        rig.fill(960);
        rig.shared.hushes.fetch_add(1, Ordering::AcqRel);
        rig.play(3, 48_000);
        let out = rig.fill(960);
        assert!(out.iter().all(|&sample| sample == 0.5), "what was queued after the hush plays at once");
        assert_eq!(
            rig.told(),
            ["1 began at 0", "1 cut at 0 after 320", "2 cut at 0 after 0", "3 began at 0"]
        );
    }

    #[test]
    fn an_empty_clip_begins_and_ends() {
        let mut rig = rig(1);
        rig.play(1, 0);
        rig.fill(10);
        assert_eq!(rig.told(), ["1 began at 0", "1 ended at 0"]);
    }
}
