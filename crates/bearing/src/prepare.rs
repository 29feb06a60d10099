//! Readings checked, put in order and brought to one receiver gain.

use crate::lanes::{LANES, Lanes};
use lobewright_types::{LevelReading, NoBearingReason, Pointing, wrap_degrees, wrap_signed_degrees};

/// Share of input samples at full scale from which a reading is only a lower limit.
pub(crate) const CENSORED_FROM: f64 = 5e-4;
/// Relative variance below which no mean power is believed: 0.004 dB, a step of a good converter.
const LEAST_REL_VAR: f64 = 1e-6;

/// One usable reading.
#[derive(Debug, Clone)]
pub(crate) struct Obs {
    /// Index of the reading in the caller's list.
    pub(crate) source: usize,
    /// Dense number of its burst.
    pub(crate) burst: usize,
    pub(crate) azimuth_mount_deg: f64,
    pub(crate) turn_deg: f64,
    /// Natural logarithm of the power, brought to the gain of the first reading.
    pub(crate) ln_power: f64,
    /// The power, brought to the same gain.
    pub(crate) power: f64,
    /// Noise power, brought to the same gain.
    pub(crate) noise: f64,
    pub(crate) inv_samples: f64,
    /// What was added to bring the level to the common gain, in dB.
    pub(crate) gain_shift_db: f64,
    pub(crate) censored: bool,
    /// Seconds since the reading before in the same burst; infinite for the first.
    pub(crate) gap_s: f64,
    pub(crate) rate_deg_per_s: f64,
    /// Port of a switched antenna, from 0; 0 for a rotated one.
    pub(crate) port: usize,
}

/// A few readings side by side; places beyond the last one repeat it.
#[derive(Debug, Clone)]
pub(crate) struct Column {
    pub(crate) noise: Lanes,
    pub(crate) inv_samples: Lanes,
    pub(crate) ln_power: Lanes,
    /// Least misfit: 0 for a lower limit.
    pub(crate) floor: Lanes,
}

impl Column {
    fn all(obs: &[Obs]) -> Vec<Self> {
        obs.chunks(LANES)
            .map(|some| {
                let of = |f: &dyn Fn(&Obs) -> f64| -> Lanes {
                    std::array::from_fn(|k| f(&some[k.min(some.len() - 1)]))
                };
                Self {
                    noise: of(&|o| o.noise),
                    inv_samples: of(&|o| o.inv_samples),
                    ln_power: of(&|o| o.ln_power),
                    floor: of(&|o| if o.censored { 0.0 } else { -1e9 }),
                }
            })
            .collect()
    }
}

/// All usable readings of a bearing, ordered by burst and time.
#[derive(Debug, Clone)]
pub(crate) struct Data {
    pub(crate) obs: Vec<Obs>,
    pub(crate) columns: Vec<Column>,
    /// The caller's burst numbers.
    pub(crate) burst_numbers: Vec<usize>,
    /// Relative standard deviation of the noise power, common to all readings.
    pub(crate) noise_rel_sigma: f64,
    /// Share of a Gaussian-like fluctuation in the signal's own power: 0 constant envelope, 1 Gaussian.
    pub(crate) fluctuation: f64,
    /// Power below which the level is counted linearly and not by its logarithm.
    pub(crate) soft_power: f64,
    /// Median time between readings.
    pub(crate) step_s: f64,
    pub(crate) any_clipped: bool,
    /// Width in nats that an unexplained reading may fall into.
    pub(crate) spread_nats: f64,
    /// Ports of a switched antenna; 0 where all readings are a rotated one's.
    pub(crate) ports: usize,
}

