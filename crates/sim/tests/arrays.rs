//! Switched arrays, coherent channels and faults, as samples, against closed forms.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

use lobewright_antenna::{Manifold, Pattern, SwitchSchedule};
use lobewright_sim::Scene;
use lobewright_types::Sample;
use num_complex::Complex;
use proptest::prelude::*;

const RATE_HZ: f64 = 50_000.0;
const CARRIER_HZ: f64 = 145_302_000.0;
const LIGHT_M_PER_S: f64 = 299_792_458.0;

/// One steady carrier and one station without a rotator.
fn text(transmitter: &str, station: &str, receiver: &str, antenna: &str) -> String {
    format!(
        "[scene]\nname = \"test\"\nseed = 5\n\
         [[transmitter]]\nname = \"t\"\nlat_deg = -41.30\nlon_deg = 174.10\nfrequency_hz = {CARRIER_HZ}\n{transmitter}\n\
         [[station]]\nname = \"s\"\nlat_deg = -41.33\nlon_deg = 174.07\nheading_true_deg = 17\n{station}\n\
         [receiver]\nrate_hz = {RATE_HZ}\ncenter_hz = 145_300_000\nformat = \"cf32_le\"\n{receiver}\n\
         {antenna}\n"
    )
}

fn scene(transmitter: &str, station: &str, receiver: &str, antenna: &str) -> Scene {
    let read = |name: &str| {
        if std::path::Path::new(name).extension().is_none() {
            return Pattern::builtin(name).map_err(|e| e.to_string());
        }
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../testdata/antennas/");
        let file = std::fs::File::open(format!("{folder}{name}")).map_err(|e| e.to_string())?;
        Pattern::from_csv(file, name).map_err(|e| e.to_string())
    };
    Scene::from_toml_with(&text(transmitter, station, receiver, antenna), "test.toml", &read)
        .unwrap_or_else(|error| panic!("{error}"))
}

fn bytes(scene: &Scene, block: usize) -> Vec<u8> {
    let mut renderer = scene.renderer(0).unwrap().with_block_samples(block);
    let mut all = Vec::new();
    while let Some(block) = renderer.next_block() {
        all.extend(block.bytes);
    }
    all
}

/// Samples, shape `[channel][sample]`.
fn channels(scene: &Scene) -> Vec<Vec<Sample>> {
    let renderer = scene.renderer(0).unwrap();
    let (format, count) = (renderer.format(), renderer.channels());
    let all = bytes(scene, 10_000);
    let mut out = Vec::new();
    format.decode(&all, 0, 1, &mut out);
    (0..count)
        .map(|k| out.iter().skip(k).step_by(count).copied().collect())
        .collect()
}

fn mean_power(samples: &[Sample]) -> f64 {
    samples.iter().map(|x| f64::from(x.norm_sqr())).sum::<f64>() / samples.len() as f64
}

/// Azimuth of the transmitter from the mounting's zero mark, in degrees.
fn source_deg(scene: &Scene) -> f64 {
    scene.station_truth(0).unwrap().transmitters[0].bearing.degrees() - 17.0
}

/// Response of every port as the station is told.
fn told(scene: &Scene) -> Vec<Complex<f64>> {
    let manifold = scene.manifold(0, CARRIER_HZ).unwrap();
    let mut out = vec![Complex::ZERO; manifold.ports()];
    manifold.response(source_deg(scene), &mut out);
    out
}

/// Mean of the samples with the carrier, 2 kHz above the centre, turned back.
fn phasor(samples: &[Sample], first: usize) -> Complex<f64> {
    let turn = -std::f64::consts::TAU * 2_000.0 / RATE_HZ;
    let sum: Complex<f64> = samples
        .iter()
        .enumerate()
        .map(|(n, x)| {
            Complex::new(f64::from(x.re), f64::from(x.im)) * Complex::cis(turn * (first + n) as f64)
        })
        .sum();
    sum / samples.len() as f64
}

/// First sample at or after a time.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "short recordings"
)]
fn sample_at(time_s: f64) -> usize {
    (time_s * RATE_HZ).ceil() as usize
}

fn off_deg(a: Complex<f64>, b: Complex<f64>) -> f64 {
    (a * b.conj()).arg().to_degrees()
}

const STRONG: &str = "eirp_dbm = 40";
const RING: &str = "[antenna.array.ring]\nelements = 4\nradius_m = 0.35\nfirst_azimuth_mount_deg = 45";
/// Its instants fall between samples, so that no rounding decides which port a sample belongs to.
const SWITCH: &str =
    "[antenna.switch]\norder = [1, 2, 3, 4]\ndwell_s = 0.001\nsettle_s = 0.0001\nstart_s = 0.000431";

