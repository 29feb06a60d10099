//! The antenna of a pipeline with its files read.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use lobewright_antenna::{Manifold, Pattern, SwitchSchedule};
use lobewright_bearing::PortAntenna;
use lobewright_bearing::coherent::ChannelCalibration;
use lobewright_types::Azimuth;

use crate::{AntennaKind, AntennaSection, IdealRingSection, PlaceSection, RunError};

/// Speed of light, exact (SI Brochure, 9th edition, 2019, section 2.2).
const LIGHT_M_PER_S: f64 = 299_792_458.0;

/// The antenna of a pipeline with its files read; see [`AntennaKind`].
#[derive(Debug, Clone)]
pub enum AntennaModel {
    /// One pattern that is turned.
    Rotated(Arc<Pattern>),
    /// Antennas that are switched, from port 0 on.
    Sectors(Vec<PortAntenna>),
    /// An array that is switched.
    Ring(ArrayModel),
    /// An array with a receiver for each port, and what its channels differ by, where that was measured.
    Coherent(ArrayModel, Option<ChannelCalibration>),
}

/// Response of an array's ports.
#[derive(Debug, Clone)]
pub enum ArrayModel {
    /// As in its files.
    Table(Arc<Manifold>),
    /// To be computed for the wavelength received.
    Ideal(IdealRingSection),
}

/// A fault that names no place.
type Fault = Box<dyn std::error::Error + Send + Sync>;

fn companion(place: &str, what: &'static str, path: &Path, source: Fault) -> RunError {
    RunError::Companion {
        place: place.to_owned(),
        what,
        path: path.to_owned(),
        source,
    }
}

fn read(base: &Path, path: &Path) -> Result<BufReader<File>, Fault> {
    Ok(BufReader::new(File::open(base.join(path))?))
}

impl AntennaModel {
    /// Reads the files of an antenna; relative paths start from `base`.
    ///
    /// # Errors
    /// [`RunError::Companion`] names the file and what is wrong with it.
    pub fn load(section: &AntennaSection, base: &Path) -> Result<Self, RunError> {
        match section.kind {
            AntennaKind::Rotated => Ok(Self::Rotated(Arc::new(load_pattern(&section.pattern, base)?))),
            AntennaKind::Sectors => {
                let ports = section.ports.iter().map(|port| {
                    Ok(PortAntenna {
                        pattern: Arc::new(load_pattern(&port.pattern, base)?),
                        boresight: Azimuth::from_degrees(port.boresight_mount_deg),
                    })
                });
                Ok(Self::Sectors(ports.collect::<Result<_, RunError>>()?))
            }
            AntennaKind::Ring => Ok(Self::Ring(ArrayModel::load(section, base)?)),
            AntennaKind::Coherent => {
                let array = ArrayModel::load(section, base)?;
                let calibration = match &section.calibration {
                    Some(path) => Some(read_calibration(path, base, array.ports())?),
                    None => None,
                };
                Ok(Self::Coherent(array, calibration))
            }
        }
    }

    /// The pattern of a rotated antenna.
    pub fn pattern(&self) -> Option<&Arc<Pattern>> {
        match self {
            Self::Rotated(pattern) => Some(pattern),
            _ => None,
        }
    }

    /// Ports of the antenna: 1 for a rotated one.
    pub fn ports(&self) -> usize {
        match self {
            Self::Rotated(_) => 1,
            Self::Sectors(ports) => ports.len(),
            Self::Ring(array) | Self::Coherent(array, _) => array.ports(),
        }
    }
}

impl ArrayModel {
    fn load(section: &AntennaSection, base: &Path) -> Result<Self, RunError> {
        let fail = |path: &Path, source: Fault| companion("all", "array response", path, source);
        if let Some(ring) = &section.ideal_ring {
            return Ok(Self::Ideal(ring.clone()));
        }
        let manifold = if let Some(path) = &section.manifold {
            let file = read(base, path).map_err(|e| fail(path, e))?;
            Manifold::from_csv(file, &path.display().to_string()).map_err(|e| fail(path, Box::new(e)))?
        } else {
            let mut files = Vec::with_capacity(section.elements.len());
            for path in &section.elements {
                let name = path.display().to_string();
                files.push((read(base, path).map_err(|e| fail(path, e))?, name));
            }
            let list: Vec<String> = files.iter().map(|f| f.1.clone()).collect();
            Manifold::from_element_csv(files)
                .map_err(|e| fail(&PathBuf::from(list.join(", ")), Box::new(e)))?
        };
        Ok(Self::Table(Arc::new(manifold)))
    }

