//! Recordings of people who speak other languages: Debian's asterisk-core-sounds-fr, -es, -it and -ru (g722).

use crate::support::prompts::SOUNDS;
use std::path::Path;

/// Names of another voice's recordings, in order; recordings of silence and of nothing are left out.
pub fn names(package: &str) -> Result<Vec<String>, String> {
    let root = Path::new(SOUNDS).with_file_name(package);
    let mut names = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        let entries = std::fs::read_dir(&folder).map_err(|error| {
            format!(
                "{}: {error}; apt-get install asterisk-core-sounds-{{fr,es,it,ru}}-g722",
                folder.display()
            )
        })?;
        for path in entries.flatten().map(|entry| entry.path()) {
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "g722") && holds_sound(&path) {
                let name = path.strip_prefix(&root).unwrap_or(&path).with_extension("");
                names.push(name.display().to_string());
            }
        }
    }
    names.retain(|name| !name.starts_with("silence/"));
    names.sort();
    Ok(names)
}

/// Some are empty. 8,000 bytes are a second.
fn holds_sound(path: &Path) -> bool {
    path.metadata().is_ok_and(|about| about.len() > 1_000)
}
