//! `simulate`: a scene file to recordings with known truth.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use lobewright_antenna::Pattern;
use lobewright_sim::{ArrayScene, Scene, SceneTruth, StationScene};
use lobewright_source::{Capture, SigmfWriter, WriteInfo};
use lobewright_station::{
    AntennaKind, AntennaSection, BearingSection, BurstSection, ChannelSection, FixSection, PipelineConfig,
    PlaceSection, PortSection, Progress, SwitchSection, in_parallel,
};
use lobewright_types::{Azimuth, Mount, SampleIndex};

use crate::args::SimulateArgs;
use crate::fault::{Done, Fault, Outcome};
use crate::output::{file_stem, print, write_file};
use crate::progress::PlaceBars;

/// Folder of the recordings within the output folder.
const RECORDINGS: &str = "recordings";
/// How well the clock of a switch is known against the receiver's: two crystals. (Common practice, no source.)
const CLOCK_SIGMA_PPM: f64 = 20.0;

/// Makes recordings from a scene file.
pub(crate) fn simulate(args: &SimulateArgs, quiet: bool) -> Outcome {
    let name = args.scene.display().to_string();
    let text = std::fs::read_to_string(&args.scene)
        .with_context(|| format!("cannot read scene `{name}`"))
        .map_err(Fault::Input)?;
    let folder = args.scene.parent().map_or_else(PathBuf::new, Path::to_path_buf);
    let resolver = |pattern: &str| read_pattern(&folder, pattern).map(|(p, _)| p);
    let mut scene = Scene::from_toml_with(&text, &name, &resolver).map_err(Fault::input)?;
    if let Some(seed) = args.seed {
        scene = scene.with_seed(seed);
    }
    let paths = render(&scene, &args.out, quiet)?;
    write_truth(&scene, &args.out)?;
    let pipeline = pipeline_of(&scene, Some(&folder))?;
    write_file(&args.out.join("pipeline.toml"), pipeline.to_toml().as_bytes())?;
    for path in paths {
        print(&path.display().to_string())?;
    }
    Ok(Done::Found)
}

/// A built-in pattern, or one from a file beside the scene with that file's path.
fn read_pattern(folder: &Path, name: &str) -> Result<(Pattern, Option<PathBuf>), String> {
    if Path::new(name).extension().is_none() {
        return Pattern::builtin(name)
            .map(|p| (p, None))
            .map_err(|e| e.to_string());
    }
    let path = folder.join(name);
    let file = std::fs::File::open(&path).map_err(|e| format!("cannot read `{}`: {e}", path.display()))?;
    Pattern::from_csv(std::io::BufReader::new(file), name)
        .map(|p| (p, Some(path)))
        .map_err(|e| e.to_string())
}

/// Writes every station's recording, several at a time, and gives the paths of their metadata.
pub(crate) fn render(scene: &Scene, out: &Path, quiet: bool) -> Result<Vec<PathBuf>, Fault> {
    let folder = out.join(RECORDINGS);
    std::fs::create_dir_all(&folder).with_context(|| format!("cannot make folder `{}`", folder.display()))?;
    let bars = PlaceBars::new(scene.stations().iter().map(|s| s.name.clone()).collect(), quiet);
    let work = |index: usize| render_station(scene, index, &folder, &|p| bars.tell(p));
    let paths = in_parallel(scene.stations().len(), 0, &work)
        .into_iter()
        .collect();
    bars.finish();
    paths
}

fn render_station(
    scene: &Scene,
    index: usize,
    folder: &Path,
    progress: &dyn Fn(Progress),
) -> Result<PathBuf, Fault> {
    let mut renderer = scene.renderer(index).map_err(Fault::input)?;
    let truth = renderer.truth().clone();
    let rate_hz = renderer.rate_hz();
    let info = WriteInfo {
        description: Some(format!(
            "Simulated: scene {}, station {}",
            scene.header().name,
            truth.station
        )),
        position: Some(truth.position),
        channels: renderer.channels(),
        num_elements: u32::try_from(renderer.channels()).unwrap_or(u32::MAX),
        overwrite: true,
        ..WriteInfo::new(renderer.format(), rate_hz)
    };
    let mut writer =
        SigmfWriter::create(&folder.join(file_stem(&truth.station)), &info).map_err(Fault::failure)?;
    let total = renderer.length_samples();
    // A station states the direction that it believes its mounting to have.
    let stated = truth.heading.turned(truth.heading_error_deg);
    for (time_s, azimuth_mount_deg) in renderer.track() {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "casts from float saturate"
        )]
        let start = SampleIndex((time_s * rate_hz).round() as u64);
        if start.0 >= total {
            continue;
        }
        writer.add_capture(Capture {
            start,
            center_hz: Some(renderer.center_hz()),
            utc: truth.start_utc.map(|t| t.plus_seconds(start.seconds(rate_hz))),
            aperture_azimuth: Some(Azimuth::<Mount>::from_degrees(azimuth_mount_deg).to_true(stated)),
            ..Capture::default()
        });
    }
    while let Some(block) = renderer.next_block() {
        writer.write_bytes(&block.bytes).map_err(Fault::failure)?;
        progress(Progress {
            place: index,
            samples: writer.samples_written(),
            total: Some(total),
        });
    }
    write_array(scene, index, &folder.join(file_stem(&truth.station)))?;
    writer.finish().map_err(Fault::failure)
}

