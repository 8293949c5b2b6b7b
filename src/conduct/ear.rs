//! One listener on a thread of its own: blocks of one microphone in, what was heard out.
//!
//! Owns the thread, the converter, the place of the stream on the session clock, and what is taken out of the stream of
//! the loudspeaker's own sound. Must not know the session's rules.

use crate::audio::convert::Converter;
use crate::audio::echo::{self, EchoCanceller, Loudspeaker};
use crate::audio::mic::Block;
use crate::audio::PER_MS;
use crate::listen::heard::Heard;
use crate::listen::listener::Listener;
use crate::procedure::{PhraseId, Post};
use crossbeam_channel::{never, select, Receiver, Sender};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// To an ear.
pub enum ToEar {
    /// A microphone was opened: listen to it from now on.
    Stream { blocks: Receiver<Block>, converter: Box<Converter> },
    /// Which phrases count from now on.
    Counts(Vec<PhraseId>),
    /// The tool spoke until this session time, ms.
    Cut(u64),
    /// The loudspeaker plays this from a position on the session clock on (samples at 16 kHz).
    Plays { by: By, at: u64, samples: Arc<[i16]> },
    /// This voice falls silent at this position.
    FallsSilent { by: By, at: u64 },
    /// Sound without a microphone, from a position on: a stand-in's. Pieces follow each other without a gap.
    Digital { at: u64, samples: Vec<i16> },
}

/// Whose voice the loudspeaker plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    Tool,
    StandIn,
}

/// From an ear.
#[allow(clippy::large_enum_variant, reason = "one utterance a second at most: a box would save nothing")]
pub enum FromEar {
    Heard(Heard),
    /// Sound for the record, at a position on the session clock (samples at 16 kHz).
    Sound {
        post: Post,
        at: u64,
        samples: Vec<i16>,
        /// Somebody is in the middle of saying something.
        speaking: bool,
    },
    /// Frames that were dropped before they reached the ear; silence stands for them.
    Lost {
        post: Post,
        frames: u64,
    },
    /// The second ear failed; this post goes on with one.
    OneEar {
        post: Post,
        why: String,
    },
    /// Voices are no longer compared here.
    NoVoices {
        why: String,
    },
    /// The engine failed; this post hears nothing more.
    Failed {
        post: Post,
        why: String,
    },
}

/// A stream whose place on the clock is off by more than this is placed anew, ms.
const DRIFT_MS: u64 = 60;
/// The canceller gets the loudspeaker's sound this much earlier than the clock says, ms: it can wait for an echo, but
/// not undo one that came before its sound, and the sound system's own account of delays is a guess.
const AHEAD_MS: u64 = 60;

/// Starts the thread. It ends when the orders' sender, which this returns, is dropped.
pub fn start(listener: Listener, began: Instant, out: Sender<FromEar>) -> Sender<ToEar> {
    let (ear, orders) = crossbeam_channel::unbounded();
    std::thread::spawn(move || {
        let post = listener.post();
        let mut ear = match EchoCanceller::new() {
            Ok(canceller) => Ear {
                listener,
                began,
                out,
                stream: None,
                loudspeaker: Default::default(),
                canceller,
                uncleared: Vec::new(),
            },
            Err(error) => {
                let _ = out.send(FromEar::Failed { post, why: error.to_string() });
                return;
            }
        };
        if let Err(why) = ear.run(&orders) {
            // The runner may be gone already, which is the ordinary end.
            let _ = ear.out.send(FromEar::Failed { post, why });
        }
    });
    ear
}

struct Ear {
    listener: Listener,
    began: Instant,
    out: Sender<FromEar>,
    stream: Option<Stream>,
    /// One a voice, since one may be cut short while the other plays.
    loudspeaker: [Loudspeaker; 2],
    canceller: EchoCanceller,
    /// The latest samples, less than a frame of the canceller.
    uncleared: Vec<i16>,
}

struct Stream {
    blocks: Receiver<Block>,
    converter: Box<Converter>,
    /// Session position of the stream's sample 0, which may lie before the session; `None` before its first block.
    origin: Option<i64>,
}

impl Ear {
    fn run(&mut self, orders: &Receiver<ToEar>) -> Result<(), String> {
        loop {
            let blocks = self.stream.as_ref().map_or_else(never, |stream| stream.blocks.clone());
            select! {
                recv(orders) -> order => match order {
                    Ok(order) => self.obey(order)?,
                    Err(_) => return Ok(()),
                },
                recv(blocks) -> block => match block {
                    Ok(block) => self.hear(&block)?,
                    // The microphone was closed; its loss is reported by itself. Half a phrase must not wait for the
                    // other half.
                    Err(_) => {
                        self.stream = None;
                        self.listener.restart();
                    }
                },
            }
        }
    }

