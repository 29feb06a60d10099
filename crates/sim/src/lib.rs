//! Truth to samples: emitters, paths, antennas, noise and receiver faults.
