//! Probability of the readings for a supposed direction and supposed level errors.

#![expect(
    clippy::inline_always,
    reason = "what is not inlined is not compiled for the instruction set chosen at run time"
)]

use pulp::{Arch, Simd, WithSimd};

use crate::bank::{Bank, Ready};
use crate::filters::{Coloured, White};
use crate::lanes::{Common, Item, Lanes, Link, run};
use crate::levels::Point;
use crate::memory::Along;
use crate::ported::{FIRST_PORT, Ported};
use crate::prepare::Data;

/// Nats of a decibel of power.
pub(crate) const NATS_PER_DB: f64 = std::f64::consts::LN_10 / 10.0;
/// Distances are rounded to this share of a reading, or to this many degrees: few different transitions are worked out.
const STEP_GRAIN: f64 = 0.05;
const DEGREE_GRAIN: f64 = 0.5;
/// A distance this long forgets everything.
const FAR: f64 = 1e4;
/// Ports for which the filter is made ready; more share one another's gain errors no longer, but lose only that.
const MOST_PORTS: usize = 8;

/// Readings with what does not depend on the direction worked out.
#[derive(Debug, Clone)]
pub(crate) struct Likelihood {
    pub(crate) data: Data,
    time: Sequence,
    boresight: Option<Sequence>,
    common: Common,
    pub(crate) arch: Arch,
}

/// Readings in an order.
#[derive(Debug, Clone)]
struct Sequence {
    /// Indices of readings.
    order: Vec<usize>,
    /// How each is linked to the one before; bursts without their shift of level.
    links: Vec<Link>,
    /// Different distances between neighbours.
    distances: Vec<f64>,
}

impl Likelihood {
    pub(crate) fn new(data: Data, unexplained_share: f64, port_gain_sigma_nats: f64) -> Self {
        let unexplained_share = unexplained_share.clamp(1e-6, 0.5);
        let common = Common {
            noise_var: data.noise_rel_sigma * data.noise_rel_sigma,
            port_var: port_gain_sigma_nats * port_gain_sigma_nats,
            unexplained_share,
        };
        Self {
            time: Sequence::by_time(&data),
            boresight: (data.passes() > 1.3).then(|| Sequence::by_boresight(&data)),
            common,
            arch: Arch::new(),
            data,
        }
    }

    /// Share of readings that the model is expected not to explain.
    pub(crate) fn unexplained_share(&self) -> f64 {
        self.common.unexplained_share
    }

    /// Whether boresights are looked at more than once, so that what they share shows.
    pub(crate) fn repeats(&self) -> bool {
        self.boresight.is_some()
    }

    /// Different distances between neighbours in an order.
    pub(crate) fn distances(&self, along: Along) -> &[f64] {
        match along {
            Along::Time => &self.time.distances,
            Along::Boresight => self.boresight.as_ref().map_or(&[], |s| &s.distances),
        }
    }

    /// Natural logarithm of the density of all readings for each node of a bank, levels of bursts, level errors and
    /// the noise power's error integrated out by a Kalman filter ([`run`]).
    pub(crate) fn ln_evidences(&self, point: &Point, bank: &Bank, out: &mut Vec<f64>) {
        out.clear();
        out.resize(bank.nodes.len(), f64::NEG_INFINITY);
        let time = self.items(&self.time, point);
        let boresight = match &self.boresight {
            Some(sequence) if bank.groups.iter().any(|g| g.along == Along::Boresight) => {
                self.items(sequence, point)
            }
            _ => Vec::new(),
        };
        self.arch.dispatch(Evidences {
            likelihood: self,
            bank,
            time: &time,
            boresight: &boresight,
            out,
        });
    }

    fn items(&self, sequence: &Sequence, point: &Point) -> Vec<Item> {
        let mut before = 0;
        sequence
            .order
            .iter()
            .zip(&sequence.links)
            .map(|(&k, &link)| {
                let (o, l) = (&self.data.obs[k], &point.linear[k]);
                let link = match link {
                    Link::Burst(_) => Link::Burst(point.level[before] - point.level[o.burst]),
                    link => link,
                };
                before = o.burst;
                Item {
                    link,
                    nu: l.nu,
                    d: l.d,
                    h: l.h,
                    v: l.v,
                    censored: o.censored,
                    port: o.port,
                }
            })
            .collect()
    }

