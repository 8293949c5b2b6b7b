//! A microphone that was opened before a session, so that every problem is told before anybody speaks.
//!
//! Owns the channel between a microphone and its ear. Must not know what is heard.

use super::ear::ToEar;
use crate::audio::mic::{Block, Microphone};
use crate::audio::AudioError;
use crate::procedure::Post;
use crossbeam_channel::{Receiver, Sender};

/// Blocks a microphone may be ahead of its ear: 1,024 blocks of 10 to 30 ms are ten seconds and more, longer than two
/// ears take for one utterance on a machine that is busy with something else.
const BLOCKS: usize = 1_024;

/// A microphone that delivers, before a session.
pub struct OpenMicrophone {
    microphone: Microphone,
    blocks: Receiver<Block>,
}

impl OpenMicrophone {
    /// Opens the named microphone, or the default one.
    pub fn open(wanted: Option<&str>, post: Post) -> Result<OpenMicrophone, AudioError> {
        let (out, blocks) = crossbeam_channel::bounded(BLOCKS);
        let microphone = Microphone::open(wanted, post, out)?;
        Ok(OpenMicrophone { microphone, blocks })
    }

    pub fn post(&self) -> Post {
        self.microphone.post()
    }

    /// From now on its sound goes to this ear.
    pub(super) fn deliver_to(self, ear: &Sender<ToEar>) -> Result<Microphone, AudioError> {
        let converter = Box::new(self.microphone.converter()?);
        // An ear that failed has said so, and hears nothing more.
        let _ = ear.send(ToEar::Stream { blocks: self.blocks, converter });
        Ok(self.microphone)
    }

    /// The device's id: only this very device may take its place when it is lost.
    pub(super) fn id(&self) -> &str {
        self.microphone.id()
    }

    /// The device, for the screen and the journal.
    pub fn describe(&self) -> String {
        self.microphone.describe()
    }

    pub fn notes(&self) -> &[String] {
        self.microphone.notes()
    }
}
