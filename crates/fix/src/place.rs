//! One place: the density of its bearings, read at a direction and a range.

use std::cell::OnceCell;

use lobewright_geodesy::{EarthPoint, FastAzimuth};
use lobewright_types::{Azimuth, CircleDensity, Mode, Position, True, wrap_degrees, wrap_signed_degrees};

use crate::offset::Node;
use crate::table::{Table, wrap_once};

/// Ratio of one widening to the next.
const BAND_RATIO: f64 = 1.6;
/// The first widening in standard deviations of the density; below a third of it none is done (under 1 % of sigma).
const FIRST_BAND: f64 = 0.3;
/// Widenings are computed up to this angle; it is a guess over the whole circle.
const LAST_BAND_DEG: f64 = 120.0;

/// One place, its bearings joined.
#[derive(Debug)]
pub(crate) struct Place {
    pub(crate) position: Position,
    /// Indices of its bearings in the caller's list.
    pub(crate) members: Vec<usize>,
    /// Number of the heading group.
    pub(crate) group: usize,
    pub(crate) fast: FastAzimuth,
    /// The direction given that the place's bearings are not reflections, without the station's position error.
    pub(crate) density: CircleDensity,
    /// Its modes of 5 % or more.
    pub(crate) modes: Vec<Mode>,
    /// Standard deviation of the most probable mode.
    pub(crate) sigma_deg: f64,
    pub(crate) position_sigma_m: f64,
    min_range_m: f64,
    reflection: f64,
    plain: Table,
    bands: Vec<(f64, OnceCell<Table>)>,
    /// Peaks to stretch instead, where there are too many places for tables of bands.
    stretched: Option<Vec<Azimuth<True>>>,
}

impl Place {
    pub(crate) fn new(
        position: Position,
        members: Vec<usize>,
        group: usize,
        (density, modes): (CircleDensity, Vec<Mode>),
        (position_sigma_m, min_range_m, reflection): (f64, f64, f64),
    ) -> Self {
        let sigma_deg = modes[0].sigma_deg.max(1e-4);
        let mut bands = Vec::new();
        if position_sigma_m > 0.0 {
            let mut width_deg = FIRST_BAND * sigma_deg;
            while width_deg < BAND_RATIO * LAST_BAND_DEG {
                bands.push((width_deg.min(LAST_BAND_DEG), OnceCell::new()));
                width_deg *= BAND_RATIO;
            }
        }
        Self {
            position,
            members,
            group,
            fast: FastAzimuth::at(position),
            plain: Table::mixed(&density, reflection),
            density,
            modes,
            sigma_deg,
            position_sigma_m,
            min_range_m,
            reflection,
            bands,
            stretched: None,
        }
    }

    /// Stretches the peaks for position errors from now on, where it read tables of the widened density.
    pub(crate) fn stretch(&mut self) {
        self.bands.clear();
        // One mode that holds nearly all needs no look for others.
        let peaks = if self.modes[0].probability > 0.98 {
            vec![self.modes[0].azimuth]
        } else {
            self.density.modes(0.02).iter().map(|m| m.azimuth).collect()
        };
        self.stretched = (self.position_sigma_m > 0.0).then_some(peaks);
    }

    fn band(&self, k: usize) -> &Table {
        let (width_deg, cell) = &self.bands[k];
        cell.get_or_init(|| Table::mixed(&self.density.widened(*width_deg), self.reflection))
    }

    /// The tables to read at a range: two and the share of the second, or one.
    fn tables(&self, range_m: f64) -> (&Table, Option<(&Table, f64)>) {
        if self.bands.is_empty() {
            return (&self.plain, None);
        }
        let width_deg = (self.position_sigma_m / range_m.max(self.min_range_m)).to_degrees();
        if width_deg < FIRST_BAND / 3.0 * self.sigma_deg {
            return (&self.plain, None);
        }
        let k = self.bands.partition_point(|b| b.0 < width_deg);
        if k == self.bands.len() {
            return (self.band(k - 1), None);
        }
        let (low_deg, low) = if k == 0 {
            (0.0, &self.plain)
        } else {
            (self.bands[k - 1].0, self.band(k - 1))
        };
        // The share that makes a normal density come out with the right variance.
        let precision = |w: f64| 1.0 / (self.sigma_deg.powi(2) + w * w);
        let (at_low, at_high) = (precision(low_deg), precision(self.bands[k].0));
        let share = (at_low - precision(width_deg)) / (at_low - at_high);
        (low, Some((self.band(k), share)))
    }

