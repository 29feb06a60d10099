//! The log of a hunt as a person keeps it, through the program itself: by answers, by options, killed and resumed.

mod common;

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use common::outcome;
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::Position;
use rand::{RngExt as _, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::Value;

const TARGET: Position = Position {
    lat_deg: -41.3,
    lon_deg: 174.1,
};

/// Four places around the target, and the exact true bearing from each.
fn places() -> Vec<(String, f64)> {
    let frame = LocalFrame::at(TARGET);
    [
        (-3000.0, -2000.0),
        (2500.0, -2600.0),
        (400.0, 3900.0),
        (-3500.0, 1500.0),
    ]
    .into_iter()
    .map(|(east, north)| {
        let place = frame.from_local(east, north);
        (
            format!("{:.6}, {:.6}", place.lat_deg, place.lon_deg),
            inverse(place, TARGET).azimuth.degrees(),
        )
    })
    .collect()
}

fn start(args: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_lobewright"))
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program was built")
}

/// Answers by lines; exit code, output and errors.
fn answered(args: &[&str], answers: &str) -> (i32, String, String) {
    let mut child = start(args);
    let mut stdin = child.stdin.take().expect("a pipe");
    // A program that refuses the log ends without reading.
    let _ = stdin.write_all(answers.as_bytes());
    drop(stdin);
    let output = child.wait_with_output().expect("the program ends");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("output is UTF-8");
    (
        output.status.code().expect("no signal"),
        text(output.stdout),
        text(output.stderr),
    )
}

fn lines(path: &Path) -> Vec<Value> {
    std::fs::read_to_string(path)
        .expect("the log is there")
        .lines()
        .map(|line| serde_json::from_str(line).expect("a whole entry"))
        .collect()
}

fn position_in(text: &str) -> Position {
    let at = text.rfind("position ").expect("a position is printed") + "position ".len();
    let numbers: Vec<f64> = text[at..]
        .split([',', ';', ' '])
        .filter(|t| !t.is_empty())
        .take(2)
        .map(|t| t.parse().expect("a number"))
        .collect();
    Position {
        lat_deg: numbers[0],
        lon_deg: numbers[1],
    }
}

#[test]
fn a_hunt_by_questions_and_answers_finds_its_transmitter() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hunt.jsonl");
    let log = path.to_str().unwrap();
    let places = places();
    let (first, second, third) = (&places[0], &places[1], &places[2]);
    // Place, its name, reading, north, how sure, meter, attenuation.
    let answers = format!(
        "{}\nsaddle\n{:.1}\ntrue\n3\n-\n\
         note wind from the south\n\
         {}\n\n{:.1}\nt\n\n12.5\n40\n\
         {}\nquay\n{:.1}\ntrue\n4\n\n\
         saddle\n{:.1}\ntrue\n3\n-\n\
         undo\nlist\nquit\n",
        first.0,
        first.1,
        second.0,
        second.1,
        third.0,
        third.1,
        first.1 + 60.0,
    );
    let (code, stdout, stderr) = answered(&["note", log], &answers);
    assert_eq!(code, 0, "{stdout}{stderr}");
    let off_m = inverse(position_in(&stdout), TARGET).distance_m;
    assert!(off_m < 150.0, "{off_m:.0} m off: {stdout}");
    for words in [
        "kept as entry 1: bearing",
        "kept as entry 2: note: wind from the south",
        "no position yet",
        "kept as entry 4: level 52.5 dB (meter) at place 2",
        "kept as entry 7: entry 6 taken back",
        "taken back",
    ] {
        assert!(stdout.contains(words), "no `{words}` in {stdout}");
    }
    let entries = lines(&path);
    assert_eq!(entries[0]["format"], "lobewright-hunt-log");
    assert_eq!(entries[1]["bearing"]["station"], "saddle");
    assert_eq!(entries[1]["read"]["north"], "true");
    assert_eq!(entries[7]["kind"], "retraction");

    // `fix` says what the prompt said.
    let (code, fixed, stderr) = outcome(&["fix", log, "--quiet"]);
    assert_eq!(code, 0, "{stderr}");
    let printed = format!(
        "{:.5}, {:.5}",
        position_in(&stdout).lat_deg,
        position_in(&stdout).lon_deg
    );
    assert!(fixed.contains(&printed), "{fixed} has no {printed}");
}

