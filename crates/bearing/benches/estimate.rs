//! Time of one bearing from 72 readings.

#![allow(missing_docs, reason = "criterion's macros make public items")]

#[path = "../tests/common/mod.rs"]
mod common;

use common::{Scene, config, pattern};
use criterion::{Criterion, criterion_group, criterion_main};
use lobewright_bearing::estimate;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

fn one_bearing(c: &mut Criterion) {
    let yagi = pattern("yagi3");
    let config = config(&yagi);
    for (name, snr_db, error_db) in [
        ("clean", 20.0, 0.0),
        ("1 dB level error", 20.0, 1.0),
        ("weak", 0.0, 1.0),
    ] {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let readings = Scene::full_turn(72, 200.0, snr_db, error_db).draw(&yagi, 123.0, &mut rng);
        c.bench_function(&format!("bearing from 72 readings, {name}"), |b| {
            b.iter(|| estimate(&readings, &config));
        });
    }
}

criterion_group!(benches, one_bearing);
criterion_main!(benches);
