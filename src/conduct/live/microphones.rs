//! The microphones of a live session: one that is lost is opened again, one that is mute or has the other's sound is lost for
//! as long, and what was dropped of their sound is told.
//!
//! Owns how each post gets its sound and when that is tried again. Must not know what is heard, nor what follows when a post is
//! lost or back.

use super::super::ear::ToEar;
use super::super::microphone::OpenMicrophone;
use super::super::same_sound::Change;
use super::{Live, LiveError};
use crate::audio::mic::{MicEvent, Microphone};
use crate::audio::retry::Retry;
use crate::audio::AudioError;
use crate::procedure::Post;
use crate::session::What;
use crossbeam_channel::{Receiver, Sender, TryRecvError};
use std::time::{Duration, Instant};

/// A microphone that was mute and came back this often has a noise gate: it is never quite silent otherwise.
const MUTED_AT_MOST: u8 = 2;
/// What was dropped is told this often at most: on a machine that is too busy it comes in a flood.
const TELL_DROPPED: Duration = Duration::from_secs(10);

/// One open microphone and the ear that listens to it.
pub(super) struct PostSound {
    pub post: Post,
    /// The id of its device: no other may take its place.
    wanted: Option<String>,
    pub microphone: Option<Microphone>,
    pub ear: Sender<ToEar>,
    /// It is lost: when it is tried again.
    retry: Option<Retry>,
    coming: Coming,
    pub dropped: Dropped,
    /// Somebody is in the middle of saying something there.
    pub speaking: bool,
    /// There is no microphone: a stand-in's sound comes as it is made.
    pub digital: bool,
    /// It gave nothing but zeros, and how often it has come back from that.
    mute: bool,
    unmuted: u8,
    /// It gives the other post's sound.
    one_with_other: bool,
}

impl PostSound {
    /// With a microphone and the id of its device, or without one.
    pub fn new(post: Post, ear: Sender<ToEar>, microphone: Option<(String, Microphone)>) -> PostSound {
        let digital = microphone.is_none();
        let (wanted, microphone) = microphone.unzip();
        PostSound {
            post,
            wanted,
            microphone,
            ear,
            retry: None,
            coming: Coming::default(),
            dropped: Dropped::default(),
            speaking: false,
            digital,
            mute: false,
            unmuted: 0,
            one_with_other: false,
        }
    }
}

/// After this long a try to open a microphone counts as hanging, and another is made beside it.
const HANGS: Duration = Duration::from_secs(15);
/// So many tries may hang at once.
const TRIES: usize = 4;

/// Tries to open something, each on a thread of its own: what hangs with a sound server keeps only that waiting, and a try
/// that never ends is not waited for alone.
struct Coming<T = OpenMicrophone> {
    tries: Vec<Receiver<Result<T, AudioError>>>,
    /// When the latest was begun.
    since: Option<Instant>,
}

/// How the tries stand.
enum Look<T> {
    /// None is made.
    Idle,
    Waiting,
    /// All that were made hang.
    Hangs,
    /// The last one failed.
    Failed,
    Here(T),
}

impl<T> Default for Coming<T> {
    fn default() -> Coming<T> {
        Coming { tries: Vec::new(), since: None }
    }
}

impl<T: Send + 'static> Coming<T> {
    fn try_once_more(&mut self, now: Instant, open: impl FnOnce() -> Result<T, AudioError> + Send + 'static) {
        let (tell, told) = crossbeam_channel::bounded(1);
        std::thread::spawn(move || {
            // Whoever waited may be gone: then what was opened is closed again.
            let _ = tell.send(open());
        });
        self.tries.push(told);
        self.since = Some(now);
    }

    fn look(&mut self, now: Instant) -> Look<T> {
        if self.tries.is_empty() {
            return Look::Idle;
        }
        let mut here = None;
        self.tries.retain(|told| match told.try_recv() {
            Err(TryRecvError::Empty) => true,
            Ok(Ok(opened)) => {
                here.get_or_insert(opened);
                false
            }
            Ok(Err(_)) | Err(TryRecvError::Disconnected) => false,
        });
        if let Some(opened) = here {
            // One device is opened once.
            self.tries.clear();
            return Look::Here(opened);
        }
        let long = self.since.is_some_and(|since| now.duration_since(since) > HANGS);
        match self.tries.len() {
            0 => Look::Failed,
            tries if long && tries < TRIES => Look::Hangs,
            _ => Look::Waiting,
        }
    }
}

/// What was lost of a microphone's sound on its way, and what of that was told.
#[derive(Default)]
pub(super) struct Dropped {
    /// Frames that did not reach the ear, since that was last told.
    pub frames: u64,
    /// Blocks and overruns, since the microphone was opened, as they were last told.
    told: (u64, u64),
    at: Option<Instant>,
}

