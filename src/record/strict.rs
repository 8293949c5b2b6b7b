//! JSON in which every key of an object stands once.
//!
//! Of two equal keys one reader takes the first and another the last: such a file says two things. Pure; must not know
//! what a file means.

use super::weight;
use serde::de::{DeserializeOwned, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde::Deserialize;
use serde_json::{Map, Number, Value};
use std::fmt;

/// Any JSON value, without duplicate keys.
pub(super) struct Strict(pub Value);

/// Reads a whole text. Errors: in words, with line and column; duplicate keys among them, and what would fill the memory.
pub fn from_slice<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, String> {
    if !weight::is_light(bytes) {
        return Err("it has more parts than such a file can have".to_owned());
    }
    let Strict(value) = serde_json::from_slice(bytes).map_err(|error| error.to_string())?;
    serde_json::from_value(value).map_err(|error| error.to_string())
}

impl<'de> Deserialize<'de> for Strict {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Strict, D::Error> {
        deserializer.deserialize_any(AnyValue).map(Strict)
    }
}

struct AnyValue;

impl<'de> Visitor<'de> for AnyValue {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("any JSON value")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E>(self, value: f64) -> Result<Value, E> {
        Ok(Number::from_f64(value).map_or(Value::Null, Value::Number))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_string<E>(self, value: String) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut values = Vec::new();
        while let Some(Strict(value)) = seq.next_element()? {
            values.push(value);
        }
        Ok(Value::Array(values))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let mut values = Map::new();
        while let Some(key) = map.next_key::<String>()? {
            let Strict(value) = map.next_value()?;
            if values.contains_key(&key) {
                return Err(A::Error::custom(format!("the key '{}' stands twice", key.escape_debug())));
            }
            values.insert(key, value);
        }
        Ok(Value::Object(values))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_each_key_once_is_read_as_any_reader_reads_it() {
        let texts =
            [r#"{"a":[1,-2,0.1,1e300,null,true,"\u00e4"],"b":{"a":{}}}"#, "18446744073709551615", "[]"];
        for text in texts {
            let plain: Value = serde_json::from_str(text).unwrap();
            assert_eq!(from_slice::<Value>(text.as_bytes()), Ok(plain), "{text}");
        }
    }

    #[test]
    fn a_key_that_stands_twice_is_refused_wherever_it_stands_and_however_it_is_written() {
        for text in [r#"{"a":1,"a":1}"#, r#"[{"b":{"a":1,"c":2,"\u0061":3}}]"#] {
            let refused = from_slice::<Value>(text.as_bytes()).unwrap_err();
            assert!(refused.contains("the key 'a' stands twice"), "{refused}");
        }
        assert!(from_slice::<Value>(b"{} {}").is_err() && from_slice::<Value>(b"{").is_err());
    }
}
