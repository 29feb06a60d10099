//! Pictures: spectrogram, polar plot and map, as SVG and PNG.
