//! Finds where speech begins and ends in one microphone's stream.
//!
//! Owns the voice-activity detector and the recent audio. Must not know what is said.

use crate::audio::PER_MS;
use earshot::Detector;
use std::collections::VecDeque;

/// Samples of one detector frame: 16 ms at 16 kHz.
pub const FRAME: usize = 256;
const FRAME_MS: f32 = 16.0;
/// Somebody who calls over the tool's voice has begun at most this long before it ends, ms; what has run for longer is
/// that voice itself. A call takes a second.
const LONGEST_CALL_MS: f32 = 3_000.0;

/// When speech is taken to begin and end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Detector score (0 to 1) at which a frame is voice.
    pub voice: f32,
    /// Detector score below which a frame of a running utterance is silence.
    pub silence: f32,
    /// Voice needed to begin, ms within the last 160 ms.
    pub begin_ms: f32,
    /// Silence after which an utterance is heard in advance, ms: the verdict is there when `early_ms` comes.
    pub ahead_ms: f32,
    /// Whether that is done. Without it the verdicts are the same, and later; for sound that is not live, where nobody
    /// waits, it saves hearing what goes on after a shorter silence.
    pub in_advance: bool,
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
            ahead_ms: 80.0,
            in_advance: true,
            early_ms: 144.0,
            again_ms: 256.0,
            end_ms: 656.0,
            lead_ms: 480.0,
            longest_ms: 10_000.0,
        }
    }
}

/// What the segmenter reports, positions in samples since the stream's beginning.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// A shorter silence still: nothing may be decided yet, but thinking may begin.
    Soon(Utterance),
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
    /// What came before this may be the tool's own voice.
    pub cut: Option<u64>,
}

impl Utterance {
    /// Only as much silence at its end as when it was, or would have been, heard in advance.
    fn as_in_advance(&mut self, ahead_ms: f32) {
        let frames = (ahead_ms / FRAME_MS).ceil().min(1e6) as usize;
        self.audio.truncate((self.end - self.from) as usize + frames * FRAME);
    }

    /// Samples after the last voice in it.
    pub fn silence(&self) -> u64 {
        (self.from + self.audio.len() as u64).saturating_sub(self.end)
    }

    /// What is left of it without the part that may be the tool's own voice; `None` when that is nothing, or all.
    pub fn after_cut(&self) -> Option<Utterance> {
        let cut = self.cut.filter(|cut| (self.from + 1..self.end).contains(cut))?;
        let audio = self.audio[usize::try_from(cut - self.from).ok()?..].to_vec();
        Some(Utterance { from: cut, start: self.start.max(cut), audio, cut: None, ..*self })
    }
}

pub struct Segmenter {
    limits: Limits,
    detector: Box<Detector>,
    /// Samples not yet making a frame, and the same stretch of the sound in which voice is looked for.
    partial: Vec<i16>,
    partial_voice: Vec<i16>,
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
    cut: Option<u64>,
}

