//! The stand-in partner in real time: its voice in the room, and its sound at its own post.
//!
//! Owns what the loudspeaker plays of it, which goes to its ear as it is: the ear judges it like anybody's words. Must
//! not decide what it says.

use super::actors::Line;
use super::ear::ToEar;
use super::keeper::Keeper;
use super::partner::Partner;
use crate::audio::echo::Loudspeaker;
use crate::audio::PER_MS;
use crate::listen::heard::Heard;
use crate::procedure::{Post, Procedure};
use crate::record::RecordError;
use crate::session::{Action, What};
use crate::voice::{LiveVoice, Played, VoiceEvent};
use crossbeam_channel::{Receiver, Sender};

/// The partner's ear hears so much later than the room, so that what is played is known by then, samples.
const BEHIND: u64 = 100 * PER_MS;
/// The most that goes to the ear at once, samples.
const PIECE: u64 = 100 * PER_MS;

/// The voice of the stand-in.
pub struct PartnerVoice {
    pub voice: Box<dyn LiveVoice>,
    pub events: Receiver<VoiceEvent>,
    pub played: Receiver<Played>,
}

pub struct LivePartner {
    partner: Partner,
    voice: PartnerVoice,
    ear: Sender<ToEar>,
    plays: Loudspeaker,
    /// What the ear has heard, samples on the session clock.
    fed: u64,
    /// Words on their way to the loudspeaker.
    saying: Option<Line>,
    utterances: u64,
}

impl LivePartner {
    pub fn new(partner: Partner, voice: PartnerVoice, ear: Sender<ToEar>) -> LivePartner {
        let plays = Loudspeaker::default();
        LivePartner { partner, voice, ear, plays, fed: 0, saying: None, utterances: 0 }
    }

    pub fn post(&self) -> Post {
        self.partner.post()
    }

    pub(super) fn played(&self) -> Receiver<Played> {
        self.voice.played.clone()
    }

    pub(super) fn is_echo(&self, procedure: &Procedure, heard: &Heard) -> bool {
        self.partner.is_echo(procedure, heard)
    }

    pub(super) fn after(&mut self, keeper: &mut Keeper, what: &What, actions: &[Action]) {
        if self.partner.after(keeper, what, actions) {
            self.voice.voice.hush();
        }
    }

    /// The loudspeaker plays its words, or fell silent in them, at a position.
    pub(super) fn began(&mut self, at: u64, played: &Played) {
        match played {
            Played::Begins { samples, .. } => {
                if let Some(line) = self.saying.take() {
                    self.partner.said(&line, at / PER_MS, samples.len() as u64 / PER_MS);
                }
                self.plays.plays(at, samples.clone());
            }
            Played::CutShort { .. } => self.plays.falls_silent(at),
            Played::Piece { .. } => {}
        }
    }

    /// Says what is due, and lets its ear hear what was played until now. Returns why it can't speak any more.
    pub(super) fn speak(
        &mut self,
        keeper: &mut Keeper,
        now_ms: u64,
        position: u64,
        others: bool,
    ) -> Result<Option<String>, RecordError> {
        if let Some(line) = self.partner.say(keeper, now_ms, others)? {
            self.utterances += 1;
            self.voice.voice.speak(self.utterances, &line.text);
            self.saying = Some(line);
        }
        let until = position.saturating_sub(BEHIND);
        while self.fed < until {
            let length = PIECE.min(until - self.fed);
            let mut samples = vec![0i16; length as usize];
            self.plays.take(self.fed, &mut samples);
            // An ear that failed has said so.
            let _ = self.ear.send(ToEar::Digital { at: self.fed, samples });
            self.fed += length;
        }
        let failed = self.voice.events.try_iter().find_map(|event| match event {
            VoiceEvent::Failed { why, .. } => Some(why),
            _ => None,
        });
        Ok(failed)
    }

    /// The session is over.
    pub(super) fn end(&mut self, keeper: &mut Keeper) {
        self.voice.voice.hush();
        self.partner.tell(keeper);
    }
}