// Van Trees, *Optimum Array Processing*, 2002, section 4.2.2: an element's phase is 2 pi r / lambda times the cosine of the
// angle between its own azimuth and the source's.
#[test]
fn phase_steps_between_switched_ports_are_those_of_the_ring() {
    let scene = scene(STRONG, "duration_s = 0.2", "", &format!("{RING}\n{SWITCH}"));
    let all = channels(&scene);
    assert_eq!(all.len(), 1);
    let schedule = scene.schedule(0).unwrap();
    let mut port_means = [(Complex::ZERO, 0.0); 4];
    for dwell in schedule.dwells(0.0, 0.2) {
        let from = sample_at(dwell.start_s);
        let to = sample_at(dwell.stop_s).min(all[0].len());
        let mean = &mut port_means[usize::from(dwell.port)];
        mean.0 += phasor(&all[0][from..to], from);
        mean.1 += 1.0;
    }
    let wave = std::f64::consts::TAU * 0.35 * CARRIER_HZ / LIGHT_M_PER_S;
    let phase = |k: f64| wave * (source_deg(&scene) - 45.0 - 90.0 * k).to_radians().cos();
    let level_dbfs = scene.station_truth(0).unwrap().transmitters[0].level_dbfs.0;
    for k in 1..4 {
        let measured = off_deg(port_means[k].0, port_means[0].0);
        let expected = Complex::cis(phase(k as f64) - phase(0.0));
        let error = off_deg(Complex::from_polar(1.0, measured.to_radians()), expected);
        assert!(error.abs() < 0.005, "port {k}: {error}");
        let level = 20.0 * (port_means[k].0.norm() / port_means[k].1).log10();
        assert!((level - level_dbfs).abs() < 0.05, "{level} {level_dbfs}");
    }
}

#[test]
fn elements_and_port_errors_give_the_phases_and_levels_of_their_files() {
    let errors =
        "port_error = [{}, { gain_db = 1.5, phase_deg = -20 }, {}, { gain_db = -2, phase_deg = 90 }]";
    let antenna = format!(
        "[antenna]\n{errors}\n[antenna.array.elements]\npattern = [\"square4_50ohm_el1.csv\", \"square4_50ohm_el2.csv\", \
         \"square4_50ohm_el3.csv\", \"square4_50ohm_el4.csv\"]"
    );
    let scene = scene(STRONG, "duration_s = 0.1", "", &antenna);
    let all = channels(&scene);
    assert_eq!(all.len(), 4);
    let told = told(&scene);
    let seen: Vec<Complex<f64>> = all.iter().map(|c| phasor(c, 0)).collect();
    for (k, (gain_db, phase_deg)) in [(0.0, 0.0_f64), (1.5, -20.0), (0.0, 0.0), (-2.0, 90.0)]
        .iter()
        .enumerate()
    {
        let expected =
            told[k] / told[0] * Complex::from_polar(10_f64.powf(gain_db / 20.0), phase_deg.to_radians());
        let ratio = seen[k] / seen[0] / expected;
        assert!((ratio - 1.0).norm() < 1e-3, "port {k}: {ratio}");
    }
    let truth = scene.station_truth(0).unwrap();
    assert_eq!(truth.channels, 4);
    assert_eq!(truth.array.unwrap().port_errors[3].phase_deg.to_string(), "90");
}

#[test]
fn two_cardioids_to_the_left_and_right_differ_by_their_patterns() {
    let antenna = "[antenna.array.sectors]\nport = [{ pattern = \"cardioid\", boresight_mount_deg = 300 }, \
                   { pattern = \"cardioid\", boresight_mount_deg = 60 }]\n\
                   [antenna.switch]\norder = [1, 2]\ndwell_s = 0.02";
    let scene = scene(STRONG, "duration_s = 0.4", "", antenna);
    let samples = &channels(&scene)[0];
    let cardioid = Pattern::builtin("cardioid").unwrap();
    for (k, boresight_deg) in [300.0, 60.0].iter().enumerate() {
        let of_port: Vec<Sample> = samples
            .chunks(1_000)
            .skip(k)
            .step_by(2)
            .flatten()
            .copied()
            .collect();
        let level_dbfs = 10.0 * mean_power(&of_port).log10();
        let truth = &scene.station_truth(0).unwrap().transmitters[0];
        let expected = truth.level_dbfs.0 + cardioid.gain_dbi(source_deg(&scene) - boresight_deg)
            - cardioid.peak_gain_dbi();
        assert!((level_dbfs - expected).abs() < 0.02, "{level_dbfs} {expected}");
    }
}

