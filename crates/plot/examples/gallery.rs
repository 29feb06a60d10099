//! Draws every kind of picture from made-up data, as SVG and PNG, into the folder given (default `gallery`).
//!
//! ```text
//! cargo run -p lobewright-plot --example gallery -- FOLDER
//! ```

use std::error::Error;
use std::f64::consts::TAU;
use std::path::Path;

use lobewright_geodesy::{direct, inverse};
use lobewright_plot::{
    BurstMark, MapBearing, MapPicture, MapStation, PolarPicture, PolarReading, PolarReflection, Size,
    SpectrogramPicture, SpectrumMark, SpectrumPicture, map, polar, spectrogram, spectrum, svg_to_png,
};
use lobewright_types::{
    Azimuth, BearingVerdict, CircleDensity, ErrorEllipse, Fix, FixMode, PolygonDeg, Position, Region, True,
};

/// A repeatable stand-in for noise: uniform in 0 to 1.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        // Numerical Recipes' 64-bit linear congruential generator; good enough for a picture.
        self.0 = self
            .0
            .wrapping_mul(3_202_034_522_624_059_733)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().max(1e-12).ln()).sqrt();
        radius * (TAU * self.uniform()).cos()
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).unwrap_or_else(|| "gallery".to_owned());
    let folder = Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    let pictures = [
        ("spectrogram", spectrogram(&spectrogram_picture())?),
        ("spectrum", spectrum(&spectrum_picture())?),
        ("polar", polar_clear()?),
        ("polar_ambiguous", polar_ambiguous()?),
        ("map", map_with_reflection()?),
        ("map_180", map_at_180()?),
        ("map_no_fix", map_no_fix()?),
        ("map_two_positions", map_two_positions()?),
    ];
    for (name, svg) in pictures {
        std::fs::write(folder.join(format!("{name}.svg")), &svg)?;
        std::fs::write(folder.join(format!("{name}.png")), svg_to_png(&svg, 1.5)?)?;
    }
    Ok(())
}

fn spectrogram_picture() -> SpectrogramPicture {
    let mut noise = Noise(1);
    let bursts = [(8.0, 13.0), (38.0, 43.0), (68.0, 73.0), (98.0, 103.0)];
    let rows = (0..1100_u32)
        .map(|row| {
            let time_s = f64::from(row) / 10.0;
            let on = bursts
                .iter()
                .any(|(start, stop)| (*start..*stop).contains(&time_s));
            (0..256_u32)
                .map(|bin| {
                    let offset_hz = (f64::from(bin) - 127.5) * 97.65;
                    let mut power = 1e-10 * -noise.uniform().max(1e-9).ln();
                    if on {
                        power += 3e-7 * (-((offset_hz - 2100.0) / 1400.0).powi(2)).exp();
                    }
                    #[expect(clippy::cast_possible_truncation, reason = "a level in decibels")]
                    let level = (10.0 * power.log10()) as f32;
                    level
                })
                .collect()
        })
        .collect();
    SpectrogramPicture {
        size: Size::default(),
        title: "Hilltop, 144.325 MHz, 2026-02-14 03:25 UTC".to_owned(),
        rows,
        time_s: (0.0, 110.0),
        frequency_hz: (-12_500.0, 12_500.0),
        centre_hz: Some(144.325e6),
        bursts: bursts
            .iter()
            .map(|(start, stop)| BurstMark {
                start_s: *start,
                stop_s: *stop,
                low_hz: -1500.0,
                high_hz: 5600.0,
                label: "21 dB".to_owned(),
            })
            .collect(),
        scale_dbfs: None,
    }
}

