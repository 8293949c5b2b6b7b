//! `schema`: the JSON Schema of procedure files, to stdout.

use crate::failure::{ExitCode, Failure};
use crate::procedure::schema;

pub fn run() -> Result<ExitCode, Failure> {
    super::say(schema::json().trim_end());
    Ok(ExitCode::Done)
}
