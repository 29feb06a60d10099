//! The page about scene files names every key that the reader takes.

#[test]
fn every_key_stands_in_the_page() {
    let page = include_str!("../../../docs/scene.md");
    let source = concat!(
        include_str!("../src/spec.rs"),
        include_str!("../src/spec_antenna.rs"),
        include_str!("../src/spec_receiver.rs"),
        include_str!("../src/spec_rotator.rs"),
    );
    let mut deserialized = false;
    let mut keys = 0;
    for line in source.lines() {
        if line.starts_with("#[derive(") {
            deserialized = line.contains("Deserialize");
        }
        let Some((name, _)) = line.trim().split_once(": ") else {
            continue;
        };
        let key = name.trim_start_matches("pub(crate) ").trim_start_matches("pub ");
        let is_field = line.ends_with(',') && key.chars().all(|c| c.is_ascii_lowercase() || c == '_');
        if !(deserialized && is_field) {
            continue;
        }
        // Keys stand in backticks, alone or in a list or a table's name.
        let named = page.split('`').skip(1).step_by(2).any(|code| {
            code.split(|c: char| !(c.is_ascii_lowercase() || c == '_'))
                .any(|word| word == key)
        });
        assert!(named, "`{key}` is missing from docs/scene.md");
        keys += 1;
    }
    assert!(
        keys > 110,
        "only {keys} keys found: has the source changed its form?"
    );
}
