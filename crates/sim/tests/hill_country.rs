//! The example scene holds what its description says.

use lobewright_sim::{Scene, SceneError};

#[test]
fn five_places_have_the_distances_and_ratios_of_a_hunt() {
    let truth = Scene::hill_country_demo(7).truth().unwrap();
    assert_eq!(truth.seed, 7);
    assert_eq!(truth.stations.len(), 5);
    for station in &truth.stations {
        let received = &station.transmitters[0];
        assert!(
            (1_500.0..8_100.0).contains(&received.distance_m),
            "{}",
            station.station
        );
        assert!(
            (10.0..35.0).contains(&received.snr_db.0),
            "{}: {}",
            station.station,
            received.snr_db
        );
        assert_eq!(received.bursts.len(), 2, "{}", station.station);
        assert!(
            received
                .bursts
                .iter()
                .all(|b| (b.stop_s - b.start_s - 12.0).abs() < 1e-9)
        );
        assert_eq!(station.length_samples, 120 * 240_000);
        // Half a step of noise and more, so that rounding acts as noise.
        assert!(station.noise_dbfs.0 > -45.0);
    }
}

#[test]
fn one_place_hears_a_reflection_louder_than_the_direct_path() {
    let truth = Scene::hill_country_demo(1).truth().unwrap();
    let with: Vec<_> = truth
        .stations
        .iter()
        .filter(|s| !s.transmitters[0].reflections.is_empty())
        .collect();
    assert_eq!(with.len(), 1);
    let received = &with[0].transmitters[0];
    let reflection = received.reflections[0];
    assert!((reflection.relative_level_db.0 - 9.0).abs() < 1e-12);
    assert!(received.bearing.turn_to(reflection.azimuth).abs() > 70.0);
}

#[test]
fn truth_is_written_with_units_in_its_names() {
    let scene = Scene::hill_country_demo(1);
    let json = serde_json::to_value(scene.truth().unwrap()).unwrap();
    let station = &json["stations"][4];
    for key in ["heading_true_deg", "rate_hz", "noise_dbfs", "snr_bandwidth_hz"] {
        assert!(station[key].is_number(), "{key}");
    }
    assert_eq!(station["start_utc"], "2026-02-13T22:10:00Z");
    let received = &station["transmitters"][0];
    for key in [
        "bearing_true_deg",
        "level_dbfs",
        "snr_db",
        "carrier_offset_hz",
        "delay_s",
    ] {
        assert!(received[key].is_number(), "{key}");
    }
    assert!(received["reflections"][0]["azimuth_true_deg"].is_number());
    assert!(received["bursts"][0]["start_sample"].is_u64());
}

#[test]
fn each_transmission_covers_a_full_turn() {
    let scene = Scene::hill_country_demo(1);
    for index in 0..scene.stations().len() {
        let renderer = scene.renderer(index).unwrap();
        let track = renderer.track();
        let burst = renderer.truth().transmitters[0].bursts[0];
        let turned: f64 = track
            .windows(2)
            .filter(|w| w[0].0 >= burst.start_s && w[1].0 <= burst.stop_s)
            .map(|w| lobewright_types::wrap_signed_degrees(w[1].1 - w[0].1))
            .sum();
        assert!(turned.abs() > 360.0, "station {index}: {turned}");
    }
}

#[test]
fn stations_are_counted_from_0() {
    let error = Scene::hill_country_demo(1).renderer(5).map(|_| ()).unwrap_err();
    assert_eq!(error, SceneError::NoSuchStation { index: 5, count: 5 });
    assert_eq!(error.to_string(), "station 5 of 5: stations are counted from 0");
}
