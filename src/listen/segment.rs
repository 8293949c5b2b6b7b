//! Finds where speech begins and ends in one microphone's stream.
//!
//! Owns the voice-activity detector and the recent audio. Must not know what is said.

use crate::audio::PER_MS;
use earshot::Detector;
use std::collections::VecDeque;

/// Samples of one detector frame: 16 ms at 16 kHz.
pub const FRAME: usize = 256;
const FRAME_MS: f32 = 16.0;

/// When speech is taken to begin and end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Detector score (0 to 1) at which a frame is voice.
    pub voice: f32,
    /// Detector score below which a frame of a running utterance is silence.
    pub silence: f32,
    /// Voice needed to begin, ms within the last 160 ms.
    pub begin_ms: f32,
    /// Silence after which an utterance may be decided if what was said is complete, ms; looked at again every
    /// `again_ms` of silence.
    pub early_ms: f32,
    pub again_ms: f32,
    /// Silence that ends an utterance, ms.
    pub end_ms: f32,
    /// Audio kept from before the first voiced frame, ms.
    pub lead_ms: f32,
    /// An utterance that lasts longer is ended here, ms.
    pub longest_ms: f32,
}

impl Default for Limits {
    /// Measured on the human recordings of docs/listening.md, but for `longest_ms`: no phrase takes 10 s.
    fn default() -> Self {
        Limits {
            voice: 0.5,
            silence: 0.35,
            begin_ms: 48.0,
            early_ms: 144.0,
            again_ms: 128.0,
            end_ms: 656.0,
            lead_ms: 480.0,
            longest_ms: 10_000.0,
        }
    }
}

/// What the segmenter reports, positions in samples since the stream's beginning.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// A short silence after voice, once or several times: decide if what was said so far stands alone.
    Pause(Utterance),
    /// The utterance is over.
    Over(Utterance),
}

#[derive(Debug, Clone, PartialEq)]
pub struct Utterance {
    /// First sample of `audio`.
    pub from: u64,
    /// First voiced sample.
    pub start: u64,
    /// End of the last voiced frame.
    pub end: u64,
    pub audio: Vec<i16>,
    /// RMS of the room before the utterance, in full-scale units (0 to 1).
    pub room_rms: f32,
    /// It was ended by `longest_ms`.
    pub too_long: bool,
}

pub struct Segmenter {
    limits: Limits,
    detector: Box<Detector>,
    /// Samples not yet making a frame.
    partial: Vec<i16>,
    /// Position of the first sample of `partial`.
    at: u64,
    /// Audio before an utterance, at most `lead_ms` and the frames that began it.
    lead: VecDeque<i16>,
    recent: VecDeque<bool>,
    room: RoomLevel,
    running: Option<Running>,
    /// A cut at a position that has not come yet.
    cut_at: Option<u64>,
}

struct Running {
    from: u64,
    start: u64,
    end: u64,
    audio: Vec<i16>,
    silent_ms: f32,
    /// The next look is due at this much silence, ms.
    look_at_ms: f32,
}

impl Segmenter {
    pub fn new(limits: Limits) -> Segmenter {
        Segmenter {
            limits,
            detector: Detector::default_boxed(),
            partial: Vec::with_capacity(FRAME),
            at: 0,
            lead: VecDeque::new(),
            recent: VecDeque::new(),
            room: RoomLevel::default(),
            running: None,
            cut_at: None,
        }
    }

    /// Takes the next samples (mono, 16 kHz) and calls `found` for each pause or end.
    pub fn push(&mut self, samples: &[i16], found: &mut dyn FnMut(Found) -> bool) {
        let mut rest = samples;
        while !rest.is_empty() {
            let take = rest.len().min(FRAME - self.partial.len());
            self.partial.extend_from_slice(&rest[..take]);
            rest = &rest[take..];
            if self.partial.len() == FRAME {
                let frame = std::mem::take(&mut self.partial);
                self.frame(&frame, found);
                self.partial = frame;
                self.partial.clear();
                self.at += FRAME as u64;
            }
        }
    }

    /// Ends what is running, as if silence had followed.
    pub fn finish(&mut self, found: &mut dyn FnMut(Found) -> bool) {
        if let Some(running) = self.running.take() {
            found(Found::Over(running.utterance(self.room.rms(), false)));
        }
    }

    /// Forgets speech before `at` (the tool's own voice): an utterance that is running begins anew there. A place that
    /// has not come yet is cut when it comes.
    pub fn cut(&mut self, at: u64) {
        if at > self.at {
            self.cut_at = Some(at);
        } else {
            self.cut_now(at);
        }
    }

    fn cut_now(&mut self, at: u64) {
        if let Some(running) = &mut self.running {
            if running.from < at {
                let drop = usize::try_from(at - running.from).unwrap_or(usize::MAX).min(running.audio.len());
                running.audio.drain(..drop);
                running.from = at;
                running.start = running.start.max(at);
                if running.end <= at {
                    self.running = None;
                }
            }
        }
        self.recent.clear();
    }

    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// The next sample's position.
    pub fn position(&self) -> u64 {
        self.at + self.partial.len() as u64
    }

    /// Whether an utterance is running.
    pub fn speaking(&self) -> bool {
        self.running.is_some()
    }

    fn frame(&mut self, frame: &[i16], found: &mut dyn FnMut(Found) -> bool) {
        if let Some(at) = self.cut_at.take_if(|at| *at <= self.at) {
            self.cut_now(at);
        }
        let score = self.detector.predict_i16(frame);
        match self.running.take() {
            Some(running) => self.running = self.go_on(running, frame, score, found),
            None => self.wait(frame, score),
        }
    }

