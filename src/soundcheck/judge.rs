//! What of the measured must be changed before a session, and what to do about it.
//!
//! Owns the thresholds and the advice. Pure: the report's numbers in, findings out. Must not know how they were measured.

use super::report::{Asked, Microphone, Outcome, Prompt};
use crate::procedure::{Post, Role};
use serde::Serialize;

/// A signal must be this far over the noise, dB (ISO 7731:2003, from memory: at least 15 dB(A) over the ambient noise).
pub const PROMPT_OVER_ROOM_DB: f32 = 15.0;
/// The tool's voice is heard at an open microphone so long after its end, ms, that its last words may be taken for the
/// person's. A session forgets what it heard up to 250 ms before its own end only.
const PROMPT_LATE_MS: u64 = 400;
/// Less than this over the room, dB, and a microphone does not hear the loudspeaker at all. Common practice, no source.
pub const PROMPT_HEARD_DB: f32 = 3.0;
/// Speech must be this far over the room, dB. Everyday speech is 5 to 15 dB over it (Olsen 1998); below 10 dB the
/// listener asks again too often.
const SNR_LEAST_DB: f32 = 10.0;
/// From here on more does not help. Common practice, no source.
const SNR_GOOD_DB: f32 = 15.0;
/// Active speech level that speech is brought to in ITU-T P.56 work, dBFS.
const SPEECH_DBFS: f32 = -26.0;
/// Speech this far below or above that is worth a remark, dB, and so far below must be changed, since a few bits of
/// sound are left. Common practice, no source.
const SPEECH_OFF_DB: f32 = 15.0;
const SPEECH_FAR_OFF_DB: f32 = 30.0;
/// Share of clipped samples that must be changed. Common practice, no source.
const CLIPPED_SHARE: f32 = 0.001;
/// Hum is worth a remark from this share of the room's power and this level on, dBFS. Common practice, no source.
const HUM_SHARE: f32 = 0.25;
const HUM_DBFS: f32 = -60.0;
/// From this share on the hum is the room's noise.
const HUM_MOST: f32 = 0.5;
/// Offset, share of full scale, worth a remark, and to be changed: it takes room from loud speech. Common practice, no
/// source.
const OFFSET: f32 = 0.01;
const OFFSET_MUCH: f32 = 0.1;

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// No session before this is changed.
    Change,
    /// A session can go on with it.
    Better,
    /// To be known; nothing to do.
    Note,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Lost,
    Dead,
    Gated,
    NoQuiet,
    Noise,
    Hum,
    Offset,
    TooQuiet,
    TooLoud,
    Clipped,
    PromptFaint,
    PromptNotJudged,
    PromptLate,
    Voice,
    Swapped,
    NotHeard,
    NotSure,
    Repeated,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    pub kind: Kind,
    pub weight: Weight,
    /// At which microphone, or whose; `None` when it is nobody's own.
    pub post: Option<Post>,
    /// What was found, with its numbers.
    pub what: String,
    /// What to do, fit to be spoken.
    pub advice: String,
}

/// Every finding, the heaviest first, otherwise in the order in which things are set right: microphones, then people.
pub fn findings(microphones: &[Microphone], phrases: &[Asked], voice: Option<&str>) -> Vec<Finding> {
    let mut all = Vec::new();
    if let Some(why) = voice {
        let what = format!("the tool's voice failed: {why}");
        all.push(finding(Kind::Voice, Weight::Change, None, what, "Choose another voice or loudspeaker."));
    }
    // A check that a loss cut short has not measured everything, which is no fault of the rest.
    let cut_short = voice.is_some() || microphones.iter().any(|mic| mic.lost.is_some());
    microphones.iter().for_each(|mic| of_microphone(mic, cut_short, &mut all));
    of_people(microphones, phrases, &mut all);
    all.sort_by_key(|finding| finding.weight as u8);
    all
}

fn finding(
    kind: Kind,
    weight: Weight,
    post: Option<Post>,
    what: String,
    advice: impl Into<String>,
) -> Finding {
    Finding { kind, weight, post, what, advice: advice.into() }
}

/// Whose microphone, to begin a sentence with.
fn owner(post: Post) -> &'static str {
    match post {
        Post::Worker => "The worker's microphone",
        Post::Observer => "The observer's microphone",
        Post::Room => "The shared microphone",
    }
}

/// Who is told.
fn person(post: Post) -> &'static str {
    match post {
        Post::Worker => "Worker",
        Post::Observer => "Observer",
        Post::Room => "Both",
    }
}

