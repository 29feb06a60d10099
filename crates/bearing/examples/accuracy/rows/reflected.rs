//! A second arrival of the same signal.

use std::sync::Arc;

use lobewright_antenna::Pattern;

use crate::case::Case;
use crate::common::turn::{Arrival, Phase, Turn};

pub(crate) fn reflected(yagi: &Arc<Pattern>) -> Vec<Case> {
    let mut cases = Vec::new();
    for coherent in [false, true] {
        for ratio_db in [-10.0, -6.0, -3.0, 0.0, 3.0, 6.0] {
            cases.push(case(coherent, 110.0, ratio_db, yagi));
        }
        for apart_deg in [40.0, 80.0, 180.0] {
            for ratio_db in [-6.0, 0.0, 6.0] {
                if coherent || ratio_db < 0.0 {
                    cases.push(case(coherent, apart_deg, ratio_db, yagi));
                }
            }
        }
    }
    cases
}

fn case(coherent: bool, apart_deg: f64, ratio_db: f64, yagi: &Arc<Pattern>) -> Case {
    let kind = if coherent { "coherent" } else { "incoherent" };
    Case::turn(
        format!("{kind} reflection {apart_deg} degrees off, {ratio_db:+} dB"),
        yagi,
        Turn {
            arrival: Some(Arrival {
                apart_deg,
                ratio_db,
                phase: if coherent { Phase::Drawn } else { Phase::Incoherent },
            }),
            ..Turn::full(36, 400.0, 25.0, 0.3)
        },
    )
}
