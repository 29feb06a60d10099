//! The stages of one channel, run over a buffer that all channels share.

use std::f64::consts::PI;

use num_complex::Complex;
use pulp::Arch;

use crate::input::ClipCounts;
use crate::kernel::{Taps, fir};
use crate::kernel_i16::{IntTaps, fir_i16};
use crate::plan::{ChannelPlan, rounding_share};

/// Stages whose taps carry the mixer; the turn to baseband follows the last of them, at a rate low enough for exact
/// angles.
const MIXING_STAGES: usize = 2;
/// Angles are counted in `2^-64` turns.
const WHOLE_TURN: f64 = 2.0 * (1_u64 << 63) as f64;
/// Outputs that share one table of turns.
const GROUP: usize = 64;

/// A buffer of interleaved complex samples and where it lies in its segment.
#[derive(Debug, Clone)]
pub(crate) struct Line<T> {
    pub(crate) data: Vec<T>,
    /// Segment index of the first sample held; negative for the zeros before the segment.
    pub(crate) base: i64,
}

impl<T: Copy + Default> Line<T> {
    pub(crate) fn new() -> Self {
        Self {
            data: Vec::new(),
            base: 0,
        }
    }

    /// Starts a segment with `zeros` samples of silence before it.
    pub(crate) fn restart(&mut self, zeros: usize) {
        self.data.clear();
        self.data.resize(2 * zeros, T::default());
        self.base = -to_i64(zeros);
    }

    /// Starts a segment whose first sample to come has index `base`.
    fn restart_at(&mut self, base: i64) {
        self.data.clear();
        self.base = base;
    }

    fn end(&self) -> i64 {
        self.base + to_i64(self.data.len() / 2)
    }

    /// Forgets the samples before segment index `index`.
    pub(crate) fn drop_before(&mut self, index: i64) {
        let gone = usize::try_from(index - self.base)
            .unwrap_or(0)
            .min(self.data.len() / 2);
        self.data.drain(..2 * gone);
        self.base += to_i64(gone);
    }
}

/// The samples that every channel reads, in the forms that they need.
#[derive(Debug, Clone)]
pub(crate) struct Shared {
    pub(crate) int: Option<Line<i16>>,
    pub(crate) float: Option<Line<f32>>,
}

#[derive(Debug, Clone)]
enum StageTaps {
    Int(IntTaps),
    Float(Taps),
}

/// One stage: its taps, and which output comes next.
#[derive(Debug, Clone)]
struct Stage {
    taps: StageTaps,
    window: usize,
    half: usize,
    decimation: usize,
    /// Output index; those before 0 are what later stages see of the segment's first samples.
    next: i64,
}

impl Stage {
    fn window_start(&self) -> i64 {
        self.next * to_i64(self.decimation) - to_i64(self.half)
    }

    /// Outputs that samples up to segment index `end` allow.
    fn ready(&self, end: i64) -> usize {
        let spare = end - self.window_start() - to_i64(self.window);
        usize::try_from(spare).map_or(0, |spare| spare / self.decimation + 1)
    }

    fn run_float(&mut self, arch: Arch, line: &Line<f32>, out: &mut Vec<f32>) -> usize {
        let count = self.ready(line.end());
        let StageTaps::Float(taps) = &self.taps else {
            unreachable!("only the first stage may be in whole numbers");
        };
        if count > 0 {
            let at = usize::try_from(self.window_start() - line.base).expect("kept by drop_before");
            let old = out.len();
            out.resize(old + 2 * count, 0.0);
            fir(arch, &line.data[2 * at..], taps, self.decimation, &mut out[old..]);
            self.next += to_i64(count);
        }
        count
    }

    fn run_int(&mut self, arch: Arch, line: &Line<i16>, out: &mut Vec<f32>) -> usize {
        let count = self.ready(line.end());
        let StageTaps::Int(taps) = &self.taps else {
            unreachable!("built for whole numbers");
        };
        if count > 0 {
            let at = usize::try_from(self.window_start() - line.base).expect("kept by drop_before");
            let old = out.len();
            out.resize(old + 2 * count, 0.0);
            fir_i16(arch, &line.data[2 * at..], taps, self.decimation, &mut out[old..]);
            self.next += to_i64(count);
        }
        count
    }
}