fn spectrum_picture() -> SpectrumPicture {
    let mut noise = Noise(2);
    let line = |offset: f64, level: f64, width: f64| {
        move |hz: f64| 10_f64.powf(level / 10.0) * (-((hz - offset) / width).powi(2)).exp()
    };
    let parts = [
        line(-310e3, -52.0, 9e3),
        line(125e3, -31.0, 5e3),
        line(480e3, -61.0, 60e3),
    ];
    let mean: Vec<f64> = (0..1024_u32)
        .map(|bin| {
            let hz = (f64::from(bin) - 511.5) * 2343.75;
            let power: f64 =
                parts.iter().map(|part| part(hz)).sum::<f64>() + 1e-9 * (1.0 + 0.1 * noise.normal());
            10.0 * power.log10()
        })
        .collect();
    let mark = |centre: f64, half: f64, label: &str| SpectrumMark {
        low_hz: centre - half,
        high_hz: centre + half,
        label: label.to_owned(),
    };
    SpectrumPicture {
        size: Size {
            width_px: 1000,
            height_px: 480,
        },
        title: "Hilltop: power spectrum of the whole recording".to_owned(),
        frequency_hz: (-1.2e6, 1.2e6),
        peaks_dbfs: mean
            .iter()
            .map(|level| level + 6.0 + 2.0 * noise.uniform())
            .collect(),
        levels_dbfs: mean,
        bin_bandwidth_hz: Some(3515.6),
        centre_hz: Some(144.2e6),
        marks: vec![
            mark(-310e3, 25e3, "channel 1"),
            mark(125e3, 12.5e3, "channel 2"),
            mark(480e3, 120e3, "broadband, not used"),
        ],
    }
}

/// A shape with one main lobe and a back lobe 14 dB down.
fn pattern_db(turn_deg: f64) -> f64 {
    let cos = turn_deg.to_radians().cos();
    let lobe = (0.5 + 0.5 * cos).powi(3) + 0.04 * (0.5 - 0.5 * cos).powi(4);
    10.0 * lobe.max(1e-4).log10()
}

fn readings(noise: &mut Noise, truth_deg: f64, bursts: usize) -> Vec<PolarReading> {
    (0..72_u32)
        .map(|i| {
            let azimuth = f64::from(i) * 5.0 + 1.0;
            let sigma = 0.6 + 0.08 * -pattern_db(azimuth - truth_deg);
            let outlier = i % 19 == 7;
            PolarReading {
                azimuth_true_deg: azimuth,
                level_db: pattern_db(azimuth - truth_deg)
                    + sigma * noise.normal()
                    + if outlier { 7.0 } else { 0.0 },
                sigma_db: sigma,
                explained: if outlier { 0.04 } else { 0.97 },
                clipped: (azimuth - truth_deg).abs() < 12.0,
                burst: i as usize * bursts / 72,
            }
        })
        .collect()
}

fn curve(truth_deg: f64) -> Vec<(f64, f64)> {
    (0..360_u32)
        .map(|i| (f64::from(i), pattern_db(f64::from(i) - truth_deg)))
        .collect()
}

fn polar_clear() -> Result<String, Box<dyn Error>> {
    let density = CircleDensity::normal(Azimuth::from_degrees(212.4), 1.8);
    Ok(polar(&PolarPicture {
        size: Size::default(),
        title: "Bearing from Hilltop, 144.325 MHz".to_owned(),
        station: "Hilltop".to_owned(),
        readings: readings(&mut Noise(3), 212.4, 3),
        fitted: curve(212.4),
        modes: density.modes(0.05),
        arcs95: density.highest_density_arcs(0.95),
        density: &density,
        reflection: None,
        truth_true_deg: Some(213.5),
        summary: vec![
            "212.4° ± 1.8° (1σ, true)".to_owned(),
            "class B, 95 % within ± 3.5°".to_owned(),
            "S/N 21 dB, 72 readings in 3 bursts".to_owned(),
            "4 readings at full scale: add attenuation before the next turn".to_owned(),
        ],
    })?)
}

