//! What goes into the session (events) and what comes out (actions). Plain data, kept in the journal as it is.

use super::state::{Ending, HoldWhy, Outcome};
use crate::listen::heard::Heard;
use crate::procedure::{Call, PhraseId, Post, Role};
use serde::{Deserialize, Serialize};

/// Something that happened, at a time on the session clock (ms since the session's start).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    pub at_ms: u64,
    #[serde(flatten)]
    pub what: What,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
#[allow(clippy::large_enum_variant, reason = "one utterance a second at most: a box would save nothing")]
pub enum What {
    /// Microphones and voice are ready: begin.
    Begin,
    /// The first sound of an utterance of the tool is out.
    SpeechBegan { utterance: u64 },
    /// The last sound of an utterance is out; `whole` is false when it was hushed.
    SpeechEnded { utterance: u64, whole: bool },
    /// The utterance could not be spoken.
    VoiceFailed { utterance: u64, why: String },
    /// The loudspeaker that was lost takes sound again.
    VoiceBack,
    /// An utterance of a person, with its verdict.
    Heard(Heard),
    /// Time passed; sent when `State::wake_at` is reached.
    Time,
    /// A microphone stopped delivering.
    PostLost { post: Post, why: String },
    /// It delivers again.
    PostBack { post: Post },
    /// The record was removed, replaced or cut from outside while it is written.
    RecordLost { why: String },
    /// It goes on in a new place, the folder of this name, as was asked for.
    RecordMoved { to: String },
    /// It can't be kept in a new place either.
    RecordStuck { why: String },
    /// There is no more input at all (the end of a WAV file, the limit of a rehearsal).
    InputEnded,
    /// The user interrupted the program.
    Interrupt,
}

/// Something to be done about it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "action", rename_all = "kebab-case")]
pub enum Action {
    /// Speak. The journal must be on the disk before the first sound.
    Say { utterance: u64, saying: Saying, text: String },
    /// Be silent at once.
    Hush,
    /// Keep the record in a new place. What came of it is the next event.
    MoveRecord,
    /// Nothing to do: why something did or did not count, for the screen and the journal.
    Note(Note),
    /// The session is over.
    End { outcome: Outcome },
}

/// Why the tool speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Saying {
    Opening,
    Question,
    HoldPoint,
    Instruction,
    Look,
    AskAgain,
    Reminder,
    TooSoon,
    /// The observer decided, and is asked why.
    AskReason,
    Hold,
    Remark,
    Closing,
}

/// What the session made of something.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "note", rename_all = "kebab-case")]
pub enum Note {
    /// The phrase counted.
    Counted {
        post: Post,
        phrase: PhraseId,
    },
    /// A call was obeyed.
    Obeyed {
        post: Post,
        call: Call,
    },
    /// It was the wrong phrase, or not sure enough: asked again (the n-th try).
    AskedAgain {
        post: Post,
        try_number: u32,
    },
    /// It did not count.
    Unheeded {
        post: Post,
        why: Unheeded,
    },
    /// The worker's read-back came before the step's minimum time was over.
    TooSoon {
        step: u16,
        left_ms: u64,
    },
    /// The confirmation sounds like whoever read the step back: the n-th time at this step. From the third on it counts.
    SameVoice {
        step: u16,
        time: u32,
    },
    /// An answer is in another voice than that of whoever should have given it: the n-th time at this step, as before.
    OtherVoice {
        step: u16,
        time: u32,
        /// Whose voice it sounds like; `None` for neither's.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        like: Option<Role>,
    },
    /// The step was refused by whoever had to confirm it.
    Refused {
        step: u16,
    },
    /// The step was confirmed.
    StepDone {
        step: u16,
    },
    /// The step was confirmed by the observer's decision, after the tries.
    Decided {
        step: u16,
        reason: u16,
    },
    /// The question was answered.
    Answered {
        question: u16,
        answer: u16,
    },
    Held {
        why: HoldWhy,
    },
    /// The observer released the hold point before the step.
    Released {
        step: u16,
    },
    /// A contingency was called.
    ContingencyBegan {
        post: Post,
        contingency: u16,
    },
    ContingencyEnded {
        contingency: u16,
        ending: Ending,
    },
    CarriedOn,
    WentBack,
    Lost {
        post: Post,
        why: String,
    },
    Back {
        post: Post,
    },
    VoiceFailed {
        why: String,
    },
    VoiceBack,
    RecordLost {
        why: String,
    },
    RecordStuck {
        why: String,
    },
}

/// Why something heard did not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unheeded {
    /// Noise or chatter.
    Ignored,
    /// It began while the tool was speaking.
    WhileSpeaking,
    /// The tool was saying these words itself: its own voice in an open microphone.
    OwnVoice,
    /// Nothing was awaited from this person.
    NotAwaited(Role),
    /// The phrase belongs to the other person.
    OtherPersons,
    /// The call changes nothing now.
    NoEffect,
    /// The same call, heard by the other microphone.
    SameCall,
    /// Only the observer may call it.
    ObserverOnly,
    /// A decision, before the tries were used up.
    TriesLeft,
    /// A decision at a step that takes both answers.
    NoDecision,
    /// This contingency is under way and will be gone on with.
    UnderWay,
    /// A microphone is still missing.
    StillLost,
    /// The record is damaged, and only 'carry on' keeps it in a new place.
    RecordLost,
}
