//! Invariants of switching schedules.

use std::fmt::Write;

use lobewright_antenna::{Dwell, SwitchSchedule, SwitchStep};
use proptest::prelude::*;

fn steps() -> impl Strategy<Value = Vec<SwitchStep>> {
    proptest::collection::vec((proptest::option::weighted(0.9, 0_u16..6), 1e-4..5e-2_f64), 2..9)
        .prop_filter("two ports", |steps| {
            let mut ports: Vec<u16> = steps.iter().filter_map(|s| s.0).collect();
            ports.sort_unstable();
            ports.dedup();
            ports.len() > 1
        })
        .prop_map(|steps| {
            steps
                .into_iter()
                .map(|(port, dwell_s)| SwitchStep { port, dwell_s })
                .collect()
        })
}

proptest! {
    #[test]
    fn dwells_hold_what_port_at_says(
        steps in steps(), settle in 0.0..1e-4_f64, start in -1e3..1e3_f64, from in -10.0..10.0_f64, ratio in 0.999..1.001_f64
    ) {
        let schedule = SwitchSchedule::from_steps(steps.clone(), settle * 0.9)
            .unwrap()
            .with_start(start)
            .with_clock_ratio(ratio);
        let dwells: Vec<Dwell> = schedule.dwells(from, from + 1.0).collect();
        let mut before = from;
        let mut total = 0.0;
        for d in &dwells {
            prop_assert!(before <= d.start_s && d.start_s < d.stop_s && d.stop_s <= from + 1.0);
            prop_assert!(d.start_s >= d.switched_s + settle * 0.9 - 1e-12);
            prop_assert_eq!(schedule.port_at(f64::midpoint(d.start_s, d.stop_s)), Some(d.port));
            before = d.stop_s;
            total += d.stop_s - d.start_s;
        }
        // What is usable of a cycle, to within the cycle cut at each end.
        let period: f64 = steps.iter().map(|s| s.dwell_s).sum();
        let usable: f64 = steps.iter().filter(|s| s.port.is_some()).map(|s| s.dwell_s - settle * 0.9).sum();
        prop_assert!((total - usable / period).abs() < 2.0 * period + 1e-3);
    }

    #[test]
    fn cutting_the_time_changes_nothing(steps in steps(), start in -1.0..1.0_f64, cut in 0.1..0.9_f64) {
        let schedule = SwitchSchedule::from_steps(steps, 1e-5).unwrap().with_start(start);
        let whole: f64 = schedule.dwells(0.0, 1.0).map(|d| d.stop_s - d.start_s).sum();
        let parts: f64 = schedule
            .dwells(0.0, cut)
            .chain(schedule.dwells(cut, 1.0))
            .map(|d| d.stop_s - d.start_s)
            .sum();
        prop_assert!((whole - parts).abs() < 1e-9);
    }

    #[test]
    fn a_cycle_repeats_with_its_period(steps in steps(), start in -1.0..1.0_f64, ratio in 0.99..1.01_f64, cycles in -50_i32..50) {
        let schedule = SwitchSchedule::from_steps(steps, 0.0).unwrap().with_start(start).with_clock_ratio(ratio);
        let period = schedule.period_s().unwrap();
        for d in schedule.dwells(0.0, 2.0 * period) {
            let middle = f64::midpoint(d.start_s, d.stop_s);
            prop_assert_eq!(schedule.port_at(middle + f64::from(cycles) * period), Some(d.port));
        }
    }

    #[test]
    fn every_instant_of_a_cycle_has_its_step(steps in steps(), at in -1e5..1e5_f64) {
        let full: Vec<SwitchStep> = steps
            .into_iter()
            .map(|s| SwitchStep { port: s.port.or(Some(0)), ..s })
            .collect();
        prop_assume!(full.iter().any(|s| s.port != full[0].port));
        let schedule = SwitchSchedule::from_steps(full, 0.0).unwrap().with_start(0.1);
        prop_assert!(schedule.port_at(at).is_some());
    }

    #[test]
    fn a_bad_file_is_an_error_and_no_panic(text in "\\PC{0,200}") {
        let _ = SwitchSchedule::from_csv(text.as_bytes(), 0.0).map(|s| s.port_at(0.0));
        let table = format!("time_s,port\n{text}");
        let _ = SwitchSchedule::from_csv(table.as_bytes(), 0.0).map(|s| s.dwells(0.0, 1.0).count());
    }

    #[test]
    fn a_list_and_the_cycle_it_was_written_from_agree(dwell in 0.01..0.1_f64, at in 0.0..3.0_f64) {
        let cycle = SwitchSchedule::cycle(&[2, 0, 1], dwell, 0.0).unwrap().with_start(0.0);
        let mut text = String::from("time_s,port\n");
        for i in 0..400_u32 {
            writeln!(text, "{},{}", f64::from(i) * dwell, [3, 1, 2][i as usize % 3]).unwrap();
        }
        let list = SwitchSchedule::from_csv(text.as_bytes(), 0.0).unwrap();
        // At an instant itself the last bit may differ.
        prop_assume!((at / dwell - (at / dwell).round()).abs() > 1e-9);
        prop_assert_eq!(list.port_at(at), cycle.port_at(at));
    }

    #[test]
    fn a_guard_takes_time_off_both_ends_of_every_dwell(
        steps in steps(), start in -1.0..1.0_f64, before in 0.0..3e-5_f64, after in 0.0..3e-5_f64
    ) {
        let plain = SwitchSchedule::from_steps(steps, 1e-5).unwrap().with_start(start);
        let guarded = plain.guarded(before, after).unwrap();
        // The limits cut dwells too: those inside are compared.
        let inside = |d: &Dwell| d.switched_s > 0.1 && d.switched_s < 0.8;
        let dwells = |s: &SwitchSchedule| s.dwells(0.0, 1.0).filter(inside).collect::<Vec<_>>();
        let (plain, guarded) = (dwells(&plain), dwells(&guarded));
        prop_assert_eq!(plain.len(), guarded.len());
        for (p, g) in plain.iter().zip(&guarded) {
            prop_assert_eq!((p.port, p.switched_s), (g.port, g.switched_s));
            prop_assert!((g.start_s - p.start_s - after).abs() < 1e-9);
            prop_assert!((p.stop_s - g.stop_s - before).abs() < 1e-9);
        }
    }
}

#[test]
fn a_guard_that_leaves_nothing_of_a_dwell_is_refused() {
    let schedule = SwitchSchedule::cycle(&[0, 1], 0.001, 0.0004).unwrap();
    assert!(schedule.guarded(0.0002, 0.0003).is_ok());
    assert_eq!(
        schedule.guarded(0.0003, 0.0003).unwrap_err().to_string(),
        "step 1 of the switching cycle: `dwell_s` is 0.001 and should be longer than the settling time and the memory \
         of the filter"
    );
}
