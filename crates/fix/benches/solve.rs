//! Time of a fix from few and from many bearings.
#![allow(missing_docs, reason = "the macro makes a public item without one")]

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use lobewright_fix::{FixConfig, from_normal, solve};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, Position};
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Bearings from `count` places within 10 km of a transmitter, sigma 2 degrees, one in ten wrong.
fn hunt(count: usize, stations: usize) -> Vec<Bearing> {
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
            let mut bearing = from_normal(
                &format!("s{}", k % stations),
                place,
                azimuth,
                2.0,
                (5.0, 0.5),
                None,
            );
            bearing.id = format!("b{k}");
            bearing
        })
        .collect()
}

fn bench(c: &mut Criterion) {
    let mut group = c.benchmark_group("solve");
    group.sample_size(10);
    for (count, stations) in [(5, 5), (50, 50), (10_000, 50), (10_000, 10_000)] {
        let bearings = hunt(count, stations);
        group.bench_function(format!("{count} bearings, {stations} places"), |b| {
            b.iter(|| solve(black_box(&bearings), &FixConfig::default()));
        });
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
