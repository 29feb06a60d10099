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

/// The good scene with an array in place of its pattern and rotator, and lines behind it.
fn array(array: &str, rest: &str) -> String {
    GOOD.replace(
        "[station.antenna]\npattern = \"yagi-3\"\n",
        &format!("[station.antenna.array.{array}\n"),
    )
    .replace("[station.rotator.continuous]\nrate_deg_per_s = 36\n", rest)
}

const RING: &str = "ring]\nelements = 4\nradius_m = 0.35";

fn check_text(text: &str, expected: &str) {
    let message = Scene::from_toml(text, "hill.toml")
        .expect_err("the scene is wrong")
        .to_string();
    assert!(
        message.starts_with(expected),
        "\n got: {message}\nwant: {expected}"
    );
}

#[test]
fn arrays_need_no_rotator_and_are_checked() {
    assert!(Scene::from_toml(&array(RING, ""), "hill.toml").is_ok());
    check_text(
        &array("ring]\nelements = 1\nradius_m = 0.35", ""),
        "hill.toml:28: `station[0].antenna.array.ring.elements` is 1 but must be 2 to 64 ports",
    );
    check_text(
        &array("ring]\nelements = 4\nradius_m = 35", ""),
        "hill.toml:29: `station[0].antenna.array.ring.radius_m` is 35 but must be at most 20.632 m, ten wavelengths",
    );
    check_text(
        &array(
            "sectors]\nport = [{ pattern = \"cardioid\", boresight_mount_deg = 0 }, { pattern = \"none\", boresight_mount_deg = 90 }]",
            "",
        ),
        "hill.toml:28: `station[0].antenna.array.sectors.port[1].pattern`: no antenna pattern `none`: ",
    );
    check_text(
        &array("elements]\npattern = [\"cardioid\", \"cardioid\"]", ""),
        "hill.toml:28: `station[0].antenna.array.elements.pattern`: no antenna pattern `cardioid, cardioid`: port 1: pattern \
         `cardioid` has no phase",
    );
    check(
        "pattern = \"yagi-3\"",
        "pattern = \"yagi-3\"\narray = { ring = { elements = 4, radius_m = 0.35 } }",
        "hill.toml:28: `station[0].antenna.pattern` is yagi-3 but must be left out where there is an array",
    );
    check(
        "pattern = \"yagi-3\"",
        "",
        "hill.toml:27: `station[0].antenna.pattern` is missing but must be given for an antenna that is turned",
    );
}

#[test]
fn switches_are_checked_with_their_ports_and_the_sample_rate() {
    let switch = |lines: &str| array(RING, &format!("[station.antenna.switch]\n{lines}"));
    assert!(Scene::from_toml(&switch("order = [1, 2, 3, 4]\ndwell_s = 0.01"), "hill.toml").is_ok());
    check_text(
        &switch("order = [1, 5]\ndwell_s = 0.01"),
        "hill.toml:32: `station[0].antenna.switch.order` is 5 but must be ports from 1 to 4, or 0 for none",
    );
    check_text(
        &switch("order = [1, 0]\ndwell_s = 0.01"),
        "hill.toml:32: `station[0].antenna.switch.order` is wrong but must be such that a schedule can be made of it: the \
         switch schedule uses 1 ports and should use 2 or more",
    );
    check_text(
        &switch("order = [1, 2]\ndwell_s = 0.01\nsettle_s = 0.01"),
        "hill.toml:33: `station[0].antenna.switch.dwell_s` is wrong but must be such that a schedule",
    );
    check_text(
        &switch("order = [1, 2]\ndwell_s = 1e-5"),
        "hill.toml:33: `station[0].antenna.switch.dwell_s` is 0.00001 but must be at least 0.00008 s, four samples",
    );
    check_text(
        &switch("order = [1, 2]\ndwell_s = 0.01\njitter_s = 0.002"),
        "hill.toml:34: `station[0].antenna.switch.jitter_s` is 0.002 but must be a number from 0 to 0.001 s, a tenth",
    );
    check(
        "pattern = \"yagi-3\"",
        "pattern = \"yagi-3\"\nswitch = { order = [1, 2], dwell_s = 0.1 }",
        "hill.toml:29: `station[0].antenna.switch` is alone but must be left out, or beside a table",
    );
}

#[test]
fn faults_are_checked() {
    check_text(
        &array(RING, "[[station.antenna.port_error]]\ngain_db = 1\n"),
        "hill.toml:31: `station[0].antenna.port_error` is 1 entries but must be one entry for each port, 4, or left out",
    );
    let receiver = |line: &str, expected: &str| {
        check("rate_hz = 50_000", &format!("rate_hz = 50_000\n{line}"), expected);
    };
    receiver(
        "channel_error = [{ gain_db = 1 }, {}]",
        "hill.toml:24: `station[0].receiver.channel_error` is 2 entries but must be one entry for each channel, 1, or left out",
    );
    receiver(
        "ignition = { per_second = 100, level_dbfs = -10, length_s = 0.006 }",
        "hill.toml:24: `station[0].receiver.ignition.length_s` is 0.006 but must be a number from 0.000000001 to 0.005 s, half",
    );
    receiver(
        "noise_step = [{ at_s = 1, change_db = 3 }, { at_s = -1, change_db = 3 }]",
        "hill.toml:24: `station[0].receiver.noise_step[1].at_s` is -1 but must be a number from 0 to 10000000 s",
    );
    receiver(
        "noise_slope_db_per_s = 100",
        "hill.toml:24: `station[0].receiver.noise_slope_db_per_s` is 100 but must be a number from -60 to 60 dB/s",
    );
    check(
        "[station.rotator.continuous]\nrate_deg_per_s = 36",
        "[station.rotator.hand_swung]\ncenter_azimuth_mount_deg = 0\nhalf_width_deg = 60\nleg_s = 0",
        "hill.toml:33: `station[0].rotator.hand_swung.leg_s` is 0 but must be a number from 0.05 to 1000000 s",
    );
    check(
        "pattern = \"yagi-3\"",
        "pattern = \"yagi-3\"\npattern_error = { rms_db = 30 }",
        "hill.toml:29: `station[0].antenna.pattern_error.rms_db` is 30 but must be a number from 0 to 20 dB",
    );
}