/// Turns samples to baseband by angles that are exact for any length of stream: a whole number of `2^-64` turns.
#[derive(Debug, Clone)]
struct Turner {
    /// Turn of one sample.
    step: u64,
    group: Option<i64>,
    table: [Complex<f64>; GROUP],
    turns: [[f32; 2]; GROUP],
}

impl Turner {
    fn new(step: u64) -> Self {
        Self {
            step,
            group: None,
            table: std::array::from_fn(|j| turn(step.wrapping_mul(j as u64))),
            turns: [[0.0; 2]; GROUP],
        }
    }

    /// Turns the samples `first` and following of the segment; `start` is the angle of sample 0.
    fn apply(&mut self, start: u64, first: i64, samples: &mut [f32]) {
        for (index, [re, im]) in (first..).zip(samples.as_chunks_mut::<2>().0) {
            let group = index.div_euclid(to_i64(GROUP));
            if self.group != Some(group) {
                self.group = Some(group);
                let base =
                    turn(start.wrapping_add(self.step.wrapping_mul((group * to_i64(GROUP)).cast_unsigned())));
                for (t, entry) in self.turns.iter_mut().zip(&self.table) {
                    let exact = base * entry;
                    #[expect(clippy::cast_possible_truncation, reason = "samples are single precision")]
                    {
                        *t = [exact.re as f32, exact.im as f32];
                    }
                }
            }
            let [c, s] = self.turns[crate::input::to_usize(index.rem_euclid(to_i64(GROUP)).unsigned_abs())];
            (*re, *im) = (*re * c - *im * s, *re * s + *im * c);
        }
    }
}

/// The unit phasor of minus `angle`, in `2^-64` turns.
fn turn(angle: u64) -> Complex<f64> {
    Complex::cis(-2.0 * PI * (angle.cast_signed() as f64 / WHOLE_TURN))
}

/// One channel.
#[derive(Debug, Clone)]
pub(crate) struct Cascade {
    pub(crate) decimation: usize,
    stages: Vec<Stage>,
    /// Input of every stage but the first.
    lines: Vec<Line<f32>>,
    mixing: usize,
    step: u64,
    turner: Turner,
    /// Angle of the mixer at the segment's first sample.
    start_angle: u64,
    /// Filtered samples not yet handed on, interleaved.
    pub(crate) ready: Vec<f32>,
    pub(crate) clips: ClipCounts,
    /// Samples handed on in this segment.
    pub(crate) handed_on: u64,
}

impl Cascade {
    /// Lays out the taps; `int` holds full scale and the largest value of whole-number input, `gain` multiplies all.
    /// Whole numbers are left where their rounding would use up too much of the stop band.
    pub(crate) fn new(
        plan: &ChannelPlan,
        offset_hz: f64,
        rate_hz: f64,
        stopband_db: f64,
        gain: f64,
        int: Option<(f64, f64)>,
    ) -> Self {
        let step = angle_step(offset_hz / rate_hz);
        let mixing = MIXING_STAGES.min(plan.stages.len());
        let mut spacing = 1_u64;
        let mut stages = Vec::new();
        for (i, stage) in plan.stages.iter().enumerate() {
            let half = stage.taps.len() / 2;
            let mixes = i < mixing;
            let taps: Vec<Complex<f64>> = stage
                .taps
                .iter()
                .enumerate()
                .map(|(k, &t)| {
                    let from_middle = (to_i64(k) - to_i64(half)).cast_unsigned().wrapping_mul(spacing);
                    let mixer = if mixes {
                        turn(step.wrapping_mul(from_middle))
                    } else {
                        Complex::new(1.0, 0.0)
                    };
                    mixer * t * if i == 0 { gain } else { 1.0 }
                })
                .collect();
            let limit = rounding_share(plan.stages.len()) * 10_f64.powf(-stopband_db / 20.0);
            let whole = int
                .filter(|_| i == 0)
                .and_then(|(full_scale, largest)| IntTaps::new(&taps, full_scale, largest))
                .filter(|whole| whole.response_error <= limit);
            let (taps, window) = if let Some(taps) = whole {
                let window = taps.window();
                (StageTaps::Int(taps), window)
            } else {
                let taps = Taps::new(&taps, !mixes);
                let window = taps.window();
                (StageTaps::Float(taps), window)
            };
            stages.push(Stage {
                taps,
                window,
                half,
                decimation: stage.decimation,
                next: 0,
            });
            spacing *= stage.decimation as u64;
        }
        let before_turn: u64 = plan.stages[..mixing]
            .iter()
            .map(|s| s.decimation as u64)
            .product();
        Self {
            decimation: plan.decimation,
            lines: vec![Line::new(); stages.len() - 1],
            stages,
            mixing,
            step,
            turner: Turner::new(step.wrapping_mul(before_turn)),
            start_angle: 0,
            ready: Vec::new(),
            clips: ClipCounts::new(plan.decimation),
            handed_on: 0,
        }
    }

