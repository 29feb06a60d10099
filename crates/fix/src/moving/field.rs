//! Probabilities on a square lattice of the local frame.

/// Kernels narrower than this, in cells, are three points with the right variance; wider ones are sampled.
const SAMPLED_FROM: f64 = 0.63;
/// Kernels reach this many standard deviations.
const REACH_SIGMAS: f64 = 5.0;

/// Square cells; the first has its middle at `west_m`, `south_m`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lattice {
    pub(super) west_m: f64,
    pub(super) south_m: f64,
    pub(super) step_m: f64,
    /// Cells on each side.
    pub(super) across: usize,
}

/// The probability in each cell, row by row from the south, each from the west.
#[derive(Debug, Clone)]
pub(super) struct Field {
    pub(super) lattice: Lattice,
    pub(super) mass: Vec<f64>,
}

/// A rectangle: from and to, east and north.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bounds {
    pub(super) east_m: (f64, f64),
    pub(super) north_m: (f64, f64),
}

/// Mean and covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Moments {
    pub(super) mean_m: (f64, f64),
    pub(super) ee_m2: f64,
    pub(super) en_m2: f64,
    pub(super) nn_m2: f64,
}

impl Bounds {
    pub(super) fn centre_m(&self) -> (f64, f64) {
        (
            f64::midpoint(self.east_m.0, self.east_m.1),
            f64::midpoint(self.north_m.0, self.north_m.1),
        )
    }

    /// Half of the longer side.
    pub(super) fn half_m(&self) -> f64 {
        0.5 * (self.east_m.1 - self.east_m.0).max(self.north_m.1 - self.north_m.0)
    }
}

impl Lattice {
    /// A square around a middle.
    pub(super) fn around(centre_m: (f64, f64), half_m: f64, across: usize) -> Self {
        let step_m = 2.0 * half_m / across as f64;
        Self {
            west_m: centre_m.0 - half_m + 0.5 * step_m,
            south_m: centre_m.1 - half_m + 0.5 * step_m,
            step_m,
            across,
        }
    }

    /// Length of a side.
    pub(super) fn side_m(&self) -> f64 {
        self.step_m * self.across as f64
    }

    /// The middle of a cell.
    pub(super) fn middle_m(&self, column: usize, row: usize) -> (f64, f64) {
        (
            self.west_m + self.step_m * column as f64,
            self.south_m + self.step_m * row as f64,
        )
    }

    /// Whether a rectangle lies on it.
    pub(super) fn holds(&self, bounds: &Bounds) -> bool {
        let edge = 0.5 * self.step_m;
        let span = self.side_m();
        bounds.east_m.0 >= self.west_m - edge
            && bounds.north_m.0 >= self.south_m - edge
            && bounds.east_m.1 <= self.west_m - edge + span
            && bounds.north_m.1 <= self.south_m - edge + span
    }
}

impl Field {
    /// The same probability wherever `inside` says so.
    pub(super) fn even(lattice: Lattice, inside: impl Fn(f64, f64) -> bool) -> Self {
        let mut mass = Vec::with_capacity(lattice.across * lattice.across);
        for row in 0..lattice.across {
            for column in 0..lattice.across {
                let (east, north) = lattice.middle_m(column, row);
                mass.push(if inside(east, north) { 1.0 } else { 0.0 });
            }
        }
        let mut field = Self { lattice, mass };
        field.normalise();
        field
    }

    /// Makes the sum 1; even over the lattice where there is nothing left.
    pub(super) fn normalise(&mut self) {
        let sum: f64 = self.mass.iter().sum();
        if sum > 0.0 && sum.is_finite() {
            for m in &mut self.mass {
                *m /= sum;
            }
        } else {
            let even = 1.0 / self.mass.len() as f64;
            self.mass.fill(even);
        }
    }

    /// Multiplies with a likelihood given by its logarithm, and normalises.
    pub(super) fn weigh(&mut self, ln: impl Fn(f64, f64) -> f64) {
        /// Cells with less than this share of the largest stay what they are: nothing.
        const NOTHING: f64 = 1e-14;
        let least = NOTHING * self.mass.iter().copied().fold(0.0, f64::max);
        let across = self.lattice.across;
        let mut lns = vec![f64::NEG_INFINITY; self.mass.len()];
        for row in 0..across {
            for column in 0..across {
                let at = row * across + column;
                if self.mass[at] > least {
                    let (east, north) = self.lattice.middle_m(column, row);
                    lns[at] = ln(east, north) + self.mass[at].ln();
                }
            }
        }
        let top = lns.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for (m, ln) in self.mass.iter_mut().zip(lns) {
            *m = (ln - top).exp();
        }
        self.normalise();
    }

