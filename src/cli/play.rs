//! `play`: a session through the loudspeaker, with a moving timeline in the terminal.

use super::session::{interrupted_flag, is_set};
use super::{say, tell};
use crate::audio::speaker::{Speaker, Spoken};
use crate::audio::{PER_MS, RATE};
use crate::debrief::load::{load, Session};
use crate::debrief::model::Report;
use crate::debrief::page::clock;
use crate::debrief::sound::{self, Extent};
use crate::failure::{ExitCode, Failure};
use crate::screen::text::{clean, shorten};
use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Ctrl-C ends it. In a terminal one line moves along; otherwise each utterance is a line.

Examples:
  antiphon play SESSION
  antiphon play SESSION --step gown           from the step's instruction to its confirmation
  antiphon play SESSION --track worker --from 3:20"
)]
pub struct PlayArgs {
    /// The session's folder
    session: PathBuf,
    /// Only this step
    #[arg(long, value_name = "ID")]
    step: Option<String>,
    /// From this time on: seconds, or m:ss
    #[arg(long, value_name = "TIME", value_parser = time, conflicts_with = "step")]
    from: Option<f64>,
    /// One track alone: tool, worker, observer or room (default: all mixed)
    #[arg(long, value_name = "TRACK")]
    track: Option<String>,
    /// Loudspeaker
    #[arg(long, value_name = "DEVICE")]
    speaker: Option<String>,
}

pub(super) fn time(text: &str) -> Result<f64, String> {
    let wrong = || "write seconds or m:ss, for example 3:20".to_string();
    let seconds = match text.split_once(':') {
        None => text.parse::<f64>().map_err(|_| wrong())?,
        Some((minutes, seconds)) => {
            let minutes: u32 = minutes.parse().map_err(|_| wrong())?;
            f64::from(minutes) * 60.0
                + seconds.parse::<f64>().ok().filter(|s| (0.0..60.0).contains(s)).ok_or_else(wrong)?
        }
    };
    if seconds.is_finite() && seconds >= 0.0 {
        Ok(seconds)
    } else {
        Err(wrong())
    }
}

/// The loudspeaker gets sound in pieces of 100 ms, and this much of it early.
const PIECE: usize = RATE as usize / 10;
const AHEAD: Duration = Duration::from_millis(400);

pub fn run(args: &PlayArgs) -> Result<ExitCode, Failure> {
    let session = load(&args.session)?;
    let extent = session.sound.clone().map_err(|why| {
        Failure::new(ExitCode::BadAudio, format!("{}: no sound to play", session.audio_file().display()))
            .why(why)
    })?;
    for caution in &session.cautions {
        tell(&format!("caution: {}", clean(caution)));
    }
    let (from, to) = stretch(args, &session.report, &extent)?;
    let channel = channel(args, &session.report)?;
    let speaker = Speaker::open(args.speaker.as_deref()).map_err(|error| {
        let failure = Failure::from(error);
        let fix = failure.fix.clone().unwrap_or_default();
        failure.fix(format!(
            "{fix}; where there is no sound device: `antiphon debrief`, and a browser elsewhere"
        ))
    })?;
    for note in speaker.notes() {
        tell(&format!("note: {note}"));
    }
    let interrupted = interrupted_flag()?;
    let mut player = Player::new(&session, speaker, from, to);
    player.run(&extent, channel, &|| is_set(&interrupted))?;
    Ok(ExitCode::Done)
}

/// From and to, seconds.
fn stretch(args: &PlayArgs, report: &Report, extent: &Extent) -> Result<(f64, f64), Failure> {
    let end = extent.seconds();
    let usage = |what: String, fix: String| Err(Failure::new(ExitCode::Usage, what).fix(fix));
    let Some(id) = &args.step else {
        let from = args.from.unwrap_or(0.0);
        if from >= end {
            return usage(
                format!("--from {}: after the end", clock(from)),
                format!("the sound ends at {}", clock(end)),
            );
        }
        return Ok((from, end));
    };
    let visits: Vec<_> =
        report.visits.iter().filter(|visit| visit.step.is_some() && visit.place == *id).collect();
    let (Some(first), Some(last)) = (visits.first(), visits.last()) else {
        let known: Vec<&str> =
            report.steps.iter().filter(|step| step.began.is_some()).map(|step| step.id.as_str()).collect();
        return usage(
            format!("--step {id}: it was not done in this session"),
            format!("steps: {}", known.join(", ")),
        );
    };
    if first.from >= end {
        return usage(format!("--step {id}: the sound ends before it"), "see `antiphon verify`".into());
    }
    Ok((first.from, last.to.min(end)))
}

/// The channel of the track asked for; `None` for the mix.
fn channel(args: &PlayArgs, report: &Report) -> Result<Option<usize>, Failure> {
    let Some(name) = &args.track else { return Ok(None) };
    let tracks = report.audio.as_ref().map(|audio| audio.tracks.as_slice()).unwrap_or_default();
    match tracks.iter().position(|track| track == name) {
        Some(channel) => Ok(Some(channel)),
        None => Err(Failure::new(ExitCode::Usage, format!("--track {name}: there is no such track"))
            .fix(format!("tracks: {}", tracks.join(", ")))),
    }
}

