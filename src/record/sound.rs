//! The session's sound on its way to the disk: written, synced each half second, and given up before the journal suffers.
//!
//! Owns when the tracks are synced and when they stop. A failure of the sound never ends a session: it is told once, and the
//! journal goes on. Must not know what the tracks hold.

use super::moved::Missing;
use super::tracks::{Finished, Piece, Tracks};
use super::{space, RecordError, SessionFolder};
use crate::audio::RATE;
use crossbeam_channel::{bounded, Receiver, Sender, TrySendError};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::Arc;

/// The sound stops when the disk has less room than this: the journal of a long session takes a hundredth of it.
const RESERVE: u64 = 16 << 20;
/// The room is looked at whenever the session has gone on by so many samples: two seconds.
const LOOK_EVERY: u64 = 2 * RATE as u64;
/// A track that is further behind than this has lost its microphone: nothing waits for it, samples.
const LOST: u64 = 2 * RATE as u64;

/// The tracks of a session, which may have stopped.
pub struct Sound {
    tracks: Tracks,
    /// What stopped it, once it has, and whether that was told.
    stopped: Option<String>,
    told: bool,
    looked_at: u64,
    syncer: Option<Syncer>,
    synced_at: u64,
}

impl Sound {
    /// `live`: the sound is synced while it is recorded; otherwise only at the end.
    pub fn new(tracks: Tracks, live: bool) -> Result<Sound, RecordError> {
        let syncer = if live { Some(Syncer::of(&tracks)?) } else { None };
        Ok(Sound { tracks, stopped: None, told: false, looked_at: 0, syncer, synced_at: 0 })
    }

    /// As `Tracks::copy_to`.
    pub fn copy_to(&self, folder: &SessionFolder) -> Result<(Sound, Option<Missing>), RecordError> {
        let (tracks, missing) = self.tracks.copy_to(folder)?;
        let synced_at = tracks.written();
        let syncer = match &self.syncer {
            Some(_) => Some(Syncer::of(&tracks)?),
            None => None,
        };
        // The copy is on the disk.
        if let Some(syncer) = &syncer {
            syncer.synced.fetch_max(synced_at, Ordering::AcqRel);
        }
        let (stopped, told) = (self.stopped.clone(), self.told);
        Ok((Sound { tracks, stopped, told, looked_at: self.looked_at, syncer, synced_at }, missing))
    }

    pub fn names(&self) -> &[String] {
        self.tracks.names()
    }

    /// As `Tracks::harm`.
    pub fn harm(&self) -> Option<String> {
        self.tracks.harm()
    }

    /// As `Tracks::write`, less what came too late. Once the sound has stopped, nothing happens.
    ///
    /// Errors: only of asking for what can't be (`NoSuchTrack`).
    pub fn write(&mut self, track: usize, at_sample: u64, samples: &[i16]) -> Result<u64, RecordError> {
        if self.stopped.is_some() {
            return Ok(0);
        }
        match self.tracks.write(track, at_sample, samples) {
            Ok(late) => Ok(late.dropped),
            Err(error @ RecordError::NoSuchTrack { .. }) => Err(error),
            Err(error) => {
                self.stop(error.to_string());
                Ok(0)
            }
        }
    }

    /// As `Tracks::advance`.
    pub fn advance(&mut self, to_sample: u64) {
        if self.stopped.is_none() {
            self.look_at_room(to_sample);
            self.go_on(to_sample);
        }
    }

    /// The digests of the sound at each ten seconds of it, each once and only when that sound is on the disk: so a
    /// journal that has them never says more than a power cut leaves.
    pub fn pieces(&mut self) -> Vec<Piece> {
        let safe = match &self.syncer {
            _ if !self.tracks.has_piece() => return Vec::new(),
            Some(syncer) => syncer.synced.load(Ordering::Acquire),
            None if self.stopped.is_some() => return Vec::new(),
            None => {
                let written = self.tracks.written();
                match self.tracks.sync() {
                    Ok(()) => written,
                    Err(error) => {
                        self.stop(error.to_string());
                        return Vec::new();
                    }
                }
            }
        };
        std::iter::from_fn(|| self.tracks.piece(safe)).collect()
    }