    /// Spreads it by a normal kernel with `sigma_m` on each axis; what leaves the lattice is lost.
    pub(super) fn spread(&mut self, sigma_m: f64) {
        let across = self.lattice.across;
        let kernel = kernel(sigma_m / self.lattice.step_m, across);
        if kernel.len() < 2 {
            return;
        }
        let mut line = vec![0.0; across];
        for row in 0..across {
            line.copy_from_slice(&self.mass[row * across..(row + 1) * across]);
            convolve(&line, &kernel, |i, v| self.mass[row * across + i] = v);
        }
        for column in 0..across {
            for (i, value) in line.iter_mut().enumerate() {
                *value = self.mass[i * across + column];
            }
            convolve(&line, &kernel, |i, v| self.mass[i * across + column] = v);
        }
    }

    /// The same density on another lattice, straight between the middles of cells; nothing beyond its own.
    pub(super) fn onto(&self, lattice: Lattice) -> Self {
        if lattice == self.lattice {
            return self.clone();
        }
        let across = lattice.across;
        let mut mass = vec![0.0; across * across];
        for row in 0..across {
            for column in 0..across {
                let (east, north) = lattice.middle_m(column, row);
                mass[row * across + column] = self.read(east, north);
            }
        }
        Self { lattice, mass }
    }

    fn read(&self, east_m: f64, north_m: f64) -> f64 {
        let x = (east_m - self.lattice.west_m) / self.lattice.step_m;
        let y = (north_m - self.lattice.south_m) / self.lattice.step_m;
        let across = self.lattice.across;
        let (left, below) = (x.floor(), y.floor());
        let mut sum = 0.0;
        for (dy, wy) in [(0.0, 1.0 - (y - below)), (1.0, y - below)] {
            for (dx, wx) in [(0.0, 1.0 - (x - left)), (1.0, x - left)] {
                let (column, row) = (left + dx, below + dy);
                let last = across as f64 - 1.0;
                if (0.0..=last).contains(&column) && (0.0..=last).contains(&row) {
                    #[expect(
                        clippy::cast_possible_truncation,
                        clippy::cast_sign_loss,
                        reason = "from 0 to the number of cells"
                    )]
                    let at = row as usize * across + column as usize;
                    sum += wx * wy * self.mass[at];
                }
            }
        }
        sum
    }

    /// The rectangle that leaves `tail` of the probability beyond each of its sides.
    pub(super) fn bounds(&self, tail: f64) -> Bounds {
        let across = self.lattice.across;
        let (mut columns, mut rows) = (vec![0.0; across], vec![0.0; across]);
        for (line, row) in self.mass.chunks_exact(across).zip(&mut rows) {
            for (m, column) in line.iter().zip(&mut columns) {
                *column += m;
                *row += m;
            }
        }
        let half = 0.5 * self.lattice.step_m;
        let side = |sums: &[f64], first_m: f64| {
            let low = first_beyond(sums.iter(), tail);
            let high = across - 1 - first_beyond(sums.iter().rev(), tail);
            let step = self.lattice.step_m;
            (
                first_m + step * low as f64 - half,
                first_m + step * high as f64 + half,
            )
        };
        Bounds {
            east_m: side(&columns, self.lattice.west_m),
            north_m: side(&rows, self.lattice.south_m),
        }
    }

    /// Mean and covariance.
    pub(super) fn moments(&self) -> Moments {
        let across = self.lattice.across;
        let mut mean = (0.0, 0.0);
        let each = |f: &mut dyn FnMut(f64, f64, f64)| {
            for row in 0..across {
                for column in 0..across {
                    let (east, north) = self.lattice.middle_m(column, row);
                    f(self.mass[row * across + column], east, north);
                }
            }
        };
        each(&mut |m, e, n| {
            mean.0 += m * e;
            mean.1 += m * n;
        });
        let (mut ee, mut en, mut nn) = (0.0, 0.0, 0.0);
        each(&mut |m, e, n| {
            let (de, dn) = (e - mean.0, n - mean.1);
            ee += m * de * de;
            en += m * de * dn;
            nn += m * dn * dn;
        });
        Moments {
            mean_m: mean,
            ee_m2: ee,
            en_m2: en,
            nn_m2: nn,
        }
    }
}