fn polar_ambiguous() -> Result<String, Box<dyn Error>> {
    let centres = [63.0, 241.0];
    let density = CircleDensity::from_ln_fn(
        |deg| {
            let near = |centre: f64, sigma: f64| {
                let turn = lobewright_types::wrap_signed_degrees(deg - centre);
                (-0.5 * (turn / sigma).powi(2)).exp() / sigma
            };
            (0.78 * near(63.0, 5.0) + 0.22 * near(241.0, 9.0) + 1e-6).ln()
        },
        &centres,
        0.02,
    )?;
    Ok(polar(&PolarPicture {
        size: Size {
            width_px: 900,
            height_px: 640,
        },
        title: "Bearing from the bridge: two directions".to_owned(),
        station: "Bridge".to_owned(),
        readings: readings(&mut Noise(4), 63.0, 1)
            .into_iter()
            .step_by(4)
            .map(|r| PolarReading {
                sigma_db: r.sigma_db + 2.0,
                clipped: false,
                level_db: if r.azimuth_true_deg > 300.0 {
                    f64::NAN
                } else {
                    r.level_db
                },
                ..r
            })
            .collect(),
        fitted: curve(63.0),
        modes: density.modes(0.05),
        arcs95: density.highest_density_arcs(0.95),
        density: &density,
        reflection: Some(PolarReflection {
            azimuth_true_deg: 128.0,
            level_db: -9.0,
            probability: 0.83,
        }),
        truth_true_deg: None,
        summary: vec![
            "63.2° ± 5.1° (1σ, true) with 78 %".to_owned(),
            "241.0° ± 9.0° with 22 %".to_owned(),
            "class D: more than one direction".to_owned(),
        ],
    })?)
}

/// A place `north_m` and `east_m` from another.
fn offset(from: Position, east_m: f64, north_m: f64) -> Position {
    direct(
        from,
        Azimuth::from_radians(east_m.atan2(north_m)),
        east_m.hypot(north_m),
    )
}

fn blob(centre: Position, major_m: f64, minor_m: f64, major_azimuth_deg: f64) -> PolygonDeg {
    let outer = (0..72_u32)
        .rev()
        .map(|i| {
            let angle = f64::from(i) * 5.0;
            let (along, across) = (
                major_m * angle.to_radians().cos(),
                minor_m * angle.to_radians().sin(),
            );
            let azimuth = major_azimuth_deg + across.atan2(along).to_degrees();
            direct(centre, Azimuth::from_degrees(azimuth), along.hypot(across))
        })
        .collect();
    PolygonDeg {
        outer,
        holes: Vec::new(),
    }
}

fn region(probability: f64, polygons: Vec<PolygonDeg>) -> Region {
    let area_km2 = polygons
        .iter()
        .map(|p| lobewright_geodesy::ring_area_km2(&p.outer))
        .sum();
    Region {
        probability,
        area_km2,
        polygons,
    }
}

/// A position whose regions are ellipses around it.
fn compact_fix(at: Position, sigma_m: (f64, f64), azimuth_deg: f64, ids: &[&str]) -> Fix {
    let scaled = |factor: f64| blob(at, sigma_m.0 * factor, sigma_m.1 * factor, azimuth_deg);
    Fix {
        position: at,
        region50: region(0.5, vec![scaled(1.177)]),
        region95: region(0.95, vec![scaled(2.448)]),
        ellipse95: Some(ErrorEllipse {
            centre: at,
            probability: 0.95,
            semi_major_m: sigma_m.0 * 2.448,
            semi_minor_m: sigma_m.1 * 2.448,
            major_azimuth: Azimuth::from_degrees(azimuth_deg),
        }),
        modes: vec![FixMode {
            position: at,
            probability: 1.0,
        }],
        verdicts: ids
            .iter()
            .map(|id| BearingVerdict {
                id: (*id).to_owned(),
                reflected_probability: 0.02,
                residual_deg: 0.7,
                mode_used: 0,
                range_m: 9000.0,
            })
            .collect(),
        station_offsets: Vec::new(),
        path_loss: Vec::new(),
        statements: Vec::new(),
    }
}

fn bearing(station: usize, azimuth_deg: f64, sigma_deg: f64) -> MapBearing {
    let density = CircleDensity::normal(Azimuth::<True>::from_degrees(azimuth_deg), sigma_deg);
    MapBearing {
        station,
        azimuth_true_deg: azimuth_deg,
        sigma_deg,
        arcs95: density.highest_density_arcs(0.95),
        length_m: None,
        reflected_probability: 0.02,
        modes: density.modes(0.05),
    }
}

fn stations(around: Position, places: &[(&str, f64, f64)]) -> Vec<MapStation> {
    places
        .iter()
        .map(|(name, east_m, north_m)| MapStation {
            name: (*name).to_owned(),
            position: offset(around, *east_m, *north_m),
        })
        .collect()
}

