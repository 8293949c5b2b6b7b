//! A practice in real time: the trainee's microphone, the tool's voice and the stand-in's in the room.

use super::{closing_sentence, conclude, open, sound, Plan};
use crate::cli::posts;
use crate::cli::session::{interrupted_flag, is_set, Clock};
use crate::cli::tell;
use crate::conduct::live::Live;
use crate::conduct::live_partner::{LivePartner, PartnerVoice};
use crate::conduct::partner::Partner;
use crate::failure::{ExitCode, Failure};
use crate::listen::listener::Listener;
use crate::voice::{LiveVoice, RenderVoice, RenderedVoice, Renderer};

pub fn run(mut plan: Plan, stand_in_voice: RenderVoice) -> Result<ExitCode, Failure> {
    let args = plan.args;
    tell("antiphon: opening the voices and the microphone");
    let mouth = sound(args).mouth(&mut plan.ready)?;
    let stand_in = stand_in(args.speaker.as_deref(), stand_in_voice, &mut plan)?;
    let post = plan.practice.trainee.post();
    let microphones = posts::open(&[(post, args.mic.clone())], &mut plan.ready)?;
    let interrupted = interrupted_flag()?;
    args.session.introduce(&plan.ready, &plan.ready.notes);
    let keeper = open(&plan, mouth.voice.describe(), Clock::Real)?;
    let partner = Partner::new(&plan.ready.procedure, &plan.practice, plan.script.answers);
    let listeners = std::mem::take(&mut plan.ready.listeners);
    let (own, other): (Vec<Listener>, Vec<Listener>) =
        listeners.into_iter().partition(|listener| listener.post() == post);
    let mut live = Live::new(keeper, mouth, own, microphones)?;
    if let Some(listener) = other.into_iter().next() {
        live.with_partner(listener, |ear| LivePartner::new(partner, stand_in, ear));
    }
    live.at_the_end(closing_sentence());
    live.limit(args.limit.saturating_mul(60_000));
    let (keeper, end_ms, result) = live.run(&|| is_set(&interrupted));
    conclude(args, keeper, end_ms, result)
}

/// The stand-in's voice, always a rendered one: its sound has to be known.
fn stand_in(speaker: Option<&str>, voice: RenderVoice, plan: &mut Plan) -> Result<PartnerVoice, Failure> {
    let (events_out, events) = crossbeam_channel::unbounded();
    let (tap, played) = crossbeam_channel::unbounded();
    let mut renderer = Renderer::new(voice)?;
    // Made now, so that no answer waits for it; slots make too many.
    for phrase in plan.ready.procedure.phrases.iter().filter(|phrase| phrase.filled.is_none()) {
        renderer.render(&phrase.text)?;
    }
    // A device for the rendered voices only; with the system's voice it is the stand-in's.
    let voice = RenderedVoice::start(renderer, speaker, events_out, Some(tap))?;
    plan.ready.notes.extend(voice.notes().iter().cloned());
    plan.ready.notes.push(format!("the stand-in's voice: {}", voice.describe()));
    Ok(PartnerVoice { voice: Box::new(voice), events, played })
}