#[test]
fn an_array_may_turn_as_a_whole() {
    let antenna = format!("{RING}\n[rotator.fixed]\nazimuth_mount_deg = 30");
    let turned = scene(STRONG, "duration_s = 0.05", "", &antenna);
    let manifold = Manifold::ring(4, 0.35 * CARRIER_HZ / LIGHT_M_PER_S, 45.0).unwrap();
    let mut out = vec![Complex::ZERO; 4];
    manifold.response(source_deg(&turned) - 30.0, &mut out);
    let seen: Vec<Complex<f64>> = channels(&turned).iter().map(|c| phasor(c, 0)).collect();
    for k in 1..4 {
        assert!((seen[k] / seen[0] / (out[k] / out[0]) - 1.0).norm() < 1e-3);
    }
}

// Noise of the channels: equal powers up to their gain errors, correlation of independent noise. 100000 complex samples: a
// correlation has a standard error of 1/sqrt(100000) = 0.0032, a level of 0.014 dB.
#[test]
fn channels_have_noise_of_their_own_with_their_own_gain() {
    let errors = "gain_db = 80\nchannel_error = [{}, { gain_db = 2, phase_deg = 40 }, { gain_db = -1 }, {}]";
    let scene = scene("eirp_dbm = -200", "duration_s = 2", errors, RING);
    let all = channels(&scene);
    let noise_dbfs = scene.station_truth(0).unwrap().noise_dbfs.0;
    for (channel, gain_db) in all.iter().zip([0.0, 2.0, -1.0, 0.0]) {
        let level = 10.0 * mean_power(channel).log10();
        assert!(
            (level - noise_dbfs - gain_db).abs() < 0.06,
            "{level} {noise_dbfs} {gain_db}"
        );
    }
    for a in 0..4 {
        for b in 0..a {
            let sum: Complex<f64> = all[a]
                .iter()
                .zip(&all[b])
                .map(|(x, y)| {
                    let product = x * y.conj();
                    Complex::new(f64::from(product.re), f64::from(product.im))
                })
                .sum();
            let scale = (mean_power(&all[a]) * mean_power(&all[b])).sqrt() * all[a].len() as f64;
            assert!(sum.norm() / scale < 0.015, "{a} {b}: {}", sum.norm() / scale);
        }
    }
}

#[test]
fn channel_errors_turn_signals_as_well() {
    let errors = "channel_error = [{}, { gain_db = 2, phase_deg = 40 }, {}, {}]";
    let with = channels(&scene(STRONG, "duration_s = 0.05", errors, RING));
    let without = channels(&scene(STRONG, "duration_s = 0.05", "", RING));
    let ratio = phasor(&with[1], 0) / phasor(&without[1], 0);
    assert!((20.0 * ratio.norm().log10() - 2.0).abs() < 1e-3);
    assert!((ratio.arg().to_degrees() - 40.0).abs() < 1e-3);
}

#[test]
fn the_noise_floor_steps_and_rises_as_written() {
    let receiver = "gain_db = 80\nnoise_slope_db_per_s = 2\nnoise_step = [{ at_s = 3, change_db = -4 }, { at_s = 1, change_db = 6 }]";
    let scene = scene("eirp_dbm = -200", "duration_s = 4", receiver, RING);
    let samples = &channels(&scene)[0];
    let nominal = scene.station_truth(0).unwrap().noise_dbfs.0;
    for (from_s, stepped_db) in [
        (0.0, 0.0),
        (0.5, 0.0),
        (1.0, 6.0),
        (2.5, 6.0),
        (3.0, 2.0),
        (3.5, 2.0),
    ] {
        let from = sample_at(from_s);
        let level = 10.0 * mean_power(&samples[from..from + 20_000]).log10();
        // Over 0.4 s with 2 dB/s the mean power lies at 0.4 dB, and 0.006 dB more for the bend of the exponential.
        let expected = nominal + stepped_db + 2.0 * from_s + 0.406;
        // 20000 samples: 0.03 dB, four of them.
        assert!((level - expected).abs() < 0.13, "{from_s} s: {level} {expected}");
    }
}