    /// Why the sound has stopped, once.
    pub fn news(&mut self) -> Option<String> {
        let why = self.stopped.clone().filter(|_| !self.told);
        self.told |= why.is_some();
        why
    }

    fn look_at_room(&mut self, at: u64) {
        if at != 0 && at < self.looked_at + LOOK_EVERY {
            return;
        }
        self.looked_at = at;
        // A file system that can't say how much room it has is written to until it is full.
        if let Some(left) = space::left(self.tracks.path()).filter(|left| *left < RESERVE) {
            self.stop(format!("only {} MB are left on the disk, and the journal needs them", left >> 20));
        }
    }

    fn go_on(&mut self, to_sample: u64) {
        if self.stopped.is_some() {
            return;
        }
        let advanced = self.tracks.advance(to_sample);
        let synced = self.syncer.as_mut().map_or(Ok(()), |syncer| match self.tracks.written() {
            written if written > self.synced_at => {
                self.synced_at = written;
                syncer.sync(written)
            }
            _ => Ok(()),
        });
        if let Err(error) = advanced.and(synced) {
            self.stop(error.to_string());
        }
    }

    /// Puts everything up to here on the disk, as far as the first `posts` tracks have it: an answer that counts is there
    /// before the journal says so. Without syncing (see `new`) nothing happens.
    pub fn secure(&mut self, to_sample: u64, posts: usize) {
        if self.stopped.is_some() || self.syncer.is_none() {
            return;
        }
        let all = (0..posts).map(|track| self.tracks.received(track));
        let to = all.filter(|at| at + LOST >= to_sample).fold(to_sample, u64::min);
        if let Err(error) = self.tracks.advance(to).and_then(|()| self.tracks.sync()) {
            return self.stop(error.to_string());
        }
        if let Some(syncer) = &self.syncer {
            syncer.synced.fetch_max(self.tracks.written(), Ordering::AcqRel);
        }
    }

    fn stop(&mut self, why: String) {
        self.tracks.stop();
        self.stopped = Some(why);
    }

    /// As `Tracks::finish`.
    pub fn finish(self) -> Result<Finished, RecordError> {
        self.tracks.finish()
    }
}

/// How long the sound of so many tracks may go on, in minutes; `None` where the file system does not say.
pub fn minutes_left(folder: &Path, tracks: usize) -> Option<u64> {
    let left = space::left(folder)?.saturating_sub(RESERVE);
    Some(left / (2 * tracks.max(1) as u64 * u64::from(RATE) * 60))
}

/// Syncs a file on a thread of its own: a slow disk keeps nobody waiting.
struct Syncer {
    /// Samples (of each track) that were in the file when it was asked.
    wanted: Sender<u64>,
    failed: Receiver<RecordError>,
    /// So many are on the disk.
    synced: Arc<AtomicU64>,
}

impl Syncer {
    fn of(tracks: &Tracks) -> Result<Syncer, RecordError> {
        let (file, path) = tracks.another_handle()?;
        let (wanted, orders) = bounded::<u64>(1);
        let (tell, failed) = bounded(1);
        let synced = Arc::new(AtomicU64::new(0));
        let done = Arc::clone(&synced);
        std::thread::spawn(move || {
            for written in orders {
                if let Err(error) = file.sync_data() {
                    // Whoever recorded may have ended; then closing the file tells of it.
                    let _ = tell.try_send(RecordError::io("sync the audio track", &path, error));
                    return;
                }
                done.fetch_max(written, Ordering::AcqRel);
            }
        });
        Ok(Syncer { wanted, failed, synced })
    }

    /// Errors: of the last time.
    fn sync(&mut self, written: u64) -> Result<(), RecordError> {
        if let Ok(error) = self.failed.try_recv() {
            return Err(error);
        }
        match self.wanted.try_send(written) {
            // It is still at the last one: what has come since is in the next.
            Ok(()) | Err(TrySendError::Full(_)) => Ok(()),
            // It has told why.
            Err(TrySendError::Disconnected(_)) => Ok(()),
        }
    }
}