#[test]
fn entries_by_options_and_a_replay_to_any_moment() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hunt.jsonl");
    let log = path.to_str().unwrap();
    let places = places();
    let mut minute = 0;
    let mut enter = |args: &[&str]| {
        minute += 10;
        let time = format!("2026-02-14T03:{minute:02}:00Z");
        let mut all = vec!["note", log, "--time", &time];
        all.extend(args);
        let (code, stdout, stderr) = outcome(&all);
        assert_eq!(code, 0, "{args:?}: {stdout}{stderr}");
        stdout
    };
    let bearing = |deg: f64| format!("{deg:.1}");
    enter(&[
        "--place",
        &places[0].0,
        "--place-name",
        "saddle",
        "--bearing",
        &bearing(places[0].1),
        "--north",
        "true",
        "--sure",
        "3",
    ]);
    enter(&[
        "--place",
        &places[1].0,
        "--bearing",
        &bearing(places[1].1),
        "--north",
        "true",
    ]);
    enter(&["--place", "@last", "--meter", "-7.5", "--attenuation", "60"]);
    enter(&[
        "--place",
        "saddle",
        "--bearing",
        &bearing(places[0].1 + 45.0),
        "--north",
        "true",
        "--sure",
        "3",
    ]);
    let said = enter(&["--undo", "--reason", "held upside down"]);
    assert!(
        said.contains("kept as entry 5: entry 4 taken back: held upside down"),
        "{said}"
    );

    let at = |moment: &str| {
        let (code, stdout, stderr) = outcome(&["fix", log, "--at", moment, "--format", "json"]);
        assert!(code == 0 || code == 1, "{stderr}");
        serde_json::from_str::<Value>(&stdout).unwrap()
    };
    let count = |fix: &Value| fix["verdicts"].as_array().map_or(0, Vec::len);
    assert_eq!(at("2026-02-14T03:05:00Z")["statements"][0]["kind"], "no_bearings");
    assert_eq!(at("1")["statements"][0]["kind"], "one_place");
    assert_eq!(count(&at("2026-02-14T03:20:00Z")), 2);
    assert_eq!(count(&at("#4")), 3);
    assert_eq!(count(&at("5")), 2);
    assert_eq!(at("5"), at("2027-01-01T00:00:00Z"));
    assert_eq!(at("5"), at("3"));
    let (code, _, stderr) = outcome(&["fix", log, "--at", "17"]);
    assert_eq!(code, 3);
    assert!(
        stderr.contains("has no entry 17; its entries go to 5"),
        "{stderr}"
    );

    let course = folder.path().join("course.png");
    let (code, stdout, stderr) = outcome(&[
        "fix",
        log,
        "--course",
        "--format",
        "csv",
        "--picture",
        course.to_str().unwrap(),
    ]);
    assert_eq!(code, 0, "{stderr}");
    let rows: Vec<&str> = stdout.lines().collect();
    assert_eq!(rows.len(), 6, "{stdout}");
    assert!(
        rows[5].contains("entry 4 taken back: held upside down"),
        "{stdout}"
    );
    assert!(std::fs::metadata(&course).unwrap().len() > 10_000);
}

#[test]
fn wrong_answers_are_named_and_cost_nothing_that_was_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hunt.jsonl");
    let log = path.to_str().unwrap();
    let place = &places()[0].0;
    let good = format!("{place}\nhill\n10\ntrue\n3\n-\n");
    let cases = [
        (format!("{good}nowhere\n"), "line 7 of the answers"),
        (format!("{place}\n400\n"), "from 0 to 360"),
        (format!("{place}\n10\nup\n"), "magnetic (a compass), true"),
        (format!("{place}\n10\ntrue\n0\n"), "above 0 and up to 90"),
        (format!("{place}\n10\ntrue\n3\nnothing\n"), "something was heard"),
        (format!("{place}\n10\ntrue\n"), "end in the middle of an entry"),
        ("undo 9\n".to_owned(), "there is no entry 9"),
    ];
    for (answers, words) in cases {
        let (code, stdout, stderr) = answered(&["note", log, "--quiet"], &answers);
        assert_eq!(code, 3, "{answers}: {stdout}");
        assert!(stderr.contains(words), "{answers}: {stderr}");
    }
    // The first case kept its first entry.
    assert_eq!(lines(&path).len(), 2);
    for (args, code, words) in [
        (vec!["--bearing", "12"], 3, "a reading needs --place"),
        (vec!["--place", "hill"], 3, "--place needs what was read there"),
        (
            vec!["--place", "@last", "--bearing", "361"],
            2,
            "degrees from 0 to 360",
        ),
        (
            vec!["--place", "valley", "--bearing", "1"],
            3,
            "names used before are hill",
        ),
        (vec!["--undo", "0"], 3, "there is no entry 0"),
    ] {
        let all: Vec<&str> = ["note", log].into_iter().chain(args.clone()).collect();
        let (found, _, stderr) = outcome(&all);
        assert_eq!(found, code, "{args:?}: {stderr}");
        assert!(stderr.contains(words), "{args:?}: {stderr}");
    }
    assert_eq!(lines(&path).len(), 2);
    let table = folder.path().join("table.jsonl");
    std::fs::write(&table, "{\"outcome\":\"bearing\"}\n").unwrap();
    let (code, _, stderr) = answered(&["note", table.to_str().unwrap()], "quit\n");
    assert_eq!(code, 3);
    assert!(stderr.contains("is no hunt log"), "{stderr}");
}