struct Player<'a> {
    session: &'a Session,
    speaker: Speaker,
    from: f64,
    to: f64,
    /// When the first piece went out.
    began: Option<Instant>,
    moving: bool,
    /// The utterance shown last.
    shown: Option<usize>,
}

impl<'a> Player<'a> {
    fn new(session: &'a Session, speaker: Speaker, from: f64, to: f64) -> Player<'a> {
        let moving = io::stdout().is_terminal();
        Player { session, speaker, from, to, began: None, moving, shown: None }
    }

    fn run(
        &mut self,
        extent: &Extent,
        channel: Option<usize>,
        interrupted: &dyn Fn() -> bool,
    ) -> Result<(), Failure> {
        let sample = |seconds: f64| (seconds * 1000.0) as u64 * PER_MS;
        let (from, to) = (sample(self.from), sample(self.to));
        let mut at = 0u64;
        let mut piece: Vec<i16> = Vec::with_capacity(PIECE);
        let mut ended: Option<Result<(), Failure>> = None;
        let path = self.session.audio_file();
        let read = sound::frames(&path, extent, |frame| {
            at += 1;
            if at <= from {
                return Ok(());
            }
            piece.push(channel.map_or_else(|| sound::mix(frame), |channel| frame[channel]));
            if piece.len() < PIECE && at < to {
                return Ok(());
            }
            let played = self.play(at - from, &std::mem::take(&mut piece), interrupted);
            match played {
                Ok(true) if at < to => return Ok(()),
                Ok(_) => ended = Some(Ok(())),
                Err(failure) => ended = Some(Err(failure)),
            }
            Err(io::Error::other("that is all"))
        });
        let result = match (ended, read) {
            (Some(ended), _) => ended,
            (None, Ok(())) => Ok(()),
            (None, Err(error)) => {
                Err(Failure::new(ExitCode::BadAudio, format!("{}: can't be read", path.display())).why(error))
            }
        };
        if result.is_ok() {
            self.wait_until(self.to - self.from, interrupted);
        }
        self.speaker.hush();
        if self.moving {
            say("");
        }
        result
    }

    /// Queues a piece that ends `end` samples after the beginning. `false`: the user wants no more.
    fn play(&mut self, end: u64, piece: &[i16], interrupted: &dyn Fn() -> bool) -> Result<bool, Failure> {
        self.speaker.play(end, piece)?;
        while let Ok(news) = self.speaker.events().try_recv() {
            if let Spoken::Lost { why } = news {
                return Err(Failure::new(ExitCode::NoDevice, "the loudspeaker is gone").why(why));
            }
        }
        self.began.get_or_insert_with(Instant::now);
        let end = end as f64 / f64::from(RATE);
        self.wait_until(end - AHEAD.as_secs_f64(), interrupted);
        Ok(!interrupted())
    }

    /// Waits until so many seconds were heard, and moves the timeline.
    fn wait_until(&mut self, seconds: f64, interrupted: &dyn Fn() -> bool) {
        let Some(began) = self.began else { return };
        loop {
            let heard = began.elapsed().as_secs_f64();
            self.show(self.from + heard.min(self.to - self.from));
            if heard >= seconds || interrupted() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn show(&mut self, at: f64) {
        let report = &self.session.report;
        let said = report.utterances.iter().rfind(|one| one.from <= at && at < one.to);
        if !self.moving {
            if let Some(one) = said.filter(|one| self.shown != Some(one.number)) {
                self.shown = Some(one.number);
                say(&shorten(&format!("{:>9} {}: {}", clock(one.from), one.speaker, one.text), 200));
            }
            return;
        }
        let width = crossterm::terminal::size().map_or(80, |(columns, _)| usize::from(columns)).max(20) - 1;
        let line = timeline(report, at, self.from, self.to, width);
        let mut out = io::stdout().lock();
        let _ = write!(out, "\r{line}\u{1b}[K").and_then(|()| out.flush());
    }
}

/// One line: the time, where we are, the step, and what is being said.
fn timeline(report: &Report, at: f64, from: f64, to: f64, width: usize) -> String {
    let bar = (width / 4).clamp(8, 30);
    let place =
        ((bar - 1) as f64 * (at - from) / (to - from).max(0.001)).clamp(0.0, (bar - 1) as f64) as usize;
    let track: String = (0..bar).map(|n| if n == place { '\u{25cf}' } else { '\u{2500}' }).collect();
    let visit = report.visits.iter().rfind(|visit| visit.from <= at);
    let step = match visit {
        Some(visit) => match visit.step {
            Some(index) => format!("step {} {}", index + 1, visit.place),
            None => visit.place.clone(),
        },
        None => String::new(),
    };
    let said = report.utterances.iter().rfind(|one| one.from <= at && at < one.to);
    let said = said.map(|one| format!("  {}: {}", one.speaker, one.text)).unwrap_or_default();
    let hold =
        if report.holds.iter().any(|hold| hold.from <= at && at < hold.to) { " (on hold)" } else { "" };
    shorten(&format!("{:>8} {track} {step}{hold}{said}", clock(at)), width)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_seconds_or_minutes_and_seconds() {
        assert_eq!(time("200"), Ok(200.0));
        assert_eq!(time("3:20.5"), Ok(200.5));
        for wrong in ["", "x", "-1", "1:60", "1:-2", "nan", "inf", ":"] {
            assert!(time(wrong).is_err(), "{wrong:?}");
        }
    }
}
