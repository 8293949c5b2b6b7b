//! Shell completions.

use crate::failure::{ExitCode, Failure};

pub fn run(shell: clap_complete::Shell, command: &mut clap::Command) -> Result<ExitCode, Failure> {
    clap_complete::generate(shell, command, "antiphon", &mut std::io::stdout());
    Ok(ExitCode::Done)
}
