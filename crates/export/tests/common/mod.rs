//! One of everything, for the tests of the formats.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]

use lobewright_geodesy::direct;
use lobewright_types::{
    ArcDeg, Azimuth, Bearing, BearingClass, BearingFlag, BearingKind, BearingOutcome, BearingVerdict, Burst,
    BurstFlag, CircleDensity, Dbfs, ErrorEllipse, FittedSignal, Fix, FixMode, FixOutcome, FixStatement,
    LevelReading, NoBearing, NoBearingReason, Pointing, PolygonDeg, Position, Region, SampleIndex,
    StationOffset,
};

pub(crate) fn place(lat_deg: f64, lon_deg: f64) -> Position {
    Position { lat_deg, lon_deg }
}

pub(crate) fn bearing(id: &str, station: &str, position: Position, azimuth_deg: f64) -> Bearing {
    let azimuth = Azimuth::from_degrees(azimuth_deg);
    let density = CircleDensity::normal(azimuth, 1.8);
    Bearing {
        id: id.to_owned(),
        station: station.to_owned(),
        compass: None,
        transmitter: None,
        time_utc: Some("2026-02-14T03:25:00.5Z".parse().unwrap()),
        position,
        position_sigma_m: 5.0,
        kind: BearingKind::Automatic,
        azimuth,
        sigma_deg: 1.8,
        heading_sigma_deg: 1.0,
        modes: density.modes(0.05),
        arcs50: density.highest_density_arcs(0.5),
        arcs95: density.highest_density_arcs(0.95),
        density,
        class: BearingClass::B,
        level: Some(Dbfs(-31.25)),
        snr_db: Some(21.0),
        frequency_hz: Some(144.325e6),
        readings: 72,
        bursts: 3,
        fitted: Some(FittedSignal {
            level_error_sigma_db: 0.7,
            reduced_chi_square: 1.1,
            effective_readings: 41.5,
        }),
        flags: vec![BearingFlag::Clipped, BearingFlag::PartialCircle],
    }
}

pub(crate) fn none(id: &str, station: &str) -> BearingOutcome {
    BearingOutcome::NoBearing(NoBearing {
        id: id.to_owned(),
        station: station.to_owned(),
        reason: NoBearingReason::NoBurst,
    })
}

pub(crate) fn bearings(target: Position) -> Vec<BearingOutcome> {
    let from = |azimuth: f64| direct(target, Azimuth::from_degrees(azimuth), 9000.0);
    let boxed = |b| BearingOutcome::Bearing(Box::new(b));
    let mut hand = bearing("b2", "Quay <east> & \"west\"", from(200.0), 61.0);
    hand.kind = BearingKind::Hand;
    hand.time_utc = None;
    hand.level = None;
    hand.snr_db = None;
    hand.frequency_hz = None;
    hand.fitted = None;
    hand.flags.clear();
    vec![
        boxed(bearing("b1", "Hill, top", from(100.0), 280.0)),
        boxed(hand),
        none("b3", "Cellar"),
    ]
}

pub(crate) fn ring(centre: Position, radius_m: f64, clockwise: bool) -> Vec<Position> {
    let step = if clockwise { 10.0 } else { -10.0 };
    (0..36)
        .map(|i| direct(centre, Azimuth::from_degrees(step * f64::from(i)), radius_m))
        .collect()
}

pub(crate) fn fix(target: Position) -> Fix {
    let region = |probability, radius_m: f64| Region {
        probability,
        area_km2: std::f64::consts::PI * (radius_m / 1000.0).powi(2),
        polygons: vec![PolygonDeg {
            outer: ring(target, radius_m, false),
            holes: vec![ring(target, radius_m / 3.0, true)],
        }],
    };
    let other = direct(target, Azimuth::from_degrees(45.0), 3000.0);
    let verdict = |id: &str, reflected_probability, residual_deg| BearingVerdict {
        id: id.to_owned(),
        reflected_probability,
        residual_deg,
        mode_used: 0,
        range_m: 9000.0,
    };
    Fix {
        position: target,
        region50: region(0.5, 400.0),
        region95: region(0.95, 1100.0),
        ellipse95: Some(ErrorEllipse {
            centre: target,
            probability: 0.95,
            semi_major_m: 1100.0,
            semi_minor_m: 640.0,
            major_azimuth: Azimuth::from_degrees(118.0),
        }),
        modes: vec![
            FixMode {
                position: target,
                probability: 0.8,
            },
            FixMode {
                position: other,
                probability: 0.2,
            },
        ],
        verdicts: vec![verdict("b1", 0.02, -0.7), verdict("b2", 0.97, 38.0)],
        station_offsets: vec![StationOffset {
            station: "van 2".to_owned(),
            offset_deg: 7.25,
            sigma_deg: 1.5,
            fault_probability: 0.9375,
        }],
        path_loss: Vec::new(),
        statements: vec![FixStatement::SeveralPositions { count: 2 }],
    }
}

pub(crate) fn found(target: Position) -> FixOutcome {
    FixOutcome::Fix(Box::new(fix(target)))
}

pub(crate) fn every_statement() -> Vec<FixStatement> {
    vec![
        FixStatement::NoBearings,
        FixStatement::OnePlace,
        FixStatement::Parallel {
            largest_crossing_deg: 2.0,
        },
        FixStatement::Behind,
        FixStatement::Contradiction {
            chi_square: 20.0,
            degrees_of_freedom: 2,
            p_value: 4.5e-5,
        },
        FixStatement::HeadingFault {
            station: "van 2".to_owned(),
            offset_deg: -7.25,
            sigma_deg: 1.5,
            fault_probability: 0.9375,
        },
        FixStatement::SeveralPositions { count: 2 },
        FixStatement::Open { limit_km: 300.0 },
        FixStatement::TooFewToJudge { places: 3 },
    ]
}

pub(crate) fn bursts() -> Vec<Burst> {
    vec![Burst {
        channel: 0,
        start: SampleIndex(19_200_000),
        stop: SampleIndex(31_200_000),
        start_s: 8.0,
        stop_s: 13.0,
        start_utc: Some("2026-02-14T03:25:08Z".parse().unwrap()),
        edge_sigma_s: 0.004,
        level: Dbfs(-31.0),
        noise: Dbfs(-62.0),
        snr_db: 31.0,
        carrier_offset_hz: 2100.0,
        carrier_offset_sigma_hz: None,
        bandwidth_hz: 7000.0,
        clip_fraction: 0.0,
        flags: vec![BurstFlag::BeganBefore, BurstFlag::Clipped],
    }]
}

pub(crate) fn readings() -> Vec<LevelReading> {
    let reading = |pointing| LevelReading {
        burst: 0,
        start: SampleIndex(100),
        middle_s: 0.5,
        length_s: 0.1,
        pointing,
        power_lin: 1e-4,
        independent_samples: 1250.0,
        noise_power_lin: 2e-7,
        noise_rel_sigma: 0.01,
        power_rel_var: None,
        gain_db: Some(20.0),
        attenuation_db: 0.0,
        clip_fraction: 0.0,
    };
    vec![
        reading(Pointing::Boresight {
            azimuth: Azimuth::from_degrees(31.5),
            turn_deg: -6.0,
        }),
        reading(Pointing::Port(3)),
    ]
}

pub(crate) fn arc(from: f64, width_deg: f64) -> ArcDeg {
    ArcDeg {
        from: Azimuth::from_degrees(from),
        width_deg,
    }
}
