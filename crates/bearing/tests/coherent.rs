//! Directions from coherent channels.

#[path = "common/coherent.rs"]
mod scenes;

use lobewright_bearing::coherent::{CoherentConfig, beamformer, estimate_coherent, music};
use lobewright_types::{Azimuth, wrap_signed_degrees};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use scenes::{Scene, ring};

#[test]
fn a_strong_signal_has_one_narrow_direction() {
    let array = ring(5, 0.4);
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let scene = Scene::new(array.clone(), 30.0, 500);
    let (bursts, noise) = scene.draw(123.4, &mut rng);
    let config = CoherentConfig::new(array.clone(), Azimuth::from_degrees(20.0), 0.0);
    let estimate = estimate_coherent(&bursts, noise.as_ref(), &config).unwrap();
    assert!(wrap_signed_degrees(estimate.azimuth.degrees() - 143.4).abs() < 5.0 * estimate.sigma_deg);
    assert_eq!(estimate.modes.len(), 1);
    assert!(estimate.flags.is_empty());
    for baseline in [beamformer(&bursts[0], &*array), music(&bursts[0], &*array, 1)] {
        assert!(wrap_signed_degrees(baseline.unwrap().degrees() - 123.4).abs() < 0.5);
    }
}
