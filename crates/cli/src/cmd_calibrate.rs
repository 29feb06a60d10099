//! `calibrate`: recordings of a known transmitter to gain and phase of coherent channels.

use std::path::{Path, PathBuf};

use lobewright_station::{CalibratedPlace, KnownTransmitter, PipelineConfig, RunOptions};
use lobewright_types::{Azimuth, Position};

use crate::args::CalibrateArgs;
use crate::fault::{Done, Fault, Outcome};
use crate::output::{print, remark, write_file};
use crate::progress::PlaceBars;

/// Calibrates the channels of a pipeline's array.
pub(crate) fn calibrate(args: &CalibrateArgs, quiet: bool) -> Outcome {
    let config = PipelineConfig::load(&args.pipeline).map_err(Fault::input)?;
    let transmitter = match (args.azimuth_true_deg, args.lat_deg, args.lon_deg) {
        (Some(deg), ..) if deg.is_finite() => KnownTransmitter::Azimuth(Azimuth::from_degrees(deg)),
        (_, Some(lat), Some(lon)) => {
            KnownTransmitter::Position(Position::from_lat_lon(lat, lon).map_err(Fault::input)?)
        }
        _ => {
            return Err(Fault::Input(anyhow::anyhow!(
                "the transmitter's direction is no number; give --azimuth-true-deg, or --lat-deg and --lon-deg"
            )));
        }
    };
    let options = RunOptions {
        base: args
            .pipeline
            .parent()
            .map_or_else(PathBuf::new, Path::to_path_buf),
        threads: 0,
        spectrograms: false,
    };
    let bars = PlaceBars::new(config.places.iter().map(|p| p.name.clone()).collect(), quiet);
    let result = lobewright_station::calibrate(&config, &options, transmitter, &|p| bars.tell(p));
    bars.finish();
    let (calibration, places) = result.map_err(Fault::input)?;
    for place in &places {
        remark(quiet, &words(place));
    }
    let text = toml::to_string(&calibration).map_err(Fault::failure)?;
    match &args.out {
        Some(path) => {
            write_file(path, text.as_bytes())?;
            remark(quiet, &format!("calibration in {}", path.display()));
        }
        None => print(&text)?,
    }
    Ok(Done::Found)
}

fn words(place: &CalibratedPlace) -> String {
    format!(
        "{}: {} bursts from {:.1}° clockwise of the mounting's zero mark, S/N {:.1} dB",
        place.name, place.bursts, place.azimuth_mount_deg, place.snr_db
    )
}
