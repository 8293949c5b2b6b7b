//! What the tool says in a sound check beyond the lines of a session, per language.

/// Templates; `{x}` is filled in by `session::lines::fill`.
#[derive(Debug)]
pub struct OwnLines {
    pub opening: &'static str,
    pub prompt: &'static str,
    pub ask: &'static str,
    pub ready: &'static str,
    pub ready_but: &'static str,
    pub not_ready: &'static str,
    pub not_ready_more: &'static str,
}

const ENGLISH: OwnLines = OwnLines {
    opening: "Sound check. Both of you: be quiet until I speak again.",
    prompt: "This is how loud I speak. You should hear every word of this without effort.",
    ask: "{who}, please say: {expected}.",
    ready: "The sound check is done. Ready.",
    ready_but: "Ready. Better still: {advice}",
    not_ready: "Not ready. {advice}",
    not_ready_more: "Not ready. {advice} More is on the screen.",
};

// Advice is written in English only, so a Korean check points to the screen.
const KOREAN: OwnLines = OwnLines {
    opening: "소리 점검입니다. 제가 다시 말할 때까지 두 분 모두 조용히 해 주세요.",
    prompt: "저는 이 정도 크기로 말합니다. 모든 말이 편하게 들려야 합니다.",
    ask: "{who}, 말해 주세요: {expected}.",
    ready: "소리 점검이 끝났습니다. 준비되었습니다.",
    ready_but: "준비되었습니다. 더 좋게 할 점은 화면에 있습니다.",
    not_ready: "준비되지 않았습니다. 바꿀 점은 화면에 있습니다.",
    not_ready_more: "준비되지 않았습니다. 바꿀 점은 화면에 있습니다.",
};

/// The lines for a BCP 47 language tag; English where there are none, as in a session.
pub fn own_lines(language: &str) -> &'static OwnLines {
    match language.split('-').next().unwrap_or_default() {
        "ko" => &KOREAN,
        _ => &ENGLISH,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::lines::lines;

    #[test]
    fn a_check_speaks_every_language_a_session_speaks() {
        for language in ["en", "ko", "en-GB", "ko-KR"] {
            assert!(lines(language).1);
            let ask = own_lines(language).ask;
            assert!(ask.contains("{who}") && ask.contains("{expected}"), "{ask}");
        }
        assert_ne!(own_lines("ko").ready, own_lines("en").ready);
    }
}