impl Dropped {
    /// What there is to tell of this post, with its counts of blocks and overruns as they are now: at once, then every ten
    /// seconds at most, or when this is the `last` time.
    fn news(&mut self, post: Post, counts: (u64, u64), now: Instant, last: bool) -> Vec<String> {
        let early = self.at.is_some_and(|at| now.duration_since(at) < TELL_DROPPED);
        let mut news = Vec::new();
        if early && !last {
            return news;
        }
        if self.told != counts {
            let (blocks, overruns) = counts;
            news.push(format!(
                "the {}'s microphone: {blocks} blocks dropped, {overruns} overruns so far",
                post.name()
            ));
            self.told = counts;
        }
        if self.frames > 0 {
            news.push(format!("{} frames of the {}'s microphone were dropped", self.frames, post.name()));
            self.frames = 0;
        }
        if !news.is_empty() {
            self.at = Some(now);
        }
        news
    }
}

impl Live {
    pub(super) fn look_after_microphones(&mut self) -> Result<(), LiveError> {
        for index in 0..self.posts.len() {
            let events: Vec<MicEvent> = match &self.posts[index].microphone {
                Some(microphone) => microphone.events().try_iter().collect(),
                None => Vec::new(),
            };
            for event in events {
                match event {
                    MicEvent::Lost { post, why } => {
                        // Its counts go with it.
                        self.count_dropped(index, true)?;
                        self.posts[index].microphone = None;
                        self.posts[index].speaking = false;
                        self.posts[index].retry = Some(Retry::from(Instant::now()));
                        self.event(What::PostLost { post, why })?;
                    }
                    MicEvent::Mute { post, why } => self.mute(index, post, why)?,
                    MicEvent::Sound { post } => self.unmute(index, post)?,
                    MicEvent::Note { post, what } => {
                        let text = format!("the {}'s microphone: {what}", post.name());
                        self.keeper.remark(self.now_ms(), &text)?;
                    }
                }
            }
            self.reopen(index)?;
            self.count_dropped(index, false)?;
        }
        Ok(())
    }

    /// A microphone or the loudspeaker is there again, and so may be what went with it.
    pub(super) fn sound_is_back(&mut self) {
        let now = Instant::now();
        self.posts.iter_mut().filter_map(|post| post.retry.as_mut()).for_each(|retry| retry.hurry(now));
        self.mouth.voice.try_again();
    }

    /// Holds the session. The microphone stays open: it gives sound again as soon as somebody switches it on.
    fn mute(&mut self, index: usize, post: Post, why: String) -> Result<(), LiveError> {
        let sound = &mut self.posts[index];
        if sound.unmuted >= MUTED_AT_MOST {
            return Ok(());
        }
        (sound.mute, sound.speaking) = (true, false);
        self.event(What::PostLost { post, why })
    }

    fn unmute(&mut self, index: usize, post: Post) -> Result<(), LiveError> {
        let sound = &mut self.posts[index];
        if !std::mem::take(&mut sound.mute) {
            return Ok(());
        }
        sound.unmuted += 1;
        if sound.unmuted == MUTED_AT_MOST {
            let text = format!(
                "the {}'s microphone gave nothing but zeros and came back {MUTED_AT_MOST} times, as with a noise gate: from now \
                 on nobody is told when it is muted; switch the gate off",
                post.name()
            );
            self.keeper.remark(self.now_ms(), &text)?;
        }
        self.back(index)
    }

    fn reopen(&mut self, index: usize) -> Result<(), LiveError> {
        let sound = &mut self.posts[index];
        let Some(retry) = &mut sound.retry else { return Ok(()) };
        let now = Instant::now();
        match sound.coming.look(now) {
            Look::Here(open) => {
                sound.microphone = Some(open.deliver_to(&sound.ear)?);
                (sound.retry, sound.dropped.told) = (None, (0, 0));
                sound.mute = false;
                self.sound_is_back();
                return self.back(index);
            }
            Look::Failed => retry.failed(now),
            Look::Waiting => {}
            Look::Idle if !retry.is_due(now) => {}
            Look::Idle | Look::Hangs => {
                let (wanted, post) = (sound.wanted.clone(), sound.post);
                sound.coming.try_once_more(now, move || OpenMicrophone::open(wanted.as_deref(), post));
            }
        }
        Ok(())
    }

    fn count_dropped(&mut self, index: usize, last: bool) -> Result<(), LiveError> {
        let sound = &mut self.posts[index];
        let counts = match &sound.microphone {
            Some(microphone) => (microphone.counters().dropped_blocks(), microphone.counters().xruns()),
            None => sound.dropped.told,
        };
        for text in sound.dropped.news(sound.post, counts, Instant::now(), last) {
            self.keeper.remark(self.now_ms(), &text)?;
        }
        Ok(())
    }

