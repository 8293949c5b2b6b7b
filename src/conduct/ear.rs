//! One listener on a thread of its own: blocks of one microphone in, what was heard out.
//!
//! Owns the thread, the converter and the place of the stream on the session clock. Must not know the session's rules.

use crate::audio::convert::Converter;
use crate::audio::mic::Block;
use crate::audio::PER_MS;
use crate::listen::heard::Heard;
use crate::listen::listener::Listener;
use crate::procedure::{PhraseId, Post};
use crossbeam_channel::{never, select, Receiver, Sender};
use std::time::Instant;

/// To an ear.
pub enum ToEar {
    /// A microphone was opened: listen to it from now on.
    Stream { blocks: Receiver<Block>, converter: Box<Converter> },
    /// Which phrases count from now on.
    Counts(Vec<PhraseId>),
    /// Forget what was heard before this session time, ms.
    Cut(u64),
}

/// From an ear.
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
    /// The engine failed; this post hears nothing more.
    Failed {
        post: Post,
        why: String,
    },
}

/// A stream whose place on the clock is off by more than this is placed anew, ms.
const DRIFT_MS: u64 = 60;

/// Starts the thread. It ends when the orders' sender is dropped.
pub fn start(listener: Listener, began: Instant, orders: Receiver<ToEar>, out: Sender<FromEar>) {
    std::thread::spawn(move || {
        let post = listener.post();
        let mut ear = Ear { listener, began, out, stream: None };
        if let Err(why) = ear.run(&orders) {
            // The runner may be gone already, which is the ordinary end.
            let _ = ear.out.send(FromEar::Failed { post, why });
        }
    });
}

struct Ear {
    listener: Listener,
    began: Instant,
    out: Sender<FromEar>,
    stream: Option<Stream>,
}

struct Stream {
    blocks: Receiver<Block>,
    converter: Box<Converter>,
    /// Session position of the stream's sample 0; `None` before its first block.
    origin: Option<u64>,
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
                    // The microphone was closed; its loss is reported by itself.
                    Err(_) => self.stream = None,
                },
            }
        }
    }

    fn obey(&mut self, order: ToEar) -> Result<(), String> {
        match order {
            ToEar::Stream { blocks, converter } => {
                self.stream = Some(Stream { blocks, converter, origin: None });
                Ok(())
            }
            ToEar::Counts(counts) => self.listener.set_counts(&counts).map_err(|error| error.to_string()),
            ToEar::Cut(at_ms) => {
                self.listener.cut(at_ms);
                Ok(())
            }
        }
    }

    fn hear(&mut self, block: &Block) -> Result<(), String> {
        let Some(stream) = &mut self.stream else { return Ok(()) };
        let piece = stream.converter.push(block);
        let captured = piece.captured.saturating_duration_since(self.began);
        let measured = (captured.as_millis() as u64 * PER_MS).saturating_sub(piece.at);
        let origin = match stream.origin {
            Some(origin) if origin.abs_diff(measured) <= DRIFT_MS * PER_MS => origin,
            _ => {
                stream.origin = Some(measured);
                measured
            }
        };
        let at = origin + piece.at;
        self.listener.set_clock(at / PER_MS);
        if piece.lost_frames > 0 {
            self.tell(FromEar::Lost { post: block.post, frames: piece.lost_frames });
        }
        let heard = self.listener.push(&piece.samples).map_err(|error| error.to_string())?;
        let speaking = self.listener.speaking();
        self.tell(FromEar::Sound { post: block.post, at, samples: piece.samples, speaking });
        heard.into_iter().for_each(|heard| self.tell(FromEar::Heard(heard)));
        Ok(())
    }

    fn tell(&self, news: FromEar) {
        // A runner that is gone has no use for news.
        let _ = self.out.send(news);
    }
}