fn of_microphone(mic: &Microphone, cut_short: bool, all: &mut Vec<Finding>) {
    let (owner, person) = (owner(mic.post), person(mic.post));
    let mut add = |kind, weight, what: String, advice: String| {
        all.push(finding(kind, weight, Some(mic.post), format!("{owner}: {what}"), advice));
    };
    if let Some(why) = &mic.lost {
        let what = format!("it was lost: {why}");
        return add(
            Kind::Lost,
            Weight::Change,
            what,
            format!("{owner} is lost. Plug it in, and check again."),
        );
    }
    if mic.dead {
        let advice = format!("{owner} is dead. Switch it on, unmute it, or choose another.");
        return add(Kind::Dead, Weight::Change, "digital silence, every sample is the same".into(), advice);
    }
    let Some(room) = &mic.room else {
        if cut_short {
            return;
        }
        let advice = "Begin the recording with two seconds of room, in which nobody speaks.".to_string();
        return add(Kind::NoQuiet, Weight::Change, "no quiet second to measure the room".into(), advice);
    };
    if room.digital_silence {
        let advice = format!("Switch off the noise gate of {}: it may cut off words.", lower(owner));
        add(Kind::Gated, Weight::Better, "digital silence while nobody speaks".into(), advice);
    }
    if room.offset.abs() >= OFFSET {
        let weight = if room.offset.abs() >= OFFSET_MUCH { Weight::Change } else { Weight::Better };
        let what = format!("a constant offset of {:.0} % of full scale", 100.0 * room.offset);
        add(Kind::Offset, weight, what, format!("{owner} or its sound card is faulty. Choose another."));
    }
    let snr = mic.speech.and_then(|speech| speech.snr_db);
    let hum = room.hum.filter(|hum| hum.share >= HUM_SHARE && hum.level_dbfs >= HUM_DBFS);
    let noisy = snr.filter(|snr| *snr < SNR_GOOD_DB);
    let weight = if noisy.is_some_and(|snr| snr < SNR_LEAST_DB) { Weight::Change } else { Weight::Better };
    match (hum, noisy) {
        (Some(hum), noisy) if noisy.is_none() || hum.share >= HUM_MOST => {
            let (hz, share, level) = (hum.mains_hz, 100.0 * hum.share, hum.level_dbfs);
            let what = format!("hum at {hz} Hz, {level:.0} dBFS, {share:.0} % of the room's noise");
            let advice = format!(
                "There is hum at {hz} hertz. Switch off or move away chargers, lamps and cables near {}.",
                lower(owner)
            );
            add(Kind::Hum, weight, what, advice);
        }
        (_, Some(snr)) => {
            let noise = room.noise_dbfs;
            let what = format!(
                "speech is {snr:.0} dB over the room ({noise:.0} dBFS); at least {SNR_LEAST_DB:.0}, better \
                 {SNR_GOOD_DB:.0}, are needed"
            );
            add(Kind::Noise, weight, what, noise_advice(owner));
        }
        (_, None) if snr.is_none() && room.noise_dbfs > SPEECH_DBFS - SNR_LEAST_DB => {
            let what = format!("room noise at {:.0} dBFS, and no speech heard in it", room.noise_dbfs);
            add(Kind::Noise, Weight::Change, what, noise_advice(owner));
        }
        _ => {}
    }
    if let Some(speech) = mic.speech {
        let off = speech.level_dbfs - SPEECH_DBFS;
        let what = |side| {
            let (level, off) = (speech.level_dbfs, off.abs());
            format!("speech at {level:.0} dBFS is {off:.0} dB too {side} ({SPEECH_DBFS:.0} is usual)")
        };
        if speech.clipped_share >= CLIPPED_SHARE {
            let what = format!("{} samples of speech were clipped at full scale", speech.clipped);
            let advice = format!("{person}: {}.", "turn the microphone down, or move it away");
            add(Kind::Clipped, Weight::Change, what, advice);
        } else if off > SPEECH_OFF_DB {
            let advice = format!("{person}: turn the microphone down, or move it away.");
            add(Kind::TooLoud, Weight::Better, what("loud"), advice);
        } else if off < -SPEECH_OFF_DB {
            let weight = if off < -SPEECH_FAR_OFF_DB { Weight::Change } else { Weight::Better };
            let advice = format!("{person}: move the microphone closer, turn it up, or speak up.");
            add(Kind::TooQuiet, weight, what("quiet"), advice);
        }
    }
    if let Some((what, advice)) = late(mic, owner) {
        add(Kind::PromptLate, Weight::Better, what, advice);
    }
    match mic.prompt {
        Prompt::Faint { over_room_db } => {
            let what = format!(
                "my voice is only {over_room_db:.0} dB over the room here; {PROMPT_OVER_ROOM_DB:.0} are needed"
            );
            add(
                Kind::PromptFaint,
                Weight::Change,
                what,
                "Turn the loudspeaker up, or move it closer.".into(),
            );
        }
        Prompt::NotJudged { .. } => {
            let what = "it does not hear the loudspeaker, so it can't judge whether my voice is audible";
            let advice = format!("{person}: you must have heard me well yourself; if not, turn me up.");
            add(Kind::PromptNotJudged, Weight::Note, what.into(), advice);
        }
        Prompt::Audible { .. } | Prompt::NotTried => {}
    }
}

