//! Mixers, filters, decimators, spectra and level estimates.
