//! The grid against dense algebra.

use super::*;

/// Cells of three dwells in turn with gaps between them, and a spectrum with a band and an empty part.
fn scene() -> (Grid, Vec<Cell>, Vec<f64>) {
    let grid = Grid::new(120, 1e-4);
    let cells: Vec<Cell> = (0..120)
        .filter(|k| k % 8 != 7)
        .map(|at| Cell {
            at,
            phase: (at as f64 * 0.37).sin() + 0.3 * (at as f64 * 1.9).cos(),
            weight: if at % 8 == 0 { 60.0 } else { 100.0 },
            slot: at / 8 % 3,
        })
        .collect();
    let n = grid.circle.size;
    let spectrum = (0..n)
        .map(|k| {
            if (4..20).contains(&k.min(n - k)) {
                3.0
            } else {
                1e-3
            }
        })
        .collect();
    (grid, cells, spectrum)
}

/// Inverse covariance of the cells: a process of that spectrum on the circle and the noise.
fn dense(grid: &Grid, cells: &[Cell], spectrum: &[f64]) -> DMatrix<f64> {
    let n = grid.circle.size;
    let covariance: Vec<f64> = (0..n)
        .map(|lag| {
            let turn = std::f64::consts::TAU * lag as f64 / n as f64;
            let sum = spectrum
                .iter()
                .enumerate()
                .map(|(k, s)| s * (turn * k as f64).cos());
            sum.sum::<f64>() / n as f64
        })
        .collect();
    DMatrix::from_fn(cells.len(), cells.len(), |i, j| {
        let own = if i == j { 1.0 / cells[i].weight } else { 0.0 };
        own + covariance[cells[i].at.abs_diff(cells[j].at)]
    })
    .try_inverse()
    .expect("a covariance")
}

// Generalised least squares: Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), section
// 6.4 (best linear unbiased estimator).
#[test]
fn the_slots_have_the_information_of_generalised_least_squares() {
    let (mut grid, cells, spectrum) = scene();
    let inverse = dense(&grid, &cells, &spectrum);
    let regressors = DMatrix::from_fn(cells.len(), 4, |i, j| {
        if j < 3 {
            f64::from(u8::from(cells[i].slot == j))
        } else {
            grid.time(cells[i].at)
        }
    });
    let data = DVector::from_fn(cells.len(), |i, _| cells[i].phase);
    let nuisance = DMatrix::from_fn(
        cells.len(),
        2,
        |i, j| if j == 0 { 1.0 } else { regressors[(i, 3)] },
    );
    let own = (nuisance.transpose() * &inverse * &nuisance)
        .try_inverse()
        .expect("two lines");
    let projected = &inverse - &inverse * &nuisance * own * nuisance.transpose() * &inverse;
    let slots = regressors.columns(0, 3);
    let (matrix, score) = (
        slots.transpose() * &projected * slots,
        slots.transpose() * &projected * data,
    );
    let solved = grid.solve(
        &cells,
        std::slice::from_ref(&(0..cells.len())),
        &spectrum,
        3,
        1e-5,
    );
    let found = solved.information().expect("information");
    assert!(
        (&found.0 - &matrix).norm() < 1e-4 * matrix.norm(),
        "{} {matrix}",
        found.0
    );
    assert!(
        (&found.1 - &score).norm() < 1e-4 * score.norm(),
        "{} {score}",
        found.1
    );
    // Ended early, the rest is of second order.
    let early = grid
        .solve(
            &cells,
            std::slice::from_ref(&(0..cells.len())),
            &spectrum,
            3,
            1e-2,
        )
        .information()
        .expect("information");
    assert!((&early.0 - &matrix).norm() < 1e-2 * matrix.norm());
}

#[test]
fn the_process_is_what_the_data_say_beside_line_and_slots() {
    let (mut grid, cells, spectrum) = scene();
    let solved = grid.solve(
        &cells,
        std::slice::from_ref(&(0..cells.len())),
        &spectrum,
        3,
        1e-5,
    );
    let smoothed = grid.smoothed(&cells, &solved, &[0.0; 3], &[0.0]);
    // The band holds the first wave, so cells without noise are followed closely and smoothly.
    for k in 20..100 {
        let expected = (k as f64 * 0.37).sin();
        assert!(
            (smoothed.phase[k] - expected).abs() < 0.15,
            "{k}: {} {expected}",
            smoothed.phase[k]
        );
        let rate = 0.37 * (k as f64 * 0.37).cos();
        assert!(
            (smoothed.rate[k] - rate).abs() < 0.15,
            "{k}: {} {rate}",
            smoothed.rate[k]
        );
    }
}
