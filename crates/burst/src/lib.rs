//! Where a transmission begins and ends: noise floor, bursts, signal-to-noise.
