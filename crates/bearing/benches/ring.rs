//! Time of one bearing from one second of a switched ring.

#![allow(missing_docs, reason = "criterion's macros make public items")]

#[path = "../tests/common/ring.rs"]
mod ring;

use criterion::{Criterion, criterion_group, criterion_main};
use lobewright_bearing::estimate_ring;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use ring::{RingScene, Signal, ideal};

fn one_second(c: &mut Criterion) {
    for (name, signal) in [
        ("carrier", Signal::Carrier),
        ("speech in FM", Signal::Voice { deviation_hz: 800.0 }),
    ] {
        let scene = RingScene::new(&ideal(4, 0.177), signal, 10.0, 1.0);
        let samples = scene.draw(123.0, &mut ChaCha8Rng::seed_from_u64(1));
        let config = scene.config();
        c.bench_function(&format!("one second of four elements at 48 kS/s, {name}"), |b| {
            b.iter(|| estimate_ring(&[scene.burst(&samples)], &config));
        });
    }
}

criterion_group!(benches, one_second);
criterion_main!(benches);