impl Segmenter {
    pub fn new(limits: Limits) -> Segmenter {
        Segmenter {
            limits,
            detector: Detector::default_boxed(),
            partial: Vec::with_capacity(FRAME),
            partial_voice: Vec::with_capacity(FRAME),
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
        self.push_beside(samples, samples, found);
    }

    /// The same, with voice looked for in `voice`: the same stretch of sound, of the same length, in another version.
    pub fn push_beside(&mut self, samples: &[i16], voice: &[i16], found: &mut dyn FnMut(Found) -> bool) {
        let (mut rest, mut rest_voice) = (samples, voice);
        while !rest.is_empty() {
            let take = rest.len().min(FRAME - self.partial.len());
            self.partial.extend_from_slice(&rest[..take]);
            self.partial_voice.extend_from_slice(&rest_voice[..take]);
            (rest, rest_voice) = (&rest[take..], &rest_voice[take..]);
            if self.partial.len() == FRAME {
                let (frame, voice) =
                    (std::mem::take(&mut self.partial), std::mem::take(&mut self.partial_voice));
                self.frame(&frame, &voice, found);
                (self.partial, self.partial_voice) = (frame, voice);
                self.partial.clear();
                self.partial_voice.clear();
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

    /// Speech before `at` may be the tool's own voice: an utterance that is running is marked there, or begins anew
    /// there when it has run for longer than any call. A place that has not come yet is cut when it comes.
    pub fn cut(&mut self, at: u64) {
        if at > self.at {
            self.cut_at = Some(at);
        } else {
            self.cut_now(at);
        }
    }

    fn cut_now(&mut self, at: u64) {
        match &mut self.running {
            Some(running) if at.saturating_sub(running.start) <= samples(LONGEST_CALL_MS) as u64 => {
                running.cut = Some(at);
            }
            Some(running) if running.end <= at => self.running = None,
            Some(running) => {
                let drop = usize::try_from(at - running.from).unwrap_or(usize::MAX).min(running.audio.len());
                running.audio.drain(..drop);
                running.from = at;
                running.start = running.start.max(at);
            }
            None => {}
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

    fn frame(&mut self, frame: &[i16], voice: &[i16], found: &mut dyn FnMut(Found) -> bool) {
        if let Some(at) = self.cut_at.take_if(|at| *at <= self.at) {
            self.cut_now(at);
        }
        let score = self.detector.predict_i16(voice);
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
            look_at_ms: self.limits.ahead_ms,
            cut: None,
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
            running.look_at_ms = self.limits.ahead_ms;
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
        if running.silent_ms >= running.look_at_ms && running.silent_ms < self.limits.early_ms {
            running.look_at_ms = self.limits.early_ms;
            if self.limits.in_advance {
                found(Found::Soon(running.copy(room)));
            }
        } else if running.silent_ms >= running.look_at_ms {
            let first = running.look_at_ms <= self.limits.early_ms;
            running.look_at_ms = running.silent_ms + self.limits.again_ms;
            let mut utterance = running.copy(room);
            if first {
                utterance.as_in_advance(self.limits.ahead_ms);
            }
            let decided = found(Found::Pause(utterance));
            if decided {
                return None;
            }
        }
        Some(running)
    }
}

impl Running {
    fn utterance(self, room_rms: f32, too_long: bool) -> Utterance {
        let Running { from, start, end, audio, cut, .. } = self;
        Utterance { from, start, end, audio, room_rms, too_long, cut }
    }
    fn copy(&self, room_rms: f32) -> Utterance {
        Utterance {
            from: self.from,
            start: self.start,
            end: self.end,
            audio: self.audio.clone(),
            room_rms,
            too_long: false,
            cut: self.cut,
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

    /// Half a second of a buzz between silences.
    fn buzz() -> Vec<i16> {
        let said = (0..8_000).map(|n| if n % 130 < 20 { 9_000 } else { -1_500 });
        [vec![0; 16_000], said.collect(), vec![0; 16_000]].concat()
    }

    #[test]
    fn a_pause_holds_the_sound_that_was_heard_in_advance_whether_it_was_or_not() {
        let mut soon = Vec::new();
        let mut pauses = [Vec::new(), Vec::new()];
        for (in_advance, pauses) in [true, false].into_iter().zip(&mut pauses) {
            let mut segmenter = Segmenter::new(Limits { in_advance, ..Limits::default() });
            segmenter.push(&buzz(), &mut |found| {
                match found {
                    Found::Soon(utterance) => soon.push(utterance),
                    Found::Pause(utterance) => pauses.push(utterance),
                    Found::Over(_) => {}
                }
                false
            });
        }
        assert_eq!(soon.len(), 1);
        assert_eq!(pauses[0], pauses[1]);
        assert_eq!(pauses[0][0], soon[0]);
        assert!(pauses[0][1].audio.len() > soon[0].audio.len());
    }

    #[test]
    fn digital_silence_is_never_speech() {
        assert!(run(&[0; 48_000], 320).is_empty());
    }

    #[test]
    fn a_constant_offset_is_at_most_a_click_where_it_begins() {
        for found in run(&[9_000; 160_000], 320) {
            let (Found::Soon(utterance) | Found::Pause(utterance) | Found::Over(utterance)) = found;
            assert!(utterance.end <= 4_000, "{} ms", utterance.end / 16);
        }
    }

    fn running(samples: usize) -> Segmenter {
        let mut segmenter = Segmenter::new(Limits::default());
        let end = 1_000 + samples as u64;
        segmenter.running = Some(Running {
            from: 1_000,
            start: 1_200,
            end,
            audio: vec![1; samples],
            silent_ms: 0.0,
            look_at_ms: 144.0,
            cut: None,
        });
        segmenter.at = end;
        segmenter
    }

    #[test]
    fn a_cut_marks_what_may_be_a_call_over_the_tools_voice() {
        let mut segmenter = running(32_000);
        segmenter.cut(25_000);
        let whole = segmenter.running.as_ref().unwrap().copy(0.0);
        assert_eq!((whole.from, whole.start, whole.audio.len()), (1_000, 1_200, 32_000));
        let after = whole.after_cut().unwrap();
        assert_eq!((after.from, after.start, after.end, after.audio.len()), (25_000, 25_000, 33_000, 8_000));
        segmenter.cut(33_000);
        assert_eq!(segmenter.running.as_ref().unwrap().copy(0.0).after_cut(), None);
    }

    #[test]
    fn a_cut_forgets_what_has_run_for_longer_than_a_call() {
        let mut segmenter = running(80_000);
        segmenter.cut(75_000);
        let left = segmenter.running.as_ref().unwrap().copy(0.0);
        assert_eq!((left.from, left.start, left.audio.len(), left.cut), (75_000, 75_000, 6_000, None));
        let mut segmenter = running(80_000);
        segmenter.cut(81_000);
        assert!(!segmenter.speaking());
    }
}
