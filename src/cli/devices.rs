//! `antiphon devices`: which microphones, loudspeakers and voices there are.
//!
//! Owns the table and its JSON form. Must not know how a session uses any of them.

use crate::audio::device::{self, Device, Direction};
use crate::audio::AudioError;
use crate::failure::{ExitCode, Failure};
use crate::voice::{natural, RenderVoice, Renderer, SystemVoice};
use serde::Serialize;
use std::fmt::Write;
use std::time::Duration;

/// Everything that was found, as `--json` prints it.
#[derive(Debug, Serialize)]
struct Report {
    microphones: Vec<Entry>,
    loudspeakers: Vec<Entry>,
    voices: Vec<VoiceEntry>,
    notes: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Entry {
    /// What `--mic` takes.
    id: String,
    name: String,
    default: bool,
    /// Hands back what a loudspeaker plays.
    monitor: bool,
    /// Its own rate, Hz.
    rate_hz: Option<u32>,
    /// Its own channels.
    channels: Option<u16>,
    /// Lowest and highest rate it can be asked for, Hz.
    rates_hz: Option<[u32; 2]>,
    /// Why it can't be used, if it can't.
    fault: Option<String>,
}

#[derive(Debug, Serialize)]
struct VoiceEntry {
    name: String,
    available: bool,
    /// Which voice answers, or why none does.
    detail: String,
}

/// How long the system's voice may take to answer.
const VOICE_TIMEOUT: Duration = Duration::from_secs(2);

/// Prints what there is. No microphone that works is [`ExitCode::NoDevice`].
pub fn run(json: bool) -> Result<ExitCode, Failure> {
    let report = gather();
    let text = if json {
        let mut text = serde_json::to_string_pretty(&report).map_err(|error| {
            Failure::new(ExitCode::Internal, "the devices can't be written as JSON").why(error)
        })?;
        text.push('\n');
        text
    } else {
        table(&report)
    };
    print(&text)?;
    let any = report.microphones.iter().any(|entry| entry.fault.is_none() && !entry.monitor);
    Ok(if any { ExitCode::Done } else { ExitCode::NoDevice })
}

/// A closed pipe (`| head`) is the reader's choice, not an error.
fn print(text: &str) -> Result<(), Failure> {
    use std::io::Write as _;
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Failure::new(ExitCode::Internal, "the list can't be printed").why(error))
        }
        _ => Ok(()),
    }
}

fn gather() -> Report {
    let mut notes = Vec::new();
    let microphones = entries(Direction::Input, &mut notes);
    let loudspeakers = entries(Direction::Output, &mut notes);
    Report { microphones, loudspeakers, voices: voices(), notes }
}

fn entries(direction: Direction, notes: &mut Vec<String>) -> Vec<Entry> {
    match device::list(direction) {
        Ok(listing) => {
            for note in listing.notes {
                if !notes.contains(&note) {
                    notes.push(note);
                }
            }
            listing.devices.iter().map(|device| entry(device, direction)).collect()
        }
        Err(error) => {
            notes.push(error.to_string());
            Vec::new()
        }
    }
}

fn entry(device: &Device, direction: Direction) -> Entry {
    let (id, name) = (device.id.clone(), device.name.clone());
    let mut entry = Entry {
        id,
        name,
        default: device.default,
        monitor: device.monitor,
        rate_hz: None,
        channels: None,
        rates_hz: None,
        fault: None,
    };
    if let Some((rate, channels)) = device::native(device, direction) {
        entry.rate_hz = Some(rate);
        entry.channels = Some(channels);
    }
    match device::ranges(device, direction) {
        Ok(ranges) => {
            let low = ranges.iter().map(cpal::SupportedStreamConfigRange::min_sample_rate).min();
            let high = ranges.iter().map(cpal::SupportedStreamConfigRange::max_sample_rate).max();
            entry.rates_hz = low.zip(high).map(|(low, high)| [low, high]);
            if let Err(error) = device::settings(device, direction) {
                entry.fault = Some(why(error));
            }
        }
        Err(error) => entry.fault = Some(why(error)),
    }
    entry
}

/// The error without the device's name, which stands beside it.
fn why(error: AudioError) -> String {
    match error {
        AudioError::Device { why, .. } | AudioError::NoDevice { why, .. } => why,
        other => other.to_string(),
    }
}