impl Data {
    /// Takes readings of a rotated antenna, or where there are ports only those of a switched one.
    pub(crate) fn new(readings: &[LevelReading], ports: usize) -> Result<Self, NoBearingReason> {
        if readings.is_empty() {
            return Err(NoBearingReason::NoBurst);
        }
        let boresight = |r: &LevelReading| pointing(r, ports).map(|p| (p.0, p.1));
        let pointed = readings.iter().filter(|r| boresight(r).is_some()).count();
        if pointed == 0 {
            return Err(NoBearingReason::NoPointing);
        }
        let mut order: Vec<usize> = (0..readings.len())
            .filter(|&i| boresight(&readings[i]).is_some() && usable(&readings[i]))
            .collect();
        if order.len() < 3 {
            return Err(NoBearingReason::TooFewReadings);
        }
        order.sort_by(|&a, &b| {
            let (a, b) = (&readings[a], &readings[b]);
            a.burst
                .cmp(&b.burst)
                .then(a.middle_s.total_cmp(&b.middle_s))
                .then(
                    boresight(a)
                        .map_or(0.0, |p| p.0)
                        .total_cmp(&boresight(b).map_or(0.0, |p| p.0)),
                )
                .then(a.power_lin.total_cmp(&b.power_lin))
        });
        let shift_of = |r: &LevelReading| r.attenuation_db - r.gain_db.unwrap_or(0.0);
        let reference_db = shift_of(&readings[order[0]]);
        let mut obs: Vec<Obs> = Vec::with_capacity(order.len());
        let mut burst_numbers: Vec<usize> = Vec::new();
        for &source in &order {
            let r = &readings[source];
            if burst_numbers.last() != Some(&r.burst) {
                burst_numbers.push(r.burst);
            }
            let gain_shift_db = shift_of(r) - reference_db;
            let gain = 10_f64.powf(gain_shift_db / 10.0);
            let burst = burst_numbers.len() - 1;
            let gap_s = match obs.last() {
                Some(last) if last.burst == burst => (r.middle_s - readings[last.source].middle_s).max(1e-9),
                _ => f64::INFINITY,
            };
            let (azimuth_mount_deg, turn_deg, port) = pointing(r, ports).unwrap_or((0.0, 0.0, 0));
            obs.push(Obs {
                source,
                burst,
                azimuth_mount_deg,
                turn_deg,
                power: r.power_lin * gain,
                ln_power: (r.power_lin * gain).ln(),
                noise: (r.noise_power_lin * gain).max(r.power_lin * gain * 1e-12),
                inv_samples: 1.0 / r.independent_samples.max(1.0),
                gain_shift_db,
                censored: r.clip_fraction > CENSORED_FROM,
                gap_s,
                rate_deg_per_s: if r.length_s > 0.0 {
                    turn_deg / r.length_s
                } else {
                    0.0
                },
                port,
            });
        }
        if obs.iter().all(|o| o.censored) {
            return Err(NoBearingReason::AllClipped);
        }
        Ok(Self::finish(readings, obs, burst_numbers, ports))
    }

    fn finish(readings: &[LevelReading], obs: Vec<Obs>, burst_numbers: Vec<usize>, ports: usize) -> Self {
        let mut gaps: Vec<f64> = obs.iter().map(|o| o.gap_s).filter(|g| g.is_finite()).collect();
        gaps.sort_by(f64::total_cmp);
        let step_s = gaps.get(gaps.len() / 2).copied().unwrap_or(1.0);
        let samples: f64 = obs.iter().map(|o| 1.0 / o.inv_samples).sum();
        let noise = obs.iter().map(|o| o.noise).sum::<f64>() / obs.len() as f64;
        let (low, high) = obs
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), o| {
                (low.min(o.ln_power), high.max(o.ln_power))
            });
        let noise_rel_sigma = obs
            .iter()
            .map(|o| readings[o.source].noise_rel_sigma)
            .filter(|s| s.is_finite() && *s >= 0.0)
            .sum::<f64>()
            / obs.len() as f64;
        Self {
            fluctuation: fluctuation(readings, &obs),
            soft_power: noise / samples.sqrt(),
            any_clipped: obs.iter().any(|o| readings[o.source].clip_fraction > 0.0),
            noise_rel_sigma: noise_rel_sigma.clamp(1e-4, 1.0),
            spread_nats: high - low + 2.0,
            ports,
            step_s,
            columns: Column::all(&obs),
            obs,
            burst_numbers,
        }
    }

    /// The same readings with each boresight where the antenna was a delay later.
    ///
    /// Between readings of one burst the antenna's way is a cubic through boresights and rates; beyond its ends it goes
    /// on at its last rate.
    pub(crate) fn delayed(&self, delay_s: f64) -> Self {
        let mut times: Vec<f64> = Vec::with_capacity(self.obs.len());
        for o in &self.obs {
            let before = times.last().copied().unwrap_or(0.0);
            times.push(if o.gap_s.is_finite() {
                before + o.gap_s
            } else {
                0.0
            });
        }
        let mut delayed = self.clone();
        for (k, o) in delayed.obs.iter_mut().enumerate() {
            o.azimuth_mount_deg = wrap_degrees(self.boresight_at(k, times[k] + delay_s, &times));
        }
        delayed
    }

    /// Boresight at a time within or near the burst of a reading.
    fn boresight_at(&self, reading: usize, time_s: f64, times: &[f64]) -> f64 {
        let obs = &self.obs;
        let same = |k: usize| k < obs.len() && obs[k].burst == obs[reading].burst;
        let mut k = reading;
        while time_s < times[k] && k > 0 && same(k - 1) {
            k -= 1;
        }
        while same(k + 1) && time_s >= times[k + 1] {
            k += 1;
        }
        let (from, off_s) = (&obs[k], time_s - times[k]);
        if off_s < 0.0 || !same(k + 1) {
            return from.azimuth_mount_deg + from.rate_deg_per_s * off_s;
        }
        let (to, length_s) = (&obs[k + 1], times[k + 1] - times[k]);
        let turn = wrap_signed_degrees(to.azimuth_mount_deg - from.azimuth_mount_deg);
        let x = off_s / length_s;
        // Cubic Hermite interpolation.
        let (a, b) = (from.rate_deg_per_s * length_s, to.rate_deg_per_s * length_s);
        from.azimuth_mount_deg + x * (a + x * (3.0 * turn - 2.0 * a - b + x * (a + b - 2.0 * turn)))
    }

    /// In how many ways the antenna looked: ports, or boresights 5 degrees apart.
    pub(crate) fn looks(&self) -> usize {
        let mut looks: Vec<i64> = self
            .obs
            .iter()
            .map(|o| {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_possible_wrap,
                    reason = "at most 72 or a port"
                )]
                let look = if self.ports > 0 {
                    o.port as i64
                } else {
                    (o.azimuth_mount_deg / 5.0) as i64
                };
                look
            })
            .collect();
        looks.sort_unstable();
        looks.dedup();
        looks.len()
    }

    /// How many times a boresight is looked at on the mean.
    pub(crate) fn passes(&self) -> f64 {
        if self.ports > 0 {
            return 0.0;
        }
        let mut steps: Vec<f64> = self
            .obs
            .windows(2)
            .filter(|w| w[1].burst == w[0].burst)
            .map(|w| wrap_signed_degrees(w[1].azimuth_mount_deg - w[0].azimuth_mount_deg).abs())
            .collect();
        steps.sort_by(f64::total_cmp);
        let step = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
        let bin_deg = step.max(5.0);
        let mut bins: Vec<i64> = self
            .obs
            .iter()
            .map(|o| {
                #[expect(clippy::cast_possible_truncation, reason = "at most 72")]
                let bin = (o.azimuth_mount_deg / bin_deg).floor() as i64;
                bin
            })
            .collect();
        bins.sort_unstable();
        bins.dedup();
        // In one pass each bin holds as many readings as steps go into it.
        let once = bins.len() as f64 * bin_deg / step.max(0.01);
        self.obs.len() as f64 / once.max(1.0)
    }

    pub(crate) fn bursts(&self) -> usize {
        self.burst_numbers.len()
    }

    /// Relative variance of a mean power whose signal share is `h`: noncentral chi-square for a constant
    /// envelope, Gamma for a Gaussian-like signal.
    #[inline]
    pub(crate) fn rel_var(&self, inv_samples: f64, h: f64) -> f64 {
        ((1.0 - (1.0 - self.fluctuation) * h * h) * inv_samples).max(LEAST_REL_VAR)
    }
}

