//! A practice on virtual time: from a recording of the trainee, or with a stand-in trainee too.

use super::{closing_sentence, conclude, open, sound, Plan};
use crate::audio::{level, wav};
use crate::cli::session::{interrupted_flag, is_set, person_voice, Clock};
use crate::conduct::actors::Actors;
use crate::conduct::alone::Alone;
use crate::conduct::partner::Partner;
use crate::conduct::simulation::{Cast, Recorded, Simulation, Source};
use crate::failure::{ExitCode, Failure};
use crate::procedure::Role;
use crate::voice::{RenderVoice, Renderer};

pub fn run(mut plan: Plan, tool: RenderVoice, stand_in_voice: RenderVoice) -> Result<ExitCode, Failure> {
    let args = plan.args;
    // Tells that the system's voice can't be had here.
    sound(args).rendered_voice(&mut plan.ready)?;
    let mut tool = Renderer::new(tool)?;
    let voice = Renderer::new(stand_in_voice)?;
    let partner = Partner::new(&plan.ready.procedure, &plan.practice, plan.script.answers.clone());
    let trainee = trainee(&mut plan, &mut tool)?;
    let interrupted = interrupted_flag()?;
    args.session.introduce(&plan.ready, &plan.ready.notes);
    let keeper = open(&plan, format!("rendered: {}", tool.voice()), Clock::Virtual)?;
    let listeners = std::mem::take(&mut plan.ready.listeners);
    let limit = args.limit.saturating_mul(60_000);
    let source = Box::new(Alone::new(partner, voice, trainee));
    let mut simulation = Simulation::new(keeper, listeners, &mut tool, source, None, limit);
    simulation.at_the_end(closing_sentence());
    let (keeper, end_ms, result) = simulation.run(&|| is_set(&interrupted));
    conclude(args, keeper, end_ms, result)
}

/// What the trainee's microphone hears.
fn trainee(plan: &mut Plan, tool: &mut Renderer) -> Result<Box<dyn Source>, Failure> {
    let (args, role) = (plan.args, plan.practice.trainee);
    if let Some(file) = &args.input {
        let clip = wav::read(file)?;
        plan.ready.notes.extend(clip.notes.iter().map(|note| format!("{file}: {note}")));
        return Ok(Box::new(Recorded::new(vec![(role.post(), clip.samples)])));
    }
    let language = &plan.ready.procedure.language;
    let voice = |who: Role| Renderer::new(person_voice(language, who, Some(tool.voice())));
    // Not the stream that the partner draws from.
    let seed = plan.practice.seed ^ 0x7A_1EE;
    let posts = [role.post()];
    let actors = Actors::new(std::mem::take(&mut plan.script), seed);
    let mut cast = Cast::new(actors, &posts, voice(Role::Worker)?, voice(Role::Observer)?, None, seed);
    cast.only(role);
    if let Some(leak_db) = args.leak {
        let spoken = tool.render(&plan.ready.procedure.closing)?;
        cast.leak(leak_db, level::active_level_dbfs(&spoken).level_dbfs, seed);
    }
    Ok(Box::new(cast))
}
