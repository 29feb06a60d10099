//! Writes a set of SigMF recordings into a folder, for a validator to look at.
//!
//! `cargo run -p lobewright-source --example write_samples -- FOLDER`

use std::error::Error;
use std::path::Path;

use lobewright_source::{Annotation, Capture, SigmfWriter, WriteInfo, pack_archive};
use lobewright_types::{Azimuth, Position, Sample, SampleFormat, SampleIndex};

const RATE_HZ: f64 = 25_000.0;
const SAMPLES: usize = 2_000;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args_os()
        .nth(1)
        .ok_or("give the folder to write into, for example target/sigmf")?;
    let folder = Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    for format in SampleFormat::all() {
        one_format(folder, format)?;
    }
    two_channels(folder)?;
    lost_samples(folder)?;
    let turned = turned_antenna(folder)?;
    let archive = folder.join("turned.sigmf");
    if archive.exists() {
        std::fs::remove_file(&archive)?;
    }
    pack_archive(&turned, &archive)?;
    Ok(())
}

fn info(format: SampleFormat) -> WriteInfo {
    WriteInfo {
        description: Some("A tone of 1 kHz, made by a program".to_owned()),
        hw: Some("none".to_owned()),
        author: Some("Lobewright".to_owned()),
        license: Some("https://spdx.org/licenses/CC0-1.0.html".to_owned()),
        overwrite: true,
        ..WriteInfo::new(format, RATE_HZ)
    }
}

fn tone(count: usize) -> Vec<Sample> {
    #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
    let sample = |i: usize| {
        let phase_rad = std::f64::consts::TAU * 1_000.0 * i as f64 / RATE_HZ;
        Sample::new((0.5 * phase_rad.cos()) as f32, (0.5 * phase_rad.sin()) as f32)
    };
    (0..count).map(sample).collect()
}

fn one_format(folder: &Path, format: SampleFormat) -> Result<(), Box<dyn Error>> {
    let mut writer = SigmfWriter::create(&folder.join(format!("tone_{format}")), &info(format))?;
    writer.add_capture(Capture {
        center_hz: Some(145.3e6),
        utc: Some("2026-02-14T03:25:00.5Z".parse()?),
        ..Capture::default()
    });
    writer.write_samples(&tone(SAMPLES))?;
    writer.annotate(Annotation {
        start: SampleIndex(100),
        count: Some(500),
        label: Some("tone".to_owned()),
        comment: Some("1 kHz above the centre".to_owned()),
        freq_lower_hz: Some(145.3009e6),
        freq_upper_hz: Some(145.3011e6),
        ..Annotation::default()
    });
    writer.finish()?;
    Ok(())
}

fn two_channels(folder: &Path) -> Result<(), Box<dyn Error>> {
    let info = WriteInfo {
        channels: 2,
        ..info(SampleFormat::CI16_LE)
    };
    let mut writer = SigmfWriter::create(&folder.join("two_channels.2026-02"), &info)?;
    let frames: Vec<Sample> = tone(SAMPLES).into_iter().flat_map(|s| [s, -s]).collect();
    writer.write_samples(&frames)?;
    writer.finish()?;
    Ok(())
}

fn lost_samples(folder: &Path) -> Result<(), Box<dyn Error>> {
    let mut writer = SigmfWriter::create(&folder.join("lost_samples"), &info(SampleFormat::CU8))?;
    writer.write_samples(&tone(SAMPLES))?;
    writer.add_capture(Capture {
        center_hz: Some(145.3e6),
        ..Capture::default()
    });
    writer.add_capture(Capture {
        start: SampleIndex(1_500),
        lost_before: 300,
        center_hz: Some(145.3e6),
        gain_db: Some(20.7),
        ..Capture::default()
    });
    writer.annotate(Annotation {
        start: SampleIndex(1_000),
        count: Some(800),
        label: Some("over the gap".to_owned()),
        ..Annotation::default()
    });
    writer.finish()?;
    Ok(())
}

/// An antenna that is turned while it listens, from a stated place.
fn turned_antenna(folder: &Path) -> Result<std::path::PathBuf, Box<dyn Error>> {
    let mut writer = SigmfWriter::create(&folder.join("turned"), &info(SampleFormat::CF32_LE))?;
    let place = Position::from_lat_lon(-41.29, 174.78)?;
    for step in 0..8_u32 {
        writer.add_capture(Capture {
            start: SampleIndex(u64::from(step) * 250),
            center_hz: Some(145.3e6),
            position: Some(place),
            aperture_azimuth: Some(Azimuth::from_degrees(45.0 * f64::from(step))),
            ..Capture::default()
        });
    }
    writer.write_samples(&tone(SAMPLES))?;
    writer.annotate(Annotation {
        start: SampleIndex(300),
        count: Some(200),
        signal_azimuth: Some(Azimuth::from_degrees(12.5)),
        signal_sigma_deg: Some(3.0),
        emitter_position: Some(Position::from_lat_lon(-41.25, 174.80)?),
        ..Annotation::default()
    });
    writer.annotate(Annotation {
        start: SampleIndex(700),
        count: Some(100),
        signal_azimuth: Some(Azimuth::from_degrees(322.5)),
        ..Annotation::default()
    });
    Ok(writer.finish()?)
}
