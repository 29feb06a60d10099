//! What holds for any input and any way of cutting it.

mod common;

use common::{Output, block, config, run, spec};
use lobewright_dsp::{ChannelBank, DcRemoval, IqCorrection, MeanPower, SpectrogramBuilder, Spectrum};
use lobewright_types::{Sample, Stage};
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn channels_do_not_depend_on_how_the_stream_was_cut(
        bytes in prop::collection::vec(0_u8..=255, 2000..24_000),
        cuts in prop::collection::vec(1_usize..5000, 1..40),
        format in prop::sample::select(vec!["cu8", "ci8", "ci16_le", "ri16_be", "ru8"]),
        options in 0..3,
    ) {
        let mut config = config(240e3, format, vec![
            spec(-31_234.5, 6250.0, 12_500.0, 70.0),
            spec(40e3, 20e3, 30e3, 60.0),
        ]);
        if options > 0 {
            config.dc_removal = DcRemoval::On { time_constant_s: 0.02 };
        }
        if options > 1 && config.format.complex {
            config.iq_correction = IqCorrection::Estimate;
        }
        let size = config.format.bytes_per_sample();
        let bytes = &bytes[..bytes.len() / size * size];
        let (whole, _) = run(&config, bytes, usize::MAX / size);
        let mut bank = ChannelBank::build(config.clone()).unwrap();
        let mut cut = Output::default();
        let (mut at, mut rest) = (0, bytes);
        for len in cuts.iter().cycle() {
            let (now, later) = rest.split_at((len * size).min(rest.len()));
            bank.push(block(&config, at, now), &mut |item| cut.take(item)).unwrap();
            at += (now.len() / size) as u64;
            rest = later;
            if rest.is_empty() {
                break;
            }
        }
        bank.finish(&mut |item| cut.take(item)).unwrap();
        prop_assert_eq!(whole, cut);
    }

    #[test]
    fn spectra_and_levels_do_not_depend_on_how_the_stream_was_cut(
        values in prop::collection::vec((-1.0_f32..1.0, -1.0_f32..1.0), 300..3000),
        cut in 1_usize..500,
    ) {
        let samples: Vec<Sample> = values.iter().map(|&(re, im)| Sample::new(re, im)).collect();
        let mut spectra = [Spectrum::new(1e3, 64).unwrap(), Spectrum::new(1e3, 64).unwrap()];
        let mut pictures = [SpectrogramBuilder::new(1e3, 64, 7).unwrap(), SpectrogramBuilder::new(1e3, 64, 7).unwrap()];
        let mut powers = [MeanPower::default(); 2];
        for (i, len) in [usize::MAX, cut].into_iter().enumerate() {
            for piece in samples.chunks(len) {
                spectra[i].push(piece);
                pictures[i].push(piece);
                powers[i].push(piece);
            }
        }
        prop_assert_eq!(spectra[0].psd(), spectra[1].psd());
        prop_assert_eq!(pictures[0].finish(), pictures[1].finish());
        prop_assert_eq!(powers[0].stats(), powers[1].stats());
    }
}
