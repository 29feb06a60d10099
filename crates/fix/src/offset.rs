//! The heading error that all bearings of a station share: what is expected of it, cut into nodes.

/// The stated error is summed over this many standard deviations each way, a fault over fewer of its own.
const STATED_REACH: f64 = 4.0;
const FAULT_REACH: f64 = 3.0;
/// Steps of the stated error are no wider than this share of it: a sum of a normal curve at these steps is right to 1e-9.
const STATED_STEP: f64 = 0.6;
/// Nodes of one kind; a first search that would need more gets wider steps, and its result finer ones.
const MOST_NODES: f64 = 400.0;
/// Nodes with less than this share of the posterior's highest are dropped.
const DROPPED: f64 = 1e-5;

/// A range of offsets in degrees.
pub(crate) type Span = (f64, f64);

/// What is expected of a shared heading error before anything is compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OffsetPrior {
    /// Standard deviation that the station states.
    pub(crate) stated_deg: f64,
    /// Probability of a fault beyond it.
    pub(crate) fault: f64,
    /// Standard deviation of a fault.
    pub(crate) fault_sigma_deg: f64,
}

/// One value of the shared error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Node {
    pub(crate) deg: f64,
    /// Logarithm of its share of the prior.
    pub(crate) ln_weight: f64,
    /// Whether it belongs to the fault.
    pub(crate) fault: bool,
    /// Half the step that it stands for.
    half_deg: f64,
}

impl OffsetPrior {
    /// Whether there is anything to sum over.
    pub(crate) fn is_open(&self) -> bool {
        self.stated_deg > 0.0 || self.fault > 0.0
    }

    /// All offsets that are looked at.
    pub(crate) fn reach(&self) -> Span {
        let stated_deg = STATED_REACH * self.stated_deg;
        let fault_deg = if self.fault > 0.0 {
            FAULT_REACH * self.fault_sigma_deg
        } else {
            0.0
        };
        let reach_deg = stated_deg.max(fault_deg);
        (-reach_deg, reach_deg)
    }

    /// Nodes over `spans` (ascending, apart) at steps of at most `step_deg`, ascending.
    pub(crate) fn nodes(&self, spans: &[Span], step_deg: f64) -> Vec<Node> {
        let mut nodes = Vec::new();
        if self.stated_deg > 0.0 {
            let step_deg = step_deg.min(STATED_STEP * self.stated_deg);
            normal_nodes(spans, (self.stated_deg, STATED_REACH), step_deg, &mut nodes);
        } else if spans.iter().any(|s| s.0 <= 0.0 && s.1 >= 0.0) {
            nodes.push(Node {
                deg: 0.0,
                ln_weight: 0.0,
                fault: false,
                half_deg: 0.0,
            });
        }
        for node in &mut nodes {
            node.ln_weight += (1.0 - self.fault).ln();
        }
        if self.fault > 0.0 {
            let first = nodes.len();
            normal_nodes(spans, (self.fault_sigma_deg, FAULT_REACH), step_deg, &mut nodes);
            for node in &mut nodes[first..] {
                node.ln_weight += self.fault.ln();
                node.fault = true;
            }
            nodes.sort_by(|a, b| a.deg.total_cmp(&b.deg));
        }
        nodes
    }
}

/// Middles of equal steps over the spans, weighted by a normal curve cut off at `reach` standard deviations.
fn normal_nodes(spans: &[Span], (sigma_deg, reach): (f64, f64), step_deg: f64, nodes: &mut Vec<Node>) {
    let limit_deg = reach * sigma_deg;
    let width_deg: f64 = spans
        .iter()
        .map(|s| (s.1.min(limit_deg) - s.0.max(-limit_deg)).max(0.0))
        .sum();
    let step_deg = step_deg.max(width_deg / MOST_NODES);
    // Mass inside the cut: erf(reach / sqrt 2), 0.9973 at 3; the sum is made whole again.
    let whole = statrs::function::erf::erf(reach / std::f64::consts::SQRT_2);
    let ln_scale = -(whole * sigma_deg * (2.0 * std::f64::consts::PI).sqrt()).ln();
    for &(low, high) in spans {
        let (low, high) = (low.max(-limit_deg), high.min(limit_deg));
        if low >= high {
            continue;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "at most 400"
        )]
        let count = ((high - low) / step_deg).ceil().clamp(1.0, MOST_NODES) as u32;
        let step = (high - low) / f64::from(count);
        nodes.extend((0..count).map(|k| {
            let deg = low + step * (f64::from(k) + 0.5);
            Node {
                deg,
                ln_weight: step.ln() + ln_scale - 0.5 * (deg / sigma_deg).powi(2),
                fault: false,
                half_deg: step / 2.0,
            }
        }));
    }
}