#[test]
fn ignition_adds_its_mean_power() {
    let quiet = scene("eirp_dbm = -200", "duration_s = 4", "gain_db = 80", RING);
    let receiver = "gain_db = 80\nignition = { per_second = 120, level_dbfs = -20, length_s = 0.0005, jitter_s = 0.0001 }";
    let noisy = scene("eirp_dbm = -200", "duration_s = 4", receiver, RING);
    let (quiet, noisy) = (channels(&quiet), channels(&noisy));
    let added = mean_power(&noisy[0]) - mean_power(&quiet[0]);
    let expected = 0.01 * 120.0 * 0.0005;
    // 480 pulses of 25 samples: 12000 complex samples, 0.9 %.
    assert!((added / expected - 1.0).abs() < 0.04, "{}", added / expected);
    // What comes from outside is the same in every channel.
    let pulses = |k: usize| -> Vec<Sample> { noisy[k].iter().zip(&quiet[k]).map(|(a, b)| a - b).collect() };
    let (first, last) = (pulses(0), pulses(3));
    assert!(first.iter().zip(&last).all(|(a, b)| (a - b).norm() < 1e-5));
}

// A component A cos of a carrier beyond full scale 1 lies at the rail for the share (2 / pi) arccos(1 / A) of the time.
#[test]
fn a_carrier_beyond_full_scale_is_clipped_for_the_share_that_a_sine_is_above() {
    for format in ["cu8", "ci16_le", "ci8"] {
        for over_db in [1.0, 6.0, 20.0] {
            let level = {
                let plain = scene(
                    STRONG,
                    "duration_s = 0.1",
                    "",
                    "[antenna]\npattern = \"isotropic\"\n[rotator.fixed]\nazimuth_mount_deg = 0",
                );
                plain.station_truth(0).unwrap().transmitters[0].level_dbfs.0
            };
            let written = text(
                &format!("eirp_dbm = {}", 40.0 - level + over_db),
                "duration_s = 2",
                "",
                "[antenna]\npattern = \"isotropic\"\n[rotator.fixed]\nazimuth_mount_deg = 0",
            )
            .replace("cf32_le", format)
            // No ratio of small whole numbers to the sample rate: every phase comes up.
            .replace(
                &format!("frequency_hz = {CARRIER_HZ}"),
                "frequency_hz = 145_302_017.3",
            );
            let scene = Scene::from_toml(&written, "t").unwrap();
            let renderer = scene.renderer(0).unwrap();
            let sample_format = renderer.format();
            let mut out = Vec::new();
            sample_format.decode(&bytes(&scene, 9_999), 0, 1, &mut out);
            let (least, most) = out
                .iter()
                .flat_map(|x| [x.re, x.im])
                .fold((0.0_f32, 0.0_f32), |m, v| (m.0.min(v), m.1.max(v)));
            let railed = out
                .iter()
                .flat_map(|x| [x.re, x.im])
                .filter(|v| *v <= least || *v >= most)
                .count();
            let share = railed as f64 / (2 * out.len()) as f64;
            let amplitude = 10_f64.powf(over_db / 20.0);
            // The outermost code begins up to one step of 1/128 below full scale.
            let at = |rail: f64| 2.0 / std::f64::consts::PI * (rail / amplitude).acos();
            let (low, high) = (at(1.0) - 0.003, at(1.0 - 1.5 / 128.0) + 0.003);
            assert!(
                (low..=high).contains(&share),
                "{format} {over_db} dB: {share} not in {low}..{high}"
            );
        }
    }
}

#[test]
fn a_pattern_error_is_truth_that_the_pattern_does_not_tell() {
    let antenna = |error: &str| {
        format!("[antenna]\npattern = \"yagi-3\"\n{error}\n[rotator.continuous]\nrate_deg_per_s = 360")
    };
    let good = channels(&scene(STRONG, "duration_s = 1", "", &antenna("")));
    let bent = channels(&scene(
        STRONG,
        "duration_s = 1",
        "",
        &antenna("pattern_error = { rms_db = 1.2 }"),
    ));
    let differences: Vec<f64> = good[0]
        .chunks(500)
        .zip(bent[0].chunks(500))
        .map(|(a, b)| 10.0 * (mean_power(b) / mean_power(a)).log10())
        .collect();
    let rms = (differences.iter().map(|d| d * d).sum::<f64>() / differences.len() as f64).sqrt();
    // Over one whole turn the mean square is exact but for what 3.6 degrees average away: (6 pi 3.6 / 180)^2 / 24, 0.6 %.
    assert!((rms - 1.2).abs() < 0.02, "{rms}");
}

