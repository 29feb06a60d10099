//! The rows of the book: antennas that are rotated.

mod antennas;
mod disturbed;
mod grid;
mod reflected;
mod tracks;

use std::fmt;

use crate::book::Book;

/// Writes the chapters of rows.
pub(crate) fn write(book: &mut Book) -> fmt::Result {
    let yagi = crate::common::pattern("yagi3");
    book.chapter(
        "Full turn: 36 readings of 200 independent samples",
        "",
        &grid::signals(&yagi),
    )?;
    book.chapter(
        "Readings per turn",
        "7200 independent samples in all, in so many readings.",
        &grid::readings(&yagi),
    )?;
    book.chapter(
        "Below the threshold",
        "Where the bound exceeds 8 degrees or so errors are no longer small ones around the truth.",
        &grid::weak(&yagi),
    )?;
    book.chapter(
        "Part of a turn",
        "A reading of 200 samples every 10 degrees; the centre of the sweep against the direction of the source.",
        &tracks::sweeps(&yagi),
    )?;
    book.chapter(
        "Other tracks",
        "Swung by hand: to and fro over about 300 degrees at a changing speed, 6 s, a reading of 200 samples every 50 ms.",
        &tracks::others(&yagi),
    )?;
    book.chapter(
        "Other antennas",
        "Full turn, 36 readings of 200 samples.",
        &antennas::antennas(),
    )?;
    book.chapter(
        "Pattern not quite right",
        "The dash in place of a bound: the estimator is given a pattern that is not the antenna's.",
        &antennas::mistaken(),
    )?;
    book.chapter(
        "Fading",
        "A turn of 3.6 s, 72 readings of 625 samples, no level error beside the fading; power averaged over each reading. The frequency is the \
         largest Doppler shift of the scattered part.",
        &disturbed::fading(&yagi),
    )?;
    book.chapter(
        "Disturbed readings",
        "Full turn, 36 readings of 200 samples. Under impulses the bound is that of the readings not hit.",
        &disturbed::others(&yagi),
    )?;
    book.chapter(
        "Reflections",
        "A second arrival of the same signal; the direct path is the truth, however strong the other one. Full turn, 36 readings of 400 samples, \
         level error 0.3 dB, S/N 25 dB of the direct path. Coherent: the fields add, with one phase drawn for the turn; else the powers add.",
        &reflected::reflected(&yagi),
    )
}
