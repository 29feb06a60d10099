//! The time around each switch that the channel filter mixes, left out.

use lobewright_antenna::SwitchSchedule;
use lobewright_dsp::ChannelPlan;

use crate::antenna::{AntennaModel, schedule_of};
use crate::{PlaceSection, PlaceSettings, RunError};

/// Amplitude of another port, against this one's, that may be left of it in a sample that is used.
const LEAK: f64 = 0.01;
/// Share of a dwell that may be left out before it is said: the phase of speech cannot be foretold over much more.
const MOST_LEFT_OUT: f64 = 0.3;

/// A schedule with the filter's memory left out.
pub(crate) struct Guarded {
    pub(crate) schedule: SwitchSchedule,
    /// What is lost by it and what would help, where it is much.
    pub(crate) warning: Option<String>,
}

/// The switch's schedule with the channel filter's memory left out at both ends of every dwell.
pub(crate) fn guarded_schedule(
    settings: &PlaceSettings<'_>,
    section: &PlaceSection,
    plan: &ChannelPlan,
    input_rate_hz: f64,
) -> Result<Option<Guarded>, RunError> {
    let (Some(antenna), Some(model)) = (&settings.config.antenna, &settings.antenna) else {
        return Ok(None);
    };
    if !antenna.kind.is_switched() {
        return Ok(None);
    }
    let schedule = schedule_of(antenna, section, settings.base)?;
    if schedule.ports() > model.ports() {
        return Err(RunError::Ports {
            place: section.name.clone(),
            found: schedule.ports(),
            wanted: model.ports(),
        });
    }
    let memory_s = memory_samples(plan) / input_rate_hz;
    let guarded = schedule
        .guarded(memory_s, memory_s)
        .map_err(|source| RunError::Switch {
            place: section.name.clone(),
            memory_s,
            source,
        })?;
    let phases = matches!(model, AntennaModel::Ring(_));
    Ok(Some(Guarded {
        warning: phases.then(|| warning(&schedule, memory_s)).flatten(),
        schedule: guarded,
    }))
}

/// Input samples from the middle of a filter's impulse response to where the rest, all of one sign, would pass `LEAK`.
fn memory_samples(plan: &ChannelPlan) -> f64 {
    let taps = plan.composite();
    let gain: f64 = taps.iter().sum();
    let half = taps.len() / 2;
    let mut rest = 0.0;
    for (i, tap) in taps.iter().enumerate().take(half) {
        rest += tap.abs() / gain.abs();
        if rest > LEAK {
            return (half - i) as f64;
        }
    }
    0.0
}

/// What to say where settling and the filter's memory leave little of the shortest dwell.
fn warning(schedule: &SwitchSchedule, memory_s: f64) -> Option<String> {
    let dwell_s = schedule
        .steps()
        .iter()
        .filter(|s| s.port.is_some())
        .map(|s| s.dwell_s)
        .reduce(f64::min)?;
    let out_s = schedule.settle_s() + 2.0 * memory_s;
    (out_s > MOST_LEFT_OUT * dwell_s).then(|| {
        format!(
            "{:.0} % of each dwell of {:.2} ms is left out ({:.2} ms around each switch for the memory of the channel filter, \
             {:.2} ms for the switch to settle): bearings of modulated signals are poor; widen channel.stop_half_width_hz, lower \
             channel.stopband_db, or switch more slowly",
            100.0 * out_s / dwell_s,
            1e3 * dwell_s,
            2e3 * memory_s,
            1e3 * schedule.settle_s()
        )
    })
}
