//! What a wrong scene file is told.

use lobewright_sim::Scene;

const GOOD: &str = r#"[scene]
name = "test"
seed = 1

[[transmitter]]
name = "t"
lat_deg = -41.30
lon_deg = 174.10
frequency_hz = 145_302_000
eirp_dbm = 10

[[transmitter.cycle]]
period_s = 60
on_s = 12

[[station]]
name = "s"
lat_deg = -41.33
lon_deg = 174.07
duration_s = 10

[station.receiver]
rate_hz = 50_000
center_hz = 145_300_000
format = "cu8"

[station.antenna]
pattern = "yagi-3"

[station.rotator.continuous]
rate_deg_per_s = 36
"#;

/// Changes one line of a good scene and looks at the message.
fn check(line: &str, changed: &str, expected: &str) {
    assert!(GOOD.contains(line), "{line}");
    let text = GOOD.replacen(line, changed, 1);
    let message = Scene::from_toml(&text, "hill.toml")
        .expect_err("the changed scene is wrong")
        .to_string();
    assert!(
        message.starts_with(expected),
        "\n got: {message}\nwant: {expected}"
    );
}

#[test]
fn the_unchanged_scene_is_good() {
    assert_eq!(Scene::from_toml(GOOD, "hill.toml").unwrap().stations().len(), 1);
}

#[test]
fn unknown_keys_are_named_with_those_that_are_known() {
    check(
        "eirp_dbm = 10",
        "eirp_dbm = 10\npower_dbm = 10",
        "hill.toml:11: `transmitter[0].power_dbm`: unknown field `power_dbm`, expected one of `name`, `lat_deg`",
    );
    check(
        "rate_deg_per_s = 36",
        "rate = 36",
        "hill.toml:31: `station[0].rotator.continuous.rate`: unexpected keys in table: rate, available keys: \
         start_azimuth_mount_deg, rate_deg_per_s",
    );
}

#[test]
fn missing_keys_are_named() {
    check(
        "duration_s = 10\n",
        "",
        "hill.toml:16: `station[0]`: missing field `duration_s`",
    );
    check("seed = 1", "", "hill.toml:1: `scene`: missing field `seed`");
}

#[test]
fn wrong_types_are_named() {
    check(
        "rate_hz = 50_000",
        "rate_hz = \"fast\"",
        "hill.toml:23: `station[0].receiver.rate_hz`: invalid type: string \"fast\", expected f64",
    );
    check(
        "format = \"cu8\"",
        "format = \"cu9\"",
        "hill.toml:25: `station[0].receiver.format`: `cu9` is no sample format; one is r or c",
    );
    check("seed = 1", "seed = ", "hill.toml:3: `seed`: ");
}

#[test]
fn values_out_of_range_are_named_with_the_range() {
    check(
        "lat_deg = -41.33",
        "lat_deg = 141.33",
        "hill.toml:18: `station[0].lat_deg` is 141.33 but must be a number from -90 to 90 degrees, north positive",
    );
    check(
        "on_s = 12",
        "on_s = 61",
        "hill.toml:14: `transmitter[0].cycle[0].on_s` is 61 but must be a number from 0.001 to 60 s, the period",
    );
    check(
        "rate_hz = 50_000",
        "rate_hz = nan",
        "hill.toml:23: `station[0].receiver.rate_hz` is NaN but must be a number from 1000 to 1000000000 Hz",
    );
    check(
        "duration_s = 10",
        "duration_s = inf",
        "hill.toml:20: `station[0].duration_s` is inf but must be a number from 0.001 to 10000000 s",
    );
    check(
        "format = \"cu8\"",
        "format = \"ru8\"",
        "hill.toml:25: `station[0].receiver.format` is ru8 but must be a complex format such as cu8 or ci16_le",
    );
}

#[test]
fn values_that_do_not_go_together_are_named() {
    check(
        "center_hz = 145_300_000",
        "center_hz = 146_300_000",
        "hill.toml:24: `station[0].receiver.center_hz` is 146300000 but must be within 25000 Hz, half the sample rate, of \
         transmitter `t`",
    );
    check(
        "[[transmitter.cycle]]",
        "[transmitter.identification]\ntext = \"LARCH LARCH LARCH\"\n[[transmitter.cycle]]",
        "hill.toml:16: `transmitter[0].cycle[0].on_s` is 12 but must be at least 17.300 s",
    );
    check(
        "[[transmitter.cycle]]",
        "[transmitter.identification]\ntext = \"LARCH#\"\n[[transmitter.cycle]]",
        "hill.toml:13: `transmitter[0].identification.text` is `LARCH#` with `#` but must be letters",
    );
    check(
        "[station.receiver]",
        "[[station.reflection]]\nazimuth_true_deg = 10\nrelative_level_db = 0\ndelay_us = 1\ntransmitter = \"u\"\n[station.receiver]",
        "hill.toml:26: `station[0].reflection[0].transmitter` is u but must be the name of a transmitter: t",
    );
}

#[test]
fn scenes_that_would_fill_the_memory_are_refused() {
    check(
        "duration_s = 10\n",
        "duration_s = 1e7\n",
        "hill.toml:20: `station[0].duration_s` is 10000000 but must be at most 100000 s, a million points of the azimuth track",
    );
    check(
        "[[transmitter.cycle]]\nperiod_s = 60\non_s = 12",
        "[[transmitter.cycle]]\nfirst_start_s = -1e6\nperiod_s = 0.1\non_s = 0.05",
        "hill.toml:13: `transmitter[0].cycle[0].first_start_s` is -1000000 but must be late enough for at most a million",
    );
}

#[test]
fn missing_tables_and_patterns_are_named() {
    let without = GOOD.replace("[station.rotator.continuous]\nrate_deg_per_s = 36\n", "");
    let message = Scene::from_toml(&without, "hill.toml").unwrap_err().to_string();
    assert_eq!(
        message,
        "hill.toml:16: `station[0].rotator` is missing but must be given here or in a common table `[rotator]`"
    );
    check(
        "pattern = \"yagi-3\"",
        "pattern = \"none.csv\"",
        "hill.toml:28: `station[0].antenna.pattern`: no antenna pattern `none.csv`: ",
    );
}

#[test]
fn patterns_come_from_the_resolver() {
    let text = GOOD.replace("yagi-3", "mine.csv");
    let scene = Scene::from_toml_with(&text, "hill.toml", &|name| {
        let rows = "azimuth_deg,gain_dbi\n0,9\n90,-5\n180,-10\n270,-5\n";
        lobewright_antenna::Pattern::from_csv(rows.as_bytes(), name).map_err(|e| e.to_string())
    })
    .unwrap();
    assert_eq!(scene.pattern(0).unwrap().name(), "mine.csv");
    let known = Scene::from_toml(GOOD, "t").unwrap();
    let difference = scene.pattern(0).unwrap().peak_gain_dbi() - known.pattern(0).unwrap().peak_gain_dbi();
    let level = |s: &Scene| s.station_truth(0).unwrap().transmitters[0].level_dbfs.0;
    assert!((level(&scene) - level(&known) - difference).abs() < 1e-9);
}
