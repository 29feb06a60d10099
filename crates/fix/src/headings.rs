//! What the bearings themselves say of the heading error that each compass or station has in all of them.

use lobewright_types::{FixStatement, StationOffset};

use crate::likelihood::{Shared, Surface};
use crate::offset::shares;
use crate::places::Places;

/// An offset can be told when its standard deviation, a fault taken for granted, is under this share of the prior's.
const TOLD_SHARE: f64 = 0.5;
/// A fault at least this probable is said in words.
const SAID: f64 = 0.5;
/// Nodes with less than this share at a point are passed over.
const NEGLIGIBLE: f64 = 1e-4;

/// The heading errors given a transmitter at each of several points of equal probability.
#[derive(Debug)]
pub(crate) struct Headings<'a> {
    places: &'a Places,
    shared: &'a [Shared],
    /// For each compass and each point the offsets that count and their shares.
    at_points: Vec<Vec<Vec<(f64, f64)>>>,
    /// For each compass its nodes' shares over all points.
    over_all: Vec<Vec<f64>>,
}

impl<'a> Headings<'a> {
    pub(crate) fn new(surface: &'a Surface, points_m: &[(f64, f64)]) -> Self {
        let mut at_points = Vec::with_capacity(surface.shared.len());
        let mut over_all = Vec::with_capacity(surface.shared.len());
        for (slot, one) in surface.shared.iter().enumerate() {
            let mut sum = vec![0.0; one.nodes.len()];
            let each = points_m
                .iter()
                .map(|&point_m| {
                    let share = shares(&surface.terms_at(slot, point_m));
                    let mut held = Vec::new();
                    for ((node, share), sum) in one.nodes.iter().zip(share).zip(&mut sum) {
                        *sum += share / points_m.len() as f64;
                        if share > NEGLIGIBLE {
                            held.push((node.deg, share));
                        }
                    }
                    held
                })
                .collect();
            at_points.push(each);
            over_all.push(sum);
        }
        Self {
            places: surface.places,
            shared: &surface.shared,
            at_points,
            over_all,
        }
    }

    fn slot(&self, group: usize) -> Option<usize> {
        self.shared.binary_search_by_key(&group, |s| s.group).ok()
    }

    /// The offsets of a group and their shares, were the transmitter at a point; one of nothing where nothing is shared.
    pub(crate) fn at(&self, group: usize, point: usize) -> &[(f64, f64)] {
        const NONE: &[(f64, f64)] = &[(0.0, 1.0)];
        self.slot(group).map_or(NONE, |k| &self.at_points[k][point])
    }

    /// Mean offset of a group in degrees, 0 where nothing is shared.
    pub(crate) fn mean_deg(&self, group: usize) -> f64 {
        self.slot(group).map_or(0.0, |k| self.moments(k, |_| true).1)
    }

    /// How many offsets were found from the bearings.
    pub(crate) fn told(&self) -> usize {
        (0..self.shared.len()).filter(|&k| self.is_told(k)).count()
    }

    /// Mass, mean and standard deviation over the nodes that `of` takes.
    fn moments(&self, slot: usize, of: impl Fn(bool) -> bool) -> (f64, f64, f64) {
        let nodes = || {
            self.shared[slot]
                .nodes
                .iter()
                .zip(&self.over_all[slot])
                .filter(|(n, _)| of(n.fault))
        };
        let mass: f64 = nodes().map(|(_, w)| w).sum();
        if mass <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let mean = nodes().map(|(n, w)| w * n.deg).sum::<f64>() / mass;
        let variance = nodes().map(|(n, w)| w * (n.deg - mean).powi(2)).sum::<f64>() / mass;
        (mass, mean, variance.sqrt())
    }

    fn is_told(&self, slot: usize) -> bool {
        let Some(prior) = self.places.groups[self.shared[slot].group].prior else {
            return false;
        };
        let fault = prior.fault > 0.0;
        let (mass, _, sigma_deg) = self.moments(slot, |f| f == fault);
        let prior_deg = if fault {
            prior.fault_sigma_deg
        } else {
            prior.stated_deg
        };
        // With no mass left in it a fault has been ruled out, and the offset is as good as its stated error.
        mass <= 0.0 || sigma_deg < TOLD_SHARE * prior_deg
    }

    /// The offsets that can be told, in the order of the stations' names.
    pub(crate) fn offsets(&self) -> Vec<StationOffset> {
        (0..self.shared.len())
            .filter(|&k| self.is_told(k))
            .map(|k| {
                let (_, offset_deg, sigma_deg) = self.moments(k, |_| true);
                StationOffset {
                    station: self.places.groups[self.shared[k].group].name.clone(),
                    offset_deg,
                    sigma_deg,
                    fault_probability: self.moments(k, |f| f).0.clamp(0.0, 1.0),
                }
            })
            .collect()
    }
}

/// What is to be said of offsets that are likely faults.
pub(crate) fn faults(offsets: &[StationOffset]) -> impl Iterator<Item = FixStatement> + '_ {
    offsets
        .iter()
        .filter(|o| o.fault_probability >= SAID)
        .map(|o| FixStatement::HeadingFault {
            station: o.station.clone(),
            offset_deg: o.offset_deg,
            sigma_deg: o.sigma_deg,
            fault_probability: o.fault_probability,
        })
}
