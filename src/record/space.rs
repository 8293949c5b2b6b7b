//! How much room a file system has.

use std::path::Path;

/// Bytes that may still be written there, for whoever is no administrator; `None` where it can't be told.
pub fn left(at: &Path) -> Option<u64> {
    let found = rustix::fs::statvfs(at).ok()?;
    Some(found.f_bavail.saturating_mul(found.f_frsize))
}
