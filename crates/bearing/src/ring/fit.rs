//! From phases and levels of the ports to a log density of the direction.

use lobewright_antenna::Manifold;
use nalgebra::DMatrix;
use num_complex::Complex;

use super::slots::Contrast;

/// Errors of the manifold that are tried, in radians and nats of amplitude, over the most expected one.
const ERROR_NODES: [f64; 11] = [0.03, 0.06, 0.12, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 4.0, 8.0];
/// Amplitude of a port below which its logarithm says no more, over the strongest.
const LEAST_AMPLITUDE: f64 = 1e-4;

/// What is known of the ports, one model error for each node.
pub(super) struct Fit<'a> {
    manifold: &'a Manifold,
    /// Ports that were seen.
    ports: Vec<usize>,
    nodes: Vec<Node>,
    /// Phase of each port seen, taken off.
    back: Vec<Complex<f64>>,
    /// Log amplitude of each port seen.
    ln_amplitude: Vec<f64>,
    /// Log amplitudes' weights for their common level.
    level_weight: Vec<f64>,
    /// What the directions cannot change: how far slots of one port contradict each other.
    ln_constant: f64,
}

struct Node {
    error: f64,
    ln_weight: f64,
    phase: Option<Form>,
    level: Option<Form>,
}

/// A quadratic form on contrasts.
struct Form {
    matrix: DMatrix<f64>,
    /// Whether it is a sum of attractive pairs, which the cosine continues round the circle.
    pairs: bool,
}

/// How the manifold may be wrong.
#[derive(Debug, Clone, Copy)]
pub(super) struct ModelError {
    pub(super) typical: f64,
    pub(super) ln_sigma: f64,
}

/// Scratch and result of one direction.
pub(super) struct At {
    response: Vec<Complex<f64>>,
    phase: Vec<Complex<f64>>,
    bent: Vec<f64>,
    off: Vec<f64>,
}

impl<'a> Fit<'a> {
    /// `port_of` says which port each slot is, if `Some` slots of no port are left out.
    pub(super) fn new(
        manifold: &'a Manifold,
        phase: Option<&Contrast>,
        level: Option<&Contrast>,
        port_of: &[usize],
        error: ModelError,
    ) -> Self {
        let mut ports: Vec<usize> = port_of.to_vec();
        ports.sort_unstable();
        ports.dedup();
        let place: Vec<usize> = port_of
            .iter()
            .map(|p| ports.binary_search(p).unwrap_or(0))
            .collect();
        let joined_phase = phase.map(|c| joined(c, &place, ports.len(), true));
        let joined_level = level.map(|c| joined(c, &place, ports.len(), false));
        let ln_constant = joined_phase.as_ref().map_or(0.0, |j| j.ln_misfit)
            + joined_level.as_ref().map_or(0.0, |j| j.ln_misfit);
        let nodes = nodes(joined_phase.as_ref(), joined_level.as_ref(), error);
        let back = joined_phase.as_ref().map_or_else(
            || vec![Complex::new(1.0, 0.0); ports.len()],
            |j| j.value.iter().map(|v| Complex::cis(-v)).collect(),
        );
        let ln_amplitude = joined_level
            .as_ref()
            .map_or_else(|| vec![0.0; ports.len()], |j| j.value.clone());
        let level_weight = joined_level.as_ref().map_or_else(
            || vec![1.0; ports.len()],
            |j| j.matrix.diagonal().iter().copied().collect(),
        );
        Self {
            manifold,
            ports,
            nodes,
            back,
            ln_amplitude,
            level_weight,
            ln_constant,
        }
    }

    pub(super) fn scratch(&self) -> At {
        let n = self.ports.len();
        At {
            response: vec![Complex::new(0.0, 0.0); self.manifold.ports()],
            phase: vec![Complex::new(0.0, 0.0); n],
            bent: vec![0.0; n],
            off: vec![0.0; n],
        }
    }

    /// Log density of what was measured, up to a constant, for a source at an azimuth of the mounting.
    pub(super) fn ln_density(&self, azimuth_mount_deg: f64, at: &mut At) -> f64 {
        self.predict(azimuth_mount_deg, at);
        let mut top = f64::NEG_INFINITY;
        let mut sum = 0.0;
        for node in &self.nodes {
            let v = Self::ln_at(node, at);
            if v > top {
                sum = sum * (top - v).exp() + 1.0;
                top = v;
            } else {
                sum += (v - top).exp();
            }
        }
        top + sum.ln() + self.ln_constant
    }

