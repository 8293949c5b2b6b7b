//! A practice in real time, with the trainee's microphone.

use super::Plan;
use crate::failure::{ExitCode, Failure};
use crate::voice::RenderVoice;

pub fn run(_plan: Plan, _stand_in_voice: RenderVoice) -> Result<ExitCode, Failure> {
    Err(Failure::new(ExitCode::Internal, "not yet"))
}