/// Writes what a station is told of its array beside its recording: when which port is connected, and how ports answer.
fn write_array(scene: &Scene, index: usize, base: &Path) -> Result<(), Fault> {
    let named = |ending: &str| {
        let mut name = base.as_os_str().to_owned();
        name.push(ending);
        PathBuf::from(name)
    };
    if let Some(schedule) = scene.schedule_csv(index) {
        write_file(&named(".switch.csv"), schedule.as_bytes())?;
    }
    let frequency_hz = scene.transmitters().first().map(|t| t.frequency_hz);
    if let Some(manifold) = frequency_hz.and_then(|hz| scene.manifold(index, hz)) {
        write_file(&named(".manifold.csv"), manifold.to_csv().as_bytes())?;
    }
    Ok(())
}

/// Writes what is true of the scene beside its recordings.
pub(crate) fn write_truth(scene: &Scene, out: &Path) -> Result<SceneTruth, Fault> {
    let truth = scene.truth().map_err(Fault::input)?;
    let text = serde_json::to_string_pretty(&truth).map_err(Fault::failure)? + "\n";
    write_file(&out.join("truth.json"), text.as_bytes())?;
    Ok(truth)
}

/// The pipeline that works a scene's recordings; it knows what a station knows and nothing of the truth.
pub(crate) fn pipeline_of(scene: &Scene, patterns: Option<&Path>) -> Result<PipelineConfig, Fault> {
    let antenna = antenna_of(scene, patterns)?;
    let kind = antenna.as_ref().map(|a| a.kind);
    let places = scene
        .stations()
        .iter()
        .map(|s| PlaceSection {
            name: s.name.clone(),
            recording: Path::new(RECORDINGS).join(format!("{}.sigmf-meta", file_stem(&s.name))),
            switch_start_s: s
                .antenna
                .switch
                .as_ref()
                .filter(|_| antenna.is_some())
                .map(|w| w.start_s),
            ..PlaceSection::default()
        })
        .collect();
    Ok(PipelineConfig {
        title: scene.header().name.clone(),
        channel: channel_of(scene, kind),
        burst: BurstSection {
            min_length_s: 0.5,
            // A null of the antenna that turns past looks like a pause.
            bridge_gap_s: 1.5,
            ..BurstSection::default()
        },
        antenna,
        bearing: BearingSection::default(),
        fix: FixSection::default(),
        places,
    })
}

/// The first transmitter's channel; for a ring as wide as the recording lets it be, so that the filter forgets within a
/// dwell.
fn channel_of(scene: &Scene, kind: Option<AntennaKind>) -> ChannelSection {
    let center_hz = scene.transmitters().first().map(|t| t.frequency_hz);
    let channel = ChannelSection {
        center_hz,
        ..ChannelSection::default()
    };
    let (Some(AntennaKind::Ring), Some(station), Some(hz)) = (kind, scene.stations().first(), center_hz)
    else {
        return channel;
    };
    let r = &station.receiver;
    let stop_half_width_hz = r.rate_hz / 2.0 - (hz - r.center_hz).abs();
    ChannelSection {
        pass_half_width_hz: 0.45 * stop_half_width_hz,
        stop_half_width_hz,
        stopband_db: 50.0,
        ..channel
    }
}

/// What a station is told of its antenna; `None` where the stations' differ or no kind of bearing works with it.
fn antenna_of(scene: &Scene, patterns: Option<&Path>) -> Result<Option<AntennaSection>, Fault> {
    let named = |name: &str| -> Result<String, Fault> {
        match patterns.map(|folder| read_pattern(folder, name)) {
            // The file is named from the root, since the pipeline lies in another folder.
            Some(Ok((_, Some(path)))) => Ok(std::path::absolute(path)?.display().to_string()),
            _ => Ok(name.to_owned()),
        }
    };
    let Some(first) = scene.stations().first() else {
        return Ok(None);
    };
    let Some(array) = &first.antenna.array else {
        let name = &first.antenna.pattern;
        return Ok((!name.is_empty()).then_some(AntennaSection::rotated(named(name)?)));
    };
    let told = |s: &StationScene| {
        let switch = s.antenna.switch.clone();
        let switch = switch.map(|w| (w.order, w.dwell_s.to_bits(), w.settle_s.to_bits()));
        (s.antenna.array.clone(), switch)
    };
    if scene.stations().iter().any(|s| told(s) != told(first)) {
        return Ok(None);
    }
    let mut antenna = AntennaSection {
        switch: first.antenna.switch.as_ref().map(|w| SwitchSection {
            order: w.order.clone(),
            dwell_s: Some(w.dwell_s),
            settle_s: w.settle_s,
            ..SwitchSection::default()
        }),
        ..AntennaSection::default()
    };
    match (array, &mut antenna.switch) {
        (ArrayScene::Sectors { port }, Some(_)) => {
            antenna.kind = AntennaKind::Sectors;
            for p in port {
                antenna.ports.push(PortSection {
                    name: String::new(),
                    pattern: named(&p.pattern)?,
                    boresight_mount_deg: p.boresight_mount_deg,
                });
            }
        }
        (ArrayScene::Sectors { .. }, None) => return Ok(None),
        (ArrayScene::Ring { .. } | ArrayScene::Elements { .. }, switch) => {
            if let Some(switch) = switch {
                switch.clock_sigma_ppm = CLOCK_SIGMA_PPM;
                antenna.kind = AntennaKind::Ring;
            } else {
                antenna.kind = AntennaKind::Coherent;
            }
            let file = format!("{}.manifold.csv", file_stem(&first.name));
            antenna.manifold = Some(Path::new(RECORDINGS).join(file));
        }
    }
    Ok(Some(antenna))
}
