//! Densities against closed forms and tables.

use super::*;

fn az(deg: f64) -> Azimuth<True> {
    Azimuth::from_degrees(deg)
}

fn arc(from: f64, width_deg: f64) -> ArcDeg {
    ArcDeg {
        from: az(from),
        width_deg,
    }
}

#[test]
fn normal_has_the_sigma_it_was_given_at_any_width() {
    for sigma in [0.01, 0.3, 2.0, 15.0, 30.0] {
        for centre in [0.0, 0.004, 123.4, 359.9] {
            let density = CircleDensity::normal(az(centre), sigma);
            let modes = density.modes(0.05);
            assert_eq!(modes.len(), 1);
            assert!(
                (modes[0].sigma_deg / sigma - 1.0).abs() < 0.01,
                "{sigma} {}",
                modes[0].sigma_deg
            );
            assert!(modes[0].azimuth.turn_to(az(centre)).abs() < 0.02 * sigma);
            assert!((density.probability(arc(0.0, 360.0)) - 1.0).abs() < 1e-9);
        }
    }
}

// One- and two-sigma probabilities of the normal law: any table, 0.682689 and 0.954500.
#[test]
fn arcs_of_a_normal_hold_what_tables_say() {
    let density = CircleDensity::normal(az(1.0), 2.0);
    assert!((density.probability(arc(-1.0, 4.0)) - 0.682_689).abs() < 1e-3);
    assert!((density.probability(arc(-3.0, 8.0)) - 0.954_500).abs() < 1e-3);
    let arcs = density.highest_density_arcs(0.95);
    assert_eq!(arcs.len(), 1);
    assert!(
        (arcs[0].width_deg - 2.0 * 1.959_964 * 2.0).abs() < 0.03,
        "{}",
        arcs[0].width_deg
    );
    assert!(arcs[0].contains(az(1.0)) && arcs[0].contains(az(358.0)));
}

#[test]
fn two_opposite_peaks_are_two_modes_and_two_arcs() {
    let ln = |a: f64| {
        let one = |c: f64| (-0.5 * (wrap_signed_degrees(a - c) / 3.0).powi(2)).exp();
        (0.7 * one(10.0) + 0.3 * one(190.0)).max(1e-30).ln()
    };
    let density = CircleDensity::from_ln_fn(ln, &[10.0, 190.0], 0.01).unwrap();
    let modes = density.modes(0.05);
    assert_eq!(modes.len(), 2);
    assert!((modes[0].probability - 0.7).abs() < 0.01);
    assert!((modes[1].azimuth.degrees() - 190.0).abs() < 0.1);
    assert_eq!(density.highest_density_arcs(0.95).len(), 2);
}

#[test]
fn widening_adds_variances() {
    let density = CircleDensity::normal(az(350.0), 3.0).widened(4.0);
    assert!((density.modes(0.05)[0].sigma_deg - 5.0).abs() < 0.05);
    let narrow = CircleDensity::normal(az(350.0), 0.02).widened(1.0);
    assert!((narrow.modes(0.05)[0].sigma_deg - 1.0).abs() < 0.02);
}

#[test]
fn uniform_knows_no_direction() {
    let density = CircleDensity::uniform();
    assert!(density.mean_direction().1 < 1e-9);
    assert!((density.probability(arc(300.0, 90.0)) - 0.25).abs() < 1e-9);
    assert_eq!(density.modes(0.05).len(), 1);
    let arcs = density.highest_density_arcs(0.95);
    assert!((arcs.iter().map(|a| a.width_deg).sum::<f64>() - 360.0).abs() < 1e-6);
}

#[test]
fn turning_moves_every_mode() {
    let density = CircleDensity::normal(az(200.0), 2.0).turned(170.0);
    assert!((density.modes(0.05)[0].azimuth.degrees() - 10.0).abs() < 0.05);
}

#[test]
fn knots_out_of_order_are_refused() {
    assert_eq!(
        CircleDensity::from_knots(vec![0.0, 10.0, 5.0], vec![0.0; 3]),
        Err(DensityError::Order(2))
    );
    assert_eq!(
        CircleDensity::from_knots(vec![0.0, 1.0], vec![0.0; 2]),
        Err(DensityError::TooFew(2))
    );
    assert_eq!(
        CircleDensity::from_knots(vec![0.0, 1.0, 2.0], vec![f64::NAN, 0.0, 0.0]),
        Err(DensityError::NoMass)
    );
}

#[test]
fn json_round_trip_keeps_every_knot() {
    let density = CircleDensity::normal(az(12.5), 1.5);
    let text = serde_json::to_string(&density).unwrap();
    let back: CircleDensity = serde_json::from_str(&text).unwrap();
    for (a, b) in density.ln_per_deg().iter().zip(back.ln_per_deg()) {
        assert!((a - b).abs() < 1e-9);
    }
}

// Two normal modes of 8 : 1: the shortest arcs leave out much of the weak one, its own arcs hold 95 % of it.
#[test]
fn a_weak_mode_gets_arcs_as_sure_as_a_strong_ones() {
    let (strong, weak) = (
        CircleDensity::normal(Azimuth::from_degrees(350.0), 6.0),
        CircleDensity::normal(Azimuth::from_degrees(100.0), 3.0),
    );
    let ln = |a: f64| {
        let at = Azimuth::from_degrees(a);
        (8.0 / 9.0 * strong.density_per_deg(at) + 1.0 / 9.0 * weak.density_per_deg(at)).ln()
    };
    let both = CircleDensity::from_ln_fn(ln, &[350.0, 100.0], 0.01).unwrap();
    let arcs = both.arcs_of_each_mode(0.95, 0.05);
    assert_eq!(arcs.len(), 2);
    let held = |d: &CircleDensity| arcs.iter().map(|a| d.probability(*a)).sum::<f64>();
    assert!((held(&strong) - 0.95).abs() < 0.005, "{}", held(&strong));
    assert!((held(&weak) - 0.95).abs() < 0.005, "{}", held(&weak));
    let shortest = both.highest_density_arcs(0.95);
    let of_weak: f64 = shortest.iter().map(|a| weak.probability(*a)).sum();
    assert!(of_weak < 0.9, "{of_weak}");
    let one = strong.arcs_of_each_mode(0.95, 0.05);
    assert_eq!(one.len(), 1);
    assert!(
        (one[0].width_deg - 2.0 * 1.959_964 * 6.0).abs() < 0.1,
        "{}",
        one[0].width_deg
    );
}

#[test]
fn a_narrow_density_has_no_more_knots_than_it_needs() {
    for sigma in [0.003, 0.01, 0.1, 1.0] {
        let density = CircleDensity::normal(az(77.7), sigma);
        let count = density.azimuths_deg().len();
        assert!(count < 600, "{count} knots at {sigma} degrees");
        let within = arc(77.7 - 2.0 * sigma, 4.0 * sigma);
        // 2 sigma to each side hold 0.9545.
        assert!((density.probability(within) - 0.9545).abs() < 0.002);
    }
}

#[test]
fn a_narrow_peak_is_found_by_its_flanks_even_where_nobody_said_so() {
    let ln = |a: f64| -0.5 * (wrap_signed_degrees(a - 100.123_4) / 0.02).powi(2);
    let density = CircleDensity::from_ln_fn(ln, &[], 0.01).unwrap();
    let mode = density.modes(0.05)[0];
    assert!(mode.azimuth.turn_to(az(100.123_4)).abs() < 0.001, "{mode:?}");
    assert!((mode.sigma_deg / 0.02 - 1.0).abs() < 0.02, "{mode:?}");
}
