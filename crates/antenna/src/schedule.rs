//! Which port of an array is switched to the receiver when.

use std::io::Read;

use crate::table::{Table, finite};

/// Ports that a switch may have.
const MOST_PORTS: u16 = 64;
/// Steps that one cycle may have.
const MOST_STEPS: usize = 1024;
/// No switch works faster.
const SHORTEST_DWELL_S: f64 = 1e-7;
/// No cycle stays longer.
const LONGEST_DWELL_S: f64 = 1e5;
/// Times beyond this are no seconds of a recording.
const LATEST_S: f64 = 1e9;
/// A switch clock further off than this is a wrong period.
const MOST_PPM: f64 = 20_000.0;

/// Why a schedule cannot be used. Ports count from 1 in files and messages.
#[derive(Debug, thiserror::Error)]
pub enum ScheduleError {
    /// The file is not a CSV table.
    #[error("the switch schedule is not a readable CSV table")]
    Csv(
        /// What the reader says, with the line.
        #[from]
        csv::Error,
    ),
    /// A column that must be there is not.
    #[error(
        "the switch schedule lacks the column `{column}`; its first line is `{found}` and should be time_s,port"
    )]
    MissingColumn {
        /// Which column.
        column: &'static str,
        /// The header line as found.
        found: String,
    },
    /// A field is no number in its range.
    #[error("line {line}: `{column}` is `{text}` and should be {right}")]
    Field {
        /// Line in the file, from 1.
        line: u64,
        /// Which column.
        column: &'static str,
        /// As found.
        text: String,
        /// What would be right.
        right: &'static str,
    },
    /// Time does not go forward.
    #[error("line {line}: time {time_s} s is not after {before_s} s")]
    NotAscending {
        /// Line in the file, from 1.
        line: u64,
        /// Time there.
        time_s: f64,
        /// Time of the row before.
        before_s: f64,
    },
    /// A step of the cycle is wrong.
    #[error("step {step} of the switching cycle: `{field}` is {value} and should be {right}")]
    Step {
        /// Which step, from 1.
        step: usize,
        /// Which field.
        field: &'static str,
        /// As given.
        value: f64,
        /// What would be right.
        right: &'static str,
    },
    /// A number of the schedule is wrong.
    #[error("`{field}` of the switch schedule is {value} and should be {right}")]
    Number {
        /// Which field.
        field: &'static str,
        /// As given.
        value: f64,
        /// What would be right.
        right: &'static str,
    },
    /// Nothing is switched.
    #[error("the switch schedule uses {ports} ports and should use 2 or more")]
    TooFewPorts {
        /// Different ports used.
        ports: usize,
    },
    /// Too long a cycle.
    #[error("the switching cycle has {steps} steps and should have at most 1024")]
    TooManySteps {
        /// Steps given.
        steps: usize,
    },
}

/// One step of a switching cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwitchStep {
    /// The port, counted from 0; `None` where no port is connected or its samples are not to be used.
    pub port: Option<u16>,
    /// From this switching instant to the next.
    pub dwell_s: f64,
}

/// A stretch of time in which one port is connected and settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dwell {
    /// The port, counted from 0.
    pub port: u16,
    /// When the switch went to it.
    pub switched_s: f64,
    /// First usable instant: settled, and inside what was asked for.
    pub start_s: f64,
    /// Last usable instant.
    pub stop_s: f64,
}

#[derive(Debug, Clone, PartialEq)]
enum Plan {
    /// Instants, ascending, and what is connected from there on.
    List(Vec<(f64, Option<u16>)>),
    Cycle {
        steps: Vec<SwitchStep>,
        /// Start of each step within the cycle, and the period behind the last.
        at_s: Vec<f64>,
        start_s: Option<f64>,
    },
}