/// How many sums from the front stay at or under `tail` together; at most the last but one.
fn first_beyond<'a>(sums: impl ExactSizeIterator<Item = &'a f64>, tail: f64) -> usize {
    let last = sums.len().saturating_sub(1);
    let mut seen = 0.0;
    for (i, sum) in sums.enumerate() {
        seen += sum;
        if seen > tail {
            return i;
        }
    }
    last
}

/// A symmetric kernel with the variance `sigma²` cells, from its middle outward; one number where nothing moves.
fn kernel(sigma: f64, across: usize) -> Vec<f64> {
    if sigma <= 0.0 {
        return vec![1.0];
    }
    if sigma < SAMPLED_FROM {
        // A narrow normal sampled at the cells would lose its variance.
        return vec![1.0 - sigma * sigma, 0.5 * sigma * sigma];
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, and held to the number of cells"
    )]
    let reach = (REACH_SIGMAS * sigma).ceil().min(across as f64) as usize;
    let mut kernel: Vec<f64> = (0..=reach)
        .map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp())
        .collect();
    let sum = kernel[0] + 2.0 * kernel[1..].iter().sum::<f64>();
    for k in &mut kernel {
        *k /= sum;
    }
    kernel
}

fn convolve(line: &[f64], kernel: &[f64], mut put: impl FnMut(usize, f64)) {
    let n = line.len();
    for i in 0..n {
        let mut sum = kernel[0] * line[i];
        for (d, k) in kernel.iter().enumerate().skip(1) {
            let below = if i >= d { line[i - d] } else { 0.0 };
            let above = if i + d < n { line[i + d] } else { 0.0 };
            sum += k * (below + above);
        }
        put(i, sum);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(across: usize) -> Field {
        let lattice = Lattice::around((100.0, -50.0), 50.0, across);
        let mut field = Field::even(lattice, |_, _| true);
        field.mass.fill(0.0);
        field.mass[across / 2 * across + across / 2] = 1.0;
        field
    }

    // The variance of a sum of independent steps is the sum of theirs.
    #[test]
    fn spreading_adds_its_variance_however_small_it_is() {
        for (sigma_m, times) in [(0.1, 40), (0.6, 30), (0.7, 30), (5.0, 3)] {
            let mut field = point(101);
            let before = field.moments();
            for _ in 0..times {
                field.spread(sigma_m);
            }
            let after = field.moments();
            let expected = f64::from(times) * sigma_m * sigma_m;
            for (found, was) in [(after.ee_m2, before.ee_m2), (after.nn_m2, before.nn_m2)] {
                let grown = found - was;
                // A sampled normal of 0.7 cells has 0.6 % too little.
                assert!(
                    (grown / expected - 1.0).abs() < 0.01,
                    "{sigma_m}: {grown} {expected}"
                );
            }
            assert!((field.mass.iter().sum::<f64>() - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn another_lattice_shows_the_same_density() {
        let mut field = point(101);
        field.spread(6.0);
        let was = field.moments();
        let mut fine = field.onto(Lattice::around((101.0, -49.0), 40.0, 160));
        fine.normalise();
        let now = fine.moments();
        assert!((was.mean_m.0 - now.mean_m.0).abs() < 0.05 && (was.mean_m.1 - now.mean_m.1).abs() < 0.05);
        assert!((was.ee_m2 / now.ee_m2 - 1.0).abs() < 0.02, "{was:?} {now:?}");
    }

    #[test]
    fn bounds_leave_no_more_than_the_tail_beyond_each_side() {
        let mut field = point(101);
        field.spread(6.0);
        let bounds = field.bounds(0.02275);
        // Two standard deviations, to the cell.
        let centre = field.moments().mean_m;
        for (low, high, middle) in [
            (bounds.east_m.0, bounds.east_m.1, centre.0),
            (bounds.north_m.0, bounds.north_m.1, centre.1),
        ] {
            assert!((middle - low - 12.0).abs() < 1.1 && (high - middle - 12.0).abs() < 1.1);
        }
        assert!(field.lattice.holds(&bounds));
    }
}