    fn obey(&mut self, order: ToEar) -> Result<(), String> {
        match order {
            ToEar::Stream { blocks, converter } => {
                self.stream = Some(Stream { blocks, converter, origin: None });
                self.uncleared.clear();
                self.listener.restart();
                Ok(())
            }
            ToEar::Counts(counts) => self.listener.set_counts(&counts).map_err(|error| error.to_string()),
            ToEar::Cut(at_ms) => {
                self.listener.cut(at_ms);
                Ok(())
            }
            ToEar::Plays { by, at, samples } => {
                self.loudspeaker[by as usize].plays(at, samples);
                Ok(())
            }
            ToEar::FallsSilent { by, at } => {
                self.loudspeaker[by as usize].falls_silent(at);
                Ok(())
            }
            ToEar::Digital { at, samples } => self.hear_at(at, samples),
        }
    }

    fn hear(&mut self, block: &Block) -> Result<(), String> {
        let Some(stream) = &mut self.stream else { return Ok(()) };
        let piece = stream.converter.push(block);
        let at = place(&mut stream.origin, session_position(self.began, piece.captured), piece.at);
        // A microphone is opened before the session begins; what it heard until then is not of the session.
        let before = usize::try_from(-at).unwrap_or(0).min(piece.samples.len());
        let samples = piece.samples[before..].to_vec();
        let at = u64::try_from(at).unwrap_or(0);
        if piece.lost_frames > 0 {
            self.tell(FromEar::Lost { post: block.post, frames: piece.lost_frames });
        }
        if samples.is_empty() {
            return Ok(());
        }
        self.hear_at(at, samples)
    }

    fn hear_at(&mut self, at: u64, samples: Vec<i16>) -> Result<(), String> {
        let heard = self.listen(at, &samples)?;
        let (post, speaking) = (self.listener.post(), self.listener.speaking());
        self.tell(FromEar::Sound { post, at, samples, speaking });
        if let Some(why) = self.listener.second_lost() {
            self.tell(FromEar::OneEar { post, why });
        }
        if let Some(why) = self.listener.voices_lost() {
            self.tell(FromEar::NoVoices { why });
        }
        heard.into_iter().for_each(|heard| self.tell(FromEar::Heard(heard)));
        Ok(())
    }

    /// Listens to samples at a position on the session clock, without the loudspeaker's sound in them.
    fn listen(&mut self, at: u64, samples: &[i16]) -> Result<Vec<Heard>, String> {
        let mut position = at.saturating_sub(self.uncleared.len() as u64);
        self.listener.set_clock(position / PER_MS);
        self.uncleared.extend_from_slice(samples);
        let whole = self.uncleared.len() / echo::FRAME * echo::FRAME;
        let mut cleared: Vec<i16> = self.uncleared.drain(..whole).collect();
        let mut voice = vec![0i16; whole];
        let (mut plays, mut more) = ([0i16; echo::FRAME], [0i16; echo::FRAME]);
        for (cleared, voice) in cleared.chunks_mut(echo::FRAME).zip(voice.chunks_mut(echo::FRAME)) {
            let [tool, stand_in] = &mut self.loudspeaker;
            tool.take(position + AHEAD_MS * PER_MS, &mut plays);
            stand_in.take(position + AHEAD_MS * PER_MS, &mut more);
            plays.iter_mut().zip(&more).for_each(|(all, one)| *all = all.saturating_add(*one));
            self.canceller.frame(&plays, cleared, voice).map_err(|error| error.to_string())?;
            position += echo::FRAME as u64;
        }
        self.listener.push_cleared(&cleared, &voice).map_err(|error| error.to_string())
    }

    fn tell(&self, news: FromEar) {
        // A runner that is gone has no use for news.
        let _ = self.out.send(news);
    }
}

/// A time as a position on the session clock, samples; negative before the session.
fn session_position(began: Instant, at: Instant) -> i64 {
    let samples = |span: Duration| span.as_micros() as i64 * PER_MS as i64 / 1000;
    match at.checked_duration_since(began) {
        Some(after) => samples(after),
        None => -samples(began.saturating_duration_since(at)),
    }
}

/// Where a piece that is `at` samples into its stream lies. The stream keeps its place until it is off by more than
/// `DRIFT_MS`.
fn place(origin: &mut Option<i64>, captured: i64, at: u64) -> i64 {
    let at = at as i64;
    let measured = captured - at;
    if origin.is_none_or(|origin| origin.abs_diff(measured) > DRIFT_MS * PER_MS) {
        *origin = Some(measured);
    }
    origin.unwrap_or(measured) + at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_that_began_before_the_session_is_placed_before_it_and_not_late() {
        let began = Instant::now() + Duration::from_secs(10);
        let second =
            |n: u64| session_position(began, began - Duration::from_secs(2) + Duration::from_secs(n));
        let mut origin = None;
        let places: Vec<i64> = (0..4).map(|n| place(&mut origin, second(n), n * 16_000)).collect();
        assert_eq!(places, [-32_000, -16_000, 0, 16_000]);
    }

    #[test]
    fn a_stream_keeps_its_place_until_it_is_off_by_more_than_the_drift() {
        let mut origin = None;
        assert_eq!(place(&mut origin, 1_000, 0), 1_000);
        assert_eq!(place(&mut origin, 1_000 + 320 + 900, 320), 1_320);
        assert_eq!(place(&mut origin, 1_000 + 640 + 1_000, 640), 2_640);
    }
}
