//! The built program, checking a room of its own: the worker's microphone hears the loudspeaker, the observer's does not.

#[path = "live_room/room.rs"]
mod room;

use antiphon::audio::noise::{NoiseKind, NoiseSource};
use antiphon::audio::wav;
use antiphon::conduct::simulation::at_level;
use antiphon::voice::{RenderVoice, Renderer};
use room::Room;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::Duration;

/// Sound in one place until it is dropped.
struct Playing(Child);

impl Drop for Playing {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn play(room: &Room, sink: &str, file: &Path) -> Playing {
    let mut command = room.command("paplay");
    command.arg(format!("--device={sink}")).arg(file);
    Playing(command.spawn().expect("paplay starts"))
}

/// From the end of a prompt to the answer: enough for the sound's way through the buffers, which took up to 2 s here.
const REACTION: Duration = Duration::from_millis(2_500);

/// Who is asked for which phrase by this line of the screen, in whatever words.
fn asked(line: &str) -> Option<(&'static str, &str)> {
    let phrase = [", please say: ", ", the phrase is: ", ", I am waiting for: "]
        .iter()
        .find_map(|mark| line.split_once(mark));
    let (before, phrase) = phrase?;
    let role = ["Worker", "Observer"].into_iter().find(|role| before.ends_with(role))?;
    Some((role, phrase.trim_end_matches('.')))
}

fn rendered(voice: &str, text: &str) -> Vec<i16> {
    let mut renderer = Renderer::new(RenderVoice::Flite(voice.into())).expect("flite");
    renderer.render(text).expect("flite says it").to_vec()
}

#[test]
fn a_live_room_is_checked_by_voice_and_ready() {
    // The worker's microphone is open: it hears the loudspeaker as loud as the worker.
    let room = Room::open();
    let noise = room.path().join("noise.wav");
    let mut samples = vec![0; 120 * 16_000];
    NoiseSource::new(NoiseKind::Pink, 1, -60.0).next(&mut samples);
    wav::write_mono(&noise, &samples).expect("a temporary folder can be written");
    let _noise = ["room", "observer"].map(|sink| play(&room, sink, &noise));

    let procedure = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/live_room/short-donning.toml");
    let mut command = room.command(env!("CARGO_BIN_EXE_antiphon"));
    command.arg("soundcheck").arg(procedure).args(["--voice", "rendered"]);
    command.args(["--mic", "worker=room.monitor", "--mic", "observer=observer_mic"]);
    let mut child = command.stdout(Stdio::piped()).spawn().expect("the program starts");
    let mut all = String::new();
    let mut robots = Vec::new();
    for line in BufReader::new(child.stdout.take().expect("a pipe")).lines() {
        let line = line.expect("the program writes UTF-8");
        println!("{line}");
        if let Some((role, phrase)) = asked(&line) {
            let (sink, voice) = if role == "Worker" { ("room", "rms") } else { ("observer", "slt") };
            let file = room.path().join(format!("{}.wav", phrase.replace(' ', "-")));
            let said = at_level(&rendered(voice, phrase), -26.0);
            wav::write_mono(&file, &said).expect("a temporary folder can be written");
            // People wait for the end of what the tool says, the first time and when asked again.
            let (_, prompt) = line.split_once("says").expect("only what is said asks");
            let prompt_ms = rendered("slt", prompt.trim()).len() as u64 / 16;
            std::thread::sleep(Duration::from_millis(prompt_ms) + REACTION);
            robots.push(play(&room, sink, &file));
        }
        all += &line;
        all += "\n";
    }
    let status = child.wait().expect("a child of ours");
    assert_eq!(status.code(), Some(0), "{all}");
    for line in [
        "says    This is how loud I speak.",
        "prompt  observer: prompt not heard here (a headset?)",
        "heard   worker: accepted",
        "heard   observer: accepted",
        "\nReady.",
    ] {
        assert!(all.contains(line), "no {line:?}\n{all}");
    }
    let heard =
        all.lines().find(|line| line.contains("prompt  worker: prompt ")).expect("it was heard there");
    assert!(heard.contains("dB over the room") && !heard.contains("only"), "{heard}");
}
