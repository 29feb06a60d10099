//! Levels and silence against plain sums over power and exponent.

use lobewright_geodesy::{EarthPoint, LocalFrame};
use lobewright_types::{LevelReport, Position, SilenceReport};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, Uniform};

use super::config::ClueConfig;
use super::levels::Levels;
use super::normal::ln_cdf;
use crate::evidence::PowerPrior;

const ORIGIN: Position = Position {
    lat_deg: 47.2,
    lon_deg: 8.5,
};

fn place(east_m: f64, north_m: f64) -> Position {
    LocalFrame::at(ORIGIN).from_local(east_m, north_m)
}

fn spot(east_m: f64, north_m: f64) -> EarthPoint {
    place(east_m, north_m).into()
}

fn level(id: usize, at: (f64, f64), level_db: f64) -> LevelReport {
    LevelReport {
        id: format!("l{id}"),
        station: format!("s{id}"),
        time_utc: None,
        position: place(at.0, at.1),
        position_sigma_m: 0.0,
        transmitter: None,
        scale: "meter".to_owned(),
        level_db,
        sigma_db: 2.0,
    }
}

fn silence(at: (f64, f64), limit_db: f64) -> SilenceReport {
    SilenceReport {
        id: "q".to_owned(),
        station: "q".to_owned(),
        time_utc: None,
        position: place(at.0, at.1),
        transmitter: None,
        scale: "meter".to_owned(),
        limit_db,
    }
}

/// Readings some kilometres apart, so that they share no shadow, of a transmitter at (700, -400).
fn scene(seed: u64, count: usize) -> Vec<((f64, f64), f64)> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let side = Uniform::new(-6000.0, 6000.0).unwrap();
    (0..count)
        .map(|_| {
            let at: (f64, f64) = (side.sample(&mut rng), side.sample(&mut rng));
            let range_km = (at.0 - 700.0).hypot(at.1 + 400.0).hypot(10.0) / 1000.0;
            let unit: f64 = StandardNormal.sample(&mut rng);
            (at, -60.0 - 32.0 * range_km.log10() + 7.0 * unit)
        })
        .collect()
}

/// The same integral term by term: Student t densities of 5 degrees of freedom, exponents from 2 to 6, powers over 120 dB.
fn plain_ln(
    readings: &[((f64, f64), f64)],
    quiet: &[((f64, f64), f64)],
    prior: Option<(f64, f64)>,
    x: (f64, f64),
) -> f64 {
    let range_db = |at: (f64, f64)| {
        let range_m = (at.0 - x.0).hypot(at.1 - x.1).hypot(10.0);
        10.0 * (range_m / 1000.0).log10()
    };
    let step = 3.0_f64.sqrt() * 0.25;
    let mut sum = 0.0;
    for (ln_factor, weight) in [(-step, 1.0 / 6.0), (0.0, 2.0 / 3.0), (step, 1.0 / 6.0)] {
        let factor = f64::exp(ln_factor);
        for n in (0..=40).map(|k| 2.0 + 0.1 * f64::from(k)) {
            for p in (0..=120).map(|k| -130.0 + f64::from(k)) {
                let mut ln = -0.5 * ((n - 3.2) / 0.5_f64).powi(2);
                if let Some((mean, sigma)) = prior {
                    ln -= 0.5 * ((p - mean) / sigma).powi(2);
                }
                // 7 dB of terrain, and 2 dB of the reading, which is as it is.
                let scale = 0.866 * (49.0 * factor * factor + 4.0_f64).sqrt();
                for &(at, db) in readings {
                    let z = (db + n * range_db(at) - p) / scale;
                    ln -= 3.0 * (z * z / 5.0).ln_1p() + scale.ln();
                }
                for &(at, limit_db) in quiet {
                    let z = (limit_db - (p - n * range_db(at))) / 7.0;
                    ln += (0.98 * ln_cdf(z).exp() + 0.02).ln();
                }
                sum += weight * (ln + 200.0).exp();
            }
        }
    }
    sum.ln()
}

fn levels_of(
    readings: &[((f64, f64), f64)],
    quiet: &[((f64, f64), f64)],
    powers: &[PowerPrior],
    config: ClueConfig,
) -> Levels {
    let reports: Vec<LevelReport> = readings
        .iter()
        .enumerate()
        .map(|(k, &(at, db))| level(k, at, db))
        .collect();
    let silences: Vec<SilenceReport> = quiet.iter().map(|&(at, db)| silence(at, db)).collect();
    Levels::new(&reports, &silences, powers, config).unwrap()
}

