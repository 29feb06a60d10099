//! What a channel bank is built from, and why it cannot be built or run.

use lobewright_types::SampleFormat;

/// One channel to be cut out of the stream.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelSpec {
    /// Channel centre above the tuned centre (for a real input: above 0 Hz), within half the input rate.
    pub offset_hz: f64,
    /// The pass band reaches this far either side of the centre.
    pub pass_half_width_hz: f64,
    /// From here on, either side, the stop-band attenuation holds.
    pub stop_half_width_hz: f64,
    /// Largest minus smallest gain in the pass band, over 0; the gain stays within half of it of 0 dB.
    pub ripple_db: f64,
    /// Attenuation of every frequency `stop_half_width_hz` or more from the centre, wherever it aliases to.
    pub stopband_db: f64,
    /// The output rate is at least this, and at least `pass_half_width_hz + stop_half_width_hz`: where it is under
    /// twice `stop_half_width_hz`, what lies between the pass and stop edges may fold onto itself, never onto the
    /// pass band.
    pub min_rate_hz: f64,
}

impl ChannelSpec {
    /// A channel with a ripple of 0.1 dB and a stop band of 80 dB, at no more than twice its stop width's rate.
    pub fn new(offset_hz: f64, pass_half_width_hz: f64, stop_half_width_hz: f64) -> Self {
        Self {
            offset_hz,
            pass_half_width_hz,
            stop_half_width_hz,
            ripple_db: 0.1,
            stopband_db: 80.0,
            min_rate_hz: 2.0 * stop_half_width_hz,
        }
    }
}

/// Whether the constant part of the input is taken off before the filters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DcRemoval {
    /// Leave it in.
    Off,
    /// Subtract a running mean. A carrier exactly on the tuned centre goes with it.
    On {
        /// Time constant of the mean; at a start it averages all there is so far.
        time_constant_s: f64,
    },
}

/// Whether the receiver's I/Q imbalance is undone before the filters.
///
/// The receiver is taken to deliver `I` and `gain (Q cos phase + I sin phase)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum IqCorrection {
    /// Leave it as it is.
    Off,
    /// Undo a known imbalance.
    Fixed {
        /// Amplitude of Q over that of I, over 0.
        gain: f64,
        /// Departure from a right angle, under a quarter turn either way.
        phase_rad: f64,
    },
    /// Measure the imbalance from the stream, on the assumption that I and Q are equally strong and uncorrelated, as
    /// they are for anything but a carrier at 0 Hz or a signal and its own image.
    Estimate,
}

/// What a channel bank is built from.
#[derive(Debug, Clone, PartialEq)]
pub struct BankConfig {
    /// Sample rate of the stream.
    pub input_rate_hz: f64,
    /// How the samples are stored.
    pub format: SampleFormat,
    /// Interleaved channels in the stream, at least 1.
    pub input_channels: usize,
    /// Which of them is filtered, from 0.
    pub use_channel: usize,
    /// Whether the constant part is taken off.
    pub dc_removal: DcRemoval,
    /// Whether I/Q imbalance is undone; off for real input.
    pub iq_correction: IqCorrection,
    /// The channels, at least one.
    pub channels: Vec<ChannelSpec>,
}

/// Why a channel bank cannot be built or cannot take a block.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BankError {
    /// A number is out of its range.
    #[error("{field} is {found}, but must be {needed}")]
    Value {
        /// The field.
        field: &'static str,
        /// What was found.
        found: f64,
        /// What would be right.
        needed: String,
    },
    /// A number of a channel is out of its range.
    #[error("{field} of channel {channel} is {found}, but must be {needed}")]
    ChannelValue {
        /// Which channel, from 0.
        channel: usize,
        /// The field.
        field: &'static str,
        /// What was found.
        found: f64,
        /// What would be right.
        needed: String,
    },
    /// No channel is asked for.
    #[error("channels is empty, but at least one channel is needed")]
    NoChannels,
    /// The channel that is to be filtered is not in the stream.
    #[error("use_channel is {found}, but the stream has channels 0 to {last}")]
    UseChannel {
        /// What was found.
        found: usize,
        /// The last channel there is.
        last: usize,
    },
    /// I/Q correction was asked for on a real input.
    #[error("iq_correction is on, but the samples are real ({0})")]
    IqOfReal(SampleFormat),
    /// The filter would need too many taps.
    #[error(
        "channel {channel} needs a filter of more than {limit} taps: widen the gap from {pass_hz} Hz to {stop_hz} Hz"
    )]
    TooSteep {
        /// Which channel, from 0.
        channel: usize,
        /// Taps that a stage may have.
        limit: usize,
        /// Pass-band edge.
        pass_hz: f64,
        /// Stop-band edge.
        stop_hz: f64,
    },
    /// A block is stored otherwise than the bank was built for.
    #[error(
        "block at sample {at} has {found_channels} channels of {found}, but the bank was built for {channels} of {format}"
    )]
    BlockFormat {
        /// First sample of the block.
        at: u64,
        /// Its format.
        found: SampleFormat,
        /// Its channels.
        found_channels: usize,
        /// The format expected.
        format: SampleFormat,
        /// The channels expected.
        channels: usize,
    },
}

