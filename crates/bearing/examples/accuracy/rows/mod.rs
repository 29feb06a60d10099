//! The rows of the book: antennas that are rotated, and such that are switched.

mod antennas;
mod disturbed;
mod grid;
mod reflected;
mod sectors;
mod tracks;

use crate::case::Chapter;

/// The chapters of rows, in order.
pub(crate) fn chapters() -> Vec<Chapter> {
    let yagi = crate::common::pattern("yagi3");
    vec![
        Chapter {
            title: "Full turn: 36 readings of 200 independent samples",
            text: "",
            cases: grid::signals(&yagi),
        },
        Chapter {
            title: "Readings per turn",
            text: "7200 independent samples in all, in so many readings.",
            cases: grid::readings(&yagi),
        },
        Chapter {
            title: "Below the threshold",
            text: "Where the bound exceeds 8 degrees or so errors are no longer small ones around the truth.",
            cases: grid::weak(&yagi),
        },
        Chapter {
            title: "Part of a turn",
            text: "A reading of 200 samples every 10 degrees; the centre of the sweep against the direction of the source.",
            cases: tracks::sweeps(&yagi),
        },
        Chapter {
            title: "Other tracks",
            text: "Swung by hand: to and fro over about 300 degrees at a changing speed, 6 s, a reading of 200 samples every \
                   50 ms. Clocks apart: the delay is drawn once for a turn and is part of the bound.",
            cases: tracks::others(&yagi),
        },
        Chapter {
            title: "Other antennas",
            text: "Full turn, 36 readings of 200 samples.",
            cases: antennas::antennas(),
        },
        Chapter {
            title: "Pattern not quite right",
            text: "The dash in place of a bound: the estimator is given a pattern that is not the antenna's.",
            cases: antennas::mistaken(),
        },
        Chapter {
            title: "Fading",
            text: "A turn of 3.6 s, 72 readings of 625 samples, no level error beside the fading; power averaged over each \
                   reading. The frequency is the largest Doppler shift of the scattered part.",
            cases: disturbed::fading(&yagi),
        },
        Chapter {
            title: "Disturbed readings",
            text: "Full turn, 36 readings of 200 samples. Under impulses the bound is that of the readings not hit.",
            cases: disturbed::others(&yagi),
        },
        Chapter {
            title: "Reflections",
            text: "A second arrival of the same signal; the direct path is the truth, however strong the other one. Full turn, \
                   36 readings of 400 samples, level error 0.3 dB, S/N 25 dB of the direct path. Coherent: the fields add, with \
                   one phase drawn for the turn; else the powers add.",
            cases: reflected::reflected(&yagi),
        },
        Chapter {
            title: "Switched sectors",
            text: "Four fixed sector antennas (`testdata/antennas/sector4_s1.csv` to `s4`) behind a switch, power readings of 200 \
                   samples, 20 ms each; S/N with the strongest port's peak towards the source. Each port has a fixed gain error \
                   of 0.3 dB (1 sigma) where no other is named; the estimator is told that sigma, and so is the bound. The \
                   baselines take the mean power of each port.",
            cases: sectors::switched(),
        },
    ]
}