/// The largest difference of the two forms over places where the posterior is not negligible, its mean taken off.
fn largest_gap(
    readings: &[((f64, f64), f64)],
    quiet: &[((f64, f64), f64)],
    prior: Option<(f64, f64)>,
) -> f64 {
    let powers: Vec<PowerPrior> = prior
        .iter()
        .map(|&(level_at_1km_db, sigma_db)| PowerPrior {
            scale: "meter".to_owned(),
            level_at_1km_db,
            sigma_db,
        })
        .collect();
    let levels = levels_of(readings, quiet, &powers, ClueConfig::default());
    let mut pairs: Vec<(f64, f64)> = (0..49)
        .map(|k| (f64::from(k % 7), f64::from(k / 7)))
        .map(|(i, j)| (-4000.0 + 1500.0 * i, -5100.0 + 1500.0 * j))
        .map(|x| (plain_ln(readings, quiet, prior, x), levels.ln_at(&spot(x.0, x.1))))
        .collect();
    let top = pairs.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    pairs.retain(|p| p.0 > top - 6.0);
    assert!(pairs.len() > 5, "{}", pairs.len());
    let mean = pairs.iter().map(|p| p.1 - p.0).sum::<f64>() / pairs.len() as f64;
    pairs.iter().map(|p| (p.1 - p.0 - mean).abs()).fold(0.0, f64::max)
}

// Laplace's method with the expected information, against the sum itself.
#[test]
fn levels_agree_with_the_plain_sum() {
    for (seed, count) in [(1, 4), (2, 8), (3, 16)] {
        let gap = largest_gap(&scene(seed, count), &[], None);
        println!("{count} levels: {gap:.3} nats");
        assert!(gap < 0.6, "{count}: {gap}");
    }
}

// One reading 45 dB too high.
#[test]
fn levels_with_a_wrong_one_agree_with_the_plain_sum() {
    let mut readings = scene(4, 10);
    readings[3].1 += 45.0;
    let gap = largest_gap(&readings, &[], None);
    println!("one wrong of ten: {gap:.3} nats");
    assert!(gap < 0.9, "{gap}");
}

#[test]
fn silence_agrees_with_the_plain_sum() {
    let quiet = [
        ((-5000.0, 0.0), -85.0),
        ((0.0, 5500.0), -85.0),
        ((5200.0, 3000.0), -85.0),
    ];
    let gap = largest_gap(&scene(5, 6), &quiet, None);
    println!("six levels and three silences: {gap:.3} nats");
    assert!(gap < 0.7, "{gap}");
    let gap = largest_gap(&[], &quiet, Some((-60.0, 6.0)));
    println!("three silences and a power: {gap:.3} nats");
    assert!(gap < 0.25, "{gap}");
}

// Whatever the disc, no place in it passes the limit; and it closes on the value as the disc shrinks.
#[test]
fn the_limit_over_a_disc_holds_and_closes() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let side = Uniform::new(-9000.0, 9000.0).unwrap();
    let unit = Uniform::new(0.0, 1.0).unwrap();
    for seed in 0..18_u32 {
        let mut readings = scene(20 + u64::from(seed), 3 + 2 * seed as usize);
        readings[1].1 += if seed % 3 == 0 { 40.0 } else { 0.0 };
        let quiet = [((-5000.0, 0.0), -85.0), ((0.0, 5500.0), -85.0)];
        // Every other time over terrain much smoother than is thought.
        let config = ClueConfig {
            shadowing_sigma_db: if seed % 2 == 0 { 7.0 } else { 2.0 },
            ..ClueConfig::default()
        };
        let levels = levels_of(&readings, &quiet[..seed as usize % 3], &[], config);
        for turn in 0..40 {
            let centre: (f64, f64) = if turn % 4 == 0 {
                (700.0, -400.0)
            } else {
                (side.sample(&mut rng), side.sample(&mut rng))
            };
            let radius_m = 10.0_f64.powf(1.0 + 3.0 * unit.sample(&mut rng));
            let bound = levels.ln_bound(&spot(centre.0, centre.1), radius_m);
            for _ in 0..20 {
                let turn = std::f64::consts::TAU * unit.sample(&mut rng);
                let off = radius_m * unit.sample(&mut rng).sqrt();
                let at = (centre.0 + off * turn.cos(), centre.1 + off * turn.sin());
                let ln = levels.ln_at(&spot(at.0, at.1));
                assert!(
                    ln <= bound + 1e-9,
                    "{seed} {centre:?} {radius_m}: {ln} over {bound}"
                );
            }
            let close = levels.ln_bound(&spot(centre.0, centre.1), 1.0);
            let ln = levels.ln_at(&spot(centre.0, centre.1));
            // So far out of the way that the steps do not reach the top it need not close.
            let top = levels.ln_at(&spot(700.0, -400.0));
            assert!(close - ln < 2.0 || ln < top - 60.0, "{close} {ln} {top}");
        }
    }
}

// Ten readings of one spot say no more than one of it: the terrain there is common to all.
#[test]
fn readings_of_one_place_share_their_shadow() {
    let mut readings = scene(7, 5);
    let levels = levels_of(&readings, &[], &[], ClueConfig::default());
    let (a, b) = (spot(700.0, -400.0), spot(2500.0, 1500.0));
    let one = levels.ln_at(&a) - levels.ln_at(&b);
    for k in 0..9 {
        let mut again = readings[0];
        again.0.0 += 0.1 * f64::from(k);
        again.1 += 0.3 * f64::from(k % 3) - 0.3;
        readings.push(again);
    }
    let levels = levels_of(&readings, &[], &[], ClueConfig::default());
    let ten = levels.ln_at(&a) - levels.ln_at(&b);
    assert!((ten - one).abs() < 0.5, "{one} {ten}");
}
