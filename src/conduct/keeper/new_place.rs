//! A record that was damaged while its session runs goes on in a new place, with everything that stood in it so far.
//!
//! Owns where that is and in which order it is made: the new record is whole, on the disk and says why it is there before the
//! session knows of it, and until then the damaged one is written on. Must not decide when: that is a rule of the session.

use super::{told, Keeper};
use crate::record::journal::MOVED;
use crate::record::ledger::{Entry, Kind, Ledger};
use crate::record::moved::Moved;
use crate::record::sound::Sound;
use crate::record::{Journal, RecordError, SessionFolder};
use crate::session::What;
use std::path::{Path, PathBuf};

/// A record that is made and not yet the session's.
struct Made {
    journal: Journal,
    sound: Sound,
    moved: Moved,
}

impl Keeper {
    /// Keeps the record in a new place from here on: beside the damaged one, or where that can't be, in the folder for rescued
    /// sessions. What came of it is the session's next event.
    ///
    /// Errors: only of writing into the new record once it is the session's.
    pub fn move_record(&mut self) -> Result<What, RecordError> {
        let beside = self.folder.path().parent().map(Path::to_owned);
        let mut reasons = Vec::new();
        for root in beside.into_iter().chain(SessionFolder::rescue_root()) {
            match self.make_in(&root) {
                Ok((folder, made)) => return self.go_on_in(folder, made, &root),
                Err(error) => reasons.push(told(error)),
            }
        }
        if reasons.is_empty() {
            reasons.push("neither XDG_STATE_HOME nor HOME says where else".to_owned());
        }
        Ok(What::RecordStuck { why: reasons.join("; ") })
    }

    fn make_in(&self, root: &Path) -> Result<(SessionFolder, Made), RecordError> {
        let nth = self.moves.len() as u32 + 1;
        let folder = SessionFolder::to_go_on_in(root, &self.opening.session, nth)?;
        match self.fill(&folder) {
            Ok(made) => Ok((folder, made)),
            Err(error) => {
                folder.give_up();
                Err(error)
            }
        }
    }

    fn fill(&self, folder: &SessionFolder) -> Result<Made, RecordError> {
        folder.keep_procedure(&self.source)?;
        let (sound, sound_missing) = self.sound.copy_to(folder)?;
        let mut journal = self.journal.copy_to(folder)?;
        let moved = Moved {
            from: self.folder.id().to_owned(),
            to: folder.id().to_owned(),
            why: self.harm.clone().unwrap_or_default(),
            sound_missing,
        };
        let ms = self.line_ms(self.state.now_ms);
        journal.append(self.wall.at(ms), ms, MOVED, &moved)?;
        journal.settle(folder)?;
        Ok(Made { journal, sound, moved })
    }

    fn go_on_in(&mut self, folder: SessionFolder, made: Made, root: &Path) -> Result<What, RecordError> {
        let ms = made.journal.last_ms();
        self.left.push(self.folder.path().to_owned());
        self.screen.remark(ms, &format!("the record goes on in {}", folder.path().display()));
        (self.folder, self.journal, self.sound) = (folder, made.journal, made.sound);
        (self.harm, self.harm_told) = (None, false);
        let to = made.moved.to.clone();
        self.enter_move(root, &made.moved, ms)?;
        self.moves.push((ms, made.moved));
        Ok(What::RecordMoved { to })
    }

    /// The ledger has the new folder too, and that it continues the other.
    fn enter_move(&mut self, root: &Path, moved: &Moved, ms: u64) -> Result<(), RecordError> {
        // The end is entered where the new place is, or nowhere.
        self.ledger = None;
        let now = chrono::Local::now().fixed_offset();
        let entry = Entry {
            session: moved.to.clone(),
            first_sha256: self.journal.first().map(str::to_owned),
            continues: Some(moved.from.clone()),
            ..Entry::default()
        };
        let entered = Ledger::open_or_begin(root, now, &moved.to)
            .and_then(|mut ledger| ledger.enter(now, Kind::Started, &entry));
        match entered {
            Ok(()) => self.ledger = Some(root.to_owned()),
            Err(error) => {
                let text = format!("the ledger of sessions has no entry of the new place: {}", told(error));
                self.remark(ms, &text)?;
            }
        }
        Ok(())
    }

    /// The folders that the record was in before, damaged now.
    pub fn left_behind(&self) -> &[PathBuf] {
        &self.left
    }
}
