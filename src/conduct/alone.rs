//! A practice on virtual time: the stand-in partner speaks through the loudspeaker and, as digital sound, at its own
//! post; the trainee's post has a recording, or a second stand-in who shows what a practice is like.
//!
//! Owns the sound of both posts. Must not decide what anybody says.

use super::keeper::Keeper;
use super::partner::Partner;
use super::simulation::{at_level, SimulationError, Source, PERSON_DBFS, TICK};
use crate::audio::PER_MS;
use crate::listen::heard::Heard;
use crate::procedure::Post;
use crate::session::{Action, What};
use crate::voice::Renderer;
use std::collections::VecDeque;

pub struct Alone {
    partner: Partner,
    voice: Renderer,
    /// The partner's words that are still to come.
    sound: VecDeque<i16>,
    /// Those of this tick.
    now: [i16; TICK],
    trainee: Box<dyn Source>,
}

impl Alone {
    /// `trainee` is asked for the sound of the trainee's post only.
    pub fn new(partner: Partner, voice: Renderer, trainee: Box<dyn Source>) -> Alone {
        Alone { partner, voice, sound: VecDeque::new(), now: [0; TICK], trainee }
    }
}

impl Source for Alone {
    fn tick(
        &mut self,
        keeper: &mut Keeper,
        now_ms: u64,
        speaking: &dyn Fn(Post) -> bool,
    ) -> Result<(), SimulationError> {
        self.trainee.tick(keeper, now_ms, speaking)?;
        let own = self.partner.post();
        let others = [Post::Worker, Post::Observer].into_iter().any(|post| post != own && speaking(post));
        if let Some(line) = self.partner.say(keeper, now_ms, others)? {
            let samples = at_level(&self.voice.render(&line.text)?, PERSON_DBFS + line.louder_db);
            self.partner.said(&line, now_ms, samples.len() as u64 / PER_MS);
            self.sound.extend(samples);
        }
        self.now = [0; TICK];
        for sample in &mut self.now {
            *sample = self.sound.pop_front().unwrap_or(0);
        }
        Ok(())
    }

    fn loudspeaker(&self, out: &mut [i16]) {
        out.iter_mut().zip(&self.now).for_each(|(all, one)| *all = all.saturating_add(*one));
    }

    fn is_in_the_room(&self, post: Post) -> bool {
        post != self.partner.post()
    }

    fn fill(&mut self, post: Post, loudspeaker: &[i16], out: &mut [i16]) {
        if post == self.partner.post() {
            out.copy_from_slice(&self.now[..out.len()]);
        } else {
            self.trainee.fill(post, loudspeaker, out);
        }
    }

    fn is_echo(&self, keeper: &Keeper, heard: &Heard) -> bool {
        self.partner.is_echo(&keeper.procedure, heard)
    }

    fn after(
        &mut self,
        keeper: &mut Keeper,
        event: &What,
        actions: &[Action],
    ) -> Result<(), SimulationError> {
        if self.partner.after(keeper, event, actions) {
            self.sound.clear();
        }
        self.trainee.after(keeper, event, actions)
    }

    fn over(&self) -> bool {
        self.trainee.over()
    }

    fn ended(&mut self, keeper: &mut Keeper) {
        self.partner.tell(keeper);
    }
}
