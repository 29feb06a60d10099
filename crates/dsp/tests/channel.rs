//! The running channel filter against what its specification says.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod common;

use common::{C64, Segment, block, config, decode, encode, inner_power, oracle, power_db, run, spec, tone};
use lobewright_dsp::{ChannelBank, ChannelSpec, DcRemoval, IqCorrection};
use lobewright_types::{Gap, GapCause, SampleFormat, SampleIndex, Stage, StreamItem};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const FORMATS: [&str; 9] = [
    "cu8", "ci8", "ci16_le", "ci16_be", "cf32_le", "cf64_be", "ru8", "ri16_le", "rf32_le",
];

fn noise(seed: u64, len: usize) -> Vec<C64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..len)
        .map(|_| C64::new(rng.random_range(-0.9..0.9), rng.random_range(-0.9..0.9)))
        .collect()
}

fn specs() -> Vec<(f64, ChannelSpec)> {
    vec![
        (2.4e6, spec(-412_345.6, 6250.0, 12_500.0, 70.0)),
        (2.048e6, spec(300_001.0, 6250.0, 12_500.0, 80.0)),
        (250e3, spec(12_500.0, 5000.0, 7500.0, 80.0)),
        (48e3, spec(-9000.0, 6250.0, 12_500.0, 60.0)),
        (
            2.4e6,
            ChannelSpec {
                ripple_db: 0.02,
                ..spec(0.0, 100e3, 150e3, 95.0)
            },
        ),
        // Rate under twice the stop edge: what is between the edges folds.
        (
            240e3,
            ChannelSpec {
                min_rate_hz: 20e3,
                ..spec(30e3, 6250.0, 12_500.0, 80.0)
            },
        ),
    ]
}

// The mixer in double precision and one long filter is the plain way. 16-bit taps are good to -94 dB of full scale
// in the stop band, single precision to -120 dB.
#[test]
fn every_format_equals_a_plain_mixer_and_one_long_filter() {
    let channel = spec(51_234.5, 6250.0, 12_500.0, 80.0);
    for format in FORMATS {
        let config = config(480e3, format, vec![channel.clone()]);
        let bytes = encode(config.format, &noise(1, 4000));
        let (output, bank) = run(&config, &bytes, 777);
        let segment = output.only(0);
        let plan = bank.plan(0);
        let mut input = decode(config.format, &bytes);
        if !config.format.complex {
            for x in &mut input {
                *x *= 2.0;
            }
        }
        let cycles = channel.offset_hz / config.input_rate_hz;
        let expected = oracle(
            &input,
            &plan.composite(),
            cycles,
            plan.decimation,
            segment.samples.len(),
        );
        let tolerance = if format.ends_with('8') { 3e-5 } else { 2e-6 };
        for (n, (ours, plain)) in segment.samples.iter().zip(&expected).enumerate() {
            let ours = C64::new(f64::from(ours.re), f64::from(ours.im));
            assert!(
                (ours - plain).norm() < tolerance,
                "{format} {n}: {ours} against {plain}"
            );
        }
    }
}

fn check_design(rate_hz: f64, spec: &ChannelSpec) {
    let plan = lobewright_dsp::plan_channel(spec, rate_hz, 0).unwrap();
    let out_rate = rate_hz / plan.decimation as f64;
    assert!(
        out_rate >= spec.min_rate_hz * (1.0 - 1e-9),
        "{spec:?}: {out_rate}"
    );
    let level = |hz: f64| 20.0 * plan.amplitude(hz / rate_hz).abs().log10();
    for i in 0..=400 {
        let hz = spec.pass_half_width_hz * f64::from(i) / 400.0;
        assert!(
            level(hz).abs() <= spec.ripple_db / 2.0,
            "{spec:?} {hz}: {}",
            level(hz)
        );
    }
    let stop = spec.stop_half_width_hz;
    if stop < rate_hz / 2.0 {
        for i in 0..=20_000 {
            let hz = stop + (rate_hz / 2.0 - stop) * f64::from(i) / 20_000.0;
            assert!(level(hz) <= -spec.stopband_db, "{spec:?} {hz}: {}", level(hz));
        }
        // The densest part, where the last stage folds.
        for i in 0..=2000 {
            let hz = stop + (4.0 * out_rate).min(rate_hz / 2.0 - stop) * f64::from(i) / 2000.0;
            assert!(level(hz) <= -spec.stopband_db, "{spec:?} {hz}: {}", level(hz));
        }
    }
    // What could fold onto the pass band starts at the stop edge or beyond.
    assert!(out_rate >= spec.pass_half_width_hz + stop - 1e-6 || plan.decimation == 1);
}

