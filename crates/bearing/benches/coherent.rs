//! Time of one bearing from the covariances of coherent channels.

#![allow(missing_docs, reason = "criterion's macros make public items")]

#[path = "../tests/common/coherent.rs"]
mod scenes;

use criterion::{Criterion, criterion_group, criterion_main};
use lobewright_bearing::coherent::{CoherentConfig, estimate_coherent};
use lobewright_types::Azimuth;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use scenes::{Scene, ring};

fn one_bearing(c: &mut Criterion) {
    for channels in [4, 8] {
        let array = ring(channels, 0.4);
        let config = CoherentConfig::new(array.clone(), Azimuth::from_degrees(0.0), 1.0);
        let clean = Scene::new(array.clone(), 20.0, 250);
        let cases = [
            ("clean", clean.clone()),
            (
                "channel errors",
                Scene {
                    phase_error_deg: 3.0,
                    gain_error_db: 0.3,
                    ..clean.clone()
                },
            ),
            (
                "reflection",
                Scene {
                    reflection_db: Some(-6.0),
                    ..clean.clone()
                },
            ),
            (
                "five bursts",
                Scene {
                    bursts: vec![(20.0, 250); 5],
                    ..clean.clone()
                },
            ),
            ("weak", Scene::new(array, -10.0, 250)),
        ];
        for (name, scene) in cases {
            let mut rng = ChaCha8Rng::seed_from_u64(1);
            let (bursts, noise) = scene.draw(123.0, &mut rng);
            c.bench_function(
                &format!("bearing from {channels} coherent channels, {name}"),
                |b| {
                    b.iter(|| estimate_coherent(&bursts, noise.as_ref(), &config));
                },
            );
        }
    }
}

criterion_group!(benches, one_bearing);
criterion_main!(benches);
