//! stub until the sound branch lands
use crate::failure::{ExitCode, Failure};
pub fn run(_: bool) -> Result<ExitCode, Failure> {
    Ok(ExitCode::Done)
}
