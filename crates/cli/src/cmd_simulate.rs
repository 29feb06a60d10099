//! `simulate`: a scene file to recordings with known truth.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use lobewright_antenna::Pattern;
use lobewright_sim::{Scene, SceneTruth};
use lobewright_source::{Capture, SigmfWriter, WriteInfo};
use lobewright_station::{
    AntennaSection, BearingSection, BurstSection, ChannelSection, FixSection, PipelineConfig, PlaceSection,
    Progress, in_parallel,
};
use lobewright_types::{Azimuth, Mount, SampleIndex};

use crate::args::SimulateArgs;
use crate::fault::{Done, Fault, Outcome};
use crate::output::{file_stem, print, write_file};
use crate::progress::PlaceBars;

/// Folder of the recordings within the output folder.
const RECORDINGS: &str = "recordings";

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
    let pattern = scene
        .stations()
        .first()
        .map_or_else(String::new, |s| s.antenna.pattern.clone());
    let pattern = match patterns
        .filter(|_| !pattern.is_empty())
        .map(|folder| read_pattern(folder, &pattern))
    {
        // The file is named from the root, since the pipeline lies in another folder.
        Some(Ok((_, Some(path)))) => std::path::absolute(path)?.display().to_string(),
        _ => pattern,
    };
    let center_hz = scene.transmitters().first().map(|t| t.frequency_hz);
    let places = scene
        .stations()
        .iter()
        .map(|s| PlaceSection {
            name: s.name.clone(),
            recording: Path::new(RECORDINGS).join(format!("{}.sigmf-meta", file_stem(&s.name))),
            ..PlaceSection::default()
        })
        .collect();
    Ok(PipelineConfig {
        title: scene.header().name.clone(),
        channel: ChannelSection {
            center_hz,
            ..ChannelSection::default()
        },
        burst: BurstSection {
            min_length_s: 0.5,
            // A null of the antenna that turns past looks like a pause.
            bridge_gap_s: 1.5,
            ..BurstSection::default()
        },
        // An array is no pattern that turns.
        antenna: (!pattern.is_empty()).then(|| AntennaSection::rotated(pattern)),
        bearing: BearingSection::default(),
        fix: FixSection::default(),
        places,
    })
}
