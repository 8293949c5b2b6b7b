//! How much memory JSON takes when it is read: a hundred times its length, if it was written for that.
//!
//! Owns the estimates by which a hostile record is refused before the machine is out of memory. Must not know what a record
//! holds.

use serde_json::Value;

/// Entries of an object lie in nodes of eleven, which are made whole: 632 bytes for the first one.
const NODE: usize = 640;
/// Least of an entry: a list's room when it was last doubled, or the part of a node that stays empty.
const ENTRY: usize = 128;
/// Memory that one JSON text may take, bytes. The largest of real ones, an account of 500 steps, takes 3 MB.
const MOST: usize = 48 << 20;

/// Whether this text can be read with little memory. Told from its signs, so that it takes no memory to tell.
pub(super) fn is_light(json: &[u8]) -> bool {
    let of = |byte: &u8| match byte {
        b'{' => NODE,
        b',' | b'[' => ENTRY,
        _ => 1,
    };
    json.iter().map(of).sum::<usize>() <= MOST
}

/// What a value takes, about, bytes.
pub(super) fn of(value: &Value) -> usize {
    let own = std::mem::size_of::<Value>();
    own + match value {
        Value::Null | Value::Bool(_) | Value::Number(_) => 0,
        Value::String(text) => text.capacity(),
        Value::Array(values) => {
            (values.capacity() - values.len()) * own + values.iter().map(of).sum::<usize>()
        }
        // Nodes are split in the middle, and mostly stay half full.
        Value::Object(entries) => {
            entries.len().div_ceil(6) * NODE
                + entries.iter().map(|(key, value)| key.capacity() + of(value) - own).sum::<usize>()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_to_fill_the_memory_is_heavy_and_a_long_text_is_not() {
        let lists = [b"[".as_slice(), &b"0,".repeat(500_000), b"0]"].concat();
        assert!(!is_light(&lists));
        assert!(!is_light(&br#"{"":"#.repeat(100_000)));
        assert!(is_light(&b"x".repeat(1 << 20)));
    }

    #[test]
    fn an_objects_nodes_count() {
        let value: Value = serde_json::from_str(r#"[{"a":{"b":1}},"abc",null]"#).unwrap();
        assert!((2 * NODE..3 * NODE).contains(&of(&value)), "{}", of(&value));
    }
}