fn towards(stations: &[MapStation], target: Position, errors_deg: &[f64], sigma_deg: f64) -> Vec<MapBearing> {
    stations
        .iter()
        .zip(errors_deg)
        .enumerate()
        .map(|(i, (station, error))| {
            let azimuth = inverse(station.position, target).azimuth.turned(*error);
            bearing(i, azimuth.degrees(), sigma_deg)
        })
        .collect()
}

fn map_with_reflection() -> Result<String, Box<dyn Error>> {
    let target = Position {
        lat_deg: -41.29,
        lon_deg: 174.78,
    };
    let stations = stations(
        target,
        &[
            ("Hilltop", -6800.0, 3100.0),
            ("Car park", 2200.0, 7600.0),
            ("Bridge", 7900.0, -1500.0),
            ("Harbour wall", -3200.0, -6900.0),
            ("Quarry", -2800.0, -6100.0),
        ],
    );
    let mut bearings = towards(&stations, target, &[1.3, -0.8, 1.6, 38.0, -1.1], 1.9);
    bearings[3].reflected_probability = 0.97;
    let fix = compact_fix(offset(target, 190.0, -120.0), (310.0, 170.0), 118.0, &[]);
    Ok(map(&MapPicture {
        size: Size {
            width_px: 1000,
            height_px: 760,
        },
        title: "Position of the transmitter on 144.325 MHz".to_owned(),
        stations,
        bearings,
        fix: Some(&fix),
        truth: Some(target),
        declination_deg: Some(23.2),
    })?)
}

fn map_at_180() -> Result<String, Box<dyn Error>> {
    let target = Position {
        lat_deg: -16.8,
        lon_deg: 179.98,
    };
    let stations = stations(
        target,
        &[("West", -41_000.0, 12_000.0), ("East", 38_000.0, 21_000.0)],
    );
    let bearings = towards(&stations, target, &[0.6, -0.9], 3.0);
    let fix = compact_fix(offset(target, 900.0, 700.0), (5200.0, 2100.0), 10.0, &[]);
    Ok(map(&MapPicture {
        size: Size::default(),
        title: "Across the 180th meridian".to_owned(),
        stations,
        bearings,
        fix: Some(&fix),
        truth: None,
        declination_deg: Some(12.6),
    })?)
}

fn map_no_fix() -> Result<String, Box<dyn Error>> {
    let at = Position {
        lat_deg: 78.22,
        lon_deg: 15.63,
    };
    let stations = stations(at, &[("Only place", 0.0, 0.0)]);
    let mut one = bearing(0, 74.0, 6.0);
    one.length_m = Some(20_000.0);
    one.modes.push(lobewright_types::Mode {
        azimuth: Azimuth::from_degrees(254.0),
        sigma_deg: 9.0,
        probability: 0.12,
    });
    Ok(map(&MapPicture {
        size: Size::default(),
        title: "One place gives a direction, no position".to_owned(),
        stations,
        bearings: vec![one],
        fix: None,
        truth: None,
        declination_deg: None,
    })?)
}

fn map_two_positions() -> Result<String, Box<dyn Error>> {
    let target = Position {
        lat_deg: 51.05,
        lon_deg: -114.07,
    };
    let stations = stations(
        target,
        &[
            ("A", -1500.0, -1400.0),
            ("B", 1400.0, -1600.0),
            ("C", 1500.0, -1500.0),
        ],
    );
    let bearings = towards(&stations, target, &[2.0, -3.0, 1.0], 5.0);
    let mut fix = compact_fix(target, (260.0, 150.0), 4.0, &[]);
    let other = offset(target, 1250.0, -700.0);
    fix.region95.polygons.push(blob(other, 210.0, 120.0, 60.0));
    fix.modes = vec![
        FixMode {
            position: target,
            probability: 0.71,
        },
        FixMode {
            position: other,
            probability: 0.29,
        },
    ];
    fix.ellipse95 = None;
    Ok(map(&MapPicture {
        size: Size {
            width_px: 900,
            height_px: 900,
        },
        title: "Two positions are likely".to_owned(),
        stations,
        bearings,
        fix: Some(&fix),
        truth: None,
        declination_deg: Some(13.4),
    })?)
}