const BUSY: &str = "[antenna]\nport_error = [{}, { phase_deg = 12 }, { gain_db = 1 }, {}]\n\
    pattern_error = { rms_db = 1, phase_rms_deg = 5 }\n\
    [antenna.array.ring]\nelements = 4\nradius_m = 0.3\n\
    [rotator.hand_swung]\ncenter_azimuth_mount_deg = 20\nhalf_width_deg = 60\nleg_s = 0.3\n\
    [fading]\nrician_k_db = 6\ndoppler_hz = 10\n";
const BUSY_SWITCH: &str = "[antenna.switch]\norder = [1, 2, 0, 3, 4]\ndwell_s = 0.0017\nsettle_s = 0.0003\nstart_s = 0.2\n\
    clock_error_ppm = 80\njitter_s = 0.00005\n";
const BUSY_RECEIVER: &str = "gain_db = 70\nignition = { per_second = 90, level_dbfs = -20, length_s = 0.0004, jitter_s = 0.0002 }\n\
    noise_slope_db_per_s = 3\nnoise_step = [{ at_s = 0.31, change_db = 5 }]\n\
    interferer = [{ frequency_hz = 145_290_000, level_dbm = -100 }]\n\
    impulses = { per_second = 50, peak_dbfs = -10, decay_s = 0.0001 }";
const BUSY_TRANSMITTER: &str = "eirp_dbm = 0\n[transmitter.emission.fm_voice]\ndeviation_hz = 2_500\n\
    [[transmitter.cycle]]\nperiod_s = 0.5\non_s = 0.3\nfirst_start_s = 0.05";

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn bytes_do_not_depend_on_the_block_size(block in 1_usize..40_000, switched in any::<bool>()) {
        let antenna = if switched { format!("{BUSY}{BUSY_SWITCH}") } else { BUSY.to_owned() };
        let station = "duration_s = 0.7\n[[station.reflection]]\nazimuth_true_deg = 100\nrelative_level_db = 3\ndelay_us = 33.3";
        let scene = scene(BUSY_TRANSMITTER, station, BUSY_RECEIVER, &antenna);
        prop_assert!(bytes(&scene, 65_536) == bytes(&scene, block), "blocks of {} samples", block);
    }
}

#[test]
fn no_port_connected_leaves_the_noise_alone() {
    let antenna = format!("{RING}\n[antenna.switch]\norder = [1, 0, 2]\ndwell_s = 0.01");
    let samples = &channels(&scene(STRONG, "duration_s = 0.3", "gain_db = 10", &antenna))[0];
    let of_step = |k: usize| -> f64 {
        let of_step: Vec<Sample> = samples
            .chunks(500)
            .skip(k)
            .step_by(3)
            .flatten()
            .copied()
            .collect();
        10.0 * mean_power(&of_step).log10()
    };
    let noise = scene(STRONG, "duration_s = 0.3", "gain_db = 10", &antenna)
        .station_truth(0)
        .unwrap()
        .noise_dbfs
        .0;
    assert!((of_step(1) - noise).abs() < 0.25, "{} {noise}", of_step(1));
    assert!(of_step(0) > noise + 30.0 && of_step(2) > noise + 30.0);
}

#[test]
fn the_written_schedule_is_the_one_that_a_station_is_told_of() {
    let antenna = format!(
        "{RING}\n[antenna.switch]\norder = [3, 1, 0, 2]\ndwell_s = 0.0071\nstart_s = 0.0123\nclock_error_ppm = 900"
    );
    let scene = scene(STRONG, "duration_s = 2", "", &antenna);
    let told = scene.schedule(0).unwrap();
    let text = scene.schedule_csv(0).unwrap();
    let read = SwitchSchedule::from_csv(text.as_bytes(), 0.0).unwrap();
    for k in 0..20_000 {
        let time_s = f64::from(k) * 1e-4 + 3.3e-6;
        assert_eq!(told.port_at(time_s), read.port_at(time_s), "{time_s} s");
    }
}

#[test]
fn the_ready_scenes_with_arrays_are_valid() {
    for text in [
        include_str!("../../../pipelines/scenes/switched_ring.toml"),
        include_str!("../../../pipelines/scenes/homing_pair.toml"),
        include_str!("../../../pipelines/scenes/coherent_ring.toml"),
    ] {
        let scene = Scene::from_toml(text, "ready.toml").unwrap_or_else(|error| panic!("{error}"));
        for index in 0..scene.stations().len() {
            let truth = scene.station_truth(index).unwrap();
            assert!(
                truth.array.is_some() && truth.transmitters[0].snr_db.0 > 5.0,
                "{truth:?}"
            );
            assert!(!truth.transmitters[0].bursts.is_empty());
        }
    }
}