fn voices() -> Vec<VoiceEntry> {
    // Nobody listens to its events; only whether it answers counts.
    let (events, _) = crossbeam_channel::unbounded();
    let system = SystemVoice::start("en", events, VOICE_TIMEOUT)
        .map(|voice| format!("{} answers", crate::voice::LiveVoice::describe(&voice)))
        .map_err(|error| error.to_string());
    let rendered = |voice: RenderVoice| {
        let name = voice.to_string();
        let outcome = Renderer::new(voice).map(|_| "ready".to_string()).map_err(|error| error.to_string());
        (name, outcome)
    };
    let natural: Vec<(String, Result<String, String>)> = match natural::installed() {
        Ok(voices) => voices.into_iter().map(|voice| rendered(RenderVoice::Natural(voice))).collect(),
        Err(why) => vec![("natural".to_string(), Err(why.to_string()))],
    };
    let all = [
        ("system".to_string(), system),
        rendered(RenderVoice::Flite("slt".into())),
        rendered(RenderVoice::EspeakNg("en-gb".into())),
    ];
    all.into_iter()
        .chain(natural)
        .map(|(name, outcome)| {
            let available = outcome.is_ok();
            let detail = outcome.unwrap_or_else(|why| why);
            VoiceEntry { name, available, detail }
        })
        .collect()
}

fn table(report: &Report) -> String {
    let mut text = String::new();
    for (title, entries) in [("Microphones", &report.microphones), ("Loudspeakers", &report.loudspeakers)] {
        line(&mut text, format_args!("{title}:"));
        if entries.is_empty() {
            line(&mut text, format_args!("  none"));
        }
        for entry in entries {
            let star = if entry.default { '*' } else { ' ' };
            let monitor = if entry.monitor { ", hears a loudspeaker" } else { "" };
            line(&mut text, format_args!("{star} {}  {}{monitor}", entry.id, entry.name));
            if let Some(fault) = &entry.fault {
                line(&mut text, format_args!("      can't be used: {fault}"));
                continue;
            }
            if let (Some(rate), Some(channels)) = (entry.rate_hz, entry.channels) {
                line(&mut text, format_args!("      {rate} Hz, {channels} channel(s)"));
            }
            if let Some([low, high]) = entry.rates_hz {
                line(&mut text, format_args!("      can be asked for {low} to {high} Hz"));
            }
        }
    }
    line(&mut text, format_args!("Voices:"));
    for voice in &report.voices {
        let mark = if voice.available { "yes" } else { "no " };
        line(&mut text, format_args!("  {mark} {}  {}", voice.name, voice.detail));
    }
    line(&mut text, format_args!("* the default; a part of an id or name that fits one device is enough"));
    for note in &report.notes {
        line(&mut text, format_args!("note: {note}"));
    }
    text
}

fn line(text: &mut String, words: std::fmt::Arguments<'_>) {
    // Writing to a `String` can't fail.
    let _ = writeln!(text, "{words}");
}

#[cfg(test)]
mod tests {
    use super::*;

    fn report() -> Report {
        let entry = |id: &str, monitor: bool, fault: Option<&str>| Entry {
            id: id.into(),
            name: "Clip-on".into(),
            default: id.ends_with('1'),
            monitor,
            rate_hz: Some(44_100),
            channels: Some(2),
            rates_hz: Some([8_000, 48_000]),
            fault: fault.map(Into::into),
        };
        Report {
            microphones: vec![entry("pulseaudio:usb-1", false, None), entry("alsa:x", false, Some("busy"))],
            loudspeakers: Vec::new(),
            voices: vec![VoiceEntry { name: "system".into(), available: false, detail: "no answer".into() }],
            notes: vec!["using ALSA".into()],
        }
    }

    #[test]
    fn the_table_shows_the_default_the_faults_and_the_notes() {
        let text = table(&report());
        assert!(text.contains("* pulseaudio:usb-1  Clip-on\n      44100 Hz, 2 channel(s)\n"), "{text}");
        assert!(text.contains("  alsa:x  Clip-on\n      can't be used: busy\n"), "{text}");
        assert!(text.contains("Loudspeakers:\n  none\n"), "{text}");
        assert!(text.contains("  no  system  no answer\n"), "{text}");
        assert!(text.ends_with("note: using ALSA\n"), "{text}");
    }

    #[test]
    fn the_json_has_the_same_fields_for_every_device() {
        let json = serde_json::to_value(report()).unwrap();
        for entry in json["microphones"].as_array().unwrap() {
            let keys: Vec<&str> = entry.as_object().unwrap().keys().map(String::as_str).collect();
            assert_eq!(
                keys,
                ["channels", "default", "fault", "id", "monitor", "name", "rate_hz", "rates_hz"]
            );
        }
        assert_eq!(json["voices"][0]["available"], false);
    }
}
