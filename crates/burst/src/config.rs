//! Settings of the detector and the whole numbers that follow from them.

use lobewright_types::{SampleIndex, Timestamp};

/// Samples held back at most while the first noise floor is learnt: bounds the memory of wide channels.
const MAX_HELD_SAMPLES: f64 = 1_048_576.0;
/// Independent samples in a cell of the noise floor: 5 % spread, small enough to tell a burst 6 dB under the
/// noise (5 spreads up) from the floor.
const CELL_INDEPENDENT_SAMPLES: f64 = 400.0;
/// Cells that the held stretch is cut into at least, so that a low quantile of them exists.
const MIN_HELD_CELLS: f64 = 60.0;
/// Decisions for each integration time. The false-alarm formula is for this overlap of 3/4.
pub(crate) const DECISIONS_PER_WINDOW: usize = 4;
/// Integration times next to an edge from which the plateau is taken.
const PLATEAU_WINDOWS: usize = 8;

/// Settings of a [`BurstDetector`](crate::BurstDetector).
#[derive(Debug, Clone, PartialEq)]
pub struct DetectorConfig {
    /// Sample rate of the channel.
    pub rate_hz: f64,
    /// Equivalent noise bandwidth of the channel filter: decides how many samples are independent.
    pub noise_bandwidth_hz: f64,
    /// Bursts an hour that noise alone may report. With `min_length_s` above half of `integration_s` the true
    /// rate lies below this, since the length test discards noise peaks too.
    pub false_alarms_per_hour: f64,
    /// Time over which power is averaged for the decision. Rounded to a whole number of samples divisible by 4,
    /// by 16 from 16 samples up.
    pub integration_s: f64,
    /// Shorter bursts, between half-power edges, are discarded as clicks.
    pub min_length_s: f64,
    /// Bursts with at most this gap between them are one. Good to a quarter of `integration_s`.
    pub bridge_gap_s: f64,
    /// A burst is cut and flagged at this length.
    pub max_burst_s: f64,
    /// Noise from this long a time makes the floor; also held back at the start (less where that would be more
    /// than 1,048,576 samples), so that bursts during it are found.
    pub floor_window_s: f64,
    /// Length of the transform for carrier offset and bandwidth; shorter ones are used for bursts under 8 of it.
    pub fft_length: usize,
    /// Share of clipped input samples above which a burst is flagged.
    pub clip_flag_fraction: f64,
    /// UTC of the source's first sample, where known.
    pub first_sample_utc: Option<Timestamp>,
}

impl DetectorConfig {
    /// Settings for voice and data channels, from the channel's sample rate and equivalent noise bandwidth.
    ///
    /// # Result
    /// One false alarm an hour; integration over 100 independent samples, within 1 to 20 ms; bursts from half of
    /// that; gaps to 0.2 s bridged (Morse needs the word gap: 7 dots, ITU-R M.1677); cut at 600 s; floor from 10 s.
    pub fn for_channel(rate_hz: f64, noise_bandwidth_hz: f64) -> Self {
        let integration_s = (100.0 / noise_bandwidth_hz).clamp(1e-3, 20e-3);
        Self {
            rate_hz,
            noise_bandwidth_hz,
            false_alarms_per_hour: 1.0,
            integration_s,
            min_length_s: integration_s / 2.0,
            bridge_gap_s: 0.2,
            max_burst_s: 600.0,
            floor_window_s: 10.0,
            fft_length: 1024,
            clip_flag_fraction: 1e-4,
            first_sample_utc: None,
        }
    }
}

/// Why a detector cannot be built or cannot go on.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DetectorError {
    /// A setting is out of range.
    #[error("detector setting `{field}` is {value}: it must be {wanted}")]
    Setting {
        /// Name of the setting.
        field: &'static str,
        /// What was found.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// A block of another channel.
    #[error("a block of channel {found} came to the detector of channel {wanted}")]
    WrongChannel {
        /// The block's channel.
        found: usize,
        /// The detector's channel.
        wanted: usize,
    },
    /// The block's rate is not the one that the detector was built for.
    #[error("a block at {found_hz} samples/s came to a detector built for {wanted_hz} samples/s")]
    WrongRate {
        /// The block's rate.
        found_hz: f64,
        /// The detector's rate.
        wanted_hz: f64,
    },
    /// The clip counts do not belong to the samples.
    #[error("the block at channel sample {} has {samples} samples but {counts} clip counts", start.0)]
    ClipCounts {
        /// First channel sample of the block.
        start: SampleIndex,
        /// Samples in the block.
        samples: usize,
        /// Clip counts in the block.
        counts: usize,
    },
    /// A block does not follow the one before, and no gap was announced.
    #[error("the block at channel sample {} should start at {} unless a gap is announced", found.0, wanted.0)]
    Discontinuity {
        /// Where the block starts.
        found: SampleIndex,
        /// Where the block before ended.
        wanted: SampleIndex,
    },
    /// A sample is infinite or not a number.
    #[error("channel sample {} is not a finite number: the source must announce it as a gap", index.0)]
    NotFinite {
        /// Which channel sample.
        index: SampleIndex,
    },
}

