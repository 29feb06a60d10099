//! Suppositions of the level error, grouped for the filter.

use crate::lanes::{Group, LANES, Lanes};
use crate::likelihood::Likelihood;
use crate::memory::{Along, Kind, MEMORIES, Transition};

/// What may be wrong beside the level error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Trouble {
    /// Nothing.
    None,
    /// The noise floor changes on the way, unnoticed by whoever measured it.
    NoiseWalks,
    /// Many readings hold something else: impulses, another transmission.
    Intruders,
}

impl Trouble {
    /// All of them with their prior shares.
    pub(crate) const ALL: [(Self, f64); 3] = [
        (Self::None, 0.9),
        (Self::NoiseWalks, 0.04),
        (Self::Intruders, 0.06),
    ];

    /// Standard deviation of the change of the noise power from reading to reading.
    fn noise_walk_nats(self) -> f64 {
        if self == Self::NoiseWalks { 0.25 } else { 0.0 }
    }

    /// Least share of readings that are not explained.
    fn unexplained_share(self) -> f64 {
        if self == Self::Intruders { 0.2 } else { 0.0 }
    }
}

/// One supposed behaviour of the level error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Node {
    /// Standard deviation of the level error.
    pub(crate) sigma_nats: f64,
    /// Index into [`MEMORIES`].
    pub(crate) memory: usize,
    /// What else may be wrong.
    pub(crate) trouble: Trouble,
    /// Standard deviation of the change of level from burst to burst.
    pub(crate) tie_nats: f64,
    /// Logarithm of its prior share.
    pub(crate) ln_weight: f64,
}

/// Nodes made ready.
#[derive(Debug, Clone, Default)]
pub(crate) struct Bank {
    pub(crate) nodes: Vec<Node>,
    pub(crate) groups: Vec<Ready>,
}

/// Nodes along the same, with their places in the list of nodes.
#[derive(Debug, Clone)]
pub(crate) struct Ready {
    pub(crate) along: Along,
    /// All of them without memory.
    pub(crate) white: bool,
    pub(crate) group: Group,
    pub(crate) members: Vec<usize>,
}

impl Bank {
    pub(crate) fn new(nodes: Vec<Node>, likelihood: &Likelihood) -> Self {
        let mut groups = Vec::new();
        for (along, white) in [
            (Along::Time, true),
            (Along::Time, false),
            (Along::Boresight, false),
        ] {
            let members: Vec<usize> = (0..nodes.len())
                .filter(|&i| {
                    let memory = &MEMORIES[nodes[i].memory];
                    memory.along == along && (memory.kind == Kind::White) == white
                })
                .collect();
            for members in members.chunks(LANES) {
                groups.push(Ready {
                    along,
                    white,
                    group: group(&nodes, members, likelihood, along),
                    members: members.to_vec(),
                });
            }
        }
        Self { nodes, groups }
    }

    /// The nodes that a test keeps, with it applied to each node's place in the list.
    pub(crate) fn kept(&self, likelihood: &Likelihood, keep: impl Fn(usize) -> bool) -> Self {
        let nodes = (0..self.nodes.len())
            .filter(|&i| keep(i))
            .map(|i| self.nodes[i])
            .collect();
        Self::new(nodes, likelihood)
    }
}

fn group(nodes: &[Node], members: &[usize], likelihood: &Likelihood, along: Along) -> Group {
    let distances = likelihood.distances(along);
    // Lanes without a node repeat the last one.
    let node = |lane: usize| &nodes[members[lane.min(members.len() - 1)]];
    let lanes = |f: &dyn Fn(&Node) -> f64| -> Lanes { std::array::from_fn(|lane| f(node(lane))) };
    let error_var = lanes(&|n| n.sigma_nats * n.sigma_nats);
    let transitions = distances
        .iter()
        .map(|&steps| {
            let mut all = [[0.0; LANES]; 7];
            for lane in 0..LANES {
                let t = Transition::new(MEMORIES[node(lane).memory].kind, steps);
                for (to, from) in all.iter_mut().zip(t.a.into_iter().chain(t.q)) {
                    to[lane] = from;
                }
            }
            all
        })
        .collect();
    let share = |n: &Node| n.trouble.unexplained_share().max(likelihood.unexplained_share());
    Group {
        noise_walk_var: lanes(&|n| n.trouble.noise_walk_nats().powi(2)),
        background: lanes(&|n| share(n) / likelihood.data.spread_nats),
        peak_density: lanes(&|n| (1.0 - share(n)) / std::f64::consts::TAU.sqrt()),
        error_var,
        nugget_var: lanes(&|n| (MEMORIES[n.memory].nugget * n.sigma_nats).powi(2)),
        tie_var: lanes(&|n| n.tie_nats * n.tie_nats),
        transitions,
    }
}