    /// The plain table's log density, within `half_deg`, with the peaks stretched by the position error at a range.
    fn stretched_ln(&self, peaks: &[Azimuth<True>], azimuth_deg: f64, half_deg: f64, range_m: f64) -> f64 {
        let read = |at: f64, half: f64| {
            if half > 0.0 {
                self.plain.max_within(at, half)
            } else {
                self.plain.ln_at(at)
            }
        };
        let width_deg = (self.position_sigma_m / range_m.max(self.min_range_m)).to_degrees();
        if width_deg < FIRST_BAND / 3.0 * self.sigma_deg {
            return read(azimuth_deg, half_deg);
        }
        let factor = 1.0_f64.hypot(width_deg / self.sigma_deg);
        let turn = |peak: &Azimuth<True>| wrap_signed_degrees(azimuth_deg - peak.degrees());
        let nearest = peaks
            .iter()
            .min_by(|a, b| turn(a).abs().total_cmp(&turn(b).abs()))
            .unwrap_or(&peaks[0]);
        let at = wrap_degrees(nearest.degrees() + turn(nearest) / factor);
        let flat = self.reflection / 360.0;
        let good = (read(at, half_deg / factor).exp() - flat).max(0.0);
        // A logarithm needs something; where reflections are allowed this is far below them.
        (flat + (good / factor).max((1.0 - self.reflection) * 1e-12)).ln()
    }

    /// Log density per degree in a direction (degrees, `[0, 360)`), for a transmitter at a range; reflections included.
    pub(crate) fn ln_at(&self, azimuth_deg: f64, range_m: f64) -> f64 {
        if let Some(peaks) = &self.stretched {
            return self.stretched_ln(peaks, azimuth_deg, 0.0, range_m);
        }
        match self.tables(range_m) {
            (one, None) => one.ln_at(azimuth_deg),
            (low, Some((high, share))) => {
                (1.0 - share) * low.ln_at(azimuth_deg) + share * high.ln_at(azimuth_deg)
            }
        }
    }

    /// Log densities with the heading error at each of several values, added to `sums`.
    pub(crate) fn add_ln_at(&self, azimuth_deg: f64, range_m: f64, nodes: &[Node], sums: &mut [f64]) {
        if self.stretched.is_some() {
            for (node, sum) in nodes.iter().zip(sums) {
                *sum += self.ln_at(wrap_once(azimuth_deg + node.deg), range_m);
            }
            return;
        }
        let (low, high) = self.tables(range_m);
        let share = high.map_or(0.0, |h| h.1);
        low.add_along(azimuth_deg, nodes, 1.0 - share, sums);
        if let Some((high, share)) = high {
            high.add_along(azimuth_deg, nodes, share, sums);
        }
    }

    /// The directions and ranges under which a circle is seen.
    pub(crate) fn cone(&self, point: &EarthPoint, radius_m: f64) -> Cone<'_> {
        let (azimuth_deg, range_m) = self.fast.azimuth_and_range(point);
        if range_m <= radius_m * 1.001 {
            return Cone {
                place: self,
                azimuth_deg,
                half_deg: 180.0,
                range_m: (0.0, range_m + radius_m),
            };
        }
        Cone {
            place: self,
            azimuth_deg,
            half_deg: (radius_m / range_m).asin().to_degrees() * 1.001,
            range_m: (range_m - radius_m, range_m + radius_m),
        }
    }

    /// The probability that the place's bearings are a reflection, were the transmitter there.
    pub(crate) fn reflected_at(&self, azimuth_deg: f64, range_m: f64) -> f64 {
        if self.reflection <= 0.0 {
            return 0.0;
        }
        ((self.reflection / 360.0).ln() - self.ln_at(azimuth_deg, range_m))
            .exp()
            .min(1.0)
    }
}

/// How a place sees a circle on the map.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cone<'a> {
    place: &'a Place,
    azimuth_deg: f64,
    /// Half the angle; 180 where the place lies inside.
    pub(crate) half_deg: f64,
    range_m: (f64, f64),
}

impl Cone<'_> {
    /// A limit that the log density does not pass inside, with heading errors of `offset_deg`, `extra_deg` either way.
    pub(crate) fn ln_bound(&self, offset_deg: f64, extra_deg: f64) -> f64 {
        let place = self.place;
        let half_deg = self.half_deg + extra_deg;
        if half_deg >= 180.0 {
            return place.plain.peak_ln;
        }
        let azimuth_deg = wrap_once(self.azimuth_deg + offset_deg);
        if let Some(peaks) = &place.stretched {
            let of = |range: f64| place.stretched_ln(peaks, azimuth_deg, half_deg, range);
            return of(self.range_m.0).max(of(self.range_m.1));
        }
        let (near, far) = (place.tables(self.range_m.0), place.tables(self.range_m.1));
        let of = |table: &Table| table.max_within(azimuth_deg, half_deg);
        let near_high = near.1.map(|h| h.0);
        let known = |t: &Table| std::ptr::eq(t, near.0) || near_high.is_some_and(|h| std::ptr::eq(t, h));
        // Near and far mostly read the same tables.
        [Some(far.0), far.1.map(|h| h.0)]
            .into_iter()
            .flatten()
            .filter(|t| !known(t))
            .chain(near_high)
            .map(of)
            .fold(of(near.0), f64::max)
    }
}