/// Which port is switched to the receiver when, in seconds from the first sample of the recording.
///
/// Ports count from 0 here and from 1 in files. A schedule is a list of instants or a cycle that repeats for ever,
/// before its start too. After each switching instant `settle_s` is not used: the switch, the filter behind it and
/// the jitter of its clock need that time.
///
/// # Example
/// ```
/// use lobewright_antenna::SwitchSchedule;
/// let schedule = SwitchSchedule::cycle(&[0, 1, 2, 3], 0.001, 0.0001)?.with_start(0.5);
/// assert_eq!(schedule.port_at(0.5015), Some(1));
/// let dwell = schedule.dwells(0.5, 0.6).next().ok_or("none")?;
/// assert!((dwell.start_s - 0.5001).abs() < 1e-12 && (dwell.stop_s - 0.501).abs() < 1e-12);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct SwitchSchedule {
    plan: Plan,
    settle_s: f64,
    /// Left out before each switching instant.
    lead_s: f64,
    rate_sigma_ppm: f64,
    /// Length of the switch's second in seconds of the samples' clock.
    ratio: f64,
}

impl SwitchSchedule {
    /// Reads `time_s,port`: from that time on that port is connected, until the next row; the last row holds for
    /// ever.
    ///
    /// Times are in seconds from the first sample, strictly ascending. Ports count from 1; 0 says that none is
    /// connected (or that its samples are not to be used). Lines that start with `#` are comments; other columns are
    /// left alone. `settle_s` is dropped after each row.
    ///
    /// # Errors
    /// [`ScheduleError`] with the line and field that is wrong.
    pub fn from_csv(reader: impl Read, settle_s: f64) -> Result<Self, ScheduleError> {
        let table = Table::read(reader)?;
        let column = |column: &'static str| {
            table.column(column).ok_or_else(|| ScheduleError::MissingColumn {
                column,
                found: table.found(),
            })
        };
        let (time_at, port_at) = (column("time_s")?, column("port")?);
        let mut rows: Vec<(f64, Option<u16>)> = Vec::with_capacity(table.rows.len());
        for (line, fields) in &table.rows {
            let wrong = |at: usize, column, right| ScheduleError::Field {
                line: *line,
                column,
                text: fields[at].clone(),
                right,
            };
            let time_s = finite(&fields[time_at])
                .filter(|t| t.abs() <= LATEST_S)
                .ok_or_else(|| wrong(time_at, "time_s", "a number of seconds from -1e9 to 1e9"))?;
            let port = fields[port_at]
                .parse::<u16>()
                .ok()
                .filter(|p| *p <= MOST_PORTS)
                .ok_or_else(|| wrong(port_at, "port", "a whole number from 1 to 64, or 0 for none"))?;
            if let Some(&(before_s, _)) = rows.last()
                && time_s <= before_s
            {
                return Err(ScheduleError::NotAscending {
                    line: *line,
                    time_s,
                    before_s,
                });
            }
            rows.push((time_s, port.checked_sub(1)));
        }
        check_settle(settle_s)?;
        check_ports(rows.iter().map(|r| r.1))?;
        Ok(Self {
            plan: Plan::List(rows),
            settle_s,
            lead_s: 0.0,
            rate_sigma_ppm: 0.0,
            ratio: 1.0,
        })
    }

    /// A cycle of ports (counted from 0) that all stay for `dwell_s`, its start unknown.
    ///
    /// # Errors
    /// As [`SwitchSchedule::from_steps`].
    pub fn cycle(order: &[u16], dwell_s: f64, settle_s: f64) -> Result<Self, ScheduleError> {
        let steps = order
            .iter()
            .map(|&port| SwitchStep {
                port: Some(port),
                dwell_s,
            })
            .collect();
        Self::from_steps(steps, settle_s)
    }

    /// A cycle of steps, its start unknown until [`SwitchSchedule::with_start`] gives it.
    ///
    /// # Errors
    /// [`ScheduleError`]: a port above 63, a dwell that is not from 1e-7 to 1e5 s, a settling time that is negative or
    /// as long as a dwell, fewer than two ports, or more than 1024 steps.
    pub fn from_steps(steps: Vec<SwitchStep>, settle_s: f64) -> Result<Self, ScheduleError> {
        if steps.len() > MOST_STEPS {
            return Err(ScheduleError::TooManySteps { steps: steps.len() });
        }
        check_settle(settle_s)?;
        for (i, step) in steps.iter().enumerate() {
            let wrong = |field, value, right| ScheduleError::Step {
                step: i + 1,
                field,
                value,
                right,
            };
            if let Some(port) = step.port
                && port >= MOST_PORTS
            {
                return Err(wrong("port", f64::from(port) + 1.0, "from 1 to 64"));
            }
            if !(SHORTEST_DWELL_S..=LONGEST_DWELL_S).contains(&step.dwell_s) {
                return Err(wrong("dwell_s", step.dwell_s, "from 1e-7 to 1e5 seconds"));
            }
            if settle_s >= step.dwell_s {
                return Err(wrong("dwell_s", step.dwell_s, "longer than the settling time"));
            }
        }
        check_ports(steps.iter().map(|s| s.port))?;
        let mut at_s = Vec::with_capacity(steps.len() + 1);
        let mut now = 0.0;
        for step in &steps {
            at_s.push(now);
            now += step.dwell_s;
        }
        at_s.push(now);
        Ok(Self {
            plan: Plan::Cycle {
                steps,
                at_s,
                start_s: None,
            },
            settle_s,
            lead_s: 0.0,
            rate_sigma_ppm: 0.0,
            ratio: 1.0,
        })
    }

    /// The same with the first step of the cycle (or the first row of the list) at `start_s`.
    ///
    /// # Panics
    /// Where `start_s` is not finite.
    #[must_use]
    pub fn with_start(&self, start_s: f64) -> Self {
        assert!(start_s.is_finite(), "a start must be finite");
        let mut moved = self.clone();
        match &mut moved.plan {
            Plan::List(rows) => {
                let by_s = start_s - rows[0].0;
                for row in rows {
                    row.0 += by_s;
                }
            }
            Plan::Cycle { start_s: start, .. } => *start = Some(start_s),
        }
        moved
    }

    /// The same with every interval from the start on `ratio` times as long in the samples' clock.
    ///
    /// # Panics
    /// Where `ratio` is not positive and finite.
    #[must_use]
    pub fn with_clock_ratio(&self, ratio: f64) -> Self {
        assert!(ratio > 0.0 && ratio.is_finite(), "a clock must run");
        let mut stretched = self.clone();
        stretched.ratio = ratio;
        stretched
    }

    /// The same with a switch clock whose rate is known to 1 sigma in parts per million.
    ///
    /// # Errors
    /// [`ScheduleError::Number`] unless it is from 0 to 20000.
    pub fn with_rate_sigma_ppm(&self, rate_sigma_ppm: f64) -> Result<Self, ScheduleError> {
        if !(0.0..=MOST_PPM).contains(&rate_sigma_ppm) {
            return Err(ScheduleError::Number {
                field: "rate_sigma_ppm",
                value: rate_sigma_ppm,
                right: "from 0 to 20000",
            });
        }
        Ok(Self {
            rate_sigma_ppm,
            ..self.clone()
        })
    }

    /// The same with more left out at both ends of every dwell, as the memory of a symmetric filter asks for.
    ///
    /// Every dwell then ends `before_s` earlier and begins to be usable `after_s` later.
    ///
    /// # Errors
    /// [`ScheduleError`]: a time that is not from 0 to 1e5 s, or a step of a cycle that has no usable time left.
    pub fn guarded(&self, before_s: f64, after_s: f64) -> Result<Self, ScheduleError> {
        check_settle(before_s)?;
        check_settle(after_s)?;
        let out_s = self.settle_s + self.lead_s + before_s + after_s;
        if let Some((step, short)) = self
            .steps()
            .iter()
            .enumerate()
            .find(|(_, s)| s.port.is_some() && s.dwell_s * self.ratio <= out_s)
        {
            return Err(ScheduleError::Step {
                step: step + 1,
                field: "dwell_s",
                value: short.dwell_s,
                right: "longer than the settling time and the memory of the filter",
            });
        }
        let mut guarded = self.clone();
        guarded.lead_s += before_s;
        guarded.settle_s += after_s;
        Ok(guarded)
    }

    /// How well the rate of the switch clock is known, 1 sigma in parts per million.
    pub fn rate_sigma_ppm(&self) -> f64 {
        self.rate_sigma_ppm
    }

    /// Length of the switch's second in seconds of the samples' clock.
    pub fn clock_ratio(&self) -> f64 {
        self.ratio
    }

    /// Time dropped after each switching instant.
    pub fn settle_s(&self) -> f64 {
        self.settle_s
    }

    /// Length of a cycle in the samples' clock; `None` for a list.
    pub fn period_s(&self) -> Option<f64> {
        match &self.plan {
            Plan::List(_) => None,
            Plan::Cycle { at_s, .. } => Some(at_s[at_s.len() - 1] * self.ratio),
        }
    }

    /// When the first step of a cycle begins, or the first row of a list; `None` where it is to be found.
    pub fn start_s(&self) -> Option<f64> {
        match &self.plan {
            Plan::List(rows) => Some(rows[0].0),
            Plan::Cycle { start_s, .. } => *start_s,
        }
    }

    /// Steps of the cycle; empty for a list.
    pub fn steps(&self) -> &[SwitchStep] {
        match &self.plan {
            Plan::List(_) => &[],
            Plan::Cycle { steps, .. } => steps,
        }
    }

    /// One more than the highest port used.
    pub fn ports(&self) -> usize {
        let highest = match &self.plan {
            Plan::List(rows) => rows.iter().filter_map(|r| r.1).max(),
            Plan::Cycle { steps, .. } => steps.iter().filter_map(|s| s.port).max(),
        };
        highest.map_or(0, |p| usize::from(p) + 1)
    }

    /// The port connected at a time, settled or not; `None` where none is, before a list begins, and where the start
    /// of the cycle is unknown.
    pub fn port_at(&self, time_s: f64) -> Option<u16> {
        self.interval(self.index_at(time_s)?)?.2
    }

    /// Which step of the cycle, from 0, holds a time; `None` for a list and where the start is unknown.
    pub fn step_at(&self, time_s: f64) -> Option<usize> {
        let steps = i64::try_from(self.steps().len()).ok().filter(|n| *n > 0)?;
        usize::try_from(self.index_at(time_s)?.rem_euclid(steps)).ok()
    }

    /// The stretches between `from_s` and `to_s` in which a port is connected and settled, in order of time.
    ///
    /// Nothing comes where the start of the cycle is unknown or a limit is not finite.
    pub fn dwells(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = Dwell> + '_ {
        let limits = from_s.is_finite() && to_s.is_finite() && from_s < to_s;
        let first = limits
            .then(|| self.index_at(from_s).or_else(|| self.first_index()))
            .flatten();
        first
            .into_iter()
            .flat_map(|first| first..)
            .map_while(move |index| self.interval(index).filter(|i| i.0 < to_s))
            .filter_map(move |(switched_s, next_s, port)| {
                let dwell = Dwell {
                    port: port?,
                    switched_s,
                    start_s: (switched_s + self.settle_s).max(from_s),
                    stop_s: (next_s - self.lead_s).min(to_s),
                };
                (dwell.start_s < dwell.stop_s).then_some(dwell)
            })
    }

    fn first_index(&self) -> Option<i64> {
        matches!(self.plan, Plan::List(_)).then_some(0)
    }

    /// Number of the interval that holds a time: rows of the list from 0, steps of the cycle from its start.
    fn index_at(&self, time_s: f64) -> Option<i64> {
        let start_s = self.start_s()?;
        let own_s = (time_s - start_s) / self.ratio;
        if !own_s.is_finite() {
            return None;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_possible_wrap,
            reason = "a recording has fewer switching instants than an i64 can count; the cast saturates"
        )]
        let guess = match &self.plan {
            Plan::List(rows) => rows.partition_point(|r| (r.0 - start_s) <= own_s) as i64 - 1,
            Plan::Cycle { at_s, .. } => {
                let period_s = at_s[at_s.len() - 1];
                let cycle = (own_s / period_s).floor();
                let inside_s = own_s - cycle * period_s;
                let step = at_s.partition_point(|a| *a <= inside_s).clamp(1, at_s.len() - 1) - 1;
                (cycle as i64)
                    .saturating_mul(at_s.len() as i64 - 1)
                    .saturating_add(step as i64)
            }
        };
        // Rounding may put the guess one off from the instants as they are given out.
        [guess.saturating_add(1), guess, guess.saturating_sub(1)]
            .into_iter()
            .find(|&i| {
                self.interval(i)
                    .is_some_and(|(from, to, _)| from <= time_s && time_s < to)
            })
    }

    /// Start, end and port of an interval.
    fn interval(&self, index: i64) -> Option<(f64, f64, Option<u16>)> {
        match &self.plan {
            Plan::List(rows) => {
                let i = usize::try_from(index).ok()?;
                let row = rows.get(i)?;
                let own = |t: f64| rows[0].0 + (t - rows[0].0) * self.ratio;
                let next = rows.get(i + 1).map_or(f64::INFINITY, |r| own(r.0));
                Some((own(row.0), next, row.1))
            }
            Plan::Cycle { steps, at_s, start_s } => {
                let start_s = (*start_s)?;
                let count = i64::try_from(steps.len()).ok()?;
                let instant = |i: i64| {
                    let step = usize::try_from(i.rem_euclid(count)).unwrap_or(0);
                    let cycle = i.div_euclid(count) as f64;
                    start_s + (cycle * at_s[steps.len()] + at_s[step]) * self.ratio
                };
                let step = usize::try_from(index.rem_euclid(count)).ok()?;
                Some((instant(index), instant(index.checked_add(1)?), steps[step].port))
            }
        }
    }
}