#[test]
fn every_design_keeps_to_its_mask() {
    for (rate_hz, spec) in specs() {
        check_design(rate_hz, &spec);
    }
    for stopband_db in [40.0, 60.0, 100.0, 120.0] {
        check_design(2.4e6, &spec(0.0, 6250.0, 12_500.0, stopband_db));
        check_design(1e6, &spec(0.0, 3000.0, 4000.0, stopband_db));
    }
    check_design(20e6, &spec(0.0, 6250.0, 12_500.0, 80.0));
    check_design(2.4e6, &spec(0.0, 50.0, 100.0, 80.0));
}

/// A channel alone, built once for many tones.
struct Channel {
    config: lobewright_dsp::BankConfig,
    bank: ChannelBank,
}

impl Channel {
    fn new(rate_hz: f64, format: &str, spec: &ChannelSpec) -> Self {
        let config = config(rate_hz, format, vec![spec.clone()]);
        let bank = ChannelBank::build(config.clone()).unwrap();
        Self { config, bank }
    }

    /// Measured gain in dB for a tone `hz` from the channel's centre.
    fn gain_db(&self, hz: f64) -> f64 {
        let mut bank = self.bank.clone();
        let edge = bank.edge_samples(0);
        let len = (2 * edge + 24) * bank.plan(0).decimation;
        let frequency_hz = self.config.channels[0].offset_hz + hz;
        let bytes = encode(
            self.config.format,
            &tone(self.config.input_rate_hz, frequency_hz, 0.95, len),
        );
        let mut output = common::Output::default();
        bank.push(block(&self.config, 0, &bytes), &mut |i| output.take(i))
            .unwrap();
        bank.finish(&mut |i| output.take(i)).unwrap();
        power_db(inner_power(output.only(0), edge) / 0.95_f64.powi(2))
    }
}

#[test]
fn pass_band_of_the_running_filter_is_flat() {
    // Quantisation to 8 bit adds up to 0.01 dB to a tone that repeats every few samples.
    for (format, spare_db) in [("cf32_le", 1e-4), ("ci16_le", 1e-3), ("cu8", 0.01)] {
        for (rate_hz, spec) in specs().into_iter().take(4) {
            let channel = Channel::new(rate_hz, format, &spec);
            for i in -8..=8 {
                let hz = spec.pass_half_width_hz * f64::from(i) / 8.0;
                let gain = channel.gain_db(hz);
                assert!(
                    gain.abs() <= spec.ripple_db / 2.0 + spare_db,
                    "{format} {spec:?} {hz}: {gain}"
                );
            }
        }
    }
}

#[test]
fn swept_tone_outside_the_channel_is_cut_wherever_it_aliases() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for (rate_hz, spec) in specs() {
        let stop = spec.stop_half_width_hz;
        let channel = Channel::new(rate_hz, "cf32_le", &spec);
        for i in 0..60 {
            // A sweep with a random start, over all that is not the channel, round the edges of the input band.
            let width = rate_hz - 2.0 * stop;
            let hz = stop + width * (f64::from(i) + rng.random_range(0.0..1.0)) / 60.0;
            let gain = channel.gain_db(hz);
            assert!(gain <= -spec.stopband_db, "{spec:?} {hz}: {gain}");
        }
        for hz in [stop, -stop, rate_hz / 2.0] {
            let gain = channel.gain_db(hz);
            assert!(gain <= -spec.stopband_db, "{spec:?} {hz}: {gain}");
        }
    }
}

// Tones in 8 bit are not pure, so the taps are measured with a step of codes: noise against the oracle is above; here
// a tone at a sixteenth of the rate, whose codes repeat exactly and whose harmonics are odd multiples, is cut.
#[test]
fn whole_number_stage_cuts_a_strong_neighbour() {
    let spec = spec(-412_345.6, 6250.0, 12_500.0, 70.0);
    for format in ["cu8", "ci8"] {
        let gain = Channel::new(2.4e6, format, &spec).gain_db(150e3 + 412_345.6);
        assert!(gain <= -70.0, "{format}: {gain}");
    }
}