    /// Probability that the model explains each reading, and the standardised residuals, at a fitted point.
    pub(crate) fn residuals(&self, point: &Point, sigma_nats: f64) -> Vec<Residual> {
        let share = self.common.unexplained_share;
        let background = share / self.data.spread_nats;
        let peak_density = (1.0 - share) / std::f64::consts::TAU.sqrt();
        self.data
            .obs
            .iter()
            .zip(&point.linear)
            .map(|(o, l)| {
                let var = l.v + (sigma_nats * l.h).powi(2);
                let nu = if o.censored { l.nu.max(0.0) } else { l.nu };
                let fits = peak_density * (-0.5 * nu * nu / var).exp() / var.sqrt();
                Residual {
                    nats: nu,
                    sigma_nats: var.sqrt(),
                    explained: fits / (fits + background),
                }
            })
            .collect()
    }
}

/// Compiled once more for the vector instructions that the processor turns out to have.
struct Evidences<'a> {
    likelihood: &'a Likelihood,
    bank: &'a Bank,
    time: &'a [Item],
    boresight: &'a [Item],
    out: &'a mut [f64],
}

impl WithSimd for Evidences<'_> {
    type Output = ();
    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        for ready in &self.bank.groups {
            let items = match ready.along {
                Along::Time => self.time,
                Along::Boresight => self.boresight,
            };
            let common = &self.likelihood.common;
            let ports = self.likelihood.data.ports;
            // A scalar fused multiply-add without the instruction is a library call.
            let ln = if S::F64_LANES >= 4 {
                evidences::<true>(ports, ready, items, common)
            } else {
                evidences::<false>(ports, ready, items, common)
            };
            for (lane, &member) in ready.members.iter().enumerate() {
                self.out[member] = ln[lane];
            }
        }
    }
}

#[inline(always)]
fn evidences<const FMA: bool>(ports: usize, ready: &Ready, items: &[Item], common: &Common) -> Lanes {
    match (ports, ready.white) {
        (0, true) => run::<White<FMA>>(items, &ready.group, common),
        (0, false) => run::<Coloured<FMA>>(items, &ready.group, common),
        (1..=4, _) => run::<Ported<{ FIRST_PORT + 4 }, FMA>>(items, &ready.group, common),
        _ => run::<Ported<{ FIRST_PORT + MOST_PORTS }, FMA>>(items, &ready.group, common),
    }
}

impl Sequence {
    fn by_time(data: &Data) -> Self {
        let mut sequence = Self::with(data.obs.len());
        for (k, o) in data.obs.iter().enumerate() {
            let link = if k == 0 {
                Link::First
            } else if o.gap_s.is_finite() {
                sequence.step(o.gap_s / data.step_s, STEP_GRAIN)
            } else {
                Link::Burst(0.0)
            };
            sequence.order.push(k);
            sequence.links.push(link);
        }
        sequence
    }

    /// By boresight, whichever burst: levels of bursts stay as they were fitted.
    fn by_boresight(data: &Data) -> Self {
        let at = |k: usize| data.obs[k].azimuth_mount_deg;
        let mut sequence = Self::with(data.obs.len());
        sequence.order = (0..data.obs.len()).collect();
        sequence
            .order
            .sort_by(|&a, &b| at(a).total_cmp(&at(b)).then(a.cmp(&b)));
        for i in 0..sequence.order.len() {
            let link = if i == 0 {
                Link::First
            } else {
                let gap = at(sequence.order[i]) - at(sequence.order[i - 1]);
                sequence.step(gap, DEGREE_GRAIN)
            };
            sequence.links.push(link);
        }
        sequence
    }

    fn with(capacity: usize) -> Self {
        Self {
            order: Vec::with_capacity(capacity),
            links: Vec::with_capacity(capacity),
            distances: Vec::new(),
        }
    }

    /// A link of a rounded distance, entered into the list where it is new.
    fn step(&mut self, distance: f64, grain: f64) -> Link {
        let rounded = if distance.is_finite() {
            ((distance / grain).round() * grain).min(FAR)
        } else {
            FAR
        };
        let known = self.distances.iter().position(|d| (d - rounded).abs() < 1e-9);
        Link::Step(known.unwrap_or_else(|| {
            self.distances.push(rounded);
            self.distances.len() - 1
        }))
    }
}

/// A reading against the fitted pattern.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Residual {
    pub(crate) nats: f64,
    pub(crate) sigma_nats: f64,
    pub(crate) explained: f64,
}
