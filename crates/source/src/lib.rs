//! Samples in and out: SigMF, WAV and raw I/Q.
