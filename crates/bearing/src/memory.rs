//! How the level error of one reading depends on that of the one before.

/// How the level error of one reading depends on that of the one before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Memory {
    /// Its shape.
    pub(crate) kind: Kind,
    /// Independent part of the level error against the part with memory.
    pub(crate) nugget: f64,
    /// Along what the error is remembered.
    pub(crate) along: Along,
    /// Prior share among the memories along the same.
    pub(crate) share: f64,
}

/// What the readings are ordered by when the level error has a memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Along {
    /// Time, in readings: fading.
    Time,
    /// Boresight, in degrees: an antenna that differs from its pattern, over and over in every turn.
    Boresight,
}

/// Shape of a memory; lengths in readings or degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Kind {
    /// None: independent readings.
    White,
    /// Ornstein-Uhlenbeck: rough, with this correlation at a distance of one.
    Rough(f64),
    /// Matern 3/2 of this length: smooth. Fading and pattern errors are smooth; a rough process with the same small
    /// steps would claim to know too much.
    Smooth(f64),
    /// Band-limited, up to one swing in this length: a lightly damped oscillator, flat in its spectrum up to its
    /// resonance and falling with the fourth power beyond. Fading ends where the Doppler spread does (Clarke, *Bell
    /// System Technical Journal* 47, 1968), which a spectrum without an edge takes for less error at slow rates.
    Band(f64),
}

impl Kind {
    /// Length of its shortest swings of some size.
    pub(crate) fn swing(self) -> f64 {
        match self {
            Self::White => 0.0,
            Self::Rough(_) => 2.0,
            Self::Smooth(length) => 2.0 * length,
            Self::Band(swing) => swing,
        }
    }
}

/// Damping of [`Kind::Band`].
const DAMPING: f64 = 0.4;

/// Memories that are tried.
pub(crate) const MEMORIES: [Memory; 17] = [
    time(Kind::White, 0.0, 0.5),
    time(Kind::Rough(0.6), 0.0, 0.05),
    time(Kind::Smooth(2.0), 0.0, 0.03),
    time(Kind::Smooth(4.0), 0.1, 0.03),
    time(Kind::Smooth(8.0), 0.1, 0.04),
    time(Kind::Smooth(20.0), 0.1, 0.04),
    time(Kind::Smooth(50.0), 0.15, 0.03),
    time(Kind::Band(4.0), 0.0, 0.04),
    time(Kind::Band(8.0), 0.0, 0.06),
    time(Kind::Band(14.0), 0.0, 0.06),
    time(Kind::Band(25.0), 0.0, 0.06),
    time(Kind::Band(50.0), 0.1, 0.06),
    boresight(Kind::Smooth(8.0), 0.0, 0.15),
    boresight(Kind::Band(35.0), 0.0, 0.2),
    boresight(Kind::Band(70.0), 0.0, 0.15),
    boresight(Kind::Band(50.0), 0.3, 0.25),
    boresight(Kind::Band(50.0), 1.5, 0.25),
];

const fn time(kind: Kind, nugget: f64, share: f64) -> Memory {
    Memory {
        kind,
        nugget,
        along: Along::Time,
        share,
    }
}

const fn boresight(kind: Kind, nugget: f64, share: f64) -> Memory {
    Memory {
        kind,
        nugget,
        along: Along::Boresight,
        share,
    }
}

/// Transition of the level error and its rate over the distance between two readings, both scaled to unit variance:
/// `[xx, xy, yx, yy]` and the variances `[xx, xy, yy]` that are added.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Transition {
    pub(crate) a: [f64; 4],
    pub(crate) q: [f64; 3],
}

impl Transition {
    /// Sarkka & Solin, *Applied Stochastic Differential Equations* (2019), section 12.3: Matern 3/2 in state-space
    /// form; the damped oscillator by its own solution (any text on mechanics).
    pub(crate) fn new(kind: Kind, steps: f64) -> Self {
        let a = match kind {
            Kind::White => [0.0; 4],
            Kind::Rough(r) => [r.powf(steps), 0.0, 0.0, 0.0],
            Kind::Smooth(length) => {
                let u = 3.0_f64.sqrt() * steps / length;
                let e = (-u).exp();
                [e * (1.0 + u), e * u, -e * u, e * (1.0 - u)]
            }
            Kind::Band(swing) => {
                let u = std::f64::consts::TAU * steps / swing;
                let rest = (1.0 - DAMPING * DAMPING).sqrt();
                let e = (-DAMPING * u).exp();
                let (sin, cos) = (rest * u).sin_cos();
                let (s, z) = (e * sin / rest, e * DAMPING / rest * sin);
                [e * cos + z, s, -s, e * cos - z]
            }
        };
        let q = [
            1.0 - a[0] * a[0] - a[1] * a[1],
            -a[0] * a[2] - a[1] * a[3],
            1.0 - a[2] * a[2] - a[3] * a[3],
        ];
        Self { a, q }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The stationary variance is kept, and a long way forgets everything.
    #[test]
    fn memories_keep_their_variance() {
        for m in &MEMORIES {
            for steps in [0.1, 1.0, 7.0, 1e4] {
                let t = Transition::new(m.kind, steps);
                let xx = t.a[0] * t.a[0] + t.a[1] * t.a[1] + t.q[0];
                let xy = t.a[0] * t.a[2] + t.a[1] * t.a[3] + t.q[1];
                assert!((xx - 1.0).abs() < 1e-12 && xy.abs() < 1e-12);
                assert!(t.q[0] >= 0.0 && t.q[0] * t.q[2] - t.q[1] * t.q[1] > -1e-12);
            }
            assert!(Transition::new(m.kind, 1e4).a[0].abs() < 1e-9);
        }
        for along in [Along::Time, Along::Boresight] {
            let of = MEMORIES.iter().filter(|m| m.along == along);
            let total: f64 = of.map(|m| m.share).sum();
            assert!((total - 1.0).abs() < 1e-12);
        }
    }

    // Two steps are as good as one of their length.
    #[test]
    fn transitions_follow_each_other() {
        for kind in [Kind::Rough(0.7), Kind::Smooth(5.0), Kind::Band(9.0)] {
            let (one, two, three) = (
                Transition::new(kind, 1.3).a,
                Transition::new(kind, 0.9).a,
                Transition::new(kind, 2.2).a,
            );
            let product = [
                two[0] * one[0] + two[1] * one[2],
                two[0] * one[1] + two[1] * one[3],
                two[2] * one[0] + two[3] * one[2],
                two[2] * one[1] + two[3] * one[3],
            ];
            for (p, t) in product.iter().zip(three) {
                assert!((p - t).abs() < 1e-12, "{kind:?}");
            }
        }
    }
}
