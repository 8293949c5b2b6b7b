//! Finds the libraries and models that `models/setup.sh` fetched.
//!
//! Owns where they are looked for and the one line that says how to get what is not there. Must not know what is in
//! them: nothing here opens a file.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// When set, the only folder looked in: who names a folder must not be given files from another.
pub const FOLDER_VARIABLE: &str = "ANTIPHON_MODELS";

/// The folder of the natural voices inside a models folder.
const NATURAL_VOICES: &str = "kokoro-voices";

/// A file that the program loads at run time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asset {
    HamaLibrary,
    HamaWeights,
    HamaVocabulary,
    CmuDict,
    Words,
    VoskLibrary,
    OnnxLibrary,
    WhisperWeights,
    WhisperTokens,
    KokoroWeights,
    CampplusWeights,
}

impl Asset {
    pub const ALL: [Asset; 11] = [
        Asset::HamaLibrary,
        Asset::HamaWeights,
        Asset::HamaVocabulary,
        Asset::CmuDict,
        Asset::Words,
        Asset::VoskLibrary,
        Asset::OnnxLibrary,
        Asset::WhisperWeights,
        Asset::WhisperTokens,
        Asset::KokoroWeights,
        Asset::CampplusWeights,
    ];

    /// The file's name inside a models folder.
    pub fn file(self) -> &'static str {
        match self {
            Asset::HamaLibrary => "libhama.so",
            Asset::HamaWeights => "asr_waveform.hama",
            Asset::HamaVocabulary => "g2p_vocab.json",
            Asset::CmuDict => "cmudict.dict",
            Asset::Words => "words-en.txt",
            Asset::VoskLibrary => "libvosk.so",
            Asset::OnnxLibrary => "libonnxruntime.so",
            Asset::WhisperWeights => "whisper-base.bin",
            Asset::WhisperTokens => "whisper-tokens.json",
            Asset::KokoroWeights => "kokoro-int8.onnx",
            Asset::CampplusWeights => "campplus.safetensors",
        }
    }

    fn what(self) -> &'static str {
        match self {
            Asset::HamaLibrary => "the phone recogniser's library",
            Asset::HamaWeights => "the phone recogniser's weights",
            Asset::HamaVocabulary => "the phone recogniser's vocabulary",
            Asset::CmuDict => "the pronouncing dictionary",
            Asset::Words => "the list of words by frequency",
            Asset::VoskLibrary => "the Vosk library",
            Asset::OnnxLibrary => "the library that runs networks",
            Asset::WhisperWeights => "the second ear's weights",
            Asset::WhisperTokens => "the second ear's vocabulary",
            Asset::KokoroWeights => "the natural voices' network",
            Asset::CampplusWeights => "the network that tells voices apart",
        }
    }
}

/// A library or model that can't be used because it is not there (or not one of them alone). Reads as one line: what,
/// then what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what}: {fix}")]
pub struct Missing {
    /// What is missing and, where a folder was named, in which.
    pub what: String,
    /// What the user can do.
    pub fix: String,
}

/// The path of one file. Looked for, in this order: `$ANTIPHON_MODELS` (nowhere else when it is set); `models/` beside
/// the program and beside each folder above it, links resolved; `models/` of the package that `cargo run` or
/// `cargo test` works on; `$XDG_DATA_HOME/antiphon/models`.
pub fn find(asset: Asset) -> Result<PathBuf, Missing> {
    find_in(&Places::of_this_program(), asset)
}

/// The natural voices: each one's name and file, by name. Never none.
pub fn natural_voices() -> Result<Vec<(String, PathBuf)>, Missing> {
    natural_voices_in(&Places::of_this_program())
}

fn natural_voices_in(places: &Places) -> Result<Vec<(String, PathBuf)>, Missing> {
    let voices_of = |folder: &PathBuf| {
        let entries = std::fs::read_dir(folder.join(NATURAL_VOICES)).into_iter().flatten().flatten();
        let voice = |path: PathBuf| {
            let name = path.file_name()?.to_str()?.strip_suffix(".bin")?.to_string();
            Some((name, path))
        };
        let mut voices: Vec<_> = entries.filter_map(|entry| voice(entry.path())).collect();
        voices.sort();
        voices
    };
    places.folders.iter().map(voices_of).find(|voices| !voices.is_empty()).ok_or_else(|| Missing {
        what: format!("the natural voices ({NATURAL_VOICES}/) are missing{}", places.named()),
        fix: "run `models/setup.sh --voices` in the project's folder (it installs npm, which fetches them)"
            .into(),
    })
}