    /// Whether the first stage reads whole numbers.
    pub(crate) fn reads_int(&self) -> bool {
        matches!(self.stages[0].taps, StageTaps::Int(_))
    }

    /// Samples of silence that the first stage needs before a segment.
    pub(crate) fn zeros_before(&self) -> usize {
        usize::try_from(-self.first_outputs().1).unwrap_or(0)
    }

    /// The first output of each stage, and the first input sample under the taps of the first stage: the last stage
    /// starts at 0, every other where the next one's taps begin.
    fn first_outputs(&self) -> (Vec<i64>, i64) {
        let mut first = 0;
        let mut list = Vec::with_capacity(self.stages.len());
        for stage in self.stages.iter().rev() {
            list.push(first);
            first = first * to_i64(stage.decimation) - to_i64(stage.half);
        }
        list.reverse();
        (list, first)
    }

    /// The earliest shared sample still needed.
    pub(crate) fn needs_from(&self) -> i64 {
        self.stages[0].window_start()
    }

    /// Forgets everything; the next segment starts at input sample `start`.
    pub(crate) fn restart(&mut self, start: u64) {
        self.start_angle = self.step.wrapping_mul(start);
        self.turner.group = None;
        let (first, _) = self.first_outputs();
        for (stage, &first) in self.stages.iter_mut().zip(&first) {
            stage.next = first;
        }
        for (line, &first) in self.lines.iter_mut().zip(&first) {
            line.restart_at(first);
        }
        self.ready.clear();
        self.clips = ClipCounts::new(self.decimation);
        self.handed_on = 0;
    }

    /// Filters all that the shared samples allow.
    pub(crate) fn run(&mut self, arch: Arch, shared: &Shared) {
        for i in 0..self.stages.len() {
            let stage = &mut self.stages[i];
            let first = stage.next;
            let (before, after) = self.lines.split_at_mut(i);
            let out = after.first_mut().map_or(&mut self.ready, |line| &mut line.data);
            let old = out.len();
            let count = match (i, &stage.taps, &shared.int, &shared.float) {
                (0, StageTaps::Int(_), Some(line), _) => stage.run_int(arch, line, out),
                (0, StageTaps::Float(_), _, Some(line)) => stage.run_float(arch, line, out),
                (0, ..) => unreachable!("the bank keeps the form that each channel reads"),
                _ => {
                    let line = &mut before[i - 1];
                    let count = stage.run_float(arch, line, out);
                    line.drop_before(stage.window_start());
                    count
                }
            };
            if count == 0 {
                return;
            }
            if i + 1 == self.mixing {
                self.turner.apply(self.start_angle, first, &mut out[old..]);
            }
        }
    }

    /// Channel samples filtered in this segment.
    pub(crate) fn filtered(&self) -> u64 {
        self.handed_on + (self.ready.len() / 2) as u64
    }
}

/// A frequency in cycles per sample as `2^-64` turns per sample.
fn angle_step(cycles: f64) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to 2^64; a cast from float saturates"
    )]
    {
        (cycles.rem_euclid(1.0) * WHOLE_TURN) as u64
    }
}

pub(crate) fn to_i64(x: usize) -> i64 {
    i64::try_from(x).expect("a length in memory")
}