/// Boresight, turn and port of a reading, where it has them and they are numbers.
///
/// A port has no boresight of its own here: its pattern is counted from the mounting's zero mark.
fn pointing(r: &LevelReading, ports: usize) -> Option<(f64, f64, usize)> {
    match r.pointing {
        Pointing::Boresight { azimuth, turn_deg } if ports == 0 => {
            let azimuth = azimuth.degrees();
            (azimuth.is_finite() && turn_deg.is_finite()).then_some((azimuth, turn_deg, 0))
        }
        Pointing::Port(port) if usize::from(port) < ports => Some((0.0, 0.0, usize::from(port))),
        _ => None,
    }
}

fn usable(r: &LevelReading) -> bool {
    let positive = |v: f64| v > 0.0 && v.is_finite();
    positive(r.power_lin)
        && r.noise_power_lin >= 0.0
        && r.noise_power_lin.is_finite()
        && positive(r.independent_samples)
        && r.middle_s.is_finite()
        && r.attenuation_db.is_finite()
        && r.gain_db.is_none_or(f64::is_finite)
}

/// How much of the signal's own power fluctuates as Gaussian noise does, from the measured spread of the power
/// inside the readings: `M v = 1 - (1 - q) h^2`, solved for `q` by least squares over all readings.
///
/// Without a measurement it is 0: what is missing is then found as level error.
fn fluctuation(readings: &[LevelReading], obs: &[Obs]) -> f64 {
    let (mut top, mut bottom) = (0.0, 0.0);
    for o in obs {
        let r = &readings[o.source];
        let Some(rel_var) = r.power_rel_var.filter(|v| v.is_finite()) else {
            continue;
        };
        let h2 = (1.0 - r.noise_power_lin / r.power_lin).max(0.0).powi(2);
        top += h2 * (1.0 - rel_var * r.independent_samples) / o.inv_samples;
        bottom += h2 * h2 / o.inv_samples;
    }
    if bottom < 1.0 {
        return 0.0;
    }
    (1.0 - top / bottom).clamp(0.0, 3.0)
}