    /// Mean model error at a direction, radians.
    pub(super) fn model_error(&self, azimuth_mount_deg: f64) -> f64 {
        let mut at = self.scratch();
        self.predict(azimuth_mount_deg, &mut at);
        let values: Vec<f64> = self.nodes.iter().map(|n| Self::ln_at(n, &at)).collect();
        let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (mut sum, mut all) = (0.0, 0.0);
        for (node, v) in self.nodes.iter().zip(values) {
            sum += (v - top).exp() * node.error;
            all += (v - top).exp();
        }
        sum / all
    }

    /// Weighted mean square misfit at a direction by the noise and the model error given.
    pub(super) fn reduced_chi_square(&self, azimuth_mount_deg: f64, error: f64) -> f64 {
        let mut at = self.scratch();
        self.predict(azimuth_mount_deg, &mut at);
        let Some(node) = self
            .nodes
            .iter()
            .min_by(|a, b| (a.error - error).abs().total_cmp(&(b.error - error).abs()))
        else {
            return 1.0;
        };
        let free = (2.0 * self.ports.len() as f64 - 3.0).max(1.0);
        let phase = node.phase.as_ref().map_or(0.0, |f| quadratic(f, &at.bent));
        let level = node.level.as_ref().map_or(0.0, |f| quadratic(f, &at.off));
        (phase + level) / free
    }

    fn predict(&self, azimuth_mount_deg: f64, at: &mut At) {
        self.manifold.response(azimuth_mount_deg, &mut at.response);
        let top = at.response.iter().map(|v| v.norm()).fold(1e-12, f64::max);
        let mut common = Complex::new(0.0, 0.0);
        let (mut level, mut weight) = (0.0, 0.0);
        let diagonal = self.nodes[0].phase.as_ref().map(|f| &f.matrix);
        for (i, &port) in self.ports.iter().enumerate() {
            let response = at.response[port];
            let size = response.norm();
            at.phase[i] = if size > 0.0 {
                response / size * self.back[i]
            } else {
                self.back[i]
            };
            common += at.phase[i] * diagonal.map_or(1.0, |d| d[(i, i)]);
            at.off[i] = (size.max(top * LEAST_AMPLITUDE)).ln();
            level += self.level_weight[i] * (at.off[i] - self.ln_amplitude[i]);
            weight += self.level_weight[i];
        }
        let common = common.conj() / common.norm().max(1e-300);
        let level = level / weight.max(1e-300);
        for i in 0..self.ports.len() {
            let turned = at.phase[i] * common;
            at.bent[i] = (2.0 * (1.0 - turned.re)).max(0.0).sqrt().copysign(turned.im);
            // In units of the measured amplitude: the noise is the same for a weak port, its logarithm's is not.
            at.off[i] = (at.off[i] - self.ln_amplitude[i] - level).exp_m1();
        }
    }

    fn ln_at(node: &Node, at: &At) -> f64 {
        let mut value = node.ln_weight;
        if let Some(form) = &node.phase {
            value -= if form.pairs {
                pairs(form, &at.phase)
            } else {
                0.5 * quadratic(form, &at.bent)
            };
        }
        if let Some(form) = &node.level {
            value -= 0.5 * quadratic(form, &at.off);
        }
        value
    }
}

/// Sum over pairs of `kappa (1 - cos(difference of their phases))`.
fn pairs(form: &Form, phase: &[Complex<f64>]) -> f64 {
    let mut sum = 0.0;
    for (i, a) in phase.iter().enumerate() {
        for (j, b) in phase.iter().enumerate().skip(i + 1) {
            sum -= form.matrix[(i, j)] * (1.0 - (a.re * b.re + a.im * b.im));
        }
    }
    sum
}

fn quadratic(form: &Form, x: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (i, a) in x.iter().enumerate() {
        for (j, b) in x.iter().enumerate() {
            sum += form.matrix[(i, j)] * a * b;
        }
    }
    sum.max(0.0)
}

struct Joined {
    matrix: DMatrix<f64>,
    value: Vec<f64>,
    ln_misfit: f64,
}