#[test]
fn levels_are_kept_for_complex_and_real_full_scale_tones() {
    for format in FORMATS {
        let config = config(480e3, format, vec![spec(60e3, 6250.0, 12_500.0, 70.0)]);
        let bytes = encode(config.format, &tone(480e3, 61e3, 1.0, 40_000));
        let (output, bank) = run(&config, &bytes, 4096);
        let level = power_db(inner_power(output.only(0), bank.edge_samples(0)));
        assert!(level.abs() < 0.08, "{format}: {level} dBFS");
    }
}

#[test]
fn impulse_stands_at_the_index_its_clock_says() {
    let channel = spec(20e3, 6250.0, 12_500.0, 80.0);
    let config = config(480e3, "cf32_le", vec![channel]);
    for at in [3000_usize, 3007, 3013] {
        let mut input = vec![C64::new(0.0, 0.0); 8000];
        input[at] = C64::new(1.0, 0.0);
        let (output, bank) = run(&config, &encode(config.format, &input), 1000);
        let segment = output.only(0);
        let clock = bank.clock(0);
        // The centre of gravity of the response's amplitude, taken complex at the mixer's phase: exact for any
        // symmetric response that the output rate carries.
        let turn = C64::cis(2.0 * std::f64::consts::PI * 20e3 / 480e3 * at as f64);
        let (mut weight, mut moment) = (0.0, 0.0);
        for (n, s) in segment.samples.iter().enumerate() {
            let a = (C64::new(f64::from(s.re), f64::from(s.im)) * turn).re;
            weight += a;
            moment += a * clock.input_index(n as f64);
        }
        let found = moment / weight;
        assert!((found - at as f64).abs() < 0.02, "{at}: found at {found}");
    }
}

// A chirp's frequency tells the time: f = k t, so an error of one input sample turns the phase at channel sample n by
// 2 pi k n. The phase is compared with the chirp's own at the index of the clock.
#[test]
fn chirp_has_no_delay_against_the_clock() {
    let (rate_hz, offset_hz) = (480e3, 50e3);
    let channel = spec(offset_hz, 6250.0, 12_500.0, 80.0);
    for start in [0_u64, 123_457] {
        let config = config(rate_hz, "cf32_le", vec![channel.clone()]);
        let len = 96_000_u64;
        // From 5 kHz below the centre to 5 kHz above.
        let slope = 10e3 / rate_hz / len as f64;
        let phase = |index: f64| {
            let n = index - start as f64;
            (offset_hz / rate_hz * index).fract() - 5e3 / rate_hz * n + slope * n * n / 2.0
        };
        let input: Vec<C64> = (0..len)
            .map(|n| C64::cis(2.0 * std::f64::consts::PI * phase((start + n) as f64)))
            .collect();
        let mut bank = ChannelBank::build(config.clone()).unwrap();
        let mut output = common::Output::default();
        let bytes = encode(config.format, &input);
        bank.push(block(&config, start, &bytes), &mut |i| output.take(i))
            .unwrap();
        bank.finish(&mut |i| output.take(i)).unwrap();
        let (clock, edge) = (bank.clock(0), bank.edge_samples(0));
        let samples = &output.only(0).samples;
        let turns: Vec<f64> = (edge..samples.len() - edge)
            .map(|n| {
                let index = clock.input_index(n as f64);
                let expected = phase(index) - (offset_hz / rate_hz * index).fract();
                let s = samples[n];
                let error = f64::from(s.im).atan2(f64::from(s.re)) / (2.0 * std::f64::consts::PI) - expected;
                error - error.round()
            })
            .collect();
        // Least-squares slope of the phase error over n, in turns a channel sample.
        let m = turns.len() as f64;
        let mid = (m - 1.0) / 2.0;
        let (mut top, mut bottom) = (0.0, 0.0);
        for (n, e) in turns.iter().enumerate() {
            top += (n as f64 - mid) * e;
            bottom += (n as f64 - mid).powi(2);
        }
        let delay_samples = -top / bottom / (slope * f64::from(clock.decimation));
        assert!(
            delay_samples.abs() < 0.01,
            "start {start}: delay {delay_samples} input samples"
        );
        assert!(turns.iter().all(|e| e.abs() < 1e-4), "start {start}");
    }
}