fn check_settle(settle_s: f64) -> Result<(), ScheduleError> {
    if (0.0..=LONGEST_DWELL_S).contains(&settle_s) {
        Ok(())
    } else {
        Err(ScheduleError::Number {
            field: "settle_s",
            value: settle_s,
            right: "from 0 to 1e5 seconds",
        })
    }
}

fn check_ports(ports: impl Iterator<Item = Option<u16>>) -> Result<(), ScheduleError> {
    let mut used: Vec<u16> = ports.flatten().collect();
    used.sort_unstable();
    used.dedup();
    if used.len() < 2 {
        return Err(ScheduleError::TooFewPorts { ports: used.len() });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refuse(text: &str, message: &str) {
        let error = SwitchSchedule::from_csv(text.as_bytes(), 0.0).unwrap_err();
        assert_eq!(error.to_string(), message);
    }

    #[test]
    fn errors_name_line_and_field() {
        refuse(
            "t,port\n",
            "the switch schedule lacks the column `time_s`; its first line is `t,port` and should be time_s,port",
        );
        refuse(
            "time_s,port\n0,1\n1,-2\n",
            "line 3: `port` is `-2` and should be a whole number from 1 to 64, or 0 for none",
        );
        refuse(
            "time_s,port\n0,1\ninf,2\n",
            "line 3: `time_s` is `inf` and should be a number of seconds from -1e9 to 1e9",
        );
        refuse(
            "time_s,port\n0,1\n1,2\n1,1\n",
            "line 4: time 1 s is not after 1 s",
        );
        refuse(
            "time_s,port\n0,1\n1,0\n",
            "the switch schedule uses 1 ports and should use 2 or more",
        );
        let error = SwitchSchedule::cycle(&[0, 1, 64], 0.1, 0.0).unwrap_err();
        assert_eq!(
            error.to_string(),
            "step 3 of the switching cycle: `port` is 65 and should be from 1 to 64"
        );
        let error = SwitchSchedule::cycle(&[0, 1], 0.1, 0.1).unwrap_err();
        assert_eq!(
            error.to_string(),
            "step 1 of the switching cycle: `dwell_s` is 0.1 and should be longer than the settling time"
        );
    }

    #[test]
    fn a_list_holds_its_last_port_and_has_none_before_its_first() {
        let text = "# made by hand\ntime_s,port\n1,1\n2,0\n3,2\n";
        let schedule = SwitchSchedule::from_csv(text.as_bytes(), 0.25).unwrap();
        let ports = [0.9, 1.0, 2.5, 3.0, 9.0].map(|t| schedule.port_at(t));
        assert_eq!(ports, [None, Some(0), None, Some(1), Some(1)]);
        let dwells: Vec<Dwell> = schedule.dwells(0.0, 5.0).collect();
        assert_eq!(dwells.len(), 2);
        assert_eq!((dwells[0].start_s, dwells[0].stop_s), (1.25, 2.0));
        assert_eq!((dwells[1].start_s, dwells[1].stop_s), (3.25, 5.0));
    }

    #[test]
    fn a_cycle_without_a_start_gives_nothing_out() {
        let schedule = SwitchSchedule::cycle(&[0, 1], 0.1, 0.0).unwrap();
        assert_eq!(schedule.port_at(0.0), None);
        assert_eq!(schedule.dwells(0.0, 1.0).count(), 0);
    }
}