fn late(mic: &Microphone, owner: &str) -> Option<(String, String)> {
    (mic.prompt_late_ms >= PROMPT_LATE_MS).then(|| {
        let what = format!("it still hears my voice {} ms after I have ended", mic.prompt_late_ms);
        let advice = format!(
            "Turn me down at {}, use a headset there, or another loudspeaker: I may hear myself.",
            lower(owner)
        );
        (what, advice)
    })
}

fn noise_advice(owner: &str) -> String {
    format!(
        "It is too noisy at {}. Switch off what makes noise, move the microphone closer, or speak up.",
        lower(owner)
    )
}

fn lower(owner: &str) -> String {
    owner.replacen("The", "the", 1)
}

/// Whether a person's phrases came by the other person's microphone: the other's phrase surely heard at this one, or
/// this one's heard only there.
fn is_crossed(asked: &Asked) -> bool {
    let others_phrase = |tried: &super::report::Tried| tried.of == Some(asked.role.other());
    let nothing_here = asked.tries.iter().all(|tried| tried.outcome == Outcome::Nothing);
    !asked.accepted()
        && (asked.tries.iter().any(others_phrase) || (nothing_here && asked.elsewhere_dbfs.is_some()))
}

/// Each person is louder at the other's microphone: in one room both hear both, and only the louder tells.
fn louder_elsewhere(phrases: &[Asked], role: Role) -> bool {
    let own = |asked: &Asked| asked.tries.last().and_then(|tried| tried.level_dbfs);
    let louder = |asked: &Asked| own(asked).zip(asked.elsewhere_dbfs).is_some_and(|(own, other)| other > own);
    let mut of_role = phrases.iter().filter(|asked| asked.role == role).peekable();
    of_role.peek().is_some() && of_role.all(louder)
}

fn of_people(microphones: &[Microphone], phrases: &[Asked], all: &mut Vec<Finding>) {
    let shared = microphones.iter().any(|mic| mic.post == Post::Room);
    let swapped = !shared
        && (phrases.iter().any(is_crossed)
            || (louder_elsewhere(phrases, Role::Worker) && louder_elsewhere(phrases, Role::Observer)));
    if swapped {
        let what = "The two microphones are swapped: each hears the other person's phrases".to_string();
        let advice = "Worker and observer: swap your microphones.";
        all.push(finding(Kind::Swapped, Weight::Change, None, what, advice));
    }
    let is_out = |post| microphones.iter().any(|mic| mic.post == post && (mic.dead || mic.lost.is_some()));
    for asked in phrases.iter().filter(|asked| !asked.tries.is_empty() && !is_out(asked.post)) {
        let who = match asked.role {
            Role::Worker => "Worker",
            Role::Observer => "Observer",
        };
        let mut add = |kind, weight, what: String, advice: String| {
            all.push(finding(kind, weight, Some(asked.post), what, advice));
        };
        let (phrase, tries) = (&asked.phrase, asked.tries.len());
        if asked.accepted() {
            if tries > 1 {
                let what = format!("{who}: \"{phrase}\" was heard surely only at try {tries}");
                let advice = format!("{who}: speak evenly, at an ordinary pace, without long pauses.");
                add(Kind::Repeated, Weight::Better, what, advice);
            }
        } else if asked.tries.iter().all(|tried| tried.outcome == Outcome::Nothing) {
            if !swapped {
                let what = format!("{who}: \"{phrase}\" was not heard at all");
                let advice =
                    format!("{who}: I heard nothing. Check that your microphone is on, and speak up.");
                add(Kind::NotHeard, Weight::Change, what, advice);
            }
        } else if !(swapped && is_crossed(asked)) {
            let last = asked.tries.iter().rfind(|tried| tried.outcome != Outcome::Nothing);
            let why = last.map_or("", |tried| tried.why.as_str());
            let what = format!("{who}: \"{phrase}\" was not heard surely: {why}");
            let advice =
                format!("{who}: say exactly the phrase I ask for, clearly and close to the microphone.");
            add(Kind::NotSure, Weight::Change, what, advice);
        }
    }
    // One piece of advice a person is enough, however many phrases it is about.
    let mut told: Vec<(Kind, String)> = Vec::new();
    all.retain(|finding| {
        let key = (finding.kind, finding.advice.clone());
        let people = matches!(finding.kind, Kind::NotHeard | Kind::NotSure | Kind::Repeated);
        let again = people && told.contains(&key);
        told.push(key);
        !again
    });
}

#[cfg(test)]
mod tests;