#[test]
fn channels_of_one_pass_equal_channels_alone() {
    let list = vec![
        spec(-100e3, 6250.0, 12_500.0, 70.0),
        spec(150e3, 6250.0, 12_500.0, 80.0),
        spec(33e3, 25e3, 50e3, 60.0),
    ];
    for format in ["cu8", "cf32_le"] {
        let bytes = encode(format.parse().unwrap(), &noise(5, 30_000));
        let (together, _) = run(&config(480e3, format, list.clone()), &bytes, 9999);
        for (i, one) in list.iter().enumerate() {
            let (alone, _) = run(&config(480e3, format, vec![one.clone()]), &bytes, 4000);
            assert_eq!(together.only(i), alone.only(0), "{format} {i}");
        }
    }
}

#[test]
fn second_of_two_input_channels_is_filtered() {
    let channel = spec(60e3, 6250.0, 12_500.0, 70.0);
    for format in ["cu8", "ci16_le", "rf32_le"] {
        let one = config(480e3, format, vec![channel.clone()]);
        let size = one.format.bytes_per_sample();
        let (a, b) = (
            encode(one.format, &noise(1, 9000)),
            encode(one.format, &noise(2, 9000)),
        );
        let mixed: Vec<u8> = a
            .chunks(size)
            .zip(b.chunks(size))
            .flat_map(|(a, b)| [a, b].concat())
            .collect();
        let mut two = one.clone();
        (two.input_channels, two.use_channel) = (2, 1);
        assert_eq!(run(&two, &mixed, 1234).0, run(&one, &b, 4321).0, "{format}");
    }
}

#[test]
fn clipped_inputs_are_counted_for_each_channel_sample() {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    for format in [
        "cu8", "ci8", "ci16_le", "ci16_be", "ru16_le", "cf32_le", "cf64_le",
    ] {
        let config = config(480e3, format, vec![spec(0.0, 6250.0, 12_500.0, 70.0)]);
        let mut input = noise(4, 20_011);
        for x in &mut input[5000..9000] {
            if rng.random_range(0.0..1.0) < 0.2 {
                *x = if rng.random_range(0.0..1.0) < 0.5 {
                    C64::new(1.2, 0.1)
                } else {
                    C64::new(-1.2, -1.3)
                };
            }
        }
        let bytes = encode(config.format, &input);
        let (output, bank) = run(&config, &bytes, 3000);
        let segment = output.only(0);
        let decimation = bank.plan(0).decimation;
        let mut expected = vec![0_u32; segment.samples.len()];
        let width = config.format.scalar.bytes();
        for (n, s) in bytes.chunks_exact(config.format.bytes_per_sample()).enumerate() {
            if s.chunks_exact(width).any(|c| config.format.is_full_scale(c)) {
                expected[(n + decimation / 2) / decimation] += 1;
            }
        }
        assert!(expected.iter().sum::<u32>() > 500);
        assert_eq!(segment.clipped, expected, "{format}");
    }
}

#[test]
fn dc_spike_is_taken_off_and_a_signal_beside_it_is_not() {
    for format in ["cu8", "ci16_le"] {
        let mut config = config(480e3, format, vec![spec(0.0, 6250.0, 12_500.0, 70.0)]);
        let input: Vec<C64> = tone(480e3, 4e3, 0.3, 480_000)
            .iter()
            .map(|x| x + C64::new(0.1, -0.05))
            .collect();
        let bytes = encode(config.format, &input);
        let mean = |segment: &Segment| {
            let tail = &segment.samples[segment.samples.len() / 2..][..6000];
            let sum: C64 = tail
                .iter()
                .map(|s| C64::new(f64::from(s.re), f64::from(s.im)))
                .sum();
            sum.norm() / tail.len() as f64
        };
        let (before, _) = run(&config, &bytes, 10_000);
        assert!((mean(before.only(0)) - 0.1118).abs() < 0.002);
        config.dc_removal = DcRemoval::On { time_constant_s: 0.1 };
        let (after, bank) = run(&config, &bytes, 10_000);
        assert!(mean(after.only(0)) < 1e-4, "{format}: {}", mean(after.only(0)));
        let level = power_db(inner_power(after.only(0), bank.edge_samples(0)) / 0.09);
        assert!(level.abs() < 0.08, "{format}: {level}");
    }
}