/// The offsets that hold the posterior, with a step to spare each way; `ln` is each node's highest log posterior.
pub(crate) fn kept(nodes: &[Node], ln: &[f64]) -> Vec<Span> {
    let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut spans: Vec<Span> = Vec::new();
    for (node, _) in nodes.iter().zip(ln).filter(|(_, l)| **l >= top + DROPPED.ln()) {
        let reach_deg = 3.0 * node.half_deg;
        let (low, high) = (node.deg - reach_deg, node.deg + reach_deg);
        match spans.last_mut() {
            Some(last) if low <= last.1 => {
                last.0 = last.0.min(low);
                last.1 = last.1.max(high);
            }
            _ => spans.push((low, high)),
        }
    }
    spans
}

/// Shares of the nodes, given the log posterior of each.
pub(crate) fn shares(ln: &[f64]) -> Vec<f64> {
    let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let raw: Vec<f64> = ln.iter().map(|l| (l - top).exp()).collect();
    let total: f64 = raw.iter().sum();
    raw.into_iter().map(|r| r / total).collect()
}

/// The logarithm of the sum of numbers given by their logarithms.
pub(crate) fn ln_sum(terms: &[f64]) -> f64 {
    let top = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top.is_finite() {
        top + terms.iter().map(|t| (t - top).exp()).sum::<f64>().ln()
    } else {
        top
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn prior(stated_deg: f64) -> OffsetPrior {
        OffsetPrior {
            stated_deg,
            fault: 0.1,
            fault_sigma_deg: 15.0,
        }
    }

    #[test]
    fn weights_add_up_to_one_whatever_the_step() {
        for stated_deg in [0.0, 0.02, 2.0] {
            for step_deg in [0.3, 1.0, 4.0] {
                let prior = prior(stated_deg);
                let nodes = prior.nodes(&[prior.reach()], step_deg);
                let of = |fault: bool| -> f64 {
                    nodes
                        .iter()
                        .filter(|n| n.fault == fault)
                        .map(|n| n.ln_weight.exp())
                        .sum()
                };
                // Beyond 4 standard deviations lies 6e-5 of a normal curve.
                assert!((of(false) - 0.9).abs() < 1e-4, "{stated_deg} {step_deg}");
                assert!((of(true) - 0.1).abs() < 1e-3, "{stated_deg} {step_deg}");
                assert!(nodes.is_sorted_by(|a, b| a.deg <= b.deg));
            }
        }
    }

    #[test]
    fn spans_keep_what_has_weight_and_drop_the_rest() {
        let prior = prior(0.0);
        let nodes = prior.nodes(&[prior.reach()], 1.0);
        // Two lumps: none at all, and seven degrees.
        let ln: Vec<f64> = nodes
            .iter()
            .map(|n| {
                if n.fault {
                    -0.5 * ((n.deg - 7.0) / 0.8).powi(2)
                } else {
                    -2.0
                }
            })
            .collect();
        let spans = kept(&nodes, &ln);
        assert_eq!(spans.len(), 2, "{spans:?}");
        assert!(spans[0].0 <= 0.0 && spans[0].1 >= 0.0 && spans[0].1 < 0.5);
        // 1e-7 of the top is 5.7 standard deviations: 4.5 degrees, and a step and a half more.
        assert!(
            (1.0..2.5).contains(&(spans[1].0)) && (11.5..13.5).contains(&spans[1].1),
            "{spans:?}"
        );
        let finer = prior.nodes(&spans, 0.1);
        assert!(finer.iter().filter(|n| !n.fault).count() == 1 && finer.len() > 80);
    }

    #[test]
    fn the_sum_of_logarithms_takes_nothing_for_an_answer() {
        assert!((ln_sum(&[1000.0, 1000.0]) - 1000.0 - 2.0_f64.ln()).abs() < 1e-12);
        assert!(ln_sum(&[f64::NEG_INFINITY; 2]).is_infinite());
        let shares = shares(&[0.0, 3.0_f64.ln()]);
        assert!((shares[1] - 0.75).abs() < 1e-12);
    }
}
