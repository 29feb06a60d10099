//! Cuts one channel out of a file of cu8 samples and prints the seconds that the fastest pass took: our side of
//! `benches/channel_peers/run.py`.

use std::error::Error;
use std::io::Write;
use std::sync::Arc;
use std::time::Instant;

use lobewright_dsp::{BankConfig, ChannelBank, ChannelSpec, DcRemoval, IqCorrection};
use lobewright_types::{RawBlock, SampleFormat, SampleIndex, Stage, StreamItem};

/// Samples handed over at a time, as a live source would.
const BLOCK: usize = 262_144;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [input, output, numbers @ ..] = arguments.as_slice() else {
        return Err("usage: channel_peer INPUT OUTPUT RATE OFFSET PASS STOP DECIMATION STOPBAND_DB REPEATS [CHANNELS SPACING]".into());
    };
    let numbers: Vec<f64> = numbers.iter().map(|n| n.parse()).collect::<Result<_, _>>()?;
    let &[
        rate_hz,
        offset_hz,
        pass_hz,
        stop_hz,
        decimation,
        stopband_db,
        repeats,
        ref several @ ..,
    ] = numbers.as_slice()
    else {
        return Err("seven numbers are needed".into());
    };
    let (channels, spacing_hz) = match several {
        &[channels, spacing_hz] => (channels, spacing_hz),
        _ => (1.0, 0.0),
    };
    let bytes = std::fs::read(input)?;
    let blocks: Vec<Arc<Vec<u8>>> = bytes.chunks(2 * BLOCK).map(|b| Arc::new(b.to_vec())).collect();
    let mut list = Vec::new();
    let mut next = 0.0;
    while next < channels {
        list.push(ChannelSpec {
            offset_hz: offset_hz + next * spacing_hz,
            pass_half_width_hz: pass_hz,
            stop_half_width_hz: stop_hz,
            ripple_db: 0.1,
            stopband_db,
            min_rate_hz: rate_hz / decimation,
        });
        next += 1.0;
    }
    let mut bank = ChannelBank::build(BankConfig {
        input_rate_hz: rate_hz,
        format: SampleFormat::CU8,
        input_channels: 1,
        use_channel: 0,
        dc_removal: DcRemoval::Off,
        iq_correction: IqCorrection::Off,
        channels: list,
    })?;
    let mut best_s = f64::INFINITY;
    let mut result = Vec::new();
    let mut pass = 0.0;
    while pass < repeats {
        result.clear();
        let mut take = |item| {
            if let StreamItem::Block(block) = item {
                let block: lobewright_types::ChannelBlock = block;
                if block.channel == 0 {
                    result.extend_from_slice(&block.samples);
                }
            }
        };
        let start = Instant::now();
        let mut at = 0;
        for bytes in &blocks {
            let block = RawBlock {
                start: SampleIndex(at),
                format: SampleFormat::CU8,
                channels: 1,
                bytes: Arc::clone(bytes),
            };
            at += block.len() as u64;
            bank.push(StreamItem::Block(block), &mut take)?;
        }
        bank.finish(&mut take)?;
        best_s = best_s.min(start.elapsed().as_secs_f64());
        pass += 1.0;
    }
    let mut file = std::io::BufWriter::new(std::fs::File::create(output)?);
    for s in &result {
        file.write_all(&s.re.to_le_bytes())?;
        file.write_all(&s.im.to_le_bytes())?;
    }
    writeln!(std::io::stdout(), "{best_s:.9}")?;
    Ok(())
}
