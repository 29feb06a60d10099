//! What the program says of wrong use and wrong input, and the exit codes it ends with.

mod common;

use common::outcome;

fn fails(args: &[&str], code: i32, message: &str) {
    let (found, stdout, stderr) = outcome(args);
    assert_eq!(found, code, "{args:?}: {stderr}");
    assert!(stderr.contains(message), "{args:?}: {stderr}");
    assert!(stdout.is_empty(), "{args:?}: {stdout}");
}

#[test]
fn wrong_usage_ends_with_2() {
    fails(&["run"], 2, "<PIPELINE>");
    fails(
        &["inspect", "x.wav", "--rate-hz", "fast"],
        2,
        "invalid value 'fast'",
    );
    fails(
        &["bearing", "x.wav", "--pattern", "yagi-3", "--lat-deg", "1"],
        2,
        "--lon-deg",
    );
}

#[test]
fn wrong_input_ends_with_3_and_names_file_and_remedy() {
    fails(&["run", "no-such.toml"], 3, "cannot read pipeline `no-such.toml`");
    fails(&["inspect", "Cargo.toml"], 3, "Cargo.toml");
    fails(&["fix", "Cargo.toml"], 3, "`Cargo.toml` has no known ending");
    fails(
        &["simulate", "no-such.toml", "--out", "target/none"],
        3,
        "cannot read scene `no-such.toml`",
    );
    fails(
        &[
            "bearing",
            "testdata/recordings/meter_fsk_868M95.sigmf-meta",
            "--pattern",
            "yagi-9",
        ],
        3,
        "yagi-9",
    );
    fails(
        &[
            "bearing",
            "testdata/recordings/meter_fsk_868M95.sigmf-meta",
            "--pattern",
            "yagi-3",
        ],
        3,
        "position is not known",
    );
}

#[test]
fn a_pipeline_fault_names_the_line() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wrong.toml");
    std::fs::write(&path, "[burst]\nmin_lenght_s = 0.5\n").unwrap();
    fails(&["run", path.to_str().unwrap()], 3, "line 2");
}

#[test]
fn nothing_found_ends_with_1() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("silence.cu8");
    // A converter at rest: the two codes around zero in turn.
    let bytes: Vec<u8> = (0..200_000_u32)
        .map(|i| 127 + u8::from(i.count_ones() % 2 == 0))
        .collect();
    std::fs::write(&path, bytes).unwrap();
    let (code, stdout, stderr) = outcome(&[
        "inspect",
        path.to_str().unwrap(),
        "--sample-format",
        "cu8",
        "--rate-hz",
        "48000",
    ]);
    assert_eq!(code, 1, "{stderr}");
    assert!(stdout.contains("48000 S/s"), "{stdout}");
}

#[test]
fn every_help_page_has_an_example() {
    let commands = [
        "demo",
        "run",
        "bearing",
        "fix",
        "simulate",
        "inspect",
        "completions",
        "manual",
    ];
    for command in commands {
        let (code, stdout, _) = outcome(&[command, "--help"]);
        assert_eq!(code, 0);
        assert!(
            stdout.contains(&format!("lobewright {command}")) && stdout.contains("Example"),
            "{command}"
        );
    }
}

#[test]
fn completions_and_manual_pages_name_every_command() {
    let (code, script, _) = outcome(&["completions", "bash"]);
    assert_eq!(code, 0);
    let folder = tempfile::tempdir().unwrap();
    let (code, _, stderr) = outcome(&["manual", "--out", folder.path().to_str().unwrap()]);
    assert_eq!(code, 0, "{stderr}");
    for command in ["demo", "run", "bearing", "fix", "simulate", "inspect"] {
        assert!(script.contains(command), "{command}");
        let page = std::fs::read_to_string(folder.path().join(format!("lobewright-{command}.1"))).unwrap();
        assert!(page.contains(".SH"), "{command}");
    }
}

#[test]
fn hand_bearings_turn_by_the_declination_and_give_a_position() {
    let (code, stdout, stderr) = outcome(&[
        "fix",
        "testdata/hand/hill_country.csv",
        "--format",
        "json",
        "--quiet",
    ]);
    assert_eq!(code, 0, "{stderr}");
    let fix: serde_json::Value = serde_json::from_str(&stdout).unwrap();
    let at = |key: &str| fix["position"][key].as_f64().unwrap();
    // The example scene's transmitter: two bearings with a few degrees of error at about 2 km.
    assert!(
        (at("lat_deg") + 41.300).abs() < 0.004 && (at("lon_deg") - 174.100).abs() < 0.004,
        "{stdout}"
    );
}

#[test]
fn every_ready_pipeline_is_valid() {
    for entry in std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/../../pipelines")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "toml") {
            lobewright_station::PipelineConfig::load(&path).unwrap();
        }
    }
}