/// Puts the information of slots together by port.
fn joined(contrast: &Contrast, place: &[usize], ports: usize, turns: bool) -> Joined {
    let slots = place.len();
    let mut value = vec![f64::NAN; ports];
    let mut off = vec![0.0; slots];
    for (slot, &p) in place.iter().enumerate() {
        if value[p].is_nan() {
            value[p] = contrast.value[slot];
        }
        let d = contrast.value[slot] - value[p];
        off[slot] = if turns { super::kalman::wrap(d) } else { d };
    }
    if slots == ports {
        let matrix = DMatrix::from_fn(ports, ports, |i, j| {
            let (a, b) = (slot_at(place, i), slot_at(place, j));
            contrast.matrix[(a, b)]
        });
        return Joined {
            matrix,
            value,
            ln_misfit: 0.0,
        };
    }
    let map = DMatrix::from_fn(slots, ports, |s, p| if place[s] == p { 1.0 } else { 0.0 });
    let off = nalgebra::DVector::from_vec(off);
    let matrix = map.transpose() * &contrast.matrix * &map;
    let right = map.transpose() * &contrast.matrix * &off;
    let step =
        super::slots::pseudo_inverse(&matrix).map_or_else(|| right.clone() * 0.0, |inverse| inverse * &right);
    let left = &off - &map * &step;
    let ln_misfit = -0.5 * left.dot(&(&contrast.matrix * &left));
    for (v, s) in value.iter_mut().zip(step.iter()) {
        *v += s;
    }
    Joined {
        matrix,
        value,
        ln_misfit,
    }
}

fn slot_at(place: &[usize], port: usize) -> usize {
    place.iter().position(|&p| p == port).unwrap_or(0)
}

fn nodes(phase: Option<&Joined>, level: Option<&Joined>, error: ModelError) -> Vec<Node> {
    let errors: Vec<(f64, f64)> = if error.typical > 0.0 {
        let steps: Vec<f64> = ERROR_NODES.iter().map(|n| n.ln()).collect();
        steps
            .iter()
            .enumerate()
            .map(|(i, ln)| {
                let below = if i > 0 { ln - steps[i - 1] } else { steps[1] - ln };
                let above = if i + 1 < steps.len() {
                    steps[i + 1] - ln
                } else {
                    below
                };
                let weight = (0.5 * (below + above)).ln() - 0.5 * (ln / error.ln_sigma.max(0.05)).powi(2);
                (ERROR_NODES[i] * error.typical, weight)
            })
            .collect()
    } else {
        vec![(0.0, 0.0)]
    };
    let phase = phase.map(|j| Spectrum::new(&j.matrix));
    let level = level.map(|j| Spectrum::new(&j.matrix));
    errors
        .into_iter()
        .map(|(error, prior)| {
            let (phase, ln_phase) = phase.as_ref().map_or((None, 0.0), |s| s.form(error));
            let (level, ln_level) = level.as_ref().map_or((None, 0.0), |s| s.form(error));
            Node {
                error,
                ln_weight: prior + ln_phase + ln_level,
                phase,
                level: level.map(|f| Form { pairs: false, ..f }),
            }
        })
        .collect()
}

/// Eigenvalues and vectors of an information matrix.
struct Spectrum {
    values: Vec<f64>,
    vectors: DMatrix<f64>,
}

impl Spectrum {
    fn new(matrix: &DMatrix<f64>) -> Self {
        let n = matrix.nrows();
        let centre = DMatrix::identity(n, n) - DMatrix::from_element(n, n, 1.0 / n as f64);
        let symmetric = &centre * ((matrix + matrix.transpose()) * 0.5) * &centre;
        let eigen = symmetric.symmetric_eigen();
        Self {
            values: eigen.eigenvalues.iter().map(|v| v.max(0.0)).collect(),
            vectors: eigen.eigenvectors,
        }
    }

    /// The form with an error of each port, independent, of this standard deviation, and the log of its norm.
    fn form(&self, error: f64) -> (Option<Form>, f64) {
        let n = self.values.len();
        let top = self.values.iter().copied().fold(0.0, f64::max);
        if !(top > 0.0 && top.is_finite()) {
            return (None, 0.0);
        }
        let mut matrix = DMatrix::zeros(n, n);
        let mut ln_norm = 0.0;
        for (k, &value) in self.values.iter().enumerate() {
            if value <= top * 1e-9 {
                continue;
            }
            let narrowed = value / (1.0 + error * error * value);
            ln_norm += 0.5 * (narrowed / value).ln();
            let v = self.vectors.column(k);
            matrix += v * v.transpose() * narrowed;
        }
        let (mut least, mut most) = (0.0_f64, 0.0_f64);
        for i in 0..n {
            for j in i + 1..n {
                least = least.min(-matrix[(i, j)]);
                most = most.max(-matrix[(i, j)]);
            }
        }
        let pairs = least > -0.02 * most;
        (Some(Form { matrix, pairs }), ln_norm)
    }
}
