//! Transmitters that share a frequency in turn, told apart by the clock.

use std::str::FromStr;

use lobewright_types::{BearingKind, Timestamp};

/// Nearer than this to an edge, in seconds, a person's time does not tell the slot; a tenth of a slot where that is less.
const GUARD_S: f64 = 2.0;
/// A burst that starts this share of the guard before a slot counts for it: clocks differ.
const EARLY_SHARE: f64 = 0.5;
/// Most slots.
const MOST: u32 = 1000;
const DAY_S: f64 = 86_400.0;

/// The times at which transmitters that share a frequency are on, one after the other: slots of equal length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlotPlan {
    period_s: f64,
    count: u32,
    first_start: Timestamp,
}

/// Why a plan was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SlotPlanError {
    /// Not two or three parts.
    #[error(
        "`{0}` is no plan of slots; it must be PERIOD_S,COUNT or PERIOD_S,COUNT,FIRST_START, such as 300,5 or 300,5,2026-02-14T03:00:00Z"
    )]
    Form(String),
    /// The period.
    #[error("the period `{0}` must be a number of seconds above 0, up to 86400")]
    Period(String),
    /// The number of slots.
    #[error("the count of slots `{0}` must be a whole number from 2 to 1000")]
    Count(String),
    /// The first start.
    #[error("the first start `{0}` must be a time in RFC 3339 such as 2026-02-14T03:00:00Z")]
    Start(String),
    /// No first start, and midnight does not stand for one.
    #[error(
        "a period of {0} s does not divide the day, so that slots are not the same every day; say when one period began, such as {0},{1},2026-02-14T03:00:00Z"
    )]
    NeedsStart(f64, u32),
    /// Slots too short to tell.
    #[error("slots of {0} s are too short to tell transmitters apart; they must have 1 s or more")]
    Short(f64),
}

/// Why a time does not tell the slot.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SlotDoubt {
    /// No time.
    #[error("it has no time, so its slot is not known")]
    NoTime,
    /// Too near to the edge of a slot.
    #[error(
        "{after_s:.1} s from the beginning of slot {next} is too near to the edge between it and slot {before} to tell them apart"
    )]
    Edge {
        /// The slot that ends there, from 1.
        before: u32,
        /// The slot that begins there.
        next: u32,
        /// Time from the edge; negative before it.
        after_s: f64,
    },
}

impl SlotPlan {
    /// The slot, from 1, in which something was heard.
    ///
    /// # Inputs
    /// `time`: UTC; of an automatic bearing, or another station's, the start of its burst, of a person's the time it was read.
    ///
    /// # Result
    /// A burst that starts up to a second before a slot counts for that slot (clocks differ, and transmitters begin with their
    /// slot). In doubt are a person's times within two seconds (or a tenth of the slot) of an edge, and bursts that start three
    /// seconds to one second before it.
    ///
    /// # Errors
    /// [`SlotDoubt`].
    pub fn slot_of(&self, time: Option<Timestamp>, kind: BearingKind) -> Result<u32, SlotDoubt> {
        let time = time.ok_or(SlotDoubt::NoTime)?;
        let slot_s = self.slot_s();
        let guard_s = GUARD_S.min(0.1 * slot_s);
        let (early_s, guard_s) = match kind {
            BearingKind::Hand => (0.0, guard_s),
            BearingKind::Automatic | BearingKind::Remote => {
                // In doubt from one and a half guards before the edge to half a guard before it.
                (guard_s, EARLY_SHARE * guard_s)
            }
        };
        let at_s = time.seconds_since(self.first_start).rem_euclid(self.period_s);
        let moved_s = (at_s + early_s).rem_euclid(self.period_s);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "from 0 to the count"
        )]
        let index = ((moved_s / slot_s) as u32).min(self.count - 1);
        let inside_s = moved_s - f64::from(index) * slot_s;
        let number = |index: u32| index % self.count + 1;
        let edge = |next: u32, from_edge_s: f64| SlotDoubt::Edge {
            before: number(next + self.count - 1),
            next: number(next),
            after_s: from_edge_s - early_s,
        };
        if inside_s < guard_s {
            return Err(edge(index, inside_s));
        }
        if slot_s - inside_s <= guard_s {
            return Err(edge(index + 1, inside_s - slot_s));
        }
        Ok(number(index))
    }

    /// Length of a slot in seconds.
    pub fn slot_s(&self) -> f64 {
        self.period_s / f64::from(self.count)
    }

    /// The label of a slot, such as `slot 3`; with leading zeros where there are ten or more, so that they sort.
    pub fn label(&self, slot: u32) -> String {
        let width = self.count.to_string().len();
        format!("slot {slot:0width$}")
    }
}