    /// The record has the last counts at its end.
    pub(super) fn count_all_dropped(&mut self) -> Result<(), LiveError> {
        (0..self.posts.len()).try_for_each(|index| self.count_dropped(index, true))
    }

    /// Holds while two posts have one microphone's sound: one person would be heard as two.
    pub(super) fn compare(&mut self, index: usize, at: u64, samples: &[i16]) -> Result<(), LiveError> {
        let (now, tool_speaks) = (self.position(Instant::now()), self.speaking.is_some());
        let Some(same) = &mut self.same else { return Ok(()) };
        if tool_speaks {
            same.tool_spoke(now);
        }
        match same.push(index, at, samples) {
            None => Ok(()),
            Some(Change::One) => {
                let (other, post) = (self.posts[0].post, self.posts[1].post);
                (self.posts[1].one_with_other, self.posts[1].speaking) = (true, false);
                let why = format!(
                    "it gives the same sound as the {}'s: both may be one microphone, and one person would be heard as two",
                    other.name()
                );
                self.event(What::PostLost { post, why })
            }
            Some(Change::Two) => {
                self.posts[1].one_with_other = false;
                self.back(1)
            }
        }
    }

    /// A post is back when nothing keeps it away any more.
    fn back(&mut self, index: usize) -> Result<(), LiveError> {
        let PostSound { post, mute, one_with_other, ref microphone, .. } = self.posts[index];
        match microphone.is_some() && !mute && !one_with_other {
            true => self.event(What::PostBack { post }),
            false => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks until there is an answer.
    fn answer(coming: &mut Coming<u8>, now: Instant) -> Look<u8> {
        let since = Instant::now();
        loop {
            match coming.look(now) {
                Look::Waiting if since.elapsed() < Duration::from_secs(10) => std::thread::yield_now(),
                look => return look,
            }
        }
    }

    #[test]
    fn a_try_that_never_ends_does_not_keep_a_microphone_away_for_ever() {
        let (start, mut coming) = (Instant::now(), Coming::default());
        let (_forever, never) = crossbeam_channel::bounded::<u8>(0);
        let hang = || {
            let never = never.clone();
            move || Ok(never.recv().unwrap_or(0))
        };
        assert!(matches!(coming.look(start), Look::Idle));
        for tried in 0..TRIES as u32 {
            let now = start + tried * (HANGS + Duration::from_secs(1));
            coming.try_once_more(now, hang());
            assert!(matches!(coming.look(now + HANGS), Look::Waiting), "{tried}");
        }
        let late = start + 1_000 * HANGS;
        assert!(matches!(coming.look(late), Look::Waiting), "not one thread more");
        coming.tries.truncate(1);
        assert!(matches!(coming.look(late), Look::Hangs));
        coming.try_once_more(late, || Ok(7));
        assert!(matches!(answer(&mut coming, late), Look::Here(7)));
        assert!(matches!(coming.look(late), Look::Idle));
    }

    #[test]
    fn a_try_that_fails_is_told_once() {
        let (start, mut coming) = (Instant::now(), Coming::<u8>::default());
        coming.try_once_more(start, || Err(AudioError::Echo { why: "no such device".into() }));
        assert!(matches!(answer(&mut coming, start), Look::Failed));
        assert!(matches!(coming.look(start), Look::Idle));
    }

    #[test]
    fn a_flood_of_drops_is_told_at_once_then_every_ten_seconds_and_at_the_end() {
        let (start, mut dropped) = (Instant::now(), Dropped::default());
        let mut told = Vec::new();
        for tenth in 0..=257_u32 {
            dropped.frames += 160;
            let now = start + tenth * Duration::from_millis(100);
            let counts = (u64::from(tenth) + 1, 0);
            let news = dropped.news(Post::Worker, counts, now, tenth == 257);
            told.extend(news.into_iter().map(|text| (tenth, text)));
        }
        let at = |part: &str| {
            let lines = told.iter().filter(|(_, text)| text.contains(part));
            lines.map(|(tenth, _)| *tenth).collect::<Vec<_>>()
        };
        assert_eq!(at("blocks dropped"), [0, 100, 200, 257], "{told:?}");
        assert_eq!(at("frames of the worker's"), [0, 100, 200, 257], "{told:?}");
        assert!(
            told.iter().any(|(_, text)| text.contains("258 blocks dropped, 0 overruns so far")),
            "{told:?}"
        );
        assert!(told.iter().any(|(_, text)| text.starts_with("9120 frames")), "{told:?}");
        let later = start + Duration::from_secs(60);
        assert!(dropped.news(Post::Worker, (258, 0), later, true).is_empty(), "nothing new is no news");
    }
}