/// A Vosk model's folder: the given one, else the only one in the first models folder that has any.
pub fn vosk_model(given: Option<&Path>) -> Result<PathBuf, Missing> {
    match given {
        Some(folder) => check_given(folder),
        None => only_model_in(&Places::of_this_program()),
    }
}

/// Folders to look in, and whether the user chose them.
struct Places {
    folders: Vec<PathBuf>,
    chosen: bool,
}

impl Places {
    fn of_this_program() -> Places {
        let program = std::env::current_exe().and_then(|path| path.canonicalize()).ok();
        Places::from(|name| std::env::var_os(name).filter(|value| !value.is_empty()), program.as_deref())
    }

    fn from(variable: impl Fn(&str) -> Option<OsString>, program: Option<&Path>) -> Places {
        if let Some(folder) = variable(FOLDER_VARIABLE) {
            return Places { folders: vec![folder.into()], chosen: true };
        }
        let mut folders: Vec<PathBuf> = program
            .into_iter()
            .flat_map(|path| path.ancestors().skip(1))
            .map(|up| up.join("models"))
            .collect();
        // Read when running, not when compiling: a binary must not carry the path of the machine it was built on.
        folders.extend(variable("CARGO_MANIFEST_DIR").map(|package| PathBuf::from(package).join("models")));
        let data = variable("XDG_DATA_HOME")
            .map(PathBuf::from)
            .or_else(|| variable("HOME").map(|home| PathBuf::from(home).join(".local/share")));
        folders.extend(data.map(|data| data.join("antiphon/models")));
        Places { folders, chosen: false }
    }

    /// ` in FOLDER` when the user chose it; the many default folders would only be noise.
    fn named(&self) -> String {
        match self.folders.first() {
            Some(folder) if self.chosen => format!(" in {} ({FOLDER_VARIABLE})", folder.display()),
            _ => String::new(),
        }
    }
}

fn find_in(places: &Places, asset: Asset) -> Result<PathBuf, Missing> {
    places.folders.iter().map(|folder| folder.join(asset.file())).find(|path| path.is_file()).ok_or_else(
        || Missing {
            what: format!("{} ({}) is missing{}", asset.what(), asset.file(), places.named()),
            fix: "run `models/setup.sh` in the project's folder".into(),
        },
    )
}

fn is_vosk_model(folder: &Path) -> bool {
    folder.join("am/final.mdl").is_file() || folder.join("final.mdl").is_file()
}

fn check_given(folder: &Path) -> Result<PathBuf, Missing> {
    if is_vosk_model(folder) {
        return Ok(folder.to_path_buf());
    }
    let why =
        if folder.is_dir() { "has no am/final.mdl, so it is not a Vosk model" } else { "is not a folder" };
    Err(Missing {
        what: format!("{} {why}", folder.display()),
        fix: "give `--model` the folder of an unpacked Vosk model".into(),
    })
}

fn only_model_in(places: &Places) -> Result<PathBuf, Missing> {
    let found = places.folders.iter().map(|folder| models_in(folder)).find(|models| !models.is_empty());
    match found.as_deref() {
        Some([only]) => Ok(only.clone()),
        Some(several) => {
            let names: Vec<String> = several.iter().map(|path| path.display().to_string()).collect();
            Err(Missing {
                what: format!("there are {} Vosk models ({})", names.len(), names.join(", ")),
                fix: "choose one with `--model FOLDER`".into(),
            })
        }
        None => Err(Missing {
            what: format!("a Vosk model is missing{}", places.named()),
            fix: "give one with `--model FOLDER`, or run `models/setup.sh --with-korean` for a Korean one"
                .into(),
        }),
    }
}