    fn wait(&mut self, frame: &[i16], score: f32) {
        self.lead.extend(frame);
        let keep = samples(self.limits.lead_ms) + 10 * FRAME;
        while self.lead.len() > keep {
            self.lead.pop_front();
        }
        let voiced = score >= self.limits.voice;
        if !voiced {
            self.room.add(frame);
        }
        self.recent.push_back(voiced);
        while self.recent.len() > 10 {
            self.recent.pop_front();
        }
        let voiced_ms = self.recent.iter().filter(|v| **v).count() as f32 * FRAME_MS;
        if voiced && voiced_ms >= self.limits.begin_ms {
            self.begin();
        }
    }

    fn begin(&mut self) {
        let end = self.at + FRAME as u64;
        let first = self.recent.iter().position(|voiced| *voiced).unwrap_or(0);
        let start = end - ((self.recent.len() - first) * FRAME) as u64;
        let audio: Vec<i16> = self.lead.drain(..).collect();
        let mut from = end - audio.len() as u64;
        let wanted = start.saturating_sub(samples(self.limits.lead_ms) as u64);
        let skip = usize::try_from(wanted.saturating_sub(from)).unwrap_or(0).min(audio.len());
        from += skip as u64;
        self.recent.clear();
        self.running = Some(Running {
            from,
            start,
            end,
            audio: audio[skip..].to_vec(),
            silent_ms: 0.0,
            look_at_ms: self.limits.early_ms,
        });
    }

    fn go_on(
        &mut self,
        mut running: Running,
        frame: &[i16],
        score: f32,
        found: &mut dyn FnMut(Found) -> bool,
    ) -> Option<Running> {
        running.audio.extend_from_slice(frame);
        let end = self.at + FRAME as u64;
        if score >= self.limits.silence {
            running.end = end;
            running.silent_ms = 0.0;
            running.look_at_ms = self.limits.early_ms;
        } else {
            running.silent_ms += FRAME_MS;
        }
        let length_ms = running.audio.len() as f32 / PER_MS as f32;
        let room = self.room.rms();
        if running.silent_ms >= self.limits.end_ms || length_ms >= self.limits.longest_ms {
            let too_long = length_ms >= self.limits.longest_ms;
            found(Found::Over(running.utterance(room, too_long)));
            return None;
        }
        if running.silent_ms >= running.look_at_ms {
            running.look_at_ms = running.silent_ms + self.limits.again_ms;
            let decided = found(Found::Pause(running.copy(room)));
            if decided {
                return None;
            }
        }
        Some(running)
    }
}

impl Running {
    fn utterance(self, room_rms: f32, too_long: bool) -> Utterance {
        Utterance { from: self.from, start: self.start, end: self.end, audio: self.audio, room_rms, too_long }
    }
    fn copy(&self, room_rms: f32) -> Utterance {
        Utterance {
            from: self.from,
            start: self.start,
            end: self.end,
            audio: self.audio.clone(),
            room_rms,
            too_long: false,
        }
    }
}

fn samples(ms: f32) -> usize {
    (ms * PER_MS as f32) as usize
}

/// Mean square of the last second or so of frames without voice.
#[derive(Default)]
struct RoomLevel {
    mean_square: Option<f32>,
}

impl RoomLevel {
    fn add(&mut self, frame: &[i16]) {
        let square = mean_square(frame);
        // 1/32 a frame: a time constant of half a second.
        let updated = self.mean_square.map_or(square, |mean| mean + (square - mean) / 32.0);
        self.mean_square = Some(updated);
    }
    fn rms(&self) -> f32 {
        self.mean_square.unwrap_or(0.0).sqrt()
    }
}

/// Mean square in full-scale units.
pub fn mean_square(samples: &[i16]) -> f32 {
    if samples.is_empty() {
        return 0.0;
    }
    let sum: f64 = samples.iter().map(|sample| (f64::from(*sample) / 32_768.0).powi(2)).sum();
    (sum / samples.len() as f64) as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(audio: &[i16], chunk: usize) -> Vec<Found> {
        let mut segmenter = Segmenter::new(Limits::default());
        let mut all = Vec::new();
        for piece in audio.chunks(chunk) {
            segmenter.push(piece, &mut |found| {
                all.push(found);
                false
            });
        }
        segmenter.finish(&mut |found| {
            all.push(found);
            false
        });
        all
    }

    #[test]
    fn digital_silence_is_never_speech() {
        assert!(run(&[0; 48_000], 320).is_empty());
    }

    #[test]
    fn a_constant_offset_is_at_most_a_click_where_it_begins() {
        for found in run(&[9_000; 160_000], 320) {
            let (Found::Pause(utterance) | Found::Over(utterance)) = found;
            assert!(utterance.end <= 4_000, "{} ms", utterance.end / 16);
        }
    }

    #[test]
    fn a_cut_forgets_what_came_before() {
        let mut segmenter = Segmenter::new(Limits::default());
        segmenter.running = Some(Running {
            from: 1_000,
            start: 1_200,
            end: 9_000,
            audio: vec![1; 8_000],
            silent_ms: 0.0,
            look_at_ms: 144.0,
        });
        segmenter.at = 9_000;
        segmenter.cut(5_000);
        let running = segmenter.running.as_ref().unwrap();
        assert_eq!((running.from, running.start, running.audio.len()), (5_000, 5_000, 4_000));
        segmenter.cut(9_000);
        assert!(!segmenter.speaking());
    }
}