#[test]
fn what_was_said_to_be_kept_survives_a_kill_at_any_moment() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hunt.jsonl");
    let log = path.to_str().unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let mut kept: Vec<(u64, String)> = Vec::new();
    for round in 0..12 {
        let mut child = start(&["note", log, "--quiet"]);
        let mut stdin = child.stdin.take().expect("a pipe");
        let mut said = BufReader::new(child.stdout.take().expect("a pipe")).lines();
        // The writer is never without work, so that the kill comes in the middle of it.
        let feeder = std::thread::spawn(move || {
            for i in 0..100_000 {
                let words = "x".repeat(i % 700);
                if stdin
                    .write_all(format!("note {round} {i} {words}\n").as_bytes())
                    .is_err()
                {
                    break;
                }
            }
        });
        let count: usize = rng.random_range(1..40);
        let mut take = |line: Option<Result<String, std::io::Error>>| {
            let line = line.and_then(Result::ok)?;
            let (id, words) = line.strip_prefix("kept as entry ")?.split_once(": note: ")?;
            kept.push((id.parse().expect("a number"), words.to_owned()));
            Some(())
        };
        for _ in 0..count {
            take(said.next()).expect("an entry is kept");
        }
        // SIGKILL on Unix.
        child.kill().expect("it runs");
        child.wait().expect("it ends");
        // What was said before the kill came out of the pipe counts too; its last line may be cut.
        while take(said.next()).is_some() {}
        feeder.join().expect("the feeder ends with the pipe");
    }
    let (code, _, stderr) = answered(&["note", log, "--quiet"], "note the end\nquit\n");
    assert_eq!(code, 0, "{stderr}");
    let text = std::fs::read(&path).unwrap();
    let read = lobewright_export::read_hunt_log(text.as_slice(), "hunt.jsonl").unwrap();
    assert!(!read.open_ended);
    let found: std::collections::BTreeMap<u64, String> = read
        .entries
        .iter()
        .filter_map(|e| match &e.fact {
            lobewright_export::HuntFact::Note { text, .. } => Some((e.id, text.clone())),
            _ => None,
        })
        .collect();
    assert!(kept.len() > 24, "{} entries", kept.len());
    for (id, words) in &kept {
        assert_eq!(found.get(id), Some(words), "entry {id} was said to be kept");
    }
    for aside in &read.aside {
        assert_eq!(aside.reason, lobewright_export::AsideReason::Torn, "{aside:?}");
    }
}

#[test]
fn two_writers_at_once_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hunt.jsonl");
    let log = path.to_str().unwrap();
    let mut first = start(&["note", log]);
    let mut stdin = first.stdin.take().expect("a pipe");
    let mut said = BufReader::new(first.stdout.take().expect("a pipe")).lines();
    stdin.write_all(b"note first\n").unwrap();
    assert!(said.next().unwrap().unwrap().starts_with("kept as entry 1"));
    let (code, _, stderr) = outcome(&["note", log, "--text", "second"]);
    assert_eq!(code, 3, "{stderr}");
    assert!(stderr.contains("is being written by another program"), "{stderr}");
    // Reading goes on meanwhile.
    let (code, _, stderr) = outcome(&["fix", log]);
    assert_eq!(code, 1, "{stderr}");
    drop(stdin);
    assert!(first.wait().unwrap().success());
    let (code, stdout, _) = outcome(&["note", log, "--text", "second"]);
    assert_eq!(code, 0);
    assert!(stdout.starts_with("kept as entry 2"), "{stdout}");
}