    /// Ports of the array.
    pub fn ports(&self) -> usize {
        match self {
            Self::Table(manifold) => manifold.ports(),
            Self::Ideal(ring) => ring.elements,
        }
    }

    /// The response at a frequency; that of files holds for the one they were made for.
    ///
    /// # Errors
    /// [`RunError::Missing`] where an ideal ring needs a frequency that is not known, and [`RunError::Companion`]
    /// where it is too large for its wavelength.
    pub fn manifold(&self, place: &str, frequency_hz: Option<f64>) -> Result<Arc<Manifold>, RunError> {
        match self {
            Self::Table(manifold) => Ok(Arc::clone(manifold)),
            Self::Ideal(ring) => {
                let hz = frequency_hz
                    .filter(|hz| *hz > 0.0)
                    .ok_or_else(|| RunError::Missing {
                        place: place.to_owned(),
                        what: "the frequency, which the phases of an ideal ring depend on,",
                        remedy: "give channel.center_hz and recording_center_hz",
                    })?;
                let radius_wavelengths = ring.radius_m * hz / LIGHT_M_PER_S;
                Manifold::ring(ring.elements, radius_wavelengths, ring.first_azimuth_mount_deg)
                    .map(Arc::new)
                    .map_err(|e| companion(place, "the array", Path::new("antenna.ideal_ring"), Box::new(e)))
            }
        }
    }
}

/// A built-in pattern, or one from a file.
fn load_pattern(name: &str, base: &Path) -> Result<Pattern, RunError> {
    let path = Path::new(name);
    let fail = |source: Fault| companion("all", "antenna pattern", path, source);
    // A name without an extension is a built-in pattern, whatever else lies in the folder.
    if path.extension().is_none() {
        return Pattern::builtin(name).map_err(|e| fail(Box::new(e)));
    }
    Pattern::from_csv(read(base, path).map_err(fail)?, name).map_err(|e| fail(Box::new(e)))
}

fn read_calibration(path: &Path, base: &Path, ports: usize) -> Result<ChannelCalibration, RunError> {
    let fail = |source: Fault| companion("all", "channel calibration", path, source);
    let text = std::fs::read_to_string(base.join(path)).map_err(|e| fail(Box::new(e)))?;
    let calibration: ChannelCalibration =
        toml::from_str(&text).map_err(|e| fail(e.to_string().trim_end().into()))?;
    let found = calibration.factors().len();
    if found == ports {
        return Ok(calibration);
    }
    Err(fail(
        format!("it holds {found} channels and should hold {ports}, one for each port of the array").into(),
    ))
}

/// Which port was connected when at a place, as the pipeline file says it.
///
/// # Errors
/// [`RunError`] names the place and the file or field.
pub(crate) fn schedule_of(
    section: &AntennaSection,
    place: &PlaceSection,
    base: &Path,
) -> Result<SwitchSchedule, RunError> {
    let switch = section.switch.clone().unwrap_or_default();
    let fail = |path: &Path, source: Fault| companion(&place.name, "switch schedule", path, source);
    if let Some(path) = place.switch_schedule.as_ref().or(switch.schedule.as_ref()) {
        let file = read(base, path).map_err(|e| fail(path, e))?;
        let list = SwitchSchedule::from_csv(file, switch.settle_s).map_err(|e| fail(path, Box::new(e)))?;
        return list
            .with_rate_sigma_ppm(switch.clock_sigma_ppm)
            .map_err(|e| fail(path, Box::new(e)));
    }
    let field = Path::new("antenna.switch");
    let steps = switch
        .order
        .iter()
        .map(|port| lobewright_antenna::SwitchStep {
            port: port.checked_sub(1),
            dwell_s: switch.dwell_s.unwrap_or(0.0),
        })
        .collect();
    let cycle = SwitchSchedule::from_steps(steps, switch.settle_s)
        .and_then(|c| c.with_rate_sigma_ppm(switch.clock_sigma_ppm))
        .map_err(|e| fail(field, Box::new(e)))?;
    Ok(match place.switch_start_s.or(switch.start_s) {
        Some(start_s) => cycle.with_start(start_s),
        None => cycle,
    })
}