#[test]
fn image_of_a_strong_signal_goes_when_the_imbalance_is_undone() {
    let (gain, phase_rad) = (1.05_f64, 0.04_f64);
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    // A strong tone at -60 kHz has its image at +60 kHz: the channel there holds nothing else.
    let input: Vec<C64> = tone(480e3, -60e3, 0.6, 480_000)
        .iter()
        .map(|x| {
            let x = x + C64::new(rng.random_range(-1e-4..1e-4), rng.random_range(-1e-4..1e-4));
            C64::new(x.re, gain * (x.im * phase_rad.cos() + x.re * phase_rad.sin()))
        })
        .collect();
    let mut config = config(480e3, "cf32_le", vec![spec(60e3, 6250.0, 12_500.0, 90.0)]);
    let bytes = encode(config.format, &input);
    let mut image_db = |correction| {
        config.iq_correction = correction;
        let (output, bank) = run(&config, &bytes, 7000);
        power_db(inner_power(output.only(0), bank.edge_samples(0)) / 0.36)
    };
    // Image rejection for small errors: ((gain - 1)^2 + phase^2) / 4 = -29.9 dB.
    let before = image_db(IqCorrection::Off);
    assert!((before + 29.9).abs() < 0.5, "{before}");
    let fixed = image_db(IqCorrection::Fixed { gain, phase_rad });
    assert!(fixed < -80.0, "{fixed}");
    let estimated = image_db(IqCorrection::Estimate);
    assert!(estimated < -70.0, "{estimated}");
}

#[test]
fn a_gap_restarts_the_filter_and_is_handed_on_once() {
    let config = config(
        480e3,
        "cu8",
        vec![
            spec(0.0, 6250.0, 12_500.0, 70.0),
            spec(50e3, 6250.0, 12_500.0, 70.0),
        ],
    );
    let bytes = encode(config.format, &noise(2, 30_000));
    let (a, b) = bytes.split_at(2 * 12_345);
    let gap = Gap {
        start: SampleIndex(12_345),
        samples: 655,
        cause: GapCause::Overrun,
    };
    let mut bank = ChannelBank::build(config.clone()).unwrap();
    let mut output = common::Output::default();
    let mut take = |item| output.take(item);
    bank.push(block(&config, 0, a), &mut take).unwrap();
    bank.push(StreamItem::Gap(gap), &mut take).unwrap();
    bank.push(block(&config, 13_000, b), &mut take).unwrap();
    bank.finish(&mut take).unwrap();
    assert_eq!(output.gaps, vec![gap]);

    // The same, but nobody says that samples are missing.
    let mut silent = common::Output::default();
    let mut take = |item| silent.take(item);
    bank.push(block(&config, 0, a), &mut take).unwrap();
    bank.push(block(&config, 13_000, b), &mut take).unwrap();
    bank.finish(&mut take).unwrap();
    assert_eq!(
        silent.gaps,
        vec![Gap {
            cause: GapCause::Lost,
            ..gap
        }]
    );
    assert_eq!(silent.segments, output.segments);

    for channel in 0..2 {
        let segments = &output.segments[channel];
        assert_eq!(segments.len(), 2);
        assert!((segments[1].first_input_index - 13_000.0).abs() < 1e-9);
        assert_eq!(segments[0].samples, run(&config, a, 9999).0.only(channel).samples);
        let owned = |len: usize, d: usize| (len - 1 + d / 2) / d + 1;
        for (segment, len) in segments.iter().zip([12_345, 30_000 - 12_345]) {
            assert_eq!(segment.samples.len(), owned(len, segment.decimation as usize));
        }
    }
}