impl BankConfig {
    /// Checks every number.
    pub(crate) fn check(&self) -> Result<(), BankError> {
        let value = |field, found: f64, needed: &str, good: bool| {
            if good {
                Ok(())
            } else {
                Err(BankError::Value {
                    field,
                    found,
                    needed: needed.to_owned(),
                })
            }
        };
        let positive = |x: f64| x > 0.0 && x.is_finite();
        value(
            "input_rate_hz",
            self.input_rate_hz,
            "a finite number over 0",
            positive(self.input_rate_hz),
        )?;
        value(
            "input_channels",
            self.input_channels as f64,
            "at least 1",
            self.input_channels >= 1,
        )?;
        if self.use_channel >= self.input_channels {
            return Err(BankError::UseChannel {
                found: self.use_channel,
                last: self.input_channels - 1,
            });
        }
        if let DcRemoval::On { time_constant_s } = self.dc_removal {
            value(
                "time_constant_s",
                time_constant_s,
                "a finite number over 0",
                positive(time_constant_s),
            )?;
        }
        if let IqCorrection::Fixed { gain, phase_rad } = self.iq_correction {
            value("gain", gain, "a finite number over 0", positive(gain))?;
            let good = phase_rad.abs() < 1.5;
            value("phase_rad", phase_rad, "from -1.5 to 1.5", good)?;
        }
        if self.iq_correction != IqCorrection::Off && !self.format.complex {
            return Err(BankError::IqOfReal(self.format));
        }
        if self.channels.is_empty() {
            return Err(BankError::NoChannels);
        }
        for (i, spec) in self.channels.iter().enumerate() {
            spec.check(i, self.input_rate_hz)?;
        }
        Ok(())
    }
}

impl ChannelSpec {
    pub(crate) fn check(&self, channel: usize, input_rate_hz: f64) -> Result<(), BankError> {
        let fail = |field, found, needed: String| {
            Err(BankError::ChannelValue {
                channel,
                field,
                found,
                needed,
            })
        };
        let half = input_rate_hz / 2.0;
        let (pass, stop) = (self.pass_half_width_hz, self.stop_half_width_hz);
        if !(pass > 0.0 && pass < half) {
            return fail(
                "pass_half_width_hz",
                pass,
                format!("over 0 and under {half} Hz, half the input rate"),
            );
        }
        if !self.offset_hz.is_finite() || self.offset_hz.abs() + pass > half {
            let limit = half - pass;
            return fail(
                "offset_hz",
                self.offset_hz,
                format!("from {} to {limit} Hz", -limit),
            );
        }
        if !(stop > pass && stop.is_finite()) {
            return fail(
                "stop_half_width_hz",
                stop,
                format!("over pass_half_width_hz, {pass} Hz"),
            );
        }
        if !(self.ripple_db >= 1e-4 && self.ripple_db <= 6.0) {
            return fail("ripple_db", self.ripple_db, "from 0.0001 to 6 dB".to_owned());
        }
        if !(self.stopband_db >= 10.0 && self.stopband_db <= 120.0) {
            return fail("stopband_db", self.stopband_db, "from 10 to 120 dB".to_owned());
        }
        if !(self.min_rate_hz >= 0.0 && self.min_rate_hz <= input_rate_hz) {
            return fail(
                "min_rate_hz",
                self.min_rate_hz,
                format!("from 0 to {input_rate_hz} Hz, the input rate"),
            );
        }
        Ok(())
    }
}