/// Vosk models directly inside a folder, by name. A folder that can't be read has none: it may well not exist.
fn models_in(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut models: Vec<PathBuf> =
        entries.map(|entry| entry.path()).filter(|path| is_vosk_model(path)).collect();
    models.sort();
    models
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn chosen(folder: &Path) -> Places {
        Places { folders: vec![folder.into()], chosen: true }
    }

    fn put(path: PathBuf) {
        fs::create_dir_all(path.parent().expect("a file has a parent"))
            .expect("temporary folder is writable");
        fs::write(path, b"x").expect("temporary folder is writable");
    }

    fn no_variable(_: &str) -> Option<OsString> {
        None
    }

    #[test]
    fn a_models_folder_beside_any_folder_above_the_program_is_found_nearest_first() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let program = room.path().join("target/release/antiphon");
        put(room.path().join("models/libvosk.so"));
        let places = Places::from(no_variable, Some(&program));
        assert_eq!(find_in(&places, Asset::VoskLibrary), Ok(room.path().join("models/libvosk.so")));

        put(room.path().join("target/models/libvosk.so"));
        assert_eq!(find_in(&places, Asset::VoskLibrary), Ok(room.path().join("target/models/libvosk.so")));
    }

    #[test]
    fn a_named_folder_is_the_only_one_looked_in() {
        let room = tempfile::tempdir().expect("a temporary folder");
        put(room.path().join("models/cmudict.dict"));
        let elsewhere = room.path().join("elsewhere");
        let variable = |name: &str| (name == FOLDER_VARIABLE).then(|| elsewhere.clone().into_os_string());
        let places = Places::from(variable, Some(&room.path().join("antiphon")));
        let missing = find_in(&places, Asset::CmuDict).expect_err("the named folder does not exist");
        assert!(missing.what.contains("cmudict.dict"), "{missing}");
        assert!(missing.what.contains(&elsewhere.display().to_string()), "{missing}");
    }

    #[test]
    fn the_data_folder_of_the_desktop_standard_comes_last() {
        // XDG Base Directory Specification 0.8: $XDG_DATA_HOME defaults to $HOME/.local/share (from memory).
        let home = |name: &str| (name == "HOME").then(|| OsString::from("/home/anna"));
        let last = Places::from(home, Some(Path::new("/opt/antiphon"))).folders.pop();
        assert_eq!(last, Some(PathBuf::from("/home/anna/.local/share/antiphon/models")));

        let data = |name: &str| match name {
            "XDG_DATA_HOME" => Some(OsString::from("/data")),
            "HOME" => Some(OsString::from("/home/anna")),
            _ => None,
        };
        let last = Places::from(data, None).folders.pop();
        assert_eq!(last, Some(PathBuf::from("/data/antiphon/models")));
    }

    #[test]
    fn every_missing_file_is_one_line_that_names_it_and_the_script() {
        let room = tempfile::tempdir().expect("a temporary folder");
        for asset in Asset::ALL {
            let line = find_in(&chosen(room.path()), asset).expect_err("the folder is empty").to_string();
            assert!(line.contains(asset.file()) && line.contains("models/setup.sh"), "{line}");
            assert_eq!(line.lines().count(), 1, "{line}");
        }
    }

    #[test]
    fn natural_voices_are_listed_by_name_and_where_there_are_none_the_way_to_get_them_is_told() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let line = natural_voices_in(&chosen(room.path())).expect_err("the folder is empty").to_string();
        assert!(line.contains("models/setup.sh --voices") && line.contains("npm"), "{line}");
        assert_eq!(line.lines().count(), 1, "{line}");
        for file in ["bm_b.bin", "af_a.bin", "README"] {
            put(room.path().join("kokoro-voices").join(file));
        }
        let voices = natural_voices_in(&chosen(room.path())).expect("two are there");
        assert_eq!(voices.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>(), ["af_a", "bm_b"]);
    }

    #[test]
    fn the_only_vosk_model_is_found_in_both_layouts() {
        for marker in ["am/final.mdl", "final.mdl"] {
            let room = tempfile::tempdir().expect("a temporary folder");
            put(room.path().join("licences/vosk.txt"));
            put(room.path().join("some-model").join(marker));
            assert_eq!(only_model_in(&chosen(room.path())), Ok(room.path().join("some-model")));
        }
    }

    #[test]
    fn several_vosk_models_are_named_and_none_is_chosen() {
        let room = tempfile::tempdir().expect("a temporary folder");
        put(room.path().join("model-b/am/final.mdl"));
        put(room.path().join("model-a/am/final.mdl"));
        let line = only_model_in(&chosen(room.path())).expect_err("there are two").to_string();
        assert!(line.contains("model-a") && line.contains("model-b") && line.contains("--model"), "{line}");
        assert_eq!(line.lines().count(), 1, "{line}");
    }

    #[test]
    fn no_vosk_model_says_how_to_get_one() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let line = only_model_in(&chosen(room.path())).expect_err("the folder is empty").to_string();
        assert!(line.contains("--with-korean") && line.contains("--model"), "{line}");
    }

    #[test]
    fn a_given_folder_that_is_no_model_is_refused_by_name() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let line = vosk_model(Some(room.path())).expect_err("the folder is empty").to_string();
        assert!(line.contains(&room.path().display().to_string()) && line.contains("final.mdl"), "{line}");
        let line = vosk_model(Some(&room.path().join("nowhere"))).expect_err("it does not exist").to_string();
        assert!(line.contains("is not a folder"), "{line}");
    }
}
