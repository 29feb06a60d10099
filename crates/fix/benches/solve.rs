//! Time of a fix from few and from many bearings.
#![allow(missing_docs, reason = "the macro makes a public item without one")]

use std::hint::black_box;
use std::time::Instant;

use criterion::{Criterion, criterion_group, criterion_main};
use lobewright_fix::{FixConfig, RunningFix, from_normal, solve};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, FixOutcome, Position};
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// `count` bearings from places within 10 km of a transmitter, sigma 2 degrees, one in ten wrong: a station each, or one for all.
fn hunt(count: usize, stations: usize, (position_m, heading_deg): (f64, f64), one: bool) -> Vec<Bearing> {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let target = Position {
        lat_deg: -41.3,
        lon_deg: 174.1,
    };
    let frame = LocalFrame::at(target);
    let places: Vec<Position> = (0..stations)
        .map(|_| {
            let (east, north): (f64, f64) = (rng.random_range(-1e4..1e4), rng.random_range(-1e4..1e4));
            frame.from_local(east, north)
        })
        .collect();
    (0..count)
        .map(|k| {
            let place = places[k % stations];
            let error: f64 = StandardNormal.sample(&mut rng);
            let wrong = if rng.random_range(0.0..1.0) < 0.1 {
                rng.random_range(0.0..360.0)
            } else {
                0.0
            };
            let azimuth = inverse(place, target).azimuth.turned(2.0 * error + wrong);
            let station = if one {
                "car".to_owned()
            } else {
                format!("s{}", k % stations)
            };
            let mut bearing = from_normal(&station, place, azimuth, 2.0, (position_m, heading_deg), None);
            bearing.id = format!("b{k}");
            bearing
        })
        .collect()
}

fn bench(c: &mut Criterion) {
    let mut group = c.benchmark_group("solve");
    group.sample_size(10);
    for (count, places, errors, one) in [
        (5, 5, (5.0, 0.5), false),
        (5, 5, (5.0, 0.5), true),
        (50, 50, (5.0, 0.5), false),
        (50, 50, (5.0, 0.5), true),
        (200, 200, (10.0, 0.0), true),
        (10_000, 50, (5.0, 0.5), false),
        (10_000, 10_000, (0.0, 0.0), false),
        (10_000, 10_000, (10.0, 0.0), false),
        (10_000, 10_000, (10.0, 0.0), true),
    ] {
        let bearings = hunt(count, places, errors, one);
        let by = if one { "one station" } else { "a station each" };
        let name = format!("{count} bearings, {places} places to {} m, {by}", errors.0);
        group.bench_function(name, |b| {
            b.iter(|| solve(black_box(&bearings), &FixConfig::default()));
        });
    }
    group.finish();
}

/// One more bearing and its outcome, after so many; held once against the fix computed anew.
fn running(c: &mut Criterion) {
    let mut group = c.benchmark_group("running");
    group.sample_size(20);
    for (count, one) in [(50, false), (200, true), (10_000, false), (10_000, true)] {
        let bearings = hunt(count + 4_000, count + 4_000, (10.0, 0.0), one);
        let mut running = RunningFix::new(FixConfig::default());
        for bearing in &bearings[..count] {
            running.add_bearing(bearing.clone());
        }
        let _ = running.outcome();
        let mut next = count;
        let by = if one { "one station" } else { "a station each" };
        group.bench_function(format!("one more after {count}, {by}"), |b| {
            b.iter_custom(|times| {
                let began = Instant::now();
                for _ in 0..times {
                    running.add_bearing(bearings[next % bearings.len()].clone());
                    next += 1;
                    black_box(running.outcome());
                }
                began.elapsed()
            });
        });
        let (kept, anew) = (
            running.outcome(),
            solve(running.bearings(), &FixConfig::default()),
        );
        if let (FixOutcome::Fix(kept), FixOutcome::Fix(anew)) = (kept, anew) {
            let ratio = kept.region95.area_km2 / anew.region95.area_km2;
            let off_m = inverse(kept.position, anew.position).distance_m;
            let size_m = (anew.region50.area_km2 * 1e6).sqrt();
            assert!(
                (ratio - 1.0).abs() < 0.05 && off_m < 0.15 * size_m,
                "{ratio} {off_m} {size_m}"
            );
        }
    }
    group.finish();
}

criterion_group!(benches, bench, running);
criterion_main!(benches);