impl FromStr for SlotPlan {
    type Err = SlotPlanError;

    /// Reads `PERIOD_S,COUNT[,FIRST_START]`. Without a first start periods begin at midnight UTC, for periods that divide the day.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let parts: Vec<&str> = text.split(',').map(str::trim).collect();
        let (period, count, start) = match parts[..] {
            [period, count] => (period, count, None),
            [period, count, start] => (period, count, Some(start)),
            _ => return Err(SlotPlanError::Form(text.to_owned())),
        };
        let period_s = period
            .parse()
            .ok()
            .filter(|p: &f64| *p > 0.0 && *p <= DAY_S)
            .ok_or_else(|| SlotPlanError::Period(period.to_owned()))?;
        let count = count
            .parse()
            .ok()
            .filter(|n| (2..=MOST).contains(n))
            .ok_or_else(|| SlotPlanError::Count(count.to_owned()))?;
        let first_start = match start {
            Some(start) => start
                .parse()
                .map_err(|_| SlotPlanError::Start(start.to_owned()))?,
            None => Timestamp::from_unix_ns(0),
        };
        let days = DAY_S / period_s;
        if start.is_none() && (days - days.round()).abs() > 1e-9 {
            return Err(SlotPlanError::NeedsStart(period_s, count));
        }
        let plan = Self {
            period_s,
            count,
            first_start,
        };
        if plan.slot_s() < 1.0 {
            return Err(SlotPlanError::Short(plan.slot_s()));
        }
        Ok(plan)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Timestamp {
        Timestamp::from_unix_ns(0).plus_seconds(seconds)
    }

    #[test]
    fn the_clock_tells_the_slot_in_every_period_and_before_the_first() {
        let plan: SlotPlan = "300,5,1970-01-01T00:01:00Z".parse().unwrap();
        for (seconds, slot) in [
            (90.0, 1),
            (150.0, 2),
            (330.0, 5),
            (30.0, 5),
            (390.0, 1),
            (-30.0, 4),
        ] {
            for kind in [BearingKind::Hand, BearingKind::Automatic] {
                assert_eq!(plan.slot_of(Some(at(seconds)), kind), Ok(slot), "{seconds}");
            }
        }
        assert_eq!(plan.slot_of(None, BearingKind::Hand), Err(SlotDoubt::NoTime));
    }

    #[test]
    fn a_burst_begins_with_its_slot_and_a_person_at_the_edge_is_in_doubt() {
        let plan: SlotPlan = "300,5".parse().unwrap();
        let burst = |s| plan.slot_of(Some(at(s)), BearingKind::Automatic);
        let person = |s| plan.slot_of(Some(at(s)), BearingKind::Hand);
        assert_eq!([burst(59.2), burst(60.0), burst(60.4), burst(116.0)], [Ok(2); 4]);
        assert_eq!([person(62.1), person(117.9)], [Ok(2); 2]);
        for doubtful in [burst(58.9), burst(57.1), person(60.0), person(58.1), person(61.9)] {
            let Err(SlotDoubt::Edge { before, next, .. }) = doubtful else {
                panic!("{doubtful:?}");
            };
            assert_eq!((before, next), (1, 2));
        }
        let Err(SlotDoubt::Edge {
            before,
            next,
            after_s,
        }) = person(299.0)
        else {
            panic!("the last edge");
        };
        assert_eq!((before, next), (5, 1));
        assert!((after_s + 1.0).abs() < 1e-9);
    }

    #[test]
    fn plans_that_make_no_sense_are_refused_with_what_would_be_right() {
        for (text, words) in [
            ("300", "PERIOD_S,COUNT"),
            ("x,5", "the period `x`"),
            ("-3,5", "the period `-3`"),
            ("300,1", "from 2 to 1000"),
            ("300,5,noon", "RFC 3339"),
            ("7000,5", "does not divide the day"),
            ("2,5", "too short"),
            ("NaN,5", "the period `NaN`"),
        ] {
            let error = text.parse::<SlotPlan>().unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
        }
        assert!("7000,5,2026-02-14T03:00:00Z".parse::<SlotPlan>().is_ok());
        let many: SlotPlan = "600,12".parse().unwrap();
        assert_eq!(many.label(3), "slot 03");
    }
}
