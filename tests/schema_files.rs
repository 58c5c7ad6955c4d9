//! The JSON Schemas in `docs/` are those of the parser's tables. `WRITE_SCHEMAS=1 cargo test --test schema_files` writes
//! them again after a change. (That an independent validator says the same of files as the parser is in `tests/peers/`.)

#![expect(clippy::disallowed_methods, reason = "a test may stop where it stands")]

use std::path::Path;

#[test]
fn the_schemas_in_docs_are_those_of_the_parser() {
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
    let schemas = [
        ("profile.schema.json", wattward::profile::profile_schema()),
        ("site.schema.json", wattward::profile::site_schema()),
    ];
    for (name, schema) in schemas {
        let path = docs.join(name);
        let made = serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n";
        if std::env::var_os("WRITE_SCHEMAS").is_some() {
            std::fs::write(&path, &made).unwrap_or_else(|error| panic!("{error}"));
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(
            kept == made,
            "{name} is not what the parser accepts: WRITE_SCHEMAS=1 cargo test --test schema_files"
        );
    }
}