/// Whole numbers that follow from the settings. A hop is the shortest piece whose power is kept.
#[derive(Debug, Clone)]
pub(crate) struct Geometry {
    /// Samples in a hop.
    pub hop: usize,
    /// Hops in an integration window.
    pub window: usize,
    /// Hops from decision to decision.
    pub stride: usize,
    /// Independent samples in an integration window.
    pub independent: f64,
    pub decisions_per_s: f64,
    /// Hops of gap that are bridged.
    pub bridge_hops: f64,
    pub min_length_samples: f64,
    pub max_burst_hops: u64,
    /// Hops next to an edge that make its plateau.
    pub plateau: usize,
    /// Hops in a cell of the noise floor.
    pub cell: usize,
    /// Cells that make the floor.
    pub ring_cells: usize,
    pub held_samples: u64,
    /// Hops that must stay at hand behind the newest.
    pub history: usize,
}

impl Geometry {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the settings were checked to be positive and the sums are bounded"
    )]
    pub(crate) fn build(config: &DetectorConfig) -> Result<Self, DetectorError> {
        check(config)?;
        let wanted = config.integration_s * config.rate_hz;
        let stride = if wanted >= 16.0 { 4 } else { 1 };
        let window = stride * DECISIONS_PER_WINDOW;
        let hop = (wanted / window as f64).round().max(1.0) as usize;
        let hops_in = |seconds: f64| seconds * config.rate_hz / hop as f64;
        let per_sample = config.noise_bandwidth_hz / config.rate_hz;
        let independent = ((window * hop) as f64 * per_sample).max(1.0);

        let held = (config.floor_window_s * config.rate_hz).min(MAX_HELD_SAMPLES);
        let longest = (held / MIN_HELD_CELLS / hop as f64).floor();
        let cell = (CELL_INDEPENDENT_SAMPLES / per_sample / hop as f64)
            .ceil()
            .min(longest)
            .max(window as f64) as usize;
        let bridge_hops = hops_in(config.bridge_gap_s);
        let plateau = PLATEAU_WINDOWS * window;
        Ok(Self {
            hop,
            window,
            stride,
            independent,
            decisions_per_s: config.rate_hz / (hop * stride) as f64,
            bridge_hops,
            min_length_samples: config.min_length_s * config.rate_hz,
            max_burst_hops: hops_in(config.max_burst_s).ceil() as u64,
            plateau,
            cell,
            ring_cells: (hops_in(config.floor_window_s) / cell as f64).ceil() as usize,
            held_samples: held.ceil() as u64,
            history: bridge_hops.ceil() as usize + 2 * plateau + 8 * window,
        })
    }

    /// Independent samples in a hop.
    pub(crate) fn independent_in_hop(&self) -> f64 {
        self.independent / self.window as f64
    }
}

fn check(config: &DetectorConfig) -> Result<(), DetectorError> {
    let positive = [
        ("rate_hz", config.rate_hz, f64::INFINITY),
        ("noise_bandwidth_hz", config.noise_bandwidth_hz, config.rate_hz),
        (
            "false_alarms_per_hour",
            config.false_alarms_per_hour,
            f64::INFINITY,
        ),
        ("integration_s", config.integration_s, config.floor_window_s / 8.0),
        ("max_burst_s", config.max_burst_s, 1e6),
        ("floor_window_s", config.floor_window_s, 3600.0),
    ];
    let wanted = [
        "a positive number",
        "positive and at most the channel's sample rate",
        "a positive number",
        "positive and at most an eighth of `floor_window_s`",
        "positive and at most 1000000",
        "positive and at most 3600",
    ];
    for ((field, value, limit), wanted) in positive.into_iter().zip(wanted) {
        if !(value > 0.0 && value.is_finite() && value <= limit) {
            return Err(DetectorError::Setting { field, value, wanted });
        }
    }
    let lengths = [
        ("min_length_s", config.min_length_s),
        ("bridge_gap_s", config.bridge_gap_s),
    ];
    for (field, value) in lengths {
        if !(value >= 0.0 && value <= config.max_burst_s) {
            let wanted = "from 0 to `max_burst_s`";
            return Err(DetectorError::Setting { field, value, wanted });
        }
    }
    if !(16..=65_536).contains(&config.fft_length) || !config.fft_length.is_power_of_two() {
        return Err(DetectorError::Setting {
            field: "fft_length",
            value: config.fft_length as f64,
            wanted: "a power of two from 16 to 65536",
        });
    }
    if !(0.0..=1.0).contains(&config.clip_flag_fraction) {
        return Err(DetectorError::Setting {
            field: "clip_flag_fraction",
            value: config.clip_flag_fraction,
            wanted: "from 0 to 1",
        });
    }
    Ok(())
}