#[test]
fn the_mixer_keeps_its_phase_across_a_gap() {
    let config = config(480e3, "cf32_le", vec![spec(50e3, 6250.0, 12_500.0, 80.0)]);
    let bytes = encode(config.format, &tone(480e3, 50e3, 0.5, 40_000));
    let mut bank = ChannelBank::build(config.clone()).unwrap();
    let mut output = common::Output::default();
    let mut take = |item| output.take(item);
    bank.push(block(&config, 0, &bytes[..8 * 15_000]), &mut take)
        .unwrap();
    bank.push(block(&config, 17_001, &bytes[8 * 17_001..]), &mut take)
        .unwrap();
    bank.finish(&mut take).unwrap();
    let edge = bank.edge_samples(0);
    for segment in &output.segments[0] {
        for s in &segment.samples[edge..segment.samples.len() - edge] {
            assert!((s.re - 0.5).abs() < 0.004 && s.im.abs() < 1e-5, "{s}");
        }
    }
}

#[test]
fn samples_that_are_no_numbers_break_the_stream() {
    for (format, bad) in [
        ("cf32_le", f64::NAN),
        ("cf64_be", f64::INFINITY),
        ("rf32_le", 1e30),
    ] {
        let config = config(480e3, format, vec![spec(50e3, 6250.0, 12_500.0, 80.0)]);
        let mut input = noise(3, 9000);
        for x in &mut input[4000..4003] {
            x.re = bad;
        }
        input[8999].re = bad;
        let (output, _) = run(&config, &encode(config.format, &input), 1024);
        let gap = |start, samples| Gap {
            start: SampleIndex(start),
            samples,
            cause: GapCause::NotFinite,
        };
        assert_eq!(output.gaps, vec![gap(4000, 3), gap(8999, 1)], "{format}");
        assert_eq!(output.segments[0].len(), 2);
        assert!((output.segments[0][1].first_input_index - 4003.0).abs() < 1e-9);
        let all = output.segments[0].iter().flat_map(|s| &s.samples);
        assert!(all.into_iter().all(|s| s.re.is_finite() && s.im.is_finite()));
    }
}

#[test]
fn a_recording_of_one_sample_gives_one_channel_sample() {
    let config = config(480e3, "cu8", vec![spec(0.0, 6250.0, 12_500.0, 70.0)]);
    assert_eq!(run(&config, &[200, 30], 10).0.only(0).samples.len(), 1);
    assert!(run(&config, &[], 10).0.segments.is_empty());
}

#[test]
fn wrong_numbers_and_blocks_are_named() {
    let good = config(480e3, "cu8", vec![spec(0.0, 6250.0, 12_500.0, 70.0)]);
    let check = |change: &dyn Fn(&mut lobewright_dsp::BankConfig), text: &str| {
        let mut config = good.clone();
        change(&mut config);
        assert_eq!(ChannelBank::build(config).unwrap_err().to_string(), text);
    };
    check(
        &|c| c.input_rate_hz = f64::NAN,
        "input_rate_hz is NaN, but must be a finite number over 0",
    );
    check(
        &|c| c.input_channels = 0,
        "input_channels is 0, but must be at least 1",
    );
    check(
        &|c| c.use_channel = 3,
        "use_channel is 3, but the stream has channels 0 to 0",
    );
    check(
        &|c| c.channels.clear(),
        "channels is empty, but at least one channel is needed",
    );
    check(
        &|c| c.channels[0].offset_hz = 239e3,
        "offset_hz of channel 0 is 239000, but must be from -233750 to 233750 Hz",
    );
    check(
        &|c| c.channels[0].stop_half_width_hz = 6000.0,
        "stop_half_width_hz of channel 0 is 6000, but must be over pass_half_width_hz, 6250 Hz",
    );
    check(
        &|c| c.channels[0].ripple_db = 0.0,
        "ripple_db of channel 0 is 0, but must be from 0.0001 to 6 dB",
    );
    check(
        &|c| {
            c.format = SampleFormat {
                complex: false,
                ..c.format
            };
            c.iq_correction = IqCorrection::Estimate;
        },
        "iq_correction is on, but the samples are real (ru8)",
    );
    check(
        &|c| c.channels[0].stop_half_width_hz = 6250.5,
        "channel 0 needs a filter of more than 1201 taps: widen the gap from 6250 Hz to 6250.5 Hz",
    );
    let mut bank = ChannelBank::build(good.clone()).unwrap();
    let other = config(480e3, "ci8", good.channels.clone());
    let error = bank.push(block(&other, 7, &[1, 2]), &mut |_| {}).unwrap_err();
    assert_eq!(
        error.to_string(),
        "block at sample 7 has 1 channels of ci8, but the bank was built for 1 of cu8"
    );
}
