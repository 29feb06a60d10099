//! Time of the advice on 300 places.
#![allow(missing_docs, reason = "the macro makes a public item without one")]

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use lobewright_fix::advice::{AdviceConfig, advise, rings, solve_with_samples};
use lobewright_fix::{Evidence, FixConfig, from_normal, solve};
use lobewright_geodesy::{LocalFrame, inverse};
use lobewright_types::{Bearing, Position};

/// Bearings from places around a transmitter, sigma 4 degrees, the first one wrong by 40.
fn hunt(local_m: &[(f64, f64)]) -> Vec<Bearing> {
    let target = Position {
        lat_deg: -41.3,
        lon_deg: 174.1,
    };
    let frame = LocalFrame::at(target);
    local_m
        .iter()
        .enumerate()
        .map(|(k, &(east_m, north_m))| {
            let place = frame.from_local(east_m, north_m);
            let wrong_deg = if k == 0 { 40.0 } else { 2.0 };
            let azimuth = inverse(place, target).azimuth.turned(wrong_deg);
            from_normal(&format!("b{k}"), place, azimuth, 4.0, (10.0, 0.0), None)
        })
        .collect()
}

fn bench(c: &mut Criterion) {
    let mut group = c.benchmark_group("advice");
    group.sample_size(10);
    let places = [
        (-1000.0, -6000.0),
        (1000.0, -6000.0),
        (4000.0, 1000.0),
        (-2000.0, 3000.0),
    ];
    for count in [2, 4] {
        let bearings = hunt(&places[..count]);
        group.bench_function(format!("{count} bearings: solve"), |b| {
            b.iter(|| solve(black_box(&bearings), &FixConfig::default()));
        });
        group.bench_function(format!("{count} bearings: solve with samples"), |b| {
            b.iter(|| {
                solve_with_samples(
                    black_box(&Evidence {
                        bearings: &bearings,
                        ..Evidence::default()
                    }),
                    &FixConfig::default(),
                )
            });
        });
        let evidence = Evidence {
            bearings: &bearings,
            ..Evidence::default()
        };
        let (outcome, samples) = solve_with_samples(&evidence, &FixConfig::default());
        let samples = samples.expect("a posterior");
        let config = AdviceConfig::default();
        let candidates = rings(&samples, &outcome, None, &config);
        let kept = advise(&samples, &outcome, None, &candidates, &config).len();
        group.bench_function(
            format!("{count} bearings: {kept} of {} places", candidates.len()),
            |b| b.iter(|| advise(black_box(&samples), &outcome, None, &candidates, &config)),
        );
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
