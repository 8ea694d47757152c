//! Capture to reading: spectra, fits, power and their uncertainty, without I/O.
