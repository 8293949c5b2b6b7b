//! The JSON Schema that editors use says the same as the parser: same tables, same keys, same answers.
//!
//! Checked with an independent validator (crate `jsonschema`, JSON Schema 2020-12).

mod procedure_base;

use antiphon::procedure::parse::{parse, KEYS, TABLES};
use antiphon::procedure::schema;
use procedure_base::{edit, BASE, EVERYTHING};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("procedures")
}

fn shipped() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder()).expect("procedures are shipped");
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("it can be read").path()).collect();
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "toml"));
    paths.sort();
    assert!(paths.len() >= 2);
    paths
}

fn schema() -> Value {
    serde_json::from_str(&schema::json()).expect("the schema is JSON")
}

/// Whether a TOML text fits the schema.
fn fits(source: &str) -> bool {
    let value: toml::Value = toml::from_str(source).expect("it is TOML");
    let value = serde_json::to_value(value).expect("TOML without dates is JSON");
    jsonschema::validator_for(&schema()).expect("the schema is one").is_valid(&value)
}

#[test]
fn the_shipped_schema_is_the_generated_one() {
    let shipped = std::fs::read_to_string(folder().join("procedure.schema.json")).unwrap_or_default();
    assert!(shipped == schema::json(), "run: cargo run -- schema > procedures/procedure.schema.json");
}

#[test]
fn every_shipped_procedure_names_the_schema_and_fits_it() {
    for path in shipped() {
        let source = std::fs::read_to_string(&path).expect("it can be read");
        assert!(source.starts_with("#:schema procedure.schema.json\n"), "{}", path.display());
        assert!(fits(&source), "{}", path.display());
        parse(&source, "shipped").unwrap_or_else(|errors| panic!("{errors}"));
    }
}

#[test]
fn parser_and_schema_know_the_same_tables_and_keys() {
    let schema = schema();
    let keys = |definition: &Value| -> BTreeSet<String> {
        let properties = definition["properties"].as_object().expect("a table has keys");
        assert_eq!(definition["additionalProperties"], false);
        properties.keys().cloned().collect()
    };
    let known = |keys: &[&str]| -> BTreeSet<String> { keys.iter().map(|key| key.to_string()).collect() };
    assert_eq!(keys(&schema), known(TABLES));
    for (table, expected) in KEYS {
        let definition = match *table {
            "procedure" => "Head",
            "rules" => "RulesTable",
            "calls" => "Calls",
            "refusal" | "decoys" => "Phrases",
            "decision" => "DecisionTable",
            "reason" => "ReasonTable",
            "slot" => "SlotTable",
            "question" => "QuestionTable",
            "answer" => "AnswerTable",
            "step" => "StepTable",
            "contingency" => "ContingencyTable",
            "exit" => "ExitTable",
            other => panic!("the schema has no table for {other}"),
        };
        assert_eq!(keys(&schema["$defs"][definition]), known(expected), "{table}");
    }
}

#[test]
fn what_the_parser_accepts_fits_and_the_types_read_it() {
    let decided = EVERYTHING.replacen("[rules]", "[rules]\ndecision = true", 1).replacen(
        "critical = true",
        "critical = true\ndecision = true",
        1,
    );
    for source in [BASE, EVERYTHING, &decided] {
        parse(source, "demo.toml").unwrap_or_else(|errors| panic!("{errors}"));
        assert!(fits(source));
        toml::from_str::<schema::ProcedureFile>(source).expect("the types read it");
    }
}

/// Errors of shape, one a kind: what the schema can see, it must see as the parser does.
#[test]
fn what_has_a_wrong_shape_is_refused_by_both() {
    let changes = [
        ("version = \"1\"", "version = 1"),
        ("version = \"1\"", "vers = \"1\""),
        ("id = \"gloves\"", "id = \"two gloves\""),
        ("id = \"gloves\"\n", ""),
        ("by = \"observer\"", "by = \"nobody\""),
        ("at_least_s = 20", "at_least_s = \"20\""),
        ("at_least_s = 20", "at_least_s = 4000"),
        ("at_least_s = 20", "expected_s = 0.5"),
        ("at_least_s = 20", "by = \"me\""),
        ("at_least_s = 20", "critical = 1"),
        ("read_back = \"inner gloves on\"", "read_back = []"),
        ("read_back = \"inner gloves on\"", "read_back = [1]"),
        ("when = { apron = \"yes\" }", "when = \"yes\""),
        ("closing = \"The end.\"", "closing = \"\""),
        ("[[question]]", "[rules]\ntries = 11\n[[question]]"),
        ("[[question]]", "[rules]\ndecision = 1\n[[question]]"),
        ("[[question]]", "[decision]\nreasons = 1\n[[question]]"),
        ("[[question]]", "[decision]\n[[decision.reason]]\nid = \"other\"\n[[question]]"),
        ("[[question]]", "[slot.size]\ndigits = 3\n[[question]]"),
        ("[[question]]", "[calls]\nhalt = \"wait there\"\n[[question]]"),
        ("[[question]]", "[[contingency]]\nid = \"tear\"\ntitle = \"A tear\"\ncall = \"glove is torn\"\nthen = \"go\"\n[[question]]"),
        ("[[question]]", "[[exit]]\nid = \"out\"\ntitle = \"Out\"\nclosing = \"Out.\"\n[[question]]"),
    ];
    for (from, to) in changes {
        let source = edit(from, to);
        assert!(parse(&source, "demo.toml").is_err(), "the parser accepts {to:?}");
        assert!(!fits(&source), "the schema accepts {to:?}");
    }
}
